"""The sums behind the sentences, written out: every computed number of an argument with the terms it came from.

A line stands for one sum, `1800 kcal/day = 30 kcal/kg × 60 kg`. Its terms are charted values, entries of the protocol,
results of other lines, or constants of arithmetic; a test works every line out again.
"""

from collections.abc import Iterator
from datetime import datetime, timedelta
from decimal import ROUND_FLOOR, Decimal

from andante.domain.advice import Working
from andante.domain.picture import EnergyKind, EnergyOrder, MeasureKind
from andante.rules.amounts import reached_by_steps, recent_jump, steps_so_far
from andante.rules.body import latest
from andante.rules.course import Course
from andante.rules.decision import Decision
from andante.rules.energy import day_amount, kcal_per_ml, present_pattern
from andante.rules.phrases import at, hours, kcal, number, plain, span
from andante.rules.situation import Situation
from andante.rules.sizing import Sized, Vehicle, glucose_rate
from andante.rules.start_rules import dextrose_dripping, dextrose_room
from andante.rules.telling import clear_level, percent_words

_TENTH = Decimal("0.1")


def workings(s: Situation, decision: Decision) -> tuple[Working, ...]:
    """Every sum of the situation and its advice, in the order in which they build on each other."""
    lines = [
        *_body(s),
        *_needs(s),
        *_orders(s),
        *_course(s),
        *_delivered(s),
        *_falls(s),
        *_times(s),
        *_advice(s, decision),
    ]
    return tuple(dict.fromkeys(lines))


class Sums:
    """The lines of one situation, and which of them build on which."""

    def __init__(self, lines: tuple[Working, ...]) -> None:
        self._lines = lines
        self._below: dict[int, tuple[int, ...]] = {}

    def behind(self, sentence: str) -> tuple[Working, ...]:
        """The lines whose result stands in the sentence, and those that they build on."""
        waiting = self._found_in(sentence)
        wanted: set[int] = set()
        while waiting:
            wanted.update(waiting)
            waiting = tuple(low for i in waiting for low in self._under(i) if low not in wanted)
        return tuple(line for i, line in enumerate(self._lines) if i in wanted)

    def _under(self, i: int) -> tuple[int, ...]:
        if i not in self._below:
            self._below[i] = self._found_in(self._lines[i].terms)
        return self._below[i]

    def _found_in(self, text: str) -> tuple[int, ...]:
        return tuple(i for i, line in enumerate(self._lines) if line.result in text and _stands_in(line.result, text))


def _stands_in(result: str, text: str) -> bool:
    """Not as the end of a longer number: `3 %` does not stand in `33 %`."""
    found = text.find(result)
    while found > 0 and (text[found - 1].isdigit() or text[found - 1] == "."):
        found = text.find(result, found + 1)
    return found >= 0


def _line(result: str, *terms: str) -> Working:
    return Working(result=result, terms=" ".join(terms))


def _both(shown: str, exact: Decimal, unit: str, *terms: str) -> Iterator[Working]:
    """As the sentence rounds it, and as the next sum uses it."""
    yield _line(shown, *terms)
    if f"{number(exact)} {unit}" != shown:
        yield _line(f"{number(exact)} {unit}", *terms)


# --------------------------------------------------------------------------- the body and its needs


def _body(s: Situation) -> Iterator[Working]:
    body, energy = s.body, s.protocol.energy
    height = latest(s.picture, s.protocol, MeasureKind.HEIGHT, s.now)
    kg = number(body.weight.value) if body.weight is not None and body.weight.value is not None else ""
    if kg and body.bmi is not None and height is not None and height.value:
        cm = f"({number(height.value)} cm ÷ 100)"
        for unit in (" kg/m²", ","):  # with its unit in the risk table, without in the dosing weight
            yield _line(f"{plain(body.bmi, _TENTH)}{unit}", f"{kg} kg ÷ {cm} ÷ {cm}")
    found = body.adjusted
    if found is not None:
        ideal, rest = f"{plain(found.ideal_kg, _TENTH)} kg", f"{number(energy.adjusted_weight_share.value)} %"
        inches = f"{number(found.height_cm)} cm ÷ 2.54 − {number(energy.ideal_weight_height.value)}"
        if found.ideal_kg > found.base_kg:
            per_inch = f"{number(energy.ideal_weight_per_inch.value)} kg"
            yield from _both(ideal, found.ideal_kg, "kg", f"{number(found.base_kg)} kg + {per_inch} × ({inches})")
        terms = f"{number(found.ideal_kg)} kg + {rest} × ({kg} kg − {number(found.ideal_kg)} kg)"
        yield from _both(f"{plain(found.kg, _TENTH)} kg", found.kg, "kg", terms)


