"""The board as a list to work from: who waits for a person, in which order, and where the night's draws got stuck."""

import hashlib
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from enum import StrEnum

from andante.domain.advice import (
    AdviceCode,
    AnalyteState,
    Assessment,
    GapStage,
    Notice,
    NoticeCode,
    Priority,
    Tell,
)
from andante.page.board import Board, Entry
from andante.present.as_text import advice_name, priority_words
from andante.present.shown import day_time, plain
from andante.writeback.answer import reminder_of
from andante.writeback.codes import DISPLAY, Kind
from andante.writeback.site import Site
from andante.writeback.standing import Hands, Standing, of_kind

URGENCY = (Priority.STAT, Priority.ASAP, Priority.URGENT, Priority.ROUTINE)
_NOT_SETTLED = (AnalyteState.MISSING, AnalyteState.STALE, AnalyteState.PROVISIONAL, AnalyteState.UNREADABLE)
_GAPS = (NoticeCode.LAB_GAP, NoticeCode.LAB_GAP_AHEAD)
_BY_STATUS = {
    "accepted": "agreed",
    "in-progress": "being seen to",
    "on-hold": "on hold",
    "received": "taken up",
    "ready": "taken up",
    "rejected": "declined",
    "completed": "done",
    "cancelled": "called off",
    "failed": "could not be done",
    "entered-in-error": "entered in error",
}


class Stand(StrEnum):
    """Where the suggestion stands; the groups of the list, in their order."""

    WAITS = "waits for a person"
    TAKEN = "with a person"
    RESTS = "nothing to answer"


# The shape that goes with each advice: what becomes of the energy, drawn as stairs.
SHAPES = {
    AdviceCode.URGENT_REVIEW: "stop",
    AdviceCode.HALVE: "down",
    AdviceCode.HOLD: "flat",
    AdviceCode.CORRECT_FIRST: "gate",
    AdviceCode.DRAW_FIRST: "drop",
    AdviceCode.STAY: "wait",
    AdviceCode.AT_GOAL: "top",
    AdviceCode.ADVANCE: "up",
    AdviceCode.START: "first",
    AdviceCode.NOT_COVERED: "none",
    AdviceCode.NOT_AT_RISK: "none",
    AdviceCode.STOOD_DOWN: "none",
}


@dataclass(frozen=True, kw_only=True)
class Row:
    """One line of the list, in words."""

    token: str
    ward: str
    bed: str
    who: str  # by name and birth date
    day: str
    stand: Stand
    state: str
    shape: str
    code: str
    says: str
    why: str
    missing: str
    waited: str
    priority: Priority
    urgency: str
    strokes: int  # how many strokes stand before the line: none for routine, three for at once
    acts: tuple[Tell, ...]
    behind: str
    since: datetime | None


@dataclass(frozen=True, kw_only=True)
class Filter:
    """`ward` is the key of a ward, `who` somebody who must act; empty for all."""

    ward: str = ""
    who: str = ""

    def lets(self, row: Row) -> bool:
        return self.ward in ("", ward_key(row.ward)) and self.who in ("", *(tell.value for tell in row.acts))


@dataclass(frozen=True, kw_only=True)
class Stuck:
    """One draw on its way that is not where it should be."""

    token: str
    ward: str
    bed: str
    who: str
    what: str
    tell: str
    urgency: str
    ahead: bool


def ward_key(name: str) -> str:
    """For addresses: a ward's name may hold any sign."""
    return hashlib.sha256(name.encode()).hexdigest()[:8]


def rows_of(board: Board, *, now: datetime, zone: tzinfo) -> list[Row]:
    """Everybody, what waits for a person first, the most urgent and then the longest waiting before."""
    rows = [row_of(entry, board.site, now=now, zone=zone) for entry in board.entries.values()]
    return sorted(rows, key=_order)


def who_words(entry: Entry) -> str:
    """`Ada Example, born 1950-01-31`: a bed alone is no way to know a patient by."""
    picture = entry.outcome.picture
    if picture is None:
        return "name not read"
    person = picture.person
    return f"{plain(person.name) or 'no name charted'}, born {plain(person.born_written) or 'on a day not charted'}"


def _order(row: Row) -> tuple[int, int, float, str, list[tuple[int, str]]]:
    since = row.since.timestamp() if row.since else float("inf")
    urgency = URGENCY.index(row.priority) if row.stand is not Stand.RESTS else 0
    return [*Stand].index(row.stand), urgency, since if row.stand is Stand.WAITS else 0.0, row.ward, counted(row.bed)


def row_of(entry: Entry, site: Site, *, now: datetime, zone: tzinfo) -> Row:
    found = entry.assessment
    advice, task = found.advice, entry.suggestion
    answer_stand, state = stand_of(entry, site, now=now, zone=zone)
    notices = _open(found, entry)
    stand = answer_stand
    if notices and stand is Stand.RESTS:
        stand, state = Stand.WAITS, f"{state}; a notice waits"  # what is told to others is not answered with it
    asked = [advice.priority] if answer_stand is not Stand.RESTS else []
    urgent = max((*asked, *(n.priority for n in notices)), key=lambda p: -URGENCY.index(p), default=advice.priority)
    rests = stand is Stand.RESTS
    since = _since(entry, task if answer_stand is Stand.WAITS else None)
    return Row(
        token=entry.token,
        ward=plain(found.ward) or "no ward",
        bed=plain(found.bed) or "no bed",
        who=who_words(entry),
        day=day_words(found),
        stand=stand,
        state=state,
        shape=SHAPES[advice.code],
        code=advice_name(advice),
        says=plain(advice.headline),
        why=plain(advice.because[0]) if advice.because else "",
        missing=missing_words(found),
        waited=waited_words(now - since) if since is not None and stand is Stand.WAITS else "",
        priority=urgent,
        urgency="" if rests else priority_words(urgent),
        strokes=0 if rests else 3 - URGENCY.index(urgent),
        acts=_acts(found, notices, answer_stand),
        behind=plain(entry.behind),
        since=since,
    )


