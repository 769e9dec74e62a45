"""Who is watched, where the goal is, when the watch ends: both sides of every limit.

60 kg: goal 1800 kcal/day, one pump increment of 5 mL/h is 120 kcal/day at 1 kcal/mL.
"""

# ruff: noqa: E501 - a row is a patient, and is read across

from datetime import date

import pytest

from andante.domain.advice import Assessment, Priority
from andante.domain.picture import FindingKind, IntakeKind, OrderState, Person, Stay
from andante.rules.scope_rules import is_at_goal, is_over_goal, organ_dysfunction
from andante.rules.situation import take_in
from pictures import (
    NOW,
    K,
    P,
    advise,
    aspen,
    bmi,
    bolus,
    d,
    days_without_intake,
    delivered,
    diet,
    dose,
    draw,
    feed,
    finding,
    goal,
    height,
    lab,
    picture,
    rate,
    weight,
)

GOAL = [
    # kcal/day at 1 kcal/mL, at the goal, over the goal
    (feed("70", 60), False, False),  # a whole increment below
    (feed("70.1", 60), True, False),
    (feed("75", 60), True, False),
    (feed("75.1", 60), True, False),  # above it, by less than an increment
    (feed("79.9", 60), True, False),
    (feed("80", 60), True, True),  # by a whole increment
    (feed(deliveries=(bolus("295", 4, 60),), since=60), False, False),  # 5 mL a bolus: 30 kcal
    (feed(deliveries=(bolus("296", 4, 60),), since=60), True, False),
    (feed(deliveries=(bolus("305", 4, 60),), since=60), True, True),
    (feed(deliveries=(rate("45", 60), rate("30", 60)), since=60), True, False),  # two rates: no increment, exactly the goal
    (feed(deliveries=(rate("45", 60), rate("29", 60)), since=60), False, False),
    (feed(deliveries=(rate("45", 60), rate("31", 60)), since=60), True, True),
    (feed("75", -2, ordered=1), False, False),  # nothing runs yet
    (feed("30", 60, density=None), False, False),  # the energy is not known
]  # fmt: skip


@pytest.mark.parametrize(("order", "at", "over"), GOAL)
def test_at_the_goal_and_over_it(order: object, at: bool, over: bool) -> None:
    s = take_in(picture(order, draw(80), draw(5)), aspen(), NOW)
    assert (is_at_goal(s), is_over_goal(s)) == (at, over)


def test_without_a_goal_nothing_is_at_it_or_over_it() -> None:
    s = take_in(picture(feed("75", 60), draw(80), draw(5), kg=None), aspen(), NOW)
    assert (is_at_goal(s), is_over_goal(s)) == (False, False)


NOT_COVERED = [
    ({"person": Person(born=date(2007, 3, 7))}, (), "the patient is younger than 18"),
    ({"person": Person()}, (), "the age is not known"),
    ({}, (finding(FindingKind.PREGNANCY),), "a pregnancy is coded"),
    ({}, (finding(FindingKind.INFANT_FORMULA),), "an infant formula is ordered"),
    ({"stay": Stay(source="Encounter/9/_history/1", in_progress=True, inpatient=False)}, (), "the encounter is not an inpatient stay"),
]  # fmt: skip


@pytest.mark.parametrize(("fields", "items", "why"), NOT_COVERED)
def test_who_is_not_covered_is_told_why(fields: dict[str, object], items: tuple[object, ...], why: str) -> None:
    advice = advise(feed("30", 40), draw(62), draw(5), *items, **fields).advice
    words = f"Not covered by this protocol: {why}"
    assert (advice.rule, advice.headline, advice.because) == ("not-covered", words, (f"{words}.",))


def test_eighteen_today_is_covered() -> None:
    assert advise(feed("30", 40), draw(62), draw(5), person=Person(born=date(2007, 3, 6))).advice.rule == "step-up"


def fine(*items: object, **fields: object) -> Assessment:
    """Everything charted that the default protocol wants to rule a risk out, but a problem list."""
    return advise(
        draw(5), height("165"), weight("62", 24 * 25), weight("62", 24 * 100), weight("61", 24 * 170),
        delivered("90", start=24 * 14, end=1, kind=IntakeKind.SHARE_OF_NEED), days_without_intake("0"), *items,
        at_risk=False, **fields,
    )  # fmt: skip


def test_what_would_settle_an_unknown_risk_is_named_once_it_is_unknown_only() -> None:
    said = fine()
    missing = [c.would_settle for c in said.risk.criteria if c.state == "unknown"]
    known = [c.would_settle for c in said.risk.criteria if c.state != "unknown"]
    assert missing
    assert known
    assert set(known) == {""}
    assert (
        said.advice.because[1:] == (f"It would be settled by: {'; '.join(dict.fromkeys(missing))}.",)
        or said.advice.rule == "not-at-risk"
    )


# --------------------------------------------------------------------------- the watch may end

LATE = (feed("75", 200), *(draw(ago) for ago in (210, 100, 76, 52, 28, 4)))

