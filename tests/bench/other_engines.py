"""Our core beside general-purpose CQL and FHIRPath engines, on the same charts, in one run.

The others evaluate the simple rule alone (`simple_rule.py`), we all of ours. A figure is told only of an engine that
answered every chart of the hospital's ten days as the plain function does; and where that function holds, our core
must never say more energy, except for a level that is too high: such a level is named with the advice.
"""

import json
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from cores import chart_files
from simple_rule import HIGH, Case, decoded, fresh_since, held_for
from timing import pace
from wards import NOW, ZONE

from andante import protocol_files
from andante.chart.bundle import read_charts
from andante.chart.chart import Chart
from andante.chart.codes import load_codes
from andante.chart.to_picture import to_picture
from andante.domain.advice import AdviceCode
from andante.rules import evaluate

ENGINES = Path(__file__).parent / "engines"
sys.path.insert(0, str(ENGINES))

from install import (  # noqa: E402
    CLASS_PATH,
    JAVA_ENGINE,
    NODE,
    NODE_ENGINES,
    PYTHON,
    PYTHON_ENGINE,
    ChecksumsDiffer,
    Part,
    java,
    node,
)

MORE_ENERGY = (AdviceCode.ADVANCE, AdviceCode.START)


@dataclass(frozen=True)
class Speed:
    """Patients per second of processor time, on charts decoded before and on JSON; or why there is none."""

    what: str
    on_parsed: float = 0.0
    on_text: float = 0.0
    trouble: str = ""


@dataclass(frozen=True)
class Beside:
    """`held`: charts of which the simple rule says hold; `only_high`: those of them where ours gives more energy."""

    charts: int
    held: int
    only_high: int
    ours: Speed
    plain: Speed
    others: Sequence[Speed]


def measure(seconds: float) -> Beside:
    cases = list(_cases())
    holds = [held_for(decoded(case.file), case.since) for case in cases]
    advised = [_advise(_read(case), case) for case in cases]
    more = [why for why, code in zip(holds, advised, strict=True) if why and code in MORE_ENERGY]
    if any(why != {HIGH} for why in more):
        raise AssertionError("the core gives more energy where a level is low, missing, old or not proven")
    timed = [case for case in cases if case.timed]
    with tempfile.TemporaryDirectory(prefix="andante-bench-") as folder:
        file = Path(folder) / "cases.jsonl"
        file.write_text("".join(map(_line, cases)), encoding="utf-8")
        others = [_other(engine, file, [not why for why in holds], seconds) for engine in _OTHERS]
    return Beside(
        charts=len(cases),
        held=sum(map(bool, holds)),
        only_high=len(more),
        ours=_ours(timed, seconds),
        plain=_plain(timed, seconds),
        others=others,
    )


def _cases() -> Iterator[Case]:
    """Everybody in the hospital on each of its mornings; timed are the charts of the other measurements."""
    protocol = protocol_files.load("aspen-2020")
    for day in range(-4, 7):
        now = NOW + timedelta(days=day)
        for file in chart_files(now):
            yield Case(file, now, fresh_since(now, protocol), timed=now == NOW)


def _line(case: Case) -> str:
    return json.dumps({"since": case.since.isoformat(), "timed": case.timed, "chart": case.file.decode()}) + "\n"


_CODES, _PROTOCOL, _ZONE = load_codes(), protocol_files.load("aspen-2020"), ZoneInfo(ZONE)


def _read(case: Case) -> Chart:
    (chart,) = read_charts(case.file, now=case.now).charts
    return chart


def _advise(chart: Chart, case: Case) -> AdviceCode:
    return evaluate(to_picture(chart, _CODES, _ZONE), _PROTOCOL, case.now).advice.code


def _ours(cases: list[Case], seconds: float) -> Speed:
    parsed = [(_read(case), case) for case in cases]
    return Speed(
        "Andante, all rules",
        on_parsed=pace(parsed, lambda known: _advise(*known), seconds),
        on_text=pace(cases, lambda case: _advise(_read(case), case), seconds),
    )


def _plain(cases: list[Case], seconds: float) -> Speed:
    parsed = [(decoded(case.file), case.since) for case in cases]
    return Speed(
        "the simple rule in plain Python",
        on_parsed=pace(parsed, lambda known: held_for(*known), seconds),
        on_text=pace(cases, lambda case: held_for(decoded(case.file), case.since), seconds),
    )


@dataclass(frozen=True)
class _Engine:
    what: str
    part: Part
    command: Callable[[], list[str | Path]]


def _on_node(script: str) -> Callable[[], list[str | Path]]:
    def command() -> list[str | Path]:
        for file in (*ENGINES.glob("*.mjs"), *ENGINES.glob("[Ss]imple*.json")):
            shutil.copy(file, NODE)  # Node finds packages beside the script
        return [node(), NODE / script]

    return command


_OTHERS = (
    _Engine("cql-execution 3.3.2, CQL on Node.js", NODE_ENGINES, _on_node("cql.mjs")),
    _Engine("fhirpath.js 5.2.2, FHIRPath on Node.js", NODE_ENGINES, _on_node("fhirpath.mjs")),
    _Engine(
        "fhirpathpy 2.2.4, FHIRPath in Python",
        PYTHON_ENGINE,
        lambda: [PYTHON / "bin" / "python", ENGINES / "fhirpath_python.py"],
    ),
    _Engine(
        "the Java CQL engine 3.29.0",
        JAVA_ENGINE,
        lambda: [java(), "-XX:+UseSerialGC", "-Xmx1g", "-cp", CLASS_PATH, "Cql", ENGINES],
    ),
)


def _other(engine: _Engine, cases: Path, wanted: list[bool], seconds: float) -> Speed:
    try:
        engine.part.ensure()
        command = [*engine.command(), cases, str(seconds)]
        told = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    except (OSError, subprocess.CalledProcessError, ChecksumsDiffer) as error:
        sys.stderr.write(f"{engine.what}: {error}\n{getattr(error, 'stderr', None) or ''}\n")
        return Speed(engine.what, trouble=f"could not be run: {type(error).__name__}")
    wrong = sum(one != right for one, right in zip(told["verdicts"], wanted, strict=True))
    if wrong:
        return Speed(engine.what, trouble=f"answers {wrong} of {len(wanted)} charts otherwise")
    return Speed(engine.what, on_parsed=told["on_parsed"], on_text=told["on_text"])
