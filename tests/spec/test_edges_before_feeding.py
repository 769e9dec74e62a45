"""The course as a step function, what was taken in before it, and the risk that follows: both sides, and what is said.

60 kg: the need is 1800 kcal/day; up to 10 % of it is next to nothing. Gaps of 24 h break a run; 7 days are looked back.
"""

# ruff: noqa: E501 - a row is a chart, and is read across

from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from andante.domain.advice import CriterionView, RiskTier
from andante.domain.picture import (
    EnergyKind,
    EnergyOrder,
    FindingKind,
    Firmness,
    Intake,
    IntakeKind,
    OrderState,
    RiskEntry,
)
from andante.rules import table
from andante.rules.course import Course
from andante.rules.history import ends_unknown, place_ends
from andante.rules.situation import take_in
from pictures import (
    NOW,
    VITAMINS,
    K,
    advise,
    aspen,
    bmi,
    bolus,
    d,
    days_without_intake,
    delivered,
    dextrose_drip,
    diet,
    draw,
    feed,
    finding,
    h,
    height,
    lab,
    nil_by_mouth,
    parenteral,
    picture,
    planned,
    propofol,
    rate,
    weight,
)

ENDED, PAUSED, PLANNED = OrderState.ENDED, OrderState.PAUSED, OrderState.PLANNED
DAY = 24
BERLIN = ZoneInfo("Europe/Berlin")


def course(*items: object) -> Course:
    return take_in(picture(*items, draw(5)), aspen(), NOW).course


def stages(*deliveries: object, **more: object) -> EnergyOrder:
    return feed(deliveries=deliveries, since=60, **more)  # type: ignore[arg-type]


HISTORIES = [
    # orders, (hours ago, kcal/day, only eats) of each stretch
    pytest.param((feed("30", 60),), [(60, 720, False)], id="a feed"),
    pytest.param((stages(rate("20", 60, 6), rate("30", 2)),), [(60, 480, False), (6, 0, False), (2, 720, False)], id="off between two stages"),
    pytest.param((stages(bolus("100", 4, 60, until=6), rate("30", 2)),), [(60, 600, False), (2, 720, False)], id="boluses are off between times anyway"),
    pytest.param((feed("30", 60, state=ENDED, ended=30), feed("30", 30)), [(60, 720, False)], id="one taken over at the same rate"),
    pytest.param((feed("30", 60, state=ENDED, ended=30), feed("40", 30.9)), [(60, 720, False), (30, 960, False)], id="a bag change of less than an hour is no sum of two"),
    pytest.param((feed("30", 60, state=ENDED, ended=30), feed("40", 31)), [(60, 720, False), (31, 1680, False), (30, 960, False)], id="an hour beside each other is"),
    pytest.param((stages(rate("30", 60), rate("10", 20.5), rate("30", 20)),), [(60, 720, False), (20.5, 240, False), (20, 720, False)], id="a short stage below is kept"),
    pytest.param((feed("30", 20.5, state=ENDED, ended=20), feed("20", 20)), [(20.5, 720, False), (20, 480, False)], id="a short stage at the beginning is kept"),
    pytest.param((feed("20", 60, state=ENDED, ended=40), feed("50", 20.5, state=ENDED, ended=20), feed("20", 20)), [(60, 480, False), (40, 0, False), (20.5, 1200, False), (20, 480, False)], id="a short stage after nothing is kept"),
    pytest.param((feed("20", 60, state=ENDED, ended=20), feed("50", 20.5, state=ENDED, ended=20)), [(60, 480, False), (20.5, 1680, False), (20, 0, False)], id="and one before nothing"),
    pytest.param((nil_by_mouth(60),), [], id="nil by mouth is no stretch"),
    pytest.param((nil_by_mouth(60), feed("30", 40)), [(40, 720, False)], id="nil by mouth beside a feed"),
    pytest.param((feed("30", 60), planned("30")), [(60, 720, False)], id="a plan is no stretch"),
    pytest.param((nil_by_mouth(70), feed("30", 60, state=ENDED, ended=20)), [(60, 720, False), (20, 0, False)], id="nil by mouth once the feed is off: nothing is eaten"),
    pytest.param((diet(60, kcal="1200"),), [(60, None, True)], id="a diet alone"),
    pytest.param((diet(60), feed("30", 40)), [(60, None, True), (40, 720, False)], id="a feed beside a diet is what can be summed"),
    pytest.param((feed("30", 60, density=None),), [(60, None, False)], id="of unknown energy"),
    pytest.param((feed("30", 60), feed("10", 40, density=None)), [(60, 720, False), (40, None, False)], id="beside one of unknown energy"),
    pytest.param((feed("30", 60), feed("20", -3, ordered=2)), [(60, 720, False)], id="to come"),
]  # fmt: skip


