"""What was eaten before feeding, weights, draws to come, increases and vitamins: limits that no other table asks for.

60 kg: the need is 1800 kcal/day. The limits and windows of intake and weight loss are those of ASPEN 2020 as the
protocol file cites them; how records that overlap, touch or are not final are read is common practice, no source.
"""

# ruff: noqa: E501 - a row is a chart, and is read across

import time as clock
from datetime import datetime, time, tzinfo
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from andante.domain.advice import CriterionView, NoticeCode
from andante.domain.picture import (
    EnergyOrder,
    Firmness,
    Intake,
    IntakeKind,
    LabOrder,
    LabOrderState,
    LabResult,
    OrderState,
    Vitamin,
    VitaminOrder,
)
from andante.rules.facts import order_facts, written_words
from andante.rules.history import place_ends
from andante.rules.situation import take_in
from pictures import (
    ALL,
    MG,
    NOW,
    VITAMINS,
    K,
    P,
    advise,
    aspen,
    bolus,
    d,
    days_without_intake,
    dose,
    draw,
    feed,
    goal,
    h,
    lab,
    lab_order,
    picture,
    rate,
    vitamin,
    weight,
)

DAY = 24
PROVISIONAL = Firmness.PROVISIONAL
BERLIN, NEW_YORK = ZoneInfo("Europe/Berlin"), ZoneInfo("America/New_York")

# --------------------------------------------------------------------------- as the chart writes it

WRITTEN = [
    # a result, as it is told
    (lab(MG, "2.1", unit="mg/dL"), "2.1 mg/dL, 0.86 mmol/L"),
    (lab(MG, "2.1", unit="mg/dL", written="2.1 mg/dL (0.86 mmol/L)"), "2.1 mg/dL (0.86 mmol/L)"),  # said once
    (lab(MG, "2.1", unit="mg/dL", written="2.1 mg/dL (0.9 mmol/L)"), "2.1 mg/dL (0.9 mmol/L), 0.86 mmol/L"),
    (lab(K, "4.0"), "4.0 mmol/L"),
]


@pytest.mark.parametrize(("result", "words"), WRITTEN)
def test_a_level_that_the_chart_writes_in_mmol_too_is_not_said_twice(result: LabResult, words: str) -> None:
    assert written_words(result) == words


INSTRUCTIONS = [
    # length of a free-text instruction, whether it is cut
    (299, False),
    (300, False),
    (301, True),
]


@pytest.mark.parametrize(("length", "is_cut"), INSTRUCTIONS)
def test_an_instruction_is_cut_after_300_signs(length: int, is_cut: bool) -> None:
    chart = picture(feed("30", 60, instruction="x" * length), draw(80), draw(5))
    (fact,) = order_facts(take_in(chart, aspen(), NOW))
    shown = "x" * 300 + "… (longer in the chart)" if is_cut else "x" * length
    assert fact.value.split("instruction: ")[1] == shown


# --------------------------------------------------------------------------- the course


FEEDS = [
    # order, whether a course runs
    (feed("10", 60, state=OrderState.ENDED), False),  # ended, nobody knows when: it proves nothing given
    (feed(deliveries=(bolus("1", 24, 60),), since=60), True),  # 1 kcal a day, for the gut
    (feed(deliveries=(bolus("0.5", 24, 60),), since=60), True),
]


@pytest.mark.parametrize(("order", "fed"), FEEDS)
def test_the_smallest_feed_is_a_feed(order: EnergyOrder, fed: bool) -> None:
    course = take_in(picture(order, draw(80), draw(5)), aspen(), NOW).course
    assert (course.feeding, course.started) == ((True, h(60)) if fed else (False, None))


NEXT_FEED = [
    # start of another feed (hours ago), until when one that ended 90 h ago or later is taken to have run
    (1, 1),
    (0, 0),  # begins now
    (-1, 90),  # to come: it proves nothing
]


@pytest.mark.parametrize(("start", "ended"), NEXT_FEED)
def test_a_feed_that_begins_now_ends_the_one_before(start: float, ended: float) -> None:
    (old, _) = place_ends((feed("10", 90, state=OrderState.ENDED), feed("30", start, ordered=5)), NOW)
    assert old.ended == h(ended)


# --------------------------------------------------------------------------- next to nothing eaten


def share(percent: str, start: float, end: float, **more: Any) -> Intake:
    fields = {"source": f"Observation/{percent}-{start}", **more}
    return Intake(kind=IntakeKind.SHARE_OF_NEED, amount=d(percent), start=h(start), end=h(end), **fields)


def kcal(amount: str | None, start: float, end: float, source: str = "Observation/1") -> Intake:
    energy = None if amount is None else d(amount)
    return Intake(kind=IntakeKind.ENERGY, amount=energy, start=h(start), end=h(end), source=source)


