"""Hints, the worker that turns them into reviews, and the watch over what the hooks tell."""

import asyncio
from collections.abc import Collection
from datetime import datetime, timedelta

import pytest

from andante.errors import Absent, AuditFailed, Refused, Unreachable
from andante.subscriptions.hints import Hints
from andante.subscriptions.notification import EVENT, HANDSHAKE, HEARTBEAT, PING, Notification
from andante.subscriptions.watch import Watch
from andante.subscriptions.worker import Work, Worker
from andante.writeback.hooks import HookSite

START = datetime.fromisoformat("2031-03-27T06:30:00+00:00")
PLAIN = HookSite(address="https://andante.example/notify", secret="x" * 24)
BY_TOPIC = HookSite(address=PLAIN.address, secret=PLAIN.secret, topic="https://server.example/topic", heartbeat_s=60)
MINUTE = timedelta(minutes=1)

# --------------------------------------------------------------------------- hints


def test_many_hints_about_one_patient_are_one() -> None:
    hints = Hints()
    for _ in range(100):
        hints.add(patients=["p1"], resources=["Observation/o1"])
    assert len(hints) == 2
    batch = hints.take()
    assert (batch.patients, batch.resources, batch.catch_up) == ({"p1"}, {"Observation/o1"}, False)
    assert not hints.take()
    assert not hints.arrived.is_set()


def test_too_many_hints_become_one_catch_up_and_take_no_more_room() -> None:
    hints = Hints(most=10)
    for number in range(10_000):
        hints.add(patients=[f"p{number}"])
        assert len(hints) <= 10
    assert hints.take().catch_up


def test_a_catch_up_may_be_left_waiting() -> None:
    hints = Hints()
    hints.add(patients=["p1"], catch_up=True)
    assert hints.take(catch_up=False).patients == {"p1"}
    assert hints.catching_up
    assert hints.take().catch_up


# --------------------------------------------------------------------------- the worker


class Desk:
    """Does what a worker asks, unless told to fail."""

    def __init__(self, *, again_after: timedelta | None = 5 * MINUTE) -> None:
        self.now = START
        self.hints, self.lock = Hints(), asyncio.Lock()
        self.reviewed: list[list[str]] = []
        self.catch_ups = 0
        self.failing: list[Exception] = []
        self.not_whole: set[str] = set()
        self.subjects: dict[str, str | Exception | None] = {"Observation/o1": "p1"}
        work = Work(review=self.review, catch_up=self.catch_up, whose=self.whose)
        self.worker = Worker(self.hints, work, lock=self.lock, now=lambda: self.now, again_after=again_after)

    async def review(self, patients: Collection[str]) -> Collection[str]:
        assert self.lock.locked()
        self._fail()
        self.reviewed.append(list(patients))
        return self.not_whole & set(patients)

    async def catch_up(self) -> timedelta:
        assert self.lock.locked()
        self._fail()
        self.catch_ups += 1
        return MINUTE

    async def whose(self, key: str) -> str | None:
        found = self.subjects[key]
        if isinstance(found, Exception):
            raise found
        return found

    def _fail(self) -> None:
        if self.failing:
            raise self.failing.pop(0)


async def test_a_hinted_patient_is_read_at_once_and_once_more_later_but_not_for_ever() -> None:
    desk = Desk()
    desk.hints.add(patients=["p1"], resources=["Observation/o1"])
    for _ in range(30):
        assert await desk.worker.step()
        desk.now += MINUTE
    assert desk.reviewed == [["p1"], ["p1"]]


async def test_where_rounds_by_change_time_run_one_look_is_enough() -> None:
    desk = Desk(again_after=None)
    desk.hints.add(patients=["p1"])
    for _ in range(10):
        await desk.worker.step()
        desk.now += MINUTE
    assert desk.reviewed == [["p1"]]


@pytest.mark.parametrize("error", [Unreachable("away"), Refused("no"), AuditFailed("no room on the disk")])
async def test_what_fails_is_put_back_and_nothing_is_lost(error: Exception) -> None:
    desk = Desk()
    desk.hints.add(patients=["p1", "p2"])
    desk.failing = [error]
    assert not await desk.worker.step()
    assert await desk.worker.step()
    assert desk.reviewed == [["p1", "p2"]]


async def test_a_defect_of_ours_neither_ends_the_worker_nor_runs_in_a_circle() -> None:
    desk = Desk()
    desk.hints.add(patients=["p1"])
    desk.failing = [ZeroDivisionError()]
    assert await desk.worker.step()
    assert len(desk.hints) == 0


async def minutes(desk: Desk, count: int) -> list[tuple[int, list[str]]]:
    """Who was reviewed, and after how many minutes."""
    found: list[tuple[int, list[str]]] = []
    for minute in range(count):
        before = len(desk.reviewed)
        assert await desk.worker.step()
        found += [(minute, patients) for patients in desk.reviewed[before:]]
        desk.now += MINUTE
    return found


