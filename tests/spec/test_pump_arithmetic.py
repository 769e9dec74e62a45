"""From kcal to the pump: rounded down, so that neither the step nor the goal is ever passed."""

from datetime import date, time

import pytest

from andante.domain.picture import OrderState, Person
from andante.rules.situation import take_in
from andante.rules.sizing import glucose_rate
from pictures import (
    NOW,
    advise,
    aspen,
    bolus,
    cyclic,
    d,
    draw,
    feed,
    goal,
    height,
    nice,
    parenteral,
    picture,
    planned,
    propofol,
    rate,
)

BEFORE, TODAY = draw(62), draw(5)

STARTS = [
    # planned order, kg, mL/h or mL per bolus, kcal
    pytest.param(planned(None), "60", 35, 840, id="900 kcal at 1 kcal/mL: 37.5, down to 35 mL/h"),
    pytest.param(planned(None, density="1.5"), "60", 25, 900, id="900 kcal at 1.5 kcal/mL: 25 mL/h exactly"),
    pytest.param(planned(None, density="2.0"), "60", 15, 720, id="900 kcal at 2 kcal/mL: 18.75, down to 15 mL/h"),
    pytest.param(planned(None, density="2.0"), "21", 5, 240, id="315 kcal at 2 kcal/mL: 6.6, down to 5 mL/h"),
    pytest.param(planned(None, density="2.5"), "20", 5, 300, id="300 kcal at 2.5 kcal/mL: 5 mL/h exactly"),
]


@pytest.mark.parametrize(("order", "kg", "ml_h", "kcal"), STARTS)
def test_a_start_is_rounded_down_to_five_ml_per_hour(order: object, kg: str, ml_h: int, kcal: int) -> None:
    advice = advise(order, TODAY, kg=kg).advice
    assert (advice.code, advice.rate_ml_h, advice.kcal) == ("start", ml_h, kcal)


def test_where_five_ml_would_be_too_much_whole_ml_are_used_and_said() -> None:
    """20 kg: 15 kcal/kg = 300 kcal, of which 8 mL/h of propofol bring 211.2: 88.8 are left, 3.7 mL/h."""
    advice = advise(planned(None), propofol("8"), TODAY, goal("300"), kg="20").advice
    assert (advice.code, advice.rate_ml_h) == ("start", 3)
    assert any("Rounded down to whole mL" in b for b in advice.because)


STEPS = [
    # order, goal, advised rate or bolus, kcal
    pytest.param(feed("30", 40), "1800", 50, 1200, id="720 + 594 = 1314: 54.75, down to 50"),
    pytest.param(feed("60", 40), "1800", 75, 1800, id="1440 + 594 would pass the goal: 75 mL/h, 1800"),
    pytest.param(feed("5", 40, density="2.0"), "700", 9, 432, id="240 + 231 = 471: 9.8; 5 is no rise, so 9 mL/h"),
    pytest.param(
        feed(deliveries=(cyclic("40", 12, time(20)),)), "1800", 85, 1020, id="cyclic 12 h: 480 + 594 over 12 h, 89.5"
    ),
    pytest.param(feed(deliveries=(bolus("120", 4),)), "1800", 215, 1290, id="bolus every 4 h: 720 + 594 = 6 x 219"),
    pytest.param(feed(deliveries=(bolus("100", 5),)), "1800", 220, 1056, id="every 5 h: 480 + 594 = 4.8 x 223.75"),
]


@pytest.mark.parametrize(("order", "target", "amount", "kcal"), STEPS)
def test_a_step_is_rounded_down(order: object, target: str, amount: int, kcal: int) -> None:
    advice = advise(order, BEFORE, TODAY, goal(target)).advice
    assert advice.code == "advance"
    assert (advice.rate_ml_h or advice.bolus_ml, advice.kcal) == (amount, kcal)
    assert (advice.bolus_ml is None) is (advice.rate_ml_h is not None)


AT_GOAL = [
    # rate at 1 kcal/mL, goal, code
    pytest.param("70.1", "1800", "at-goal", id="117.6 kcal below: within one increment of 5 mL/h"),
    pytest.param("70", "1800", "advance", id="120 kcal below, a whole increment: not yet"),
]


@pytest.mark.parametrize(("ml_h", "target", "code"), AT_GOAL)
def test_within_one_increment_of_the_goal_is_at_the_goal(ml_h: str, target: str, code: str) -> None:
    assert advise(feed(ml_h, 60), BEFORE, TODAY, goal(target)).advice.code == code


def test_a_bolus_within_five_ml_of_the_goal_is_at_the_goal() -> None:
    """6 x 299 = 1794: 6 kcal below 1800; 6 x 295 = 1770: 30 kcal, a whole increment."""
    near = advise(feed(deliveries=(bolus("299", 4, 60),), since=60), BEFORE, TODAY).advice
    far = advise(feed(deliveries=(bolus("295", 4, 60),), since=60), BEFORE, TODAY).advice
    assert (near.code, far.code) == ("at-goal", "advance")