def _needs(s: Situation) -> Iterator[Working]:
    kg, energy = s.body.dosing_kg, s.protocol.energy
    if kg is None:
        return
    if s.goal.is_computed and s.goal.kcal is not None:
        terms = f"{number(energy.goal.value)} kcal/kg × {number(kg)} kg"
        yield from _both(kcal(s.goal.kcal), s.goal.kcal, "kcal/day", terms)
    per_kg = energy.initial_extreme if s.risk.extreme else energy.initial
    lowest = min(s.protocol.response.lowest_start.value, per_kg.value)
    for rate, allowance in ((per_kg.value, s.allowance_kcal), (lowest, s.lowest_kcal)):
        if allowance is not None and allowance == rate * kg:
            yield from _both(kcal(allowance), allowance, "kcal/day", f"{number(rate)} kcal/kg × {number(kg)} kg")
    if s.step_kcal is not None and s.goal.kcal is not None:
        terms = f"{number(energy.step.value)} % × {number(s.goal.kcal)} kcal/day"
        yield from _both(kcal(s.step_kcal), s.step_kcal, "kcal/day", terms)


# --------------------------------------------------------------------------- what runs


def _orders(s: Situation) -> Iterator[Working]:
    for order in (*s.course.running, *s.course.planned, *s.course.others):
        if order.composition is not None:
            density, _ = kcal_per_ml(order, s.protocol.energy)
            if density is not None:
                yield _line(f"{number(density)} kcal/mL", *_contents(s, order))


def _contents(s: Situation, order: EnergyOrder) -> Iterator[str]:
    mix, energy = order.composition, s.protocol.energy
    if mix is None:
        return
    solids = ((mix.dextrose_g_ml, energy.dextrose), (mix.amino_acids_g_ml, energy.amino_acids))
    parts = [f"{number(grams)} g/mL × {number(per_gram.value)} kcal/g" for grams, per_gram in solids if grams]
    if mix.lipid_g_ml and not mix.lipid_is_emulsion:
        parts.append(f"{number(mix.lipid_g_ml)} g/mL × {number(energy.lipid_admixture.value)} kcal/g")
    if mix.lipid_g_ml and mix.lipid_is_emulsion:
        rest = mix.dextrose_g_ml * energy.dextrose.value + mix.amino_acids_g_ml * energy.amino_acids.value
        whole, _ = kcal_per_ml(order, energy)
        lipid = (whole or Decimal(0)) - rest - mix.citrate_mmol_ml * energy.citrate.value
        parts.append(f"{number(lipid)} kcal/mL of lipid emulsion")
    if mix.citrate_mmol_ml:
        parts.append(f"{number(mix.citrate_mmol_ml)} mmol/mL × {number(energy.citrate.value)} kcal/mmol")
    yield " + ".join(parts)


def _day_terms(s: Situation, order: EnergyOrder) -> str:
    """What an order gives a day, as terms."""
    density, _ = kcal_per_ml(order, s.protocol.energy)
    volume = _volume_terms(s, order)
    return f"{volume} × {number(density)} kcal/mL" if volume and density is not None else ""


def _volume_terms(s: Situation, order: EnergyOrder) -> str:
    amount = day_amount(order, s.protocol.energy, at=s.course.read_at, zone=s.picture.zone, frozen=True)
    if amount.ml is None:
        return ""
    pattern = present_pattern(order, s.course.read_at)
    if pattern is None or pattern.capped:
        return f"{number(amount.ml)} mL"
    if pattern.bolus is not None:
        return f"{number(pattern.bolus)} mL × {number(pattern.boluses)} times"
    return f"{number(pattern.rate or Decimal(0))} mL/h × {number(pattern.hours)} h"


