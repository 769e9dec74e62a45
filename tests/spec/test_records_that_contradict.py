"""Records that contradict the order, each other, or common sense: they may hold or lower, and never make room."""

# ruff: noqa: E501 - a row is a case, and is read across

from decimal import Decimal

import pytest

from andante.domain.advice import AdviceCode, Assessment
from andante.domain.picture import (
    Composition,
    Delivery,
    EnergyKind,
    EnergyOrder,
    Firmness,
    Intake,
    IntakeKind,
    OrderState,
)
from pictures import (
    P,
    advise,
    bolus,
    d,
    days_without_intake,
    delivered,
    dextrose_drip,
    diet,
    dose,
    draw,
    feed,
    goal,
    nil_by_mouth,
    parenteral,
    planned,
    rate,
    weight,
)

BEFORE, NOW_FINE = draw(150), draw(5)
ENERGY = IntakeKind.ENERGY


def ate(share: str, *, start: float, end: float) -> Intake:
    return delivered(share, start=start, end=end, kind=IntakeKind.SHARE_OF_MEALS)


def not_final(record: Intake) -> Intake:
    return Intake(
        kind=record.kind,
        amount=record.amount,
        start=record.start,
        end=record.end,
        firmness=Firmness.PROVISIONAL,
        source=record.source,
    )


# 30 mL/h of 1 kcal/mL is 720 kcal a day; 75 % and 120 % of it are 540 and 864.
DELIVERY = [
    # records, rule
    pytest.param((delivered("720"),), "step-up", id="what was ordered"),
    pytest.param((delivered("864"),), "step-up", id="864 of 720 mL, 120 % exactly: not yet too much"),
    pytest.param((delivered("865"),), "delivery-exceeds", id="865 of 720 mL, more than 120 %: find out why"),
    pytest.param((delivered("1800", kind=ENERGY),), "delivery-exceeds", id="energy at the goal, and nobody ordered the rest"),
    pytest.param(
        (delivered("0", start=24, end=16), delivered("0", start=15.98, end=8), delivered("240", start=7.98, end=0)),
        "delivery-lags",
        id="three shifts a minute apart are one day",
    ),
    pytest.param((delivered("0", start=24.5, end=0.5), delivered("5", start=0.2, end=0)), "delivery-lags", id="ten minutes do not hide a day without feed"),
    pytest.param((delivered("100", start=26, end=2), delivered("270", start=10, end=1)), "delivery-lags", id="an interim record does not hide the day's total it overlaps"),
    pytest.param((delivered("200"), delivered("720")), "delivery-lags", id="of two records of one day the smaller holds"),
    pytest.param((delivered("720"), delivered("200")), "delivery-lags", id="and whichever was written first"),
    pytest.param((not_final(delivered("100")),), "delivery-lags", id="a record that is not final may hold"),
    pytest.param((delivered("0", start=6, end=0),), "delivery-lags", id="6 h without feed are enough to ask"),
    pytest.param((delivered("0", start=5.9, end=0),), "step-up", id="5.9 h say too little of a day"),
    pytest.param((delivered("0", start=14, end=8), delivered("180", start=6, end=0)), "delivery-lags", id="records 2 h apart are one run"),
    pytest.param((delivered("0", start=14.1, end=8.1), delivered("180", start=6, end=0)), "delivery-lags", id="records further apart count each for itself"),
]  # fmt: skip


@pytest.mark.parametrize(("records", "rule"), DELIVERY)
def test_far_more_or_far_less_than_ordered_stays(records: tuple[Intake, ...], rule: str) -> None:
    said = advise(feed("30", 60), BEFORE, NOW_FINE, *records).advice
    assert said.rule == rule
    if rule != "step-up":
        assert (said.code, said.kcal) == (AdviceCode.STAY, 720)
        assert any("% of what was ordered over the same time" in words for words in said.because)


def test_a_volume_counts_by_the_feed_that_ran_then() -> None:
    """400 of 960 mL at 1 kcal/mL; an hour ago it was exchanged for half the volume of twice the density."""
    exchanged = (feed("40", 60, state=OrderState.ENDED, ended=1), feed("20", 1, density="2"))
    assert advise(*exchanged, BEFORE, NOW_FINE, delivered("400", start=25, end=1)).advice.rule == "delivery-lags"


