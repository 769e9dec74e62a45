"""The energy that a rule which does not feed more may advise: the present, brought down, or cut."""

from dataclasses import replace
from datetime import datetime
from decimal import Decimal

from andante.rules.course import Exposure
from andante.rules.phrases import kcal, span
from andante.rules.situation import Situation
from andante.rules.sizing import Sized, describe, size


def keep_present(s: Situation, *, in_doubt: bool = False) -> Sized | None:
    """The present energy, brought down to the goal, or on the first day to the allowance, where it is above.

    `in_doubt`: a level is low, falling or not known, or the energy itself is too high. Then what no steps can have
    come to, and a rise by more than one, is brought down as well.
    """
    present = s.course.present_kcal
    if present is None:
        return None
    limit = limit_of(s, in_doubt=in_doubt)
    if limit is not None and present > limit[0]:
        sized, (most, what) = bring_down(s, limit[0]), limit
        words = f"brought down from {kcal(present)}, which is above {kcal(most)}" + (f", {what}" if what else "")
        return replace(sized, said=(words, *sized.said))
    if s.vehicle is not None:
        amount = s.vehicle.bolus if s.vehicle.boluses else s.vehicle.rate
        if amount is not None:
            return replace(describe(amount, s.vehicle), kcal=present)
    return Sized(kcal=present)


def bring_down(s: Situation, target: Decimal) -> Sized:
    """At most `target` kcal/day. What drugs and fluids bring is not the feed's to lower, so it stays."""
    floor = max(target, s.course.other_kcal or Decimal(0))
    vehicle = s.vehicle
    if vehicle is None:
        return Sized(kcal=floor)
    if vehicle.fixed_kcal > floor:
        return Sized(kcal=floor, said=("several feeds together; stopping one of them is not enough",))
    # The glucose ceiling bounds it too, unless what runs beside the feed leaves nothing: that is not the feed's to pay.
    return (
        size(target, vehicle, s.protocol, dosing_kg=s.body.dosing_kg)
        or size(target, vehicle, s.protocol)
        or describe(Decimal(0), vehicle)
    )


def cut(s: Situation, answer: str, since: datetime) -> tuple[Sized | None, bool]:
    """The energy after a cut (`halve`), a stop or a hold, and whether it was already cut since the trouble began.

    Cutting again at every round would starve the patient: once the energy has come down by the protocol's share
    since `since`, it is kept.
    """
    present = s.course.present_kcal
    if present is None or answer == "hold":
        return keep_present(s, in_doubt=True), False
    share = s.protocol.energy.cut.value / 100
    peak = _peak_since(s, since)
    feed = present - (s.course.other_kcal or Decimal(0))
    if answer == "halve" and peak is not None and feed <= peak * (1 - share):
        return keep_present(s, in_doubt=True), True
    target = Decimal(0) if answer == "stop" else present * (1 - share)
    limit = limit_of(s, in_doubt=True)
    return bring_down(s, target if limit is None else min(target, limit[0])), False


def recent_jump(s: Situation) -> Exposure | None:
    """A rise of more than a step within the last step interval."""
    interval = span(s.protocol.energy.step_interval.value, "h")
    jumps = [e for e in s.course.exposures if e.kind == "jump" and s.now - e.at < interval]
    return max(jumps, key=lambda e: e.at) if jumps else None


def limit_of(s: Situation, *, in_doubt: bool) -> tuple[Decimal, str] | None:
    """What the energy may not be above, in kcal/day, and what that is where it is neither the goal nor the allowance.

    None where nothing is known that limits it.
    """
    limits = [(s.goal.kcal, ""), (s.allowance_kcal if s.course.day == 1 else None, "")]
    if in_doubt and s.step_kcal is not None:
        limits.append(
            (reached_by_steps(s, s.step_kcal), "the first day's allowance and a step in each step interval since")
        )
        jump = recent_jump(s)
        if jump is not None and jump.kcal_before is not None:
            limits.append(
                (jump.kcal_before + s.step_kcal, f"a step above the {kcal(jump.kcal_before)} before the rise")
            )
    known = [(value, what) for value, what in limits if value is not None]
    return min(known, key=lambda limit: limit[0]) if known else None


def reached_by_steps(s: Situation, step: Decimal) -> Decimal | None:
    """The most that the first day's allowance and a step in each interval since could have come to by now."""
    return None if s.allowance_kcal is None else s.allowance_kcal + step * steps_so_far(s)


def steps_so_far(s: Situation) -> int:
    """How many step intervals have passed since feeding began."""
    started = s.course.started
    return 0 if started is None else (s.now - started) // span(s.protocol.energy.step_interval.value, "h")


def _peak_since(s: Situation, since: datetime) -> Decimal | None:
    """The highest nutrition known to be in force from `since` on: more can only have been cut by more."""
    history = s.course.history
    ends = [*(h.start for h in history[1:]), s.now]
    known = [h.kcal for h, until in zip(history, ends, strict=True) if until > since and h.kcal is not None]
    return max(known, default=None)
