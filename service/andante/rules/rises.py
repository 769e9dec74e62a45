"""What orders will bring without anybody's doing: stages that step up, and further orders that begin."""

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from andante.domain.picture import EnergyOrder, OrderState
from andante.rules.energy import DAY, day_amount, present_rate, start_of
from andante.rules.phrases import kcal, plain
from andante.rules.situation import Situation

_TENTH = Decimal("0.1")


@dataclass(frozen=True, slots=True, kw_only=True)
class Rise:
    """An increase that orders carry without anybody's doing. `kcal`: the day's total from then on, all before it
    included; None where it cannot be summed. `beside`: a further order, on top of whatever the pump is set to.
    """

    when: datetime
    words: str
    source: str
    kcal: Decimal | None
    beside: bool = False


def scheduled_rises(s: Situation) -> tuple[Rise, ...]:
    """The increases that active orders carry within the coming day, in order of time."""
    found: list[Rise] = []
    energy, zone = s.protocol.energy, s.picture.zone
    for order in s.course.running:
        now_rate = present_rate(order, s.now)
        now_amount = day_amount(order, energy, at=s.now, zone=zone, frozen=True).kcal
        for delivery in order.deliveries:
            if delivery.start is None or not s.now < delivery.start < s.now + DAY:
                continue
            then_rate = present_rate(order, delivery.start)
            then = day_amount(order, energy, at=delivery.start, zone=zone, frozen=True).kcal
            faster = now_rate is not None and then_rate is not None and then_rate > now_rate
            more = now_amount is not None and then is not None and then > now_amount
            if faster or more:
                words = f"to {plain(then_rate, _TENTH)} mL/h" if then_rate is not None else "a larger amount"
                words += f", {kcal(then)}" if then is not None else ""
                total = _total_at(s, delivery.start)
                found.append(Rise(when=delivery.start, words=words, source=order.source, kcal=total))
    for order in _beginning(s):
        start = start_of(order) or s.now
        amount = day_amount(order, energy, at=start, zone=zone, frozen=True).kcal
        words = f"{'a further' if s.course.feeding else 'the'} {order.kind.value} order begins"
        words += f", {kcal(amount)}" if amount is not None else ""
        total = _total_at(s, start)
        found.append(Rise(when=start, words=words, source=order.source, kcal=total, beside=s.course.feeding))
    return tuple(sorted(found, key=lambda r: (r.when, r.source)))


def _beginning(s: Situation) -> list[EnergyOrder]:
    """Active orders that begin within the coming day."""
    return [
        o
        for o in s.course.planned
        if o.state is OrderState.ACTIVE and (t := start_of(o)) is not None and s.now < t < s.now + DAY
    ]


def _total_at(s: Situation, when: datetime) -> Decimal | None:
    """kcal/day if nobody touches anything until then. What ends or falls meanwhile is not counted on."""
    total = s.course.present_kcal
    for order in (*s.course.running, *_beginning(s)):
        is_new = order not in s.course.running
        if is_new and (start_of(order) or when) > when:
            continue
        then = day_amount(order, s.protocol.energy, at=when, zone=s.picture.zone, frozen=True).kcal
        now = Decimal(0)
        if not is_new:
            present = day_amount(order, s.protocol.energy, at=s.now, zone=s.picture.zone, frozen=True).kcal
            if then == present:
                continue  # also where neither is known: the sum says so by itself
            if present is None:
                return None
            now = present
        if total is None or then is None:
            return None
        total += max(then - now, Decimal(0))
    return total
