"""Rounds run at the hospital's own times of day, once each, also when the clocks change."""

import asyncio
import io
import json
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from apscheduler.events import EVENT_JOB_MAX_INSTANCES, EVENT_JOB_MISSED, JobEvent

from andante import log
from andante.triggers.schedule import CHANGES, LOOK_EVERY_S, NIGHT_WATCH, ROUND, SET_BACK, next_after, scheduler
from commands import kept_logging

VIENNA = ZoneInfo("Europe/Vienna")


def times(*texts: str) -> list[time]:
    return [time.fromisoformat(text) for text in texts]


NIGHTS = [
    # what happens, from, times of day, next rounds in UTC
    ("winter", "2031-01-10T00:00Z", ["06:30"], ["2031-01-10T05:30Z", "2031-01-11T05:30Z"]),
    ("summer", "2031-07-10T00:00Z", ["06:30"], ["2031-07-10T04:30Z", "2031-07-11T04:30Z"]),
    ("two a day", "2031-07-10T00:00Z", ["14:00", "06:30"], ["2031-07-10T04:30Z", "2031-07-10T12:00Z"]),
    ("an instant is not after itself", "2031-07-10T04:30Z", ["06:30"], ["2031-07-11T04:30Z"]),
    ("clocks go forward: same time of day", "2031-03-29T12:00Z", ["06:30"], ["2031-03-30T04:30Z"]),
    ("02:30 is left out: an hour later on the clock", "2031-03-29T12:00Z", ["02:30"],
     ["2031-03-30T01:30Z", "2031-03-31T00:30Z"]),
    ("clocks go back: same time of day", "2031-10-25T12:00Z", ["06:30"], ["2031-10-26T05:30Z"]),
    ("02:30 comes twice: the first counts", "2031-10-25T12:00Z", ["02:30"],
     ["2031-10-26T00:30Z", "2031-10-27T01:30Z"]),
]  # fmt: skip


@pytest.mark.parametrize(("what", "start", "at", "expected"), NIGHTS, ids=[night[0] for night in NIGHTS])
def test_rounds_follow_the_hospitals_clock(what: str, start: str, at: list[str], expected: list[str]) -> None:
    instant, found = datetime.fromisoformat(start), []
    for _ in expected:
        instant = next_after(instant, times(*at), VIENNA)
        found.append(instant)
    assert found == [datetime.fromisoformat(text) for text in expected]


def made(run, **changes):  # type: ignore[no-untyped-def]
    given = {
        "round_times": times("06:30"),
        "night_watch_times": times("20:00"),
        "zone": VIENNA,
        "misfire_grace_s": 900,
    }
    return scheduler(run, **(given | changes))


async def test_a_late_round_runs_once_and_never_twice_at_a_time() -> None:
    async def run(trigger: str) -> None: ...

    jobs = {job.id: job for job in made(run).get_jobs()}
    assert set(jobs) == {ROUND, NIGHT_WATCH}
    for job in jobs.values():
        assert (job.max_instances, job.coalesce, job.misfire_grace_time) == (1, True, 900)


async def test_a_round_that_was_slept_through_is_told_of_and_made_up_for_at_once() -> None:
    ran: list[str] = []
    missed: list[str] = []

    async def run(trigger: str) -> None:
        ran.append(trigger)

    clockwork = made(run, changes_every_s=3 * 3600, missed=missed.append)
    clockwork.start()
    try:
        two_hours_ago = datetime.now(UTC) - timedelta(hours=2)  # noqa: TID251 - the scheduler's own clock is the wall's
        for name in (ROUND, CHANGES):
            clockwork.modify_job(name, next_run_time=two_hours_ago)
        for _ in range(200):
            await asyncio.sleep(0.01)
            if len(missed) == 2 and ran:
                break
        await asyncio.sleep(0.05)
    finally:
        clockwork.shutdown(wait=False)
    assert sorted(missed) == [CHANGES, ROUND]
    assert ran == [ROUND], "the next look for changes comes anyway"


