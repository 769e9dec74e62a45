"""The limits that an assessment states, held against its own advice: for charts broken in ways nobody foresaw."""

from decimal import Decimal

from andante.domain.advice import AdviceCode, Assessment
from andante.domain.picture import Picture
from andante.domain.protocol import Protocol
from andante.rules.canonical import settle
from andante.rules.situation import take_in

UP = (AdviceCode.START, AdviceCode.ADVANCE)
DUST = Decimal("1E-12")  # kcal/day: what the 20 places kept of a division may leave


def broken_limits(said: Assessment, picture: Picture, protocol: Protocol) -> list[str]:
    """Which of the limits the assessment states its own advice exceeds."""
    advice, feeding = said.advice, said.feeding
    if advice.kcal is None:
        return []
    situation = take_in(settle(picture), protocol, said.now)
    other, goal, present = feeding.other_kcal or Decimal(0), feeding.goal_kcal, situation.course.present_kcal
    found: list[str] = []

    def check(limit: Decimal | None, name: str) -> None:
        # Energy that comes with drugs and fluids is not the feed's to lower: alone above a limit, it is what is shown.
        if limit is None or advice.kcal is None or advice.kcal > max(limit, other) + DUST:
            found.append(f"{advice.code}: {advice.kcal} kcal/day is above {name} ({limit})")

    if advice.code in UP:
        check(goal, "the goal")
    if advice.code is AdviceCode.ADVANCE and goal is not None and present is not None:
        check(present + goal * protocol.energy.step.value / 100, "present and a step")
    if advice.code is AdviceCode.START:
        check(situation.allowance_kcal, "the first day's allowance")
    if advice.code not in UP:
        check(present, "what runs now")
    return found


def present_kcal(said: Assessment, picture: Picture, protocol: Protocol) -> Decimal | None:
    """What runs now, kcal/day; None where the chart does not tell."""
    return take_in(settle(picture), protocol, said.now).course.present_kcal
