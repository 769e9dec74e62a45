"""Try what the service survives, and print tables: `deploy/run faults [PART…] [--quick] [--write] [--seed N]`.

    kinds    a round under each kind of fault, and the next without
    serve    faults in the life of `andante serve`, its clocks made faster (needs libfaketime)
    kills    SIGKILL at random points of rounds over ten patients, on our sandbox
    wards    the same over the whole fictional hospital
    foreign  both, a smaller share, on servers written by others
    soak     days of the service in minutes: is its memory flat (needs libfaketime)

`--write` keeps the table of each part in `shared/docs/faults.md`. The exit status is 1 where anything was violated.
"""

import argparse
import logging
import os
import platform
import re
import sys
import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(HERE), str(HERE.parent / "contract"), str(ROOT / "service")]

import faulting  # noqa: E402 - only importable from here on
import soaking  # noqa: E402
from bedside import STORIES, Bedside, foreign_ward, sandbox_ward  # noqa: E402
from byte_relay import ByteRelay  # noqa: E402
from commands_run import Zygote, can_bend_time, zygote  # noqa: E402
from faulting import Case, Stand, proxied, run_kind  # noqa: E402
from killing import Campaign, Tally  # noqa: E402
from kinds import KINDS  # noqa: E402
from servers.install import missing  # noqa: E402
from servers.launch import launched  # noqa: E402
from serving import SCENES  # noqa: E402

DAYS, PACE = 3, 400
DOCUMENT = ROOT / "shared" / "docs" / "faults.md"
FOREIGN_KINDS = (
    "down in the middle", "reset before the headers", "truncated gzip", "500, 502, 503, 504", "412 storm",
    "request lost", "answer lost", "504 though done", "delivered twice", "carried out too late",
)  # fmt: skip
QUICK_KINDS = (
    "down in the middle", "cut JSON", "next elsewhere", "401 in the middle", "answer lost", "delivered twice",
    "one patient breaks the server",
)  # fmt: skip


@dataclass(frozen=True)
class Part:
    """A table, and what was violated."""

    rows: list[str]
    violations: list[str]


def kinds(seed: int, quick: bool, folder: Path) -> Part:
    with ExitStack() as stack:
        warm = stack.enter_context(zygote(folder))
        ward = stack.enter_context(sandbox_ward(warm))
        stand = Stand("sandbox", ward, stack.enter_context(proxied(ward)), warm, folder, seed)
        wanted = [kind for kind in KINDS if not quick or kind.name in QUICK_KINDS]
        wanted = [kind for kind in wanted if kind.pace == 1 or can_bend_time()]
        cases = [_told(run_kind(kind, stand)) for kind in wanted]
        others: list[Callable[[], Case | None]] = [
            lambda: faulting.two_at_once(stand),
            lambda: faulting.full_disk(stand, room=12_000),
            lambda: faulting.late_by_a_night(stand),
            lambda: faulting.no_such_name(stand),
            lambda: faulting.full_disk(stand, room=None),
            lambda: faulting.old_version(stand),
        ]
        found = (other() for other in (others[:3] if quick else others))
        cases += [_told(case) for case in found if case is not None]
    return _cases(cases)


def serve(seed: int, quick: bool, folder: Path) -> Part:
    if not can_bend_time():
        return Part(["Not run: libfaketime is not installed."], [])
    names = ["two services"] if quick else list(SCENES)

    def play(name: str) -> Case:
        own = folder / name.replace(" ", "-")
        own.mkdir()
        with zygote(own) as warm:
            return _told(SCENES[name](warm, own, seed))

    with ThreadPoolExecutor(4) as pool:  # they wait for their clocks most of the time
        return _cases(list(pool.map(play, names)))


def kills(seed: int, quick: bool, folder: Path) -> Part:
    with ExitStack() as stack:
        warm = stack.enter_context(zygote(folder))
        ward = stack.enter_context(sandbox_ward(warm, STORIES))
        relay = stack.enter_context(ByteRelay(ward.base).running())
        forked = Campaign("sandbox", ward, relay, warm, folder)
        true = Campaign("sandbox", ward, relay, warm, folder, true_command=True)
        tallies = [_said(forked.run(20 if quick else 260, seed)), _said(true.run(2 if quick else 24, seed))]
    return _tallies(tallies)


