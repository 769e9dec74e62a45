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
    for order in s.course.running:
        now_rate, now = present_rate(order, s.now), _amount(s, order, s.now)
        for delivery in order.deliveries:
            start = delivery.start
            if start is None or not s.now < start < s.now + DAY:
                continue
            then_rate, then = present_rate(order, start), _amount(s, order, start)
            faster = now_rate is not None and then_rate is not None and then_rate > now_rate
            more = now is not None and then is not None and then > now
            if faster or more:
                words = f"to {plain(then_rate, _TENTH)} mL/h" if then_rate is not None else "a larger amount"
                words += f", {kcal(then)}" if then is not None else ""
                found.append(Rise(when=start, words=words, source=order.source, kcal=_total_at(s, start)))
    for order, start in _beginning(s):
        then = _amount(s, order, start)
        words = f"{'a further' if s.course.feeding else 'the'} {order.kind.value} order begins"
        words += f", {kcal(then)}" if then is not None else ""
        total = _total_at(s, start)
        found.append(Rise(when=start, words=words, source=order.source, kcal=total, beside=s.course.feeding))
    return tuple(sorted(found, key=lambda r: (r.when, r.source)))


def _beginning(s: Situation) -> list[tuple[EnergyOrder, datetime]]:
    """Active orders that begin within the coming day, and when."""
    starts = ((o, start_of(o)) for o in s.course.planned if o.state is OrderState.ACTIVE)
    return [(o, start) for o, start in starts if start is not None and start < s.now + DAY]


def _total_at(s: Situation, when: datetime) -> Decimal | None:
    """kcal/day if nobody touches anything until then. What ends or falls meanwhile is not counted on."""
    total = s.course.present_kcal
    changes = [(_amount(s, o, s.now), _amount(s, o, when)) for o in s.course.running]
    changes = [(now, then) for now, then in changes if now != then]  # what stays is in the sum, as far as it is known
    changes += [(Decimal(0), _amount(s, o, when)) for o, _ in _beginning(s)]
    for now, then in changes:
        if total is None or now is None or then is None:
            return None
        total += max(then - now, Decimal(0))
    return total


def _amount(s: Situation, order: EnergyOrder, at: datetime) -> Decimal | None:
    return day_amount(order, s.protocol.energy, at=at, zone=s.picture.zone, frozen=True).kcal
