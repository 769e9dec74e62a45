"""Signing a person in by SMART App Launch: discovery, PKCE, the code for an identity, and the identity checked.

https://hl7.org/fhir/smart-app-launch/app-launch.html. Only who somebody is, and which patient they had open, is taken
from it: the access token is let go at once, since the service reads and writes under its own name.
"""

import asyncio
import base64
import hashlib
import random
import re
import secrets
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Final, TypeVar
from urllib.parse import urlencode, urlsplit

import httpx
import msgspec
from httpx_aiohttp import AiohttpTransport
from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import KeySet

from andante import clock
from andante.errors import AccessRefused, BadAnswer
from andante.fhir_http.keys import KeyFiles
from andante.fhir_http.smart_http import TokenHttp
from andante.fhir_http.smart_token import ASSERTION_LIFE, ASSERTION_TYPE

WHAT = "signing a person in"
SCOPE: Final = "openid fhirUser"
PENDING: Final = timedelta(minutes=10)
_ALGORITHMS: Final = ["RS256", "RS384", "RS512", "ES256", "ES384", "ES512", "PS256", "PS384"]
_LEEWAY_S: Final = 60
_LOOPBACK: Final = frozenset({"127.0.0.1", "::1", "localhost"})
_USER = re.compile(r"(Practitioner|PractitionerRole|Person|RelatedPerson|Patient)/[A-Za-z0-9\-.]{1,64}")
_PATIENT = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_MOST_PENDING: Final = 1000
_T = TypeVar("_T", bound=msgspec.Struct)


class _Discovered(msgspec.Struct, frozen=True, kw_only=True):
    authorization_endpoint: str | None = None
    token_endpoint: str | None = None
    issuer: str | None = None
    jwks_uri: str | None = None
    code_challenge_methods_supported: tuple[str, ...] | None = None
    token_endpoint_auth_methods_supported: tuple[str, ...] | None = None


class _Granted(msgspec.Struct, frozen=True):
    id_token: Any = None
    patient: Any = None
    error: Any = None


@dataclass(frozen=True, kw_only=True)
class Pending:
    """A sign-in under way. `verifier` is the secret half of PKCE."""

    state: str
    nonce: str
    found: _Discovered
    began: datetime
    verifier: str = field(repr=False)


@dataclass(frozen=True, kw_only=True)
class Identity:
    """Who signed in. `user` is a relative FHIR reference; `patient` the id of the one the launch came from."""

    user: str
    name: str
    patient: str | None


