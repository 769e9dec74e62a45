"""Whom a pass did not serve whole is looked at again, ever more seldom, until it is or the next pass begins.

A pass that was not completed is run again as a whole: then everybody is concerned, or nobody knows who. Of one
completed in part only those are read who were not served whole.
"""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Collection, Iterable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from andante import log
from andante.assess import Outcome
from andante.triggers.operations.journal import Ending, Journal, Round
from andante.triggers.schedule import NIGHT_WATCH, ROUND

FIRST_AFTER: Final = timedelta(minutes=5)
LONGEST_WAIT: Final = timedelta(hours=1)
LOOK_EVERY_S: Final = 15.0
_DOUBLINGS: Final = 10  # more make no difference


@dataclass(kw_only=True)
class SecondLooks:
    """`run_pass` (by its kind) and `review` (of patients by id) are called with the `lock` held, as rounds are.

    `failing` are the ids of those whose record is known to fail, also from an earlier process.
    """

    journal: Journal
    lock: asyncio.Lock
    now: Callable[[], datetime]
    stands_by: Callable[[], bool]
    run_pass: Callable[[str], Awaitable[object]]
    review: Callable[[Collection[str]], Awaitable[Iterable[Outcome]]]
    failing: Callable[[], Collection[str]]
    _waiting: frozenset[str] = frozenset()
    _overtaken: frozenset[str] = frozenset()
    _known: Round | None = None
    _left_behind: tuple[Round, ...] = ()
    _since: datetime | None = None
    _tries: int = 0

    def note(self, outcomes: Collection[Outcome]) -> None:
        """What came of a pass. Who was overtaken need not wait: what this look saw may be known to nobody else."""
        self._waiting = _not_done(outcomes)
        self._overtaken = frozenset(outcome.patient_id for outcome in outcomes if outcome.overtaken)

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """While the block lasts, whoever is due is looked at again."""
        looking = asyncio.create_task(self._look_on())
        try:
            yield
        finally:
            looking.cancel()
            await asyncio.gather(looking, return_exceptions=True)

    async def step(self) -> None:
        """Whatever is due now. Raises what the look raises; the next one then comes later."""
        if self.stands_by():
            self._leave_to_another()
            return
        last = self._last_pass()
        if last is not self._known or self._since is None:
            self._known, self._tries = last, 0
            self._since = last.ended if last is not None else self.now()
        is_over = last is None or last.is_completed
        at_once = self._overtaken if is_over else frozenset()
        whom = self._waiting | set(self.failing()) if is_over else frozenset()
        if not at_once and not (self._is_due() and (whom or not is_over)):
            return
        async with self.lock:
            if self.stands_by() or self._last_pass() is not last:
                return  # another has begun and ended meanwhile, or somebody else leads
            if at_once:
                self._overtaken = frozenset()
                await self._review(at_once)
                return
            self._tries += 1
            try:
                if last is None or is_over:
                    await self._review(whom)
                else:
                    await self.run_pass(last.kind)
            finally:
                self._known, self._since = self._last_pass(), self.now()  # a pass of ours begins no new count

    async def _review(self, patients: Collection[str]) -> None:
        """Who is not among the outcomes is no concern of ours any more."""
        log.say("second-look.begun", patients=len(patients))
        outcomes = list(await self.review(sorted(patients)))
        self._waiting = (self._waiting - set(patients)) | _not_done(outcomes)

    def _is_due(self) -> bool:
        """A clock set back does not make anybody wait for it."""
        now, since = self.now(), self._since
        wait: timedelta = min(FIRST_AFTER * 2 ** min(self._tries, _DOUBLINGS), LONGEST_WAIT)
        return since is None or not since <= now < since + wait

    def _leave_to_another(self) -> None:
        """Whoever leads now has passes of its own: should this one lead again, it begins with what came of those."""
        self._left_behind = tuple(self.journal.last.values())
        self._waiting = self._overtaken = frozenset()

    def _last_pass(self) -> Round | None:
        """The last that was begun: one that came too late to begin is left to the next."""
        last = (self.journal.last.get(kind) for kind in (ROUND, NIGHT_WATCH))
        begun = [one for one in last if one is not None and one.ending is not Ending.MISSED]
        return max((one for one in begun if one not in self._left_behind), key=lambda one: one.ended, default=None)

    async def _look_on(self) -> None:
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            try:
                await self.step()
            except Exception as error:
                log.warn("second-look.failed", error=error)  # the next one must still come


def _not_done(outcomes: Iterable[Outcome]) -> frozenset[str]:
    return frozenset(outcome.patient_id for outcome in outcomes if not outcome.whole or outcome.overtaken)
