"""One patient's sheet: everything said, the course, and the answers the suggestion is open to."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from andante.app import Service
from andante.assess import course_of
from andante.domain.advice import Assessment, NoticeCode
from andante.domain.trace import Trace
from andante.page.board import Entry
from andante.page.drawing import NARROW, WIDE, Drawing, Tables, draw, tables_of
from andante.page.worklist import Row, row_of
from andante.present.argument import Argument, argument_of
from andante.present.as_text import priority_words
from andante.present.shown import day_time, number, plain, words
from andante.wording import figures
from andante.writeback.answer import Answer, answers_to
from andante.writeback.codes import DISPLAY

REMIND_AFTER = (timedelta(hours=1), timedelta(hours=2), timedelta(hours=4), timedelta(hours=12))


@dataclass(frozen=True, kw_only=True)
class Level:
    name: str
    state: str
    is_fine: bool
    value: str
    collected: str
    fall: str
    due: str
    stage: str


@dataclass(frozen=True, kw_only=True)
class Told:
    code: str
    who: str
    urgency: str
    lines: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Vitamin:
    name: str
    gap: str
    orders: tuple[str, ...]
    given: str


@dataclass(frozen=True, kw_only=True)
class Said:
    """An answer or a remark that stands in the Task."""

    who: str
    when: str
    text: str


@dataclass(frozen=True, kw_only=True)
class Sheet:
    row: Row
    patient: str
    assessed: str
    valid_until: str
    behind: str
    figures: tuple[str, ...]
    because: tuple[str, ...]
    argument: Argument
    levels: tuple[Level, ...]
    energy: tuple[tuple[str, str], ...]
    risk: tuple[str, ...]
    notices: tuple[Told, ...]
    vitamins: tuple[Vitamin, ...]
    drawings: tuple[Drawing, ...]
    tables: Tables | None
    answers: tuple[Answer, ...]
    seen: str
    said: tuple[Said, ...]


def sheet_of(entry: Entry, service: Service, *, now: datetime) -> Sheet:
    """Everything the sheet says. `now` is for what has waited how long."""
    zone, found = service.basis.zone, entry.assessment
    trace = course_of(entry.outcome, service.basis)
    task = entry.suggestion
    is_silent = found.advice.code.is_silent
    return Sheet(
        row=row_of(entry, service.site, now=now, zone=zone),
        patient=plain(found.patient),
        assessed=day_time(found.now, zone),
        valid_until=day_time(found.advice.valid_until, zone) if found.advice.valid_until else "",
        behind=plain(entry.behind),
        figures=tuple(figures(found.advice)),
        because=tuple(plain(line) for line in found.advice.because),
        argument=argument_of(found, zone),
        levels=tuple(_levels(found, zone)),
        energy=tuple(_energy(found, zone)),
        risk=tuple(_risk(found)),
        notices=tuple(_told(found)),
        vitamins=tuple(_vitamins(trace, zone)) if trace else (),
        drawings=(
            (draw(trace, zone, width=WIDE, name="wide"), draw(trace, zone, width=NARROW, name="narrow"))
            if trace
            else ()
        ),
        tables=tables_of(trace, zone) if trace else None,
        answers=answers_to(task) if task is not None and not is_silent else (),
        seen=task.version if task is not None else "",
        said=tuple(_said(entry, zone)),
    )


def _levels(found: Assessment, zone: tzinfo) -> list[Level]:
    stages = {
        analyte: DISPLAY[notice.stage].lower()
        for notice in found.notices
        if notice.code in (NoticeCode.LAB_GAP, NoticeCode.LAB_GAP_AHEAD) and notice.stage is not None
        for analyte in notice.analytes
    }
    return [
        Level(
            name=view.analyte.value,
            state=view.state.value,
            is_fine=view.state.value == "in-range",
            value="" if view.value is None else f"{view.comparator}{number(view.value):f}",
            collected=day_time(view.collected, zone) if view.collected else "",
            fall="" if view.fall_percent is None else words(view.fall_percent, "%"),
            due=day_time(view.next_due, zone) if view.next_due else "",
            stage=stages.get(view.analyte, ""),
        )
        for view in found.analytes
    ]


def _energy(found: Assessment, zone: tzinfo) -> list[tuple[str, str]]:
    feeding = found.feeding
    since = "not fed"
    if feeding.started is not None:
        day = "not known" if feeding.day is None else str(feeding.day)
        since = f"day {day}, since {day_time(feeding.started, zone)}"
    return [
        ("feeding", since),
        ("goal", words(feeding.goal_kcal, "kcal/day")),
        ("ordered for the next 24 h", words(feeding.ordered_kcal, "kcal/day")),
        ("delivered over the last day", words(feeding.delivered_kcal, "kcal/day")),
        ("of it not from nutrition", words(feeding.other_kcal, "kcal/day")),
    ]


def _risk(found: Assessment) -> list[str]:
    risk = found.risk
    tier = risk.tier.value + (", lowest-start tier" if risk.extreme else "")
    lines = [f"Risk {tier}{', by a clinician’s own entry' if risk.by_clinician else ''}"]
    lines += [f"met: {plain(one.text)}" for one in risk.criteria if one.state == "met"]
    for one in risk.criteria:
        if one.state == "unknown":
            settles = f" (would be settled by: {plain(one.would_settle)})" if one.would_settle else ""
            lines.append(f"not known: {plain(one.text)}{settles}")
    return lines


def _told(found: Assessment) -> list[Told]:
    return [
        Told(
            code=DISPLAY[notice.code] + (f", {DISPLAY[notice.stage].lower()}" if notice.stage else ""),
            who=DISPLAY[notice.tell],
            urgency=priority_words(notice.priority),
            lines=tuple(plain(line) for line in notice.text.split("\n") if line.strip()),
        )
        for notice in found.notices
    ]


def _vitamins(trace: Trace, zone: tzinfo) -> list[Vitamin]:
    found = []
    for one in trace.vitamins:
        orders = tuple(
            f"{plain(order.said)}, from {day_time(order.start, zone)}"
            + (f" to {day_time(order.end, zone)}" if order.end else "")
            + _bracketed(order.sources)
            for order in one.orders
        )
        given = f"{one.given} doses documented, the last {day_time(one.last_given, zone)}" if one.given else ""
        found.append(Vitamin(name=one.name, gap=plain(one.gap), orders=orders, given=given))
    return found


def _bracketed(sources: Sequence[str]) -> str:
    kept = [plain(source) for source in sources if source]
    return f" [{', '.join(kept)}]" if kept else ""


def _said(entry: Entry, zone: tzinfo) -> list[Said]:
    """What people added to the Task after our own note, oldest first."""
    task = entry.suggestion
    notes = task.body.get("note") if task is not None else None
    found = []
    for note in notes[1:] if isinstance(notes, list) else ():
        if not isinstance(note, dict):
            continue
        who = note.get("authorReference")
        name = (who.get("display") or who.get("reference")) if isinstance(who, dict) else note.get("authorString")
        when = note.get("time")
        found.append(
            Said(
                who=plain(name, 80) if isinstance(name, str) else "somebody",
                when=_instant(when, zone) if isinstance(when, str) else "",
                text=plain(note["text"], 800) if isinstance(note.get("text"), str) else "",
            )
        )
    return found


def _instant(text: str, zone: tzinfo) -> str:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return plain(text, 40)
    return day_time(at, zone) if at.tzinfo is not None else plain(text, 40)
