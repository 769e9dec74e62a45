"""Whose the clock is, and what is handed from one process to the next: by the kept state, where there is one.

Taking over, at the start or from an instance that is gone, begins with a round over everybody, unless the state vouches
for the last one that was due. What the state says of anything else only spares work.
"""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from andante import log
from andante.audit import AuditLog
from andante.changed.memory import Memory
from andante.errors import AndanteError
from andante.state.keeping import Duty, State
from andante.state.snapshot import NOTHING, AuditHead, Snapshot, Watermark
from andante.subscriptions.hooks import Hooks
from andante.triggers.notifications import kept
from andante.triggers.operations.journal import Journal
from andante.triggers.operations.timetable import Timetable
from andante.triggers.schedule import ROUND

LOOK_EVERY_S: Final = 10.0
_PATIENCE_S: Final = 60.0
"""How long nobody may be able to say who leads before an instance that stood by runs the clock too."""


@dataclass(kw_only=True)
class Shift:
    """One service's part in it. `first_round` is a round over everybody; `always_begins`: whatever the state says."""

    state: State
    journal: Journal
    timetable: Timetable
    memory: Memory
    hooks: Hooks | None
    audit: Callable[[], AuditLog | None]
    now: Callable[[], datetime]
    first_round: Callable[[], Awaitable[object]]
    stood_down: Callable[[], None]
    always_begins: bool = False
    _duty: Duty | None = None
    _unsure_since: float | None = None
    _knows: bool = False  # what was kept: it is not written over before
    _first: asyncio.Task[None] | None = None
    _head: AuditHead | None = None
    _work: AsyncExitStack = field(default_factory=AsyncExitStack)

    @property
    def stands_by(self) -> bool:
        return self._duty is Duty.STANDS_BY

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """While the block lasts; before it begins it is clear who leads."""
        await self.look()
        looking = asyncio.create_task(self._look_on())
        try:
            yield
        finally:
            tasks = [task for task in (looking, self._first) if task is not None]
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            await self._work.aclose()
            if not self.stands_by:
                await self.keep()
            self.state.close()

    async def look(self) -> None:
        """Who leads now, and whatever follows from it."""
        duty = self._for_long(await self.state.elect())
        before, self._duty = self._duty, duty
        self.journal.duty = duty
        if duty is Duty.STANDS_BY:
            if before is not duty:
                await self._stand_by()
            self._knows = False
            found = await self.state.load()
            self.journal.remember((found or NOTHING).rounds, now=self.now())
        elif before in (None, Duty.STANDS_BY):
            await self._take_over()
        await self.keep()

    async def keep(self) -> None:
        """Write what the next process needs; never raises."""
        self.journal.failing = len(self.memory.setbacks)
        if not self.stands_by and (self._knows or await self._learn()):
            await self.state.save(self._snapshot())
        self.journal.state_problem = None if self.state.address is None else self.state.problem

    async def _look_on(self) -> None:
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            try:
                await self.look()
            except Exception as error:
                log.warn("state.failed", error=error)  # a defect of ours; the next look must still come

    def _for_long(self, duty: Duty) -> Duty:
        """One that stands by does not run the clock because of a hiccup of the database."""
        now = asyncio.get_running_loop().time()
        if duty is not Duty.UNSURE or self._duty is not Duty.STANDS_BY:
            self._unsure_since = None
            return duty
        self._unsure_since = self._unsure_since if self._unsure_since is not None else now
        return duty if now - self._unsure_since >= _PATIENCE_S else Duty.STANDS_BY

    async def _take_over(self) -> None:
        self.memory.forget()
        await self._learn()
        self.journal.clock_since = now = self.now()
        begins = self.always_begins or not self.timetable.is_up_to_date(now)
        log.say("clock.taken", complete=not begins)
        if begins:
            self._first = asyncio.create_task(self._begin())
        if self.hooks is not None:
            self.hooks.hints.add(catch_up=True)
            await self._work.enter_async_context(kept(self.hooks, now=self.now))

    async def _learn(self) -> bool:
        """Take in what was kept. False where that cannot be read now."""
        found = await self.state.load()
        if found is None:
            return False
        now = self.now()
        self.journal.remember(found.rounds, now=now)
        self.memory.setbacks.restore(found.setbacks, now=now)
        self.memory.earlier = found.mark if self.memory.mark is None else None
        if self.hooks is not None:
            self.hooks.keeper.restore(found.hooks)
        self._knows = True
        return True

    async def _stand_by(self) -> None:
        """A round that runs already goes on to its end: it does no harm, and half of one helps nobody."""
        log.say("clock.left")
        await self._work.aclose()
        self._work = AsyncExitStack()
        self.stood_down()

    async def _begin(self) -> None:
        with log.correlated("round", log.new_id()):
            try:
                await self.first_round()
            except Exception as error:
                log.warn("round.failed", error=error, trigger=ROUND)

    def _snapshot(self) -> Snapshot:
        mark = self.memory.mark
        return Snapshot(
            rounds=self.journal.to_keep(),
            mark=self.memory.earlier if mark is None else Watermark(newest=mark.newest, before=mark.before),
            setbacks=tuple(one for _, one in sorted(self.memory.setbacks.failing.items())),
            hooks=self.hooks.keeper.records() if self.hooks is not None else (),
            audit=self._audit_heads(),
        )

    def _audit_heads(self) -> tuple[AuditHead, ...]:
        try:
            audit = self.audit()
            noted = audit.noted() if audit is not None else None
        except AndanteError:
            return ()  # what is to be written meets the same, and says so
        if noted is None:
            return ()
        chain, head = noted
        if self._head is None or (self._head.chain, self._head.head) != noted:
            self._head = AuditHead(chain=chain, head=head, noted=self.now())
        return (self._head,)
