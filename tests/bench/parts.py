"""Each part of the benchmark as the tables and figures that are told of it."""

from collections.abc import Callable, Iterator
from itertools import pairwise

import changes
import cores
import flights
import growth
import other_engines
import pages
import reaction
import rounds
from figures import EXACT, RATIO, Figure, Section


def round_part(quick: bool) -> Section:
    lines = [
        "A round in which every inbox is as it should be, beside fetching the same pages with the same client and "
        "throwing them away.",
        "",
        "| patients | observations | requests | in flight | server waits | bare fetch | round | ratio "
        "| our processor time per observation | first round, writing everything |",
        "| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    figures = []
    goals = {(1, 50): 1.15, (8, 50): 1.3}
    for m in rounds.measure(100 if quick else 1000, repeats=1 if quick else 3):
        lines.append(
            f"| {m.patients:,} | {m.observations:,} | {m.requests:,} | {m.in_flight} | {m.delay_ms} ms "
            f"| {m.bare.wall_s:.1f} s | {m.whole.wall_s:.1f} s | {m.ratio:.2f} | {m.us_per_observation:.0f} µs "
            f"| {m.first.wall_s:.1f} s |"
        )
        how = f"{m.in_flight} in flight, {m.delay_ms} ms a page"
        figures.append(
            Figure(f"a round against the bare fetch, {how}", m.ratio, at_most=goals.get((m.in_flight, m.delay_ms)))
        )
        if (m.in_flight, m.delay_ms) == (8, 50):
            figures += [
                Figure("requests of that round", m.requests, EXACT),
                Figure("our processor time per observation in it, µs", m.us_per_observation, noise=50, at_most=10),
            ]
    return Section(lines, figures)


def core_part(quick: bool) -> Section:
    lines = ["| on one processor | patients a second |", "| --- | ---: |"]
    measured = cores.measure(100 if quick else 500, repeats=2 if quick else 5)
    rules, _, whole = measured
    return Section(
        lines + [f"| {one.what} | {one.patients_per_s:,.0f} |" for one in measured],
        [
            Figure("patients a second, all rules, with decoding", whole.patients_per_s, noise=50, at_least=5000),
            Figure("rules alone against rules with mapping and decoding", rules.patients_per_s / whole.patients_per_s),
        ],
    )


def engine_part(quick: bool) -> Section:
    m = other_engines.measure(1 if quick else 6)
    lines = [
        "All of our rules, beside general-purpose engines that evaluate the simple rule alone: the latest potassium, "
        "phosphate and magnesium each fresh and in range, else hold. One chart after the other, patients per second of "
        "processor time after a warm-up, compilation and garbage collection included.",
        "",
        "| | on decoded charts | with decoding of JSON | ours against it, decoded | with decoding |",
        "| --- | ---: | ---: | ---: | ---: |",
    ]
    figures = []
    for one in (m.ours, *m.others, m.plain):
        if one.trouble:
            lines.append(f"| {one.what} | {one.trouble} | | | |")
            continue
        decoded, whole = m.ours.on_parsed / one.on_parsed, m.ours.on_text / one.on_text
        ratios = f"{decoded:.3g} × | {whole:.3g} ×" if one is not m.ours else "|"
        lines.append(f"| {one.what} | {one.on_parsed:,.0f} | {one.on_text:,.0f} | {ratios} |")
        if one is not m.ours:
            goal = 50.0 if one.what.startswith("cql-execution") else None
            figures.append(Figure(f"all our rules against {one.what}, with decoding", whole, at_least=goal))
            # Some hundred microseconds a chart: what the memory looks like by then counts for as much as the function.
            noise = 60.0 if one is m.plain else RATIO
            figures.append(Figure(f"the same on decoded charts: {one.what}", decoded, noise=noise))
    lines += [
        "",
        f"Each engine gave the verdict of a plain function on each of {m.charts} charts, {m.held} of them `hold`. On "
        f"these our own answer was never more energy where a level was low, old, missing or not proven; it was "
        f"{m.only_high} times where a level was nothing but too high, which the advice then names.",
    ]
    return Section(lines, figures)


def flight_part(quick: bool) -> Section:
    lines = ["| requests in flight | requests a second |", "| ---: | ---: |"]
    measured = flights.measure(500 if quick else 4000, repeats=2 if quick else 3)
    one, eight, many = measured.values()
    return Section(
        lines + [f"| {count} | {speed:,.0f} |" for count, speed in measured.items()],
        [
            Figure("requests a second, 8 in flight against 1", eight / one, at_least=1),
            Figure("requests a second, 32 in flight against 8", many / eight, at_least=1),
        ],
    )


def change_part(quick: bool) -> Section:
    m = changes.measure(100 if quick else 1000)
    cpu, requests = 100 * m.partial.cpu_s / m.whole.cpu_s, 100 * m.partial_requests / m.whole_requests
    lines = [
        f"Of {m.patients} patients {m.changed} had a new result; on our sandbox.",
        "",
        "| round | requests | our processor time |",
        "| --- | ---: | ---: |",
        f"| over everybody | {m.whole_requests} | {m.whole.cpu_s:.2f} s |",
        f"| by change time | {m.partial_requests} ({requests:.0f} %) | {m.partial.cpu_s:.2f} s ({cpu:.0f} %) |",
    ]
    return Section(
        lines,
        [
            Figure("requests of a round by change time, % of a whole one", requests, noise=5, at_most=3),
            Figure("our processor time in it, % of a whole one", cpu, at_most=3),
        ],
    )


def reaction_part(quick: bool) -> Section:
    lines = [
        "A potassium turns critically low or normal again; from the server's answer to that until a search finds "
        "another open Task. Told by rest-hook with the resource in it; our sandbox tells nobody, so the bench tells in "
        "its place, at once.",
        "",
        "| server | samples | median | 99th of 100 | of the median: until we are told "
        "| we wait for the rest of a panel | reading, assessing, writing |",
        "| --- | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    figures = []
    for r in reaction.measure(8 if quick else 100, ("sandbox",) if quick else reaction.SERVERS):
        if r.trouble:
            lines.append(f"| {r.server} | {r.trouble} | | | | | |")
            continue
        rest = r.median_s - r.told_s - r.waited_s
        lines.append(
            f"| {r.server} | {r.samples} | {r.median_s:.2f} s | {r.p99_s:.2f} s | {r.told_s:.2f} s "
            f"| {r.waited_s:.2f} s ({100 * r.waited_s / r.median_s:.0f} %) | {rest:.2f} s |"
        )
        figures += [
            Figure(f"from a result to its Task on {r.server}, median, s", r.median_s),
            Figure(f"from a result to its Task on {r.server}, 99th of 100, s", r.p99_s, noise=60),
        ]
    return Section(lines, figures)


def growth_part(quick: bool) -> Section:
    lines = [
        "Eight in flight, from a server that answers at once. The first round writes everything; the memory is the "
        "most that the rounds added to this process.",
        "",
        "| patients | requests a round | first round | next round | a patient in the first | memory |",
        "| ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    grown = []
    for g in growth.measure((100, 300) if quick else growth.SIZES):
        grown.append(g)
        lines.append(
            f"| {g.patients:,} | {g.requests:,} | {g.first_s:.1f} s | {g.again_s:.1f} s | {g.ms_per_patient:.1f} ms "
            f"| {g.memory_mib:.0f} MiB |"
        )
    return Section(lines, list(_growth_figures(grown, "one that writes everything")))


def crowd_part(quick: bool) -> Section:
    lines = [
        "As above, dry: everybody is read and assessed, what would be written is made, and not sent.",
        "",
        "| patients | requests | dry round | a patient in it | memory |",
        "| ---: | ---: | ---: | ---: | ---: |",
    ]
    grown = []
    for g in growth.measure((100, 300) if quick else growth.CROWDS, dry=True):
        grown.append(g)
        lines.append(
            f"| {g.patients:,} | {g.requests:,} | {g.dry_s:.1f} s | {g.ms_per_patient:.1f} ms "
            f"| {g.memory_mib:.0f} MiB |"
        )
    return Section(lines, list(_growth_figures(grown, "a dry one")))


def _growth_figures(grown: list[growth.Grown], which: str) -> Iterator[Figure]:
    """The first size costs what is read once for all, so that a patient's share of time tells nothing."""
    for g in grown:
        yield Figure(f"requests over {g.patients:,} patients, {which}", g.requests, EXACT)
    for less, more in pairwise(grown if which == "a dry one" else grown[1:]):
        name = f"over {more.patients:,} patients against {less.patients:,}, {which}"
        yield Figure(f"time for one patient {name}", more.ms_per_patient / less.ms_per_patient, at_most=1.1)
        yield Figure(f"memory {name}", more.memory_mib / max(less.memory_mib, 1), noise=50, at_most=1.5)


def page_part(quick: bool) -> Section:
    patients = 50 if quick else 500
    lines = [
        f"{patients} watched patients, Chromium, nothing kept from before; the middle of the repeats.",
        "",
        "| first view of | transferred | answered after | painted after | loaded after | at worst |",
        "| --- | ---: | ---: | ---: | ---: | ---: |",
    ]
    views = pages.measure(patients, repeats=2 if quick else 7)
    return Section(
        lines
        + [
            f"| {v.what} | {v.kib:.0f} KiB | {v.answered_s:.2f} s | {v.painted_s:.2f} s | {v.loaded_s:.2f} s "
            f"| {v.worst_s:.2f} s |"
            for v in views
        ],
        [
            figure
            for v in views
            for figure in (
                Figure(f"first view of {v.what}, KiB", v.kib, noise=10),
                Figure(f"first view of {v.what}, loaded after, s", v.loaded_s, noise=60),
            )
        ],
    )


PARTS: dict[str, tuple[str, Callable[[bool], Section]]] = {
    "round": ("A round against the bare fetch", round_part),
    "core": ("The core alone", core_part),
    "engines": ("Beside general-purpose engines", engine_part),
    "flights": ("Requests at once", flight_part),
    "changes": ("Work after a change", change_part),
    "reaction": ("From a result to its Task", reaction_part),
    "growth": ("Growth", growth_part),
    "crowd": ("A hundred thousand", crowd_part),
    "page": ("The page", page_part),
}
