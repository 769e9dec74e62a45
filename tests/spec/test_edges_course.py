"""When feeding began, changed, jumped and stopped; what was taken in before it: both sides of every limit.

60 kg: goal 1800, a step 594 kcal/day within 24 h; a course ends after a pause of 24 h; a bag is changed within 2 h.
"""

# ruff: noqa: E501 - a row is a chart, and is read across

import pytest

from andante.domain.picture import EnergyOrder, IntakeKind, OrderState
from andante.rules.course import Course
from andante.rules.risk import judge
from andante.rules.situation import Situation, take_in
from pictures import (
    NOW,
    advise,
    aspen,
    bmi,
    d,
    days_without_intake,
    delivered,
    dextrose_drip,
    diet,
    draw,
    feed,
    h,
    nil_by_mouth,
    parenteral,
    picture,
    planned,
    propofol,
    rate,
)

ENDED, PAUSED = OrderState.ENDED, OrderState.PAUSED


def course(*items: object) -> Course:
    return take_in(picture(*items, draw(5)), aspen(), NOW).course


def stages(*deliveries: object, **more: object) -> EnergyOrder:
    return feed(deliveries=deliveries, since=60, **more)  # type: ignore[arg-type]


COURSES = [
    # orders, feeding, begun, day, paused since, of an earlier course
    pytest.param((feed("30", 40),), True, 40, 2, None, False, id="running"),
    pytest.param((feed("30", 24),), True, 24, 2, None, False, id="24 h: day 2"),
    pytest.param((feed("30", 23.9),), True, 23.9, 1, None, False, id="23.9 h: day 1"),
    pytest.param((feed("30", 0),), True, 0, 1, None, False, id="begins now"),
    pytest.param((feed("30", -1, ordered=1),), False, None, None, None, False, id="to come"),
    pytest.param((), False, None, None, None, False, id="nothing"),
    pytest.param((feed("30", 60, state=PAUSED, ended=23.9),), True, 60, 3, 23.9, False, id="off for 23.9 h"),
    pytest.param((feed("30", 60, state=PAUSED, ended=24),), False, None, None, None, True, id="off for 24 h: ended"),
    pytest.param((feed("30", 60, state=ENDED, ended=40), feed("30", 16.1)), True, 60, 3, None, False, id="off for 23.9 h, then on"),
    pytest.param((feed("30", 60, state=ENDED, ended=40), feed("30", 16)), True, 16, 1, None, True, id="off for 24 h, then on: a restart"),
    pytest.param((feed("30", 60, state=ENDED, ended=40), feed("30", 40)), True, 60, 3, None, False, id="one after the other"),
    pytest.param((diet(60), feed("30", 20)), True, 20, 1, None, False, id="the first feed after a diet is a start"),
    pytest.param((feed("30", 60, state=ENDED, ended=20), diet(20)), True, 60, 3, None, False, id="a diet after a feed goes on"),
    pytest.param((diet(60),), True, 60, 3, None, False, id="a diet alone"),
    pytest.param((nil_by_mouth(60),), False, None, None, None, False, id="nil by mouth"),
    pytest.param((nil_by_mouth(60), feed("30", 40)), True, 40, 2, None, False, id="nil by mouth, fed by tube"),
    pytest.param((propofol("10", 60),), False, None, None, None, False, id="a drug is no feed"),
    pytest.param((planned("30"),), False, None, None, None, False, id="signed by nobody"),
]  # fmt: skip


@pytest.mark.parametrize(("orders", "feeding", "begun", "day", "paused", "earlier"), COURSES)
def test_when_a_course_began_and_whether_it_goes_on(orders, feeding, begun, day, paused, earlier) -> None:  # type: ignore[no-untyped-def]
    found = course(*orders)
    assert (found.feeding, found.day, found.earlier_course) == (feeding, day, earlier)
    assert found.started == (None if begun is None else h(begun))
    assert found.paused_since == (None if paused is None else h(paused))
    kinds = [e.kind for e in found.exposures]
    assert kinds == ([] if not feeding else ["restart" if earlier else "start"])
    assert (found.last_change is None) is (not feeding)


