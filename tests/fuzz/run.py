"""The long run of the fuzzers: `deploy/run fuzz [--minutes N] [--only NAME] [--write]`.

Each target is run for its share of the time under atheris, guided by the code that inputs reach; where atheris is not
to be had, for as long unguided. Then every address of ours is asked by schemathesis, at random. Inputs that reached
something new are kept in .fuzz/ and begin the next run. A find ends its target, is kept in .fuzz/NAME/finds and fails
the run. `--write` writes what was run into shared/docs/hostile-input.md.
"""

import argparse
import importlib.util
import json
import os
import re
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from random import Random

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(HERE), str(HERE.parent), str(ROOT / "service")]

DOCUMENT = ROOT / "shared" / "docs" / "hostile-input.md"
KEPT = ROOT / ".fuzz"
_BEGUN = re.compile(r"\bINITED cov: (\d+)")
_COVERED = re.compile(r"\bcov: (\d+)")
_INPUTS = re.compile(r"number_of_executed_units:\s*(\d+)")
_COUNTED = re.compile(r"^#(\d+)\t", re.MULTILINE)


@dataclass(frozen=True, kw_only=True)
class Ran:
    """`edges` of our code: as reached by what the run began with, and at its end; None where nothing guided."""

    name: str
    what: str
    inputs: int
    seconds: float
    edges: tuple[int, int] | None
    finds: int

    @property
    def row(self) -> str:
        edges = f"{self.edges[0]:,} → {self.edges[1]:,}" if self.edges else "not guided"
        return f"| {self.name} | {self.what} | {self.inputs:,} | {self.seconds / 60:.1f} | {edges} | {self.finds} |"


def main() -> int:
    asked = argparse.ArgumentParser(prog="deploy/run fuzz", description=__doc__.splitlines()[0])
    asked.add_argument("--minutes", type=float, default=60, help="for all targets together (60)")
    asked.add_argument("--only", help="one target, by name")
    asked.add_argument("--write", action="store_true", help="write the figures into the document")
    given = asked.parse_args()
    from targets import TARGETS

    chosen = [target for name, target in TARGETS.items() if given.only in (None, name)]
    if not chosen:
        asked.error(f"the targets are {', '.join(TARGETS)}")
    is_guided = importlib.util.find_spec("atheris") is not None
    if not is_guided:
        say("atheris is not installed on this machine: inputs are made without its guidance")
    shares = sum(target.share for target in chosen)
    ran: list[Ran] = []
    for target in chosen:
        seconds = max(5, round(given.minutes * 60 * target.share / shares))
        ran.append((guided if is_guided else unguided)(target, seconds))
        say(ran[-1].row)
    if given.only is None:
        ran.append(addresses(examples=max(20, round(given.minutes * 5))))
        say(ran[-1].row)
    if given.write:
        write(ran)
    return 1 if any(one.finds for one in ran) else 0


def say(text: str) -> None:
    sys.stderr.write(f"{text}\n")


def guided(target, seconds: int) -> Ran:
    corpus, finds = folders(target.name)
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, HERE / "guided.py", target.name, corpus, finds, str(seconds)],
        capture_output=True,
        text=True,
        errors="replace",
        check=False,
    )
    begun = _BEGUN.search(done.stderr)
    covered = [int(found) for found in _COVERED.findall(done.stderr)]
    told = _INPUTS.findall(done.stderr) or _COUNTED.findall(done.stderr)
    if begun is None or not told:
        raise SystemExit(f"{target.name}: atheris did not begin:\n{done.stderr[-2000:]}")
    found = sorted(finds.iterdir())
    if done.returncode and not found:
        raise SystemExit(f"{target.name}: atheris ended with {done.returncode}:\n{done.stderr[-2000:]}")
    if found:
        say(done.stdout[-4000:])
        say(done.stderr[-1000:])
    return Ran(
        name=target.name,
        what=target.what,
        inputs=int(told[-1]),
        seconds=time.monotonic() - began,
        edges=(int(begun[1]), covered[-1]),
        finds=len(found),
    )


def unguided(target, seconds: int) -> Ran:
    _, finds = folders(target.name)
    dice, began, inputs, found = Random(), time.monotonic(), 0, 0
    while time.monotonic() - began < seconds and not found:
        text = target.mutator.mutate(dice.choice(target.texts), dice.getrandbits(32), target.longest)
        inputs += 1
        try:
            target.run(text)
        except Exception as error:
            found += 1
            (finds / f"find-{inputs}").write_bytes(text)
            say(f"{target.name}: {type(error).__name__}: {error}")
    return Ran(
        name=target.name, what=target.what, inputs=inputs, seconds=time.monotonic() - began, edges=None, finds=found
    )


def folders(name: str) -> tuple[Path, Path]:
    """Of what reached something new, and of what went wrong; the latter empty."""
    corpus, finds = KEPT / name / "corpus", KEPT / name / "finds"
    for folder in (corpus, finds):
        folder.mkdir(parents=True, exist_ok=True)
    for old in finds.iterdir():
        old.unlink()
    return corpus, finds


def addresses(*, examples: int) -> Ran:
    counted, began = KEPT / "addresses.json", time.monotonic()
    counted.unlink(missing_ok=True)
    how = {"ANDANTE_TEST_DEEP": "1", "ANDANTE_TEST_EXAMPLES": str(examples), "ANDANTE_TEST_COUNT": str(counted)}
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", HERE / "test_openapi.py"],
        cwd=ROOT,
        env={**os.environ, **how},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        say(done.stdout[-6000:])
    return Ran(
        name="addresses",
        what="every address of the service, the page and the sandbox, asked by schemathesis",
        inputs=sum(json.loads(counted.read_bytes()).values()),
        seconds=time.monotonic() - began,
        edges=None,
        finds=len(re.findall(r"^(?:FAILED|ERROR) ", done.stdout, re.MULTILINE)),
    )


def write(ran: list[Ran]) -> None:
    """Into the document, by name: what was not run now keeps the figures of its last run."""
    text = DOCUMENT.read_text(encoding="utf-8")
    head, rest = text.split("<!-- name: fuzzed -->\n")
    old, tail = rest.split("<!-- end of fuzzed -->")
    rows = {row.split("|")[1].strip(): row for row in old.splitlines() if row.startswith("| ")}
    rows = {name: row for name, row in rows.items() if name not in ("target", "---")}
    rows |= {one.name: one.row for one in ran}
    table = [
        "| target | what is run | inputs | minutes | edges of our code | finds |",
        "| --- | --- | --- | --- | --- | --- |",
        *rows.values(),
    ]
    DOCUMENT.write_text(f"{head}<!-- name: fuzzed -->\n" + "\n".join(table) + f"\n<!-- end of fuzzed -->{tail}")


if __name__ == "__main__":
    sys.exit(main())
