"""The decision table: the first rule that applies decides. The order is the safety argument, so it is explicit."""

from collections.abc import Callable

from andante.rules.decision import Decision
from andante.rules.hold_rules import (
    difficult_to_correct,
    energy_not_known,
    falling_while_feeding,
    gap_while_feeding,
    low_while_feeding,
)
from andante.rules.scope_rules import not_at_risk, not_covered, stood_down, watch_ended
from andante.rules.situation import Situation
from andante.rules.start_rules import (
    baseline_gap,
    incomplete_before_feeding,
    low_before_feeding,
    ready_to_start,
    start_cannot_be_sized,
)
from andante.rules.step_rules import advance, at_goal, over_the_limit, stay
from andante.rules.urgent_rules import urgent_review

RULES: tuple[Callable[[Situation], Decision | None], ...] = (
    watch_ended,  # 1
    not_covered,
    not_at_risk,
    stood_down,
    urgent_review,  # 2
    difficult_to_correct,  # 3
    low_while_feeding,  # 4
    gap_while_feeding,  # 5
    falling_while_feeding,
    energy_not_known,
    incomplete_before_feeding,
    baseline_gap,  # 6
    low_before_feeding,  # 7
    start_cannot_be_sized,
    ready_to_start,  # 8
    over_the_limit,
    at_goal,  # 11: before 9, since at the goal there is no next step to wait for
    stay,  # 9
    advance,  # 10
)


def decide(s: Situation) -> Decision:
    """The first rule that applies. One always does: RuntimeError would be a defect of the table."""
    for rule in RULES:
        decision = rule(s)
        if decision is not None:
            return decision
    raise RuntimeError("no rule of the decision table applies")
