"""The figures that a fresh run is held against, in a table that people and this program read alike."""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

HEADING = "Figures, noise and goals"
RATIO, EXACT = 25.0, 0.0
"""Noise in percent, either way, on an idle machine: of a ratio taken in one run, and of what is counted."""


@dataclass(frozen=True)
class Figure:
    """`noise` is in percent of `value`. A goal is the most or the least it should be; most figures have none."""

    name: str
    value: float
    noise: float = RATIO
    at_most: float | None = None
    at_least: float | None = None

    @property
    def shown(self) -> str:
        return f"{self.value:,.0f}" if abs(self.value) >= 100 else f"{self.value:.3g}"

    @property
    def goal(self) -> str:
        if self.at_most is not None:
            return f"at most {self.at_most:,g}"
        return f"at least {self.at_least:,g}" if self.at_least is not None else ""

    @property
    def met(self) -> str:
        if not self.goal:
            return ""
        too_much = self.at_most is not None and self.value > self.at_most
        too_little = self.at_least is not None and self.value < self.at_least
        return "**no**" if too_much or too_little else "yes"


@dataclass(frozen=True)
class Section:
    """What one part prints, and its figures."""

    lines: list[str]
    figures: list[Figure] = field(default_factory=list)


def table(figures: Iterable[Figure], before: str = "") -> list[str]:
    """The figures; those of a report written before, that were not measured now, stay as they were."""
    rows = {row["name"]: row.string for row in _rows(before)}
    for one in figures:
        noise = f"± {one.noise:g} %" if one.noise else "none"
        rows[one.name] = f"| {one.name} | {one.shown} | {noise} | {one.goal} | {one.met} |"
    return [
        "Ratios travel between machines, seconds do not; `deploy/run bench --check` holds a fresh run against these.",
        "",
        "| figure | measured | noise | goal | met |",
        "| --- | ---: | ---: | ---: | --- |",
        *rows.values(),
    ]


_ROW = re.compile(r"\| (?P<name>[^|]+) \| (?P<value>[\d.,e+-]+) \| (?:± (?P<noise>[\d.]+) %|none) \|")


def kept(report: str) -> dict[str, Figure]:
    """The figures of a report that was written before, by name."""
    figures = (
        Figure(row["name"], float(row["value"].replace(",", "")), float(row["noise"] or 0)) for row in _rows(report)
    )
    return {one.name: one for one in figures}


def _rows(report: str) -> Iterator[re.Match[str]]:
    found = map(_ROW.match, report.partition(f"## {HEADING}")[2].splitlines())
    return (row for row in found if row is not None)


def differences(fresh: Iterable[Figure], before: dict[str, Figure]) -> Iterator[str]:
    """Where a fresh run lies outside the noise that the report states, either way, or has a figure it lacks."""
    for one in fresh:
        old = before.get(one.name)
        if old is None:
            yield f"{one.name}: {one.shown}, and the report has no such figure"
        elif abs(float(one.shown.replace(",", "")) - old.value) > old.value * old.noise / 100 + 1e-9:
            noise = f"± {old.noise:g} %" if old.noise else "exactly"
            yield f"{one.name}: {one.shown}, in the report {old.shown} {noise}"
