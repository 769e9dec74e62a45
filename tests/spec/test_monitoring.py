"""When the next draw is due, whether anyone ordered it, which stage failed, and whom to tell."""

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from andante.domain.advice import Assessment, GapStage, Notice
from andante.domain.picture import OrderState
from andante.rules.situation import take_in
from pictures import (
    ALL,
    MG,
    NOW,
    K,
    P,
    advise,
    aspen,
    collection,
    d,
    dose,
    draw,
    feed,
    goal,
    h,
    lab,
    lab_order,
    nice,
    picture,
    rate,
    with_number,
)

BEFORE = draw(62)


def due(said: Assessment) -> set[object]:
    return {v.next_due for v in said.analytes}


def gaps(said: Assessment) -> list[Notice]:
    return [n for n in said.notices if n.code in ("lab-gap", "lab-gap-ahead")]


INTERVALS = [
    # orders, draws, hours between draws
    pytest.param(feed("75", 71.9), draw(5), 12, id="71.9 h after the start: every 12 h"),
    pytest.param(feed("75", 72), draw(5), 24, id="72 h after the start, in range, fed: every 24 h"),
    pytest.param(feed("56.25", 100), draw(5), 24, id="75 % of the goal exactly is adequate energy"),
    pytest.param(feed("56.2", 100), draw(5), 12, id="just under 75 % of the goal is not"),
    pytest.param(feed("75", 100), draw(5, p="0.79"), 12, id="one low: every 12 h"),
    pytest.param(feed("75", 100), draw(5, k="5.4"), 12, id="one high: every 12 h"),
    pytest.param(feed("75", 100, density=None), draw(5), 12, id="energy not known: every 12 h"),
    pytest.param(
        (feed(deliveries=(rate("20", 200), rate("75", 71)), since=200), goal("2300")),
        draw(5),
        12,
        id="71 h after a jump: every 12 h",
    ),
    pytest.param(
        (feed(deliveries=(rate("20", 200), rate("75", 73)), since=200), goal("2300")),
        draw(5),
        24,
        id="73 h after a jump: daily",
    ),
    pytest.param(
        (feed("75", 300, state=OrderState.ENDED, ended=100), feed("75", 70)),
        draw(5),
        12,
        id="70 h after a restart: every 12 h",
    ),
]


@pytest.mark.parametrize(("orders", "drawn", "every"), INTERVALS)
def test_how_often_to_draw(orders: object, drawn: object, every: int) -> None:
    assert due(advise(orders, BEFORE, drawn)) == {h(5 - every)}


def test_nice_draws_daily_from_the_start() -> None:
    assert due(advise(feed("30", 40), BEFORE, draw(5), protocol=nice())) == {h(-19)}


def test_what_was_never_drawn_or_cannot_be_used_is_due_now() -> None:
    assert due(advise(feed("30", 40), BEFORE, tuple(lab(a, None, 5) for a in ALL))) == {NOW}


RECHECKS = [
    # analyte, hours since the dose, hours until its recheck: 2 h for potassium, 6 h for phosphate and magnesium
    pytest.param(K, 4, 2, id="potassium 2 h after the dose"),
    pytest.param(P, 4, 6, id="phosphate 6 h after the dose"),
]


@pytest.mark.parametrize(("analyte", "given", "after"), RECHECKS)
def test_a_replacement_is_followed_by_an_earlier_draw(analyte: object, given: float, after: float) -> None:
    said = advise(feed("30", 40), BEFORE, draw(5), dose(analyte, ago=given))  # type: ignore[arg-type]
    assert next(v for v in said.analytes if v.analyte is analyte).next_due == h(given - after)


def test_magnesium_is_rechecked_after_6_h_and_a_dose_before_the_last_draw_asks_for_nothing() -> None:
    late = advise(feed("75", 100), BEFORE, draw(5), dose(MG, ago=4))
    assert next(v for v in late.analytes if v.analyte is MG).next_due == h(4 - 6)
    past = advise(feed("30", 40), BEFORE, draw(5), dose(K, ago=8))
    assert next(v for v in past.analytes if v.analyte is K).next_due == h(5 - 12)
    long = advise(feed("30", 40), BEFORE, draw(5), dose(P, ago=4.5, ended=1))
    assert next(v for v in long.analytes if v.analyte is P).next_due == h(1 - 6)


# --------------------------------------------------------------------------- late

