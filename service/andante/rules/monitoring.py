"""When the next draw of each analyte is due, whether anyone ordered it, and which stage failed."""

from dataclasses import dataclass
from datetime import datetime, time, timedelta, tzinfo

from andante.domain.advice import AnalyteState, Fact, GapStage, Tell
from andante.domain.picture import Collection, LabOrder, LabOrderState, Picture
from andante.domain.protocol import Protocol
from andante.domain.quantities import Analyte
from andante.rules.bands import Band
from andante.rules.canonical import in_fixed_offset
from andante.rules.course import Course
from andante.rules.evidence import Evidence, Reading, recheck_due
from andante.rules.phrases import named_once, span

_MOST_DAYS = 1000  # of one order; more is a slip in its first day
_ONLY_A_DRAW_HELPS = frozenset({"specimen", "implausible", "unproven"})
"""Why a result is set aside where the laboratory has nothing to put right."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """One analyte without a usable draw. `ahead`: it is still to come. `tell`: who can put it right."""

    analyte: Analyte
    ahead: bool
    stage: GapStage
    tell: Tell
    due: datetime | None  # None: due since before anything was drawn
    facts: tuple[Fact, ...] = ()


def interval(
    course: Course,
    evidence: tuple[Evidence, ...],
    protocol: Protocol,
    now: datetime,
    *,
    energy_adequate: bool,
) -> timedelta:
    """The monitoring interval: close in the window after a start, restart or jump, wider once stable and fed."""
    rule = protocol.monitoring
    early = span(rule.early_interval.value, "h")
    exposed = course.latest_exposure
    if exposed is None or now - exposed < span(rule.early_window.value, "h"):
        return early
    settled = all(e.band is Band.IN_RANGE and not any(a.blocks for a in e.unsettled) for e in evidence)
    return span(rule.late_interval.value, "h") if settled and energy_adequate else early


def next_due(reading: Reading, picture: Picture, protocol: Protocol, now: datetime, *, every: timedelta) -> datetime:
    """When the next result of the analyte is needed: now when there is none, earlier after a replacement."""
    last = reading.evidence.last
    if reading.awaits_recheck:
        doses = [dose for dose in picture.replacements if reading.analyte in dose.analytes and dose.given <= now]
        due = max(recheck_due(dose, reading.analyte, protocol) for dose in doses)
        # When one that is still running will end is not known: the usual draws go on.
        drawn = reading.evidence.last_drawn(now)
        return min(due, drawn + every) if drawn is not None and any(dose.running for dose in doses) else due
    if last is None or reading.state in (
        AnalyteState.MISSING,
        AnalyteState.UNREADABLE,
        AnalyteState.PROVISIONAL,
    ):
        return now
    due = last.collected + every
    for dose in picture.replacements:
        if reading.analyte in dose.analytes and last.collected < dose.given <= now:
            due = min(due, recheck_due(dose, reading.analyte, protocol))
    return due


def find_gap(
    reading: Reading, picture: Picture, protocol: Protocol, now: datetime, *, due: datetime, feeding: bool
) -> Gap | None:
    """The gap of one analyte, late or ahead, and the stage that failed."""
    grace = span(protocol.evidence.freshness_grace.value, "h")
    if not feeding and _is_coming(reading, picture, protocol, now):
        return None  # nothing runs, and the start waits for it: no stage has failed
    lacks = reading.lacks_evidence and not reading.awaits_recheck
    if lacks or now > due + grace:
        return _late_gap(reading, picture, protocol, now, due)
    ahead = now + span(protocol.monitoring.lookahead.value, "h")
    if due <= ahead and not _is_ordered(reading, picture, protocol, now, due=due):
        return Gap(analyte=reading.analyte, ahead=True, stage=GapStage.NOT_ORDERED, tell=Tell.PRESCRIBER, due=due)
    return None


def _is_coming(reading: Reading, picture: Picture, protocol: Protocol, now: datetime) -> bool:
    """Whether a draw that is still missing is ordered for later, as far ahead as the night watch looks."""
    if reading.state not in (AnalyteState.MISSING, AnalyteState.STALE):
        return False
    until = now + span(protocol.monitoring.lookahead.value, "h")
    planned = [
        next((t for t in _planned(o, until, picture.zone) if last is None or t > last.collected), None)
        for o in picture.lab_orders
        if reading.analyte in o.analytes
        for last in (reading.evidence.last,)
    ]
    first = min((t for t in planned if t is not None), default=None)
    return first is not None and first > now


def _late_gap(reading: Reading, picture: Picture, protocol: Protocol, now: datetime, due: datetime) -> Gap:
    analyte, last = reading.analyte, reading.evidence.last
    when = due if last is not None and due < now else None

    def gap(stage: GapStage, tell: Tell, *facts: Fact) -> Gap:
        return Gap(analyte=analyte, ahead=False, stage=stage, tell=tell, due=when, facts=facts)

    unusable = [
        a
        for a in reading.evidence.unsettled
        if a.code != "after-replacement" and (a.blocks or a.code in ("undated", "future"))
    ]
    if reading.lacks_evidence and unusable:
        worst = sorted(unusable, key=lambda a: (a.code, a.result.source))
        awaited = all(a.code == "provisional" for a in worst)
        facts = [
            Fact(
                label=analyte.value,
                value=named_once(a.result.written, a.text),
                when=a.result.collected,
                source=a.result.source,
            )
            for a in worst
        ]
        if awaited:
            return gap(GapStage.NO_RESULT, Tell.LABORATORY, *facts)
        redraw = any(a.code in _ONLY_A_DRAW_HELPS for a in worst)
        return gap(GapStage.UNUSABLE, Tell.NURSE if redraw else Tell.LABORATORY, *facts)
    taken = [
        c
        for c in picture.collections
        if analyte in c.analytes
        and c.collected <= now
        and (last is None or c.collected > last.collected)
        and not _has_result(reading.evidence, protocol, c)
    ]
    if taken or (reading.state is AnalyteState.PROVISIONAL and not reading.awaits_recheck):
        return gap(
            GapStage.NO_RESULT,
            Tell.LABORATORY,
            *(Fact(label="specimen taken", value=analyte.value, when=c.collected, source=c.source) for c in taken),
        )
    soon = now + span(protocol.monitoring.one_needle.value, "h")
    waiting = [
        (o, t)
        for o in picture.lab_orders
        if analyte in o.analytes
        and (t := _open_draw(o, after=last.collected if last else None, until=soon, zone=picture.zone)) is not None
    ]
    if waiting:
        return gap(
            GapStage.NOT_COLLECTED,
            Tell.NURSE,
            *(Fact(label="draw ordered", value=analyte.value, when=t, source=o.source) for o, t in waiting),
        )
    return gap(GapStage.NOT_ORDERED, Tell.PRESCRIBER)


def _has_result(evidence: Evidence, protocol: Protocol, taken: Collection) -> bool:
    close = span(protocol.evidence.same_draw.value, "h")
    results = [r for d in evidence.draws for r in d.results] + [a.result for a in evidence.set_aside]
    return any(
        (r.specimen is not None and r.specimen == taken.source)
        or (r.collected is not None and abs(r.collected - taken.collected) <= close)
        for r in results
    )


def _open_draw(order: LabOrder, *, after: datetime | None, until: datetime, zone: tzinfo) -> datetime | None:
    """The first draw an active order plans after the last one and by `until`."""
    return next((t for t in _planned(order, until, zone) if after is None or t > after), None)


def _is_ordered(reading: Reading, picture: Picture, protocol: Protocol, now: datetime, *, due: datetime) -> bool:
    """Whether an active order, or a specimen already taken, will answer the draw in time."""
    analyte, after = reading.analyte, reading.evidence.last_drawn(now)
    needle = span(protocol.monitoring.one_needle.value, "h")
    grace = span(protocol.evidence.freshness_grace.value, "h")
    for order in picture.lab_orders:
        if analyte not in order.analytes:
            continue
        for planned in _planned(order, due + grace, picture.zone):
            if (after is None or planned > after) and due - needle <= planned:
                return True
            if not order.planned and order.every is None and not order.daily_at and (after is None or planned > after):
                return True  # wanted at once and not yet drawn
    return any(
        analyte in c.analytes
        and due - needle <= c.collected <= now
        and (after is None or c.collected > after)
        and not _has_result(reading.evidence, protocol, c)
        for c in picture.collections
    )


def _planned(order: LabOrder, until: datetime, zone: tzinfo) -> list[datetime]:
    """The instants an active order plans, up to `until`."""
    if order.state is not LabOrderState.ACTIVE:
        return []
    if order.planned:
        return sorted(t for t in order.planned if t <= until)
    if order.first is not None and order.daily_at:
        return _on_the_clock(
            order.first, order.daily_at, until if order.until is None else min(until, order.until), zone
        )
    if order.first is not None and order.every is not None and order.every > timedelta(0):
        last = until if order.until is None else min(until, order.until)
        count = min((last - order.first) // order.every, 10_000)
        return [order.first + order.every * i for i in range(max(0, count + 1))]
    authored = order.authored or order.first
    return [authored] if authored is not None and authored <= until else []


def _on_the_clock(first: datetime, clocks: tuple[time, ...], until: datetime, zone: tzinfo) -> list[datetime]:
    """Times of day from `first` to `until`: at the same hour on the wall, whatever the clocks did in the night."""
    day, last = first.astimezone(zone).date(), until.astimezone(zone).date()
    found = []
    for number in range(min((last - day).days + 1, _MOST_DAYS)):
        for clock in sorted(set(clocks)):
            instant = datetime.combine(day + timedelta(days=number), clock, tzinfo=zone)
            if first <= instant <= until:
                found.append(in_fixed_offset(instant))
    return found