@pytest.mark.parametrize("record", [delivered("300"), delivered("2400")])
def test_the_watch_goes_on_while_something_else_runs_than_is_ordered(record: Intake) -> None:
    late = (feed("75", 170), *(draw(hours) for hours in range(5, 180, 12)))
    assert advise(*late).advice.code == "stood-down"
    said = advise(*late, record).advice
    assert said.code == "at-goal"
    assert any("of what was ordered over the same time: find out why." in words for words in said.because)


def test_what_was_eaten_is_counted_against_the_feed_of_that_time() -> None:
    """480 kcal of feed and 1000 eaten; since then the feed was doubled: 960 + 1000, not 960 + 520."""
    record = delivered("1480", start=48, end=24, kind=ENERGY)
    fed = feed(deliveries=(rate("20", 100, 23.9), rate("40", 23.9)), since=100)
    said = advise(fed, diet(100, kcal="1800"), goal("2500"), BEFORE, NOW_FINE, record)
    assert said.feeding.ordered_kcal == 1960


MEALS = [
    # records, is the energy known
    pytest.param((ate("50", start=13, end=1),), True, id="a day's meals in one record"),
    pytest.param((ate("50", start=7, end=6.5), ate("50", start=1.5, end=1)), True, id="breakfast and lunch, 6 h from first to last"),
    pytest.param((ate("50", start=6.9, end=6.5), ate("50", start=1.5, end=1)), False, id="5.9 h are too little of a day"),
    pytest.param((ate("0", start=2, end=1.5),), False, id="one meal refused is no day without food"),
    pytest.param((ate("100", start=2, end=1.5),), False, id="one meal eaten is no day of meals"),
]  # fmt: skip


@pytest.mark.parametrize(("records", "known"), MEALS)
def test_one_meal_is_not_a_day(records: tuple[Intake, ...], known: bool) -> None:
    said = advise(feed("30", 60), diet(60, kcal="1800"), goal("2500"), BEFORE, NOW_FINE, *records)
    assert (said.advice.rule != "energy-not-known") is known


SERVED = [
    # kcal the diet is said to serve, is it believed
    pytest.param("299", False, id="a diet of 299 kcal is a slip"),
    pytest.param("300", True, id="a diet of 300 kcal is believed"),
    pytest.param("1.8", False, id="1.8 for 1800"),
    pytest.param("6000", True, id="a diet of 6000 kcal is believed"),
    pytest.param("6001", False, id="a diet of 6001 kcal is a slip, or kilojoules"),
]


@pytest.mark.parametrize(("kcal", "believed"), SERVED)
def test_a_diet_serves_what_a_diet_can_serve(kcal: str, believed: bool) -> None:
    said = advise(feed("30", 60), diet(60, kcal=kcal), BEFORE, NOW_FINE, ate("0", start=13, end=1))
    assert (said.advice.rule != "energy-not-known") is believed


NIL = [
    # what is charted beside 20 days nil by mouth, lowest start
    pytest.param((), True, id="20 days nil by mouth"),
    pytest.param((delivered("30", start=240, end=239.75, kind=ENERGY),), True, id="a snack of 30 kcal is no day of snacks"),
    pytest.param((not_final(delivered("900", start=240, end=216, kind=ENERGY)),), True, id="a record that is not final breaks nothing"),
    pytest.param((delivered("900", start=240, end=216, kind=ENERGY),), False, id="half a day's need, eaten on day 10, does"),
    pytest.param((delivered("3600", start=240, end=216, kind=ENERGY),), False, id="twice the need exactly is believed"),
    pytest.param((delivered("3601", start=240, end=216, kind=ENERGY),), True, id="more than twice the need is a slip"),
    pytest.param((delivered("100", start=240, end=239.5, kind=ENERGY), delivered("100", start=234, end=233.5, kind=ENERGY)), False, id="two small meals of one day add up to 11 % of the need"),
    pytest.param((delivered("100", start=240, end=239.5, kind=ENERGY), delivered("100", start=240, end=234, kind=ENERGY)), True, id="a meal and the sum it is part of count once"),
]  # fmt: skip


