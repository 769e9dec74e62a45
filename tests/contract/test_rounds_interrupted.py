"""Rounds that race, and rounds killed in the middle, on our sandbox and on servers written by others.

Ten patients of the fictional hospital, with the inbox of the evening before. Where a round is killed is told by the
number of requests it has made, never by time; where two race, none writes before both have read.
"""

import asyncio
import json
import signal
import subprocess
from collections.abc import Iterator
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import timedelta
from threading import Barrier

import httpx
import pytest
from lanternmoor import EVENING, MORNING, known_at, patient_of
from servers.launch import Server
from servers.loading import delete_all, put_all
from servers.recording import Porter, recorded
from ward_round import FHIR, STORIES, Left, decision_of, empty_the_inboxes, end, look, run_round, start_round

from andante.sandbox import Seen

PATIENCE_SECONDS = 60


@dataclass(frozen=True)
class Ward:
    """Ten patients in the morning. `evening`: the inbox left the evening before; `morning`: as it should become."""

    base: str
    client: httpx.Client
    evening: Left
    morning: Left


@pytest.fixture(scope="module")
def ward(own_server: Server) -> Iterator[Ward]:
    with httpx.Client(base_url=own_server.base, timeout=60) as client:
        put_all(client, known_at(EVENING, stories=STORIES).values())
        assert run_round(own_server.base, EVENING).status == 0
        evening = look(client)
        put_all(client, known_at(MORNING, stories=STORIES).values())
        assert run_round(own_server.base, MORNING).status == 0
        yield Ward(own_server.base, client, evening, look(client))


@pytest.fixture
def evening_before(ward: Ward) -> Ward:
    """The ward, with its inbox put back to the evening before."""
    stood, stands = ward.evening, look(ward.client)
    surplus = (stands.items | stands.provenances).keys() - (stood.items | stood.provenances).keys()
    delete_all(ward.client, sorted(surplus))
    for address, body in stood.items.items():
        if stands.items.get(address) != body:
            ward.client.put(address, content=json.dumps(body), headers=FHIR).raise_for_status()
    assert _standing(look(ward.client)) == _standing(stood)
    return ward


class _Killer(Porter):
    """Kills the round at its `at`-th request (or write): `before` the server sees it, or `after` it is done."""

    def __init__(self, at: int, *, of: str, when: str) -> None:
        self.victim: Future[subprocess.Popen[str]] = Future()
        self.passed: list[Seen] = []
        self._left, self._of, self._when = at, of, when
        self._fatal: Seen | None = None
        self._over = False

    async def admits(self, seen: Seen) -> bool:
        if self._over:
            return False
        self._left -= self._of == "requests" or seen.method != "GET"
        if self._left == 0 and self._fatal is None:
            self._fatal = seen
            if self._when == "before":
                self._kill()
                return False
        self.passed.append(seen)
        return True

    async def leaves(self, seen: Seen) -> None:
        if seen is self._fatal:
            self._kill()

    def _kill(self) -> None:
        self._over = True
        self.victim.result().kill()


@pytest.mark.parametrize(
    ("at", "of", "when"),
    [
        (20, "requests", "after"),
        (1, "writes", "before"),
        (1, "writes", "after"),
        (4, "writes", "before"),
        (7, "writes", "after"),
        (10, "writes", "after"),
    ],
)
def test_a_round_killed_in_the_middle_is_made_whole_by_the_next(
    evening_before: Ward, at: int, of: str, when: str
) -> None:
    ward, killer = evening_before, _Killer(at, of=of, when=when)
    with recorded(ward.base, killer) as (base, _):
        killer.victim.set_result(start_round(base, MORNING))
        assert end(killer.victim.result()).status == -signal.SIGKILL
    written = sum(seen.method != "GET" for seen in killer.passed)
    half_way = look(ward.client)
    assert all(len(same) == 1 for same in half_way.open_tasks().values())
    assert (_standing(half_way) == _standing(ward.evening)) is (written == 0)
    assert run_round(ward.base, MORNING).status == 0
    _assert_as_it_should_be(ward)


class _AtOnce(Porter):
    """Holds the first write of a round until every other round that shares `start` has come to its own."""

    def __init__(self, start: Barrier) -> None:
        self._start = start
        self._first = True

    async def admits(self, seen: Seen) -> bool:
        if seen.method != "GET" and self._first:
            self._first = False
            await asyncio.to_thread(self._start.wait, PATIENCE_SECONDS)
        return True


@pytest.mark.parametrize("inbox", ["empty", "of-the-evening-before"])
def test_two_rounds_that_race_leave_one_open_advice_each(evening_before: Ward, inbox: str) -> None:
    ward, apart = evening_before, timedelta(seconds=40)
    if inbox == "empty":
        apart = timedelta(0)
        empty_the_inboxes(ward.client)
    barrier = Barrier(2)
    with recorded(ward.base, _AtOnce(barrier)) as (one, _), recorded(ward.base, _AtOnce(barrier)) as (other, _):
        racing = [start_round(one, MORNING), start_round(other, MORNING + apart)]
        assert [end(process).status for process in racing] == [0, 0]
    _assert_as_it_should_be(ward, fresh=inbox == "empty")
    assert not run_round(ward.base, MORNING + apart).writes


def _assert_as_it_should_be(ward: Ward, *, fresh: bool = False) -> None:
    """As after one undisturbed round; `fresh`: nothing stood there before, so nothing was taken back but doubles."""
    left = look(ward.client)
    assert all(len(same) == 1 for same in (left.open_tasks() | left.open_notices()).values())
    ours = {status for status in _standing(left) if status[2] in ("requested", "active")}
    wanted = {status for status in _standing(ward.morning) if status[2] in ("requested", "active")}
    assert ours == wanted
    if not fresh:
        assert _standing(left) == _standing(ward.morning)
    targets = {
        part["reference"].split("/_history/")[0] for body in left.provenances.values() for part in body["target"]
    }
    assert targets >= left.items.keys()


def _standing(left: Left) -> set[tuple[str, str, str]]:
    """Whom each item is about, its decision and its status."""
    return {(str(patient_of(item)), decision_of(item), item["status"]) for item in left.items.values()}
