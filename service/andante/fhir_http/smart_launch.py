"""Signing a person in by SMART App Launch: PKCE, the code for an identity, and the identity checked.

https://hl7.org/fhir/smart-app-launch/app-launch.html. Authlib makes the requests and judges the answers; they travel on
our own bounded client. Only who somebody is, and which patient they had open, is taken from it: the access token is let
go at once, since the service reads and writes under its own name.
"""

import asyncio
import random
import re
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Final

import httpx
from authlib.common.errors import AuthlibBaseError
from authlib.common.security import generate_token
from authlib.oauth2 import OAuth2Client
from authlib.oauth2.rfc6749.parameters import prepare_token_request
from httpx_aiohttp import AiohttpTransport

from andante import clock
from andante.errors import AccessRefused, BadAnswer
from andante.fhir_http.client_proof import Credentials, proving_client
from andante.fhir_http.identity import Expected, Identity, name_of, proved_claims, user_of
from andante.fhir_http.launch_discovery import WHAT, LaunchConfiguration, discover
from andante.fhir_http.smart_http import Fetched, Form, TokenHttp

SCOPE: Final = "openid fhirUser"
PENDING: Final = timedelta(minutes=10)
_PATIENT = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_MOST_PENDING: Final = 1000
_DISCOVERY_KEPT: Final = timedelta(minutes=1)
_GUESSING: Final = 43  # letters and digits; SMART asks for 122 bits, PKCE for 43 signs at least
_NOBODY = Credentials()
_UNFIT = (AuthlibBaseError, httpx.HTTPError, ValueError, TypeError, AttributeError, OverflowError, RecursionError)


@dataclass(frozen=True, kw_only=True)
class Pending:
    """A sign-in under way. `verifier` is the secret half of PKCE."""

    state: str
    nonce: str
    found: LaunchConfiguration
    began: datetime
    verifier: str = field(repr=False)


class Busy(Exception):
    """As many sign-ins are under way as there may be. None of them gives way to another."""