OLD = draw(20)  # due since 8 h
LATE = [
    # what else is charted, stage, whom to tell
    pytest.param((), "not-ordered", "prescriber", id="no draw is ordered"),
    pytest.param((lab_order(authored=6, ended=True),), "not-ordered", "prescriber", id="the order has ended"),
    pytest.param((lab_order(authored=30),), "not-ordered", "prescriber", id="the order was answered by the last draw"),
    pytest.param((lab_order(authored=6),), "not-collected", "nurse", id="wanted at once for 6 h, not collected"),
    pytest.param((lab_order(planned=(3,)),), "not-collected", "nurse", id="planned 3 h ago, not collected"),
    pytest.param((lab_order(planned=(-3.9,)),), "not-collected", "nurse", id="planned within one needle (4 h)"),
    pytest.param((lab_order(planned=(-4,)),), "not-collected", "nurse", id="planned in 4 h exactly"),
    pytest.param((lab_order(planned=(-4.1,)),), "not-ordered", "prescriber", id="planned only in 4.1 h: too late"),
    pytest.param((lab_order(first=40, every=12),), "not-collected", "nurse", id="repeating every 12 h, one missed"),
    pytest.param(
        (lab_order(authored=6), collection(ago=3)), "no-result", "laboratory", id="collected 3 h ago, no result"
    ),
    pytest.param(
        (collection(ago=19),), "not-ordered", "prescriber", id="a result 1 h after its collection belongs to it"
    ),
    pytest.param((collection(ago=18.9),), "no-result", "laboratory", id="a result 1.1 h after a collection does not"),
    pytest.param((collection(ago=30),), "not-ordered", "prescriber", id="a specimen older than the last draw"),
    pytest.param(
        (tuple(lab(a, None, 3) for a in ALL),), "unusable", "laboratory", id="a result came and cannot be read"
    ),
    pytest.param(
        (lab(K, "4.4", 3, haemolysed=True), lab(P, "1.2", 3, haemolysed=True), lab(MG, "0.9", 3, haemolysed=True)),
        "unusable",
        "nurse",
        id="haemolysed: nothing to put right in the laboratory",
    ),
    pytest.param(
        tuple(lab(a, v, 3, provisional=True) for a, v in ((K, "4.0"), (P, "1.0"), (MG, "0.8"))),
        "no-result",
        "laboratory",
        id="preliminary: the final result is awaited",
    ),
]


@pytest.mark.parametrize(("chart", "stage", "tell"), LATE)
def test_a_gap_says_which_stage_failed_and_whom_to_tell(chart: tuple[object, ...], stage: str, tell: str) -> None:
    found = gaps(advise(feed("30", 40), BEFORE, OLD, chart))
    assert [(n.code.value, n.stage, n.tell.value) for n in found] == [("lab-gap", stage, tell)]
    assert found[0].analytes == ALL


def test_each_stage_is_told_separately() -> None:
    said = advise(feed("30", 40), BEFORE, OLD, lab_order(K, authored=6), collection(P, ago=3))
    assert {(n.stage, n.analytes) for n in gaps(said)} == {
        (GapStage.NOT_COLLECTED, (K,)),
        (GapStage.NO_RESULT, (P,)),
        (GapStage.NOT_ORDERED, (MG,)),
    }


GRACE = [
    pytest.param(13.9, False, id="1.9 h late: within the grace"),
    pytest.param(14, False, id="2 h late exactly"),
    pytest.param(14.1, True, id="2.1 h late: told"),
]


@pytest.mark.parametrize(("ago", "told"), GRACE)
def test_a_late_draw_is_told_after_the_grace(ago: float, told: bool) -> None:
    found = gaps(advise(feed("30", 40), BEFORE, draw(ago), lab_order(planned=(0,))))
    assert bool(found) is told


# --------------------------------------------------------------------------- ahead: the night watch

AHEAD = [
    # feed and draws, orders, told ahead
    pytest.param(draw(5), (), True, id="due in 7 h, nothing ordered"),
    pytest.param(draw(5), (lab_order(planned=(-7,)),), False, id="ordered for the hour it is due"),
    pytest.param(draw(5), (lab_order(planned=(-3,)),), False, id="ordered one needle (4 h) before it is due"),
    pytest.param(draw(5), (lab_order(planned=(-2.9,)),), True, id="ordered too early to be that draw"),
    pytest.param(draw(5), (lab_order(planned=(-9,)),), False, id="ordered 2 h after it is due: within the grace"),
    pytest.param(draw(5), (lab_order(planned=(-9.1,)),), True, id="ordered later than the grace"),
    pytest.param(draw(5), (lab_order(first=5, every=12),), False, id="a repeating order covers it"),
    pytest.param(draw(5), (lab_order(authored=2),), False, id="wanted at once, not yet drawn"),
    pytest.param(draw(5), (lab_order(authored=2, ended=True),), True, id="the order has ended"),
    pytest.param(draw(5), (lab_order(K, P, planned=(-7,)),), True, id="magnesium is not ordered"),
]


@pytest.mark.parametrize(("drawn", "orders", "told"), AHEAD)
def test_a_draw_that_nobody_ordered_is_told_in_the_evening(
    drawn: object, orders: tuple[object, ...], told: bool
) -> None:
    found = gaps(advise(feed("30", 40), BEFORE, drawn, orders))
    assert [(n.code.value, n.stage, n.tell.value) for n in found] == (
        [("lab-gap-ahead", "not-ordered", "prescriber")] if told else []
    )


LOOKAHEAD = [
    pytest.param(12, True, id="due in 12 h exactly: told"),
    pytest.param(11.9, False, id="due in 12.1 h: not yet"),
]