def _course(s: Situation) -> Iterator[Working]:
    course = s.course
    fed = [o for o in course.running if o.kind is not EnergyKind.ORAL_DIET]
    other = [t for o in course.others if (t := _day_terms(s, o))]
    if course.other_kcal and other:
        yield from _both(kcal(course.other_kcal), course.other_kcal, "kcal/day", " + ".join(other))
    if course.eaten_kcal:
        yield from _eaten(course, course.eaten_kcal)
    terms = [t for o in fed if (t := _day_terms(s, o))]
    terms += [f"{number(course.eaten_kcal)} kcal/day eaten"] if course.eaten_kcal else []
    if course.feeding and course.present_kcal is not None and terms:
        yield from _both(kcal(course.present_kcal), course.present_kcal, "kcal/day", " + ".join([*terms, *other]))
    for jump in (e for e in course.exposures if e.kind == "jump"):
        for value, when in ((jump.kcal_before, "before"), (jump.kcal_after, "from")):
            if value is not None:
                moment = f"{when} {at(jump.at, s.picture.zone)}"
                yield _line(kcal(value), f"what the orders of the course and other energy brought {moment}")
    if course.present_kcal and s.body.dosing_kg:
        per_kg = plain(course.present_kcal / s.body.dosing_kg, _TENTH)
        yield _line(f"{per_kg} kcal/kg", f"{number(course.present_kcal)} kcal/day ÷ {number(s.body.dosing_kg)} kg")


def _eaten(course: Course, eaten_kcal: Decimal) -> Iterator[Working]:
    given = course.delivered
    if given is not None and course.eaten_by == given.records and given.ordered_day is not None:
        ordered = f"{number(given.ordered_day)} kcal/day ordered over the same time"
        yield from _both(kcal(eaten_kcal), eaten_kcal, "kcal/day", f"{number(given.kcal_day)} kcal/day − {ordered}")
        yield _line(ordered, "the stages of the orders of the course, each for as long as it ran in that time")
        return
    diets = [o.day_kcal for o in course.running if o.kind is EnergyKind.ORAL_DIET and o.day_kcal]
    share = f"{number(eaten_kcal / sum(diets, Decimal(0)) * 100)} %"
    served = " + ".join(number(d) for d in diets)
    yield from _both(kcal(eaten_kcal), eaten_kcal, "kcal/day", f"{share} × ({served}) kcal/day")
    parts = [f"{number(r.amount or Decimal(0))} × {number(hours(r.end - r.start))} h" for r in course.eaten_by]
    lasted = " + ".join(f"{number(hours(r.end - r.start))} h" for r in course.eaten_by)
    yield _line(share, f"({' + '.join(parts)}) ÷ ({lasted})")


def _delivered(s: Situation) -> Iterator[Working]:
    accounts = s.course.accounts
    for given in dict.fromkeys(a for a in (accounts.newest, accounts.least, accounts.most) if a is not None):
        lasted = hours(given.end - given.start)
        total = " + ".join(number(r.amount or Decimal(0)) for r in given.records)
        per_ml = f" × {number(given.density)} kcal/mL" if given.density is not None else ""
        terms = f"({total}){per_ml} ÷ {number(lasted)} h × 24 h"
        yield from _both(kcal(given.kcal_day), given.kcal_day, "kcal/day", terms)
        if given.percent is not None and given.ordered_day is not None:
            same_time = f"{number(given.ordered_day)} kcal/day ordered over the same time"
            yield _line(same_time, "the stages of the orders of the course, each for as long as it ran in that time")
            share = f"{number(given.kcal_day)} kcal/day ÷ {same_time} × 100"
            yield _line(f"{plain(given.percent)} % of what was ordered", share)


def _falls(s: Situation) -> Iterator[Working]:
    for fall in s.falls:
        for each in (fall, fall.drop):
            if each is None:
                continue
            top = each.reference.level.low if each.reference.level else None
            to = each.current.level.high if each.current.level else None
            if top and to is not None and each.percent:
                shown = percent_words(each).removeprefix("at least ")
                for value, result in ((top, each.reference), (to, each.current)):
                    if number(value) not in result.written:
                        yield from _both(
                            clear_level(s, result, value), value, "mmol/L", f"{result.written}, as it is read"
                        )
                yield _line(shown, f"({number(top)} mmol/L − {number(to)} mmol/L) ÷ {number(top)} mmol/L × 100")


# --------------------------------------------------------------------------- time