def wards(seed: int, quick: bool, folder: Path) -> Part:
    with zygote(folder) as warm, sandbox_ward(warm, None) as ward, ByteRelay(ward.base).running() as relay:
        return _tallies([_said(Campaign("sandbox", ward, relay, warm, folder).run(4 if quick else 24, seed))])


def foreign(seed: int, quick: bool, folder: Path) -> Part:
    cases: list[Case] = []
    tallies: list[Tally] = []
    absent = []
    for name, count in (("sekmet", 36), ("hapi", 14)):
        if missing(name):
            absent.append(f"Not run on {name}: {missing(name)}.")
            continue
        with ExitStack() as stack:
            warm = stack.enter_context(zygote(folder))
            server = stack.enter_context(launched(name))
            ward = stack.enter_context(foreign_ward(warm, server.base))
            tallies.append(_said(_kill_on(name, ward, warm, folder, 4 if quick else count, seed)))
            stand = Stand(name, ward, stack.enter_context(proxied(ward)), warm, folder, seed)
            wanted = [kind for kind in KINDS if kind.name in FOREIGN_KINDS[: 2 if quick else None]]
            cases += [_told(run_kind(kind, stand)) for kind in wanted if kind.pace == 1 or can_bend_time()]
    one, other = _tallies(tallies), _cases(cases)
    return Part([*one.rows, "", *other.rows, *absent], one.violations + other.violations)


def _kill_on(name: str, ward: Bedside, warm: Zygote, folder: Path, count: int, seed: int) -> Tally:
    with ByteRelay(ward.base).running() as relay:
        return Campaign(name, ward, relay, warm, folder).run(count, seed)


def soak(seed: int, quick: bool, folder: Path) -> Part:
    if not can_bend_time():
        return Part(["Not run: libfaketime is not installed."], [])
    found = soaking.soak(folder, days=0.25 if quick else DAYS, pace=600 if quick else PACE, seed=seed)
    first, second, last = found.thirds()
    rows = [
        f"{found.days:g} days in {found.seconds:.0f} seconds ({found.pace:g} times as fast), {found.patients} "
        f"inpatients when it began; read {len(found.rss_mib)} times, once a second. Seed {seed}.",
        "",
        "| resident memory | first third | second third | last third | at most |",
        "| --- | ---: | ---: | ---: | ---: |",
        f"| median, MiB | {first:.0f} | {second:.0f} | {last:.0f} | {max(mib for _, mib in found.rss_mib):.0f} |",
        "",
        f"The last third is {100 * (last / second - 1):+.1f} % of the second: "
        + ("flat by the rule." if found.is_flat else "**not flat** by the rule."),
        "",
        "| meanwhile | times |",
        "| --- | ---: |",
        *(f"| {what} | {times:,} |" for what, times in sorted(found.did.items())),
    ]
    return Part(rows, found.violations)


PARTS: dict[str, Callable[[int, bool, Path], Part]] = {
    "kinds": kinds, "serve": serve, "kills": kills, "wards": wards, "foreign": foreign, "soak": soak,
}  # fmt: skip


def _cases(cases: list[Case]) -> Part:
    rows = [
        "| fault | what happens | what must hold while it stands | server | it ended | looked at after a write "
        "| violations |",
        "| --- | --- | --- | --- | --- | ---: | ---: |",
    ]
    for case in cases:
        ended = ", ".join(_ENDINGS.get(status, str(status)) for status in case.statuses) or "see the note"
        ended += f" ({'; '.join(case.notes)})" if case.notes else ""
        rows.append(
            f"| {case.kind} | {case.does} | {case.holds} | {case.server} | {ended} | {case.moments} "
            f"| {len(case.violations)} |"
        )
    kinds = {case.kind for case in cases}
    found = sum(len(case.violations) for case in cases)
    rows += ["", f"**{len(kinds)} kinds of fault, {len(cases)} cases, {found} violations.** Seed {cases[0].seed}."]
    return Part(rows, [f"{case.kind} ({case.server}): {one}" for case in cases for one in case.violations])