JUMPS = [
    # stages of a feed, hours ago of each jump, from and to
    pytest.param((rate("20", 60), rate("44.75", 30)), [], id="480 to 1074: a step exactly"),
    pytest.param((rate("20", 60), rate("44.76", 30)), [], id="a quarter of a kcal more is the same"),
    pytest.param((rate("20", 60), rate("44.78", 30)), [(30, 480, "1074.72")], id="0.7 kcal more"),
    pytest.param((rate("20", 60), rate("35", 40), rate("50", 20)), [(20, 480, 1200)], id="two rises within a step interval"),
    pytest.param((rate("20", 60), rate("35", 44), rate("50", 20)), [], id="two rises a step interval apart"),
    pytest.param((rate("20", 60), rate("35", 43.9), rate("50", 20)), [(20, 480, 1200)], id="a moment less"),
    pytest.param((rate("20", 60), rate("50", 40), rate("75", 30)), [(40, 480, 1200), (30, 480, 1800)], id="two jumps"),
    pytest.param((rate("50", 60), rate("20", 40), rate("50", 20)), [(20, 480, 1200)], id="down and up again"),
    pytest.param((rate("50", 60), rate("20", 20)), [], id="down"),
]  # fmt: skip


@pytest.mark.parametrize(("deliveries", "jumps"), JUMPS)
def test_a_rise_of_more_than_a_step_within_a_step_interval_is_a_jump(deliveries, jumps) -> None:  # type: ignore[no-untyped-def]
    found = [e for e in course(stages(*deliveries)).exposures if e.kind == "jump"]
    assert [(e.at, e.kcal_before, e.kcal_after) for e in found] == [(h(ago), d(a), d(b)) for ago, a, b in jumps]


def test_a_drip_beside_the_feed_may_be_a_jump_and_one_exchanged_for_it_is_none() -> None:
    drip = dextrose_drip("160", 30, percent="10")  # 384 g × 3.4 kcal = 1305.6 kcal/day
    assert [e.at for e in course(feed("30", 60), drip).exposures if e.kind == "jump"] == [h(30)]
    before = dextrose_drip("160", 60, percent="10", state=ENDED, ended=30)
    assert [e.kind for e in course(before, feed("50", 30)).exposures] == ["start"]


CHANGES = [
    # orders, when the energy last changed (hours ago)
    pytest.param((feed("30", 60),), 60, id="at the start"),
    pytest.param((stages(rate("30", 60), rate("40", 20)),), 20, id="a step"),
    pytest.param((stages(rate("30", 60), rate("20", 20)),), 20, id="down"),
    pytest.param((stages(rate("30", 60), rate("30.02", 20)),), 60, id="half a kcal is none"),
    pytest.param((stages(rate("30", 60), rate("30.03", 20)),), 20, id="0.7 kcal is one"),
    pytest.param((feed("30", 60, state=ENDED, ended=30), feed("30", 10)), 60, id="off and on at the same rate"),
    pytest.param((feed("30", 60, state=ENDED, ended=30), feed("35", 10)), 10, id="off and on at another rate"),
    pytest.param((feed("30", 60, state=ENDED, ended=30), feed("30", 30, density="1.5")), 30, id="another density"),
    pytest.param((feed("30", 60), dextrose_drip("40", 20)), 20, id="a drip added"),
    pytest.param((feed("30", 60), dextrose_drip("40", 60)), 60, id="a drip from the start"),
    pytest.param((feed("30", 60), dextrose_drip("40", 80, state=ENDED, ended=20)), 60, id="a drip ended"),
    pytest.param((feed("30", 60, ordered=20),), 20, id="written after the start it states"),
    pytest.param((feed("30", 60, ordered=60),), 60, id="written as it began"),
    pytest.param((feed("30", 60, ordered=0),), 0, id="written now"),
    pytest.param((feed("30", 60, ordered=70),), 60, id="written before"),
]  # fmt: skip


@pytest.mark.parametrize(("orders", "ago"), CHANGES)
def test_when_the_energy_last_changed(orders: tuple[EnergyOrder, ...], ago: float) -> None:
    assert course(*orders).last_change == h(ago)