async def test_a_hint_is_not_used_up_by_a_review_that_could_not_be_whole() -> None:
    desk = Desk()
    desk.not_whole = {"p1"}
    desk.hints.add(patients=["p1", "p2"])
    assert await minutes(desk, 8) == [(0, ["p1", "p2"]), (1, ["p1"]), (3, ["p1"]), (5, ["p2"]), (7, ["p1"])]
    desk.not_whole = set()
    assert await minutes(desk, 100) == [(7, ["p1"])]
    assert desk.worker._undone == {}


async def test_who_is_never_read_whole_is_tried_ever_more_seldom_but_not_given_up() -> None:
    desk = Desk()
    desk.not_whole = {"p1"}
    desk.hints.add(patients=["p1"])
    tried = [minute for minute, _ in await minutes(desk, 260)]
    assert tried == [0, 1, 3, 7, 15, 31, 63, 123, 183, 243]


async def test_more_who_are_not_read_whole_than_can_be_remembered_become_one_catch_up() -> None:
    desk = Desk()
    patients = [f"p{number}" for number in range(1_200)]
    desk.not_whole = set(patients)
    for start in (0, 600):
        desk.hints.add(patients=patients[start : start + 600])
        await desk.worker.step()
    assert (len(desk.worker._again), len(desk.worker._undone)) == (0, 0)
    assert desk.hints.catching_up


async def test_however_often_it_fails_the_worker_goes_on() -> None:
    desk, waits, served = Desk(), list[float](), asyncio.Event()

    async def review(patients: Collection[str]) -> Collection[str]:
        if len(waits) < 3_000:
            raise Unreachable("away")
        served.set()
        return ()

    async def no_wait(seconds: float) -> None:
        waits.append(seconds)
        await asyncio.sleep(0)

    work = Work(review=review, catch_up=desk.catch_up, whose=desk.whose)
    worker = Worker(desk.hints, work, lock=desk.lock, now=lambda: desk.now, again_after=None, sleep=no_wait)
    running = asyncio.create_task(worker.run())
    desk.hints.add(patients=["p1"])
    served_or_ended = asyncio.create_task(served.wait())
    await asyncio.wait({running, served_or_ended}, return_when=asyncio.FIRST_COMPLETED)
    assert served.is_set()
    assert max(waits) == 600
    for task in (running, served_or_ended):
        task.cancel()
    await asyncio.gather(running, served_or_ended, return_exceptions=True)


async def test_a_defect_outside_a_step_does_not_end_the_worker_either() -> None:
    desk, waits, served = Desk(), list[float](), asyncio.Event()
    clocks = iter([ZeroDivisionError()])

    def now() -> datetime:
        for error in clocks:
            raise error
        return desk.now

    async def review(patients: Collection[str]) -> Collection[str]:
        served.set()
        return ()

    async def no_wait(seconds: float) -> None:
        waits.append(seconds)
        await asyncio.sleep(0)

    work = Work(review=review, catch_up=desk.catch_up, whose=desk.whose)
    worker = Worker(desk.hints, work, lock=desk.lock, now=now, again_after=None, sleep=no_wait)
    running = asyncio.create_task(worker.run())
    desk.hints.add(patients=["p1"])
    served_or_ended = asyncio.create_task(served.wait())
    await asyncio.wait({running, served_or_ended}, return_when=asyncio.FIRST_COMPLETED)
    assert served.is_set()
    assert waits == [1, 600, 1]
    for task in (running, served_or_ended):
        task.cancel()
    await asyncio.gather(running, served_or_ended, return_exceptions=True)


@pytest.mark.parametrize("answer", [None, Absent("gone"), Refused("no such type")], ids=["nobody's", "gone", "refused"])
async def test_a_resource_that_leads_to_nobody_makes_a_catch_up_and_does_not_stop_the_others(
    answer: Exception | None,
) -> None:
    desk = Desk()
    desk.subjects["Observation/o2"] = answer
    desk.hints.add(resources=["Observation/o1", "Observation/o2"])
    assert await desk.worker.step()
    assert desk.reviewed == [["p1"]]
    await desk.worker.step()
    assert desk.catch_ups == 1


async def test_a_thousand_resources_are_not_read_one_by_one() -> None:
    desk = Desk()
    desk.hints.add(resources=[f"Observation/x{number}" for number in range(60)])  # reading one would raise KeyError
    await desk.worker.step()
    await desk.worker.step()
    assert (desk.reviewed, desk.catch_ups) == ([], 1)


async def test_catch_ups_keep_their_distance_however_often_they_are_wished_for() -> None:
    desk = Desk()
    for _ in range(40):
        desk.hints.add(catch_up=True)
        await desk.worker.step()
        desk.now += timedelta(seconds=15)
    assert desk.catch_ups == 10


async def test_the_worker_waits_for_a_round_that_is_under_way() -> None:
    desk = Desk()
    desk.hints.add(patients=["p1"])
    async with desk.lock:
        step = asyncio.create_task(desk.worker.step())
        await asyncio.sleep(0)
        assert desk.reviewed == []
    await step
    assert desk.reviewed == [["p1"]]


