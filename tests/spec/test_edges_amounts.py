"""What is kept, brought down, cut or sized, and when a cut counts as made: both sides of every limit.

60 kg: goal 1800, a step 594 kcal/day, 150 g dextrose on the first day, glucose at most 5 mg/kg/min (18 g/h).
1 kcal/mL unless said otherwise; parenteral nutrition 0.71 kcal/mL with 0.15 g dextrose.
"""

# ruff: noqa: E501 - a row is a chart, and is read across

from datetime import time

import pytest

from andante.domain.picture import EnergyKind, EnergyOrder, FindingKind, IntakeKind, OrderState
from andante.rules.amounts import keep_present
from andante.rules.situation import Situation, take_in
from andante.rules.sizing import Vehicle, dextrose_g_day, dextrose_g_h, increment_kcal, size
from pictures import (
    NOW,
    VITAMINS,
    P,
    advise,
    aspen,
    bolus,
    citrate,
    cyclic,
    d,
    delivered,
    dextrose_drip,
    diet,
    draw,
    feed,
    finding,
    goal,
    h,
    lab,
    nice,
    parenteral,
    picture,
    planned,
    propofol,
    rate,
    with_choice,
    with_number,
)

FINE = (draw(80), draw(5))


def situation(*items: object, **fields: object) -> Situation:
    return take_in(picture(*items, **fields), aspen(), NOW)


def stages(*deliveries: object, **more: object) -> EnergyOrder:
    return feed(deliveries=deliveries, since=60, **more)  # type: ignore[arg-type]


# --------------------------------------------------------------------------- kept, and brought down

KEPT = [
    # chart, kcal/day, mL/h, what is said
    pytest.param((feed("30", 60),), 720, "30", (), id="as it runs"),
    pytest.param((feed("75", 60),), 1800, "75", (), id="the goal exactly"),
    pytest.param((feed("80", 60),), 1800, "75", ("brought down from 1920 kcal/day, which is above 1800 kcal/day",), id="above the goal"),
    pytest.param((feed("40", 10),), 840, "35", ("brought down from 960 kcal/day, which is above 900 kcal/day",), id="above the first day's allowance"),
    pytest.param((feed("37.5", 10),), 900, "37.5", (), id="the first day's allowance exactly"),
    pytest.param((feed("40", 24),), 960, "40", (), id="day 2 has no allowance"),
    pytest.param((feed("80", 10), goal("800")), 720, "30", ("brought down from 1920 kcal/day, which is above 800 kcal/day",), id="day 1: the lower of goal and allowance"),
    pytest.param((feed("50", 60), feed("40", 60), goal("1500")), 1440, "20", ("brought down from 2160 kcal/day, which is above 1500 kcal/day",), id="two feeds: the larger gives way"),
    pytest.param((feed("50", 60), feed("40", 60), goal("900")), 900, None, ("brought down from 2160 kcal/day, which is above 900 kcal/day", "several feeds together; stopping one of them is not enough"), id="two feeds: one is not enough"),
    pytest.param((feed("70", 60), propofol("10", 60)), 1704, "60", ("brought down from 1944 kcal/day, which is above 1800 kcal/day",), id="sedation stays: 264 of it"),
    pytest.param((feed("70", 60), propofol("40", 60), goal("1000")), 1056, "0", ("brought down from 2736 kcal/day, which is above 1000 kcal/day",), id="sedation alone is above the goal: the feed stops"),
    pytest.param((diet(60, kcal="2000"), delivered("100", kind=IntakeKind.SHARE_OF_MEALS)), 1800, None, ("brought down from 2000 kcal/day, which is above 1800 kcal/day",), id="eaten: no pump to set"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "kcal", "ml_h", "said"), KEPT)
def test_what_is_kept(chart: tuple[object, ...], kcal: int, ml_h: str | None, said: tuple[str, ...]) -> None:
    kept = keep_present(situation(chart, FINE))
    assert kept is not None
    assert (kept.kcal, kept.rate_ml_h, kept.said) == (kcal, None if ml_h is None else d(ml_h), said)


