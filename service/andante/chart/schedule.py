"""FHIR Timing as a plain schedule. What cannot be summed says so; a vague schedule is never made exact."""

from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from decimal import Decimal

from andante.chart.datatypes import Quantity, Repeat, Timing
from andante.chart.models import Resource
from andante.chart.sheet import Sheet
from andante.chart.units import Unreadable, amount, convert, to
from andante.domain.quantities import UnknownUnit

_DAY = timedelta(days=1)
_LEAST_EVERY = timedelta(minutes=1)  # anything faster is a slip, not a schedule
MAX_TIMES = 500  # in one schedule, or stages in one order


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """When something is done: once or continuously from `start`, or repeatedly; or at single `events`."""

    start: datetime | None = None
    end: datetime | None = None
    every: timedelta | None = None
    times_of_day: tuple[time, ...] = ()
    duration: timedelta | None = None
    events: tuple[datetime, ...] = ()
    once: bool = False  # it says that it is done a single time, rather than saying nothing
    problem: str | None = None

    @property
    def repeats(self) -> bool:
        return self.every is not None or bool(self.times_of_day)

    @property
    def per_day(self) -> Decimal | None:
        """How often in a day; None where it does not repeat."""
        if self.times_of_day:
            return Decimal(len(self.times_of_day))
        if self.every is None:
            return None
        return Decimal(_microseconds(_DAY)) / _microseconds(self.every)


class _Vague(ValueError):
    """The schedule cannot be summed; the message says why."""


def read_schedule(sheet: Sheet, timing: Timing | None, start: datetime | None, source: Resource) -> Schedule:
    """The schedule of a Timing, starting at `start` where it states no start of its own. Never raises."""
    if timing is None:
        return Schedule(start=start)
    schedule = Schedule(start=start)
    try:
        repeat = timing.repeat or Repeat()
        schedule = _bounded(sheet, timing, repeat, start, source)
        schedule = _repeated(sheet, timing, repeat, schedule)
        return _counted(repeat, schedule)
    except _Vague as vague:
        return replace(schedule, problem=str(vague))
    except (OverflowError, ArithmeticError):
        return replace(schedule, problem="its schedule is beyond calculating")


def _bounded(sheet: Sheet, timing: Timing, repeat: Repeat, start: datetime | None, source: Resource) -> Schedule:
    if max(len(timing.event), len(repeat.time_of_day)) > MAX_TIMES:
        raise _Vague("its schedule lists more single times than can be meant")
    events = [sheet.instant(text, source) for text in timing.event]
    legal = tuple(sorted(event for event in events if event is not None))
    if len(legal) < len(events):
        raise _Vague("a time of its schedule is not a FHIR time with a zone")
    end: datetime | None = None
    if legal:
        start = legal[0]
    period = repeat.bounds_period
    if period is not None:
        first, end = sheet.span(period, source)
        if (first is None) != (period.start is None) or (end is None) != (period.end is None):
            raise _Vague("a bound of its schedule is not a FHIR time with a zone, or ends before it starts")
        start = first or start
    if repeat.bounds_duration is not None:
        if start is None:
            raise _Vague("its schedule states how long, but not from when")
        end = start + _timedelta_of(sheet, repeat.bounds_duration, source)
    if repeat.bounds_range is not None:
        raise _Vague("its schedule ends within a range of times")
    return Schedule(start=start, end=end, events=legal, once=bool(legal))


def _repeated(sheet: Sheet, timing: Timing, repeat: Repeat, schedule: Schedule) -> Schedule:
    if repeat.when or repeat.offset is not None:
        raise _Vague("its schedule is tied to meals or to other daily events")
    if repeat.day_of_week:
        raise _Vague("its schedule names days of the week")
    if repeat.count_max or repeat.duration_max or repeat.frequency_max or repeat.period_max:
        raise _Vague("its schedule gives a range where a number is needed")
    every = _every(repeat)
    times = _times(repeat, every)
    coded = _coded(sheet, timing, structured=every is not None or bool(times))
    if coded is not None:
        if every is not None and coded != every:
            raise _Vague("its schedule and its schedule code disagree")
        every = None if times else coded
    duration = None
    if repeat.duration is not None:
        duration = _span(repeat.duration, repeat.duration_unit)
        if every is not None and duration > every:
            raise _Vague("each time lasts longer than the time to the next")
    elif repeat.duration_unit is not None:
        raise _Vague("its schedule states a unit of duration without a number")
    if len(schedule.events) > 1 and (every or times):
        raise _Vague("its schedule both repeats and lists single times")
    return replace(
        schedule,
        every=None if times else every,
        times_of_day=times,
        duration=duration,
        events=() if every or times else schedule.events,
        once=schedule.once and not every and not times,
    )


