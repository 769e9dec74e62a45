"""Who is signed in, and what they may do. Sessions live in memory: a restart signs everybody out."""

import hashlib
import hmac
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import IntEnum
from typing import Final

from andante.writeback.answer import Decider

IDLE = timedelta(hours=1)
"""A page left open signs its person out after so long without a request of theirs; live updates do not count."""
LONGEST = timedelta(hours=12)
_MOST: Final = 2000  # sessions; the oldest goes first
_MASK: Final = 32


class Role(IntEnum):
    """Each may do what the ones before it may."""

    VIEW = 1
    DECIDE = 2
    ADMINISTER = 3

    @property
    def word(self) -> str:
        return self.name.lower()


def role_of(user: str, roles: Mapping[str, str]) -> Role:
    """By the settings: named exactly, else as everybody; who is not named at all may view."""
    return Role[roles.get(user, roles.get("*", "view")).upper()]


@dataclass(kw_only=True)
class Session:
    """Somebody signed in. `proof` makes the tokens that forms carry."""

    person: Decider
    role: Role
    opened: datetime
    used: datetime
    proof: bytes = field(default_factory=lambda: secrets.token_bytes(32), repr=False)

    def may(self, role: Role) -> bool:
        return self.role >= role

    def form_token(self) -> str:
        """Another text in each page, so that compression cannot betray it."""
        mask = secrets.token_bytes(_MASK)
        return (mask + _mixed(self._secret, mask)).hex()

    def accepts(self, token: str) -> bool:
        try:
            given = bytes.fromhex(token)
        except ValueError:
            return False
        return len(given) == 2 * _MASK and hmac.compare_digest(_mixed(given[_MASK:], given[:_MASK]), self._secret)

    @property
    def _secret(self) -> bytes:
        return hmac.new(self.proof, b"form", hashlib.sha256).digest()


def _mixed(one: bytes, other: bytes) -> bytes:
    return bytes(a ^ b for a, b in zip(one, other, strict=True))


class Sessions:
    """By the cookie's value, of which only a hash is kept."""

    def __init__(self, *, now: Callable[[], datetime]) -> None:
        self._now = now
        self._by_key: dict[bytes, Session] = {}

    def open(self, person: Decider, role: Role) -> str:
        """The cookie's value for somebody who has just signed in."""
        now = self._now()
        self._sweep(now)
        while len(self._by_key) >= _MOST:
            del self._by_key[min(self._by_key, key=lambda key: self._by_key[key].used)]
        text = secrets.token_urlsafe(32)
        self._by_key[_key(text)] = Session(person=person, role=role, opened=now, used=now)
        return text

    def find(self, text: str, *, counts: bool = True) -> Session | None:
        """The session, if it is still good. `counts`: whether this is the person's doing."""
        now, found = self._now(), self._by_key.get(_key(text))
        if found is None or self._is_over(found, now):
            self._by_key.pop(_key(text), None)
            return None
        if counts:
            found.used = now
        return found

    def close(self, text: str) -> None:
        self._by_key.pop(_key(text), None)

    @property
    def present(self) -> list[Session]:
        self._sweep(self._now())
        return sorted(self._by_key.values(), key=lambda one: one.opened)

    def _sweep(self, now: datetime) -> None:
        for key in [key for key, one in self._by_key.items() if self._is_over(one, now)]:
            del self._by_key[key]

    def _is_over(self, one: Session, now: datetime) -> bool:
        return now - one.used > IDLE or now - one.opened > LONGEST


def _key(text: str) -> bytes:
    return hashlib.sha256(text.encode()).digest()
