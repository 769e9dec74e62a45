"""Measure, and print a table: `deploy/run bench [PART…] [--quick] [--write]`.

Ratios travel between machines, seconds do not. `--write` keeps the report in `shared/docs/speed.md`.
"""

import argparse
import os
import platform
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(HERE), str(ROOT / "service")]

import changes  # noqa: E402 - only importable from here on
import cores  # noqa: E402
import flights  # noqa: E402
import growth  # noqa: E402
import pages  # noqa: E402
import rounds  # noqa: E402

REPORT = ROOT / "shared" / "docs" / "speed.md"
Table = list[str]


def round_table(quick: bool) -> Table:
    rows = [
        "A round in which every inbox is as it should be, beside fetching the same pages with the same client and "
        "throwing them away.",
        "",
        "| patients | observations | requests | in flight | server waits | bare fetch | round | ratio "
        "| our processor time per observation | first round, writing everything |",
        "| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for m in rounds.measure(100 if quick else 1000, repeats=1 if quick else 3):
        rows.append(
            f"| {m.patients:,} | {m.observations:,} | {m.requests:,} | {m.in_flight} | {m.delay_ms} ms "
            f"| {m.bare.wall_s:.1f} s | {m.whole.wall_s:.1f} s | {m.ratio:.2f} | {m.us_per_observation:.0f} µs "
            f"| {m.first.wall_s:.1f} s |"
        )
    return rows


def core_table(quick: bool) -> Table:
    rows = ["| on one processor | patients a second |", "| --- | ---: |"]
    measured = cores.measure(100 if quick else 500, repeats=2 if quick else 5)
    return rows + [f"| {one.what} | {one.patients_per_s:,.0f} |" for one in measured]


def flight_table(quick: bool) -> Table:
    rows = ["| requests in flight | requests a second |", "| ---: | ---: |"]
    measured = flights.measure(500 if quick else 4000, repeats=2 if quick else 3)
    return rows + [f"| {count} | {speed:,.0f} |" for count, speed in measured.items()]


def growth_table(quick: bool) -> Table:
    rows = [
        "Eight in flight, from a server that answers at once; the memory is the most that the first two rounds added.",
        "",
        "| patients | requests a round | first round | next round | memory |",
        "| ---: | ---: | ---: | ---: | ---: |",
    ]
    return rows + [
        f"| {g.patients:,} | {g.requests:,} | {g.first_s:.1f} s | {g.again_s:.1f} s | {g.memory_mib:.0f} MiB |"
        for g in growth.measure((100, 300) if quick else (100, 1_000, 10_000))
    ]


def change_table(quick: bool) -> Table:
    m = changes.measure(100 if quick else 500)
    cpu, requests = 100 * m.partial.cpu_s / m.whole.cpu_s, 100 * m.partial_requests / m.whole_requests
    return [
        f"Of {m.patients} patients {m.changed} had a new result; on our sandbox.",
        "",
        "| round | requests | our processor time |",
        "| --- | ---: | ---: |",
        f"| over everybody | {m.whole_requests} | {m.whole.cpu_s:.2f} s |",
        f"| by change time | {m.partial_requests} ({requests:.0f} %) | {m.partial.cpu_s:.2f} s ({cpu:.0f} %) |",
    ]


def page_table(quick: bool) -> Table:
    patients = 50 if quick else 500
    rows = [
        f"{patients} watched patients, Chromium, nothing kept from before; the middle of the repeats.",
        "",
        "| first view of | transferred | answered after | painted after | loaded after | at worst |",
        "| --- | ---: | ---: | ---: | ---: | ---: |",
    ]
    return rows + [
        f"| {v.what} | {v.kib:.0f} KiB | {v.answered_s:.2f} s | {v.painted_s:.2f} s | {v.loaded_s:.2f} s "
        f"| {v.worst_s:.2f} s |"
        for v in pages.measure(patients, repeats=2 if quick else 7)
    ]


PARTS: dict[str, tuple[str, Callable[[bool], Table]]] = {
    "round": ("A round against the bare fetch", round_table),
    "core": ("The core alone", core_table),
    "flights": ("Requests at once", flight_table),
    "changes": ("Work after a change", change_table),
    "growth": ("Growth", growth_table),
    "page": ("The page", page_table),
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("parts", nargs="*", metavar="PART", help=f"of: {', '.join(PARTS)}; all by default")
    parser.add_argument("--quick", action="store_true", help="small numbers, to see that it runs")
    parser.add_argument("--write", action="store_true", help="keep the report")
    given = parser.parse_args()
    if unknown := set(given.parts) - PARTS.keys():
        parser.error(f"no such part: {', '.join(sorted(unknown))}")
    if given.write and (given.parts or given.quick):
        parser.error("only a whole run is kept")
    report = ["# Speed", "", _where(), ""]
    for name in given.parts or PARTS:
        title, measure = PARTS[name]
        section = [f"## {title}", "", *measure(given.quick), ""]
        sys.stdout.write("\n".join(section) + "\n")
        sys.stdout.flush()
        report += section
    if given.write:
        REPORT.write_text("\n".join([*report, *_REMARKS]) + "\n", encoding="utf-8")


def _where() -> str:
    when = datetime.now(UTC).date().isoformat()  # noqa: TID251 - a report is dated by the clock on the wall
    busy = f"{os.getloadavg()[0]:.1f} processes busy when it began"
    return (
        f"Measured on {when} by `deploy/run bench --write`: {os.cpu_count()} processors, {platform.machine()}, "
        f"Python {platform.python_version()}, client and server on the loopback; {busy}. Ratios travel, seconds do not."
    )


_REMARKS = (
    "## What it says",
    "",
    "- One patient costs some milliseconds of our processor time: the whole argument is worked out and written in full "
    "each time, also where the inbox is already as it should be. In sequence that hides behind the server; with eight "
    "requests in flight it does not, and the processor is the limit.",
    "- The goals of 1.3 × with eight in flight, of 10 µs an observation and of 5,000 patients a second are "
    "**not met**.",
    "- Memory grows with the number of patients, since a round's report keeps every outcome until it ends.",
    "- Not measured: other engines on the simple rule, the time from a result to its Task.",
)


if __name__ == "__main__":
    main()
