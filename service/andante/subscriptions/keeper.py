"""Keeps our Subscriptions on the server: creates them, renews them, and looks after those the server gave up.

Every start renews each once, so that what stands there is what the settings say: a new secret, another topic. After
an error the renewals wait longer and longer, and what was missed meanwhile is asked for. A start soon after a renewal
of the very same waits as long as that one would have: a service that starts again and again writes no more than one
that does not.
"""

import hashlib
import hmac
from collections.abc import Awaitable, Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from andante import log
from andante.errors import AndanteError, Conflict, ServerError
from andante.state.snapshot import HookRecord
from andante.subscriptions.on_server import FindStandings, Standing
from andante.writeback.hooks import LASTS, HookSite, create_entry, subscription, update_entry
from andante.writeback.seal import Json

_FIRST_WAIT = timedelta(minutes=1)
_LONGEST_WAIT = timedelta(hours=1)
_HANDSHAKE = timedelta(minutes=5)  # how long the server may take to make a Subscription active

Send = Callable[[Sequence[Json]], Awaitable[tuple[str | None, ...]]]
"""One transaction through the gate; where each now stands, as far as the server says.

Raises a ServerError, and WriteRefused for a defect of ours.
"""


class State(StrEnum):
    MISSING = "missing"
    REQUESTED = "requested"
    ACTIVE = "active"
    GIVEN_UP = "given up"  # by the server: error, off, or ended


@dataclass
class Held:
    """One hook. `written` is when it was last written by this process; `failures` since it was last active.

    `earlier` is when a process before this one wrote the very same.
    """

    ident: str | None = None
    state: State = State.MISSING
    written: datetime | None = None
    failures: int = 0
    earlier: datetime | None = None

    def may_be_written(self, now: datetime) -> bool:
        last = self.written or self.earlier
        if last is None or last > now:
            return True
        wait: timedelta = min(_FIRST_WAIT * 2 ** min(self.failures, 10), _LONGEST_WAIT)
        return now >= last + wait


class Keeper:
    """`tell` learns of each hook by name, and whether it is active; `catch_up` asks for what was missed."""

    def __init__(
        self,
        site: HookSite,
        *,
        find: FindStandings,
        send: Send,
        tell: Callable[[str, bool], None],
        catch_up: Callable[[], None],
    ) -> None:
        self._site = site
        self._find, self._send, self._tell, self._catch_up = find, send, tell, catch_up
        self.hooks: dict[str, Held] = {name: Held() for name in site.names}
        self.problem = ""

    def restore(self, found: Iterable[HookRecord]) -> None:
        """What an earlier process knew. It is used only where the settings still say the same."""
        for record in found:
            held = self.hooks.get(record.name)
            if held is not None and held.written is None and record.fingerprint == self._fingerprint(record.name):
                held.ident, held.earlier, held.failures = record.ident, record.written, record.failures

    def records(self) -> tuple[HookRecord, ...]:
        """What the next process may want to know."""
        return tuple(
            HookRecord(
                name=name,
                ident=held.ident,
                fingerprint=self._fingerprint(name),
                written=written,
                failures=min(held.failures, 10),
            )
            for name, held in sorted(self.hooks.items())
            if (written := held.written or held.earlier) is not None
        )

    def _fingerprint(self, name: str) -> str:
        """Of what the settings say. The secret is the key: it cannot be got back out of it."""
        said = "\n".join((self._site.endpoint(name), self._site.criteria(name), self._site.content))
        return hmac.new(self._site.secret.encode(), said.encode(), hashlib.sha256).hexdigest()

    async def keep(self, *, now: datetime) -> None:
        """One look at the server, and whatever must be written. Never raises for the server's sake."""
        try:
            endpoints = {self._site.endpoint(name): name for name in self.hooks}
            known = [held.ident for held in self.hooks.values() if held.ident]
            standings = await self._find(tuple(endpoints), known)
            self.problem = ""
            for name in self.hooks:
                own = [one for one in standings if one.endpoint == self._site.endpoint(name)]
                await self._keep_one(name, own, now)
        except ServerError as error:
            self._fail(error)

    async def _keep_one(self, name: str, own: Sequence[Standing], now: datetime) -> None:
        held = self.hooks[name]
        in_order = sorted(own, key=lambda one: (one.status != "active", one.ident))
        kept, doubles = (in_order[0] if in_order else None), in_order[1:]
        before, held.state = held.state, _state(kept, now)
        held.ident = kept.ident if kept is not None else None
        self._tell(name, held.state is State.ACTIVE)
        if held.state is State.ACTIVE:
            held.failures = 0
            if before is not State.ACTIVE and held.written is not None:
                log.say("hook.active", kind=name)
                self._catch_up()
        elif held.state is State.GIVEN_UP and before is not State.GIVEN_UP:
            log.warn("hook.given-up", kind=name)
        try:
            for double in doubles:
                await self._turn_off(name, double, now)
            if self._must_write(held, kept, name, now):
                await self._write(name, held, kept, now)
        except Conflict:
            return  # another instance, or the server itself, was faster: the next look sees
        except AndanteError as error:
            self._fail(error)

    def _must_write(self, held: Held, kept: Standing | None, name: str, now: datetime) -> bool:
        if not held.may_be_written(now):
            return False
        if held.written is None:
            return True
        match held.state:
            case State.ACTIVE:
                ends_soon = kept is not None and kept.end is not None and kept.end - now < LASTS / 2
                return ends_soon or (kept is not None and kept.criteria != self._site.criteria(name))
            case State.REQUESTED:
                return now - held.written >= _HANDSHAKE
            case _:
                return True

    async def _write(self, name: str, held: Held, kept: Standing | None, now: datetime) -> None:
        body = subscription(self._site, name, now=now)
        entry = create_entry(body) if kept is None else update_entry(body, ident=kept.ident, etag=kept.etag)
        if (held.written or held.earlier) is not None and held.state is not State.ACTIVE:
            held.failures += 1
        held.written = now  # also where the answer is lost: the next look comes first
        [location] = await self._send([entry])
        held.ident = _ident(location) or held.ident
        log.say("hook.written", kind=name)

    async def _turn_off(self, name: str, double: Standing, now: datetime) -> None:
        if double.status != "off":
            body = subscription(self._site, name, now=now, status="off")
            await self._send([update_entry(body, ident=double.ident, etag=double.etag)])

    def _fail(self, error: Exception) -> None:
        log.warn("hooks.failed", error=error)
        self.problem = str(error) if isinstance(error, AndanteError) else type(error).__name__


def _state(kept: Standing | None, now: datetime) -> State:
    if kept is None:
        return State.MISSING
    if kept.end is not None and kept.end <= now:
        return State.GIVEN_UP
    return {"active": State.ACTIVE, "requested": State.REQUESTED}.get(kept.status, State.GIVEN_UP)


def _ident(location: str | None) -> str | None:
    parts = (location or "").split("/_history/")[0].rstrip("/").split("/")
    return parts[-1] if len(parts) >= 2 and parts[-2] == "Subscription" else None