def stand_of(entry: Entry, site: Site, *, now: datetime, zone: tzinfo) -> tuple[Stand, str]:
    """Where the suggestion stands, and in words."""
    if entry.assessment.advice.code.is_silent:
        return Stand.RESTS, advice_name(entry.assessment.advice).lower()
    task = entry.suggestion
    if task is None:
        return Stand.WAITS, "not in the inbox yet" if entry.inbox_read else "the inbox could not be read"
    if task.status == "requested":
        return Stand.WAITS, "waits for an answer"
    reminder = reminder_of(task, site)
    if reminder is not None:
        said = day_time(reminder, zone)
        return (Stand.WAITS, f"was put off until {said}") if reminder <= now else (Stand.TAKEN, f"put off until {said}")
    said = _BY_STATUS.get(task.status, plain(task.status, 40))
    by = answered_by(task)
    stand = Stand.RESTS if task.is_final else Stand.TAKEN
    return stand, f"{said} by {by}" if by else said


def answered_by(task: Standing) -> str:
    """Who left the last note: `Ada Quill`; empty where it is not said."""
    notes = task.body.get("note")
    last = notes[-1] if isinstance(notes, list) and len(notes) > 1 else None
    if not isinstance(last, dict):
        return ""
    who = last.get("authorReference")
    named = (who.get("display") or who.get("reference")) if isinstance(who, dict) else last.get("authorString")
    return plain(named, 80) if isinstance(named, str) else ""


def _since(entry: Entry, task: Standing | None) -> datetime | None:
    """Since when the oldest of what waits has waited: the suggestion, or a notice nobody touched."""
    notices = [one for one in of_kind(Kind.NOTICE, entry.standings) if one.hands is Hands.OURS]
    waiting = [task] if task is not None else notices
    return min((one.authored for one in waiting if one.authored is not None), default=None)


def _open(found: Assessment, entry: Entry) -> Sequence[Notice]:
    """The notices that still wait for somebody: those of the assessment, unless people answered them all."""
    notices = of_kind(Kind.NOTICE, entry.standings)
    if notices and not any(one.hands is Hands.OURS for one in notices):
        return ()
    return found.notices


def _acts(found: Assessment, notices: Sequence[Notice], stand: Stand) -> tuple[Tell, ...]:
    tells = [found.advice.tell] if stand is not Stand.RESTS else []
    tells += [notice.tell for notice in notices]
    return tuple(tell for tell in Tell if tell in tells)


def day_words(found: Assessment) -> str:
    feeding = found.feeding
    if feeding.started is None:
        return "not fed"
    return f"day {feeding.day}" if feeding.day is not None else "day not known"


def missing_words(found: Assessment) -> str:
    """`phosphate, magnesium missing; potassium stale`; empty where all three are in and firm."""
    by_state = {state: [view.analyte.value for view in found.analytes if view.state is state] for state in _NOT_SETTLED}
    return "; ".join(f"{', '.join(names)} {state.value}" for state, names in by_state.items() if names)


def waited_words(span: timedelta) -> str:
    """`less than a minute`, `40 min`, `5 h 05 min`, `2 d 3 h`."""
    minutes = max(0, int(span.total_seconds() // 60))
    if minutes < 60:
        return f"{minutes} min" if minutes else "less than a minute"
    hours, rest = divmod(minutes, 60)
    if hours < 24:
        return f"{hours} h {rest:02d} min"
    return f"{hours // 24} d {hours % 24} h"


def wards_of(rows: Iterable[Row]) -> list[tuple[str, str]]:
    """Key and name of each ward, by name."""
    return [(ward_key(name), name) for name in sorted({row.ward for row in rows})]


def stuck(board: Board) -> dict[GapStage, list[Stuck]]:
    """Every draw that is missing or will be, by the stage where it got stuck: the way that a specimen takes."""
    found: dict[GapStage, list[Stuck]] = {stage: [] for stage in GapStage}
    for entry in board.entries.values():
        for notice in entry.assessment.notices:
            if notice.code in _GAPS and notice.stage is not None:
                found[notice.stage].append(_stuck(entry, notice))
    for here in found.values():
        here.sort(key=lambda one: (one.ward, counted(one.bed), one.ahead))
    return found


def _stuck(entry: Entry, notice: Notice) -> Stuck:
    return Stuck(
        token=entry.token,
        ward=plain(entry.assessment.ward) or "no ward",
        bed=plain(entry.assessment.bed) or "no bed",
        who=who_words(entry),
        what=plain(notice.text.replace("\n", " ")),
        tell=DISPLAY[notice.tell],
        urgency=priority_words(notice.priority),
        ahead=notice.code is NoticeCode.LAB_GAP_AHEAD,
    )


def counted(bed: str) -> list[tuple[int, str]]:
    """Bed 2 comes before bed 12."""
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in re.split(r"([0-9]+)", bed)]


def in_groups(rows: Iterable[Row]) -> Iterator[tuple[Stand, list[Row]]]:
    listed = list(rows)
    for stand in Stand:
        yield stand, [row for row in listed if row.stand is stand]
