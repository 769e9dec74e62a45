"""A draft at the edges of what it is weighed against: half a kcal, a day, a stage, what is not known.

60 kg: goal 1800, first day 900, step 594 kcal/day.
"""

# ruff: noqa: E501 - a row is a draft, and is read across

from decimal import Decimal

import pytest

from andante.domain.picture import EnergyKind, EnergyOrder, FindingKind, OrderState
from andante.rules.draft import Bound, Limit, Weighed, weigh
from pictures import (
    NOW,
    P,
    aspen,
    bolus,
    citrate,
    d,
    dextrose_drip,
    diet,
    draw,
    feed,
    finding,
    goal,
    lab,
    nice,
    parenteral,
    picture,
    planned,
    propofol,
    rate,
)

E, F, S, N, G = Limit.EVIDENCE, Limit.FIRST_DAY, Limit.STEP, Limit.NOT_YET, Limit.GOAL
FINE = (draw(160), draw(4))
RUNS = feed("30", 60)


def weighed(*items: object, draft: EnergyOrder, **fields: object) -> Weighed:
    protocol = fields.pop("protocol", None) or aspen()
    found = weigh(picture(*items, **fields), protocol, NOW, drafts=(draft,))  # type: ignore[arg-type]
    assert found is not None
    return found


def draft(*deliveries: object, **more: object) -> EnergyOrder:
    return feed(deliveries=deliveries, since=1, state=OrderState.PLANNED, **more)  # type: ignore[arg-type]


BOUNDS = [
    # chart, draft, the limits it is held to, lowest first
    pytest.param((draw(4),), planned("30"), [(F, 900), (G, 1800)], id="ready to start"),
    pytest.param((draw(30),), planned("30"), [(E, 0), (F, 900), (G, 1800)], id="draw first: nothing"),
    pytest.param((draw(30), propofol("10")), planned("30"), [(E, 264), (F, 900), (G, 1800)], id="draw first: what a drug brings stays"),
    pytest.param((draw(4, p="0.70"),), planned("30"), [(E, 0), (F, 900), (G, 1800)], id="correct first"),
    pytest.param((FINE, RUNS), planned("30"), [(S, 1314), (G, 1800)], id="a step"),
    pytest.param((FINE, feed("60", 60)), planned("30"), [(G, 1800), (S, 2034)], id="a step past the goal"),
    pytest.param((FINE, feed("30", 20)), planned("30"), [(F, 900), (N, 720), (G, 1800)], id="not yet, on day 1"),
    pytest.param((FINE, feed("30", 23.9)), planned("30"), [(N, 720), (F, 900), (G, 1800)], id="the last minutes of day 1"),
    pytest.param((FINE, feed("30", 24)), planned("30"), [(S, 1314), (G, 1800)], id="the first of day 2"),
    pytest.param((FINE, feed("75", 60)), planned("30"), [(G, 1800)], id="at goal"),
    pytest.param((draw(160), draw(4, p="0.70"), RUNS), planned("30"), [(E, 720), (G, 1800)], id="held at what runs"),
    pytest.param((draw(160), draw(4, p="0.30"), RUNS), planned("30"), [(E, 360), (G, 1800)], id="cut"),
    pytest.param((FINE, feed("30", 60, density=None), goal("1800")), planned("30"), [(E, 0), (G, 1800)], id="what runs is not known"),
    pytest.param((FINE, feed("30", 60, density=None), propofol("10", 60)), planned("30"), [(E, 264), (G, 1800)], id="what runs is not known, beside a drug"),
    pytest.param((FINE, feed("75", 60)), dextrose_drip("10", 1, state=OrderState.PLANNED), [(E, 1800), (G, 1800)], id="at goal, dextrose by vein"),
    pytest.param((FINE, RUNS), dextrose_drip("10", 1, state=OrderState.PLANNED), [(E, 1200), (S, 1314), (G, 1800)], id="a step, dextrose by vein: the rounded figure bounds too"),
    pytest.param((FINE, RUNS), parenteral("10", 1, state=OrderState.PLANNED), [(E, 1200), (S, 1314), (G, 1800)], id="a step, by vein"),
    pytest.param((draw(4),), dextrose_drip("10", 1, state=OrderState.PLANNED), [(E, 840), (F, 900), (G, 1800)], id="a start, dextrose by vein"),
    pytest.param((draw(160), draw(4, p="0.70"), RUNS), dextrose_drip("10", 1, state=OrderState.PLANNED), [(E, 720), (G, 1800)], id="held, dextrose by vein"),
    pytest.param((FINE, RUNS), citrate("10", 1), [(S, 1314), (G, 1800)], id="a step, citrate: no dextrose"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "order", "bounds"), BOUNDS)