@pytest.mark.parametrize(("orders", "stretches"), HISTORIES)
def test_the_nutrition_of_a_course_over_time(orders, stretches) -> None:  # type: ignore[no-untyped-def]
    found = course(*orders).history
    assert [(s.start, s.kcal, s.eats) for s in found] == [(h(ago), kcal, eats) for ago, kcal, eats in stretches]


ENDS = [
    # order, whether its end is unknown
    (feed("10", 90, state=ENDED), True),
    (feed("10", 90, state=ENDED, ended=50), False),
    (feed("10", 90, until=50, state=ENDED), False),  # its bound has passed
    (feed("10", 90, until=-5, state=ENDED), True),  # it has not
    (feed("10", 90, until=0, state=ENDED), False),
    (feed("10", 90), False),
    (feed("10", 90, state=PAUSED), False),
]


@pytest.mark.parametrize(("order", "unknown"), ENDS)
def test_an_ended_order_without_an_end(order: EnergyOrder, unknown: bool) -> None:
    assert ends_unknown(order, NOW) is unknown
    (placed,) = place_ends((order,), NOW)
    assert (placed.ended == h(90)) is unknown


FOLLOWED = [
    # what else is ordered, when the ended order of 90 h ago is taken to have stopped (hours ago)
    ((feed("30", 40),), 40),
    ((feed("30", 60), feed("30", 40)), 60),  # the next
    ((feed("30", 100),), 90),  # begun before it
    ((feed("30", -5, ordered=1),), 90),  # to come
    ((propofol("10", 60),), 90),  # no feed
    ((diet(60),), 60),
]


@pytest.mark.parametrize(("others", "ended"), FOLLOWED)
def test_it_ran_at_the_most_until_the_next_feed(others: tuple[EnergyOrder, ...], ended: float) -> None:
    placed = place_ends((feed("10", 90, state=ENDED), *others), NOW)
    assert placed[0].ended == h(ended)


UNPLACED = [
    # order, whether it may be running though nothing says since when
    (feed("30", None), True),
    (feed("30", 60), False),
    (diet(None), True),
    (diet(None, nil_by_mouth=True), False),
    (feed("30", None, state=PAUSED), True),
    (feed("30", 60, state=PAUSED), True),  # since when it is off is not said
    (feed("30", 60, state=PAUSED, ended=5), False),
    (feed("30", 60, state=ENDED), False),
    (feed("30", None, state=ENDED), False),
    (feed("30", None, state=PLANNED), False),
]


@pytest.mark.parametrize(("order", "unplaced"), UNPLACED)
def test_an_order_that_may_be_running(order: EnergyOrder, unplaced: bool) -> None:
    found = course(order)
    assert bool(found.unplaced) is unplaced
    words = "the order does not say since when, or until when, it runs"
    assert (f"{order.kind.value}: {words}" in [w for w, _ in found.energy_problems]) is unplaced


def test_what_ran_before_a_pause_is_read_just_before_it_and_not_once_the_course_has_ended() -> None:
    assert course(feed("30", 60, state=PAUSED, ended=5)).read_at < h(5)
    assert course(feed("30", 60, state=PAUSED, ended=24)).read_at == NOW
    beside = course(feed("30", 60, state=PAUSED, ended=5), nil_by_mouth(60, until=5, state=PAUSED))
    assert len(beside.running) == 1


def test_a_diet_that_was_off_for_a_while_is_one_course() -> None:
    found = course(diet(60, state=ENDED, ended=40), diet(30))
    assert (found.started, found.day) == (h(60), 3)


def test_half_a_kcal_is_a_change_and_less_is_none() -> None:
    assert course(stages(bolus("100", 24, 60, until=20), bolus("100.5", 24, 20))).last_change == h(20)
    assert course(stages(bolus("100", 24, 60, until=20), bolus("100.4", 24, 20))).last_change == h(60)


