"""The service's own key pairs: the first signs, the public halves of all are published.

Files are PEM (one private key) or JSON (a JWK, or a JWK Set of several). Only two kinds are taken, the two that every
SMART server must know: RSA of at least 2048 bits (RS384) and EC on P-384 (ES384).
https://hl7.org/fhir/smart-app-launch/client-confidential-asymmetric.html
"""

import json
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import ECKey, RSAKey, import_key

from andante import log
from andante.errors import InputError

ALGORITHMS = ("RS384", "ES384")
_LEAST_RSA_BITS = 2048
_LONGEST_FILE = 256 * 1024
_BROKEN = (JoseError, ValueError, TypeError, KeyError, Warning)
_KINDS = "RSA of at least 2048 bits or EC on the curve P-384"


@dataclass(frozen=True, kw_only=True)
class SigningKey:
    """One private key. It shows its name and algorithm, never itself."""

    kid: str
    algorithm: str
    _key: RSAKey | ECKey = field(repr=False)

    def sign(self, claims: Mapping[str, Any]) -> str:
        """A signed JWT (compact JWS)."""
        header = {"alg": self.algorithm, "kid": self.kid, "typ": "JWT"}
        return jwt.encode(header, dict(claims), self._key, algorithms=[self.algorithm])

    @property
    def public(self) -> dict[str, Any]:
        """The public half as a JWK."""
        return {**self._key.as_dict(private=False), "kid": self.kid, "alg": self.algorithm, "use": "sig"}


class KeyFiles:
    """The keys in some files, read again when a file changes: a key is rotated without a restart."""

    def __init__(self, paths: Sequence[Path]) -> None:
        """Raises InputError for a file that cannot be used, naming it."""
        self._paths = tuple(paths)
        self._state = self._look()
        self._keys = _load(self._paths)
        for path in self._paths:
            if path.stat().st_mode & 0o004:
                log.warn("smart.key-file-readable-by-all")

    @property
    def keys(self) -> tuple[SigningKey, ...]:
        """The one that signs first. A file spoilt while the service runs leaves the last good keys in force."""
        state = self._look()
        if state != self._state:
            self._state = state
            try:
                self._keys = _load(self._paths)
            except InputError as error:
                log.warn("smart.keys-unreadable", error=error)
        return self._keys

    @property
    def published(self) -> dict[str, Any]:
        """The JWK Set with the public halves."""
        return {"keys": [key.public for key in self.keys]}

    def _look(self) -> tuple[tuple[int, int, int] | None, ...]:
        return tuple(_state_of(path) for path in self._paths)


def _state_of(path: Path) -> tuple[int, int, int] | None:
    try:
        seen = path.stat()
    except OSError:
        return None
    return seen.st_ino, seen.st_mtime_ns, seen.st_size


def _load(paths: Sequence[Path]) -> tuple[SigningKey, ...]:
    keys = tuple(key for path in paths for key in _keys_in(path))
    names = [key.kid for key in keys]
    if len(set(names)) != len(names):
        raise InputError("signing keys: the same key, or the same kid, stands in them twice")
    return keys


def _keys_in(path: Path) -> Iterator[SigningKey]:
    try:
        with path.open("rb") as file:
            data = file.read(_LONGEST_FILE)
    except OSError as error:
        raise InputError(f"signing key {path}: {error.strerror or 'it cannot be read'}") from None
    if data.lstrip()[:1] == b"{":
        yield from _from_json(data, path)
        return
    for kind in (RSAKey, ECKey):
        made = _made(kind.import_key, data)
        if made is not None:
            yield _checked(made, {}, path)
            return
    raise InputError(f"signing key {path}: not a private key ({_KINDS}) in PEM or JWK, without a password")


def _from_json(data: bytes, path: Path) -> Iterator[SigningKey]:
    try:
        body = json.loads(data)
    except (ValueError, RecursionError):
        raise InputError(f"signing key {path}: not JSON") from None
    members = body.get("keys", [body])
    if not isinstance(members, list) or not members:
        raise InputError(f"signing key {path}: no JWK and no JWK Set")
    for member in members:
        made = _made(import_key, member) if isinstance(member, dict) else None
        if made is None:
            raise InputError(f"signing key {path}: holds something that is no private key ({_KINDS})")
        yield _checked(made, member, path)


def _made(make: Callable[[Any], Any], data: Any) -> Any:
    """None for what is not such a key. What the library only warns of is refused."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            return make(data)
        except _BROKEN:
            return None


def _checked(key: Any, said: Mapping[str, Any], path: Path) -> SigningKey:
    if isinstance(key, RSAKey) and key.is_private and key.raw_value.key_size >= _LEAST_RSA_BITS:
        algorithm = "RS384"
    elif isinstance(key, ECKey) and key.is_private and key.curve_name == "P-384":
        algorithm = "ES384"
    else:
        raise InputError(f"signing key {path}: a private key is needed, {_KINDS}")
    if said.get("alg", algorithm) != algorithm or said.get("use", "sig") != "sig":
        raise InputError(f"signing key {path}: this key is meant for something else than signing by {algorithm}")
    kid = said.get("kid", key.thumbprint())
    if not isinstance(kid, str) or not 0 < len(kid) <= 200 or not kid.isprintable():
        raise InputError(f"signing key {path}: its kid cannot be used")
    return SigningKey(kid=kid, algorithm=algorithm, _key=key)
