"""Who is signed in, and what they may do."""

import hashlib
import hmac
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import IntEnum
from typing import Final

from andante.writeback.answer import Decider

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


@dataclass(frozen=True, kw_only=True)
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
