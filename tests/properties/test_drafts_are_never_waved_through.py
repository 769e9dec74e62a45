"""A draft passes in silence only where the advice for the very chart leaves room for it with everything that runs."""

from dataclasses import replace
from decimal import Decimal

import pytest
from generated import ordinary, weird
from hypothesis import find, given
from hypothesis import strategies as st

from andante.domain.advice import AdviceCode
from andante.domain.picture import EnergyOrder, OrderState, Picture
from andante.rules import evaluate
from andante.rules.canonical import settle
from andante.rules.draft import weigh
from andante.rules.situation import take_in
from pictures import NOW, aspen, feed, nice

UP = (AdviceCode.START, AdviceCode.ADVANCE, AdviceCode.AT_GOAL)
RATES = st.sampled_from(("1", "5", "12", "15", "20", "25", "30", "37.5", "40", "60", "75", "120"))
SLACK = Decimal("0.5")


def draft(rate: str, begins: float = 0) -> EnergyOrder:
    return feed(rate, begins, state=OrderState.PLANNED)


def unfed() -> st.SearchStrategy[Picture]:
    """The same charts without any feed: there a draft may well be within."""
    return ordinary().map(lambda chart: replace(chart, energy_orders=(), intakes=()))


@given(ordinary() | unfed() | weird(), RATES, st.sampled_from((aspen, nice)))
def test_within_means_within_the_advice_and_the_goal(chart: Picture, rate: str, protocol) -> None:  # type: ignore[no-untyped-def]
    found = weigh(chart, protocol(), NOW, drafts=(draft(rate),))
    if found is None:
        return
    advice, s = evaluate(chart, protocol(), NOW).advice, take_in(settle(chart), protocol(), NOW)
    for total, passed in ((found.beside, found.passed), (found.instead, found.passed_anyway)):
        if total is None or passed:
            continue
        assert s.goal.kcal is None or total <= s.goal.kcal + SLACK
        if advice.code not in UP:
            present = s.course.present_kcal if s.course.feeding else s.course.other_kcal
            room = advice.kcal if advice.kcal is not None else present
            assert room is not None
            assert total <= room + SLACK
        if advice.code is AdviceCode.START:
            assert s.allowance_kcal is not None
            assert total <= s.allowance_kcal + SLACK
        if advice.code is AdviceCode.ADVANCE:
            assert s.course.present_kcal is not None
            assert s.step_kcal is not None
            assert total <= s.course.present_kcal + s.step_kcal + SLACK


@pytest.mark.parametrize("within", [True, False])
def test_the_charts_above_hold_drafts_of_both_kinds(within: bool) -> None:
    """Else the test above could not fail."""

    def is_one(pair: tuple[Picture, str]) -> bool:
        found = weigh(pair[0], aspen(), NOW, drafts=(draft(pair[1]),))
        return found is not None and found.is_within is within

    assert find(st.tuples(unfed(), RATES), is_one)


@given(ordinary() | unfed(), RATES, RATES)
def test_less_of_the_same_is_never_worse(chart: Picture, one: str, other: str) -> None:
    more, less = sorted((draft(one), draft(other)), key=lambda o: o.deliveries[0].rate_ml_h or 0, reverse=True)
    first, second = (weigh(chart, aspen(), NOW, drafts=(order,)) for order in (more, less))
    if first is not None and first.is_within:
        assert second is not None
        assert second.is_within


@given(ordinary() | unfed(), RATES)
def test_what_runs_too_never_makes_room(chart: Picture, rate: str) -> None:
    alone = weigh(chart, aspen(), NOW, drafts=(draft(rate),))
    two = weigh(chart, aspen(), NOW, drafts=(draft(rate), replace(draft("5"), source="NutritionOrder/second")))
    if two is not None and two.is_within:
        assert alone is not None
        assert alone.is_within


@given(weird(), RATES, st.sampled_from((0.0, -5.0, -30.0, 5.0)))
def test_weighing_never_raises_and_a_draft_for_later_is_weighed_too(chart: Picture, rate: str, begins: float) -> None:
    found = weigh(chart, aspen(), NOW, drafts=(draft(rate, begins),))
    assert found is None or found.brings is None or found.brings > 0
