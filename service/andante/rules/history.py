"""The ordered energy as a step function of time, from the history of the orders."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from decimal import Decimal

from andante.domain.picture import EnergyKind, EnergyOrder, OrderState, Picture
from andante.domain.protocol import Protocol
from andante.rules.energy import day_amount, end_of, in_force, start_of
from andante.rules.phrases import span


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """From `start`, nutrition ordered at `kcal` per day (None: running, but not summable; 0: nothing runs).

    A diet beside a feed is left out of the sum, which would otherwise hide every change of the feed; `eats` marks a
    stretch with nothing but a diet.
    """

    start: datetime
    kcal: Decimal | None
    eats: bool = False

    @property
    def feeds(self) -> bool:
        return self.kcal is None or self.kcal > 0


def history_of(nutrition: list[EnergyOrder], picture: Picture, protocol: Protocol, now: datetime) -> list[Stretch]:
    """The step function of ordered nutrition up to now."""
    instants: set[datetime] = set()
    for order in nutrition:
        if order.state is OrderState.PLANNED or order.nil_by_mouth:
            continue
        start, end = start_of(order), end_of(order)
        candidates = [start, end]
        for delivery in order.deliveries:
            candidates += [delivery.start, None if delivery.repeats else delivery.end]
        instants |= {c for c in candidates if c is not None and c <= now}
    stretches: list[Stretch] = []
    for instant in sorted(instants):
        energy: Decimal | None = Decimal(0)
        in_course = [o for o in nutrition if in_force(o, instant) and not o.nil_by_mouth]
        feeds = [o for o in in_course if o.kind is not EnergyKind.ORAL_DIET]
        for order in feeds or in_course:
            amount = day_amount(order, protocol.energy, at=instant, zone=picture.zone, frozen=True)
            energy = None if energy is None or amount.kcal is None else energy + amount.kcal
        stretches.append(Stretch(start=instant, kcal=energy, eats=bool(in_course) and not feeds))
    return _without_bag_changes(_merged(stretches), span(protocol.evidence.bag_change.value, "h"))


def _merged(stretches: list[Stretch]) -> list[Stretch]:
    kept: list[Stretch] = []
    for stretch in stretches:
        if not kept or (kept[-1].kcal, kept[-1].eats) != (stretch.kcal, stretch.eats):
            kept.append(stretch)
    return kept


def _without_bag_changes(stretches: list[Stretch], longest: timedelta) -> list[Stretch]:
    """Leave out the short sums of two orders where one takes over from the other.

    Such a peak is no jump of energy, and a fall back from it is no cut.
    """
    kept: list[Stretch] = []
    for index, stretch in enumerate(stretches):
        if 0 < index < len(stretches) - 1:
            before, after = kept[-1].kcal, stretches[index + 1].kcal
            short = stretches[index + 1].start - stretch.start < longest
            if short and before and after and stretch.kcal is not None and stretch.kcal > max(before, after):
                continue
        kept.append(stretch)
    return _merged(kept)


def ends_unknown(order: EnergyOrder, now: datetime) -> bool:
    """Completed or revoked, and nothing says when: no instant of the change, and no bound that has passed."""
    if order.state is not OrderState.ENDED or order.ended is not None:
        return False
    bound = end_of(order)
    return bound is None or bound > now or bound == start_of(order)


def place_ends(orders: tuple[EnergyOrder, ...], now: datetime) -> list[EnergyOrder]:
    """An ended order whose end is unknown ran, at the most, until the next feed began, and never until now.

    With no feed after it, it is taken to have ended when it began: it then proves no exposure.
    """
    starts = [s for o in orders if o.kind.is_nutrition and (s := start_of(o)) is not None and s <= now]
    placed = []
    for order in orders:
        if ends_unknown(order, now):
            own = start_of(order)
            later = [s for s in starts if own is not None and s > own]
            placed.append(replace(order, ended=min(later, default=own)))
        else:
            placed.append(order)
    return placed