IN_DOUBT = [
    # chart with a level that is low, kcal/day, mL/h, what is said. By steps: 900 on day 1, 1494 on day 2, 2088 on day 3.
    pytest.param((feed("60", 40),), 1440, "60", (), id="day 2, within a step of the first day's allowance"),
    pytest.param((feed("62.25", 24),), 1494, "62.25", (), id="day 2: the allowance and a step exactly"),
    pytest.param((feed("65", 47.9),), 1440, "60", ("brought down from 1560 kcal/day, which is above 1494 kcal/day, the first day's allowance and a step in each step interval since",), id="day 2: more than steps can have come to"),
    pytest.param((feed("75", 48),), 1800, "75", (), id="day 3: two steps would be past the goal"),
    pytest.param((stages(rate("30", 60), rate("75", 23)),), 1200, "50", ("brought down from 1800 kcal/day, which is above 1314 kcal/day, a step above the 720 kcal/day before the rise",), id="a rise of 1080 within a day: to one step above what ran"),
    pytest.param((stages(rate("30", 60), rate("75", 24)),), 1800, "75", (), id="the same a day ago"),
    pytest.param((stages(rate("30", 60), rate("54.75", 23)),), 1314, "54.75", (), id="a rise of one step exactly"),
    pytest.param((stages(rate("30", 60), rate("300", 23)),), 1200, "50", ("brought down from 7200 kcal/day, which is above 1314 kcal/day, a step above the 720 kcal/day before the rise",), id="a slip of the pen: to one step above what ran, not to the goal"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "kcal", "ml_h", "said"), IN_DOUBT)
def test_what_is_kept_in_doubt(chart: tuple[object, ...], kcal: int, ml_h: str, said: tuple[str, ...]) -> None:
    for low in (draw(5, p="0.75"), draw(5, p=None)):  # known to be low, or not known
        advice = advise(chart, draw(80), low).advice
        assert advice.code == "hold"
        assert (advice.kcal, advice.rate_ml_h) == (kcal, d(ml_h)), advice.headline
    kept = keep_present(situation(chart, draw(80), draw(5, p="0.75")), in_doubt=True)
    assert kept is not None
    assert (kept.kcal, kept.rate_ml_h, kept.said) == (kcal, d(ml_h), said)


def test_a_fall_inside_the_range_is_a_doubt_too() -> None:
    advice = advise(feed("75", 40), draw(62, p="1.20"), draw(5, p="0.90")).advice
    assert (advice.rule, advice.kcal) == ("falling", 1440)


def test_a_site_that_holds_at_a_critical_level_brings_a_jump_down_to_a_step() -> None:
    chart = stages(rate("30", 60), rate("75", 3)), draw(80, k="3.5"), draw(5, k="2.5")
    advice = advise(*chart, protocol=with_choice(aspen(), "critical_low", "hold")).advice
    assert advice.headline.endswith("; keep at most 50 mL/h (1200 kcal/day)")


def test_a_feed_above_the_goal_is_brought_down_to_what_steps_can_have_come_to() -> None:
    advice = advise(feed("420", 40), FINE).advice
    assert advice.rule == "over-goal"
    assert advice.headline.startswith("Bring down from 420 to 60 mL/h")


def test_under_a_cap_the_cap_is_what_the_feed_brings() -> None:
    kept = keep_present(situation(feed("60", 60, max_ml="700"), propofol("10", 60), FINE))
    assert kept is not None
    assert (kept.kcal, kept.feed_kcal, kept.ml_day, kept.rate_ml_h) == (964, 700, 700, 60)


def test_what_is_not_known_is_not_kept_at_a_figure() -> None:
    assert keep_present(situation(feed("30", 60, density=None), FINE)) is None


def test_energy_of_several_feeds_is_not_brought_down_from_the_rate_of_one() -> None:
    """50 and 40 mL/h above a goal of 900 kcal/day: the figure is for both together."""
    said = advise(feed("50", 60), feed("40", 60), goal("900"), draw(80), draw(10, p="0.75")).advice
    assert said.headline.startswith("Bring down to 900 kcal/day: ")