@pytest.mark.parametrize(("ago", "told"), LOOKAHEAD)
def test_how_far_the_night_watch_looks(ago: float, told: bool) -> None:
    """Daily draws: due 24 h after the last."""
    assert bool(gaps(advise(feed("75", 100), BEFORE, draw(ago)))) is told


def test_analytes_due_together_are_asked_for_in_one_draw() -> None:
    found = gaps(advise(feed("30", 40), BEFORE, draw(5)))
    assert len(found) == 1
    assert found[0].analytes == ALL
    assert "one draw" in found[0].text


def test_a_silent_patient_gets_no_notice() -> None:
    assert advise(feed("30", 40), at_risk=False, person=picture().person.__class__()).notices == ()


def test_monitoring_numbers_come_from_the_protocol() -> None:
    sooner = with_number(aspen(), "monitoring.early_interval", "6")
    assert take_in(picture(feed("30", 40), draw(5)), sooner, NOW).every.total_seconds() == d(6) * 3600


COMING = [
    pytest.param((lab_order(planned=(-9,)),), [], id="nothing drawn, ordered for the morning: no stage has failed"),
    pytest.param((lab_order(planned=(-12.1,)),), ["not-ordered"], id="ordered only beyond the look-ahead"),
    pytest.param((lab_order(planned=(1,)),), ["not-collected"], id="planned an hour ago, not collected"),
    pytest.param((), ["not-ordered"], id="nobody ordered a draw"),
]


@pytest.mark.parametrize(("orders", "stages"), COMING)
def test_before_feeding_a_draw_that_is_ordered_for_later_is_no_gap(
    orders: tuple[object, ...], stages: list[str]
) -> None:
    said = advise(orders)
    assert said.advice.code == "draw-first"
    assert [n.stage for n in gaps(said)] == stages


def test_while_feeding_a_draw_ordered_only_for_the_morning_is_told() -> None:
    assert [n.stage for n in gaps(advise(feed("30", 40), BEFORE, OLD, lab_order(planned=(-9,))))] == ["not-ordered"]


def test_a_draw_dated_in_the_future_came_but_cannot_be_used() -> None:
    said = advise(feed("30", 40), BEFORE, OLD, draw(-24))
    assert [(n.stage, n.tell.value) for n in gaps(said)] == [("unusable", "laboratory")]


# --------------------------------------------------------------------------- nights on which the clocks change

BERLIN = ZoneInfo("Europe/Berlin")
CHANGES = [
    # the evening before the night, in UTC, and hours to 05:00 on the wall
    pytest.param(datetime(2025, 3, 29, 19, tzinfo=UTC), 8, id="forward: 20:00 to 05:00 is 8 h"),
    pytest.param(datetime(2025, 10, 25, 18, tzinfo=UTC), 10, id="back: 20:00 to 05:00 is 10 h"),
]


@pytest.mark.parametrize(("evening", "ahead"), CHANGES)
def test_a_daily_order_stays_on_the_wall_clock_in_the_night_the_clocks_change(evening: datetime, ahead: int) -> None:
    """An interval of 24 h would put the draw an hour off from that night on."""
    shift = (NOW - evening) / timedelta(hours=1)
    morning = evening + timedelta(hours=ahead)
    order = lab_order(first=shift + 60, daily_at=(time(5),), until=shift - ahead)  # it ends with that very draw
    fed = feed("30", shift + 40)
    charted = (draw(shift + 60), draw(shift - ahead + 12))
    said = advise(fed, charted, order, zone=BERLIN, now=evening)
    assert next(v.next_due for v in said.analytes) == morning
    assert gaps(said) == []
    late = advise(fed, charted, lab_order(first=shift + 60, daily_at=(time(10, 30),)), zone=BERLIN, now=evening)
    assert [n.code.value for n in gaps(late)] == ["lab-gap-ahead"]


BEGUN = [
    # how long ago potassium and the others were drawn (due 12 h later), what the night watch says
    pytest.param(11, 11, "Potassium, phosphate and magnesium will be due Thu 6 Mar 09:00 and no", id="in an hour"),
    pytest.param(12, 12, "Potassium, phosphate and magnesium have been due since Thu 6 Mar 08:00 and no", id="now"),
    pytest.param(
        13, 13, "Potassium, phosphate and magnesium have been due since Thu 6 Mar 07:00 and no", id="in grace"
    ),
    pytest.param(
        13,
        11,
        "Potassium has been due since Thu 6 Mar 07:00; phosphate and magnesium will be due Thu 6 Mar 09:00, and no",
        id="one of them",
    ),
]


@pytest.mark.parametrize(("first", "rest", "says"), BEGUN)
def test_what_is_due_already_is_not_called_still_to_come(first: float, rest: float, says: str) -> None:
    drawn = (lab(K, "4.0", first), lab(P, "1.00", rest), lab(MG, "0.80", rest))
    [found] = gaps(advise(feed("30", 40), BEFORE, drawn))
    assert found.code.value == "lab-gap-ahead"
    assert found.text.startswith(f"{says} draw is ordered."), found.text
