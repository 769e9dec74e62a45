"""Invariant 2: advised energy never exceeds the goal, nor present + step, nor the first day's allowance.

The limits are worked out from what the assessment reports of the patient, not from the rules' own sums. One exception
is not a violation: energy that comes with drugs and fluids is not the feed's to lower. Where it alone is above a limit,
the advice is no feed at all, and the total shown is that energy.
"""

from decimal import Decimal

from generated import ordinary
from hypothesis import given

from andante.domain.advice import AdviceCode
from andante.domain.picture import Picture
from andante.domain.protocol import Protocol
from andante.rules import evaluate
from andante.rules.canonical import settle
from andante.rules.situation import take_in
from pictures import NOW, aspen, nice

DUST = Decimal("1E-12")  # kcal/day: what the 20 places kept of a division may leave


def limits_broken(chart: Picture, protocol: Protocol) -> list[str]:
    said = evaluate(chart, protocol, NOW)
    advice = said.advice
    if advice.kcal is None:
        return []
    s = take_in(settle(chart), protocol, NOW)
    broken = []
    floor = (said.feeding.other_kcal or Decimal(0)) + DUST
    per_kg = (protocol.energy.initial_extreme if said.risk.extreme else protocol.energy.initial).value
    first_day = per_kg * s.body.dosing_kg if s.body.dosing_kg is not None else None
    goal, present = said.feeding.goal_kcal, s.course.present_kcal
    if goal is not None and advice.kcal > max(goal, floor):
        broken.append(f"{advice.kcal} is above the goal {goal}")
    if said.feeding.day is not None and present is not None and goal is not None:
        ceiling = present
        if advice.code is AdviceCode.ADVANCE:
            ceiling += goal * protocol.energy.step.value / 100
        if advice.kcal > max(ceiling, floor):
            broken.append(f"{advice.kcal} is above present {present} and a step")
    if said.feeding.day in (None, 1) and first_day is not None and advice.kcal > max(first_day, floor):
        broken.append(f"{advice.kcal} is above the first day's {first_day}")
    order = s.vehicle.order if s.vehicle else None
    if order is not None and advice.rate_ml_h is not None and advice.rate_ml_h < 0:
        broken.append("a negative rate")
    return broken


@given(ordinary())
def test_advised_energy_stays_within_goal_step_and_first_day(chart: Picture) -> None:
    assert limits_broken(chart, aspen()) == []
    assert limits_broken(chart, nice()) == []


@given(ordinary())
def test_the_kcal_shown_are_those_of_the_rate_shown(chart: Picture) -> None:
    """Multiplied out again by hand: rate × hours (or bolus × times) × density + what else runs."""
    said = evaluate(chart, aspen(), NOW)
    s = take_in(settle(chart), aspen(), NOW)
    if said.advice.kcal is None or s.vehicle is None:
        return
    if said.advice.rate_ml_h is not None and said.advice.code in (AdviceCode.ADVANCE, AdviceCode.START):
        again = said.advice.rate_ml_h * s.vehicle.hours * s.vehicle.density + s.vehicle.fixed_kcal
        assert abs(again - said.advice.kcal) < DUST
        assert said.advice.rate_ml_h == said.advice.rate_ml_h.to_integral_value()
    if said.advice.bolus_ml is not None and said.advice.code is AdviceCode.ADVANCE:
        again = said.advice.bolus_ml * s.vehicle.boluses * s.vehicle.density + s.vehicle.fixed_kcal
        assert abs(again - said.advice.kcal) < DUST
