"""What an order brings, at its edges: both sides of every limit, what is refused with which words, every window.

1 kcal/mL unless said otherwise. The sums are arithmetic; the limits of density stand in the protocol.
"""

# ruff: noqa: E501 - a row is an order, and is read across

from datetime import UTC, time, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest

from andante.domain.picture import Composition, Delivery, EnergyKind, EnergyOrder, OrderState
from andante.rules.energy import (
    Pattern,
    day_amount,
    end_of,
    in_force,
    kcal_between,
    kcal_per_ml,
    present_pattern,
    present_rate,
    start_of,
)
from pictures import NOW, aspen, bolus, citrate, cyclic, d, diet, feed, h, nil_by_mouth, propofol, rate

BERLIN = ZoneInfo("Europe/Berlin")


def once(ml: str, ago: float | None, **more: object) -> Delivery:
    return Delivery(start=None if ago is None else h(ago), volume_ml=d(ml), **more)  # type: ignore[arg-type]


def given(*deliveries: Delivery, **more: object) -> EnergyOrder:
    return feed(deliveries=deliveries, since=60, **more)  # type: ignore[arg-type]


def mix(dextrose: str = "0", amino_acids: str = "0", lipid: str = "0", citrate_mmol: str = "0") -> Composition:
    return Composition(
        dextrose_g_ml=d(dextrose), amino_acids_g_ml=d(amino_acids), lipid_g_ml=d(lipid), citrate_mmol_ml=d(citrate_mmol)
    )


def bag(contents: Composition | None, **more: object) -> EnergyOrder:
    return feed("10", 40, density=None, kind=EnergyKind.PARENTERAL, composition=contents, **more)  # type: ignore[arg-type]


DENSITIES = [
    # order, kcal/mL, why not
    (feed(density="0.5"), "0.5", None),
    (feed(density="2.5"), "2.5", None),
    (feed(density="0.49"), None, "its energy density of 0.49 kcal/mL is not plausible"),
    (feed(density="2.51"), None, "its energy density of 2.51 kcal/mL is not plausible"),
    (feed(density="10"), None, "its energy density of 10 kcal/mL is not plausible"),
    (feed(density=None), None, "the order states no energy density"),
    (feed(density=None, problem="it is written in kJ"), None, "it is written in kJ"),
    (propofol("5"), "1.1", None),
    (bag(None), None, "the order does not state readably what it contains"),
    (bag(None, problem="it names no contents"), None, "it names no contents"),
    (bag(mix("0.5", "0.3", "0.2")), "5.1", None),  # 1 g of solids in a mL: the most that can be
    (bag(mix("0.5", "0.3", "0.21")), None, "what it is said to contain cannot be in a mL"),
    (bag(mix("-0.1", "0.3")), None, "what it is said to contain cannot be in a mL"),
    (bag(mix(citrate_mmol="-0.1")), None, "what it is said to contain cannot be in a mL"),
    (citrate("100", 30), "0.08024", None),
    (diet(kcal="1200"), None, "a diet order states no energy"),
    (nil_by_mouth(20), "0", None),
]


@pytest.mark.parametrize(("order", "density", "why"), DENSITIES)
def test_the_energy_of_a_ml(order: EnergyOrder, density: str | None, why: str | None) -> None:
    found, said = kcal_per_ml(order, aspen().energy)
    assert said == why
    assert found == (None if density is None else d(density)) or order.kind is EnergyKind.PARENTERAL
    assert (found is None) is (why is not None)


_CANNOT = "a rate or volume is missing, zero, negative, or its schedule cannot be summed"
_LENGTH = "each time is without a length, or lasts longer than the time to the next"
H = timedelta(hours=1)