ENERGY = [
    # orders, present, ordered for the coming day, other, planned orders
    pytest.param((feed("30", 60),), 720, 720, 0, 0, id="a feed"),
    pytest.param((feed("30", 60), propofol("10", 60)), 984, 984, 264, 0, id="beside sedation"),
    pytest.param((stages(rate("30", 60), rate("40", -12)),), 720, 840, 0, 0, id="a stage to come"),
    pytest.param((feed("30", 60), feed("20", -12, ordered=2)), 720, 960, 0, 1, id="a further order to come"),
    pytest.param((feed("30", 60), feed("20", -24, ordered=2)), 720, 720, 0, 1, id="a further order a day ahead"),
    pytest.param((feed("30", 60), planned("20")), 720, 720, 0, 1, id="signed by nobody"),
    pytest.param((feed("30", 60), diet(60)), None, None, 0, 0, id="a diet of unknown energy"),
    pytest.param((feed("30", 60), diet(-2)), 720, None, 0, 0, id="a diet to come, of unknown energy"),
    pytest.param((feed("30", 60), nil_by_mouth(60)), 720, 720, 0, 0, id="nil by mouth beside a feed"),
    pytest.param((propofol("10"),), 264, 264, 264, 0, id="sedation alone"),
    pytest.param((propofol(None),), None, None, None, 0, id="sedation at an unknown rate"),
    pytest.param((feed("30", 60), feed("50", None)), None, 720, 0, 0, id="an order without a start may be running"),
    pytest.param((feed("30", 60, state=PAUSED, ended=5),), 720, 0, 0, 0, id="off for five hours: what it ran at"),
    pytest.param((stages(rate("20", 60), rate("40", 6), state=PAUSED, ended=5),), 960, 0, 0, 0, id="off: the last stage"),
    pytest.param((stages(rate("20", 60), rate("40", 5), state=PAUSED, ended=5),), 480, 0, 0, 0, id="off as the next stage began"),
    pytest.param((parenteral("30", 60),), d("511.2"), d("511.2"), 0, 0, id="by vein: 720 mL of 0.71 kcal"),
]  # fmt: skip


@pytest.mark.parametrize(("orders", "present", "ordered", "other", "plans"), ENERGY)
def test_the_energy_of_a_course(orders, present, ordered, other, plans) -> None:  # type: ignore[no-untyped-def]
    found = course(*orders)
    assert (found.present_kcal, found.other_kcal, len(found.planned)) == (present, other, plans)
    if found.paused_since is None:
        assert found.ordered_kcal == ordered


# --------------------------------------------------------------------------- before feeding

DAY = 24


def nil_words(*items: object) -> tuple[str, str]:
    """What the criterion of nil intake says, and its level or state."""
    view = next(c for c in advise(*items, draw(5), at_risk=False).risk.criteria if c.id == "intake")
    return view.text, view.level or view.state


def situation(*items: object) -> Situation:
    return take_in(picture(*items, draw(5)), aspen(), NOW)


STATED = [
    # chart, days
    ((days_without_intake("6", 0),), "6"),
    ((days_without_intake("6", 20),), "6"),  # not a whole day since
    ((days_without_intake("6", 24),), "7"),
    ((days_without_intake("6", 47.9),), "7"),
    ((days_without_intake("6", 48),), "8"),
    ((days_without_intake("6", 48), diet(30)), "6"),  # a diet was ordered since
    ((days_without_intake("6", 48), diet(-1)), "8"),
    ((days_without_intake("6", 48), nil_by_mouth(30)), "8"),
    ((days_without_intake("6", 48), delivered("60", start=30, end=20, kind=IntakeKind.SHARE_OF_NEED)), "6"),
    ((days_without_intake("6", 48), delivered("60", start=60, end=48, kind=IntakeKind.SHARE_OF_NEED)), "8"),  # before it
    ((days_without_intake("6", 48), delivered("5", start=30, end=20, kind=IntakeKind.SHARE_OF_NEED)), "8"),  # next to nothing
    ((days_without_intake("6", 48), feed("30", 30)), "6"),
    ((days_without_intake("5000", 0),), "1000"),  # a slip, and past every limit anyway
    ((days_without_intake("0.5", 0),), "0.5"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "days"), STATED)
def test_stated_days_go_on_until_something_was_eaten_or_ordered(chart: tuple[object, ...], days: str) -> None:
    assert nil_words(*chart)[0].startswith(f"{days} days of nil or negligible intake, from "), nil_words(*chart)


def test_a_statement_of_no_days_is_a_statement() -> None:
    text, state = nil_words(days_without_intake("0", 10))
    assert (text, state) == ("no days of nil or negligible intake, as stated", "not-met")


def test_without_a_word_about_intake_nothing_is_known() -> None:
    assert nil_words() == ("days of nil or negligible intake not stated", "unknown")


EXTREME = [
    # chart, the lowest start
    ((bmi("13.99"),), True),
    ((bmi("14"),), False),
    ((days_without_intake("15", 0),), False),
    ((days_without_intake("15.1", 0),), True),
]


@pytest.mark.parametrize(("chart", "extreme"), EXTREME)
def test_the_lowest_start_tier(chart: tuple[object, ...], extreme: bool) -> None:
    """NICE CG32 1.4.8: BMI below 14, or negligible intake for more than 15 days."""
    s = situation(*chart)
    assert s.risk.extreme is extreme
    again = judge(
        s.picture,
        s.protocol,
        s.now,
        body=s.body,
        course=s.course,
        evidence=tuple(r.evidence for r in s.readings),
        need_kcal=s.goal.kcal,
    )
    assert again == s.risk
