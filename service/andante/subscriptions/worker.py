"""Turns hints into reviews, one batch at a time, under the one lock that rounds use.

What fails is put back and tried again later, and whoever was not read whole is tried until they are, ever more seldom.
Each patient is looked at once more after a while: a server may tell of a result before its own searches find it.
"""

import asyncio
from collections.abc import Awaitable, Callable, Collection
from dataclasses import dataclass
from datetime import datetime, timedelta

from andante import log
from andante.chart.changes import is_away
from andante.errors import AuditFailed, ServerError
from andante.subscriptions.hints import Batch, Hints

_FIRST_WAIT_S = 5.0
_LONGEST_WAIT_S = 600.0
_DOUBLINGS = 10  # more make no difference
_UNDONE_AFTER = timedelta(minutes=1)
_UNDONE_AT_MOST = timedelta(hours=1)
_GATHER_S = 1.0  # a panel of results comes as one notification each
_MOST_RESOURCES = 50  # read one by one to learn whose they are; beyond it what changed is asked of the server
_MOST_AGAIN = 1_000

Find = Callable[[str], Awaitable[str | None]]
"""The id of the patient a resource `Type/id` is about; None where that cannot be told. Raises a ServerError."""


@dataclass(frozen=True, kw_only=True)
class Work:
    """What the worker may do.

    `review` answers the ids of those whom it could not serve whole; `catch_up`, how long to wait before the next one,
    at least.
    """

    review: Callable[[Collection[str]], Awaitable[Collection[str]]]
    catch_up: Callable[[], Awaitable[timedelta]]
    whose: Find


class Worker:
    """`again_after`: when to look at a hinted patient once more; None where another job does so anyway."""

    def __init__(
        self,
        hints: Hints,
        work: Work,
        *,
        lock: asyncio.Lock,
        now: Callable[[], datetime],
        again_after: timedelta | None,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._hints, self._work, self._lock = hints, work, lock
        self._now, self._sleep, self._again_after = now, sleep, again_after
        self._again: dict[str, datetime] = {}
        self._undone: dict[str, int] = {}
        """How often running each was not served whole."""
        self._catch_up_from: datetime | None = None
        self._failures = 0

    async def run(self) -> None:
        """Until cancelled."""
        while True:
            try:
                await self._turn()
            except Exception as error:
                log.warn("hints.failed", error=error)  # a defect of ours; what is told of later must still be read
                await self._sleep(_LONGEST_WAIT_S)

    async def _turn(self) -> None:
        try:
            async with asyncio.timeout(self._longest_rest_s()):
                await self._hints.arrived.wait()
        except TimeoutError:
            pass
        await self._sleep(_GATHER_S)
        if not await self.step():
            doublings = min(self._failures - 1, _DOUBLINGS)
            await self._sleep(min(_FIRST_WAIT_S * 2.0**doublings, _LONGEST_WAIT_S))

    async def step(self) -> bool:
        """Everything that is due now. False where it failed: it was put back."""
        now = self._now()
        again = self._due_again(now)
        batch = self._hints.take(catch_up=self._catch_up_from is None or now >= self._catch_up_from)
        if not batch and not again:
            return True
        try:
            async with self._lock:
                await self._do(batch, again)
        except (ServerError, AuditFailed) as error:  # the server does not do it, or the audit log has no room for it
            self._failures += 1
            log.warn("hints.failed", error=error)
            self._hints.put_back(batch)
            self._hints.add(patients=again)
            return False
        except Exception as error:
            # A defect of ours must neither end the worker nor run in a circle: the rounds go on.
            log.warn("hints.failed", error=error)
        self._failures = 0
        return True

    async def _do(self, batch: Batch, again: Collection[str]) -> None:
        hinted = batch.patients | await self._whose(batch.resources)
        patients = sorted(hinted | set(again))
        undone = set(await self._work.review(patients)) if patients else set()
        self._note_again(hinted - undone)
        self._note_undone(patients, undone)
        if batch.catch_up:
            self._catch_up_from = self._now() + await self._work.catch_up()

    async def _whose(self, resources: Collection[str]) -> set[str]:
        if len(resources) > _MOST_RESOURCES:
            self._hints.add(catch_up=True)
            return set()
        found: set[str] = set()
        for key in sorted(resources):
            try:
                patient = await self._work.whose(key)
            except ServerError as error:
                if is_away(error):
                    raise
                patient = None  # gone since, or never there: one that cannot be read must not stop the others
            if patient is not None:
                found.add(patient)
            else:
                self._hints.add(catch_up=True)
        return found

    def _note_again(self, patients: Collection[str]) -> None:
        if self._again_after is None:
            return
        due = self._now() + self._again_after
        self._again.update((patient, due) for patient in patients)
        self._keep_few()

    def _note_undone(self, looked_at: Collection[str], undone: Collection[str]) -> None:
        """The hint is used up only when what it told of has been read, and answered in the inbox."""
        for patient in looked_at:
            times = self._undone.pop(patient, 0)
            if self._again_after is not None and patient in undone:
                self._undone[patient] = times + 1
                wait: timedelta = min(_UNDONE_AFTER * 2 ** min(times, _DOUBLINGS), _UNDONE_AT_MOST)
                self._again[patient] = self._now() + wait
        self._keep_few()

    def _keep_few(self) -> None:
        if len(self._again) > _MOST_AGAIN:
            self._again.clear()
            self._undone.clear()
            self._hints.add(catch_up=True)

    def _due_again(self, now: datetime) -> set[str]:
        due = {patient for patient, when in self._again.items() if when <= now}
        for patient in due:
            del self._again[patient]
        return due

    def _longest_rest_s(self) -> float | None:
        """Until something is due that no hint will tell of; None for as long as it takes."""
        waiting = [*self._again.values()]
        if self._hints.catching_up and self._catch_up_from is not None:
            waiting.append(self._catch_up_from)
        if not waiting:
            return None
        return max((min(waiting) - self._now()).total_seconds(), _GATHER_S)