def test_under_a_cap_the_cap_is_what_changes_not_the_rate() -> None:
    """60 mL/h under 880 mL/day: 880 kcal. 880 + 594 = 1474: 1470 mL a day, at whatever rate it runs."""
    advice = advise(feed("60", 40, max_ml="880"), BEFORE, TODAY).advice
    assert (advice.code, advice.kcal, advice.rate_ml_h) == ("advance", 1470, None)
    assert any("At most 1470 mL a day" in b for b in advice.because)


def test_a_cap_that_does_not_bind_yet_is_named_when_the_step_would_meet_it() -> None:
    advice = advise(feed("30", 40, max_ml="880"), BEFORE, TODAY).advice
    assert (advice.code, advice.rate_ml_h) == ("advance", 50)
    assert any("cap of 880 mL a day would have to change" in b for b in advice.because)


def test_a_feed_given_in_two_ways_gets_energy_but_no_rate() -> None:
    advice = advise(feed(deliveries=(rate("20", 40), bolus("60", 6))), BEFORE, TODAY).advice
    assert (advice.code, advice.kcal, advice.rate_ml_h, advice.bolus_ml) == ("advance", 1314, None, None)


# --------------------------------------------------------------------------- parenteral

PARENTERAL = [
    # g dextrose per mL, kg, mL/h, kcal, g dextrose
    pytest.param("0.20", "80", 30, 633.6, 144, id="1200 kcal would be 273 g: bounded by 150 g, 31.25 mL/h, down to 30"),
    pytest.param("0.15", "40", 35, 596.4, 126, id="600 kcal: 35.2 mL/h; 126 g is inside 150 g"),
]


@pytest.mark.parametrize(("dextrose", "kg", "ml_h", "kcal", "grams"), PARENTERAL)
def test_a_parenteral_start_keeps_both_limits(dextrose: str, kg: str, ml_h: int, kcal: float, grams: int) -> None:
    order = parenteral(None, 1, state=OrderState.PLANNED, dextrose=dextrose)
    advice = advise(order, TODAY, kg=kg).advice
    assert (advice.code, advice.rate_ml_h, advice.dextrose_g) == ("start", ml_h, grams)
    assert advice.kcal == d(str(kcal))
    assert any("100–150 g dextrose" in b for b in advice.because)


def test_the_glucose_infusion_rate_bounds_a_step() -> None:
    """60 kg, 5 mg/kg/min: 18 g/h; at 0.25 g/mL 72 mL/h, down to 70. Without the ceiling the goal would allow 75."""
    order = parenteral("55", 40, dextrose="0.25", amino_acids="0")
    advice = advise(order, BEFORE, TODAY).advice
    assert (advice.code, advice.rate_ml_h) == ("advance", 70)
    assert any("glucose infusion rate of 5 mg/kg/min" in b for b in advice.because)
    assert glucose_rate(d(70) * d("0.25"), d(60)) <= 5


GLUCOSE = [
    pytest.param("17.9", True, id="17.9 g/h in 60 kg is below 5 mg/kg/min"),
    pytest.param("18", True, id="18 g/h is 5 mg/kg/min exactly"),
    pytest.param("18.1", False, id="18.1 g/h is above"),
]


@pytest.mark.parametrize(("grams", "within"), GLUCOSE)
def test_glucose_infusion_rate(grams: str, within: bool) -> None:
    assert (glucose_rate(d(grams), d(60)) <= aspen().energy.glucose_rate_ceiling.value) is within


# --------------------------------------------------------------------------- dosing weight

DOSING = [
    # sex, cm, kg, dosing kg
    pytest.param("female", "170", "86.6", "86.6", id="body mass index 29.97: actual weight"),
    pytest.param("female", "170", "86.7", "67.77", id="body mass index of 30 exactly: adjusted (ideal 61.4)"),
    pytest.param("male", "180", "130", "88.74", id="man of 180 cm: ideal 75.0, adjusted 88.7"),
    pytest.param(None, "180", "130", "85.37", id="sex not known: the lower ideal weight"),
    pytest.param("female", "150", "90", "56.62", id="under 60 inches the ideal weight stays at its base of 45.5"),
]


@pytest.mark.parametrize(("sex", "cm", "kg", "dosing"), DOSING)
def test_dosing_weight(sex: str | None, cm: str, kg: str, dosing: str) -> None:
    chart = picture(height(cm), kg=kg, person=Person(born=date(1960, 5, 1), sex=sex))
    found = take_in(chart, aspen(), NOW).body.dosing_kg
    assert found is not None
    assert abs(found - d(dosing)) < d("0.05")


def test_nice_starts_lower_and_steps_smaller() -> None:
    start = advise(planned(None), TODAY, protocol=nice()).advice
    step = advise(feed("25", 40), BEFORE, TODAY, protocol=nice()).advice
    assert (start.kcal, step.kcal) == (600, 960)  # 10 kcal/kg; 600 + 450 = 1050, at 40 mL/h 960
