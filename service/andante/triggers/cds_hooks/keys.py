"""The public keys of one client: from a file or an address of the settings, kept, and read anew when one is unknown."""

import json
import warnings
from collections.abc import Awaitable, Callable
from datetime import datetime, timedelta
from pathlib import Path

from joserfc.errors import JoseError, SecurityWarning
from joserfc.jwk import ECKey, KeySet, RSAKey

from andante import log
from andante.errors import AndanteError, InputError
from andante.fhir_http.key_sets import MOST_BYTES, fetch_key_set, key_set_address

READ_AGAIN = timedelta(minutes=1)
"""How soon a set may be read again for a key it did not hold: a stranger's kid must not make us ask without end."""
KEPT = timedelta(hours=1)
"""How long a set is used without being read again: a key taken out of it is refused after that at the latest."""
_SMALLEST_RSA = 2048

PublicKey = RSAKey | ECKey
Fetch = Callable[[str], Awaitable[bytes]]


class KeyRing:
    """`place` is a file, or an https address."""

    def __init__(self, place: str, *, now: Callable[[], datetime], fetch: Fetch = fetch_key_set) -> None:
        """Raises InputError for a file that is no key set, or an address that cannot be trusted."""
        self.address = key_set_address(place) if "://" in place else None
        self._path = None if self.address else Path(place)
        self._now, self._fetch = now, fetch
        self._keys: dict[str, PublicKey] = {}
        self._read: datetime | None = None
        self._asked: datetime | None = None
        if self._path is not None:
            self._take(self._from_file())

    async def find(self, kid: str) -> PublicKey | None:
        """The key of that name; None where the set does not hold it, or cannot be read."""
        now = self._now()
        fresh = self._read is not None and now - self._read < KEPT
        if not (fresh and kid in self._keys) and (self._asked is None or now - self._asked >= READ_AGAIN):
            await self._renew(now)
            fresh = self._read is not None and now - self._read < KEPT
        return self._keys.get(kid) if fresh else None

    async def _renew(self, now: datetime) -> None:
        self._asked = now
        try:
            self._take(self._from_file() if self.address is None else await self._fetch(self.address))
        except AndanteError as error:
            log.warn("cds.keys-not-read", error=error)

    def _from_file(self) -> bytes:
        assert self._path is not None  # noqa: S101 - for the type checker
        try:
            with self._path.open("rb") as file:
                data = file.read(MOST_BYTES + 1)
        except OSError as error:
            raise InputError(f"a client's key set cannot be read: {error.strerror}") from None
        if len(data) > MOST_BYTES:
            raise InputError("a client's key set is too large")
        return data

    def _take(self, data: bytes) -> None:
        self._keys = public_keys(data)
        self._read = self._now()


def public_keys(data: bytes) -> dict[str, PublicKey]:
    """By kid, the keys of a set that can check RS384 or ES384; others are left out. Raises InputError for no set."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", SecurityWarning)  # of weak keys, which are left out below
            keys = KeySet.import_key_set(json.loads(data)).keys
    except (JoseError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        raise InputError("a client's key set is not a JSON Web Key Set with a usable key") from None
    usable = [key for key in keys if isinstance(key, RSAKey | ECKey) and _is_strong(key)]
    named = {key.kid: key for key in usable if key.kid is not None}
    if len(named) < len(usable):
        raise InputError("a client's key set gives two keys the same name")
    return named


def _is_strong(key: PublicKey) -> bool:
    if isinstance(key, ECKey):
        return key.curve_name == "P-384"
    return bool(key.raw_value.key_size >= _SMALLEST_RSA)
