"""Where sessions are kept. In memory here: a restart signs everybody out. Another store keeps the same promises."""

from collections.abc import Mapping
from datetime import datetime
from types import MappingProxyType
from typing import Final, Protocol

from andante.page.people import Session

_MOST: Final = 2000  # the one that was used longest ago goes first


class SessionStore(Protocol):
    """By a key that gives nobody a session: the hash of what the cookie holds. A session is never changed in place."""

    def get(self, key: bytes) -> Session | None: ...

    def put(self, key: bytes, session: Session) -> None:
        """New, or in place of the one that stands there."""

    def drop(self, key: bytes) -> None:
        """No error where there is none."""

    def sweep(self, *, used_before: datetime, opened_before: datetime) -> Mapping[bytes, Session]:
        """Let go of what was last used, or opened, before these instants. What is left."""


class SessionsInMemory(SessionStore):
    def __init__(self, *, most: int = _MOST) -> None:
        self._most = most
        self._by_key: dict[bytes, Session] = {}

    def get(self, key: bytes) -> Session | None:
        return self._by_key.get(key)

    def put(self, key: bytes, session: Session) -> None:
        self._by_key[key] = session
        while len(self._by_key) > self._most:
            del self._by_key[min(self._by_key, key=lambda one: self._by_key[one].used)]

    def drop(self, key: bytes) -> None:
        self._by_key.pop(key, None)

    def sweep(self, *, used_before: datetime, opened_before: datetime) -> Mapping[bytes, Session]:
        self._by_key = {
            key: one for key, one in self._by_key.items() if one.used >= used_before and one.opened >= opened_before
        }
        return MappingProxyType(self._by_key)