class LaunchClient:
    """Signs people in at the authorization server of one FHIR server."""

    def __init__(
        self,
        *,
        fhir_base: str,
        client_id: str,
        redirect_uri: str,
        credentials: Credentials = _NOBODY,
        transport: Callable[[], httpx.AsyncBaseTransport] = AiohttpTransport,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
        now: Callable[[], datetime] = clock.now,
    ) -> None:
        self._base, self._client_id, self._redirect, self._credentials = fhir_base, client_id, redirect_uri, credentials
        self._transport, self._sleep, self._now = transport, sleep, now
        self._pending: dict[str, Pending] = {}
        self._found: tuple[LaunchConfiguration, datetime] | None = None

    def is_issuer(self, iss: str) -> bool:
        """Whether a launch comes from the FHIR server of the settings. No other is ever followed."""
        return iss.rstrip("/") == self._base

    async def begin(self, *, launch: str | None) -> tuple[Pending, str]:
        """A sign-in, and where to send the browser. `launch` is what the EHR handed over; None when we begin.

        Raises BadAnswer for a server that cannot do it, AccessRefused for one that does not take our proof,
        Unreachable, and Busy.
        """
        self._refuse_more()
        found = await self._configuration()
        pending = Pending(
            state=generate_token(_GUESSING),
            nonce=generate_token(_GUESSING),
            verifier=generate_token(_GUESSING),
            found=found,
            began=self._now(),
        )
        client = self._client(found, scope=f"launch {SCOPE}" if launch else SCOPE)
        try:
            address, _ = client.create_authorization_url(
                found.authorization_endpoint,
                state=pending.state,
                code_verifier=pending.verifier,
                nonce=pending.nonce,
                aud=self._base,
                launch=launch,
            )
        except _UNFIT:
            raise BadAnswer(f"{WHAT}: the address to sign in at cannot be used") from None
        self._refuse_more()  # others may have begun while we asked
        self._pending[pending.state] = pending
        return pending, str(address)

    async def finish(self, *, state: str, code: str, issuer: str | None) -> Identity:
        """Who it is. Each state is good once. `issuer`: the `iss` of the way back (RFC 9207), None where it has none.

        Raises AccessRefused, BadAnswer and Unreachable.
        """
        pending = self.abandon(state)
        if pending is None:
            raise AccessRefused(f"{WHAT}: it took too long, or was begun elsewhere: begin again")
        found = pending.found
        _refuse_mixed_up(found, issuer)
        async with self._http() as http:
            granted = await self._exchange(http, found, code, pending.verifier)
            token = granted.get("id_token")
            if not isinstance(token, str):
                raise AccessRefused(
                    f"{WHAT}: the authorization server says nobody's identity: grant it openid fhirUser"
                )
            keys = await http.get(found.jwks_uri or "", what=WHAT)
        access, patient = granted.get("access_token"), granted.get("patient")
        expected = Expected(
            issuer=found.issuer or "",
            client_id=self._client_id,
            nonce=pending.nonce,
            access_token=access if isinstance(access, str) else None,
        )
        claims = proved_claims(token, keys=keys.body, expected=expected, now=self._now())
        return Identity(
            user=user_of(claims, self._base),
            name=name_of(claims),
            patient=patient if isinstance(patient, str) and _PATIENT.fullmatch(patient) else None,
        )

    def abandon(self, state: str) -> Pending | None:
        """Take a sign-in out, whatever came of it; None where none was under way."""
        self._sweep()
        return self._pending.pop(state, None)

    async def _exchange(self, http: TokenHttp, found: LaunchConfiguration, code: str, verifier: str) -> dict[str, Any]:
        """The answer to the code. The proof of who we are is made anew for each attempt."""
        client, url = self._client(found), found.token_endpoint or ""

        def form() -> Form:
            asked = prepare_token_request(
                "authorization_code", redirect_uri=self._redirect, code=code, code_verifier=verifier
            )
            proof = client.client_auth(client.token_endpoint_auth_method)
            _, headers, body = proof.prepare("POST", url, {}, asked)
            return Form(body.encode(), headers)

        answer = await http.send_form(url, form, what=WHAT)
        if answer.status != 200:
            raise AccessRefused(f"{WHAT}: the authorization server refuses the code ({answer.status})")
        try:
            return dict(client.parse_response_token(_as_response(url, answer)))
        except _UNFIT:
            raise AccessRefused(f"{WHAT}: the authorization server gives no token that could be read") from None

    async def _configuration(self) -> LaunchConfiguration:
        """Kept for a minute: beginning to sign in, as anybody may, does not have the server asked each time."""
        if self._found is None or not timedelta(0) <= self._now() - self._found[1] < _DISCOVERY_KEPT:
            async with self._http() as http:
                self._found = await discover(http, self._base), self._now()
        return self._found[0]

    def _client(self, found: LaunchConfiguration, *, scope: str | None = None) -> OAuth2Client:
        return proving_client(
            found,
            self._credentials,
            client_id=self._client_id,
            redirect_uri=self._redirect,
            scope=scope,
            now=self._now,
        )

    def _http(self) -> TokenHttp:
        return TokenHttp(self._transport(), sleep=self._sleep, now=self._now, dice=random.random)

    def _sweep(self) -> None:
        now = self._now()
        self._pending = {state: one for state, one in self._pending.items() if now - one.began < PENDING}

    def _refuse_more(self) -> None:
        self._sweep()
        if len(self._pending) >= _MOST_PENDING:
            raise Busy


def _as_response(url: str, answer: Fetched) -> httpx.Response:
    return httpx.Response(answer.status, content=answer.body, request=httpx.Request("POST", url))


def _refuse_mixed_up(found: LaunchConfiguration, issuer: str | None) -> None:
    """Raises AccessRefused where the way back comes from another server than the one we sent to (RFC 9207, 2.4)."""
    if issuer is None:
        if found.authorization_response_iss_parameter_supported:
            raise AccessRefused(f"{WHAT}: the way back does not say who sends it, as this server always does")
    elif issuer != found.issuer:
        raise AccessRefused(f"{WHAT}: the way back comes from another authorization server")