REFUSED = [
    # order, why it cannot be summed
    (feed("30", max_ml="0"), "its most per day is zero or negative"),
    (feed("30", max_ml="-1"), "its most per day is zero or negative"),
    (given(Delivery(start=h(5), problem="the rate is a range")), "the rate is a range"),
    (feed(deliveries=(Delivery(rate_ml_h=d(30)),), since=None), "the order states no start"),
    (given(Delivery(start=h(5))), _CANNOT),
    (given(rate("0", 5)), _CANNOT),
    (given(rate("-1", 5)), _CANNOT),
    (given(Delivery(start=h(5), rate_ml_h=d(30), volume_ml=d(0))), _CANNOT),
    (given(Delivery(start=h(5), rate_ml_h=d(30), volume_ml=d(100))), "it states both a rate and a volume: how long it runs is left open"),
    (given(Delivery(start=h(5), volume_ml=d(100), every=timedelta(0))), _CANNOT),
    (given(Delivery(start=h(5), volume_ml=d(100), every=-H)), _CANNOT),
    (given(Delivery(start=h(5), volume_ml=d(1), every=timedelta(days=1) / 2001)), _CANNOT),
    (given(Delivery(start=h(5), rate_ml_h=d(30), every=12 * H)), _LENGTH),
    (given(Delivery(start=h(5), rate_ml_h=d(30), every=12 * H, duration=timedelta(0))), _LENGTH),
    (given(Delivery(start=h(5), rate_ml_h=d(30), every=12 * H, duration=12.5 * H)), _LENGTH),
    (given(Delivery(start=h(5), rate_ml_h=d(30), times_of_day=(time(8), time(20)), duration=13 * H)), _LENGTH),
    (given(), "the order states no rate or volume"),
    (feed("30", density=None), "the order states no energy density"),
    (feed("30", problem="it is on two forms"), "it is on two forms"),
    (feed("0", problem="it is on two forms"), "it is on two forms"),
    (feed(density="10", problem="it is on two forms"), "its energy density of 10 kcal/mL is not plausible"),
]  # fmt: skip


@pytest.mark.parametrize(("order", "why"), REFUSED)
def test_an_order_that_cannot_be_summed_says_why_and_is_never_zero(order: EnergyOrder, why: str) -> None:
    energy = aspen().energy
    now = day_amount(order, energy, at=NOW, zone=UTC, frozen=True)
    to_come = day_amount(order, energy, at=NOW, zone=UTC, frozen=False)
    before = kcal_between(order, energy, opens=h(24), closes=NOW, zone=UTC)
    assert (now.kcal, to_come.kcal, before.kcal, before.ml) == (None, None, None, None)
    assert (now.problem, to_come.problem) == (why, why)
    assert before.problem == (_CANNOT if why == "it is on two forms" and order.deliveries[0].rate_ml_h == 0 else why)