CUTS = [
    # chart, what is said first, kcal/day
    pytest.param((stages(rate("10", 60), rate("75", 3)), draw(80), draw(10, k="2.4")), "halve from 75 to 30 mL/h (720 kcal/day)", 720, id="after a jump: by half, and to a step above what ran"),
    pytest.param((stages(rate("10", 60), rate("300", 22), rate("75", 19)), draw(80), draw(20, k="2.4"), draw(5, k="2.45")), "already cut: bring down from 75 to 30 mL/h (720 kcal/day)", 720, id="cut by half from a jump: to a step above what ran"),
    pytest.param((feed("60", 60), draw(80), draw(10, p="0.30")), "halve from 60 to 30 mL/h (720 kcal/day)", 720, id="halved"),
    pytest.param((feed("80", 60), draw(80), draw(10, p="0.30")), "halve from 80 to 40 mL/h (960 kcal/day)", 960, id="to more than a first day allows: it is none"),
    pytest.param((stages(rate("60", 60), rate("30", 10)), draw(80), draw(10, p="0.30")), "halve from 30 to 15 mL/h (360 kcal/day)", 360, id="it was 30 when the level was drawn"),
    pytest.param((stages(rate("60", 60), rate("30", 9.9)), draw(80), draw(10, p="0.30")), "already cut: keep 30 mL/h (720 kcal/day)", 720, id="cut a moment after"),
    pytest.param((stages(rate("60", 60), rate("31", 9.9)), draw(80), draw(10, p="0.30")), "halve from 31 to 15 mL/h (360 kcal/day)", 360, id="cut by less than half"),
    pytest.param((stages(rate("60", 60), rate("30", 9)), propofol("10", 60), draw(80), draw(10, p="0.30")), "already cut: keep 30 mL/h (720 kcal + 264 from elsewhere = 984 kcal/day)", 984, id="sedation is not counted in the cut"),
    pytest.param((stages(rate("60", 60), rate("30", 8)), draw(80), draw(20), lab(P, "0.30", None, reported=h(5))), "halve from 30 to 15 mL/h (360 kcal/day)", 360, id="a result of no date: since it was reported"),
    pytest.param((stages(rate("60", 60), rate("30", 5)), draw(80), draw(10, p=None), lab(P, "0.30", 10, reported=h(3))), "already cut: keep 30 mL/h (720 kcal/day)", 720, id="since it was drawn, not since it was reported"),
    pytest.param((stages(rate("60", 60), rate("30", 10)), draw(80), draw(20, p="0.30"), draw(3, k="2.4", p="0.31")), "already cut: keep 30 mL/h (720 kcal/day)", 720, id="of two dangers since the earlier"),
    pytest.param((stages(rate("60", 60), rate("30", 9)), draw(80), draw(14, p="0.31"), draw(5, p="0.30")), "already cut: keep 30 mL/h (720 kcal/day)", 720, id="cut since the first of two"),
    pytest.param((stages(rate("60", 60), rate("30", 10)), draw(80), lab(P, "0.30", None), draw(20, p=None)), "already cut: keep 30 mL/h (720 kcal/day)", 720, id="a result of no date: since the course began"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "words", "kcal"), CUTS)
def test_a_cut_is_made_once(chart: tuple[object, ...], words: str, kcal: int) -> None:
    advice = advise(chart, VITAMINS).advice
    assert (advice.rule, advice.kcal) == ("urgent-review", kcal)
    assert advice.headline.split("; ")[-1] == words


STOPS = [
    # chart, kcal/day that remain where a site stops at a critical level
    pytest.param((feed("60", 60),), 0, id="a feed"),
    pytest.param((feed("60", 60), propofol("10", 60)), 264, id="sedation stays"),
    pytest.param((diet(60, kcal="1200"), delivered("100", kind=IntakeKind.SHARE_OF_MEALS)), 0, id="a diet"),
    pytest.param((stages(rate("60", 60), rate("20", 1)),), 0, id="a feed that was cut already"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "kcal"), STOPS)
def test_a_site_may_stop_the_feed(chart: tuple[object, ...], kcal: int) -> None:
    advice = advise(chart, draw(80), draw(3, p="0.30"), protocol=with_choice(aspen(), "critical_low", "stop")).advice
    assert advice.headline.endswith("; stop the feed")
    assert advice.kcal == kcal


def test_before_feeding_nothing_is_cut() -> None:
    lows = (draw(39, p="0.70"), draw(27, p="0.70"), draw(3, p="0.70"))
    assert advise(planned("30"), lows).advice.rule == "low-before-feeding"


# --------------------------------------------------------------------------- what carries the energy