async def test_it_works_by_itself_once_something_arrives() -> None:
    desk, served = Desk(), asyncio.Event()

    async def review(patients: Collection[str]) -> Collection[str]:
        desk.reviewed.append(list(patients))
        served.set()
        return ()

    async def no_wait(_seconds: float) -> None:
        await asyncio.sleep(0)

    work = Work(review=review, catch_up=desk.catch_up, whose=desk.whose)
    worker = Worker(desk.hints, work, lock=desk.lock, now=lambda: desk.now, again_after=None, sleep=no_wait)
    running = asyncio.create_task(worker.run())
    desk.hints.add(patients=["p1"])
    async with asyncio.timeout(5):
        await served.wait()
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    assert desk.reviewed == [["p1"]]


# --------------------------------------------------------------------------- the server's count of events


def event(*numbers: int) -> Notification:
    return Notification(kind=EVENT, patients=frozenset({"p1"}), numbers=numbers, number=max(numbers))


COUNTS: list[tuple[str, list[Notification], list[bool]]] = [
    ("one after the other", [event(1), event(2), event(3)], [False, False, False]),
    ("two in one", [event(1, 2), event(3)], [False, False]),
    ("told twice", [event(1), event(1), event(2)], [False, False, False]),
    ("one left out", [event(1), event(3)], [False, True]),
    ("the first left out", [event(2)], [True]),
    ("out of order", [event(2), event(1), event(3)], [True, True, False]),
    ("an old one again", [event(1), event(2), event(3), event(1)], [False, False, False, False]),
    ("a heartbeat in step", [event(1), Notification(kind=HEARTBEAT, number=1)], [False, False]),
    ("a heartbeat that knows more", [event(1), Notification(kind=HEARTBEAT, number=4)], [False, True]),
    ("after which it goes on", [Notification(kind=HEARTBEAT, number=4), event(5)], [True, False]),
    ("begun anew", [event(1), Notification(kind=HANDSHAKE, number=0), event(1)], [False, True, False]),
    ("R4 counts nothing", [Notification(kind=PING), Notification(kind=PING)], [False, False]),
]


@pytest.mark.parametrize(("what", "told", "missed"), COUNTS, ids=[row[0] for row in COUNTS])
def test_a_gap_in_the_count_is_noticed(what: str, told: list[Notification], missed: list[bool]) -> None:
    watch = Watch(BY_TOPIC)
    assert [watch.heard("topic", one, now=START) for one in told] == missed


# --------------------------------------------------------------------------- silence


def test_without_heartbeats_a_hook_by_topic_goes_silent_and_is_told_once(caplog: pytest.LogCaptureFixture) -> None:
    watch, now = Watch(BY_TOPIC), START
    watch.is_active("topic", True, now=now)
    for _ in range(5):
        now += MINUTE
        watch.heard("topic", Notification(kind=HEARTBEAT, number=0), now=now)
        assert watch.silent(now) == ()
    assert watch.silent(now + 3 * MINUTE) == ()
    for later in (4, 5, 6):
        assert watch.silent(now + later * MINUTE) == ("topic",)
    assert [record.getMessage() for record in caplog.records].count("hook.silent") == 1
    assert "topic" in watch.remarks(now + 6 * MINUTE)[0]
    watch.heard("topic", Notification(kind=HEARTBEAT, number=0), now=now + 7 * MINUTE)
    assert watch.silent(now + 7 * MINUTE) == ()


def test_a_plain_hook_is_silent_when_changes_are_found_that_it_should_have_told() -> None:
    watch, now = Watch(PLAIN), START
    for name in PLAIN.names:
        watch.is_active(name, True, now=now)
    found = []
    for _ in range(4):
        now += 5 * MINUTE
        watch.changes_found({"Observation"}, now=now)
        found.append(watch.silent(now))
    # The first look has nothing to compare with; one miss may be on its way.
    assert found == [(), (), ("laboratory",), ("laboratory",)]


def test_a_plain_hook_that_tells_is_not_silent_nor_is_one_with_nothing_to_tell() -> None:
    watch, now = Watch(PLAIN), START
    for name in PLAIN.names:
        watch.is_active(name, True, now=now)
    for _ in range(10):
        now += 5 * MINUTE
        watch.heard("laboratory", Notification(kind=PING, vague=True), now=now - MINUTE)
        watch.changes_found({"Observation"}, now=now)
        assert watch.silent(now) == ()


def test_a_hook_the_server_gave_up_is_not_called_silent_but_not_active() -> None:
    watch = Watch(BY_TOPIC)
    watch.is_active("topic", True, now=START)
    watch.is_active("topic", False, now=START)
    later = START + timedelta(days=1)
    assert watch.silent(later) == ()
    assert watch.shown(later)["topic"]["state"] == "not active"  # type: ignore[index]
