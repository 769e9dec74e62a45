"""A SMART authorization server beside a FHIR server, both behind one httpx transport; strict, unless told otherwise.

It checks an assertion with the library and by the letter of the specification, apart from the code it is used to try.
"""

import asyncio
import base64
import json
import secrets
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from typing import Any
from urllib.parse import parse_qs

import httpx
from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import KeySet

BASE = "https://ward.example.org/fhir"
TOKEN_URL = "https://ward.example.org/auth/token"
DISCOVERY = f"{BASE}/.well-known/smart-configuration"
ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
START = datetime(2031, 3, 27, 6, 30, tzinfo=UTC)
Json = dict[str, Any]
Answer = httpx.Response | Exception


class Clock:
    """Ours, moved by hand."""

    def __init__(self, at: datetime = START) -> None:
        self.at = at

    def __call__(self) -> datetime:
        return self.at

    def move(self, **by: float) -> None:
        self.at += timedelta(**by)

    async def sleep(self, seconds: float) -> None:
        self.move(seconds=seconds)


def configuration(**changes: Any) -> Json:
    body = {
        "token_endpoint": TOKEN_URL,
        "grant_types_supported": ["client_credentials"],
        "token_endpoint_auth_methods_supported": ["private_key_jwt"],
        "token_endpoint_auth_signing_alg_values_supported": ["RS384", "ES384"],
        "scopes_supported": ["system/*.rs"],
        "capabilities": ["client-confidential-asymmetric", "permission-v2"],
    }
    return {name: value for name, value in (body | changes).items() if value is not None}


@dataclass
class AuthorizationServer:
    """`jwks` are the public keys it knows. `skew_s` is how far its clock is ahead of ours.

    `discovery`, `token_answers` and `fhir_answers`, where filled, are given instead of its own answers, in turn.
    """

    clock: Clock
    jwks: Json
    client_id: str = "andante-at-lanternmoor"
    audience: str = TOKEN_URL
    skew_s: float = 0
    life_s: int = 300
    granted: Callable[[str], str] = lambda asked: asked
    discovery: Answer | None = None
    token_answers: list[Answer] = field(default_factory=list)
    fhir_answers: list[Answer] = field(default_factory=list)
    fhir: Callable[[httpx.Request], httpx.Response] | None = None
    requests: list[httpx.Request] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    tokens: dict[str, datetime] = field(default_factory=dict)
    _jtis: set[str] = field(default_factory=set)

    def transport(self) -> httpx.AsyncBaseTransport:
        return httpx.MockTransport(self._answer)

    @property
    def token_requests(self) -> list[httpx.Request]:
        return [request for request in self.requests if request.method == "POST" and "auth" in request.url.path]

    @property
    def fhir_requests(self) -> list[httpx.Request]:
        others = (*self.token_requests, *(r for r in self.requests if str(r.url) == DISCOVERY))
        return [request for request in self.requests if request not in others]

    @property
    def now(self) -> datetime:
        return self.clock() + timedelta(seconds=self.skew_s)

    async def _answer(self, request: httpx.Request) -> httpx.Response:
        content = await request.aread()
        for _ in range(3):
            await asyncio.sleep(0)  # as on a network, others come in between
        self.requests.append(httpx.Request(request.method, request.url, headers=request.headers, content=content))
        answer = self._take(request)
        if isinstance(answer, Exception):
            raise answer
        answer.headers.setdefault("Date", format_datetime(self.now, usegmt=True))
        return answer

    def _take(self, request: httpx.Request) -> Answer:
        if str(request.url) == DISCOVERY:
            return self.discovery or httpx.Response(200, json=configuration())
        if request.method == "POST" and str(request.url) == TOKEN_URL:
            return self.token_answers.pop(0) if self.token_answers else self._give_token(request)
        return self.fhir_answers.pop(0) if self.fhir_answers else self._serve(request)

    def _serve(self, request: httpx.Request) -> httpx.Response:
        token = request.headers.get("Authorization", "").removeprefix("Bearer ")
        if self.tokens.get(token, datetime.min.replace(tzinfo=UTC)) <= self.now:
            return httpx.Response(401, headers={"WWW-Authenticate": 'Bearer error="invalid_token"'})
        if self.fhir is not None:
            return self.fhir(request)
        return httpx.Response(200, json={"resourceType": "Patient", "id": "ada"})

    def _give_token(self, request: httpx.Request) -> httpx.Response:
        form = {name: values[0] for name, values in parse_qs(request.content.decode()).items()}
        problem = self._problem_of(form)
        if problem is not None:
            self.refused.append(problem)
            return httpx.Response(400, json={"error": "invalid_client", "error_description": problem})
        return self.grant(form["scope"])

    def grant(self, scope: str, **changes: Any) -> httpx.Response:
        token = secrets.token_urlsafe(16)
        self.tokens[token] = self.now + timedelta(seconds=self.life_s)
        body = {
            "access_token": token,
            "token_type": "bearer",
            "expires_in": self.life_s,
            "scope": self.granted(scope),
        } | changes
        return httpx.Response(200, json={name: value for name, value in body.items() if value is not None})

    def _problem_of(self, form: Json) -> str | None:
        if form["grant_type"] != "client_credentials":
            return "grant"
        return self.problem_of_assertion(form)

    def problem_of_assertion(self, form: Json) -> str | None:
        """What is wrong with the assertion of a token request; None for nothing. An assertion is good once."""
        if form.get("client_assertion_type") != ASSERTION_TYPE or "client_assertion" not in form:
            return "grant"
        try:
            keys = KeySet.import_key_set(self.jwks)
            found = jwt.decode(form["client_assertion"], keys, algorithms=["RS384", "ES384"])
        except (JoseError, ValueError):
            return "signature"
        claims, seconds = found.claims, self.now.timestamp()
        if claims["iss"] != self.client_id or claims["sub"] != self.client_id:
            return "client"
        if claims["aud"] != self.audience:
            return "audience"
        if not seconds < claims["exp"] <= seconds + 300:
            return "expired" if claims["exp"] <= seconds else "too long"
        if claims["jti"] in self._jtis:
            return "replayed"
        self._jtis.add(claims["jti"])
        return None

    def forget_tokens(self) -> None:
        """As a restart of the server would."""
        self.tokens.clear()


def texts(requests: Iterable[httpx.Request]) -> str:
    """All that was sent, as one text to look for secrets in."""
    return "\n".join(f"{r.method} {r.url} {dict(r.headers)} {r.content.decode()}" for r in requests)


def decoded(request: httpx.Request) -> tuple[Json, Json]:
    """Header and claims of the assertion in a token request, unverified."""
    assertion = parse_qs(request.content.decode())["client_assertion"][0]
    header, claims = (
        json.loads(base64.urlsafe_b64decode(part + "=" * (-len(part) % 4))) for part in assertion.split(".")[:2]
    )
    return header, claims