VEHICLES = [
    # orders, the rate or bolus that would be changed (None: no one way), hours, boluses, other energy of the day
    pytest.param((feed("30", 60),), "30", 24, 0, 0, id="a feed"),
    pytest.param((feed("30", 60), feed("40", 60)), "40", 24, 0, 720, id="of two the larger"),
    pytest.param((stages(rate("30", 60), rate("60", -4)), feed("35", 60)), "35", 24, 0, 720, id="by what runs now, not what is to come"),
    pytest.param((feed("10", 60), parenteral("60", 60)), "10", 24, 0, d("1022.4"), id="by tube before by vein"),
    pytest.param((stages(bolus("100", 4)),), "100", 24, 6, 0, id="boluses"),
    pytest.param((stages(cyclic("60", 10, time(20))),), "60", 10, 0, 0, id="a feed by night"),
    pytest.param((feed("30", 60), diet(60, kcal="1000"), delivered("60", kind=IntakeKind.SHARE_OF_MEALS)), "30", 24, 0, 600, id="beside what is eaten"),
    pytest.param((feed("30", 60), propofol("10", 60), citrate("100", 60)), "30", 24, 0, d("456.576"), id="beside drugs"),
    pytest.param((feed("30", 60), feed("10", 60, kind=EnergyKind.SUPPLEMENT)), "30", 24, 0, 240, id="beside a sip feed"),
    pytest.param((stages(rate("30", 60), rate("20", 60)),), None, 0, 0, 0, id="two rates at once"),
    pytest.param((feed("30", 60), feed("20", 60, density=None)), None, 0, 0, 0, id="another feed of unknown energy"),
    pytest.param((feed("30", 60, density=None),), None, 0, 0, 0, id="of unknown energy itself"),
    pytest.param((feed("30", 60), propofol(None, 60)), None, 0, 0, 0, id="beside a drug at an unknown rate"),
    pytest.param((diet(60),), None, 0, 0, 0, id="a diet"),
    pytest.param((parenteral("30", 1, dextrose="0", amino_acids="0", state=OrderState.PLANNED),), None, 0, 0, 0, id="a bag of nothing"),
    pytest.param((planned("40"),), "40", 24, 0, 0, id="planned"),
    pytest.param((planned(None),), "-", 24, 0, 0, id="planned without a rate: 24 h a day are taken"),
    pytest.param((planned(None, deliveries=(rate("30", 1), rate("20", 1))),), None, 0, 0, 0, id="planned with two rates"),
    pytest.param((), "-", 24, 0, 0, id="nothing ordered: a standard feed"),
]  # fmt: skip


@pytest.mark.parametrize(("orders", "amount", "hours", "boluses", "fixed"), VEHICLES)
def test_which_order_would_be_changed(orders, amount, hours, boluses, fixed) -> None:  # type: ignore[no-untyped-def]
    found = situation(*orders, FINE).vehicle
    if amount is None:
        assert found is None
        return
    assert found is not None
    given = found.bolus if found.boluses else found.rate
    assert given == (None if amount == "-" else d(amount))
    assert (found.hours, found.boluses, found.fixed_kcal) == (hours, boluses, fixed)


def test_a_planned_order_of_two_rates_starts_nobody() -> None:
    assert advise(planned(None, deliveries=(rate("30", 1), rate("20", 1))), draw(5)).advice.rule == "start-not-sizeable"


DEXTROSE = [
    # orders, g/h while it runs, g a day
    pytest.param((dextrose_drip("40", 60),), "2", 48, id="40 mL/h of 5 %"),
    pytest.param((propofol("10", 60), dextrose_drip("40", 60)), "2", 48, id="after a drug that holds none"),
    pytest.param((dextrose_drip("40", 60, percent="10"), parenteral("20", 60)), "7", 168, id="a drip and a bag"),
    pytest.param((dextrose_drip("0", 60, deliveries=(bolus("250", 6),)),), "2.083", 50, id="four times 250 mL of 5 %: by the hour what they come to"),
    pytest.param((dextrose_drip("0", 60, deliveries=(bolus("250", 5),)),), "2.5", 60, id="every 5 h: 4.8 times a day"),
    pytest.param((dextrose_drip("0", 60, deliveries=(cyclic("100", 12, time(20)),)),), "5", 60, id="by night: at its rate"),
    pytest.param((dextrose_drip("0", 60, deliveries=(rate("20", 60), rate("30", 60))),), "2.5", 60, id="two rates at once"),
    pytest.param((dextrose_drip("0", 60, deliveries=(bolus("0", 6),)), dextrose_drip("40", 60)), "2", 48, id="beside one that cannot be summed"),
    pytest.param((citrate("100", 60),), "0", 0, id="citrate"),
    pytest.param((feed("40", 60),), "0", 0, id="by tube"),
]  # fmt: skip