NOW_AND_TO_COME = [
    # order, mL a day as it runs now, mL over the coming 24 h
    (feed("30"), 720, 720),
    (feed("30", max_ml="500"), 500, 500),
    (feed("30", max_ml="720"), 720, 720),
    (feed("30", max_ml="1"), 1, 1),
    (feed("30", -6, ordered=2), 0, 540),
    (feed("30", -24, ordered=2), 0, 0),
    (feed("30", 40, until=-6), 720, 720),  # the last stage runs on: it does not look smaller before it is renewed
    (feed("30", 40, until=6), 0, 0),
    (feed("30", 40, until=0), 0, 0),
    (feed("30", 0), 720, 720),  # begins now
    (given(rate("20", 40), rate("30", -12)), 480, 600),
    (given(rate("20", 40, -6), rate("30", -12)), 480, 480),  # nothing runs in between
    (given(rate("20", 40), rate("30", 12)), 720, 720),
    (given(rate("20", 40), rate("30", 40)), 1200, 1200),  # two at once
    (given(Delivery(rate_ml_h=d(20)), rate("30", 12)), 720, 720),  # the first from the order's own time
    (given(Delivery(rate_ml_h=d(20)), rate("30", -12)), 480, 600),
    (given(bolus("100", 4)), 600, 600),
    (given(bolus("100", 4, until=-8)), 600, 600),
    (given(bolus("100", 5)), 480, 500),
    (given(bolus("100", 24, 40)), 100, 100),
    (given(bolus("100", 24, 0)), 100, 100),
    (given(bolus("100", 24, -24)), 0, 0),
    (given(bolus("100", 8, -20)), 0, 100),
    (given(bolus("100", 4), rate("10", 40)), 840, 840),
    (given(bolus("100", 4), rate("10", 40, 6)), 600, 600),
    (given(rate("10", 40), cyclic("50", 10, time(20))), 740, 740),  # a plain rate beside a night's feed
    (given(Delivery(start=h(5), volume_ml=d(1), every=timedelta(days=1) / 2000)), 2000, 2000),  # as often as can be meant
    (given(bolus("100", 4, until=6), bolus("50", 4, 6)), 300, 300),
    (given(bolus("100", 4, until=-12), bolus("50", 4, -12)), 600, 450),
    (given(cyclic("50", 10, time(20))), 500, 500),
    (given(cyclic("50", 10, time(0))), 500, 500),
    (given(Delivery(start=h(40), rate_ml_h=d(50), every=12 * H, duration=6 * H)), 600, 600),
    (given(Delivery(start=h(40), rate_ml_h=d(50), every=12 * H, duration=12 * H)), 1200, 1200),
    (given(Delivery(start=h(40), rate_ml_h=d(50), times_of_day=(time(8), time(20)), duration=12 * H)), 1200, 1200),
    (given(Delivery(start=h(40), volume_ml=d(200), times_of_day=(time(8), time(13), time(8)))), 400, 400),
    (given(Delivery(start=h(-6), volume_ml=d(200), times_of_day=(time(8), time(13), time(19)))), 0, 200),
    (given(Delivery(start=h(40), end=h(-6), volume_ml=d(200), times_of_day=(time(8), time(13), time(19))), rate("10", -1)), 600, 630),
    (given(once("250", 2)), 250, 0),  # a single dose counts for the day after it was given
    (given(once("250", 24)), 0, 0),
    (given(once("250", 23.9)), 250, 0),
    (given(once("250", 0)), 250, 250),
    (given(once("250", -3)), 0, 250),
    (given(once("250", -24)), 0, 0),
    (given(once("250", -3), rate("10", 40)), 240, 490),
    (feed(deliveries=(once("250", None),), since=None, ordered=2), 250, 0),
    (feed(deliveries=(Delivery(rate_ml_h=d(30)),), since=None, ordered=2), 720, 720),
    (nil_by_mouth(20), 0, 0),
]  # fmt: skip


@pytest.mark.parametrize(("order", "now", "to_come"), NOW_AND_TO_COME)
def test_what_an_order_gives_a_day_now_and_over_the_coming_day(order: EnergyOrder, now: int, to_come: int) -> None:
    energy = aspen().energy
    present = day_amount(order, energy, at=NOW, zone=UTC, frozen=True)
    coming = day_amount(order, energy, at=NOW, zone=UTC, frozen=False)
    assert (present.ml, coming.ml) == (now, to_come)
    if not order.nil_by_mouth:
        assert (present.kcal, coming.kcal, present.problem, coming.problem) == (now, to_come, None, None)


def test_an_unknown_density_leaves_the_volume_known() -> None:
    amount = day_amount(feed("30", density=None), aspen().energy, at=NOW, zone=UTC, frozen=True)
    assert (amount.ml, amount.kcal) == (720, None)


