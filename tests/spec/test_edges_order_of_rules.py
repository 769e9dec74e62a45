"""The order of the decision table, pair by pair: a chart to which both of two neighbours apply, and the first decides.

Where two neighbours exclude each other no chart can show it; those pairs are named, with what excludes them.
"""

from typing import Any

import pytest

from andante.domain.picture import IntakeKind, Person
from andante.rules.situation import take_in
from andante.rules.table import RULES, decide
from pictures import (
    NOW,
    P,
    aspen,
    days_without_intake,
    delivered,
    dose,
    draw,
    feed,
    height,
    picture,
    planned,
    rate,
    weight,
)

CALM = (draw(80), draw(5))
LATE = (feed("75", 200), *(draw(ago) for ago in (210, 100, 76, 52, 28, 4)))
NO_RISK = (
    height("165"), weight("62", 24 * 25), weight("62", 24 * 80), weight("61", 24 * 170), days_without_intake("0", 210),
    delivered("90", start=24 * 20, end=201, kind=IntakeKind.SHARE_OF_NEED),
)  # fmt: skip
REFRACTORY = (draw(80), draw(39, p="0.70"), draw(27, p="0.70"), draw(3, p="0.70"), dose(P, ago=30), dose(P, ago=20))
FALLING = (draw(80, p="1.30"), draw(5, p="1.00"))

BOTH = [
    # the first of two rules, the second, a chart for both
    ("watch_ended", "not_covered", (feed("30", 60), CALM), {"person": Person(deceased=True)}),
    ("not_covered", "not_at_risk", (CALM,), {"person": Person(), "at_risk": False}),
    ("not_at_risk", "stood_down", (LATE, NO_RISK), {"at_risk": False}),
    ("urgent_review", "difficult_to_correct", (feed("30", 60), REFRACTORY, draw(2, p="0.70", k="6.2")), {}),
    ("difficult_to_correct", "low_while_feeding", (feed("30", 60), REFRACTORY), {}),
    ("low_while_feeding", "gap_while_feeding", (feed("30", 60), draw(80), draw(5, p="0.70", mg=None)), {}),
    ("gap_while_feeding", "falling_while_feeding", (feed("30", 60), FALLING), {"incomplete": ("Observation",)}),
    ("falling_while_feeding", "energy_not_known", (feed("30", 60, density=None), FALLING), {}),
    ("incomplete_before_feeding", "baseline_gap", (planned("30"),), {"incomplete": ("Observation",)}),
    ("baseline_gap", "low_before_feeding", (planned("30"), draw(5, p="0.70", mg=None)), {}),
    ("low_before_feeding", "start_cannot_be_sized", (planned("30"), draw(5, p="0.70")), {"kg": None}),
    ("over_the_limit", "at_goal", (feed("75.1", 60), CALM), {}),
    ("at_goal", "stay", (feed(deliveries=(rate("60", 60), rate("75", 10)), since=60), CALM), {}),
    ("stay", "advance", (feed(deliveries=(rate("20", 60), rate("30", 10)), since=60), CALM), {}),
]  # fmt: skip

NEVER = [
    # two neighbours that exclude each other
    ("stood_down", "urgent_review"),  # the watch ends only without any danger, fall or flag
    ("energy_not_known", "incomplete_before_feeding"),  # while fed; before feeding
    ("start_cannot_be_sized", "ready_to_start"),  # the second asks itself whether the start can be sized
    ("ready_to_start", "over_the_limit"),  # before feeding; while fed
]


@pytest.mark.parametrize(("first", "second", "chart", "fields"), BOTH)
def test_the_first_of_two_rules_decides(
    first: str, second: str, chart: tuple[object, ...], fields: dict[str, Any]
) -> None:
    rules = {rule.__name__: rule for rule in RULES}
    s = take_in(picture(*chart, **fields), aspen(), NOW)
    one, other = rules[first](s), rules[second](s)
    assert one is not None
    assert other is not None
    assert one.rule != other.rule
    assert decide(s) == one


def test_every_rule_is_asked_beside_a_neighbour() -> None:
    """A rule that is added needs its rows here."""
    pairs = [(first, second) for first, second, *_ in BOTH] + NEVER
    assert {name for pair in pairs for name in pair} == {rule.__name__ for rule in RULES}
    assert len(pairs) == len(RULES) - 1
