"""Who an identity token says somebody is, and whether it is to be believed.

OpenID Connect Core 1.0, 3.1.3.7; https://hl7.org/fhir/smart-app-launch/scopes-and-launch-context.html for `fhirUser`.
"""

import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import msgspec
from authlib.oidc.core import CodeIDToken
from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import KeySet
from joserfc.jws import JWSRegistry

from andante.errors import AccessRefused
from andante.fhir_http.launch_discovery import WHAT

# Signatures by a private key only: whoever knows a public key, or nothing, can make the others.
ALGORITHMS: Final = ("RS256", "RS384", "RS512", "ES256", "ES384", "ES512", "PS256", "PS384")
_KINDS: Final = ("RSA", "EC")
_LEEWAY_S: Final = 60
_USER = re.compile(r"(Practitioner|PractitionerRole|Person|RelatedPerson|Patient)/[A-Za-z0-9\-.]{1,64}")
_BROKEN = (JoseError, ValueError, TypeError, KeyError, AttributeError, RecursionError, msgspec.DecodeError, Warning)


@dataclass(frozen=True, kw_only=True)
class Identity:
    """Who signed in. `user` is a relative FHIR reference; `patient` the id of the one the launch came from."""

    user: str
    name: str
    patient: str | None


@dataclass(frozen=True, kw_only=True)
class Expected:
    """What an identity token must say to be the answer to one sign-in."""

    issuer: str
    client_id: str
    nonce: str
    access_token: str | None


def proved_claims(token: str, *, keys: bytes, expected: Expected, now: datetime) -> Mapping[str, Any]:
    """The claims of a token that is signed, in time, ours and meant for this sign-in. Raises AccessRefused.

    `keys` is the issuer's key set as it was sent.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # what the library only warns of, such as a short key, is refused
            read = jwt.decode(token, _key_set(keys), registry=_registry())
        claims = CodeIDToken(
            read.claims,
            read.header,
            options={
                "iss": {"essential": True, "value": expected.issuer},
                "aud": {"essential": True, "value": expected.client_id},
            },
            params={
                "nonce": expected.nonce,
                "client_id": expected.client_id,
                "access_token": expected.access_token,
            },
        )
        claims.validate(now=int(now.timestamp()), leeway=_LEEWAY_S)
    except _BROKEN:
        raise AccessRefused(f"{WHAT}: the identity could not be proved") from None
    return read.claims


def user_of(claims: Mapping[str, Any], base: str) -> str:
    """`Practitioner/ada`. The server may write it in full, but only of its own. Raises AccessRefused."""
    text = claims.get("fhirUser")
    told = text.removeprefix(f"{base}/") if isinstance(text, str) else ""
    if not _USER.fullmatch(told):
        raise AccessRefused(f"{WHAT}: the identity names no fhirUser of this FHIR server")
    if told.startswith(("Patient/", "RelatedPerson/")):
        raise AccessRefused(f"{WHAT}: the page is for those who look after patients")
    return told


def name_of(claims: Mapping[str, Any]) -> str:
    name = claims.get("name")
    told = " ".join(name.split()) if isinstance(name, str) else ""
    return told[:80] if told and told.isprintable() else "somebody signed in"


def _registry() -> JWSRegistry:
    # Headers that nobody registered are to be ignored (RFC 7515, 4); those named by `crit` are refused all the same.
    return JWSRegistry(algorithms=ALGORITHMS, strict_check_header=False)


def _key_set(body: bytes) -> KeySet:
    """The keys that may prove an identity; a symmetric key that somebody published proves nothing."""
    found = msgspec.json.decode(body, type=_PublishedKeys).keys
    return KeySet.import_key_set(
        {"keys": [one for one in found if one.get("kty") in _KINDS and one.get("use", "sig") == "sig"]}
    )


class _PublishedKeys(msgspec.Struct, frozen=True):
    keys: list[dict[str, Any]]
