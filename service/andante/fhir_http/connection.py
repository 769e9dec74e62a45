"""One connection to one FHIR server: limits, retries of reads, and errors by what they mean."""

import asyncio
import random
from collections import Counter
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import TracebackType
from typing import Self

import aiohttp
import httpx
from httpx_aiohttp import AiohttpTransport

from andante import clock, spans
from andante.audit import AuditLog
from andante.errors import (
    Absent,
    AccessRefused,
    BadAnswer,
    Conflict,
    Refused,
    ServerError,
    Unreachable,
)
from andante.fhir_http.audited import AuditedTransport
from andante.fhir_http.auth import Identification
from andante.fhir_http.envelope import decode_outcome
from andante.fhir_http.origin import Origin
from andante.fhir_http.retry import RETRIED_STATUSES, RetryPolicy, RetryPool, retry_after_s
from andante.fhir_http.scopes import Needs

FHIR_JSON = "application/fhir+json"
_JSON_TYPES = frozenset({"application/json", "text/json", "application/json+fhir"})
_ENCODINGS = frozenset({"", "identity", "gzip", "x-gzip"})
_KNOWN_OTHERS = frozenset({"text/html", "text/plain", "application/xml", "application/fhir+xml"})
# Many servers close what was idle for five seconds. A write sent in that very moment is lost, and never sent again
# blindly: so a connection is given up well before.
_IDLE_S = 2.0
# httpx-aiohttp lets some of aiohttp's own errors through.
_BROKEN = (httpx.TransportError, aiohttp.ClientError, TimeoutError, OSError)


@dataclass(frozen=True, kw_only=True)
class ServerSettings:
    """How to speak to the server. Sizes are of the decompressed body."""

    base: str
    rewrite: Mapping[str, str] = field(default_factory=dict)
    concurrency: int = 8
    connect_timeout_s: float = 10.0
    read_timeout_s: float = 60.0
    request_timeout_s: float = 300.0
    """From sending to the last byte, so that a server dripping bytes cannot hold a round."""
    retry: RetryPolicy = field(default_factory=RetryPolicy)
    retry_pool: int = 60
    strict: bool = True
    """Ask for `Prefer: handling=strict` in searches."""
    max_body_bytes: int = 256 * 1024 * 1024
    max_search_bytes: int = 1024 * 1024 * 1024
    max_pages: int = 5_000
    max_entries: int = 1_000_000


@dataclass(frozen=True)
class Answer:
    """A whole answer with a status below 300."""

    status: int
    headers: httpx.Headers
    body: bytes


