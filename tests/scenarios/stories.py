"""The fictional hospital as the scenario tests see it: its stories, their expected rows, and what the program says."""

import csv
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path

from andante.chart.bundle import read_charts
from andante.chart.codes import CodeMap, load_codes
from andante.chart.to_picture import to_picture
from andante.domain.advice import Assessment, Notice
from andante.domain.protocol import Protocol
from andante.protocol_files import load
from andante.rules import evaluate

FIXTURES = Path(__file__).parents[2] / "fixtures"
sys.path.insert(0, str(FIXTURES))  # the compiler of the stories is a script, not a package

from story import Hospital, Story  # noqa: E402 - only importable from here on
from story import stories as stories  # noqa: E402 - handed on

COLUMNS = ["at", "advice", "kcal", "rate_ml_h", "why", "notices"]


@dataclass(frozen=True)
class Row:
    """One line of an `expected.csv`: what a round should say, and why."""

    story: Path
    at: str
    advice: str
    kcal: str
    rate_ml_h: str
    why: str
    notices: str

    def __str__(self) -> str:
        return f"{self.story.name} {self.at}"


@cache
def hospital() -> Hospital:
    return Hospital.load()


@cache
def rows_of(story: Path) -> tuple[Row, ...]:
    with (story / "expected.csv").open(encoding="utf-8", newline="") as lines:
        table = csv.DictReader(lines)
        assert table.fieldnames == COLUMNS, f"{story.name}: columns {table.fieldnames}"
        return tuple(Row(story=story, **row) for row in table)


def all_rows() -> Iterator[Row]:
    for story in stories():
        yield from rows_of(story)


@cache
def _protocol(name: str) -> Protocol:
    return load(name)


@cache
def protocol_of(story: Path) -> Protocol:
    """The protocol the story's table was written by; the demonstration shows all of them under the default."""
    return _protocol(Story.load(story, hospital()).protocol)


@cache
def _codes() -> CodeMap:
    return load_codes()


@cache
def chart_bytes(story: Path) -> bytes:
    return (story / "chart.json").read_bytes()


def assess(story: Path, now: datetime, *, protocol: Protocol | None = None) -> Assessment:
    """What the program says of the story's patient at `now`, by the story's protocol or another."""
    (chart,) = read_charts(chart_bytes(story), now=now).charts
    return evaluate(to_picture(chart, _codes(), hospital().zone), protocol or protocol_of(story), now)


def notice_key(notice: Notice) -> str:
    """`lab-gap:phosphate:not-ordered`; a vitamin's notice says which and what is wrong with it."""
    parts = [notice.code.value]
    if notice.code.value == "micronutrient":
        parts.append(notice.topic)
    if notice.analytes:
        parts.append("+".join(sorted(analyte.value for analyte in notice.analytes)))
    if notice.stage is not None:
        parts.append(notice.stage.value)
    return ":".join(parts)


def number(value: object) -> str:
    """A number as the tables write it: no trailing zeros; nothing for None."""
    return "" if value is None else f"{value:f}".rstrip("0").rstrip(".") if "." in f"{value:f}" else f"{value:f}"
