"""What was taken in before feeding began: how many days nil or negligible, and which share of the need."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from itertools import pairwise

from andante.domain.advice import Fact, Working
from andante.domain.picture import (
    EnergyKind,
    Firmness,
    Intake,
    IntakeKind,
    MeasureKind,
    Measurement,
    OrderState,
    Picture,
)
from andante.domain.protocol import Protocol
from andante.rules.body import latest
from andante.rules.canonical import in_fixed_offset
from andante.rules.course import Course
from andante.rules.energy import DAY, end_of, start_of
from andante.rules.phrases import at, hours, percent_of, plain, span

_TENTH = Decimal("0.1")
_MOST_DAYS = Decimal(1000)  # more days without intake than that are a slip, and past every limit anyway
_WHOLE_DAY_H = Decimal(24)
_SHORTEST_DAY = timedelta(hours=23)  # the one on which the clocks go forward


@dataclass(frozen=True, slots=True, kw_only=True)
class Spell:
    """A time over which `percent` of the need was taken in. `nil`: not more than the protocol calls negligible."""

    start: datetime
    end: datetime
    percent: Decimal
    nil: bool
    facts: tuple[Fact, ...]
    stated: bool = False  # by a clinician
    firm: bool = True  # what is not may show a danger, and never that one has passed
    working: tuple[Working, ...] = ()

    @property
    def ate(self) -> bool:
        """Whether it shows for certain that something was taken in."""
        return self.firm and not self.nil

    @property
    def days(self) -> Decimal:
        return hours(self.end - self.start) / _WHOLE_DAY_H


def spells_before_feeding(
    picture: Picture, protocol: Protocol, now: datetime, *, course: Course, need_kcal: Decimal | None
) -> tuple[Spell, ...]:
    """Every documented spell before the present course began (or until now), oldest first, cut where feeding ran.

    From food records and diet histories, orders for nil by mouth, and a clinician's statement of days without intake,
    which goes on until feeding begins unless something was documented as eaten or ordered since.
    """
    before = feeding_began(course, now)
    eaten = [s for s in _documented(picture, protocol, need_kcal) if s.start < before]
    fed = _fed(course, now)
    nil_ordered = [
        part
        for s in _nil_by_mouth(picture, before)
        for part in _without(s, [*((e.start, e.end) for e in eaten if e.ate), *fed])
    ]
    stated = _stated(picture, protocol, now, before=before, eaten=eaten, course=course)
    found = [_until(s, before) for s in (*eaten, *nil_ordered, *stated)]
    return tuple(sorted(found, key=lambda s: (s.start, s.end, s.percent)))


def feeding_began(course: Course, now: datetime) -> datetime:
    """Up to when intake counts as before feeding: an order for a diet alone proves nothing eaten."""
    fed = any(s.start >= course.started and s.feeds and not s.eats for s in course.history) if course.started else False
    return course.started if fed and course.started is not None else now


def longest_nil(spells: tuple[Spell, ...], protocol: Protocol, *, before: datetime) -> Spell | None:
    """The longest run of nil or negligible intake that is recent enough to matter; None where nothing says so.

    A clinician's statement matters however old it is: who has been starved that long stays so for a later course.
    """
    ate = [s.start for s in spells if s.ate]
    runs = _runs([s for s in spells if s.nil], span(protocol.evidence.intake_gap.value, "h"), broken_by=ate)
    oldest = before - span(protocol.evidence.lookback.value, "d")
    recent = [_joined(run) for run in runs if any(s.stated or s.end >= oldest for s in run)]
    return max(recent, key=lambda s: (s.days, s.start), default=None)


def lowest_share(
    spells: tuple[Spell, ...], protocol: Protocol, *, window: timedelta, before: datetime
) -> tuple[Decimal, Decimal, tuple[Fact, ...]] | None:
    """The lowest share of the need over a documented time longer than `window`: (percent, days, facts).

    None where no recent run of records covers so long: then nothing is known. With and without what is not final.
    """
    firm = tuple(s for s in spells if s.firm)
    ways = (spells, firm) if len(firm) < len(spells) else (spells,)
    found = [f for way in ways if (f := _lowest(way, protocol, window=window, before=before)) is not None]
    return min(found, key=lambda f: (f[0], f[1]), default=None)


def _lowest(
    spells: tuple[Spell, ...], protocol: Protocol, *, window: timedelta, before: datetime
) -> tuple[Decimal, Decimal, tuple[Fact, ...]] | None:
    oldest = before - span(protocol.evidence.lookback.value, "d")
    found: list[tuple[Decimal, Decimal, tuple[Fact, ...]]] = []
    for run in _runs(_one_after_another(spells), span(protocol.evidence.intake_gap.value, "h")):
        if run[-1].end < oldest or all(s.nil for s in run):
            continue  # too old; or nil intake alone, which has its own row
        days = weighted = Decimal(0)
        facts: tuple[Fact, ...] = ()
        for spell in reversed(run):
            days += spell.days
            weighted += spell.days * spell.percent
            facts = (*spell.facts, *facts)
            if days * _WHOLE_DAY_H > hours(window):
                found.append((weighted / days, days, tuple(dict.fromkeys(facts))))
    return min(found, key=lambda f: (f[0], f[1])) if found else None


def _documented(picture: Picture, protocol: Protocol, need_kcal: Decimal | None) -> list[Spell]:
    """Food records as a share of the need, and diet histories. More than anybody takes in is a slip."""
    found = _recorded(picture, protocol, need_kcal) if need_kcal else []
    for intake in picture.intakes:
        if intake.kind is IntakeKind.SHARE_OF_NEED and intake.amount is not None and intake.amount >= 0:
            fact = _intake_fact(intake, f"{plain(intake.amount)} % of the need")
            if intake.start < intake.end:
                found.append(_spell(intake.start, intake.end, intake.amount, protocol, (intake,), (fact,)))
    return [spell for spell in found if spell.percent <= protocol.evidence.intake_most.value]


def _recorded(picture: Picture, protocol: Protocol, need_kcal: Decimal) -> list[Spell]:
    """Records of energy. A meal stands for itself, not for a day of such meals: short ones add up over their day."""
    found: list[Spell] = []
    meals: dict[date, list[Intake]] = {}
    for intake in picture.intakes:
        if intake.kind is not IntakeKind.ENERGY or intake.amount is None or intake.amount < 0:
            continue
        lasted = intake.end - intake.start
        if lasted <= timedelta(0):
            continue
        if lasted < _SHORTEST_DAY:
            meals.setdefault(intake.start.astimezone(picture.zone).date(), []).append(intake)
            continue
        daily = intake.amount * _WHOLE_DAY_H / hours(lasted)
        fact = _intake_fact(intake, f"{plain(intake.amount)} kcal")
        share = percent_of(daily, need_kcal)
        found.append(_spell(intake.start, intake.end, share, protocol, (intake,), (fact,)))
    for day, written in sorted(meals.items()):
        records = _apart(written)
        eaten = sum((i.amount or Decimal(0) for i in records), Decimal(0))
        start = datetime.combine(day, time.min, tzinfo=picture.zone)
        end = datetime.combine(day + timedelta(days=1), time.min, tzinfo=picture.zone)
        facts = tuple(_intake_fact(i, f"{plain(i.amount or Decimal(0))} kcal") for i in records)
        share = percent_of(eaten, need_kcal)
        found.append(_spell(in_fixed_offset(start), in_fixed_offset(end), share, protocol, records, facts))
    return found


def _apart(records: list[Intake]) -> tuple[Intake, ...]:
    """Of records that overlap the smaller: an interim sum beside its total must not count twice."""
    kept: list[Intake] = []
    for record in sorted(records, key=lambda i: (i.amount or Decimal(0), i.start, i.source)):
        if all(record.end <= other.start or other.end <= record.start for other in kept):
            kept.append(record)
    return tuple(sorted(kept, key=lambda i: (i.start, i.source)))


def _spell(
    start: datetime,
    end: datetime,
    percent: Decimal,
    protocol: Protocol,
    records: tuple[Intake, ...],
    facts: tuple[Fact, ...],
) -> Spell:
    return Spell(
        start=start,
        end=end,
        percent=percent,
        nil=percent <= protocol.evidence.negligible_intake.value,
        facts=facts,
        firm=all(r.firmness is Firmness.FIRM for r in records),
    )


def _intake_fact(intake: Intake, words: str) -> Fact:
    return Fact(label="documented intake", value=words, when=intake.start, source=intake.source)


def _nil_by_mouth(picture: Picture, before: datetime) -> list[Spell]:
    found = []
    for order in picture.energy_orders:
        start, end = start_of(order), end_of(order)
        if not order.nil_by_mouth or order.state is OrderState.PLANNED or start is None or start >= before:
            continue
        fact = Fact(label="nil by mouth ordered", value=order.state.value, when=start, source=order.source)
        until = before if end is None else min(end, before)
        if until > start:
            found.append(Spell(start=start, end=until, percent=Decimal(0), nil=True, facts=(fact,)))
    return found


def _stated(
    picture: Picture,
    protocol: Protocol,
    now: datetime,
    *,
    before: datetime,
    eaten: list[Spell],
    course: Course,
) -> list[Spell]:
    statement = latest(picture, protocol, MeasureKind.DAYS_WITHOUT_INTAKE, now)
    if statement is None or statement.value is None or statement.taken is None or statement.value <= 0:
        return []
    start, end = statement.taken - span(min(statement.value, _MOST_DAYS), "d"), statement.taken
    since = [s for s in eaten if s.ate and s.end > end]
    nourished = any(s.start < before and s.feeds for s in course.history) or _has_diet(picture, before)
    taken, zone = at(end, picture.zone), picture.zone
    working = [Working(result=at(start, zone), terms=f"{taken} − {plain(min(statement.value, _MOST_DAYS), _TENTH)} d")]
    if end < before and not since and not nourished:
        days = (before - end) // DAY  # it was counted in whole days, and goes on in whole days
        end += days * DAY
        working.append(Working(result=f"{days} d", terms=f"whole days from {taken} to {at(before, zone)}"))
        working.append(Working(result=at(end, zone), terms=f"{taken} + {days} d"))
    facts = (stated_fact(statement),)
    return [Spell(start=start, end=end, percent=Decimal(0), nil=True, facts=facts, stated=True, working=tuple(working))]


def stated_fact(statement: Measurement) -> Fact:
    """A clinician's statement of days without intake, as a fact."""
    return Fact(
        label="days of nil or negligible intake, as stated",
        value=plain(statement.value or Decimal(0)),
        when=statement.taken,
        source=statement.source,
    )