STAND_DOWN = [
    # chart, stood down
    (LATE, {}, True),
    ((feed("75", 144), *LATE[1:]), {}, True),  # the first hour of day 7
    ((feed("75", 143.9), *LATE[1:]), {}, False),  # the last minutes of day 6
    (LATE, {"incomplete": ("Observation",)}, False),
    ((feed("70", 200), *LATE[1:]), {}, False),  # a whole increment below the goal
    ((feed("79", 200), *LATE[1:]), {}, True),
    ((feed("80", 200), *LATE[1:]), {}, False),  # a whole increment above
    ((feed("75", 200, state=OrderState.PAUSED, ended=2), *LATE[1:]), {}, False),
    ((feed(deliveries=(rate("60", 200), rate("75", 48)), since=200), *LATE[1:]), {}, True),
    ((feed(deliveries=(rate("60", 200), rate("75", 47.9)), since=200), *LATE[1:]), {}, False),
    ((feed(deliveries=(rate("30", 200), rate("75", 72)), since=200), *LATE[1:]), {}, True),  # a jump, three days ago
    ((feed(deliveries=(rate("30", 200), rate("75", 71.9)), since=200), *LATE[1:]), {}, False),
    ((*LATE, dose(K, ago=48)), {}, True),
    ((*LATE, dose(K, ago=47.9)), {}, False),
    ((*LATE, dose(K, ago=0)), {}, False),
    ((*LATE, dose(K, ago=-1)), {}, True),  # charted for later
    ((feed("75", 200), draw(210), draw(52), draw(4)), {}, True),
    ((feed("75", 200), draw(210, p="0.70"), draw(52), draw(4)), {}, True),  # 48 h in range
    ((feed("75", 200), draw(210), draw(51.9, p="0.70"), draw(51.8), draw(4)), {}, False),  # 47.8 h
    ((*LATE, lab(P, None, 3)), {}, False),  # a result that cannot be used
    ((*LATE, finding(FindingKind.ORGAN_DYSFUNCTION, ago=10)), {}, False),
    ((*LATE, finding(FindingKind.ORGAN_DYSFUNCTION, ago=200)), {}, False),  # at the start of the course
    ((*LATE, finding(FindingKind.ORGAN_DYSFUNCTION, ago=200.1)), {}, True),  # before it
]  # fmt: skip


@pytest.mark.parametrize(("chart", "fields", "down"), STAND_DOWN)
def test_the_watch_ends_on_day_seven_at_the_goal_in_range(
    chart: tuple[object, ...], fields: dict[str, object], down: bool
) -> None:
    assert (advise(chart, **fields).advice.code == "stood-down") is down


def eats(percent: str, day: int) -> object:
    return delivered(percent, start=24 * (day + 1), end=24 * day, kind=IntakeKind.SHARE_OF_MEALS)


EATEN = [
    # share of 1800 kcal eaten on the last days, today first; stood down
    (("100", "100", "100"), True),
    (("100", "100", "100", "50"), True),  # 48 h ask for today and the two days before
    (("100", "100", "99"), False),  # by what is eaten the goal has no increment: 99 % is below it
    (("100", "99", "100"), False),
    (("100", "50", "100"), False),
    (("100", "100", "50"), False),
]


@pytest.mark.parametrize(("shares", "down"), EATEN)
def test_one_good_day_of_eating_does_not_end_the_watch(shares: tuple[str, ...], down: bool) -> None:
    meals = tuple(eats(share, day) for day, share in enumerate(shares))
    chart = (diet(200, kcal="1800"), *LATE[1:], meals)
    found = advise(chart).advice
    assert found.code == ("stood-down" if down else "at-goal"), found


FLAGS = [
    # kind, recorded so many hours ago (None: no date), counts in a course that began 40 h ago
    (FindingKind.ORGAN_DYSFUNCTION, 40, True),
    (FindingKind.ORGAN_DYSFUNCTION, 40.1, False),
    (FindingKind.ORGAN_DYSFUNCTION, None, True),
    (FindingKind.ORGAN_DYSFUNCTION, -1, False),
    (FindingKind.THIAMINE_DEFICIENCY, 10, True),
    (FindingKind.RENAL_IMPAIRMENT, 10, False),
    (FindingKind.RENAL_IMPAIRMENT, None, False),
]


@pytest.mark.parametrize(("kind", "ago", "counts"), FLAGS)
def test_a_flag_of_organ_dysfunction_belongs_to_the_course(kind: FindingKind, ago: float | None, counts: bool) -> None:
    chart = picture(feed("30", 40), draw(62), draw(5), finding(kind, ago=ago))
    assert bool(organ_dysfunction(take_in(chart, aspen(), NOW))) is counts


def test_before_a_course_only_an_undated_flag_counts() -> None:
    chart = picture(draw(5), finding(FindingKind.ORGAN_DYSFUNCTION, ago=10))
    assert organ_dysfunction(take_in(chart, aspen(), NOW)) == []


OVER = [
    # order, rule, priority
    (feed("37.5", 10), "interval-open", Priority.ROUTINE),  # 900 kcal on day 1: the allowance exactly
    (feed("37.6", 10), "over-first-day", Priority.URGENT),
    (feed("75", 60), "at-goal", Priority.ROUTINE),
    (feed("75.1", 60), "over-goal", Priority.ROUTINE),
    (feed("80", 60), "over-goal", Priority.URGENT),
]


@pytest.mark.parametrize(("order", "rule", "priority"), OVER)
def test_more_than_the_limit_is_brought_down_and_how_pressing_that_is(
    order: object, rule: str, priority: Priority
) -> None:
    advice = advise(order, draw(80), draw(12), draw(3)).advice
    assert (advice.rule, advice.priority) == (rule, priority)


def test_the_lowest_tier_is_brought_down_to_its_own_allowance_and_cites_it() -> None:
    """BMI 13: 10 kcal/kg, 600 kcal/day."""
    said = advise(feed("30", 10), draw(12), draw(3), bmi("13"), goal("1800"))
    assert (said.advice.rule, said.advice.kcal) == ("over-first-day", d(600))
    cites = next(r.cites for r in said.derivation if r.rule == "over-first-day")
    assert [c.path for c in cites] == ["energy.initial_extreme"]
    usual = advise(feed("45", 10), draw(12), draw(3))
    assert [c.path for c in next(r.cites for r in usual.derivation if r.rule == "over-first-day")] == ["energy.initial"]
