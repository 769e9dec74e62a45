"""How much energy an order brings: the timed sum of its administrations under its cap, not rate × 24."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, time, timedelta, tzinfo
from decimal import Decimal

from andante.domain.picture import Composition, Delivery, EnergyKind, EnergyOrder, OrderState
from andante.domain.protocol import Energy
from andante.rules.phrases import hours

DAY = timedelta(hours=24)
_MAX_OCCURRENCES = 2000  # more within a day is a slip in the schedule, not a feed


@dataclass(frozen=True, slots=True, kw_only=True)
class Amount:
    """A sum that may not be known. `kcal` and `ml` are None when `problem` says why."""

    ml: Decimal | None
    kcal: Decimal | None
    problem: str | None = None


def kcal_per_ml(order: EnergyOrder, energy: Energy) -> tuple[Decimal | None, str | None]:
    """Energy density of what the order gives, or why it is not known."""
    match order.kind:
        case EnergyKind.ENTERAL | EnergyKind.SUPPLEMENT:
            density = order.density_kcal_ml
            if density is None:
                return None, order.problem or "the order states no energy density"
            if not energy.density_min.value <= density <= energy.density_max.value:
                return None, f"its energy density of {density.normalize():f} kcal/mL is not plausible"
            return density, None
        case EnergyKind.LIPID_SEDATION:
            return energy.lipid_sedation.value, None
        case EnergyKind.PARENTERAL | EnergyKind.IV_DEXTROSE | EnergyKind.CITRATE:
            if order.composition is None:
                return None, order.problem or "the order does not state readably what it contains"
            return _composed(order.composition, energy), None
        case EnergyKind.ORAL_DIET:
            if order.nil_by_mouth:
                return Decimal(0), None
            return None, "a diet order states no energy"


def _composed(mix: Composition, energy: Energy) -> Decimal:
    if mix.lipid_is_emulsion:
        table = {
            Decimal("0.1"): energy.lipid_emulsion_10.value,
            Decimal("0.2"): energy.lipid_emulsion_20.value,
            Decimal("0.3"): energy.lipid_emulsion_30.value,
        }
        # Between the printed strengths the densest printed energy per gram is used: it overstates, and feeds less.
        per_gram = max(value / strength for strength, value in table.items())
        lipid = table.get(mix.lipid_g_ml.normalize(), mix.lipid_g_ml * per_gram)
    else:
        lipid = mix.lipid_g_ml * energy.lipid_admixture.value
    return (
        mix.dextrose_g_ml * energy.dextrose.value
        + mix.amino_acids_g_ml * energy.amino_acids.value
        + lipid
        + mix.citrate_mmol_ml * energy.citrate.value
    )


def start_of(order: EnergyOrder) -> datetime | None:
    """When the order begins to run: its earliest delivery, else when it was ordered."""
    starts = [d.start for d in order.deliveries if d.start is not None]
    return min(starts) if starts else order.ordered


def end_of(order: EnergyOrder) -> datetime | None:
    """When it stops for good: when it was ended or paused, else the last bound of its deliveries, else open."""
    ends = [d.end for d in order.deliveries]
    bound = max((e for e in ends if e is not None), default=None)
    if order.deliveries and any(e is None for e in ends):
        bound = None
    if order.state in (OrderState.ENDED, OrderState.PAUSED):
        known = [e for e in (order.ended, bound) if e is not None]
        # With no end known, it is taken to have ended when it began: it proves no exposure.
        return min(known) if known else start_of(order)
    return bound


def in_force(order: EnergyOrder, instant: datetime) -> bool:
    if order.state is OrderState.PLANNED:
        return False
    start, end = start_of(order), end_of(order)
    return start is not None and start <= instant and (end is None or instant < end)


def day_amount(order: EnergyOrder, energy: Energy, *, at: datetime, zone: tzinfo, frozen: bool) -> Amount:
    """What the order gives in the 24 hours from `at`.

    `frozen` leaves out deliveries that start later and lets the one in force run on: the present energy. Otherwise
    scheduled increases count too. In both, the last delivery in force is taken to run on past its end bound, so
    that a rate does not look smaller merely because the order is about to be renewed.
    """
    density, problem = kcal_per_ml(order, energy)
    if order.kind is EnergyKind.ORAL_DIET and order.nil_by_mouth:
        return Amount(ml=Decimal(0), kcal=Decimal(0))
    if order.problem and problem is None:
        problem = order.problem
    if not order.deliveries:
        problem = problem or "the order states no rate or volume"
    volume, volume_problem = _volume(order, at=at, until=at + DAY, zone=zone, frozen=frozen)
    problem = problem or volume_problem
    if problem or volume is None or density is None:
        return Amount(ml=None if volume_problem else volume, kcal=None, problem=problem)
    return Amount(ml=volume, kcal=volume * density)


def _volume(
    order: EnergyOrder, *, at: datetime, until: datetime, zone: tzinfo, frozen: bool
) -> tuple[Decimal | None, str | None]:
    total = Decimal(0)
    deliveries = sorted(order.deliveries, key=lambda d: d.start.timestamp() if d.start else float("-inf"))
    for index, delivery in enumerate(deliveries):
        if delivery.problem:
            return None, delivery.problem
        start = delivery.start or order.ordered
        if start is None:
            return None, "the order states no start"
        if frozen and start > at:
            continue
        following = [d.start for d in deliveries[index + 1 :] if d.start is not None and d.start > start]
        if frozen:
            following = [f for f in following if f <= at]
        end = _effective_end(delivery, following, at)
        volume = _delivered(delivery, start=start, end=end, window=(at, until), zone=zone)
        if volume is None:
            return None, "a rate or volume is missing, zero, negative, or its schedule cannot be summed"
        total += volume
    if order.max_ml_day is not None:
        total = min(total, order.max_ml_day * hours(until - at) / 24)
    return total, None


def _effective_end(delivery: Delivery, following: list[datetime], at: datetime) -> datetime | None:
    """The end of a delivery: its bound, or the next delivery's start for a plain rate; open when it is the last."""
    end = delivery.end
    if following and not delivery.repeats:
        return min([f for f in (*following, end) if f is not None])
    if not following and end is not None and end > at:
        return None
    return end