def _has_diet(picture: Picture, before: datetime) -> bool:
    diets = (o for o in picture.energy_orders if o.kind is EnergyKind.ORAL_DIET and not o.nil_by_mouth)
    return any(o.state is not OrderState.PLANNED and (start_of(o) or before) < before for o in diets)


def _fed(course: Course, now: datetime) -> list[tuple[datetime, datetime]]:
    """When a feed ran by tube or vein: a diet order beside an order for nil by mouth proves nothing eaten."""
    if not course.history:
        return []
    ends = [*(s.start for s in course.history[1:]), now]
    return [(s.start, e) for s, e in zip(course.history, ends, strict=True) if s.feeds and not s.eats]


def _without(spell: Spell, cuts: list[tuple[datetime, datetime]]) -> list[Spell]:
    """What is left of a spell outside the cuts."""
    edges = sorted({spell.start, spell.end, *(e for cut in cuts for e in cut if spell.start < e < spell.end)})
    return [
        replace(spell, start=a, end=b)
        for a, b in pairwise(edges)
        if not any(start <= a and b <= end for start, end in cuts)
    ]


def _until(spell: Spell, before: datetime) -> Spell:
    return replace(spell, end=min(spell.end, before))


def _one_after_another(spells: tuple[Spell, ...]) -> list[Spell]:
    """Without overlaps: where two speak of one time, the lower share counts."""
    edges = sorted({e for s in spells for e in (s.start, s.end)})
    found: list[Spell] = []
    for a, b in pairwise(edges):
        over = [s for s in spells if s.start <= a and b <= s.end]
        if over:
            lowest = min(over, key=lambda s: (s.percent, s.start))
            found.append(replace(lowest, start=a, end=b))
    return found


def _runs(spells: list[Spell], gap: timedelta, broken_by: Iterable[datetime] = ()) -> Iterator[list[Spell]]:
    """Spells that follow each other without a longer gap, or anything in it that breaks the run."""
    run: list[Spell] = []
    reach: datetime | None = None
    for spell in spells:
        broken = reach is not None and any(reach <= instant < spell.start for instant in broken_by)
        if reach is not None and (broken or spell.start - reach > gap):
            yield run
            run, reach = [], None
        run.append(spell)
        reach = spell.end if reach is None else max(reach, spell.end)
    if run:
        yield run


def _joined(run: list[Spell]) -> Spell:
    facts = tuple(dict.fromkeys(f for s in run for f in s.facts))
    start, end = min(s.start for s in run), max(s.end for s in run)
    working = tuple(dict.fromkeys(w for s in run for w in s.working))
    return Spell(start=start, end=end, percent=Decimal(0), nil=True, facts=facts, working=working)


def spell_words(spell: Spell, picture: Picture) -> str:
    """`from Mon 24 Mar 08:00 to Mon 31 Mar 08:00`."""
    return f"from {at(spell.start, picture.zone)} to {at(spell.end, picture.zone)}"