def each_day(amount: str, start: float, end: float, days: int = 6, source: str = "Observation/1") -> tuple[Intake, ...]:
    """One record a day, from so many to so many hours before the end of the day."""
    return tuple(kcal(amount, DAY * n + start, DAY * n + end, f"{source}{n}") for n in range(days))


def criterion(name: str, *items: object, **fields: Any) -> CriterionView:
    said = advise(*items, draw(5), at_risk=False, **fields)
    return next(c for c in said.risk.criteria if c.id == name)


UNKNOWN = "days of nil or negligible intake not stated"

NIL = [
    # chart, what is said of days without intake
    pytest.param((share("5", 240, 120), share("60", 120, 110), share("5", 110, 0)), "5 days of", id="a meal between them"),
    pytest.param((share("5", 240, 120), share("60", 120, 110, firmness=PROVISIONAL), share("5", 110, 0)), "10 days of", id="a meal by a record that is not final proves nothing"),
    pytest.param((share("5", 240, 120), share("5", 116, 110), share("5", 105, 0)), "10 days of", id="three records with gaps: none breaks the run"),
    pytest.param((share("5", 240, 120), share("60", 110, 100), share("5", 110, 0)), "10 days of", id="a meal within the second record, from its first moment: contradictory, and it hides no danger"),
    pytest.param((share("5", 240, 120), share("60", 110.1, 100), share("5", 110, 0)), "5 days of", id="a meal that began in the gap breaks it"),
    pytest.param((share("5", 300, 90), share("5", 280, 250), share("5", 80, 0)), "12.5 days of", id="a short record within a long one does not end it"),
    pytest.param((share("5", 300, 250), share("5", 280, 250), share("5", 80, 0)), UNKNOWN, id="two short ones do: 80 h since, 50 h before"),
    pytest.param(each_day("0", 24, 0), "6 days of", id="six days of no energy"),
    pytest.param(each_day("-100", 24, 0), UNKNOWN, id="less than none is a slip, not nothing"),
    pytest.param(each_day("0", 20, 20), UNKNOWN, id="meals of no length are none"),
    pytest.param(each_day("0", 20.5, 20), "6 days of", id="meals of half an hour are"),
    pytest.param((kcal(None, 48, 24, "Observation/0"), each_day("0", 24, 0)), "6 days of", id="a record that cannot be read hides none that follow"),
    pytest.param((each_day("180", 22, 20, source="Observation/a"), each_day("0", 16, 14, source="Observation/b")), "6 days of", id="180 kcal and an empty plate are 10 %"),
    pytest.param((each_day("180", 22, 20, source="Observation/a"), each_day("1", 16, 14, source="Observation/b")), UNKNOWN, id="181 kcal are more"),
    pytest.param((days_without_intake("6", 48), feed("10", 30, state=OrderState.ENDED)), "8 days of", id="a feed that ended, nobody knows when, proves nothing given: the statement goes on"),
    pytest.param((days_without_intake("6", 48), feed("1", 36, state=OrderState.ENDED, ended=30)), "6 days of", id="one that ran for six hours does, however slow"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "words"), NIL)
def test_days_without_intake(chart: tuple[object, ...], words: str) -> None:
    found = criterion("intake", chart)
    assert found.text.startswith(words), found.text
    assert (found.state == "unknown") is (words == UNKNOWN)


GOES_ON = [
    # stated so many hours ago, whole days it went on until feeding began 60 h ago (None: no sum is needed)
    (59, None),  # stated since
    (60, None),  # as feeding began
    (61, "0 d"),
    (84, "1 d"),
]


@pytest.mark.parametrize(("ago", "days"), GOES_ON)
def test_a_statement_goes_on_in_whole_days_until_feeding_began(ago: float, days: str | None) -> None:
    sums = criterion("intake", days_without_intake("6", ago), feed("30", 60)).working
    assert [w.result for w in sums if w.result.endswith(" d")] == ([] if days is None else [days])


def test_of_two_spells_with_one_start_the_one_that_ended_first_is_told_first() -> None:
    short, long = share("5", 168, 48, source="Observation/2"), share("0", 168, 24, source="Observation/1")
    assert [f.value for f in criterion("intake", short, long).facts] == ["5 % of the need", "0 % of the need"]
    short, long = share("0", 168, 48, source="Observation/2"), share("5", 168, 24, source="Observation/1")
    assert [f.value for f in criterion("intake", short, long).facts] == ["0 % of the need", "5 % of the need"]


# --------------------------------------------------------------------------- less than the need

NEED = "intake below the need"