def _times(s: Situation) -> Iterator[Working]:
    course, zone, protocol = s.course, s.picture.zone, s.protocol

    def sum_of(start: datetime, *spans: timedelta) -> Working:
        terms = "".join(f" + {number(hours(each))} h" for each in spans if each)
        return _line(at(start + sum(spans, timedelta(0)), zone), f"{at(start, zone)}{terms}")

    if course.started is not None and course.day is not None:
        for word in ("feeding", "Feeding"):
            begun = f"days begun since {at(course.started, zone)} by {at(s.now, zone)}"
            yield _line(f"{word} day {course.day}", begun)
    if course.last_change is not None:
        yield sum_of(course.last_change, span(protocol.energy.step_interval.value, "h"))
    if course.paused_since is not None:
        yield sum_of(course.paused_since, span(protocol.energy.restart_after.value, "h"))
    grace = span(protocol.evidence.freshness_grace.value, "h")
    for reading in s.readings:
        last = reading.evidence.last
        if last is None:
            continue
        if course.feeding:
            yield sum_of(last.collected, s.every, grace)
            yield sum_of(last.collected, s.every)
        else:
            yield sum_of(last.collected, s.max_age)
        recheck = span(protocol.analytes.of(reading.analyte).recheck.value, "h")
        for dose in s.picture.replacements:
            if reading.analyte in dose.analytes:
                longest = span(protocol.evidence.infusion_longest.value, "h")
                open_end = dose.running and dose.ended is None
                yield sum_of(dose.ended or dose.given, *((longest,) if open_end else ()), recheck)
    for days in (protocol.micronutrients.thiamine_days, protocol.micronutrients.multivitamin_days):
        if course.started is not None:
            until = course.started + span(days.value, "d")
            yield _line(at(until, zone), f"{at(course.started, zone)} + {number(days.value)} d")


# --------------------------------------------------------------------------- the advice


def _advice(s: Situation, decision: Decision) -> Iterator[Working]:
    sized, vehicle, goal = decision.sized, s.vehicle, s.goal.kcal
    if sized is None:
        return
    if decision.rule == "ready-to-start" and s.allowance_kcal is not None:
        yield from _dextrose(s, s.allowance_kcal)
    yield from _target(s, sized)
    amount = sized.bolus_ml or sized.rate_ml_h
    if vehicle is not None and amount and not vehicle.capped:
        unit, often = ("mL per bolus", "times") if sized.bolus_ml else ("mL/h", "h")
        times = f"{number(vehicle.times)} {often}"
        density, fixed = f"{number(vehicle.density)} kcal/mL", f"{number(vehicle.fixed_kcal)} kcal/day"
        if sized.target_kcal is not None:
            exact = sized.bounded_by or f"({number(sized.target_kcal)} kcal/day − {fixed}) ÷ {density} ÷ {times}"
            yield _line(f"{plain(amount, _TENTH)} {unit}", f"{exact}, rounded down")
        yield from _fixed(s, vehicle)
        beside = f" + {fixed}" if vehicle.fixed_kcal else ""
        terms = f"{number(amount)} {unit} × {times} × {density}{beside}"
        yield from _both(kcal(sized.kcal), sized.kcal, "kcal/day", terms)
        yield from _per_day(s, sized, amount)
    if sized.feed_kcal is not None and vehicle is not None and vehicle.fixed_kcal:
        terms = f"{number(sized.kcal)} kcal/day − {number(vehicle.fixed_kcal)} kcal/day"
        yield _line(f"{plain(sized.feed_kcal)} kcal +", terms)
    if s.body.dosing_kg and sized.kcal:
        per_kg = plain(sized.kcal / s.body.dosing_kg, _TENTH)
        yield _line(f"{per_kg} kcal/kg", f"{number(sized.kcal)} kcal/day ÷ {number(s.body.dosing_kg)} kg")
    if goal:
        share = f"{plain(sized.kcal / goal * 100)} % of the goal"
        yield _line(share, f"{number(sized.kcal)} kcal/day ÷ {number(goal)} kcal/day × 100")


