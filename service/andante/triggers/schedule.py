"""Rounds and the night watch at the hospital's own times of day; one at a time, none lost or doubled by DST."""

import asyncio
import logging
from collections.abc import Awaitable, Callable, Sequence
from datetime import UTC, datetime, time, timedelta, tzinfo

from apscheduler.events import EVENT_JOB_MAX_INSTANCES, EVENT_JOB_MISSED, JobEvent  # type: ignore[import-untyped]
from apscheduler.schedulers.asyncio import AsyncIOScheduler  # type: ignore[import-untyped]
from apscheduler.triggers.base import BaseTrigger  # type: ignore[import-untyped]

from andante import clock, log

RunRound = Callable[[str], Awaitable[object]]
ROUND, NIGHT_WATCH, CHANGES = "round", "night-watch", "changes"
KINDS = (ROUND, NIGHT_WATCH, CHANGES)
SECOND_LOOK = "second-look"
"""At patients whom a pass did not serve whole: no round by the clock, and it stands in for none."""
LOOK_EVERY_S = 60.0
_MADE_UP = "-made-up"
SET_BACK = timedelta(minutes=10)
"""A clock that goes back by more has been wrong before; by less, a round just held would only be held twice."""


def next_after(instant: datetime, times: Sequence[time], zone: tzinfo) -> datetime:
    """The first of the times of day after `instant`, in UTC.

    Where clocks go back, a time that comes twice counts the first time only. Where they go forward, a time that is
    left out counts as the instant it would have been: an hour later on the clock, not lost.
    """
    today = instant.astimezone(zone).date()
    days = (today + timedelta(days=offset) for offset in (-1, 0, 1, 2))
    due = (datetime.combine(day, at, zone).astimezone(UTC) for day in days for at in times)
    return min(when for when in due if when > instant)


class _TimesOfDay(BaseTrigger):  # type: ignore[misc]
    """APScheduler's own cron trigger runs twice in the night in which clocks go back."""

    def __init__(self, times: Sequence[time], zone: tzinfo) -> None:
        self.times, self.zone = tuple(times), zone

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        return next_after(previous_fire_time or now, self.times, self.zone)

    def __str__(self) -> str:
        return "times of day"


class _Watchful(AsyncIOScheduler):  # type: ignore[misc]
    """Looks at the clock once a minute at least.

    A timer knows nothing of a clock that is set, or of a machine that was suspended: the round would come as much too
    late. And what was due by a clock that ran ahead would wait until it is as late as that again.
    """

    def __init__(self, *, now: Callable[[], datetime] = clock.now, **given: object) -> None:
        super().__init__(**given)
        self._now = now
        self._seen: datetime | None = None

    def _start_timer(self, wait_seconds: float | None) -> None:
        super()._start_timer(None if wait_seconds is None else min(wait_seconds, LOOK_EVERY_S))

    def _process_jobs(self) -> float | None:
        now, before = self._now(), self._seen
        self._seen = now
        if before is not None and now < before - SET_BACK:
            log.say("clock.set-back", level=logging.WARNING, seconds=(before - now).total_seconds())
            for job in self.get_jobs():
                job.reschedule(job.trigger)
        wait: float | None = super()._process_jobs()
        return wait


def scheduler(
    run: RunRound,
    *,
    round_times: Sequence[time],
    night_watch_times: Sequence[time],
    zone: tzinfo,
    misfire_grace_s: int,
    changes_every_s: int = 0,
    lock: asyncio.Lock | None = None,
    missed: Callable[[str], None] = lambda trigger: None,
) -> AsyncIOScheduler:
    """A scheduler, not yet started. `run` is told the trigger's name; a round waits for the one before it.

    `lock` is held during each; `missed` hears of a round that came too late to begin, and that is made up for at once.
    With `changes_every_s` there are also rounds by change time, so many seconds apart.
    """
    one_at_a_time = lock or asyncio.Lock()

    async def guarded(trigger: str) -> None:
        try:
            await run(trigger)
        except Exception as error:
            # One failed round must not end the rounds to come.
            log.warn("round.failed", error=error, trigger=trigger)

    async def once(trigger: str) -> None:
        async with one_at_a_time:
            with log.correlated("round", log.new_id()):
                await guarded(trigger)

    made = _Watchful(timezone=UTC)
    for name, times in ((ROUND, round_times), (NIGHT_WATCH, night_watch_times)):
        made.add_job(
            once,
            trigger=_TimesOfDay(times, zone),
            args=[name],
            id=name,
            max_instances=1,
            coalesce=True,
            misfire_grace_time=misfire_grace_s,
        )
    if changes_every_s:
        made.add_job(
            once, "interval", seconds=changes_every_s, args=[CHANGES], id=CHANGES, max_instances=1, coalesce=True
        )

    def tell_missed(event: JobEvent) -> None:
        is_missed = event.code == EVENT_JOB_MISSED  # else it waits, or runs: it will be told of when it has ended
        trigger = event.job_id.removesuffix(_MADE_UP)
        log.say("round.missed" if is_missed else "round.still-running", level=logging.WARNING, trigger=trigger)
        if is_missed:
            missed(event.job_id)
        if is_missed and event.job_id != CHANGES:  # the next of those comes anyway
            name = f"{event.job_id}{_MADE_UP}"
            made.add_job(once, args=[event.job_id], id=name, misfire_grace_time=None, replace_existing=True)

    made.add_listener(tell_missed, EVENT_JOB_MISSED | EVENT_JOB_MAX_INSTANCES)
    return made