@pytest.mark.parametrize(("orders", "by_hour", "by_day"), DEXTROSE)
def test_dextrose_by_vein(orders: tuple[EnergyOrder, ...], by_hour: str, by_day: int) -> None:
    chart = picture()
    assert round(dextrose_g_h(orders, NOW, aspen().energy, chart), 3) == d(by_hour)
    assert dextrose_g_day(orders, NOW, aspen().energy, chart) == by_day


def test_what_runs_by_vein_beside_a_bag_is_counted_by_the_hour_and_by_the_day() -> None:
    night = dextrose_drip("0", 60, deliveries=(cyclic("100", 12, time(20)),))
    found = situation(parenteral("30", 60), night, propofol("5", 60), FINE).vehicle
    assert found is not None
    assert (found.dextrose_g_ml, found.fixed_dextrose_g_h, found.fixed_dextrose_g_day) == (d("0.15"), 5, 60)
    two = situation(parenteral("30", 60), parenteral("20", 60), FINE).vehicle
    assert two is not None
    assert (two.fixed_dextrose_g_h, two.fixed_dextrose_g_day) == (3, 72)


# --------------------------------------------------------------------------- sizing


def vehicle(*orders: object, **fields: object) -> Vehicle:
    found = situation(*orders, FINE, **fields).vehicle
    assert found is not None
    return found


SIZES = [
    # the order, target kcal/day, more than, mL/h or mL a bolus (None: nothing fits), said
    pytest.param(feed("30", 60), "960", "30", "40", (), id="960 at 1 kcal/mL"),
    pytest.param(feed("30", 60), "959", "30", "35", (), id="rounded down to 5 mL/h"),
    pytest.param(feed("30", 60), "839", "30", "34", ("rounded down to whole mL, since steps of 5 mL would swallow the increase",), id="to whole mL/h where 5 would swallow it"),
    pytest.param(feed("30", 60), "743", "30", None, (), id="less than 1 mL/h more"),
    pytest.param(feed("30", 60), "744", "30", "31", ("rounded down to whole mL, since steps of 5 mL would swallow the increase",), id="1 mL/h more"),
    pytest.param(feed("30", 60), "24", None, "1", ("rounded down to whole mL, since steps of 5 mL would swallow the increase",), id="1 mL/h in all"),
    pytest.param(feed("30", 60), "23", None, None, (), id="less than 1 mL/h in all"),
    pytest.param(feed("30", 60, max_ml="960"), "960", "30", "40", (), id="as much as the order's cap"),
    pytest.param(feed("30", 60, max_ml="959"), "960", "30", "40", ("the order's own cap of 959 mL a day would have to change with it",), id="more than the order's cap"),
    pytest.param(stages(bolus("100", 4)), "960", "100", "160", (), id="six boluses"),
    pytest.param(stages(bolus("100", 4)), "959", "100", "155", (), id="rounded down to 5 mL a bolus"),
    pytest.param(stages(bolus("100", 4)), "629", "100", "104", ("rounded down to whole mL, since steps of 5 mL would swallow the increase",), id="to whole mL a bolus"),
    pytest.param(parenteral("30", 60), "1022.4", "30", "60", (), id="by vein"),
    pytest.param(parenteral("30", 60), "2100", "30", "120", ("bounded by the glucose infusion rate of 5 mg/kg/min",), id="by vein, at the ceiling: 18 g/h"),
    pytest.param(parenteral("30", 60), "2044.8", "30", "120", (), id="by vein, just at the ceiling"),
]  # fmt: skip