BETWEEN = [
    # order, hours before now from and until which, mL
    (feed("30"), 24, 0, 720),
    (feed("30", 12), 24, 0, 360),
    (feed("30", 12, until=6), 24, 0, 180),
    (feed("30", 40, state=OrderState.ENDED, ended=20), 24, 0, 120),
    (feed("30", 40, state=OrderState.PAUSED, ended=12), 24, 0, 360),
    (feed("30", max_ml="500"), 24, 0, 500),
    (feed("30", max_ml="500"), 48, 0, 1000),
    (feed("30", max_ml="500"), 12, 0, 360),  # a part of a day is not held to a part of the cap
    (feed("30", -1, ordered=2), 24, 0, 0),
    (given(rate("20", 40), rate("30", 12)), 24, 0, 600),
    (given(rate("20", 40, 18), rate("30", 12)), 24, 0, 480),
    (given(Delivery(rate_ml_h=d(20)), rate("30", 12)), 24, 0, 600),
    (given(rate("20", 40), once("100", 6)), 24, 0, 580),
    (given(bolus("100", 4, 40)), 24, 0, 600),
    (given(bolus("100", 4, 40, until=12)), 24, 0, 300),
    (given(bolus("100", 4, 40)), 23, 0, 500),  # not counted anew from the instant that is asked
    (given(bolus("100", 4, 40), rate("10", 12)), 24, 0, 720),
    (given(cyclic("50", 10, time(20), 60)), 24, 0, 500),
    (given(cyclic("50", 10, time(20), 60), state=OrderState.ENDED, ended=7), 24, 0, 250),  # ended in the night
    (given(cyclic("50", 10, time(20), 60)), 8, 0, 300),  # from midnight: the last six hours of the night's feed
    (feed(deliveries=(Delivery(rate_ml_h=d(30)),), since=None, ordered=12), 24, 0, 360),
    (given(once("100", 6)), 24, 0, 100),
    (given(once("100", 24)), 24, 0, 100),
    (given(once("100", 25)), 24, 0, 0),
    (given(once("100", 0)), 24, 0, 0),
    (given(once("100", 6), state=OrderState.ENDED, ended=8), 24, 0, 0),
    (given(once("100", 6), state=OrderState.ENDED, ended=6), 24, 0, 100),
    (
        given(Delivery(start=h(60), end=h(24), volume_ml=d(200), times_of_day=(time(8),))),
        24,
        0,
        0,
    ),  # ended as it would have been given
    (given(Delivery(start=h(60), end=h(23.9), volume_ml=d(200), times_of_day=(time(8),))), 24, 0, 200),
]


@pytest.mark.parametrize(("order", "opens", "closes", "ml"), BETWEEN)
def test_what_an_order_would_have_given_between_two_instants(
    order: EnergyOrder, opens: float, closes: float, ml: int
) -> None:
    amount = kcal_between(order, aspen().energy, opens=h(opens), closes=h(closes), zone=UTC)
    assert (amount.ml, amount.kcal, amount.problem) == (ml, ml, None)


def test_the_last_day_of_a_window_is_one_of_the_hospital() -> None:
    """00:15 in Berlin is 23:15 UTC, on the day before."""
    night = given(Delivery(start=h(60), volume_ml=d(200), times_of_day=(time(0, 15),)))
    assert kcal_between(night, aspen().energy, opens=h(20), closes=h(8.5), zone=BERLIN).ml == 200


def test_more_doses_than_can_be_meant_are_not_summed() -> None:
    often = given(Delivery(start=h(60), volume_ml=d(1), every=timedelta(days=1) / 2000))
    assert kcal_between(often, aspen().energy, opens=h(24), closes=NOW, zone=UTC).ml == 2000
    amount = kcal_between(often, aspen().energy, opens=h(25), closes=NOW, zone=UTC)
    assert (amount.ml, amount.kcal, amount.problem) == (None, None, _CANNOT)


def test_nil_by_mouth_is_no_energy_whatever_else_it_lacks() -> None:
    for frozen in (True, False):
        amount = day_amount(nil_by_mouth(20), aspen().energy, at=NOW, zone=UTC, frozen=frozen)
        assert (amount.ml, amount.kcal, amount.problem) == (0, 0, None)


def test_a_schedule_of_times_follows_the_clock_of_the_hospital() -> None:
    """In winter 06:00 in Berlin is 05:00 UTC: of the night's feed that ends then, 03:00 UTC on leaves 2 h."""
    night = given(cyclic("50", 10, time(20), 60))
    amount = kcal_between(night, aspen().energy, opens=h(5), closes=NOW, zone=BERLIN)
    assert amount.ml == 100


