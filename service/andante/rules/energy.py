"""How much energy an order brings: the timed sum of its administrations under its cap, not rate × 24."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, time, timedelta, tzinfo
from decimal import Decimal
from itertools import islice

from andante.domain.picture import Composition, Delivery, EnergyKind, EnergyOrder, OrderState
from andante.domain.protocol import Energy
from andante.rules.phrases import exact_to_20, hours

DAY = timedelta(hours=24)
_MAX_OCCURRENCES = 2000  # more within a day is a slip in the schedule, not a feed
_SOLID_G_ML = Decimal(1)  # a mL of any infusion weighs little more than a gram: more solids than that is a slip
_CANNOT = "a rate or volume is missing, zero, negative, or its schedule cannot be summed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Amount:
    """A sum that may not be known. `kcal` and `ml` are None when `problem` says why."""

    ml: Decimal | None
    kcal: Decimal | None
    problem: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """The one way in which an order gives: a rate over so many hours a day, or so many boluses a day."""

    hours: Decimal
    boluses: Decimal  # per day; 0 for a rate
    rate: Decimal | None  # mL/h
    bolus: Decimal | None  # mL
    capped: bool = False  # the order's most per day ends it sooner than its schedule would


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
            if not _is_possible(order.composition):
                return None, "what it is said to contain cannot be in a mL"
            return _composed(order.composition, energy), None
        case EnergyKind.ORAL_DIET:
            if order.nil_by_mouth:
                return Decimal(0), None
            return None, "a diet order states no energy"


def _is_possible(mix: Composition) -> bool:
    solids = (mix.dextrose_g_ml, mix.amino_acids_g_ml, mix.lipid_g_ml)
    return min(*solids, mix.citrate_mmol_ml) >= 0 and sum(solids) <= _SOLID_G_ML


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
    """What the order gives in a day.

    `frozen`: what is in force at `at`, as it would run on: the present energy. A stage to come does not count, an
    end that is near does not make it look smaller, and the clocks going forward or back do not change it.
    Otherwise: the timed sum over the 24 hours from `at`, scheduled increases included.
    """
    density, problem = kcal_per_ml(order, energy)
    if order.kind is EnergyKind.ORAL_DIET and order.nil_by_mouth:
        return Amount(ml=Decimal(0), kcal=Decimal(0))
    if order.problem and problem is None:
        problem = order.problem
    if not order.deliveries:
        problem = problem or "the order states no rate or volume"
    volume, volume_problem = _present(order, at=at) if frozen else _timed(order, opens=at, zone=zone)
    problem = problem or volume_problem
    if problem or volume is None or density is None:
        return Amount(ml=None if volume_problem else volume, kcal=None, problem=problem)
    return Amount(ml=volume, kcal=exact_to_20(volume * density))


# --------------------------------------------------------------------------- the present


def _present(order: EnergyOrder, *, at: datetime) -> tuple[Decimal | None, str | None]:
    problem = _problem(order)
    if problem:
        return None, problem
    total = Decimal(0)
    for delivery in _running(order, at):
        if not delivery.repeats:
            total += (delivery.rate_ml_h or Decimal(0)) * 24
        elif delivery.volume_ml is not None:
            total += delivery.volume_ml * _per_day(delivery)
        else:
            total += (delivery.rate_ml_h or Decimal(0)) * _hours_per_day(delivery)
    # A single dose counts for the day after it was given.
    total += sum(
        (d.volume_ml for d in order.deliveries if _is_single(d) and d.volume_ml and _given_within_a_day(order, d, at)),
        Decimal(0),
    )
    return _capped(total, order), None


def _running(order: EnergyOrder, at: datetime) -> list[Delivery]:
    """The deliveries in force: of the plain rates the last one begun, and every repeating one."""
    begun = [d for d in order.deliveries if (s := d.start or order.ordered) is not None and s <= at]
    plain = [d for d in begun if not d.repeats and not _is_single(d)]
    latest = max(((d.start or order.ordered or at) for d in plain), default=None)
    current = [d for d in plain if (d.start or order.ordered) == latest]
    current += [d for d in begun if d.repeats]
    return [d for d in current if d.end is None or at < d.end]


def _is_single(delivery: Delivery) -> bool:
    return not delivery.repeats and delivery.rate_ml_h is None


def _given_within_a_day(order: EnergyOrder, delivery: Delivery, at: datetime) -> bool:
    start = delivery.start or order.ordered
    return start is not None and timedelta(0) <= at - start < DAY


def _per_day(delivery: Delivery) -> Decimal:
    """How often a day on average: on a day with a clock change too."""
    if delivery.times_of_day:
        return Decimal(len(set(delivery.times_of_day)))
    return 24 / hours(delivery.every) if delivery.every else Decimal(0)


def _hours_per_day(delivery: Delivery) -> Decimal:
    return hours(delivery.duration or timedelta(0)) * _per_day(delivery)


def _capped(volume: Decimal, order: EnergyOrder) -> Decimal:
    return volume if order.max_ml_day is None else min(volume, order.max_ml_day)


def _problem(order: EnergyOrder) -> str | None:
    """Why the order cannot be summed, whatever the instant."""
    if order.max_ml_day is not None and order.max_ml_day <= 0:
        return "its most per day is zero or negative"
    for delivery in order.deliveries:
        if delivery.problem:
            return delivery.problem
        if delivery.start is None and order.ordered is None:
            return "the order states no start"
        amounts = [v for v in (delivery.rate_ml_h, delivery.volume_ml) if v is not None]
        if not amounts or any(v <= 0 for v in amounts):
            return _CANNOT
        if len(amounts) > 1 and not delivery.repeats:
            return "it states both a rate and a volume: how long it runs is left open"
        if delivery.every is not None and delivery.every <= timedelta(0):
            return _CANNOT
        if delivery.repeats and _per_day(delivery) > _MAX_OCCURRENCES:
            return _CANNOT
        if delivery.repeats and delivery.volume_ml is None and not _fits(delivery):
            return "each time is without a length, or lasts longer than the time to the next"
    return None


def _fits(delivery: Delivery) -> bool:
    return delivery.duration is not None and timedelta(0) < delivery.duration and _hours_per_day(delivery) <= 24


def present_pattern(order: EnergyOrder, at: datetime) -> Pattern | None:
    """How the order gives at `at`, or from its start where it is still to come; None for more than one way at once."""
    start = start_of(order)
    at = max(at, start) if start is not None else at
    running = _running(order, at)
    if _problem(order) or len(running) != 1 or any(_is_single(d) for d in order.deliveries):
        return None
    delivery = running[0]
    if delivery.repeats and delivery.volume_ml is not None:
        boluses = _per_day(delivery)
        capped = order.max_ml_day is not None and order.max_ml_day < boluses * delivery.volume_ml
        return Pattern(hours=Decimal(24), boluses=boluses, rate=None, bolus=delivery.volume_ml, capped=capped)
    rate = delivery.rate_ml_h
    if rate is None:
        return None
    running_hours = _hours_per_day(delivery) if delivery.repeats else Decimal(24)
    capped = order.max_ml_day is not None and order.max_ml_day < rate * running_hours
    return Pattern(hours=running_hours, boluses=Decimal(0), rate=rate, bolus=None, capped=capped)


def present_rate(order: EnergyOrder, at: datetime) -> Decimal | None:
    """The pump rate in force at an instant, mL/h; None for boluses, several rates at once, or when nothing runs."""
    rates = [d.rate_ml_h for d in _running(order, at) if d.rate_ml_h is not None]
    return rates[0] if len(rates) == 1 else None


# --------------------------------------------------------------------------- over a time


def kcal_between(order: EnergyOrder, energy: Energy, *, opens: datetime, closes: datetime, zone: tzinfo) -> Amount:
    """What the order would have given between two instants, as it was timed and while it was in force."""
    density, problem = kcal_per_ml(order, energy)
    problem = _problem(order) or problem or order.problem
    if density is None or problem or not order.deliveries:
        return Amount(ml=None, kcal=None, problem=problem or "the order states no rate or volume")
    stops = end_of(order)
    volume = _timed_until(order, opens=opens, closes=closes, zone=zone, stops=stops)
    if volume is None:
        return Amount(ml=None, kcal=None, problem=_CANNOT)
    if order.max_ml_day is not None:
        volume = min(volume, order.max_ml_day * max(Decimal(1), hours(closes - opens) / 24))
    return Amount(ml=volume, kcal=exact_to_20(volume * density))


def _timed_until(
    order: EnergyOrder, *, opens: datetime, closes: datetime, zone: tzinfo, stops: datetime | None
) -> Decimal | None:
    starts = sorted({d.start or order.ordered or opens for d in order.deliveries if not _is_single(d)})
    total = Decimal(0)
    for delivery in order.deliveries:
        start = delivery.start or order.ordered or opens
        ends = [delivery.end, stops]
        if not delivery.repeats and not _is_single(delivery):
            ends.append(next((s for s in starts if s > start), None))
        end = min((e for e in ends if e is not None), default=None)
        volume = _given(delivery, start=start, end=end, window=(opens, closes), zone=zone)
        if volume is None:
            return None
        total += volume
    return total


# --------------------------------------------------------------------------- the coming day


def _timed(order: EnergyOrder, *, opens: datetime, zone: tzinfo) -> tuple[Decimal | None, str | None]:
    problem = _problem(order)
    if problem:
        return None, problem
    closes = opens + DAY
    starts = sorted({d.start or order.ordered or opens for d in order.deliveries if not _is_single(d)})
    last = starts[-1] if starts else opens
    total = Decimal(0)
    for delivery in order.deliveries:
        start = delivery.start or order.ordered or opens
        end = delivery.end
        if start >= last and end is not None and end > opens:
            end = None  # the last one in force runs on: it does not look smaller because it is about to be renewed
        elif not delivery.repeats and not _is_single(delivery):
            following = next((s for s in starts if s > start), None)
            end = min((e for e in (end, following) if e is not None), default=None)
        volume = _given(delivery, start=start, end=end, window=(opens, closes), zone=zone)
        if volume is None:
            return None, _CANNOT
        total += volume
    return _capped(total, order), None


def _given(
    delivery: Delivery,
    *,
    start: datetime,
    end: datetime | None,
    window: tuple[datetime, datetime],
    zone: tzinfo,
) -> Decimal | None:
    """mL given within the window, or None for more occurrences than can be meant."""
    opens, closes = window
    rate, volume = delivery.rate_ml_h or Decimal(0), delivery.volume_ml
    if not delivery.repeats:
        if volume is not None:
            return volume if opens <= start < closes and (end is None or start <= end) else Decimal(0)
        running = min(e for e in (end, closes) if e is not None) - max(start, opens)
        return rate * hours(max(running, timedelta(0)))
    begins = list(islice(occurrences(delivery, start=start, end=end, window=window, zone=zone), _MAX_OCCURRENCES + 1))
    if len(begins) > _MAX_OCCURRENCES:
        return None
    if volume is not None:
        return volume * sum(1 for b in begins if opens <= b < closes)
    total = Decimal(0)
    for begin in begins:
        finish = min(e for e in (begin + (delivery.duration or DAY), end, closes) if e is not None)
        total += rate * hours(max(finish - max(begin, opens), timedelta(0)))
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
    reach = min(delivery.duration or timedelta(0), DAY)
    if delivery.times_of_day:
        yield from _at_times(delivery.times_of_day, start, end, opens - reach, closes, zone)
    elif delivery.every is not None and delivery.every > timedelta(0):
        skipped = max(0, (opens - reach - start) // delivery.every)
        begins = start + skipped * delivery.every
        while begins < closes and (end is None or begins < end):
            if begins + reach >= opens:
                yield begins
            if delivery.every >= closes - begins:
                return
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
    while day <= closes.astimezone(zone).date():
        for clock in sorted(set(times)):
            begins = datetime.combine(day, clock, tzinfo=zone)
            if opens <= begins < closes and begins >= start and (end is None or begins < end):
                yield begins
        day += timedelta(days=1)