REDUCED = [
    # chart, what is said of an intake below the need, level or state
    pytest.param((share("40", 320, 168),), f"{NEED}: 40 % of it over 6.3 days", "severe", id="ended a week ago"),
    pytest.param((share("40", 320, 168.1),), f"{NEED}: no record of more than 5 days", "unknown", id="ended more than a week ago"),
    pytest.param((share("60", 200, 0), share("40", 190, 0)), f"{NEED}: 40 % of it over 7.9 days", "severe", id="of two that overlap the lower, though it began later"),
    pytest.param((share("40", 200, 0), share("60", 210, 0)), f"{NEED}: 40 % of it over 8.3 days", "severe", id="or earlier"),
    pytest.param((share("40", 300, 165), share("40", 165, 10, firmness=PROVISIONAL)), f"{NEED}: 40 % of it over 5.6 days", "severe", id="the same share with and without what is not final: the shorter time"),
    pytest.param((share("49", 150, 10), share("20", 290, 150, firmness=PROVISIONAL)), f"{NEED}: 34 % of it over 11.7 days", "severe", id="a lower share over a longer time"),
    pytest.param((share("49", 150, 10), share("50", 290, 150, firmness=PROVISIONAL)), f"{NEED}: 49 % of it over 5.8 days", "severe", id="a higher one hides nothing"),
    pytest.param((share("40", 144, 0, firmness=PROVISIONAL, source="Observation/1"), share("40", 144, 0, source="Observation/2")), f"{NEED}: 40 % of it over 6 days", "severe", id="one record twice, once not yet final"),
    pytest.param((days_without_intake("6", 150), share("60", 150, 6)), f"{NEED}: 30 % of it over 12 days", "severe", id="six days of nothing and six of 60 %: 30 %, no more"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "words", "level"), REDUCED)
def test_intake_below_the_need(chart: tuple[object, ...], words: str, level: str) -> None:
    found = criterion("reduced-intake", *chart)
    assert (found.text, found.level or found.state) == (words, level)


def test_of_two_records_that_overlap_the_empty_one_counts() -> None:
    """A cup of tea of 1 kcal beside a plate left untouched, as the interim sum of the same hours."""
    tea = each_day("1", 22, 14, source="Observation/a")
    plate = each_day("0", 20, 16, source="Observation/b")
    assert [f.value for f in criterion("intake", tea, plate).facts] == ["0 kcal"] * 6


# --------------------------------------------------------------------------- weight

EARLIER = [
    # a weight of 60 kg taken so many days before the present one of 60 kg, whether it rules a loss over 92 days out
    (46.1, True),
    (46, True),  # half of the window exactly
    (45.9, False),
    (45.6, False),
]


@pytest.mark.parametrize(("days", "rules_out"), EARLIER)
def test_a_weight_of_the_older_half_of_the_window_can_rule_a_loss_out(days: float, rules_out: bool) -> None:
    others = (weight("60", 20 + DAY * 25), weight("60", 20 + DAY * 170))
    found = criterion("weight-loss", weight("60", 20 + DAY * days), *others)
    assert found.state == ("not-met" if rules_out else "unknown")


def test_of_two_losses_alike_the_reference_decides() -> None:
    for first, second in ((80, 60), (60, 80)):
        found = criterion("weight-loss", weight("66", DAY * first), weight("66", DAY * second))
        assert found.text == "weight loss 9.1 % to 60 kg"
        assert found.facts[0].when == h(DAY * first)


# --------------------------------------------------------------------------- draws to come


def ahead(*items: object, now: datetime = NOW, zone: tzinfo = BERLIN) -> bool:
    """Whether somebody is told that a draw will be due and none is ordered."""
    said = advise(feed("30", 40), draw(62), VITAMINS, *items, now=now, zone=zone)
    return NoticeCode.LAB_GAP_AHEAD in [n.code for n in said.notices]


def ordered_from(ago: float) -> LabOrder:
    """An order for one draw that says from when, and not when it was written."""
    return LabOrder(analytes=frozenset(ALL), state=LabOrderState.ACTIVE, first=h(ago), source="ServiceRequest/1")


WANTED = [
    # lab order beside a draw of 5 h ago, whether the next draw is told as not ordered
    ((), True),
    ((lab_order(authored=4.9),), False),
    ((lab_order(authored=5),), True),  # that draw was it
    ((ordered_from(4.9),), False),
    ((ordered_from(5),), True),
]


@pytest.mark.parametrize(("orders", "told"), WANTED)
def test_a_draw_wanted_at_once_is_open_until_it_is_drawn(orders: tuple[LabOrder, ...], told: bool) -> None:
    assert ahead(draw(5), *orders) is told


