"""The access token in force: asked for once however many need it, before it expires, and again when it is refused."""

import asyncio
import random
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import httpx
from httpx_aiohttp import AiohttpTransport

from andante import clock, log
from andante.errors import AccessRefused, BadAnswer, ServerError
from andante.fhir_http.keys import KeyFiles, SigningKey
from andante.fhir_http.origin import Origin
from andante.fhir_http.retry import http_date
from andante.fhir_http.scopes import Needs, beyond, lacking, scope_text
from andante.fhir_http.smart_discovery import (
    PATH,
    SmartConfiguration,
    TokenEndpoint,
    parse_configuration,
    scope_version,
    token_endpoint,
    usable_keys,
)
from andante.fhir_http.smart_discovery import WHAT as DISCOVERING
from andante.fhir_http.smart_http import Fetched, Form, TokenHttp
from andante.fhir_http.smart_token import WHAT, Token, is_about_us, read_token, refusal, request_body

_PAUSE = timedelta(seconds=30)
"""After a failure nothing is asked for so long: else every read of a round would ask again, and wait again."""
_REFUSED_PAUSE = timedelta(seconds=60)
_CLOCKS_AGREE_S = 30.0
_WORST_CLOCK_S = 600.0


@dataclass(frozen=True, kw_only=True)
class SmartClient:
    """Who we are to the authorization server, and what we need. `token_url` is set where discovery is not to decide."""

    client_id: str
    keys: KeyFiles
    needs: Needs
    token_url: str | None = None


class TokenSource:
    """Gives the token to whoever sends. It has a client of its own: no FHIR request ever carries an assertion."""

    def __init__(
        self,
        client: SmartClient,
        origin: Origin,
        *,
        transport: Callable[[], httpx.AsyncBaseTransport] = AiohttpTransport,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
        now: Callable[[], datetime] = clock.now,
        dice: Callable[[], float] = random.random,
    ) -> None:
        self._client, self._origin = client, origin
        self._transport, self._sleep, self._now, self._dice = transport, sleep, now, dice
        self._one_at_a_time = asyncio.Lock()
        self._token: Token | None = None
        self._replaced_refused = False
        self._failure: tuple[ServerError, datetime] | None = None
        self._configuration: SmartConfiguration | None = None
        self._skew = timedelta()
        self._lacking: Needs = {}
        self._told: tuple[Needs, Needs] = ({}, {})

    @property
    def lacking(self) -> Needs:
        """What was asked for and not granted with the token in force."""
        return self._lacking

    async def current(self) -> Token:
        """The token to send now. Raises a ServerError where none can be had."""
        if self._token is None or self._now() >= self._token.due:
            async with self._one_at_a_time:
                if self._token is None or self._now() >= self._token.due:
                    await self._renew_or_keep()
        assert self._token is not None  # noqa: S101 - for the type checker
        return self._token

    async def instead_of(self, refused: Token) -> Token | None:
        """Another token for one that the FHIR server answered 401; None where asking again would be no use."""
        async with self._one_at_a_time:
            if self._token is not None and self._token.text != refused.text:
                return self._token  # somebody else has asked meanwhile
            if self._replaced_refused:
                # That one came in place of a refused one and was refused too: not the token is at fault.
                self._token = replace(refused, due=min(refused.due, self._now() + _REFUSED_PAUSE))
                return None
            self._token = None
            token = await self._renew()
            self._replaced_refused = True
            return token

    def accepted(self, token: Token) -> None:
        """To be told of every answer that is not a 401."""
        if self._token is not None and token.text == self._token.text:
            self._replaced_refused = False

    async def _renew_or_keep(self) -> None:
        """A token near its end is still good when no new one can be had."""
        try:
            await self._renew()
        except ServerError:
            if self._token is None or self._now() >= self._token.expires:
                self._token = None
                raise

    async def _renew(self) -> Token:
        if self._failure is not None:
            failure, at = self._failure
            if timedelta() <= self._now() - at < _PAUSE:  # a clock set back must not make the pause an hour
                raise type(failure)(str(failure), status=failure.status)
        try:
            token = await self._ask()
        except ServerError as error:
            self._failure = (error, self._now())
            self._configuration = None  # it may have moved
            log.warn("smart.no-token", error=error)
            raise
        self._failure, self._token = None, token
        return token

    async def _ask(self) -> Token:
        async with TokenHttp(self._transport(), sleep=self._sleep, now=self._now, dice=self._dice) as http:
            found = self._configuration or await self._discover(http)
            self._configuration = found
            endpoint = token_endpoint(found, origin=self._origin, given=self._client.token_url)
            scope = scope_text(self._client.needs, scope_version(found))
            refused: ServerError | None = None
            for key in usable_keys(found, self._client.keys.keys):
                asked_at = self._now()
                answer = await self._request(http, endpoint, scope, key)
                if is_about_us(answer.body) and self._learns_the_time(answer):
                    answer = await self._request(http, endpoint, scope, key)
                if answer.status < 300 and not is_about_us(answer.body):
                    token = read_token(answer.body, asked_at=asked_at)
                    self._compare(scope, token.scope)
                    return token
                refused = refusal(answer.body, status=answer.status)
                if not is_about_us(answer.body):
                    break
                log.warn("smart.key-refused", kind=key.algorithm)  # the next may be the one the server still knows
        raise refused or AccessRefused(f"{WHAT}: there is no key to sign with", status=401)

    async def _discover(self, http: TokenHttp) -> SmartConfiguration:
        answer = await http.get(self._origin.url(PATH), what=DISCOVERING)
        if answer.status == 200:
            return parse_configuration(answer.body)
        if self._client.token_url is not None:
            return SmartConfiguration()  # the administrator has said what matters
        hint = "if it has none, set ANDANTE_SMART_TOKEN_URL"
        raise BadAnswer(f"{DISCOVERING}: the server answered {answer.status}; {hint}")

    async def _request(self, http: TokenHttp, endpoint: TokenEndpoint, scope: str, key: SigningKey) -> Fetched:
        def form() -> Form:
            body = request_body(
                client_id=self._client.client_id,
                audience=endpoint.audience,
                scope=scope,
                key=key,
                now=self._now() + self._skew,
            )
            return Form(body)

        return await http.send_form(endpoint.address, form, what=WHAT)

    def _learns_the_time(self, answer: Fetched) -> bool:
        """Whether the refusal may come of clocks that disagree, and the server's is now known.

        Only this request goes by the server's clock; what a chart says is never dated by it. Raises AccessRefused
        where the two are so far apart that one of them is wrong for everything else too.
        """
        told = http_date(answer.headers.get("Date"))
        if told is None:
            return False
        skew = told - self._now()
        if abs(skew - self._skew).total_seconds() <= _CLOCKS_AGREE_S:
            return False
        if abs(skew).total_seconds() > _WORST_CLOCK_S:
            raise AccessRefused(f"{WHAT}: refused, and the two clocks are over ten minutes apart: set this machine's")
        self._skew = skew
        log.warn("smart.clocks-disagree", seconds=skew.total_seconds())
        return True

    def _compare(self, asked: str, granted: str | None) -> None:
        scope = asked if granted is None else granted
        self._lacking, wider = lacking(self._client.needs, scope), beyond(self._client.needs, scope)
        if (self._lacking, wider) == self._told:
            return
        self._told = (self._lacking, wider)
        for action, needs in (("smart.scope-not-granted", self._lacking), ("smart.scope-wider-than-needed", wider)):
            for name, letters in needs.items():
                log.warn(action, kind=f"{name.replace('*', 'any')}.{letters}")