def _delivered(
    delivery: Delivery,
    *,
    start: datetime,
    end: datetime | None,
    window: tuple[datetime, datetime],
    zone: tzinfo,
) -> Decimal | None:
    """mL given within the window, or None when the delivery cannot be summed."""
    opens, closes = window
    rate, volume = delivery.rate_ml_h, delivery.volume_ml
    if (rate is None and volume is None) or (rate is not None and rate <= 0) or (volume is not None and volume <= 0):
        return None
    if not delivery.repeats:
        if rate is not None:
            last = min(e for e in (end, closes) if e is not None)
            running = last - max(start, opens)
            return rate * hours(running) if running > timedelta(0) else Decimal(0)
        return (volume or Decimal(0)) if opens <= start < closes else Decimal(0)
    if rate is not None and volume is None and delivery.duration is None:
        return None
    if delivery.every is not None and delivery.every <= timedelta(0):
        return None
    total = Decimal(0)
    for count, begins in enumerate(occurrences(delivery, start=start, end=end, window=window, zone=zone)):
        if count > _MAX_OCCURRENCES:
            return None
        if volume is not None:
            total += volume if opens <= begins < closes else Decimal(0)
        elif rate is not None and delivery.duration is not None:
            finishes = min(e for e in (begins + delivery.duration, end, closes) if e is not None)
            running = finishes - max(begins, opens)
            total += rate * hours(running) if running > timedelta(0) else Decimal(0)
    return total


def occurrences(
    delivery: Delivery,
    *,
    start: datetime,
    end: datetime | None,
    window: tuple[datetime, datetime],
    zone: tzinfo,
) -> Iterator[datetime]:
    """The instants at which a repeating delivery begins, so far as they can touch the window."""
    opens, closes = window
    reach = delivery.duration or timedelta(0)
    if delivery.times_of_day:
        yield from _at_times(delivery.times_of_day, start, end, opens - reach, closes, zone)
    elif delivery.every is not None and delivery.every > timedelta(0):
        skipped = max(0, (opens - reach - start) // delivery.every)
        begins = start + skipped * delivery.every
        while begins < closes and (end is None or begins < end):
            if begins + reach >= opens or begins >= opens:
                yield begins
            begins += delivery.every


def _at_times(
    times: tuple[time, ...],
    start: datetime,
    end: datetime | None,
    opens: datetime,
    closes: datetime,
    zone: tzinfo,
) -> Iterator[datetime]:
    day = opens.astimezone(zone).date() - timedelta(days=1)
    while True:
        reached = False
        for clock in sorted(times):
            begins = datetime.combine(day, clock, tzinfo=zone)
            reached = reached or begins >= closes
            if opens <= begins < closes and begins >= start and (end is None or begins < end):
                yield begins
        if reached:
            return
        day += timedelta(days=1)


def hours_per_day(order: EnergyOrder, *, at: datetime, zone: tzinfo) -> Decimal:
    """Hours of feeding per day: 24 for a continuous rate, the sum of the runs for a cyclic one, less under a cap."""
    running = Decimal(24)
    for delivery in order.deliveries:
        if delivery.repeats and delivery.duration is not None and delivery.rate_ml_h is not None:
            start = delivery.start or order.ordered or at
            begins = [
                b
                for b in occurrences(delivery, start=min(start, at), end=None, window=(at, at + DAY), zone=zone)
                if at <= b < at + DAY
            ]
            running = min(Decimal(24), hours(delivery.duration) * len(begins))
    rate = present_rate(order, at)
    if order.max_ml_day is not None and rate:
        running = min(running, order.max_ml_day / rate)
    return running


def bolus_count(order: EnergyOrder, *, at: datetime, zone: tzinfo) -> int:
    """How many boluses a day the order gives; 0 for a rate."""
    count = 0
    for delivery in order.deliveries:
        if delivery.volume_ml is not None and delivery.repeats:
            start = delivery.start or order.ordered or at
            window = (at, at + DAY)
            count += sum(
                1
                for b in occurrences(delivery, start=min(start, at), end=None, window=window, zone=zone)
                if at <= b < at + DAY
            )
    return count


def present_rate(order: EnergyOrder, at: datetime) -> Decimal | None:
    """The pump rate in force at an instant, mL/h; None for boluses or when nothing runs."""
    running = [
        d
        for d in order.deliveries
        if d.rate_ml_h is not None and (d.start or order.ordered) is not None and (d.start or order.ordered or at) <= at
    ]
    if not running:
        return None
    return max(running, key=lambda d: (d.start or order.ordered or at).timestamp()).rate_ml_h
