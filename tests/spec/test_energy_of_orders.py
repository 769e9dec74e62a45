"""What an order says: the timed sum of its administrations under its cap, never rate × 24 by habit."""

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from andante.domain.picture import Composition, Delivery, EnergyKind, EnergyOrder, IntakeKind, OrderState
from andante.rules.energy import day_amount
from andante.rules.situation import take_in
from pictures import (
    NOW,
    advise,
    aspen,
    bolus,
    cyclic,
    d,
    delivered,
    dextrose_drip,
    draw,
    feed,
    goal,
    h,
    parenteral,
    picture,
    planned,
    propofol,
    rate,
)


def present(*orders: EnergyOrder, now: datetime = NOW) -> str:
    """kcal/day in force, as the rules see it; `unknown` where it cannot be summed."""
    value = take_in(picture(*orders), aspen(), now).course.present_kcal
    return "unknown" if value is None else f"{value.normalize():f}"


def ordered(*orders: EnergyOrder) -> str:
    """kcal over the coming 24 hours, scheduled changes included."""
    value = take_in(picture(*orders), aspen(), NOW).course.ordered_kcal
    return "unknown" if value is None else f"{value.normalize():f}"


# HL7's own example order: 60, 80, 100 mL/h from 07:00, 11:00, 15:00, at most 880 mL/day, 1 kcal/mL. NOW is 08:00.
STAGED = (rate("60", 1), rate("80", -3), rate("100", -7))

ENERGY = [
    # order, in force now, over the coming 24 h
    pytest.param(feed("40", 40), "960", "960", id="continuous: 40 mL/h x 24 h x 1 kcal/mL"),
    pytest.param(feed("40", 40, density="1.5"), "1440", "1440", id="continuous at 1.5 kcal/mL"),
    pytest.param(feed(deliveries=STAGED, since=1), "1440", "2200", id="staged without a cap: 3 h 60, 4 h 80, 17 h 100"),
    pytest.param(feed(deliveries=STAGED, since=1, max_ml="880"), "880", "880", id="HL7's staged order under its cap"),
    pytest.param(feed(deliveries=STAGED[:1], since=1, max_ml="880"), "880", "880", id="60 mL/h under a cap of 880 mL"),
    pytest.param(feed("30", 40, max_ml="880"), "720", "720", id="a cap that does not bind"),
    pytest.param(
        feed(deliveries=(bolus("240", 4),), density="1.5"), "2160", "2160", id="bolus 240 mL every 4 h, 1.5 kcal/mL"
    ),
    pytest.param(
        feed(deliveries=(bolus("240", 4),), density="1.5", max_ml="1440"),
        "2160",
        "2160",
        id="HL7's bolus order: 1440 mL/d",
    ),
    pytest.param(
        feed(deliveries=(bolus("240", 4),), density="1.5", max_ml="1000"),
        "1500",
        "1500",
        id="bolus under a cap of 1000 mL",
    ),
    pytest.param(feed(deliveries=(bolus("100", 5),)), "480", "500", id="every 5 h is 4.8 times a day"),
    pytest.param(feed(deliveries=(cyclic("60", 12, time(20)),)), "720", "720", id="cyclic: 12 h a night at 60 mL/h"),
    pytest.param(
        feed(deliveries=(rate("20", 40), bolus("100", 6))), "880", "880", id="a rate by night and boluses: both count"
    ),
    pytest.param(feed(deliveries=(rate("20", 40), rate("40", 10))), "960", "960", id="changed from 20 to 40: the last"),
    pytest.param(
        feed(deliveries=(bolus("120", 4, until=10), bolus("180", 4, 10))),
        "1080",
        "1080",
        id="a larger bolus since 10 h",
    ),
    pytest.param(feed("40", 40, until=-3), "960", "960", id="about to be renewed: no smaller for that"),
    pytest.param(parenteral("80"), "1363.2", "1363.2", id="parenteral: 288 g dextrose x 3.4 + 96 g amino acids x 4"),
    pytest.param(
        parenteral("20", dextrose="0", amino_acids="0", lipid="0.2", emulsion=True),
        "960",
        "960",
        id="20 % lipid: 2 kcal/mL",
    ),
    pytest.param(
        parenteral("20", dextrose="0", amino_acids="0", lipid="0.1", emulsion=True), "528", "528", id="10 % lipid: 1.1"
    ),
    pytest.param(
        parenteral("20", dextrose="0", amino_acids="0", lipid="0.3", emulsion=True),
        "1440",
        "1440",
        id="30 % lipid: 3.0",
    ),
    pytest.param(
        parenteral("20", dextrose="0", amino_acids="0", lipid="0.15", emulsion=True), "792", "792", id="15 %: 11 kcal/g"
    ),
    pytest.param(parenteral("50", dextrose="0.1", lipid="0.03"), "972", "972", id="lipid in an admixture: 9 kcal/g"),
    pytest.param(
        feed("30", 40, kind=EnergyKind.CITRATE, composition=Composition(citrate_mmol_ml=d("0.5")), density=None),
        "212.4",
        "212.4",
        id="citrate: 0.59 kcal/mmol",
    ),
    pytest.param(propofol("20", 40), "528", "528", id="lipid-based sedation: 1.1 kcal/mL"),
    pytest.param(dextrose_drip("100"), "408", "408", id="5 % dextrose at 100 mL/h"),
]