def test_what_a_draft_is_held_to(
    chart: tuple[object, ...], order: EnergyOrder, bounds: list[tuple[Limit, int]]
) -> None:
    found = weighed(*chart, draft=order).bounds
    wanted = sorted((Bound(limit=limit, kcal=d(kcal)) for limit, kcal in bounds), key=lambda b: (b.kcal, b.limit))
    assert sorted(found, key=lambda b: (b.kcal, b.limit)) == wanted
    assert [b.kcal for b in found] == sorted(b.kcal for b in found)


def test_a_start_while_low_is_held_to_the_lowest_allowance() -> None:
    """NICE CG32: 5 kcal/kg in the extreme tier: 300 kcal/day."""
    found = weighed(draw(4, p="0.70"), draft=planned("10"), protocol=nice())
    assert (Limit.EVIDENCE, 300) in [(b.limit, b.kcal) for b in found.bounds]


def test_half_a_kcal_is_no_more() -> None:
    """Sums written in different units differ in their last places."""
    at, above = (weighed(draw(4), draft=planned(None, deliveries=(bolus(ml, 24, 1),))) for ml in ("900.5", "900.6"))
    assert (at.passed, [b.limit for b in above.passed]) == ((), [F])
    assert (at.is_within, above.is_within) == (True, False)


REPLACED = [
    # what runs, draft, replaces, instead
    (RUNS, planned("40"), True, 960),
    (parenteral("30", 60), planned("40"), False, d("1471.2")),  # 511.2 by vein goes on
    (feed("30", 60, kind=EnergyKind.SUPPLEMENT), planned("40"), False, 1680),
    (
        feed("30", 60, kind=EnergyKind.SUPPLEMENT),
        planned("40", kind=EnergyKind.SUPPLEMENT),
        False,
        1680,
    ),  # sip feeds add up
    ((RUNS, feed("10", 60, kind=EnergyKind.SUPPLEMENT)), planned("40"), True, 1200),
]


@pytest.mark.parametrize(("runs", "order", "replaces", "instead"), REPLACED)
def test_what_the_draft_could_stand_in_for(runs: object, order: EnergyOrder, replaces: bool, instead: Decimal) -> None:
    found = weighed(FINE, runs, draft=order)
    assert (found.replaces, found.instead) == (replaces, instead)


UNKNOWN = [
    # what runs, draft, why the sum is not known
    ((feed("30", 60, density=None),), planned("40"), ("enteral feed: the order states no energy density",)),
    ((feed("50", None),), planned("40"), ("an order does not say since when, or until when, it runs",)),
    ((RUNS,), planned("40", density=None), ("enteral feed: the order states no energy density",)),
    ((RUNS,), draft(rate("40", 20, 10)), ("enteral feed: its schedule gives nothing from now on",)),
    ((RUNS,), draft(rate("40", 1), rate("0", -4)), ("enteral feed: a rate or volume is missing, zero, negative, or its schedule cannot be summed",)),
    ((feed("30", 60, density=None),), planned("40", density=None), ("enteral feed: the order states no energy density",)),
]  # fmt: skip


@pytest.mark.parametrize(("runs", "order", "why"), UNKNOWN)
def test_what_cannot_be_summed_is_never_within(
    runs: tuple[object, ...], order: EnergyOrder, why: tuple[str, ...]
) -> None:
    found = weighed(FINE, *runs, draft=order)
    assert (found.beside, found.problems, found.is_within) == (None, why, False)


COMING = [
    # an order already signed that begins so many hours from now, the sum beside a draft of 960 that begins now
    (feed("10", -1, ordered=2), 1200),
    (feed("10", -23.9, ordered=2), 1200),
    (feed("10", -24, ordered=2), 960),  # after the draft's first day
    (feed("10", -3, ordered=2, state=OrderState.PLANNED), 960),  # signed by nobody
]