PATTERNS = [
    # order, hours a day, boluses a day, mL/h, mL, capped
    (feed("30"), (24, 0, "30", None, False)),
    (feed("30", max_ml="720"), (24, 0, "30", None, False)),
    (feed("30", max_ml="719"), (24, 0, "30", None, True)),
    (given(cyclic("50", 10, time(20))), (10, 0, "50", None, False)),
    (given(bolus("100", 4)), (24, 6, None, "100", False)),
    (given(bolus("100", 4), max_ml="600"), (24, 6, None, "100", False)),
    (given(bolus("100", 4), max_ml="599"), (24, 6, None, "100", True)),
    (feed("30", -6, ordered=2), (24, 0, "30", None, False)),
    (given(rate("20", 40), rate("30", -6)), (24, 0, "20", None, False)),
    (given(rate("20", 40), rate("30", 40)), None),
    (given(rate("20", 40), bolus("100", 4)), None),
    (given(rate("20", 40), once("100", 50)), None),
    (given(once("100", 2)), None),
    (feed("0"), None),
]


@pytest.mark.parametrize(("order", "pattern"), PATTERNS)
def test_the_one_way_in_which_an_order_gives(order: EnergyOrder, pattern: tuple | None) -> None:  # type: ignore[type-arg]
    found = present_pattern(order, NOW)
    if pattern is None:
        assert found is None
        return
    hours, boluses, ml_h, ml, capped = pattern
    assert found == Pattern(
        hours=Decimal(hours),
        boluses=Decimal(boluses),
        rate=None if ml_h is None else d(ml_h),
        bolus=None if ml is None else d(ml),
        capped=capped,
    )
    assert found.capped is capped


RATES = [
    (feed("30"), "30"),
    (given(rate("20", 40), rate("30", 40)), None),
    (given(bolus("100", 4)), None),
    (given(bolus("100", 4), rate("10", 40)), "10"),
    (feed("30", 40, until=1), None),
]


@pytest.mark.parametrize(("order", "ml_h"), RATES)
def test_the_pump_rate_in_force(order: EnergyOrder, ml_h: str | None) -> None:
    assert present_rate(order, NOW) == (None if ml_h is None else d(ml_h))


RUNS = [
    # order, when it begins and ends (hours before now), whether it runs now
    (feed("30", 5), 5, None, True),
    (feed("30", 0), 0, None, True),
    (feed("30", -1, ordered=2), -1, None, False),
    (feed("30", 5, until=0), 5, 0, False),
    (feed("30", 5, until=-1), 5, -1, True),
    (feed("30", 5, until=-1, state=OrderState.ENDED, ended=1), 5, 1, False),
    (feed("30", 5, until=2, state=OrderState.ENDED, ended=1), 5, 2, False),
    (feed("30", 5, state=OrderState.ENDED), 5, 5, False),
    (feed("30", 5, until=2, state=OrderState.PAUSED), 5, 2, False),
    (feed("30", 5, state=OrderState.PLANNED), 5, None, False),
    (feed("30", 5, ended=1), 5, None, True),  # in force: an instant of an earlier pause does not end it
    (given(rate("20", 8, 4), rate("30", 4, 2)), 8, 2, False),
    (given(rate("20", 8, 4), rate("30", 4)), 8, None, True),
    (given(Delivery(rate_ml_h=d(20)), rate("30", 4, 2)), 4, None, True),
    (given(), 60, None, True),
]


@pytest.mark.parametrize(("order", "begins", "ends", "runs"), RUNS)
def test_when_an_order_runs(order: EnergyOrder, begins: float, ends: float | None, runs: bool) -> None:
    assert (start_of(order), end_of(order)) == (h(begins), None if ends is None else h(ends))
    assert in_force(order, NOW) is runs