@pytest.mark.parametrize(("order", "now", "day"), ENERGY)
def test_energy_of_an_order(order: EnergyOrder, now: str, day: str) -> None:
    assert (present(order), ordered(order)) == (now, day)


UNKNOWN = [
    pytest.param(feed("40", 40, density=None), id="no energy density"),
    pytest.param(feed("40", 40, density="0.49"), id="a density just below what any formula has"),
    pytest.param(feed("40", 40, density="2.51"), id="a density just above what any formula has"),
    pytest.param(feed("40", 40, density="0.001"), id="a density a thousandfold too small"),
    pytest.param(feed("0", 40), id="a rate of zero"),
    pytest.param(feed("-5", 40), id="a negative rate"),
    pytest.param(feed(None, 40), id="no rate at all"),
    pytest.param(feed("40", 40, max_ml="0"), id="a cap of zero"),
    pytest.param(feed("40", 40, max_ml="-100"), id="a negative cap"),
    pytest.param(feed("40", None), id="active, but since when is not said"),
    pytest.param(feed(deliveries=(Delivery(start=h(40), rate_ml_h=d(40), problem="a range"),)), id="a range of rates"),
    pytest.param(
        feed(deliveries=(Delivery(start=h(40), rate_ml_h=d(60), volume_ml=d(240)),)), id="a rate and a volume"
    ),
    pytest.param(feed(deliveries=(cyclic("60", 25, time(20)),)), id="25 h every day"),
    pytest.param(
        feed(deliveries=(Delivery(start=h(40), volume_ml=d(1), every=timedelta(microseconds=1)),)),
        id="every microsecond",
    ),
    pytest.param(feed(deliveries=(Delivery(start=h(40), volume_ml=d(1), every=timedelta(0)),)), id="every 0 h"),
    pytest.param(feed(deliveries=(Delivery(start=h(40), volume_ml=d(1), every=-timedelta(hours=4)),)), id="every -4 h"),
    pytest.param(
        feed(deliveries=(Delivery(start=h(40), rate_ml_h=d(60), times_of_day=(time(8),)),)), id="runs of no length"
    ),
    pytest.param(parenteral("40", dextrose="0.9", amino_acids="0.2"), id="more solids than a mL can hold"),
    pytest.param(parenteral("40", dextrose="-0.1"), id="a negative content"),
    pytest.param(feed("40", 40, density=None, kind=EnergyKind.PARENTERAL), id="parenteral without contents"),
    pytest.param(feed(None, 40, density=None, kind=EnergyKind.ORAL_DIET), id="a diet states no energy"),
    pytest.param(feed("40", 40, problem="the formula is not coded"), id="a problem of the order itself"),
]


@pytest.mark.parametrize("order", UNKNOWN)
def test_what_cannot_be_summed_is_unknown_and_never_more_feed(order: EnergyOrder) -> None:
    said = advise(order, draw(60), draw(5))
    assert said.advice.code == "hold"
    assert "energy" in {q.code for q in said.data_quality}


DENSITIES = [pytest.param("0.5", "480", id="0.5 kcal/mL is believed"), pytest.param("2.5", "2400", id="2.5 kcal/mL is")]