@pytest.mark.parametrize(("order", "beside"), COMING)
def test_what_is_signed_to_begin_within_the_first_day_counts(order: EnergyOrder, beside: int) -> None:
    assert weighed(draw(4), order, draft=planned("40", ordered=0, deliveries=(rate("40", 0),))).beside == beside


def test_a_draft_that_begins_later_meets_what_begins_until_a_day_after_that() -> None:
    later = draft(rate("40", -12))
    assert weighed(draw(4), feed("10", -35, ordered=2), draft=later).beside == 1200
    assert weighed(draw(4), feed("10", -36, ordered=2), draft=later).beside == 960


STAGES = [
    # stages of the draft, the most of its first day, the rise after it
    ((rate("30", 0),), 720, ""),
    ((rate("30", 0), rate("40", -4)), 960, ""),
    ((rate("40", 0), rate("30", -4)), 960, ""),
    ((rate("30", 0), rate("40", -23.9)), 960, ""),
    ((rate("30", 0), rate("40", -24)), 720, "to 960 kcal/day Fri 7 Mar 08:00"),
    ((rate("30", 0), rate("30.02", -24)), 720, ""),  # 0.48 kcal/day is no rise
    ((rate("30", 0), rate("30.03", -24)), 720, "to 721 kcal/day Fri 7 Mar 08:00"),
    ((rate("30", 0), rate("20", -24)), 720, ""),
    ((rate("30", 0), rate("40", -4), rate("35", -30)), 960, ""),
    ((rate("30", 0), rate("40", -30), rate("50", -54)), 720, "to 960 kcal/day Fri 7 Mar 14:00"),
    ((rate("30", -4), rate("40", -20)), 960, ""),
    ((rate("30", -4), rate("40", -28)), 720, "to 960 kcal/day Fri 7 Mar 12:00"),
    ((rate("30", -4), rate("40", -27.9)), 960, ""),
    ((rate("50", 30, 20), rate("30", 20)), 720, ""),  # a stage that is over counts for nothing
    ((bolus("100", 4, 0),), 600, ""),
    ((bolus("100", 5, 0),), 500, ""),  # five in the first 24 hours, more than 4.8
]  # fmt: skip


@pytest.mark.parametrize(("stages", "most", "later"), STAGES)
def test_the_most_of_the_first_day_and_a_rise_after_it(stages: tuple[object, ...], most: int, later: str) -> None:
    found = weighed(draw(4), draft=draft(*stages))
    assert (found.brings, found.rises_later) == (most, later)
    assert found.is_within is (most <= 900 and not later)


def test_a_draft_for_somebody_at_the_goal_whose_feed_would_stop() -> None:
    found = weighed(FINE, feed("75", 60), draft=planned("75"))
    assert ([b.limit for b in found.passed], found.passed_anyway, found.is_within) == ([G], (), False)


def test_without_any_limit_nothing_is_within() -> None:
    """No weight, no goal: the evidence holds at what runs, and that is the only limit."""
    found = weighed(FINE, RUNS, draft=planned("10"), kg=None)
    assert [b.limit for b in found.bounds] == [E]
    assert found.is_within is False


def test_a_diet_that_cannot_be_summed_beside_a_draft() -> None:
    found = weighed(FINE, RUNS, diet(60), draft=planned("10"))
    assert found.beside is None
    assert found.problems == ("oral diet: a diet order states no energy; record what is eaten over 24 h",)


def test_a_danger_without_energy_allows_what_drugs_bring() -> None:
    found = weighed(
        draw(4, p="0.30"), propofol("10"), finding(FindingKind.COMORBIDITY), lab(P, "0.31", 3), draft=planned("10")
    )
    assert found.bounds[0] == Bound(limit=E, kcal=d(264))


def test_what_the_limits_of_a_draft_are_called() -> None:
    assert [limit.value for limit in Limit] == [
        "what the evidence allows",
        "the first day's allowance",
        "one step up",
        "what is advised until the next step",
        "the goal",
        "the first day's dextrose",
        "the ceiling of glucose per minute",
    ]
