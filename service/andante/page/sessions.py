"""Signing in and out: a session for each who is let in, found again by their cookie, and over after a while."""

import hashlib
import secrets
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

from andante.page.people import Role, Session
from andante.page.session_store import SessionsInMemory, SessionStore
from andante.writeback.answer import Decider

IDLE = timedelta(hours=1)
"""A page left open signs its person out after so long without a request of theirs; live updates do not count."""
LONGEST = timedelta(hours=12)


class Sessions:
    """By the cookie's value, of which only a hash is kept."""

    def __init__(self, *, now: Callable[[], datetime], store: SessionStore | None = None) -> None:
        self._now, self._store = now, store or SessionsInMemory()

    def open(self, person: Decider, role: Role) -> str:
        """The cookie's value for somebody who has just signed in."""
        now = self._now()
        self._sweep(now)
        text = secrets.token_urlsafe(32)
        self._store.put(_key(text), Session(person=person, role=role, opened=now, used=now))
        return text

    def find(self, text: str, *, counts: bool = True) -> Session | None:
        """The session, if it is still good. `counts`: whether this is the person's doing."""
        key, now = _key(text), self._now()
        found = self._store.get(key)
        if found is None:
            return None
        if now - found.used > IDLE or now - found.opened > LONGEST:
            self._store.drop(key)
            return None
        if counts:
            found = replace(found, used=now)
            self._store.put(key, found)
        return found

    def close(self, text: str) -> None:
        self._store.drop(_key(text))

    @property
    def present(self) -> list[Session]:
        """Who is signed in, the longest first."""
        return sorted(self._sweep(self._now()), key=lambda one: one.opened)

    def _sweep(self, now: datetime) -> list[Session]:
        return list(self._store.sweep(used_before=now - IDLE, opened_before=now - LONGEST).values())


def _key(text: str) -> bytes:
    return hashlib.sha256(text.encode()).digest()
