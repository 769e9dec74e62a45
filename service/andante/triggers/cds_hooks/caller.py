"""Who calls: a signed token for every call, as CDS Hooks 2.0 asks ("Trusting CDS Clients"), of a client we know."""

import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import msgspec
from joserfc import jws, jwt
from joserfc.errors import JoseError

from andante.errors import AndanteError
from andante.triggers.cds_hooks.keys import KeyRing

ALGORITHMS = ("RS384", "ES384")
LEEWAY = timedelta(seconds=30)
"""How far apart the client's clock and ours may be."""
LONGEST = timedelta(minutes=5)
"""How long a token may be valid: its name is remembered for as long, so that it is used once."""
_LARGEST = 8 * 1024  # signs of a header
_MOST_REMEMBERED = 100_000
_BEARER = re.compile(r"Bearer ([A-Za-z0-9_\-]+\.[A-Za-z0-9_\-]+\.[A-Za-z0-9_\-]+)", re.IGNORECASE)
_ALG_OF = {"RSA": "RS384", "EC": "ES384"}


class Refused(AndanteError):
    """The caller has not proved who they are: 401. `why` is a short code, for the log; the caller is told no more."""

    def __init__(self, why: str) -> None:
        super().__init__("a signed token of a known client is needed, made for this very address and used once")
        self.why = why


@dataclass(frozen=True, kw_only=True)
class Caller:
    """The client that called, by the issuer of its token."""

    issuer: str


class Gatekeeper:
    """Checks tokens against the clients of the settings: issuer → where its keys are."""

    def __init__(self, clients: Mapping[str, KeyRing], *, now: Callable[[], datetime]) -> None:
        self._clients, self._now = clients, now
        self._used: dict[tuple[str, str], datetime] = {}

    async def check(self, authorization: str, *, audiences: Collection[str]) -> Caller:
        """`audiences` are the addresses the token may be made for. Raises Refused."""
        token = _token(authorization)
        header, claimed = _unchecked(token)
        ring = self._clients.get(claimed)
        if ring is None:
            raise Refused("unknown-issuer")
        if header.get("jku") not in (None, ring.address):
            raise Refused("other-key-set")
        key = await ring.find(header["kid"])
        if key is None:
            raise Refused("unknown-key")
        if header["alg"] != _ALG_OF[key.key_type]:
            raise Refused("algorithm")
        now = self._now()
        try:
            claims = jwt.decode(token, key, algorithms=list(ALGORITHMS)).claims
            registry = jwt.JWTClaimsRegistry(
                now=int(now.timestamp()),
                leeway=int(LEEWAY.total_seconds()),
                iss={"essential": True, "value": claimed},
                aud={"essential": True, "values": list(audiences)},
                exp={"essential": True},
                iat={"essential": True},
                jti={"essential": True},
            )
            registry.validate(claims)
        except (JoseError, ValueError, TypeError, OverflowError) as error:
            raise Refused(getattr(error, "error", "") or "not-valid") from None
        self._use_once(claimed, claims, now)
        return Caller(issuer=claimed)

    def _use_once(self, issuer: str, claims: Mapping[str, Any], now: datetime) -> None:
        seconds = claims["exp"] - claims["iat"]
        if not 0 < seconds <= LONGEST.total_seconds():
            raise Refused("valid-too-long")
        jti = claims["jti"]
        if not isinstance(jti, str) or not 0 < len(jti) <= 255:
            raise Refused("no-name")
        until = now + LONGEST + 2 * LEEWAY
        self._used = {name: end for name, end in self._used.items() if end > now} if self._is_crowded() else self._used
        if self._is_crowded():
            raise Refused("too-many-calls")  # to forget a token would be to let it be used again
        earlier = self._used.get((issuer, jti))
        if earlier is not None and earlier > now:
            raise Refused("used-before")
        self._used[issuer, jti] = until

    def _is_crowded(self) -> bool:
        return len(self._used) >= _MOST_REMEMBERED


def _token(authorization: str) -> str:
    found = _BEARER.fullmatch(authorization) if len(authorization) <= _LARGEST else None
    if found is None:
        raise Refused("no-token")
    return found[1]


def _unchecked(token: str) -> tuple[dict[str, Any], str]:
    """Header and issuer as claimed, to know whose keys to look into. Nothing of it counts before the signature does."""
    try:
        raw = jws.extract_compact(token.encode(), registry=_REGISTRY)
        header = raw.headers()
        issuer = msgspec.json.decode(raw.payload)["iss"]
    except (JoseError, ValueError, TypeError, KeyError, RecursionError, msgspec.DecodeError):
        raise Refused("not-a-token") from None
    if header.get("alg") not in ALGORITHMS:
        raise Refused("algorithm")
    if not isinstance(header.get("kid"), str) or str(header.get("typ", "")).upper() != "JWT" or "crit" in header:
        raise Refused("header")
    if not isinstance(issuer, str):
        raise Refused("unknown-issuer")
    return header, issuer


_REGISTRY = jws.JWSRegistry(algorithms=list(ALGORITHMS))