@pytest.mark.parametrize(("density", "kcal"), DENSITIES)
def test_a_density_on_the_bound_is_believed(density: str, kcal: str) -> None:
    assert present(feed("40", 40, density=density)) == kcal


SEVERAL = [
    pytest.param((feed("40", 40), propofol("20")), "1488", "528", id="a feed and propofol"),
    pytest.param((feed("40", 40), propofol("20", state=OrderState.ENDED, ended=2)), "960", "0", id="propofol stopped"),
    pytest.param((feed("20", 40), parenteral("40")), "1161.6", "0", id="enteral and parenteral"),
    pytest.param((feed("20", 40), dextrose_drip("100")), "888", "408", id="a feed and a dextrose drip"),
    pytest.param(
        (feed("20", 40), feed("20", 40, density=None)), "unknown", "0", id="one unreadable: the sum is unknown"
    ),
]


@pytest.mark.parametrize(("orders", "kcal", "other"), SEVERAL)
def test_all_energy_in_force_is_added(orders: tuple[EnergyOrder, ...], kcal: str, other: str) -> None:
    course = take_in(picture(*orders), aspen(), NOW).course
    assert present(*orders) == kcal
    assert course.other_kcal == d(other)


# --------------------------------------------------------------------------- clocks that change

BERLIN = ZoneInfo("Europe/Berlin")


def test_the_energy_in_force_does_not_change_with_the_clocks() -> None:
    for now in (datetime(2025, 3, 29, 12, tzinfo=UTC), datetime(2025, 10, 25, 19, 30, tzinfo=UTC), NOW):
        order = feed(
            deliveries=(
                Delivery(
                    start=now - timedelta(hours=60),
                    rate_ml_h=d(60),
                    duration=timedelta(hours=12),
                    times_of_day=(time(20),),
                ),
            ),
            ordered=None,
        )
        amount = day_amount(order, aspen().energy, at=now, zone=BERLIN, frozen=True)
        assert amount.kcal == 720


def test_over_the_night_of_the_change_every_bolus_by_the_clock_is_counted_once() -> None:
    """Boluses at 02:30 (skipped by the clock, given at 03:30) and 08:00 local time."""
    order = feed(
        deliveries=(
            Delivery(start=datetime(2025, 3, 20, tzinfo=UTC), volume_ml=d(200), times_of_day=(time(2, 30), time(8))),
        )
    )
    evening = datetime(2025, 3, 29, 20, tzinfo=UTC)
    assert day_amount(order, aspen().energy, at=evening, zone=BERLIN, frozen=False).ml == 400


def test_an_age_across_the_change_is_counted_in_hours_not_by_the_clock_on_the_wall() -> None:
    """Drawn 19:00 summer time, now 08:30 winter time: 14.5 h, not 13.5; the limit is 14 h."""
    now = datetime(2025, 10, 26, 8, 30, tzinfo=BERLIN)
    drawn = datetime(2025, 10, 25, 19, 0, tzinfo=BERLIN)
    start = datetime(2025, 10, 24, 12, 0, tzinfo=BERLIN)
    order = replace(feed("30", 40), deliveries=(Delivery(start=start, rate_ml_h=d(30)),), ordered=start)
    fresh = tuple(replace(r, collected=drawn) for r in draw(5))
    said = advise(order, fresh, now=now, zone=BERLIN)
    assert {v.state for v in said.analytes} == {"stale"}


# --------------------------------------------------------------------------- increases an order carries itself

SCHEDULED = [
    # order, chart, notice code or None
    pytest.param(
        feed(deliveries=(rate("30", 40), rate("50", -4))), draw(5, p="0.6"), "urgent", id="a hold: told urgently"
    ),
    pytest.param(
        feed(deliveries=(rate("30", 10), rate("35", -4)), since=10), draw(5), "scheduled-increase", id="too early"
    ),
    pytest.param(
        feed(deliveries=(rate("30", 40), rate("50", -4))), draw(5), None, id="within the step advised now: quiet"
    ),
    pytest.param(
        feed(deliveries=(rate("30", 40), rate("60", -4))), draw(5), "scheduled-increase", id="beyond the step"
    ),
    pytest.param(feed(deliveries=(rate("30", 40), rate("20", -4))), draw(5), None, id="a scheduled decrease is none"),
    pytest.param(
        feed(deliveries=(rate("30", 40), rate("50", -30))), draw(5, p="0.6"), None, id="more than a day ahead"
    ),
    pytest.param(
        feed("50", -3, ordered=2), draw(5, p="0.6"), "urgent", id="a first feed about to begin on a low level"
    ),
    pytest.param(feed("30", -3, ordered=2), draw(5), None, id="a first feed within what may start now"),
    pytest.param(feed("50", -3, ordered=2), draw(5), "urgent", id="a first feed above the first day's allowance"),
]