def _every(repeat: Repeat) -> timedelta | None:
    if repeat.period is None and repeat.period_unit is None and repeat.frequency is None:
        return None
    if repeat.period is None or repeat.period_unit is None:
        raise _Vague("its schedule states how often, but not in which time")
    frequency = 1 if repeat.frequency is None else repeat.frequency
    if frequency < 1:
        raise _Vague("its schedule repeats less than once")
    every = _span(repeat.period, repeat.period_unit) / frequency
    if every < _LEAST_EVERY:
        raise _Vague("its schedule repeats faster than once a minute")
    return every


def _times(repeat: Repeat, every: timedelta | None) -> tuple[time, ...]:
    if not repeat.time_of_day:
        return ()
    try:
        found = tuple(sorted({time.fromisoformat(text) for text in repeat.time_of_day}))
    except ValueError as error:
        raise _Vague("a time of day of its schedule cannot be read") from error
    if len(found) < len(repeat.time_of_day):
        raise _Vague("its schedule states a time of day twice")
    if any(clock.tzinfo is not None for clock in found):
        raise _Vague("a time of day of its schedule carries a zone")
    whole_day = every == _DAY and repeat.frequency is None
    if every is not None and not whole_day and every * len(found) != _DAY:
        raise _Vague("its times of day and its frequency disagree")
    return found


def _coded(sheet: Sheet, timing: Timing, *, structured: bool) -> timedelta | None:
    """What a schedule code stands for. An unmapped one matters only where nothing else is stated."""
    if timing.code is None:
        return None
    found = sheet.codes.timings.among(timing.code)
    hours = {entry.every_hours for entry in found}
    if len(hours) > 1:
        raise _Vague("its schedule codes disagree")
    if hours:
        return timedelta(hours=hours.pop())
    if structured:
        return None
    raise _Vague("its schedule code is not one that can be summed")


def _counted(repeat: Repeat, schedule: Schedule) -> Schedule:
    count = repeat.count
    if count is None:
        return schedule
    if count < 1 or schedule.start is None or schedule.times_of_day:
        raise _Vague("its schedule counts times that cannot be placed")
    if schedule.every is None:
        if count > 1 and len(schedule.events) != count:
            raise _Vague("its schedule counts times that cannot be placed")
        return replace(schedule, once=True)
    # Just short of the next one, so that neither reading of an end bound adds or loses a time.
    last = schedule.start + schedule.every * count - timedelta(microseconds=1)
    return replace(schedule, end=min(last, schedule.end) if schedule.end else last)


def _timedelta_of(sheet: Sheet, quantity: Quantity, source: Resource) -> timedelta:
    try:
        value, notes = amount(quantity, to("h"), sheet.codes)
    except Unreadable as error:
        raise _Vague(f"its schedule states a duration that cannot be read: {error}") from error
    sheet.note_units(notes, source)
    return _hours(value)


def _span(value: Decimal, unit: str | None) -> timedelta:
    try:
        hours = convert(value, unit or "", "h")
    except UnknownUnit as error:
        # Months and years have no one length.
        raise _Vague("its schedule is in a unit of time that cannot be summed") from error
    if hours <= 0:
        raise _Vague("its schedule states a time of zero or less")
    return _hours(hours)


def _hours(value: Decimal) -> timedelta:
    return timedelta(microseconds=int(value * _microseconds(timedelta(hours=1))))


def _microseconds(span: timedelta) -> int:
    return span // timedelta(microseconds=1)