_ENDINGS = {0: "whole", 3: "not whole, said"}


def _tallies(tallies: list[Tally]) -> Part:
    rows = [
        "| server | round | patients | kills | at a moment | at a byte written | at a byte read | had written nothing "
        "| had written a part | rounds after | repeats that wrote nothing | violations |",
        "| --- | --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for one in tallies:
        where = (one.kills["moment"], one.kills["byte written"], one.kills["byte read"])
        rows.append(
            f"| {one.server} | {one.how} | {one.patients} | {one.total} | {where[0]} | {where[1]} | {where[2]} "
            f"| {one.fell['nothing written']} | {one.fell['partly written']} | {one.recoveries} | {one.silent_repeats} "
            f"| {len(one.violations)} |"
        )
    total, found = sum(one.total for one in tallies), sum(len(one.violations) for one in tallies)
    late = sum(one.too_late for one in tallies)
    rows += [
        "",
        f"**{total} kills, {found} violations.** Seed {tallies[0].seed}. Beside them {late} rounds were over before "
        "the kill came; they count for nothing.",
    ]
    return Part(rows, [violation for one in tallies for violation in one.violations])


def _told(case: Case) -> Case:
    _say(f"  {case.kind} ({case.server}): {len(case.violations)} violations")
    for violation in case.violations:
        _say(f"    {violation}")
    return case


def _said(tally: Tally) -> Tally:
    _say(
        f"  {tally.server}, {tally.how}: {tally.total} kills, {len(tally.violations)} violations, {tally.seconds:.0f} s"
    )
    for violation in tally.violations:
        _say(f"    {violation}")
    return tally


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("parts", nargs="*", metavar="PART", help=f"of: {', '.join(PARTS)}; all by default")
    parser.add_argument("--quick", action="store_true", help="a small share, to see that it runs")
    parser.add_argument("--write", action="store_true", help="keep the tables")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    if unknown := set(given.parts) - PARTS.keys():
        parser.error(f"no such part: {', '.join(sorted(unknown))}")
    if given.write and given.quick:
        parser.error("only a whole part is kept")
    # The sandbox is cut off on purpose all the time; its server would tell of each in full.
    logging.getLogger("uvicorn.error").setLevel(logging.CRITICAL + 1)
    violated = 0
    for name in given.parts or PARTS:
        _say(f"{name}:")
        with tempfile.TemporaryDirectory(prefix="andante-faults-") as folder:
            part = PARTS[name](given.seed, given.quick, Path(folder))
        _say("\n".join(["", *part.rows, ""]))
        violated += len(part.violations)
        if given.write:
            keep(name, [_where(name, given.seed), "", *part.rows])
    return int(bool(violated))


def keep(name: str, rows: list[str]) -> None:
    """Put a part's table into the document, in its place."""
    text = DOCUMENT.read_text(encoding="utf-8")
    begin, end = f"<!-- {name}: as measured -->", f"<!-- end of {name} -->"
    assert begin in text
    fresh = "\n".join([begin, "", *rows, "", end])
    pattern = re.escape(begin) + r".*?" + re.escape(end)
    DOCUMENT.write_text(re.sub(pattern, lambda _: fresh, text, flags=re.S), encoding="utf-8")


def _where(name: str, seed: int) -> str:
    when = datetime.now(UTC).date().isoformat()  # noqa: TID251 - a report is dated by the clock on the wall
    return (
        f"Measured on {when} by `deploy/run faults {name} --seed {seed} --write`: {os.cpu_count()} processors, "
        f"{platform.machine()}, Python {platform.python_version()}; {os.getloadavg()[0]:.0f} processes busy at its end."
    )


if __name__ == "__main__":
    sys.exit(main())
