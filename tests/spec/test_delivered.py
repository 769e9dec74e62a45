"""What was really given: by volume, by food records, by the share of the meals eaten. Under-delivery stops a step."""

# ruff: noqa: E501 - a row is a day, and is read across

from datetime import time

import pytest

from andante.domain.advice import AdviceCode, Assessment
from andante.domain.picture import Intake, IntakeKind, OrderState
from pictures import (
    advise,
    bolus,
    cyclic,
    d,
    delivered,
    diet,
    draw,
    feed,
    propofol,
    rate,
)

FINE = (draw(60), draw(5))
FED = feed("30", 40)  # 720 kcal/day; a step of 594 would be due


def meals(percent: str, start: float, end: float) -> Intake:
    return delivered(percent, start=start, end=end, kind=IntakeKind.SHARE_OF_MEALS)


def energy(kcal: str, start: float = 24, end: float = 0) -> Intake:
    return delivered(kcal, start=start, end=end, kind=IntakeKind.ENERGY)


VOLUMES = [
    # order, records, delivered kcal/day, rule
    pytest.param(FED, (delivered("720"),), "720", "step-up", id="all of it in one record of 24 h"),
    pytest.param(FED, (delivered("240", start=24, end=16), delivered("240", start=16, end=8), delivered("240", start=8, end=0)), "720", "step-up", id="three shifts of 8 h are one day"),
    pytest.param(FED, (delivered("240", start=24, end=16), delivered("60", start=16, end=8), delivered("60", start=8, end=0)), "360", "delivery-lags", id="half of it over three shifts"),
    pytest.param(FED, (delivered("240", start=8, end=0),), "720", "step-up", id="one shift stands for the day"),
    pytest.param(FED, (delivered("100", start=8, end=0),), "300", "delivery-lags", id="a shift of 42 %"),
    pytest.param(FED, (delivered("720", start=24, end=0), delivered("10", start=1, end=0)), "720", "step-up", id="of two that end together the longer counts"),
    pytest.param(FED, (delivered("100", start=40, end=25),), None, "step-up", id="a record that ended over a day ago is old"),
    pytest.param(feed("30", 40, deliveries=(cyclic("60", 12, time(20)),)), (delivered("720", start=12, end=0),), "1440", "step-up", id="a night feed of 12 h: 720 mL in that night is all of it"),
    pytest.param(feed("30", 40, deliveries=(cyclic("60", 12, time(20)),)), (delivered("400", start=12, end=0),), "800", "delivery-lags", id="a night feed of 12 h: 400 of 720 mL is not"),
    pytest.param(feed(deliveries=(bolus("120", 4),)), (delivered("240", start=8, end=0),), "720", "step-up", id="two boluses in a shift"),
    pytest.param(feed(deliveries=(bolus("120", 4),)), (delivered("120", start=8, end=0),), "360", "delivery-lags", id="one of two boluses"),
    pytest.param(feed(deliveries=(rate("20", 64), rate("30", 12)), since=64), (delivered("600", start=24, end=0),), "600", "interval-open", id="a rate that rose halfway: 240 + 360 mL were ordered"),
    pytest.param(feed(deliveries=(rate("20", 64), rate("30", 30)), since=64, max_ml="500"), (delivered("500", start=24, end=0),), "500", "step-up", id="the order's own cap is all that was ordered"),
]  # fmt: skip


@pytest.mark.parametrize(("order", "records", "kcal", "rule"), VOLUMES)
def test_delivered_volume(order, records: tuple[Intake, ...], kcal: str | None, rule: str) -> None:  # type: ignore[no-untyped-def]
    said = advise(order, records, FINE)
    assert said.feeding.delivered_kcal == (None if kcal is None else d(kcal))
    assert said.advice.rule == rule


