"""The sheet for whoever covers the weekend: per ward, what to watch, and when the next draws fall. For printing."""

from dataclasses import dataclass
from datetime import datetime, tzinfo

from andante.domain.advice import AnalyteState, Assessment
from andante.page.board import Board, Entry
from andante.page.worklist import Filter, Row, Stand, counted, row_of
from andante.present.shown import day_time, number, plain, words

COLUMNS = ("Bed, patient", "Suggestion, and where it stands", "Energy", "Watch", "Next draws", "Would change it")
NOTHING_TO_WATCH, NO_DRAWS = "nothing named", "none due"


@dataclass(frozen=True, kw_only=True)
class Line:
    """One patient. `watch` and `draws` are short lines."""

    entry: Entry
    row: Row
    energy: str
    watch: tuple[str, ...]
    draws: tuple[str, ...]
    change: str

    @property
    def stands(self) -> str:
        return f"{self.row.state}, {self.row.urgency}" if self.row.urgency else self.row.state

    @property
    def behind(self) -> str:
        return f"Older than the last round: {self.row.behind}" if self.row.behind else ""


def handover_of(board: Board, chosen: Filter, *, now: datetime, zone: tzinfo) -> list[tuple[str, list[Line]]]:
    """By ward, by bed; everybody for whom something is watched."""
    wards: dict[str, list[Line]] = {}
    for entry in board.entries.values():
        row = row_of(entry, board.site, now=now, zone=zone)
        silent = entry.assessment.advice.code.is_silent
        if chosen.lets(row) and not (silent and not entry.assessment.notices):
            wards.setdefault(row.ward, []).append(_line(entry, row, zone))
    return [(ward, sorted(lines, key=lambda one: counted(one.row.bed))) for ward, lines in sorted(wards.items())]


def _line(entry: Entry, row: Row, zone: tzinfo) -> Line:
    found = entry.assessment
    feeding = found.feeding
    goal = words(feeding.goal_kcal)
    energy = f"{row.day}: ordered {words(feeding.ordered_kcal)} of {goal} kcal/day"
    change = plain(found.advice.would_change[0]) if found.advice.would_change and row.stand is not Stand.RESTS else ""
    return Line(
        entry=entry, row=row, energy=energy, watch=tuple(_watch(found)), draws=tuple(_draws(found, zone)), change=change
    )


def _watch(found: Assessment) -> list[str]:
    """What is not in range first, one line each; then what is, on one line; then whom to tell what."""
    lines, fine = [], []
    for view in found.analytes:
        value = "" if view.value is None else f" {view.comparator}{number(view.value):f}"
        fall = "" if not view.fall_percent else f" (fallen {words(view.fall_percent)} %)"
        if view.state is AnalyteState.IN_RANGE:
            fine.append(f"{view.analyte.value}{value}{fall}")
        else:
            lines.append(f"{view.analyte.value} {view.state.value}{value}{' mmol/L' if value else ''}{fall}")
    if fine:
        lines.append(f"in range, mmol/L: {', '.join(fine)}")
    lines += [plain(notice.text.partition("\n")[0]) for notice in found.notices]
    return lines


def _draws(found: Assessment, zone: tzinfo) -> list[str]:
    """Analytes that are due together share a line: one needle where possible."""
    due: dict[str, list[str]] = {}
    for view in sorted(found.analytes, key=lambda v: (v.next_due is None, v.next_due or found.now)):
        if view.next_due is not None:
            due.setdefault(day_time(view.next_due, zone), []).append(view.analyte.value)
    return [f"{when}: {', '.join(names)}" for when, names in due.items()]
