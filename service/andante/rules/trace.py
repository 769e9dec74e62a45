"""The course as it is drawn: the same readings, limits, falls and energies as the decision rests on, over time."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import pairwise

from andante.domain.advice import Assessment
from andante.domain.picture import EnergyOrder, Firmness, IntakeKind, LabResult, Picture, Vitamin
from andante.domain.protocol import Protocol
from andante.domain.trace import AnalyteTrace, Dose, EnergyStep, Point, Trace, VitaminTrace
from andante.rules.bands import limits_of
from andante.rules.canonical import in_fixed_offset, settle
from andante.rules.delivered import lowest_density
from andante.rules.energy import DAY, in_force
from andante.rules.evidence import Reading
from andante.rules.history import history_of, place_ends
from andante.rules.micronutrients import vitamin_gaps
from andante.rules.phrases import hours, kcal, percent_of, plain
from andante.rules.situation import Situation, take_in


def trace(picture: Picture, protocol: Protocol, assessment: Assessment) -> Trace:
    """What led to an assessment, to be drawn. Pure. `picture` is the one that was assessed."""
    s = take_in(settle(picture), protocol, in_fixed_offset(assessment.now))
    orders = place_ends(s.picture.energy_orders, s.now)
    return Trace(
        now=s.now,
        analytes=tuple(_analyte(reading, s, assessment) for reading in s.readings),
        doses=tuple(_doses(s.picture, s.now)),
        ordered=tuple(_ordered(orders, s)),
        delivered=tuple(_delivered(orders, s)),
        goal=_goal(s),
        suggested=_suggested(s, assessment),
        vitamins=tuple(_vitamins(s)),
    )


def _analyte(reading: Reading, s: Situation, assessment: Assessment) -> AnalyteTrace:
    own = s.protocol.analytes.of(reading.analyte)
    fall = s.fall(reading.analyte)
    reference = fall.reference if fall is not None else None
    level = reference.level.value if reference is not None and reference.level is not None else None
    firm = [(result, "") for draw in reading.evidence.draws for result in draw.results]
    aside = [(one.result, one.text) for one in reading.evidence.set_aside]
    points = [p for r, why in (*firm, *aside) if (p := _point(r, why, s, reference, level)) is not None]
    low, high = own.low.value, own.high.value
    if reading.shown is not None:
        low, high, _ = limits_of(reading.shown, s.protocol)
    view = next((v for v in assessment.analytes if v.analyte is reading.analyte), None)
    return AnalyteTrace(
        analyte=reading.analyte,
        points=tuple(sorted(points, key=lambda p: (p.at, p.source))),
        low=low,
        high=high,
        critical=own.critical_low.value,
        reference=level,
        reference_at=reference.collected if reference is not None else None,
        next_due=view.next_due if view is not None else None,
    )


def _point(
    result: LabResult, set_aside: str, s: Situation, reference: LabResult | None, level: Decimal | None
) -> Point | None:
    value = result.level.value if result.level is not None else None
    if value is None or result.level is None or result.collected is None:
        return None  # without a level or a time it has no place; the data-quality notes name it
    low, high, _ = limits_of(result, s.protocol)
    fell = (
        reference is not None
        and reference.collected is not None
        and level is not None
        and result.matrix is reference.matrix
        and result.collected > reference.collected
        and value < level
    )
    return Point(
        at=result.collected,
        value=value,
        comparator=result.level.comparator,
        low=low,
        high=high,
        set_aside=set_aside,
        fall_percent=percent_of(level - value, level) if fell and level else None,
        source=result.source,
    )


def _doses(picture: Picture, now: datetime) -> Iterator[Dose]:
    for dose in sorted(picture.replacements, key=lambda d: (d.given, d.source)):
        if dose.given <= now:
            names = tuple(sorted(dose.analytes))
            yield Dose(at=dose.given, analytes=names, said=dose.text, source=dose.source)


def _ordered(orders: list[EnergyOrder], s: Situation) -> Iterator[EnergyStep]:
    """All energy as in force over time, as the rules read it: the peak of a bag change is no step."""
    stretches = history_of(orders, s.picture, s.protocol, s.now)
    ends: list[datetime | None] = [later.start for _, later in pairwise(stretches)]
    for stretch, end in zip(stretches, [*ends, None], strict=False):
        running = [o for o in orders if in_force(o, stretch.start) and not o.nil_by_mouth]
        said = ", ".join(dict.fromkeys(o.kind.value for o in running)) or "nothing runs"
        sources = tuple(sorted(o.source for o in running if o.source))
        yield EnergyStep(start=stretch.start, end=end, kcal=stretch.kcal, said=said, sources=sources)


def _delivered(orders: list[EnergyOrder], s: Situation) -> Iterator[EnergyStep]:
    """Each firm record of what was given, as kcal a day over its own time."""
    for intake in sorted(s.picture.intakes, key=lambda i: (i.start, i.end, i.source)):
        if intake.firmness is not Firmness.FIRM or intake.amount is None or not intake.start < intake.end <= s.now:
            continue
        lasted = hours(intake.end - intake.start)
        if intake.kind is IntakeKind.ENERGY:
            brought, said = intake.amount, f"{kcal(intake.amount)} documented over {plain(lasted)} h"
        elif intake.kind is IntakeKind.FORMULA:
            density = lowest_density(orders, intake.start, intake.end, s.protocol.energy)
            said = f"{plain(intake.amount)} mL documented over {plain(lasted)} h"
            if density is None:
                yield EnergyStep(start=intake.start, end=intake.end, kcal=None, said=said, sources=(intake.source,))
                continue
            brought = intake.amount * density
        else:
            continue
        step = brought * 24 / lasted
        yield EnergyStep(start=intake.start, end=intake.end, kcal=step, said=said, sources=(intake.source,))


def _goal(s: Situation) -> EnergyStep | None:
    if s.goal.kcal is None:
        return None
    sources = tuple(f.source for f in s.goal.facts if f.source)
    since = [f.when for f in s.goal.facts if f.when is not None]
    start = min(since, default=s.now) if not s.goal.is_computed else s.now - DAY
    return EnergyStep(start=start, end=None, kcal=s.goal.kcal, said=s.goal.said, sources=sources)


def _suggested(s: Situation, assessment: Assessment) -> EnergyStep | None:
    """The energy advised, as the next step; None where none is."""
    advice = assessment.advice
    if advice.kcal is None:
        return None
    end = advice.valid_until or s.now + DAY
    end = max(end, s.now + timedelta(hours=1))
    return EnergyStep(start=s.now, end=end, kcal=advice.kcal, said=advice.headline)


def _vitamins(s: Situation) -> Iterator[VitaminTrace]:
    gaps = {gap.vitamin: gap.text for gap in vitamin_gaps(s.picture, s.course, s.protocol, s.now)}
    for vitamin in Vitamin:
        orders = sorted(
            (o for o in s.picture.vitamin_orders if o.vitamin is vitamin and o.start is not None),
            key=lambda o: (o.start or s.now, o.source),
        )
        given = [d for d in s.picture.vitamin_doses if d.vitamin is vitamin and d.given <= s.now]
        yield VitaminTrace(
            name=vitamin.value,
            orders=tuple(
                EnergyStep(
                    start=o.start or s.now,
                    end=o.end,
                    kcal=None,
                    said=f"{_dose(o.daily_mg)}, {o.state.value}",
                    sources=(o.source,),
                )
                for o in orders
            ),
            given=len(given),
            last_given=max((d.given for d in given), default=None),
            gap=gaps.get(vitamin, ""),
        )


def _dose(daily_mg: Decimal | None) -> str:
    return f"{plain(daily_mg)} mg a day" if daily_mg is not None else "a daily dose in mg is not stated"