def test_a_feed_that_stopped_before_the_documented_time_was_not_ordered_in_it() -> None:
    stopped = feed("60", 64, state=OrderState.ENDED, ended=24)
    said = advise(stopped, feed("30", 24), delivered("720"), FINE)
    assert said.advice.code is AdviceCode.ADVANCE


def test_every_record_is_a_fact_of_the_course() -> None:
    said = advise(FED, delivered("240", start=16, end=8), delivered("60", start=8, end=0), FINE)
    facts = [f.value for r in said.derivation if r.rule == "course" for f in r.facts if f.label.startswith("delivered")]
    assert facts == ["240 mL over 8 h from Wed 5 Mar 16:00", "60 mL over 8 h from Thu 6 Mar 00:00"]


def test_energy_of_drugs_does_not_pass_for_delivered_feed() -> None:
    """720 feed and 528 sedation are ordered; 700 documented from all sources is 56 %."""
    said = advise(FED, propofol("20", 40), energy("700"), FINE)
    assert said.advice.rule == "delivery-lags"
    assert any("56 % of what was ordered" in b for b in said.advice.because)


EATEN = [
    # diet and records, present kcal (feed 20 mL/h beside it: 480), or None where it is not known
    pytest.param((diet(60),), None, id="a diet without energy or records: not known"),
    pytest.param((diet(60), energy("900")), "900", id="900 documented from all sources: 420 were eaten"),
    pytest.param((diet(60), energy("400")), "480", id="less documented than the feed brings: nothing was eaten"),
    pytest.param((diet(60, kcal="1600"),), None, id="a diet of 1600, nobody says how much is eaten"),
    pytest.param((diet(60, kcal="1600"), meals("25", 24, 0)), "880", id="a quarter of 1600"),
    pytest.param((diet(60, kcal="1600"), meals("0", 24, 0)), "480", id="nothing eaten"),
    pytest.param((diet(60, kcal="1600"), meals("50", 24, 12), meals("0", 12, 0)), "880", id="half, then nothing: a quarter"),
    pytest.param((diet(60, kcal="1600"), meals("50", 22, 20), meals("0", 16, 14)), "880", id="two meals of two"),
    pytest.param((diet(60, kcal="1600"), meals("101", 24, 0)), None, id="more than all of it cannot be"),
    pytest.param((diet(60, kcal="1600"), meals("25", 50, 25)), None, id="yesterday's meals say nothing of today"),
    pytest.param((diet(60, kcal="1600"), diet(60), meals("25", 24, 0)), None, id="of two diets one states no energy"),
    pytest.param((diet(60, kcal="1600"), meals("25", 24, 0), energy("900")), "900", id="a record of kcal goes before a share"),
]  # fmt: skip


@pytest.mark.parametrize(("items", "present"), EATEN)
def test_what_is_eaten_beside_a_feed(items: tuple[object, ...], present: str | None) -> None:
    said = advise(feed("20", 60), items, draw(70), draw(5))
    assert said.feeding.ordered_kcal == (None if present is None else d(present))
    if present is None:
        assert said.advice.rule == "energy-not-known"


def test_what_is_not_known_of_a_diet_is_said() -> None:
    silent = advise(feed("20", 60), diet(60), draw(70), draw(5))
    unrecorded = advise(feed("20", 60), diet(60, kcal="1600"), draw(70), draw(5))
    assert "a diet order states no energy; record what is eaten" in silent.advice.because[0]
    assert "how much of the diet is eaten is not known; record what is eaten" in unrecorded.advice.because[0]


def test_a_step_beside_a_diet_leaves_room_for_what_is_eaten() -> None:
    """880 present + 594 = 1474, of which 400 are eaten: 1074 by tube is 44.75, down to 40 mL/h."""
    said: Assessment = advise(feed("20", 60), diet(60, kcal="1600"), meals("25", 24, 0), draw(70), draw(5))
    assert (said.advice.code, said.advice.rate_ml_h, said.advice.kcal) == (AdviceCode.ADVANCE, d("40"), d("1360"))