CLOCKS = [
    # zone, now, last draw, order from (hours before NOW, 6 March 08:00 UTC), times of day, whether the draw due is told as not ordered
    pytest.param(NEW_YORK, -14, -8, -17, (time(23),), False, id="from 20:00, due at 23:00 of that day: the 7th in Greenwich"),
    pytest.param(NEW_YORK, -14, -8, -17, (time(19),), True, id="from 20:00, daily at 19:00: tomorrow"),
    pytest.param(BERLIN, -6, -1.5, -6, (time(0, 15),), False, id="due at 22:30, drawn at 00:15 of the 7th: the 6th in Greenwich"),
    pytest.param(BERLIN, -6, -1.5, -6, (time(0, 45),), True, id="at 00:45: more than the grace of 2 h after"),
]  # fmt: skip


@pytest.mark.parametrize(("zone", "now", "drawn", "first", "times", "told"), CLOCKS)
def test_the_days_of_draws_are_those_of_the_hospital_and_not_of_the_machine(
    zone: ZoneInfo, now: float, drawn: float, first: float, times: tuple[time, ...], told: bool
) -> None:
    try:
        with pytest.MonkeyPatch.context() as machine:
            machine.setenv("TZ", "UTC")
            clock.tzset()
            assert ahead(draw(drawn), lab_order(first=first, daily_at=times), now=h(now), zone=zone) is told
    finally:
        clock.tzset()


# --------------------------------------------------------------------------- vitamins, increases, what to check

THIAMINE = Vitamin.THIAMINE


def in_a_row(*references: str) -> tuple[VitaminOrder, ...]:
    """Three orders for thiamine that follow each other, with these references."""
    times = ((50, -24), (-30, -70), (-80, -120))
    return tuple(
        VitaminOrder(
            vitamin=THIAMINE, state=OrderState.ACTIVE, daily_mg=d(100), start=h(start), end=h(end), source=reference
        )
        for (start, end), reference in zip(times, references, strict=True)
    )


@pytest.mark.parametrize("references", ["abc", "acb", "cba", "bac"])
def test_orders_that_follow_each_other_are_one_course_whatever_their_references(references: str) -> None:
    said = advise(feed("30", 40), draw(62), draw(5), in_a_row(*references), vitamin(Vitamin.MULTIVITAMIN))
    assert [n.topic for n in said.notices if n.code == NoticeCode.MICRONUTRIENT] == []
    short = advise(feed("30", 40), draw(62), draw(5), in_a_row(*references)[:2], vitamin(Vitamin.MULTIVITAMIN))
    assert [n.topic for n in short.notices if n.code == NoticeCode.MICRONUTRIENT] == ["thiamine-ending-early"]


AT_ONCE = [
    # references of a feed that steps up in 3 h and of one that begins then, what is told first
    ("a", "b", "to 40 mL/h, 960 kcal/day"),
    ("b", "a", "a further enteral feed order begins, 240 kcal/day"),
]


@pytest.mark.parametrize(("stepping", "beginning", "words"), AT_ONCE)
def test_of_a_stage_and_an_order_at_one_instant_the_reference_decides(
    stepping: str, beginning: str, words: str
) -> None:
    stages = feed(deliveries=(rate("30", 60), rate("40", -3)), since=60, source=f"NutritionOrder/{stepping}")
    further = feed("10", -3, ordered=2, source=f"NutritionOrder/{beginning}")
    said = advise(stages, further, draw(80), draw(5, p="0.70"), VITAMINS)
    (text,) = [n.text for n in said.notices if n.topic == "scheduled-increase"]
    assert text.startswith(f"Energy is scheduled to rise by itself Thu 6 Mar 11:00 ({words}), then ")


def test_what_has_no_reference_is_told_without_one() -> None:
    said = advise(feed("30", 60), draw(80), draw(5), VITAMINS, goal("1800"), kg=None)
    (notice,) = [n for n in said.notices if n.code == NoticeCode.DATA_QUALITY]
    assert (notice.text, notice.evidence) == ("Please check the chart: no usable weight is charted.", ())


# --------------------------------------------------------------------------- difficult to correct

OLD_LOWS = [
    # hours ago of the last of four low phosphates with two doses between them, and nothing since; the rule
    (5, "difficult-to-correct"),
    (168, "difficult-to-correct"),  # a week ago
    (168.1, "evidence-gap"),  # it says nothing about today: a draw is wanted, not a cut
]


@pytest.mark.parametrize(("last", "rule"), OLD_LOWS)
def test_lows_of_more_than_a_week_ago_are_no_reason_to_cut(last: float, rule: str) -> None:
    lows = tuple(lab(P, "0.70", last + 12 * n) for n in range(4))
    doses = (dose(P, ago=last + 30), dose(P, ago=last + 20))
    assert advise(feed("30", 400), draw(420), lows, doses, VITAMINS).advice.rule == rule
