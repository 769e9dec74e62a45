"""How much is given and when: rates and volumes under a schedule, each summable or with its problem."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import islice

from andante.chart.datatypes import Quantity, Ratio, Timing
from andante.chart.models import Resource
from andante.chart.schedule import MAX_TIMES, Schedule, read_schedule
from andante.chart.sheet import Sheet
from andante.chart.units import Note, Unreadable, amount, ratio_amount, to
from andante.domain.picture import Delivery

_HOUR_US = timedelta(hours=1) // timedelta(microseconds=1)


def read_deliveries(
    sheet: Sheet,
    source: Resource,
    timing: Timing | None,
    *,
    start: datetime | None,
    volume: Quantity | None = None,
    rate: Quantity | None = None,
    rate_ratio: Ratio | None = None,
    problem: str | None = None,
) -> tuple[Delivery, ...]:
    """One administration as deliveries; several where its schedule lists single times.

    `start` serves where the schedule states none. A `problem` found before is carried.
    """
    schedule = read_schedule(sheet, timing, start, source)
    return place_deliveries(sheet, source, schedule, volume=volume, rate=rate, rate_ratio=rate_ratio, problem=problem)


def bounded(deliveries: Iterable[Delivery]) -> tuple[Delivery, ...]:
    """The deliveries of one order; of more than can be meant, only that they cannot be summed."""
    found = tuple(islice(deliveries, MAX_TIMES + 1))
    if len(found) <= MAX_TIMES:
        return found
    starts = [delivery.start for delivery in found if delivery.start is not None]
    return (Delivery(start=min(starts, default=None), problem="it has more stages than can be meant"),)


def place_deliveries(
    sheet: Sheet,
    source: Resource,
    schedule: Schedule,
    *,
    volume: Quantity | None = None,
    rate: Quantity | None = None,
    rate_ratio: Ratio | None = None,
    problem: str | None = None,
) -> tuple[Delivery, ...]:
    """As `read_deliveries`, under a schedule already read."""
    bare = Delivery(start=schedule.start, end=schedule.end)
    problem = problem or schedule.problem
    if problem is None and schedule.start is None:
        problem = "it states no start"
    if problem is not None:
        return (replace(bare, problem=problem),)
    try:
        given = _read_amounts(sheet, source, volume=volume, rate=rate, rate_ratio=rate_ratio)
        return _placed(schedule, given)
    except Unreadable as error:
        return (replace(bare, problem=str(error)),)
    except (OverflowError, ArithmeticError):
        return (replace(bare, problem="its amounts are beyond calculating"),)


def _read_amounts(
    sheet: Sheet,
    source: Resource,
    *,
    volume: Quantity | None,
    rate: Quantity | None,
    rate_ratio: Ratio | None,
) -> tuple[Decimal | None, Decimal | None]:
    """Volume in mL and rate in mL/h."""
    notes: list[Note] = []
    ml, ml_h = None, None
    if rate is not None and rate_ratio is not None:
        raise Unreadable("it states two rates")
    try:
        if volume is not None:
            ml, found = amount(volume, to("mL"), sheet.codes)
            notes += found
    except Unreadable as error:
        raise Unreadable(f"its volume cannot be read: {error}") from error
    try:
        if rate is not None:
            ml_h, found = amount(rate, to("mL/h"), sheet.codes)
            notes += found
        if rate_ratio is not None:
            ml_h, found = ratio_amount(rate_ratio, "mL/h", sheet.codes)
            notes += found
    except Unreadable as error:
        raise Unreadable(f"its rate cannot be read: {error}") from error
    if ml is None and ml_h is None:
        raise Unreadable("it states no rate and no volume")
    sheet.note_units(notes, source)
    return ml, ml_h


def _placed(schedule: Schedule, given: tuple[Decimal | None, Decimal | None]) -> tuple[Delivery, ...]:
    ml, ml_h = given
    if ml is not None and not schedule.repeats and not schedule.once:
        # Once or every day? Read as once, a feed that runs daily would look as if it had stopped.
        raise Unreadable("it states a volume without saying how often")
    duration = schedule.duration
    if ml is not None and ml_h is not None:
        # The volume is what is given each time; the rate only says how long that takes.
        duration = duration or timedelta(microseconds=int(ml / ml_h * Decimal(_HOUR_US)))
        if schedule.every is not None and duration > schedule.every:
            raise Unreadable("its volume takes longer at its rate than the time to the next")
        if schedule.repeats:
            ml_h = None
        else:
            ml = None
    whole = Delivery(
        start=schedule.start,
        end=schedule.end,
        rate_ml_h=ml_h,
        volume_ml=ml,
        every=schedule.every,
        duration=duration,
        times_of_day=schedule.times_of_day,
    )
    if ml_h is None:
        return tuple(replace(whole, start=event) for event in schedule.events) or (whole,)
    if schedule.repeats:
        if duration is None:
            raise Unreadable("its rate repeats without saying how long it runs each time")
        return (whole,)
    if len(schedule.events) > 1 and duration is None:
        raise Unreadable("its rate starts at several times without saying how long it runs")
    starts = schedule.events or ((schedule.start,) if schedule.start else ())
    return tuple(_run(whole, begins, duration) for begins in starts)


def _run(delivery: Delivery, start: datetime, duration: timedelta | None) -> Delivery:
    """A rate from `start`, ending with its duration or its bound, whichever comes first."""
    ends = [end for end in (delivery.end, start + duration if duration else None) if end is not None]
    return replace(delivery, start=start, end=min(ends, default=None), duration=None)
