"""Measure, and print tables: `deploy/run bench [PART…] [--quick] [--write] [--check]`.

Ratios travel between machines, seconds do not. `--write` keeps the report in `shared/docs/speed.md`; of a PART alone,
and what was measured before of the others stays, each with its own date. `--check` holds a fresh run against it, each
figure within the noise that the report states, and ends with 1 where one lies outside.
"""

import argparse
import os
import platform
import re
import sys
import traceback
from datetime import UTC, datetime
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(HERE), str(ROOT / "service")]

from figures import HEADING, Figure, differences, kept, table  # noqa: E402 - only importable from here on
from parts import PARTS  # noqa: E402

from andante.collecting import collect_seldom  # noqa: E402

REPORT = ROOT / "shared" / "docs" / "speed.md"
BY_HAND = "What it says"  # the section of the report that no run writes


def main() -> int:
    given = _arguments()
    collect_seldom()  # as the commands do
    before = REPORT.read_text(encoding="utf-8") if REPORT.exists() else ""
    sections, figures, failed = dict[str, list[str]](), list[Figure](), list[str]()
    for name in given.parts or PARTS:
        title, measure = PARTS[name]
        began = _when()
        try:
            section = measure(given.quick)
        except Exception:  # the other parts are worth their figures
            traceback.print_exc()
            failed.append(name)
            continue
        sections[title] = _say(title, [*section.lines, "", began])
        figures += section.figures
    _say(HEADING, table(figures))
    if failed:
        sys.stderr.write(f"could not be measured: {', '.join(failed)}\n")
    if given.write:
        _write(sections, figures, before, new=not given.parts and not failed)
    outside = given.check and not _check(figures, before)
    return 1 if failed or outside else 0


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("parts", nargs="*", metavar="PART", help=f"of: {', '.join(PARTS)}; all by default")
    parser.add_argument("--quick", action="store_true", help="small numbers, to see that it runs")
    parser.add_argument("--write", action="store_true", help="keep the report")
    parser.add_argument("--check", action="store_true", help="hold the run against the report that is kept")
    given = parser.parse_args()
    if unknown := set(given.parts) - PARTS.keys():
        parser.error(f"no such part: {', '.join(sorted(unknown))}")
    if given.write and (given.quick or given.check):
        parser.error("small numbers are not kept, nor a run that is held against the last")
    if given.check and given.quick:
        parser.error("small numbers are not to be held against the report's")
    return given


def _say(title: str, lines: list[str]) -> list[str]:
    section = [f"## {title}", "", *lines, ""]
    sys.stdout.write("\n".join(section) + "\n")
    sys.stdout.flush()
    return section


def _write(sections: dict[str, list[str]], figures: list[Figure], before: str, *, new: bool) -> None:
    """The whole report; parts that were not measured now stay as they were, and what was written by hand."""
    old = {part.partition("\n")[0]: f"## {part}".splitlines() for part in before.split("\n## ")[1:]}
    report = ["# Speed", "", _where(), ""]
    for title, _ in PARTS.values():
        section = sections.get(title) or old.get(title)
        report += [*section, ""] if section else []
    report += [f"## {HEADING}", "", *table(figures, "" if new else before), ""]
    report += old.get(BY_HAND, [])
    text = re.sub(r"\n{3,}", "\n\n", "\n".join(report)).rstrip() + "\n"
    REPORT.write_text(text, encoding="utf-8")


def _check(figures: list[Figure], before: str) -> bool:
    outside = list(differences(figures, kept(before)))
    sys.stdout.write("".join(f"outside: {line}\n" for line in outside))
    sys.stdout.write(f"{len(figures) - len(outside)} of {len(figures)} figures within the noise the report states\n")
    return not outside


def _when() -> str:
    when = datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")  # noqa: TID251 - a report is dated by the clock on the wall
    return f"*Measured {when}; {os.getloadavg()[0]:.1f} processes busy when it began.*"


def _where() -> str:
    return (
        f"Measured by `deploy/run bench --write`: {os.cpu_count()} processors, {platform.machine()}, "
        f"Python {platform.python_version()}, client and server on the loopback. Ratios travel, seconds do not."
    )


if __name__ == "__main__":
    sys.exit(main())