@pytest.mark.parametrize(("order", "drawn", "code"), SCHEDULED)
def test_a_scheduled_increase_without_support_is_told_before_it_happens(
    order: EnergyOrder, drawn: tuple[object, ...], code: str | None
) -> None:
    said = advise(order, draw(60), drawn)
    told = [n.code.value for n in said.notices if n.topic == "scheduled-increase"]
    assert told == ([] if code is None else [code])


# --------------------------------------------------------------------------- delivered

DELIVERED = [
    # 30 mL/h since 40 h: 720 kcal ordered per day
    pytest.param(delivered("539"), "stay", id="539 of 720 mL, just under 75 %: find out why"),
    pytest.param(delivered("540"), "advance", id="540 of 720 mL, 75 % exactly: enough"),
    pytest.param(delivered("720"), "advance", id="all of it"),
    pytest.param(delivered("100", kind=IntakeKind.ALL_FLUID), "advance", id="all fluid down the tube says nothing"),
    pytest.param(delivered("100", start=60, end=30), "advance", id="an account older than a day says nothing"),
    pytest.param(delivered("45", start=2, end=0), "advance", id="45 of 60 mL over 2 h"),
]


@pytest.mark.parametrize(("intake", "code"), DELIVERED)
def test_delivery_that_lags_far_behind_the_order_stops_the_next_step(intake: object, code: str) -> None:
    assert advise(feed("30", 40), draw(60), draw(5), intake).advice.code == code


def test_energy_of_drugs_does_not_pass_for_delivered_feed() -> None:
    """300 of 720 kcal of feed came in, and 528 kcal of propofol: 828 in all is not more than was ordered."""
    said = advise(feed("30", 40), propofol("20", 40), draw(60), draw(5), delivered("828", kind=IntakeKind.ENERGY))
    assert said.advice.rule == "delivery-lags"


def test_free_text_is_never_parsed_into_numbers() -> None:
    order = feed("40", 40, instruction="Hold feedings from 7 pm to 7 am")
    assert present(order) == "960"


def test_a_single_dose_counts_for_the_day_after_it() -> None:
    single = feed(
        deliveries=(Delivery(start=h(5), volume_ml=d(200)),), since=5, kind=EnergyKind.SUPPLEMENT, density="1.5"
    )
    past = feed(
        deliveries=(Delivery(start=h(30), volume_ml=d(200)),), since=30, kind=EnergyKind.SUPPLEMENT, density="1.5"
    )
    assert (present(feed("40", 40), single), present(feed("40", 40), past)) == ("1260", "960")


def test_a_goal_may_be_stated_and_an_order_planned_without_a_rate() -> None:
    said = advise(planned(None, density="1.5"), goal("2000"), draw(5))
    assert (said.advice.code, said.advice.rate_ml_h) == ("start", 25)


def test_a_revoked_order_does_not_run_on_to_a_bound_that_is_still_ahead() -> None:
    """Nothing says when it was revoked: it is never in force now, and the chart is named as silent about it."""
    revoked = feed("30", 40, state=OrderState.ENDED, until=-100)
    said = advise(feed("30", 40), revoked, draw(62), draw(5))
    assert said.feeding.ordered_kcal == 720
    assert "end-unknown" in {q.code for q in said.data_quality}


def test_an_ended_order_without_an_end_ran_until_the_next_feed_began() -> None:
    """So the course began with it, and a fall since then is seen."""
    earlier = feed("20", 60, state=OrderState.ENDED)
    said = advise(earlier, feed("30", 30), draw(62, p="1.20"), draw(40, p="0.95"), draw(5, p="0.93"))
    assert said.feeding.started == h(60)
    assert said.advice.rule == "falling"