@pytest.mark.parametrize(("order", "target", "more_than", "amount", "said"), SIZES)
def test_the_largest_amount_within_a_target(
    order: EnergyOrder, target: str, more_than: str | None, amount: str | None, said: tuple[str, ...]
) -> None:
    found = size(
        d(target), vehicle(order), aspen(), more_than=None if more_than is None else d(more_than), dosing_kg=d(60)
    )
    if amount is None:
        assert found is None
        return
    assert found is not None
    given = found.bolus_ml if found.rate_ml_h is None else found.rate_ml_h
    assert (given, found.said) == (d(amount), said)
    assert found.target_kcal == d(target)


CAPPED = [
    # a feed of 60 mL/h under a cap, target kcal/day, kcal/day (None: nothing is left), the new cap in mL a day
    pytest.param((feed("60", 60, max_ml="700"),), 1000, 1000, 1000, id="the cap rises to the target"),
    pytest.param((feed("60", 60, max_ml="700"), propofol("10", 60)), 1000, 999, 735, id="less what sedation brings: 735 mL"),
    pytest.param((feed("60", 60, max_ml="700"), propofol("10", 60)), 264, None, None, id="sedation alone fills the target"),
    pytest.param((feed("60", 60, max_ml="700"), propofol("10", 60)), 268, None, None, id="less than 5 mL is left"),
    pytest.param((feed("60", 60, max_ml="700"), propofol("10", 60)), 269, 269, 5, id="5 mL is left"),
    pytest.param((feed("60", 60, max_ml="700", density="1.5"),), 1200, 1200, 800, id="a dense feed"),
]  # fmt: skip


@pytest.mark.parametrize(("orders", "target", "kcal", "ml"), CAPPED)
def test_under_a_cap_the_days_volume_is_what_changes(
    orders: tuple[EnergyOrder, ...], target: int, kcal: int | None, ml: int | None
) -> None:
    found = size(d(target), vehicle(*orders), aspen(), dosing_kg=d(60))
    assert (found and found.kcal) == kcal
    words = (f"at most {ml} mL a day, in place of the order's own cap; its rate stays",)
    assert (found and found.said) == (None if ml is None else words)


GRAMS = [
    # a bag of 0.15 g/mL at 0.71 kcal/mL, target kcal/day, what is said with 150 g a day allowed
    (parenteral("30", 60), "710", ()),  # 150 g exactly
    (parenteral("30", 60), "800", ("bounded by 150 g dextrose a day",)),
    (
        parenteral("30", 60, max_ml="700"),
        "710",
        ("at most 1000 mL a day, in place of the order's own cap; its rate stays",),
    ),
    (
        parenteral("30", 60, max_ml="700"),
        "800",
        ("at most 1000 mL a day, in place of the order's own cap; its rate stays",),
    ),
]


@pytest.mark.parametrize(("order", "target", "said"), GRAMS)
def test_the_days_dextrose_bounds_a_start_by_vein(order: EnergyOrder, target: str, said: tuple[str, ...]) -> None:
    found = size(d(target), vehicle(order), aspen(), dosing_kg=d(60), dextrose_limit_g=d(150))
    assert found is not None
    assert tuple(w.replace("Bounded", "bounded").rstrip(".") for w in found.said) == said


def test_what_a_drip_brings_is_taken_from_the_days_dextrose() -> None:
    """48 g of 150 come from the drip: 680 mL of 0.15 g/mL are left."""
    drip = dextrose_drip("20", 60, percent="10")
    capped = size(
        d(2000), vehicle(parenteral("60", 60, max_ml="700"), drip), aspen(), dosing_kg=d(60), dextrose_limit_g=d(150)
    )
    assert capped is not None
    assert capped.said[0].startswith("at most 680 mL a day")
    free = size(d(2000), vehicle(parenteral("60", 60), drip), aspen(), dosing_kg=d(60), dextrose_limit_g=d(150))
    assert free is not None
    assert free.rate_ml_h == 25  # 28.3 mL/h, rounded down


def test_a_bolus_has_an_increment_of_its_own() -> None:
    site = with_number(aspen(), "energy.bolus_increment", "20")
    assert [size(d(930), vehicle(order), site).kcal for order in (stages(bolus("100", 4)), feed("30", 60))] == [
        840,
        840,
    ]  # type: ignore[union-attr]
    assert size(d(930), vehicle(feed("30", 60)), with_number(aspen(), "energy.pump_increment", "20")).kcal == 480  # type: ignore[union-attr]