class LaunchClient:
    """Signs people in at the authorization server of one FHIR server."""

    def __init__(
        self,
        *,
        fhir_base: str,
        client_id: str,
        redirect_uri: str,
        keys: KeyFiles | None = None,
        transport: Callable[[], httpx.AsyncBaseTransport] = AiohttpTransport,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
        now: Callable[[], datetime] = clock.now,
    ) -> None:
        self._base, self._client_id, self._redirect, self._keys = fhir_base, client_id, redirect_uri, keys
        self._transport, self._sleep, self._now = transport, sleep, now
        self._pending: dict[str, Pending] = {}

    def is_issuer(self, iss: str) -> bool:
        """Whether a launch comes from the FHIR server of the settings. No other is ever followed."""
        return iss.rstrip("/") == self._base

    async def begin(self, *, launch: str | None) -> tuple[Pending, str]:
        """A sign-in, and where to send the browser. `launch` is what the EHR handed over; None when we begin.

        Raises BadAnswer for a server that cannot do it, and Unreachable.
        """
        found = await self._discover()
        pending = Pending(
            state=secrets.token_urlsafe(24),
            nonce=secrets.token_urlsafe(24),
            verifier=secrets.token_urlsafe(48),
            found=found,
            began=self._now(),
        )
        self._sweep()
        self._pending[pending.state] = pending
        asked = {
            "response_type": "code",
            "client_id": self._client_id,
            "redirect_uri": self._redirect,
            "scope": f"launch {SCOPE}" if launch else SCOPE,
            "state": pending.state,
            "aud": self._base,
            "nonce": pending.nonce,
            "code_challenge": challenge_of(pending.verifier),
            "code_challenge_method": "S256",
            **({"launch": launch} if launch else {}),
        }
        address = found.authorization_endpoint or ""
        return pending, f"{address}{'&' if '?' in address else '?'}{urlencode(asked)}"

    async def finish(self, *, state: str, code: str) -> Identity:
        """Who it is. Each state is good once. Raises AccessRefused, BadAnswer and Unreachable."""
        self._sweep()
        pending = self._pending.pop(state, None)
        if pending is None:
            raise AccessRefused(f"{WHAT}: it took too long, or was begun elsewhere: begin again")
        async with self._http() as http:
            answer = await http.send_form(
                pending.found.token_endpoint or "", lambda: self._form(pending, code), what=WHAT
            )
            if answer.status != 200:
                raise AccessRefused(f"{WHAT}: the authorization server refuses the code ({answer.status})")
            granted = _decoded(answer.body, _Granted)
            if granted.error is not None or not isinstance(granted.id_token, str):
                raise AccessRefused(
                    f"{WHAT}: the authorization server says nobody's identity: grant it openid fhirUser"
                )
            keys = await http.get(pending.found.jwks_uri or "", what=WHAT)
        claims = self._checked(granted.id_token, keys.body, pending)
        patient = granted.patient
        return Identity(
            user=_user(claims, self._base),
            name=_name(claims),
            patient=patient if isinstance(patient, str) and _PATIENT.fullmatch(patient) else None,
        )

    async def _discover(self) -> _Discovered:
        """By SMART's own document; what it leaves out of OpenID Connect, by that one's."""
        async with self._http() as http:
            first = await http.get(f"{self._base}/.well-known/smart-configuration", what=WHAT)
            found = _decoded(first.body, _Discovered)
            if found.issuer is None or found.jwks_uri is None:
                issuer = (found.issuer or self._base).rstrip("/")
                _private(issuer)
                second = _decoded(
                    (await http.get(f"{issuer}/.well-known/openid-configuration", what=WHAT)).body, _Discovered
                )
                found = msgspec.structs.replace(
                    found, issuer=found.issuer or second.issuer, jwks_uri=found.jwks_uri or second.jwks_uri
                )
        if "S256" not in (found.code_challenge_methods_supported or ()):
            raise BadAnswer(f"{WHAT}: the authorization server does not know PKCE with S256")
        for address in (found.authorization_endpoint, found.token_endpoint, found.jwks_uri, found.issuer):
            _private(address)
        return found

    def _form(self, pending: Pending, code: str) -> bytes:
        form = {
            "grant_type": "authorization_code",
            "code": code,
            "redirect_uri": self._redirect,
            "code_verifier": pending.verifier,
        }
        methods = pending.found.token_endpoint_auth_methods_supported or ()
        if self._keys is None or (methods and "private_key_jwt" not in methods):
            return urlencode({**form, "client_id": self._client_id}).encode()
        claims = {
            "iss": self._client_id,
            "sub": self._client_id,
            "aud": pending.found.token_endpoint,
            "exp": int((self._now() + ASSERTION_LIFE).timestamp()),
            "jti": secrets.token_urlsafe(24),
        }
        assertion = self._keys.keys[0].sign(claims)
        return urlencode({**form, "client_assertion_type": ASSERTION_TYPE, "client_assertion": assertion}).encode()

    def _checked(self, token: str, keys: bytes, pending: Pending) -> Mapping[str, Any]:
        try:
            found = jwt.decode(token, KeySet.import_key_set(msgspec.json.decode(keys)), algorithms=_ALGORITHMS)
            rules = jwt.JWTClaimsRegistry(
                now=int(self._now().timestamp()),
                leeway=_LEEWAY_S,
                iss={"essential": True, "value": pending.found.issuer or ""},
                aud={"essential": True, "value": self._client_id},
                exp={"essential": True},
                nonce={"essential": True, "value": pending.nonce},
            )
            rules.validate(found.claims)
        except (JoseError, ValueError, TypeError, KeyError, msgspec.DecodeError):
            raise AccessRefused(f"{WHAT}: the identity could not be proved") from None
        return found.claims

    def _http(self) -> TokenHttp:
        return TokenHttp(self._transport(), sleep=self._sleep, now=self._now, dice=random.random)

    def _sweep(self) -> None:
        now = self._now()
        self._pending = {state: one for state, one in self._pending.items() if now - one.began < PENDING}
        while len(self._pending) >= _MOST_PENDING:
            del self._pending[next(iter(self._pending))]


def challenge_of(verifier: str) -> str:
    """https://www.rfc-editor.org/rfc/rfc7636#section-4.2"""
    return base64.urlsafe_b64encode(hashlib.sha256(verifier.encode()).digest()).rstrip(b"=").decode()


def _private(address: str | None) -> None:
    """Raises BadAnswer for an address that a secret, or a key that proves something, may not travel to."""
    parts = urlsplit(address or "")
    private = parts.scheme == "https" or (parts.scheme == "http" and parts.hostname in _LOOPBACK)
    if not private or not parts.hostname or "@" in parts.netloc or parts.fragment:
        raise BadAnswer(f"{WHAT}: the server names no https address for it")


def _user(claims: Mapping[str, Any], base: str) -> str:
    """`Practitioner/ada`. The server may write it in full, but only of its own."""
    text = claims.get("fhirUser")
    told = text.removeprefix(f"{base}/") if isinstance(text, str) else ""
    if not _USER.fullmatch(told):
        raise AccessRefused(f"{WHAT}: the identity names no fhirUser of this FHIR server")
    if told.startswith(("Patient/", "RelatedPerson/")):
        raise AccessRefused(f"{WHAT}: the page is for those who look after patients")
    return told


def _name(claims: Mapping[str, Any]) -> str:
    name = claims.get("name")
    told = " ".join(name.split()) if isinstance(name, str) else ""
    return told[:80] if told and told.isprintable() else "somebody signed in"


def _decoded(body: bytes, kind: type[_T]) -> _T:
    try:
        return msgspec.json.decode(body, type=kind)
    except (msgspec.DecodeError, ValueError, RecursionError):
        raise BadAnswer(f"{WHAT}: the answer is not the JSON expected; a proxy or login page?") from None