@pytest.mark.parametrize(("records", "lowest"), NIL)
def test_only_a_firm_and_plausible_day_of_food_ends_starvation(records: tuple[Intake, ...], lowest: bool) -> None:
    said = advise(NOW_FINE, nil_by_mouth(24 * 20), planned("30"), *records)
    assert said.risk.extreme is lowest
    assert said.advice.kcal == (600 if lowest else 840)


def test_a_snack_does_not_end_the_days_that_a_clinician_stated() -> None:
    snack = delivered("30", start=40, end=39.75, kind=ENERGY)
    assert advise(NOW_FINE, planned("30"), days_without_intake("14", 80), snack).risk.extreme


WEIGHTS = [
    # kg and hours ago, dosing kg by the allowance of 15 kcal/kg at 1 kcal/mL in steps of 5 mL/h
    pytest.param((("60", 20), ("66", 10)), "960", False, id="10 % more within a week exactly: the newer"),
    pytest.param((("60", 20), ("66.1", 10)), "840", True, id="more than 10 %: the lower, and weigh again"),
    pytest.param((("60", 20), ("88", 19.5)), "840", True, id="88 kg half an hour after 60"),
    pytest.param((("88", 20), ("60", 10)), "840", True, id="the newer is the lower"),
    pytest.param((("60", 24 * 7 + 10), ("72", 10)), "1080", True, id="a week apart exactly"),
    pytest.param((("60", 24 * 7 + 10.1), ("72", 10)), "1080", False, id="longer ago than a week"),
]


@pytest.mark.parametrize(("weights", "kcal", "doubted"), WEIGHTS)
def test_of_weights_that_contradict_each_other_the_lower_counts(weights, kcal: str, doubted: bool) -> None:  # type: ignore[no-untyped-def]
    said = advise(NOW_FINE, planned("30"), *(weight(kg, ago) for kg, ago in weights), kg=None)
    assert ("weights-disagree" in {q.code for q in said.data_quality}) is doubted
    if doubted:
        lower = min(Decimal(kg) for kg, _ in weights)
        assert said.advice.kcal is not None
        assert said.advice.kcal <= 15 * lower
        assert any("weigh again" in words for words in said.advice.because)
    else:
        assert said.advice.kcal == Decimal(kcal)


@pytest.mark.parametrize("goals", [("1800", "2500"), ("2500", "1800")])
def test_of_two_goals_of_one_instant_the_lower_counts(goals: tuple[str, str]) -> None:
    said = advise(feed("30", 60), BEFORE, NOW_FINE, *(goal(kcal) for kcal in goals))
    assert said.feeding.goal_kcal == 1800


def sugar(*deliveries: Delivery, percent: str) -> EnergyOrder:
    mix = Composition(dextrose_g_ml=d(percent) / 100)
    return feed(deliveries=deliveries, since=40, density=None, kind=EnergyKind.IV_DEXTROSE, composition=mix)


BESIDE = [
    # glucose by vein beside parenteral nutrition that is to start, all of 100 g a day
    pytest.param(dextrose_drip("83.333", percent="5"), id="a plain drip"),
    pytest.param(sugar(bolus("50", 6), percent="50"), id="boluses"),
    pytest.param(sugar(rate("40", 40), rate("43.333", 40), percent="5"), id="two rates at once"),
]


@pytest.mark.parametrize("beside", BESIDE)
def test_glucose_beside_it_leaves_its_grams_however_it_is_given(beside: EnergyOrder) -> None:
    advice = advise(NOW_FINE, parenteral("30", 1, state=OrderState.PLANNED), beside).advice
    assert advice.dextrose_g is not None
    assert 0 < advice.dextrose_g <= 50


def test_under_a_daily_cap_the_rate_still_has_to_keep_the_glucose_ceiling() -> None:
    """300 mL/h of 20 % dextrose in 60 kg is 16.7 mg/kg/min."""
    fast = parenteral("300", 1, dextrose="0.20", max_ml="1000", state=OrderState.PLANNED)
    assert advise(NOW_FINE, fast).advice.rule == "start-not-sizeable"


def test_what_would_change_it_knows_of_a_dose_given_since() -> None:
    """Now it is 08:00; a dose of phosphate was given 4 h ago, and a draw tells 6 h after it."""
    said: Assessment = advise(planned("30"), draw(15, p="0.78"), dose(P, ago=4))
    assert any("in a firm draw after Thu 6 Mar 10:00" in words for words in said.advice.would_change)