GLUCOSE_UNDER_A_CAP = [
    # a bag under a cap of 1000 mL a day, mL/h, whether it can be sized: 18 g/h is the ceiling
    (parenteral("119", 60, max_ml="1000"), True),
    (parenteral("120", 60, max_ml="1000"), True),
    (parenteral("121", 60, max_ml="1000"), False),
]


@pytest.mark.parametrize(("order", "fits"), GLUCOSE_UNDER_A_CAP)
def test_under_a_cap_the_rate_stays_and_must_keep_to_the_glucose_ceiling(order: EnergyOrder, fits: bool) -> None:
    assert (size(d(500), vehicle(order), aspen(), dosing_kg=d(60)) is not None) is fits
    assert size(d(500), vehicle(order), aspen(), dosing_kg=None) is not None


def test_a_feed_by_tube_is_not_bounded_by_the_glucose_beside_it() -> None:
    """50 % dextrose at 40 mL/h is 20 g/h, above the ceiling: said, but not the feed's to answer."""
    said = advise(feed("5", 60), dextrose_drip("40", 60, percent="50"), goal("2500"), FINE)
    assert said.advice.rule == "step-up"
    assert any(
        b.startswith("Glucose runs by vein at 5.6 mg/kg/min, above the ceiling of 5") for b in said.advice.because
    )
    capped = vehicle(feed("60", 60, max_ml="700"), dextrose_drip("40", 60, percent="50"))
    assert size(d(2500), capped, aspen(), dosing_kg=d(60)) is not None


INCREMENTS = [
    (feed("30", 60), 120),
    (feed("30", 60, density="1.5"), 180),
    (stages(bolus("100", 4)), 30),
    (stages(cyclic("60", 10, time(20))), 50),
]


@pytest.mark.parametrize(("order", "kcal"), INCREMENTS)
def test_the_energy_of_one_increment_of_the_pump(order: EnergyOrder, kcal: int) -> None:
    assert increment_kcal(vehicle(order), aspen()) == kcal


# --------------------------------------------------------------------------- starts that nobody makes


NOT_STARTED = [
    # chart beside a low phosphate, rule under NICE, which starts at its lowest while replacing
    pytest.param((planned("10"),), "start-while-low", id="planned"),
    pytest.param((planned("10"), goal(None)), "start-while-low", id="a goal that cannot be read: the one by weight"),
    pytest.param((planned("10"), goal("1.8")), "low-before-feeding", id="a goal that is a slip"),
    pytest.param((planned("10"), feed("50", None)), "low-before-feeding", id="an order that may be running"),
    pytest.param((planned(None, deliveries=(rate("30", 1), rate("20", 1))),), "low-before-feeding", id="two rates"),
    pytest.param((planned("10"), propofol("20")), "low-before-feeding", id="sedation fills the allowance"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "rule"), NOT_STARTED)
def test_a_start_while_low_is_sized_like_any_other(chart: tuple[object, ...], rule: str) -> None:
    assert advise(chart, draw(5, p="0.70"), VITAMINS, protocol=nice()).advice.rule == rule


def test_where_all_three_are_low_nothing_can_be_masked() -> None:
    said = advise(
        planned("10"), draw(5, k="3.3", p="0.70", mg="0.60"), finding(FindingKind.RENAL_IMPAIRMENT), protocol=nice()
    ).advice
    assert said.rule == "start-while-low"
    assert not any("hide depletion" in b for b in said.because)


def test_a_start_by_vein_keeps_to_the_days_dextrose_and_one_by_tube_has_none() -> None:
    """0.5 g/mL: 12.5 mL/h is 150 g a day."""
    bag = parenteral("30", 1, dextrose="0.5", amino_acids="0", state=OrderState.PLANNED)
    assert advise(bag, draw(5)).advice.rate_ml_h == 10
    assert advise(planned("30"), draw(5)).advice.dextrose_g is None


def test_a_high_does_not_hide_behind_a_step_that_does_not_fit() -> None:
    """2044.8 kcal/day by vein is at the ceiling of glucose; the goal is 2600."""
    said = advise(parenteral("120", 60), goal("2600"), draw(80), draw(5, k="5.4"), VITAMINS).advice
    assert said.rule == "no-room"
    assert any(b.startswith("Potassium 5.4 mmol/L, high") for b in said.because), said.because