def _dextrose(s: Situation, allowance: Decimal) -> Iterator[Working]:
    """The grams that the first day's allowance has room for."""
    other, dripping = s.course.other_kcal, dextrose_dripping(s)
    terms = f"{number(allowance)} kcal/day"
    if other:
        terms = f"({terms} − {number(other)} kcal/day)"
    terms += f" ÷ {number(s.protocol.energy.dextrose.value)} kcal/g"
    if dripping:
        terms += f" + {number(dripping)} g/day"
        sugar = [(o, o.composition.dextrose_g_ml) for o in s.course.others if o.composition]
        grams = [f"{v} × {number(ml)} g/mL" for o, ml in sugar if ml and (v := _volume_terms(s, o))]
        yield _line(f"{number(dripping)} g/day", " + ".join(grams))
    room = max(dextrose_room(s, allowance).quantize(Decimal(1), rounding=ROUND_FLOOR), Decimal(0))
    yield _line(f"{plain(room)} g dextrose", f"{terms}, rounded down")


def _fixed(s: Situation, vehicle: Vehicle) -> Iterator[Working]:
    """What the day brings beside the order that would be changed."""
    others = [o for o in (*s.course.running, *s.course.others) if o is not vehicle.order]
    terms = [t for o in others if o.kind is not EnergyKind.ORAL_DIET and (t := _day_terms(s, o))]
    terms += [f"{number(s.course.eaten_kcal)} kcal/day eaten"] if s.course.eaten_kcal else []
    if terms:
        yield _line(f"{number(vehicle.fixed_kcal)} kcal/day", " + ".join(terms))
    sugar = [(o, o.composition.dextrose_g_ml) for o in others if o.composition and o.composition.dextrose_g_ml]
    grams = [f"{volume} × {number(per_ml)} g/mL" for o, per_ml in sugar if (volume := _volume_terms(s, o))]
    if grams:
        yield _line(f"{number(vehicle.fixed_dextrose_g_day)} g/day", " + ".join(grams))
        yield _line(f"{number(vehicle.fixed_dextrose_g_h)} g/h", "the same by the hour, while it runs")


def _target(s: Situation, sized: Sized) -> Iterator[Working]:
    """What the rate was sized for: a step above the present, or a cut below it."""
    target, present, step = sized.target_kcal, s.course.present_kcal, s.step_kcal
    if target is None or present is None:
        return
    if step is not None and target == present + step:
        yield from _both(kcal(target), target, "kcal/day", f"{number(present)} kcal/day + {number(step)} kcal/day")
    jump = recent_jump(s)
    if step is not None and jump is not None and jump.kcal_before is not None and target == jump.kcal_before + step:
        before = number(jump.kcal_before)
        yield from _both(kcal(target), target, "kcal/day", f"{before} kcal/day + {number(step)} kcal/day")
    if step is not None and s.allowance_kcal is not None and target == reached_by_steps(s, step):
        steps = f"{number(s.allowance_kcal)} kcal/day + {steps_so_far(s)} × {number(step)} kcal/day"
        yield from _both(kcal(target), target, "kcal/day", steps)
    share = s.protocol.energy.cut.value
    if target == present * (1 - share / 100):
        yield from _both(kcal(target), target, "kcal/day", f"{number(present)} kcal/day × (100 − {number(share)}) %")


def _per_day(s: Situation, sized: Sized, amount: Decimal) -> Iterator[Working]:
    vehicle = s.vehicle
    if vehicle is None or sized.ml_day is None:
        return
    unit = "mL per bolus" if sized.bolus_ml else "mL/h"
    ml = f"{number(amount)} {unit} × {number(vehicle.times)} {'times' if sized.bolus_ml else 'h'}"
    yield _line(f"{plain(sized.ml_day)} mL a day", ml)
    mix = vehicle.order.composition if vehicle.order is not None else None
    if mix is None:
        return
    for per_ml in (mix.dextrose_g_ml, mix.amino_acids_g_ml, mix.lipid_g_ml):
        if per_ml:
            yield _line(f"{plain(per_ml * sized.ml_day)} g", f"{ml} × {number(per_ml)} g/mL")
    if sized.rate_ml_h is not None and s.body.dosing_kg:
        beside = vehicle.fixed_dextrose_g_h
        grams = f"({number(amount)} mL/h × {number(mix.dextrose_g_ml)} g/mL + {number(beside)} g/h)"
        running = glucose_rate(sized.rate_ml_h * mix.dextrose_g_ml + beside, s.body.dosing_kg)
        yield _line(f"{plain(running, _TENTH)} mg/kg/min", f"{grams} × 1000 ÷ {number(s.body.dosing_kg)} kg ÷ 60")