class Connection:
    """An async context manager; readers and the writer of one server share it."""

    def __init__(
        self,
        settings: ServerSettings,
        *,
        auth: httpx.Auth | None = None,
        transport: httpx.AsyncBaseTransport | None = None,
        audit: AuditLog | None = None,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
        now: Callable[[], datetime] = clock.now,
        dice: Callable[[], float] = random.random,
    ) -> None:
        self.settings = settings
        self.origin = Origin(settings.base, settings.rewrite)
        self._sleep, self._now, self._dice = sleep, now, dice
        self._pool = RetryPool(settings.retry_pool)
        self._gate = asyncio.Semaphore(settings.concurrency)
        self.answers: Counter[tuple[str, int]] = Counter()
        """How often a request by this method was answered with this status; 0 stands for no answer."""
        transport = transport or _transport(settings)
        self._auth = auth
        self._client = httpx.AsyncClient(
            transport=transport if audit is None else AuditedTransport(transport, audit, self.origin),
            auth=auth,
            follow_redirects=False,  # a redirect could carry the token to another host
            trust_env=False,
            timeout=httpx.Timeout(settings.read_timeout_s, connect=settings.connect_timeout_s),
            headers={"Accept": FHIR_JSON, "Accept-Encoding": "gzip", "User-Agent": "andante"},
        )

    @property
    def lacking(self) -> Needs:
        """What the server is known not to have granted us."""
        return self._auth.lacking if isinstance(self._auth, Identification) else {}

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._client.aclose()

    async def get(self, url: str, *, what: str, headers: Mapping[str, str] | None = None) -> Answer:
        """GET with retries. `what` names the read in errors, without patient data. Raises a ServerError."""
        return await self._retrying("GET", url, what=what, headers=headers or {}, retried=RETRIED_STATUSES)

    async def post(self, body: bytes, *, what: str, headers: Mapping[str, str] | None = None) -> Answer:
        """POST to the base. Only a 429, which says that nothing was done, is tried again.

        Raises Unreachable where the outcome is unknown: the caller reads again and sees. Not even a connect
        error proves that nothing was sent, since the transport reports a dropped connection under the same
        name.
        """
        headers = {"Content-Type": FHIR_JSON, **(headers or {})}
        return await self._retrying(
            "POST", self.origin.base, what=what, headers=headers, body=body, retried=frozenset({429})
        )

    async def _retrying(
        self,
        method: str,
        url: str,
        *,
        what: str,
        headers: Mapping[str, str],
        retried: frozenset[int],
        body: bytes | None = None,
    ) -> Answer:
        policy, waited, attempt = self.settings.retry, 0.0, 0
        while True:
            attempt += 1
            asked_s: float | None = None
            problem: ServerError
            try:
                with spans.span("fhir.request", method=method) as span:
                    answer = await self._once(method, url, headers=headers, body=body, what=what)
                    span.tell({"status": answer.status})
                self.answers[method, answer.status] += 1
            except httpx.InvalidURL:
                # A link, or the place a redirect names, that passes for an address with everybody but httpx.
                self.answers[method, 0] += 1
                raise BadAnswer(f"{what}: the server names an address that is none") from None
            except _BROKEN as error:
                self.answers[method, 0] += 1
                problem = Unreachable(f"{what}: no answer from the FHIR server ({type(error).__name__})")
                again = method == "GET"
            else:
                if answer.status < 300:
                    self._pool.give_back()
                    return answer
                problem = error_for(answer, what)
                asked_s = retry_after_s(answer.headers.get("Retry-After"), self._now())
                again = answer.status in retried
            if not again:
                raise problem
            delay = policy.delay_s(attempt, dice=self._dice(), asked_s=asked_s)
            spent = attempt >= policy.attempts or waited + delay > policy.waiting_budget_s
            if spent or not self._pool.take():
                raise problem
            waited += delay
            await self._sleep(delay)

    async def _once(
        self, method: str, url: str, *, headers: Mapping[str, str], body: bytes | None, what: str
    ) -> Answer:
        limit = self.settings.max_body_bytes
        async with (
            self._gate,
            asyncio.timeout(self.settings.request_timeout_s),
            self._client.stream(method, url, headers=dict(headers), content=body) as response,
        ):
            received = bytearray()
            if response.headers.get("Content-Encoding", "").strip().lower() not in _ENCODINGS:
                # Not asked for, and of a body packed twice one chunk alone could fill the memory: left unread.
                if response.status_code < 300:
                    raise BadAnswer(f"{what}: the answer is compressed in a way that was not asked for")
                return Answer(response.status_code, response.headers, b"")
            try:
                async for chunk in response.aiter_bytes():
                    received += chunk
                    if len(received) > limit:
                        raise BadAnswer(f"{what}: the answer is larger than {limit} bytes")
            except httpx.DecodingError:
                raise BadAnswer(f"{what}: the compressed answer is damaged") from None
        return Answer(response.status_code, response.headers, bytes(received))


def _transport(settings: ServerSettings) -> AiohttpTransport:
    # aiohttp keeps its pace under concurrency where httpx's own transport slows down.
    limits = httpx.Limits(max_connections=settings.concurrency, keepalive_expiry=_IDLE_S)
    return AiohttpTransport(limits=limits)


def error_for(answer: Answer, what: str) -> ServerError:
    """The error a status of 300 or more stands for; names the OperationOutcome's codes, never its texts."""
    outcome = decode_outcome(answer.body)
    detail = f" ({outcome.summary})" if outcome is not None else ""
    status = answer.status
    message = f"{what}: the FHIR server answered {status}{detail}"
    match status:
        case 401 | 403:
            return AccessRefused(message, status=status)
        case 404 | 410:
            return Absent(message, status=status)
        case 409 | 412:
            return Conflict(message, status=status)
        case _ if status < 400:
            return BadAnswer(f"{message}: redirects are not followed", status=status)
        case 408 | 425 | 429:
            return Unreachable(message, status=status)
        case _ if status < 500:
            return Refused(message, status=status)
        case _:
            return Unreachable(message, status=status)


def check_json(answer: Answer, what: str) -> None:
    """Refuse what cannot be FHIR JSON by its content type. Raises BadAnswer."""
    kind = answer.headers.get("Content-Type", "").split(";")[0].strip().lower()
    if kind and kind not in _JSON_TYPES and not kind.endswith("+json"):
        named = kind if kind in _KNOWN_OTHERS else "other"
        raise BadAnswer(f"{what}: the answer is not FHIR JSON (content type {named}); a proxy or login page?")
