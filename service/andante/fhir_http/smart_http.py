"""HTTP to an authorization server, on a client of its own: small answers, few retries, no redirects."""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import TracebackType
from typing import Final, Self

import aiohttp
import httpx

from andante.errors import BadAnswer, Unreachable
from andante.fhir_http.retry import RETRIED_STATUSES, RetryPolicy, retry_after_s

_LONGEST_ANSWER = 256 * 1024
_TIMEOUT_S = 30.0
_RETRY: Final = RetryPolicy(attempts=3, waiting_budget_s=20.0)
_BROKEN = (httpx.HTTPError, aiohttp.ClientError, TimeoutError, OSError)


@dataclass(frozen=True)
class Fetched:
    """A whole answer with a status below 500, and no redirect."""

    status: int
    headers: httpx.Headers
    body: bytes


@dataclass(frozen=True)
class Form:
    """What is posted. `headers` come beside those of the client."""

    body: bytes = field(repr=False)
    headers: Mapping[str, str] = field(default_factory=dict, repr=False)


class TokenHttp:
    """An async context manager, opened for one token. No FHIR request is ever sent on it."""

    def __init__(
        self,
        transport: httpx.AsyncBaseTransport,
        *,
        sleep: Callable[[float], Awaitable[None]],
        now: Callable[[], datetime],
        dice: Callable[[], float],
    ) -> None:
        self._sleep, self._now, self._dice = sleep, now, dice
        self._client = httpx.AsyncClient(
            transport=transport,
            follow_redirects=False,  # neither an assertion nor a token follows anybody anywhere
            trust_env=False,
            timeout=_TIMEOUT_S,
            headers={"Accept": "application/json", "Accept-Encoding": "identity", "User-Agent": "andante"},
        )

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._client.aclose()

    async def get(self, url: str, *, what: str) -> Fetched:
        """`what` names it in errors. Raises Unreachable and BadAnswer."""
        return await self._fetch(lambda: self._client.build_request("GET", url), what)

    async def send_form(self, url: str, form: Callable[[], Form], *, what: str) -> Fetched:
        """POST. The form is made anew for each attempt. Raises as `get`."""

        def make() -> httpx.Request:
            made = form()
            headers = {**made.headers, "Content-Type": "application/x-www-form-urlencoded"}
            return self._client.build_request("POST", url, content=made.body, headers=headers)

        return await self._fetch(make, what)

    async def _fetch(self, make: Callable[[], httpx.Request], what: str) -> Fetched:
        attempt, waited = 0, 0.0
        while True:
            attempt += 1
            asked_s = None
            try:
                async with asyncio.timeout(_TIMEOUT_S):
                    answer = await _send(self._client, make(), what)
            except httpx.InvalidURL:
                raise BadAnswer(f"{what}: the server names no address that could be used") from None
            except httpx.DecodingError:
                raise BadAnswer(f"{what}: the compressed answer is damaged") from None
            except _BROKEN as error:
                problem = Unreachable(f"{what}: no answer ({type(error).__name__})")
            else:
                if 300 <= answer.status < 400:
                    raise BadAnswer(f"{what}: the server answered {answer.status}: redirects are not followed")
                if answer.status not in RETRIED_STATUSES and answer.status < 500:
                    return answer
                problem = Unreachable(f"{what}: the server answered {answer.status}", status=answer.status)
                asked_s = retry_after_s(answer.headers.get("Retry-After"), self._now())
            delay = _RETRY.delay_s(attempt, dice=self._dice(), asked_s=asked_s)
            if attempt >= _RETRY.attempts or waited + delay > _RETRY.waiting_budget_s:
                raise problem
            waited += delay
            await self._sleep(delay)


async def _send(http: httpx.AsyncClient, request: httpx.Request, what: str) -> Fetched:
    response = await http.send(request, stream=True)
    try:
        if response.headers.get("Content-Encoding", "identity").strip().lower() not in ("identity", "gzip"):
            raise BadAnswer(f"{what}: the answer is compressed in a way that was not asked for")
        received = bytearray()
        async for chunk in response.aiter_bytes():
            received += chunk
            if len(received) > _LONGEST_ANSWER:
                raise BadAnswer(f"{what}: the answer is too large")
        return Fetched(response.status_code, response.headers, bytes(received))
    finally:
        await response.aclose()