def test_a_rise_of_sedation_to_come_is_not_yet_energy() -> None:
    found = course(feed("30", 60), propofol("10", 60, deliveries=(rate("10", 60), rate("20", -12))))
    assert (found.other_kcal, found.present_kcal) == (264, 984)


LOOKS = [
    # chart, zone, until when an advice without a draw to come holds: blocks of 12 h from midnight or the start
    ((), UTC, datetime(2025, 3, 6, 12, tzinfo=UTC)),
    ((), BERLIN, datetime(2025, 3, 6, 12, tzinfo=BERLIN)),
    ((feed("30", 5.5),), UTC, h(5.5 - 12)),
    ((feed("30", 30),), UTC, h(30 - 36)),
]


@pytest.mark.parametrize(("chart", "zone", "until"), LOOKS)
def test_an_advice_holds_until_the_next_look(chart: tuple[object, ...], zone: tzinfo, until: datetime) -> None:
    now = NOW + timedelta(seconds=30, microseconds=5)
    assert advise(*chart, now=now, zone=zone).advice.valid_until == until


def test_that_no_rule_applies_would_be_a_defect(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(table, "RULES", ())
    with pytest.raises(RuntimeError, match=r"^no rule of the decision table applies$"):
        advise(draw(5))


EXPOSED = [
    # orders, the kinds of exposure
    pytest.param((feed("20", 120, state=ENDED, ended=60), feed("50", 30)), ["restart"], id="what ran in an earlier course is no step below"),
    pytest.param((stages(rate("20", 60), rate("50", 30)), propofol(None, 50)), ["start", "jump"], id="a jump beside a drug at an unknown rate"),
    pytest.param((feed("30", 60), propofol(None, 100, state=ENDED, ended=80), dextrose_drip("160", 30, percent="10")), ["start", "jump"], id="what was unknown before the course hides no jump in it"),
    pytest.param((stages(rate("20", 60), rate("50", 30)),), ["start", "jump"], id="a jump"),
]  # fmt: skip


@pytest.mark.parametrize(("orders", "kinds"), EXPOSED)
def test_what_opens_a_window_of_close_watching(orders: tuple[EnergyOrder, ...], kinds: list[str]) -> None:
    found = course(*orders)
    assert [e.kind for e in found.exposures] == kinds
    assert all((e.kcal_before is None) is (e.kind != "jump") for e in found.exposures)


def test_off_for_a_day_and_on_at_the_same_rate_is_a_change() -> None:
    assert course(feed("30", 60, state=ENDED, ended=40), feed("30", 16)).last_change == h(16)
    assert course(feed("30", 60, state=ENDED, ended=40), feed("30", 16.1)).last_change == h(60)


# --------------------------------------------------------------------------- intake before feeding


def share(percent: str, start: float, end: float, **more: Any) -> Intake:
    return delivered(percent, start=start, end=end, kind=IntakeKind.SHARE_OF_NEED) if not more else Intake(
        kind=IntakeKind.SHARE_OF_NEED, amount=d(percent), start=h(start), end=h(end), **more
    )  # fmt: skip


def kcal(amount: str, start: float, end: float, source: str = "Observation/1") -> Intake:
    return Intake(kind=IntakeKind.ENERGY, amount=d(amount), start=h(start), end=h(end), source=source)


def criterion(name: str, *items: object, **fields: Any) -> CriterionView:
    said = advise(*items, draw(5), at_risk=False, **fields)
    return next(c for c in said.risk.criteria if c.id == name)


UNKNOWN = "days of nil or negligible intake not stated"

NIL = [
    # chart, what is said of days without intake
    pytest.param((share("5", 168, 24),), "6 days of nil or negligible intake, from ", id="6 days of next to nothing"),
    pytest.param((share("10", 168, 24),), "6 days of nil or negligible intake, from ", id="10 % is next to nothing"),
    pytest.param((share("11", 168, 24),), UNKNOWN, id="11 % is not"),
    pytest.param((share("5", 20, 20),), UNKNOWN, id="a record of no length"),
    pytest.param((share("-5", 168, 24),), UNKNOWN, id="a negative one"),
    pytest.param((share("5", 300, 168),), "5.5 days of nil or negligible intake, from ", id="ended a week ago"),
    pytest.param((share("5", 300, 168.1),), UNKNOWN, id="ended more than a week ago"),
    pytest.param((share("5", 168, 96), share("5", 72, 24)), "6 days of nil or negligible intake, from ", id="a day between them"),
    pytest.param((share("5", 300, 169), share("5", 140, 10)), "5.4 days of nil or negligible intake, from ", id="more than a day between them"),
    pytest.param((share("5", 240, 120), share("60", 120, 110), share("5", 110, 0)), "5 days of nil or negligible intake, from ", id="a meal between them"),
    pytest.param((share("5", 200, 20), feed("30", 60)), "5.8 days of nil or negligible intake, from ", id="until feeding began"),
    pytest.param((share("5", 50, 2), feed("30", 60)), UNKNOWN, id="since feeding began"),
    pytest.param((share("5", 60, 2), feed("30", 60)), UNKNOWN, id="from when feeding began"),
    pytest.param((share("5", 200, 20), diet(60, state=ENDED, ended=10)), "7.5 days of nil or negligible intake, from ", id="a diet alone is no feeding, and proves nothing eaten"),
    pytest.param((share("5", 200, 20), feed("30", 300, state=ENDED, ended=250), diet(60)), "7.5 days of nil or negligible intake, from ", id="nor is one after an earlier feed"),
    pytest.param((planned("30"), nil_by_mouth(150)), "6.3 days of nil or negligible intake, from ", id="nil by mouth until a feed that is planned"),
    pytest.param((kcal("900", 20, 20), *(kcal("0", 24 * n + 24, 24 * n) for n in range(6))), "6 days of nil or negligible intake, from ", id="beside a record of no length"),
    pytest.param((nil_by_mouth(150),), "6.3 days of nil or negligible intake, from ", id="nil by mouth"),
    pytest.param((nil_by_mouth(150, state=PLANNED),), UNKNOWN, id="nil by mouth, not yet ordered"),
    pytest.param((diet(None, nil_by_mouth=True),), UNKNOWN, id="nil by mouth since nobody knows when"),
    pytest.param((nil_by_mouth(-5),), UNKNOWN, id="nil by mouth from later on"),
    pytest.param((nil_by_mouth(200, until=60),), "5.8 days of nil or negligible intake, from ", id="nil by mouth until 60 h ago"),
    pytest.param((nil_by_mouth(300), feed("30", 290, state=ENDED, ended=150)), "6.3 days of nil or negligible intake, from ", id="nil by mouth, fed by tube for a while: since then"),
    pytest.param((nil_by_mouth(300), share("60", 290, 150)), "6.3 days of nil or negligible intake, from ", id="nil by mouth, and eaten for a while: since then"),
    pytest.param((nil_by_mouth(300), share("60", 290, 150, firmness=Firmness.PROVISIONAL)), "12.5 days of nil or negligible intake, from ", id="eaten by a record that is not final: it proves nothing"),
    pytest.param((nil_by_mouth(200), diet(200)), "8.3 days of nil or negligible intake, from ", id="nil by mouth beside a diet"),
    pytest.param((*(kcal("0", 24 * n + 24, 24 * n) for n in range(6)),), "6 days of nil or negligible intake, from ", id="six days of no energy"),
    pytest.param((*(kcal("180", 24 * n + 24, 24 * n) for n in range(6)),), "6 days of nil or negligible intake, from ", id="180 kcal are 10 %"),
    pytest.param((*(kcal("182", 24 * n + 24, 24 * n) for n in range(6)),), UNKNOWN, id="182 are not"),
    pytest.param((days_without_intake("6", 48), share("250", 30, 20)), "8 days of nil or negligible intake, from ", id="more than anybody eats is a slip"),
    pytest.param((days_without_intake("6", 48), share("200", 30, 20)), "6 days of nil or negligible intake, from ", id="twice the need may be"),
    pytest.param((days_without_intake("6", 48), diet(30, state=ENDED)), "6 days of nil or negligible intake, from ", id="a diet was ordered since, nobody knows until when"),
    pytest.param((days_without_intake("6", 48), diet(30, state=PLANNED)), "8 days of nil or negligible intake, from ", id="a diet is planned"),
    pytest.param((days_without_intake("6", 48), diet(None, state=PLANNED)), "8 days of nil or negligible intake, from ", id="a diet is planned, for whenever"),
    pytest.param((days_without_intake("6", 48), diet(None, state=ENDED)), "8 days of nil or negligible intake, from ", id="a diet of no known time"),
    pytest.param((*(kcal("180", 24 * n + 22, 24 * n + 20, f"Observation/{n}") for n in range(6)),), "6 days of nil or negligible intake, from ", id="one meal of 180 kcal a day"),
    pytest.param((Intake(kind=IntakeKind.ENERGY, amount=None, start=h(48), end=h(24)),), UNKNOWN, id="food records that cannot be read"),
    pytest.param((days_without_intake("6", 10), feed("30", 60)), "3.9 days of nil or negligible intake, from ", id="stated since feeding began: until it began"),
    pytest.param((days_without_intake("6", 300),), "18 days of nil or negligible intake, from ", id="a statement goes on"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "words"), NIL)
def test_days_without_intake(chart: tuple[object, ...], words: str) -> None:
    found = criterion("intake", *chart)
    assert found.text.startswith(words), found.text
    assert (found.state == "unknown") is (words == UNKNOWN)


def test_a_short_order_for_nil_by_mouth_is_a_fact_and_settles_nothing() -> None:
    found = criterion("intake", nil_by_mouth(20))
    assert (found.text, found.state) == (UNKNOWN, "unknown")
    assert [(f.label, f.value, f.when) for f in found.facts] == [("nil by mouth ordered", "active", h(20))]
    assert criterion("intake", share("5", 20, 20)).facts == ()
    assert criterion("intake", share("5", 50, 2), feed("30", 60)).facts == ()
    assert criterion("intake", share("5", 60, 2), feed("30", 60)).facts == ()


def test_the_records_of_a_spell_are_told_in_their_order() -> None:
    found = criterion(
        "intake", share("5", 168, 24, source="Observation/1"), share("0", 168, 24, source="Observation/2")
    )
    assert [f.value for f in found.facts] == ["0 % of the need", "5 % of the need"]
    both = criterion("intake", *(kcal(str(10 * n), 24 * n + 24, 24 * n, f"Observation/{n}") for n in range(6)))
    assert [f.value for f in both.facts] == [f"{10 * n} kcal" for n in range(5, -1, -1)]
    assert {f.label for f in both.facts} == {"documented intake"}


NEED = "intake below the need"

REDUCED = [
    # chart, what is said of an intake below the need, level or state
    pytest.param((share("40", 144, 0),), f"{NEED}: 40 % of it over 6 days", "severe", id="40 % over 6 days"),
    pytest.param((share("50", 144, 0),), f"{NEED}: no record of more than 7 days", "unknown", id="50 % over 6 days is not below half"),
    pytest.param((share("49", 120, 0),), f"{NEED}: no record of more than 5 days", "unknown", id="49 % over 5 days is not longer"),
    pytest.param((share("49", 120.1, 0),), f"{NEED}: 49 % of it over 5 days", "severe", id="a moment longer"),
    pytest.param((share("74", 180, 0),), f"{NEED}: 74 % of it over 7.5 days", "moderate", id="74 % over 7.5 days"),
    pytest.param((share("75", 180, 0),), f"{NEED}: 75 % of it over 7.5 days", "not-met", id="75 %"),
    pytest.param((share("90", 144, 0),), f"{NEED}: no record of more than 7 days", "unknown", id="90 % over 6 days leaves the longer window open"),
    pytest.param((share("40", 300, 150), share("100", 150, 10, firmness=Firmness.PROVISIONAL)), f"{NEED}: 40 % of it over 6.3 days", "severe", id="what is not final hides no low share"),
    pytest.param((share("40", 150, 10, firmness=Firmness.PROVISIONAL),), f"{NEED}: 40 % of it over 5.8 days", "severe", id="and may show one"),
    pytest.param((share("100", 300, 150), share("40", 150, 10)), f"{NEED}: 40 % of it over 5.8 days", "severe", id="the last days alone"),
    pytest.param((share("40", 320, 180), share("100", 180, 10)), f"{NEED}: 73 % of it over 12.9 days", "moderate", id="an older low, made up for since"),
    pytest.param((share("60", 200, 0), share("40", 200, 0)), f"{NEED}: 40 % of it over 8.3 days", "severe", id="of two that speak of one time the lower"),
    pytest.param((share("60", 400, 200), share("40", 150, 0)), f"{NEED}: 40 % of it over 6.3 days", "severe", id="an old record before it"),
    pytest.param((*(kcal("400", 24 * n + 22, 24 * n + 20, f"Observation/a{n}") for n in range(8)), *(kcal("300", 24 * n + 20, 24 * n + 18, f"Observation/b{n}") for n in range(8))), f"{NEED}: 39 % of it over 6 days", "severe", id="two meals that touch"),
    pytest.param((*(kcal("400", 24 * n + 20, 24 * n + 18, f"Observation/a{n}") for n in range(8)), *(kcal("300", 24 * n + 22, 24 * n + 20, f"Observation/b{n}") for n in range(8))), f"{NEED}: 39 % of it over 6 days", "severe", id="in whatever order"),
    pytest.param((share("5", 200, 0),), f"{NEED}: no record of more than 5 days", "unknown", id="next to nothing has its own row"),
    pytest.param((share("40", 320, 169),), f"{NEED}: no record of more than 5 days", "unknown", id="ended more than a week ago"),
    pytest.param((*(kcal("900", 24 * n + 24, 24 * n) for n in range(8)),), f"{NEED}: 50 % of it over 8 days", "moderate", id="half of the need by food records"),
    pytest.param((*(kcal("862.5", 24 * n + 23, 24 * n) for n in range(8)),), f"{NEED}: 50 % of it over 7.7 days", "moderate", id="23 h are a day, by their hours"),
    pytest.param((*(kcal("862", 24 * n + 22, 24 * n) for n in range(8)),), f"{NEED}: 48 % of it over 6 days", "severe", id="22 h are meals of that day"),
    pytest.param((*(kcal("400", 24 * n + 22, 24 * n + 20, f"Observation/a{n}") for n in range(8)), *(kcal("300", 24 * n + 16, 24 * n + 14, f"Observation/b{n}") for n in range(8))), f"{NEED}: 39 % of it over 6 days", "severe", id="two meals a day add up, the smaller last"),
    pytest.param((*(kcal("400", 24 * n + 16, 24 * n + 14, f"Observation/a{n}") for n in range(8)), *(kcal("300", 24 * n + 22, 24 * n + 20, f"Observation/b{n}") for n in range(8))), f"{NEED}: 39 % of it over 6 days", "severe", id="and the smaller first"),
    pytest.param((*(kcal("400", 24 * n + 22, 24 * n + 14, f"Observation/a{n}") for n in range(8)), *(kcal("300", 24 * n + 20, 24 * n + 16, f"Observation/b{n}") for n in range(8))), f"{NEED}: 17 % of it over 6 days", "severe", id="of two that overlap the smaller"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "words", "level"), REDUCED)
def test_intake_below_the_need(chart: tuple[object, ...], words: str, level: str) -> None:
    found = criterion("reduced-intake", *chart)
    assert (found.text, found.level or found.state) == (words, level)


def test_the_days_of_meals_are_those_of_the_hospital() -> None:
    """A meal from 23:30 to 00:30 UTC is one of the next day in Berlin."""
    meals = [kcal("720", 24 * n + 8.5, 24 * n + 7.5, f"Observation/{n}") for n in range(8)]
    assert (
        criterion("reduced-intake", *meals, zone=ZoneInfo("Europe/Berlin")).text == f"{NEED}: 40 % of it over 5.4 days"
    )
    assert criterion("reduced-intake", *meals).text == f"{NEED}: 40 % of it over 6 days"


def test_of_two_spells_alike_the_later_is_told() -> None:
    eaten = (share("5", 160, 100), share("60", 100, 99), share("5", 70, 10))
    assert criterion("intake", days_without_intake("0", 165), *eaten).text == (
        "2.5 days of nil or negligible intake, from Mon 3 Mar 10:00 to Wed 5 Mar 22:00"
    )


def test_the_meals_of_a_day_are_facts_with_their_energy() -> None:
    meals = [
        kcal(a, 24 * n + s, 24 * n + s - 2, f"Observation/{s}{n}")
        for n in range(6)
        for a, s in (("0", 22), ("400", 16))
    ]
    found = criterion("reduced-intake", *meals)
    assert [f.value for f in found.facts] == ["0 kcal", "400 kcal"] * 6
    same = [
        kcal("300", 24 * n + s, 24 * n + s - 4, f"Observation/{z}{n}")
        for n in range(6)
        for z, s in (("z", 22), ("a", 20))
    ]
    assert {f.source[-2] for f in criterion("reduced-intake", *same).facts} == {
        "z"
    }  # of two alike that overlap the earlier


# --------------------------------------------------------------------------- risk

FINE = (
    height("165"), weight("62", DAY * 25), weight("62", DAY * 80), weight("61", DAY * 170),
    delivered("90", start=DAY * 14, end=1, kind=IntakeKind.SHARE_OF_NEED), days_without_intake("0"),
)  # fmt: skip


def tier(*items: object, **fields: Any) -> tuple[RiskTier, bool]:
    said = advise(*FINE, *items, draw(5), at_risk=False, **fields)
    return said.risk.tier, said.risk.by_clinician


TIERS = [
    # chart, tier, by a clinician
    pytest.param((), RiskTier.NONE, False, id="nothing met"),
    pytest.param((weight("63.2", DAY * 30),), RiskTier.NONE, False, id="5 % lost in a month: one moderate row"),
    pytest.param((finding(FindingKind.FAT_LOSS, "moderate"),), RiskTier.NONE, False, id="one moderate finding"),
    pytest.param((finding(FindingKind.FAT_LOSS, "moderate"), weight("63.2", DAY * 30)), RiskTier.MODERATE, False, id="two moderate rows"),
    pytest.param((finding(FindingKind.FAT_LOSS, "severe"),), RiskTier.SEVERE, False, id="one severe row"),
    pytest.param((finding(FindingKind.FAT_LOSS, "mild"), finding(FindingKind.MUSCLE_LOSS, "moderate")), RiskTier.NONE, False, id="a mild loss of fat is none"),
    pytest.param((RiskEntry(tier="moderate", source="Flag/1"),), RiskTier.MODERATE, True, id="a clinician's entry"),
    pytest.param((RiskEntry(tier="moderate", recorded=h(0), source="Flag/1"),), RiskTier.MODERATE, True, id="entered now"),
    pytest.param((RiskEntry(tier="severe", recorded=h(-1), source="Flag/1"),), RiskTier.NONE, False, id="entered for later"),
    pytest.param((RiskEntry(tier="moderate", source="Flag/1"), finding(FindingKind.FAT_LOSS, "severe")), RiskTier.SEVERE, False, id="an entry wins upward only"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "wanted", "entered"), TIERS)
def test_the_tier_that_the_criteria_add_up_to(chart: tuple[object, ...], wanted: RiskTier, entered: bool) -> None:
    assert tier(*chart) == (wanted, entered)


def test_nobody_is_watched_whom_no_criterion_reaches() -> None:
    advice = advise(*FINE, draw(5), at_risk=False).advice
    assert (advice.rule, advice.headline) == ("not-at-risk", "Not watched: not at risk by the protocol's criteria")
    assert advice.because == ("Fewer criteria are met than the protocol counts as risk.",)


LOSSES = [
    # earlier weights beside 60 kg now, what is said, level or state
    pytest.param((weight("65", DAY * 80),), "weight loss 7.7 % to 60 kg", "severe", id="7.7 % in 80 days"),
    pytest.param((weight("64.8", DAY * 80), weight("64", DAY * 160), weight("61", DAY * 25)), "no weight loss of note", "not-met", id="7.4 % in 80 days"),
    pytest.param((weight("64.8", DAY * 80),), "weight loss not known: no earlier or no recent weight", "unknown", id="and no word of the older half year"),
    pytest.param((weight("66", DAY * 80), weight("65", DAY * 60)), "weight loss 9.1 % to 60 kg", "severe", id="the greater of two losses"),
    pytest.param((weight("65", DAY * 80), weight("66", DAY * 60)), "weight loss 9.1 % to 60 kg", "severe", id="whichever came first"),
    pytest.param((weight("65", DAY * 80), weight("68", DAY * 60)), "weight loss 11.8 % to 60 kg", "severe", id="the greatest loss is told"),
    pytest.param((weight("68", DAY * 80), weight("65", DAY * 60)), "weight loss 11.8 % to 60 kg", "severe", id="in whatever order"),
    pytest.param((weight("63.2", DAY * 30),), "weight loss 5.1 % to 60 kg", "moderate", id="5.1 % in a month"),
    pytest.param((weight("66.6", DAY * 180),), "weight loss not known: no earlier or no recent weight", "unknown", id="9.9 % in half a year, and nothing of the last months"),
    pytest.param((weight("66.8", DAY * 180),), "weight loss 10.2 % to 60 kg", "severe", id="10.2 %"),
    pytest.param((), "weight loss not known: no earlier or no recent weight", "unknown", id="no earlier weight"),
]  # fmt: skip


@pytest.mark.parametrize(("weights", "words", "level"), LOSSES)
def test_weight_lost(weights: tuple[object, ...], words: str, level: str) -> None:
    found = criterion("weight-loss", *weights)
    assert (found.text, found.level or found.state) == (words, level)


LOWS = [
    # draws, feed, what is said, level or state
    pytest.param((draw(80, k="3.3"),), "potassium low before feeding", "moderate", id="3.3 is 94 % of the limit"),
    pytest.param((draw(80, k="2.8"),), "potassium low before feeding", "moderate", id="80 % exactly"),
    pytest.param((draw(80, k="2.79"),), "potassium low before feeding", "severe", id="below 80 %"),
    pytest.param((draw(80, k="3.3", p="0.60"),), "phosphate low before feeding", "severe", id="the severe one is told"),
    pytest.param((draw(80, k="3.3", p="0.70"),), "potassium, phosphate low before feeding", "moderate", id="two"),
    pytest.param((draw(80), draw(20, k="3.3")), "no low level before feeding", "not-met", id="low since"),
    pytest.param((draw(60, k="3.3"),), "potassium low before feeding", "moderate", id="drawn as feeding began"),
    pytest.param((draw(80, k="3.3", p=None),), "potassium low before feeding", "moderate", id="one low, one missing"),
    pytest.param((draw(80, p=None),), "levels before feeding not all known", "unknown", id="one missing"),
    pytest.param((lab(K, "3.6", 80, low="3.8", high="5.2"), draw(80, k=None)), "potassium low before feeding", "moderate", id="by its own range"),
]  # fmt: skip


@pytest.mark.parametrize(("draws", "words", "level"), LOWS)
def test_low_before_feeding(draws: tuple[object, ...], words: str, level: str) -> None:
    found = criterion("low-before-feeding", *draws, feed("30", 60))
    assert (found.text, found.level or found.state) == (words, level)


WATCHED = [
    # orders of a patient of unknown risk, whether somebody watches
    ((), False),
    ((diet(20),), False),
    ((feed("30", 20),), True),
    ((parenteral("30", 20),), True),
    ((planned("30"),), True),
    ((feed("30", None),), True),  # it may be running
    ((feed("10", 20, kind=EnergyKind.SUPPLEMENT),), False),
    ((propofol("10", 20),), False),
]  # fmt: skip


@pytest.mark.parametrize(("orders", "watched"), WATCHED)
def test_unknown_risk_is_watched_while_fed_by_tube_or_vein(orders: tuple[object, ...], watched: bool) -> None:
    said = advise(*orders, draw(5), VITAMINS, at_risk=False, kg=None)
    assert said.risk.tier is RiskTier.UNKNOWN
    assert (said.advice.code != "not-at-risk") is watched


def test_a_loss_up_to_an_old_weight_rules_nothing_out() -> None:
    old = tuple(weight("60.5", DAY * ago) for ago in (65, 120, 210))
    found = criterion("weight-loss", weight("60", DAY * 40), *old, kg=None)
    assert (found.text, found.state) == ("weight loss not known: no earlier or no recent weight", "unknown")
    assert criterion("weight-loss", *(weight("60.5", DAY * ago) for ago in (25, 80, 170))).state == "not-met"


def test_an_index_by_an_old_weight_may_show_a_risk_and_not_that_there_is_none() -> None:
    old = (weight("60", DAY * 40), height("165", DAY * 40))
    assert criterion("bmi", *old, kg=None).state == "unknown"
    thin = (weight("45", DAY * 40), height("165", DAY * 40))
    assert criterion("bmi", *thin, kg=None).level == "moderate"
    assert criterion("bmi", height("165"), kg=None).text == "body mass index not known"
    assert criterion("bmi", height("165"), bmi("16"), kg=None).level == "moderate"
    assert criterion("bmi", height("165"), bmi("15.9"), kg=None).level == "severe"
