"""The state beside a running service: what goes wrong with it is told, and holds nobody up.

Every call goes to one thread of its own and is given a few seconds. While the state cannot be read or written, the
service goes on without, and tries again; what it then writes is everything, not only what differs.
"""

import asyncio
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from enum import StrEnum
from typing import Final, TypeVar

from andante import clock, log
from andante.errors import StateTooNew, StateUnavailable
from andante.state.address import Address
from andante.state.databases import PATIENCE_S
from andante.state.lead import Lead, lead_for
from andante.state.snapshot import Snapshot
from andante.state.store import Opened, Store

T = TypeVar("T")

_CALL_S: Final = 2.0 * PATIENCE_S  # to wait for another's lock, and then for the work
_REST_S: Final = 5.0  # after a failure: several in a row must not add up
_GIVEN_WAY_S: Final = 60.0
"""How long an old version, having found the state of a newer one, leaves the clock to that one before it offers."""


class Duty(StrEnum):
    """Whether this instance is to run the clock."""

    LEADS = "leads"
    STANDS_BY = "stands by"
    """Another instance leads."""
    UNSURE = "nobody can say"


class State:
    """`address` is None where nothing is kept: then this instance leads, and knows nothing from before its start."""

    def __init__(self, address: Address | None, server: str, *, now: Callable[[], datetime] = clock.now) -> None:
        self.address = address
        self._now = now
        self._store: Store | None = None
        self._lead: Lead | None = None
        if address is not None:
            self._store, self._lead = Store(address, server), lead_for(address, server)
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="state")
        self._is_open = False
        self._is_newer = False
        self._offers_from = 0.0
        self._rests_until = 0.0
        self._kept: Snapshot | None = None
        self._problems: dict[str, str] = {}

    @property
    def problem(self) -> str:
        """Why nothing is kept at present; empty while all is well."""
        return next(iter(self._problems.values()), "")

    def check(self) -> None:
        """Before the service starts. Raises StateTooNew, and InputError for what can never be the state.

        What cannot be reached now may be later: that is noted only.
        """
        if self._store is None:
            return
        try:
            self._note_open(self._store.open(now=self._now()))
        except StateUnavailable as error:
            self._fail("open", error)

    async def elect(self) -> Duty:
        """Never raises."""
        if self._store is None or self._lead is None:
            return Duty.LEADS
        await self._open()
        if self._is_newer and time.monotonic() < self._offers_from:
            return Duty.STANDS_BY
        try:
            leads = await self._call(self._lead.take)
        except StateUnavailable as error:
            self._fail("lead", error)
            return Duty.UNSURE
        self._mend("lead")
        return Duty.LEADS if leads else Duty.STANDS_BY

    async def load(self) -> Snapshot | None:
        """None where it cannot be read. Never raises."""
        store = self._store
        if store is None or not await self._open():
            return None
        try:
            found = await self._call(store.load)
        except StateTooNew as error:
            self._give_way(error)
            return None
        except StateUnavailable as error:
            self._fail("load", error)
            return None
        self._mend("load")
        return found

    async def save(self, snapshot: Snapshot) -> None:
        """Never raises; what could not be kept now is with the next call."""
        store = self._store
        if store is None or snapshot == self._kept or not await self._open():
            return
        known, self._kept = self._kept, None
        try:
            await self._call(lambda: store.save(snapshot, known=known))
        except StateTooNew as error:
            self._give_way(error)
        except StateUnavailable as error:
            self._fail("save", error)
        else:
            self._kept = snapshot
            self._mend("save")

    def close(self) -> None:
        """Whoever stands by may lead now."""
        self._thread.shutdown(wait=True, cancel_futures=True)
        if self._lead is not None:
            self._lead.give_up()
        if self._store is not None:
            self._store.close()

    async def _open(self) -> bool:
        store = self._store
        if self._is_open or store is None or time.monotonic() < self._rests_until:
            return self._is_open
        try:
            self._note_open(await self._call(lambda: store.open(now=self._now())))
        except StateTooNew as error:
            self._give_way(error)
        except Exception as error:
            self._fail("open", error)
        return self._is_open

    async def _call(self, work: Callable[[], T]) -> T:
        try:
            async with asyncio.timeout(_CALL_S):
                return await asyncio.get_running_loop().run_in_executor(self._thread, work)
        except TimeoutError:
            raise StateUnavailable("the state does not answer") from None

    def _note_open(self, opened: Opened) -> None:
        self._is_open, self._is_newer = True, False
        self._mend("open")
        if opened.put_aside is not None:
            log.warn("state.put-aside")
        if opened.before != opened.after:
            log.say("state.migrated", version=opened.after)

    def _give_way(self, error: StateTooNew) -> None:
        """A newer version is at work: nothing of its state is touched, and the clock is left to it."""
        if not self._is_newer and self._lead is not None:
            self._lead.give_up()
            self._offers_from = time.monotonic() + _GIVEN_WAY_S
        self._is_newer = True
        self._fail("open", error)

    def _fail(self, what: str, error: Exception) -> None:
        self._is_open, self._kept = False, None
        self._rests_until = time.monotonic() + _REST_S
        if what not in self._problems:
            log.warn("state.failed", error=error, kind=what)
        self._problems[what] = str(error) if isinstance(error, StateUnavailable | StateTooNew) else type(error).__name__

    def _mend(self, what: str) -> None:
        if self._problems.pop(what, None) is not None:
            log.say("state.mended", kind=what)