async def test_rounds_by_change_time_run_only_where_they_are_asked_for() -> None:
    async def run(trigger: str) -> None: ...

    jobs = {job.id: job for job in made(run, changes_every_s=300).get_jobs()}
    assert set(jobs) == {ROUND, NIGHT_WATCH, CHANGES}
    assert jobs[CHANGES].trigger.interval.total_seconds() == 300
    assert (jobs[CHANGES].max_instances, jobs[CHANGES].coalesce) == (1, True)


async def test_the_jobs_fire_at_the_hospitals_times() -> None:
    async def run(trigger: str) -> None: ...

    jobs = {job.id: job for job in made(run).get_jobs()}
    now = datetime(2031, 10, 25, 12, tzinfo=UTC)
    fires = jobs[ROUND].trigger.get_next_fire_time(None, now)
    assert fires == datetime(2031, 10, 26, 5, 30, tzinfo=UTC)
    assert jobs[ROUND].trigger.get_next_fire_time(fires, now) == datetime(2031, 10, 27, 5, 30, tzinfo=UTC)


async def test_the_clock_is_looked_at_once_a_minute_and_a_clock_put_right_counts() -> None:
    """A timer for the hours until the next round would not notice that the clock was set."""

    async def run(trigger: str) -> None: ...

    at = datetime(2031, 3, 27, 12, tzinfo=UTC)
    clockwork = made(run)
    clockwork._now = lambda: at
    clockwork.start()
    await asyncio.sleep(0.01)
    try:
        assert clockwork._timeout.when() - asyncio.get_running_loop().time() <= LOOK_EVERY_S
        far = datetime(2100, 1, 1, tzinfo=UTC)
        clockwork.modify_job(ROUND, next_run_time=far)  # as the wrong clock had it
        at -= SET_BACK / 2
        clockwork._process_jobs()
        assert clockwork.get_job(ROUND).next_run_time == far, "by little: a round just held is not held again"
        at -= SET_BACK * 2
        clockwork._process_jobs()
        assert clockwork.get_job(ROUND).next_run_time < far
    finally:
        clockwork.shutdown(wait=False)


async def test_a_failed_round_does_not_end_the_rounds_to_come_and_the_night_watch_waits_its_turn() -> None:
    running, most, seen = 0, 0, []

    async def run(trigger: str) -> None:
        nonlocal running, most
        running += 1
        most = max(most, running)
        for _ in range(3):
            await asyncio.sleep(0)
        running -= 1
        seen.append(trigger)
        raise RuntimeError("the server is away")

    jobs = {job.id: job for job in made(run).get_jobs()}
    await asyncio.gather(*(job.func(*job.args) for job in jobs.values()))
    assert sorted(seen) == [NIGHT_WATCH, ROUND]
    assert most == 1


async def test_the_line_of_a_failed_round_carries_the_id_that_its_own_lines_carry() -> None:
    seen: list[str | None] = []

    async def run(trigger: str) -> None:
        seen.append(log.current("round"))
        raise RuntimeError("the server is away")

    stream = io.StringIO()
    jobs = {job.id: job for job in made(run).get_jobs()}
    with kept_logging():
        log.start("INFO", stream)
        for _ in range(2):
            await jobs[ROUND].func(*jobs[ROUND].args)
    told = [json.loads(line) for line in stream.getvalue().splitlines()]
    assert [line["action"] for line in told] == ["round.failed"] * 2
    assert [line["round"] for line in told] == seen
    assert len(set(seen)) == 2


@pytest.mark.parametrize(("code", "told"), [(EVENT_JOB_MISSED, [ROUND]), (EVENT_JOB_MAX_INSTANCES, [])])
async def test_a_round_that_came_too_late_is_told_and_one_that_waits_is_not(code: int, told: list[str]) -> None:
    """APScheduler says both: https://apscheduler.readthedocs.io/en/3.x/modules/events.html"""

    async def run(trigger: str) -> None: ...

    missed: list[str] = []
    clockwork = made(run, missed=missed.append)
    clockwork.start(paused=True)
    try:
        clockwork._dispatch_event(JobEvent(code, ROUND, "default"))
    finally:
        clockwork.shutdown(wait=False)
    assert missed == told
