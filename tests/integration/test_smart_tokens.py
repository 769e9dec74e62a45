"""SMART Backend Services over one connection: a strict authorization server, a clock moved by hand, hostile answers."""

import asyncio
import json
import logging
import re
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from joserfc.jwk import ECKey, RSAKey

from andante.errors import AccessRefused, BadAnswer, ServerError, Unreachable
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.keys import KeyFiles
from andante.fhir_http.origin import Origin
from andante.fhir_http.retry import RetryPolicy
from andante.fhir_http.scopes import needs_of
from andante.fhir_http.smart_auth import SmartBackend
from andante.fhir_http.smart_source import SmartClient, TokenSource
from andante.fhir_http.smart_token import read_token
from authorization_server import (
    BASE,
    TOKEN_URL,
    AuthorizationServer,
    Clock,
    configuration,
    decoded,
    texts,
)

RSA, EC, NEXT = RSAKey.generate_key(2048), ECKey.generate_key("P-384"), ECKey.generate_key("P-384")
NEEDS = needs_of(read=["Patient", "Observation"], create=["Task"], update=["Task"])
SCOPE = "system/Observation.rs system/Patient.rs system/Task.cu"
PATIENT = f"{BASE}/Patient/ada"
BODY = b'{"resourceType":"Bundle","type":"transaction"}'


class House:
    """Our side of it: key file, token source and connection, all on the server's transport."""

    def __init__(
        self,
        folder: Path,
        *keys: Any,
        token_url: str | None = None,
        rewrite: dict[str, str] | None = None,
        base: str = BASE,
        **server: Any,
    ) -> None:
        self.file = folder / "keys.json"
        self.clock = Clock()
        self.write_keys(*(keys or (EC,)))
        public = {"keys": [_public(key) for key in (keys or (EC,))]}
        self.server = AuthorizationServer(self.clock, server.pop("jwks", public), **server)
        origin = Origin(base, rewrite or {})
        client = SmartClient(
            client_id=self.server.client_id, keys=KeyFiles([self.file]), needs=NEEDS, token_url=token_url
        )
        self.source = TokenSource(
            client,
            origin,
            transport=self.server.transport,
            sleep=self.clock.sleep,
            now=self.clock,
            dice=lambda: 0.5,
        )
        self.auth = SmartBackend(self.source, origin)

    def write_keys(self, *keys: Any) -> None:
        new = self.file.with_suffix(".new")
        new.write_text(json.dumps({"keys": [key.as_dict(private=True) for key in keys]}))
        new.replace(self.file)

    @asynccontextmanager
    async def connection(self, **settings: Any) -> AsyncIterator[Connection]:
        async with Connection(
            ServerSettings(base=BASE, retry=RetryPolicy(attempts=1), **settings),
            auth=self.auth,
            transport=self.server.transport(),
            sleep=self.clock.sleep,
            now=self.clock,
        ) as connection:
            yield connection

    async def read(self, url: str = PATIENT) -> int:
        async with self.connection() as connection:
            return (await connection.get(url, what="reading a Patient")).status


def _public(key: Any) -> dict[str, Any]:
    return {**key.as_dict(private=False), "kid": key.thumbprint(), "use": "sig"}


@pytest.fixture
def house(tmp_path: Path) -> Callable[..., House]:
    return lambda *keys, **how: House(tmp_path, *keys, **how)


Make = Callable[..., House]


@pytest.fixture
def logged() -> Iterator[Callable[[], list[tuple[str, Any]]]]:
    """Actions and facts of what is logged."""
    records: list[logging.LogRecord] = []
    handler = logging.Handler()
    handler.emit = records.append  # type: ignore[method-assign]
    logger = logging.getLogger("andante")
    logger.addHandler(handler)
    yield lambda: [(record.getMessage(), getattr(record, "facts", {})) for record in records]
    logger.removeHandler(handler)


# What is asked, and with what


@pytest.mark.parametrize(("key", "algorithm"), [(RSA, "RS384"), (EC, "ES384")])
async def test_a_token_is_asked_for_by_a_signed_assertion_and_sent_with_each_read(
    house: Make, key: Any, algorithm: str
) -> None:
    ours = house(key)
    async with ours.connection() as connection:
        for _ in range(3):
            assert (await connection.get(PATIENT, what="reading")).status == 200
    [asked] = ours.server.token_requests
    header, claims = decoded(asked)
    assert header == {"alg": algorithm, "kid": key.thumbprint(), "typ": "JWT"}
    assert claims.keys() == {"iss", "sub", "aud", "exp", "jti"}
    assert (claims["iss"], claims["sub"], claims["aud"]) == (*[ours.server.client_id] * 2, TOKEN_URL)
    assert claims["exp"] == int((ours.clock() + timedelta(seconds=150)).timestamp())
    [token] = ours.server.tokens
    assert [r.headers["Authorization"] for r in ours.server.fhir_requests] == [f"Bearer {token}"] * 3


async def test_the_scopes_asked_for_are_what_is_needed(house: Make) -> None:
    ours = house()
    await ours.read()
    [asked] = ours.server.token_requests
    assert httpx.QueryParams(asked.content.decode())["scope"] == SCOPE


V1_ONLY = "system/Observation.read system/Patient.read system/Task.write"
VERSIONS = [
    ({"capabilities": ["permission-v1", "permission-v2"]}, SCOPE),
    ({"capabilities": ["permission-v2"], "scopes_supported": ["system/*.read"]}, SCOPE),
    ({"capabilities": ["permission-v1"], "scopes_supported": ["system/*.rs"]}, V1_ONLY),
    ({"capabilities": None, "scopes_supported": ["openid", "system/*.read", "system/*.*"]}, V1_ONLY),
    ({"capabilities": None, "scopes_supported": ["system/*.read", "system/*.rs"]}, SCOPE),
    ({"capabilities": None, "scopes_supported": None}, SCOPE),
    ({"capabilities": [], "scopes_supported": []}, SCOPE),
]


@pytest.mark.parametrize(("said", "scope"), VERSIONS)
async def test_version_1_only_where_the_server_says_only_that(house: Make, said: dict[str, Any], scope: str) -> None:
    ours = house(discovery=httpx.Response(200, json=configuration(**said)))
    await ours.read()
    [asked] = ours.server.token_requests
    assert httpx.QueryParams(asked.content.decode())["scope"] == scope
    assert not ours.source.lacking


# Renewal


async def test_a_token_is_renewed_before_it_expires(house: Make) -> None:
    ours = house()
    await ours.read()
    ours.clock.move(seconds=239)
    await ours.read()
    assert len(ours.server.token_requests) == 1
    ours.clock.move(seconds=2)
    await ours.read()
    assert len(ours.server.token_requests) == 2
    assert all(request.headers["Authorization"] for request in ours.server.fhir_requests)
    ids = [decoded(asked)[1]["jti"] for asked in ours.server.token_requests]
    assert len(set(ids)) == 2


async def test_a_token_of_a_few_seconds_is_used_for_most_of_them(house: Make) -> None:
    ours = house(life_s=6)
    await ours.read()
    ours.clock.move(seconds=3)
    await ours.read()
    ours.clock.move(seconds=2)
    await ours.read()
    assert len(ours.server.token_requests) == 2


async def test_a_token_refused_is_replaced_once_and_the_read_repeated(house: Make) -> None:
    ours = house()
    await ours.read()
    ours.server.forget_tokens()
    assert await ours.read() == 200
    assert len(ours.server.token_requests) == 2
    assert len(ours.server.fhir_requests) == 3


async def test_a_write_refused_for_its_token_is_sent_again_with_another_unchanged(house: Make) -> None:
    ours = house()
    await ours.read()
    ours.server.forget_tokens()
    async with ours.connection() as connection:
        await connection.post(BODY, what="writing")
    writes = [request for request in ours.server.fhir_requests if request.method == "POST"]
    assert [request.content for request in writes] == [BODY, BODY]
    assert writes[0].headers["Authorization"] != writes[1].headers["Authorization"]


@pytest.mark.parametrize(
    "challenge",
    ["", 'Bearer error="invalid_token", error_description="the audience is another server"'],
    ids=["without a reason", "for another audience"],
)
async def test_a_server_that_refuses_every_token_is_not_asked_for_ever_more(house: Make, challenge: str) -> None:
    ours = house(fhir=lambda _: httpx.Response(401, headers={"WWW-Authenticate": challenge}))
    async with ours.connection() as connection:
        for _ in range(5):
            with pytest.raises(AccessRefused, match="401"):
                await connection.get(PATIENT, what="reading")
    assert len(ours.server.token_requests) == 2
    ours.clock.move(minutes=2)
    ours.server.fhir = None
    assert await ours.read() == 200
    assert len(ours.server.token_requests) == 3


async def test_an_endless_answer_to_a_refused_token_is_not_read(house: Make) -> None:
    class Endless(httpx.AsyncByteStream):
        read = 0
        closed = False

        async def __aiter__(self) -> AsyncIterator[bytes]:
            while True:
                Endless.read += 1
                yield b"x" * 65536

        async def aclose(self) -> None:
            Endless.closed = True

    ours = house()
    ours.server.fhir_answers = [httpx.Response(401, stream=Endless(), headers={"Content-Encoding": "gzip"})]
    assert await ours.read() == 200
    assert (Endless.read, Endless.closed) == (0, True)


async def test_many_reads_at_once_share_one_request_for_a_token(house: Make) -> None:
    ours = house()
    async with ours.connection(concurrency=50) as connection:
        await asyncio.gather(*(connection.get(PATIENT, what="reading") for _ in range(50)))
        assert len(ours.server.token_requests) == 1
        ours.server.forget_tokens()
        await asyncio.gather(*(connection.get(PATIENT, what="reading") for _ in range(50)))
    assert len(ours.server.token_requests) == 2


async def test_whoever_asks_for_the_token_may_give_up_without_costing_the_others_theirs(house: Make) -> None:
    ours = house()
    arrived, go = asyncio.Event(), asyncio.Event()

    class Slow(httpx.AsyncBaseTransport):
        async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
            arrived.set()
            await go.wait()
            return await ours.server.transport().handle_async_request(request)

    ours.source._transport = Slow
    first = asyncio.create_task(ours.source.current())
    await arrived.wait()
    second = asyncio.create_task(ours.source.current())
    first.cancel()
    go.set()
    assert (await second).text in ours.server.tokens
    with pytest.raises(asyncio.CancelledError):
        await first


async def test_a_token_near_its_end_is_used_while_no_new_one_can_be_had(house: Make) -> None:
    ours = house()
    await ours.read()
    ours.clock.move(seconds=250)
    ours.server.token_answers = [httpx.Response(503)] * 3
    assert await ours.read() == 200
    ours.server.token_answers = [httpx.Response(503)] * 3
    ours.clock.move(seconds=60)
    with pytest.raises(Unreachable, match="access token"):
        await ours.read()


async def test_after_a_failure_the_other_reads_fail_at_once_and_later_it_is_tried_anew(house: Make) -> None:
    ours = house(token_answers=[httpx.Response(503)] * 3)
    async with ours.connection() as connection:
        for _ in range(20):
            with pytest.raises(Unreachable, match="access token"):
                await connection.get(PATIENT, what="reading")
    assert len(ours.server.token_requests) == 3
    ours.clock.move(seconds=31)
    assert await ours.read() == 200


async def test_a_clock_set_back_does_not_make_the_pause_longer(house: Make) -> None:
    ours = house(token_answers=[httpx.Response(503)] * 3)
    with pytest.raises(Unreachable):
        await ours.read()
    ours.clock.move(hours=-3)
    assert await ours.read() == 200


async def test_a_clock_set_back_leaves_a_token_that_has_expired_only_until_it_is_refused(house: Make) -> None:
    ours = house()
    await ours.read()
    ours.clock.move(hours=-3)
    ours.server.forget_tokens()
    assert await ours.read() == 200


async def test_every_attempt_has_an_assertion_of_its_own(house: Make) -> None:
    ours = house(token_answers=[httpx.Response(503, headers={"Retry-After": "3"}), httpx.ReadTimeout("slow")])
    before = ours.clock()
    assert await ours.read() == 200
    assert (ours.clock() - before).total_seconds() >= 3
    ids = [decoded(asked)[1]["jti"] for asked in ours.server.token_requests]
    assert len(set(ids)) == 3


# Keys


async def test_a_key_is_rotated_while_the_service_runs(house: Make) -> None:
    """New key published, server learns it, order swapped, old key gone: no read fails on the way."""
    ours = house(EC)
    for keys, known in [
        ((EC, NEXT), (EC,)),
        ((EC, NEXT), (EC, NEXT)),
        ((NEXT, EC), (EC, NEXT)),
        ((NEXT,), (EC, NEXT)),
        ((NEXT,), (NEXT,)),
    ]:
        ours.write_keys(*keys)
        ours.server.jwks = {"keys": [_public(key) for key in known]}
        ours.clock.move(minutes=10)
        assert await ours.read() == 200
    assert not ours.server.refused


async def test_a_server_that_has_not_read_the_new_key_yet_is_given_the_old_one(house: Make, logged: Any) -> None:
    ours = house(NEXT, EC, jwks={"keys": [_public(EC)]})
    assert await ours.read() == 200
    assert ours.server.refused == ["signature"]
    assert ("smart.key-refused", {"kind": "ES384"}) in logged()


async def test_a_key_the_server_no_longer_takes_is_told_with_the_remedy(house: Make) -> None:
    ours = house(EC, jwks={"keys": [_public(NEXT)]})
    with pytest.raises(AccessRefused, match=r"invalid_client: .*register them.*jwks\.json"):
        await ours.read()
    assert not ours.server.fhir_requests


async def test_of_two_keys_the_one_the_server_can_check_signs(house: Make) -> None:
    said = configuration(token_endpoint_auth_signing_alg_values_supported=["none", "HS256", "RS384"])
    ours = house(EC, RSA, discovery=httpx.Response(200, json=said))
    await ours.read()
    [asked] = ours.server.token_requests
    assert decoded(asked)[0]["alg"] == "RS384"


@pytest.mark.parametrize("listed", [["none"], ["HS384", "none"], ["RS256", "ES256"], ["rs384"]])
async def test_no_list_of_algorithms_makes_us_sign_by_another(house: Make, listed: list[str]) -> None:
    said = configuration(token_endpoint_auth_signing_alg_values_supported=listed)
    ours = house(discovery=httpx.Response(200, json=said))
    with pytest.raises(AccessRefused, match="no signature of ours"):
        await ours.read()
    assert not ours.server.token_requests


# Clocks


@pytest.mark.parametrize("skew_s", [-140, -60, 60, 140])
async def test_clocks_two_minutes_apart_do_not_matter(house: Make, skew_s: int) -> None:
    ours = house(skew_s=skew_s)
    assert await ours.read() == 200
    assert len(ours.server.token_requests) == 1


@pytest.mark.parametrize("skew_s", [-500, -200, 200, 500])
async def test_clocks_further_apart_are_noticed_and_made_up_for(house: Make, skew_s: int, logged: Any) -> None:
    ours = house(skew_s=skew_s)
    assert await ours.read() == 200
    assert ours.server.refused in (["expired"], ["too long"])
    assert ("smart.clocks-disagree", {"seconds": skew_s}) in logged()
    ours.clock.move(minutes=10)
    assert await ours.read() == 200
    assert len(ours.server.refused) == 1, "once known it is remembered"


@pytest.mark.parametrize("skew_s", [-3600, 3600, 400 * 86400])
async def test_clocks_that_cannot_both_be_right_are_told_and_nothing_is_signed_for_later(
    house: Make, skew_s: int
) -> None:
    ours = house(skew_s=skew_s)
    with pytest.raises(AccessRefused, match=r"clocks .* apart: set this machine's"):
        await ours.read()
    assert len(ours.server.token_requests) == 1


async def test_the_servers_clock_is_not_believed_where_it_accepts_us(house: Make) -> None:
    """A token's life is reckoned by our clock alone."""
    ours = house()
    answer = ours.server.grant(SCOPE)
    answer.headers["Date"] = "Mon, 01 Jan 2035 00:00:00 GMT"
    ours.server.token_answers = [answer]
    assert await ours.read() == 200
    ours.clock.move(seconds=241)
    await ours.read()
    assert len(ours.server.token_requests) == 2


# Hostile answers for a token


def text(body: str, kind: str = "application/json", status: int = 200) -> httpx.Response:
    return httpx.Response(status, text=body, headers={"Content-Type": kind})


def body(**changes: Any) -> httpx.Response:
    whole = {"access_token": "abc", "token_type": "bearer", "expires_in": 300, "scope": SCOPE} | changes
    return httpx.Response(200, json={name: value for name, value in whole.items() if value is not None})


BOMB = {"Content-Encoding": "br"}
HOSTILE = [
    ("HTML", text("<html>sign in</html>", "text/html"), BadAnswer, "not JSON; a proxy or login page"),
    ("HTML called JSON", text("<html>"), BadAnswer, "not JSON"),
    ("nothing", text(""), BadAnswer, "not JSON"),
    ("a list", text("[]"), BadAnswer, "not JSON"),
    ("JSON without end", text('{"access_token":' + "[" * 100_000), BadAnswer, "not JSON"),
    ("not UTF-8", httpx.Response(200, content=b'{"access_token":"\xff"}'), BadAnswer, "not JSON"),
    ("a body without end", text(" " * 300_000), BadAnswer, "too large"),
    (
        "a body packed unasked",
        httpx.Response(200, stream=httpx.ByteStream(b"x"), headers=BOMB),
        BadAnswer,
        "compressed in a way",
    ),
    ("no token", body(access_token=None), BadAnswer, "no token"),
    ("an empty token", body(access_token=""), BadAnswer, "no token"),
    ("a token that is no text", body(access_token={"a": 1}), BadAnswer, "no token"),
    ("a token that adds a header", body(access_token="abc\r\nX-Evil: 1"), BadAnswer, "no token"),
    ("a token with a space", body(access_token="abc def"), BadAnswer, "no token"),
    ("a token beyond any header", body(access_token="a" * 40_000), BadAnswer, "no token"),
    ("another kind of token", body(token_type="mac"), BadAnswer, "not of the type bearer"),
    ("a kind bound to a key", body(token_type="DPoP"), BadAnswer, "not of the type bearer"),
    ("no kind", body(token_type=None), BadAnswer, "not of the type bearer"),
    ("a kind that is no text", body(token_type=["bearer"]), BadAnswer, "not of the type bearer"),
    ("an expired token", body(expires_in=0), BadAnswer, "expired already"),
    ("a token of the past", body(expires_in=-300), BadAnswer, "expired already"),
    ("a lifetime in words", body(expires_in="an hour"), BadAnswer, "expired already"),
    ("a lifetime of true", body(expires_in=True), BadAnswer, "expired already"),
    ("a lifetime beyond numbers", text('{"access_token":"a","expires_in":1e999}'), BadAnswer, "not JSON"),
    ("a scope that is no text", body(scope=["system/*.rs"]), BadAnswer, "scope granted cannot be read"),
    ("200 with an error", text('{"error":"invalid_client"}'), AccessRefused, "invalid_client: "),
    ("200 with an error beside a token", body(error="invalid_scope"), AccessRefused, "invalid_scope: "),
    ("another client", text('{"error":"unauthorized_client"}', status=400), AccessRefused, "unauthorized_client: "),
    ("scopes refused", text('{"error":"invalid_scope"}', status=400), AccessRefused, "invalid_scope: "),
    ("an error of its own", text('{"error":"<b>Ada</b>"}', status=400), AccessRefused, "a reason of its own"),
    ("an error that is none", text('{"error":{"a":1}}', status=400), AccessRefused, "400 without a reason"),
    ("an error without a body", text("", status=403), AccessRefused, "403 without a reason"),
    ("not there", text("<html>", "text/html", 404), AccessRefused, "404 without a reason"),
    ("a redirect", httpx.Response(307, headers={"Location": "https://evil.example/"}), BadAnswer, "redirects are not"),
    ("a redirect to itself", httpx.Response(302, headers={"Location": TOKEN_URL}), BadAnswer, "redirects are not"),
    ("down", httpx.Response(500), Unreachable, "answered 500"),
    ("busy", httpx.Response(429), Unreachable, "answered 429"),
    ("away", httpx.ConnectError("refused"), Unreachable, "ConnectError"),
]


@pytest.mark.parametrize(("what", "answer", "error", "said"), HOSTILE, ids=[row[0] for row in HOSTILE])
async def test_a_hostile_answer_ends_in_one_clear_error_and_no_request_to_the_fhir_server(
    house: Make, what: str, answer: Any, error: type[ServerError], said: str
) -> None:
    ours = house(token_answers=[answer] * 3)
    with pytest.raises(error, match=said) as caught:
        await ours.read()
    assert type(caught.value) is error
    message = str(caught.value)
    assert "\n" not in message
    assert "Ada" not in message
    assert "evil" not in message
    assert not ours.server.fhir_requests
    assert {request.url.host for request in ours.server.requests} == {"ward.example.org"}


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=10),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)
FIELDS = st.sampled_from(["access_token", "token_type", "expires_in", "scope", "error"])
GOOD = {"access_token": "abc", "token_type": "bearer", "expires_in": 300, "scope": SCOPE}


@given(
    answer=st.binary(max_size=60)
    | st.dictionaries(FIELDS, JSON, max_size=3).map(lambda changes: json.dumps(GOOD | changes).encode())
)
def test_whatever_comes_is_a_token_that_can_be_sent_for_an_hour_at_most_or_one_clear_error(answer: bytes) -> None:
    now = Clock()()
    try:
        token = read_token(answer, asked_at=now)
    except ServerError:
        return
    assert re.fullmatch(r"[\x21-\x7e]+", token.text)
    assert now <= token.due < token.expires <= now + timedelta(hours=1)


LIVES = [
    # stated, seconds it is used at most, seconds it is used at least
    (None, 300, 200),
    ("300", 300, 200),
    (300.5, 301, 200),
    (10**18, 3600, 3000),
    (1e308, 3600, 3000),
    ("9" * 40, 3600, 3000),
    (31_536_000, 3600, 3000),
    (1, 1, 0),
]


@pytest.mark.parametrize(("stated", "most", "least"), LIVES)
async def test_a_token_lives_as_long_as_stated_but_never_for_ever(
    house: Make, stated: Any, most: float, least: float
) -> None:
    ours = house(token_answers=[body(expires_in=stated)])
    token = await ours.source.current()
    begun = ours.clock()
    assert timedelta(seconds=least) <= token.due - begun <= timedelta(seconds=most)
    assert token.due < token.expires <= begun + timedelta(seconds=most)


@pytest.mark.parametrize("kind", ["Bearer", "BEARER", "bearer"])
async def test_the_type_may_be_written_either_way(house: Make, kind: str) -> None:
    ours = house(token_answers=[body(token_type=kind)])
    assert (await ours.source.current()).text == "abc"


# Scopes granted


async def test_what_was_not_granted_is_not_asked_and_said_by_name(house: Make, logged: Any) -> None:
    ours = house(granted=lambda asked: "system/Patient.rs system/Observation.rs?category=laboratory system/Task.u")
    async with ours.connection() as connection:
        assert (await connection.get(PATIENT, what="reading")).status == 200
        with pytest.raises(AccessRefused, match=r"not granted system/Observation\.rs: have it granted") as caught:
            await connection.get(f"{BASE}/Observation?patient=Patient/ada", what="searching Observation")
        assert caught.value.status == 403
        assert connection.lacking == {"Observation": "rs", "Task": "c"}
    assert len(ours.server.fhir_requests) == 1
    told = [facts for action, facts in logged() if action == "smart.scope-not-granted"]
    assert told == [{"kind": "Observation.rs"}, {"kind": "Task.c"}]


async def test_what_is_granted_beside_is_said_and_not_used(house: Make, logged: Any) -> None:
    ours = house(granted=lambda asked: f"{asked} system/NutritionOrder.cud system/*.d")
    await ours.read()
    told = [facts for action, facts in logged() if action == "smart.scope-wider-than-needed"]
    assert told == [{"kind": "any.d"}, {"kind": "NutritionOrder.cud"}]


async def test_a_scope_not_stated_is_as_asked_for(house: Make) -> None:
    ours = house(token_answers=[body(scope=None)])
    assert not ours.source.lacking
    await ours.source.current()
    assert not ours.source.lacking


async def test_a_grant_that_comes_back_is_noticed_with_the_next_token(house: Make) -> None:
    ours = house(granted=lambda asked: "system/Patient.rs")
    await ours.read()
    assert ours.source.lacking
    ours.server.granted = lambda asked: asked
    ours.clock.move(minutes=10)
    assert await ours.read(f"{BASE}/Patient?_id=ada") == 200
    assert not ours.source.lacking


# Discovery


def found(**changes: Any) -> httpx.Response:
    return httpx.Response(200, json=configuration(**changes))


DISCOVERIES = [
    ("another host", found(token_endpoint="https://evil.example/token"), "on another host"),
    ("another port", found(token_endpoint="https://ward.example.org:8443/token"), "on another host"),
    ("a host that looks alike", found(token_endpoint="https://ward.example.org.evil.example/t"), "on another host"),
    ("a user before the host", found(token_endpoint="https://ward.example.org@evil.example/t"), "no https address"),
    ("a backslash", found(token_endpoint="https://evil.example\\@ward.example.org/t"), "no https address"),
    ("unencrypted", found(token_endpoint="http://ward.example.org/token"), "no https address"),
    ("another scheme", found(token_endpoint="file:///etc/passwd"), "no https address"),
    ("a path alone", found(token_endpoint="/auth/token"), "no https address"),
    ("a port beyond ports", found(token_endpoint="https://ward.example.org:99999/t"), "no https address"),
    ("a line break", found(token_endpoint="https://ward.example.org/t\nx"), "no https address"),
    ("an empty address", found(token_endpoint=""), "names no token endpoint"),
    ("none", found(token_endpoint=None), "names no token endpoint"),
    ("an address that is none", found(token_endpoint=7), "no SMART configuration"),
    ("HTML", text("<html>", "text/html"), "no SMART configuration"),
    ("a list", text("[]"), "no SMART configuration"),
    ("capabilities in one text", found(capabilities="permission-v1"), "no SMART configuration"),
    ("a body without end", text(" " * 300_000), "too large"),
    ("not there", httpx.Response(404), "answered 404; if it has none, set ANDANTE_SMART_TOKEN_URL"),
    ("a redirect", httpx.Response(301, headers={"Location": "https://evil.example/"}), "redirects are not followed"),
]


@pytest.mark.parametrize(("what", "answer", "said"), DISCOVERIES, ids=[row[0] for row in DISCOVERIES])
async def test_an_assertion_goes_nowhere_by_the_word_of_a_hostile_configuration(
    house: Make, what: str, answer: httpx.Response, said: str
) -> None:
    ours = house(discovery=answer)
    with pytest.raises(BadAnswer, match=said):
        await ours.read()
    assert len(ours.server.requests) == 1
    assert "client_assertion" not in texts(ours.server.requests)


async def test_discovery_is_asked_without_any_token(house: Make) -> None:
    ours = house()
    await ours.read()
    assert "Authorization" not in ours.server.requests[0].headers
    assert ours.server.requests[0].url.path == "/fhir/.well-known/smart-configuration"


@pytest.mark.parametrize(
    "discovery",
    [None, httpx.Response(404), found(token_endpoint="https://evil.example/token"), found(token_endpoint=None)],
)
async def test_a_token_endpoint_that_is_set_is_the_only_one_used(house: Make, discovery: Any) -> None:
    ours = house(discovery=discovery, token_url=TOKEN_URL)
    assert await ours.read() == 200
    assert {str(request.url) for request in ours.server.token_requests} == {TOKEN_URL}
    assert {request.url.host for request in ours.server.requests} == {"ward.example.org"}


async def test_behind_a_proxy_the_assertion_names_the_endpoint_as_the_server_does(house: Make) -> None:
    printed = "http://inside.example/auth/token"
    ours = house(
        discovery=found(token_endpoint=printed),
        rewrite={"http://inside.example": "https://ward.example.org"},
        audience=printed,
    )
    assert await ours.read() == 200
    [asked] = ours.server.token_requests
    assert (str(asked.url), decoded(asked)[1]["aud"]) == (TOKEN_URL, printed)


async def test_a_token_endpoint_that_moves_is_found_again(house: Make) -> None:
    ours = house(token_answers=[httpx.Response(404)])
    with pytest.raises(AccessRefused):
        await ours.read()
    ours.clock.move(minutes=1)
    assert await ours.read() == 200
    asked = [request for request in ours.server.requests if "well-known" in request.url.path]
    assert len(asked) == 2


@pytest.mark.parametrize("typed", ["https://WARD.example.org/fhir", "HTTPS://ward.example.org:443/fhir/"])
async def test_a_base_typed_in_another_way_is_the_same_place(house: Make, typed: str) -> None:
    assert await house(base=typed).read() == 200


# Where secrets go


async def test_the_token_goes_to_the_fhir_base_alone_and_the_assertion_to_the_token_endpoint_alone(
    house: Make,
) -> None:
    ours = house()
    await ours.read()
    [token] = ours.server.tokens
    elsewhere = [request for request in ours.server.requests if not str(request.url).startswith(f"{BASE}/Patient")]
    assert token not in texts(elsewhere)
    assert "client_assertion" not in texts(ours.server.fhir_requests)


@pytest.mark.parametrize(
    "url",
    [
        "https://evil.example/fhir/Patient/ada",
        "https://ward.example.org.evil.example/fhir/Patient/ada",
        "https://ward.example.org/fhirlike/Patient/ada",
        "https://ward.example.org:8443/fhir/Patient/ada",
        "http://ward.example.org/fhir/Patient/ada",
    ],
)
async def test_a_request_to_anywhere_else_never_leaves(house: Make, url: str) -> None:
    ours = house()
    with pytest.raises(BadAnswer, match="not sent"):
        await ours.read(url)
    assert not ours.server.requests


async def test_a_redirect_of_the_fhir_server_is_not_followed(house: Make) -> None:
    ours = house()
    ours.server.fhir_answers = [httpx.Response(307, headers={"Location": "https://evil.example/fhir/Patient/ada"})]
    with pytest.raises(BadAnswer, match="redirects are not followed"):
        await ours.read()
    assert {request.url.host for request in ours.server.requests} == {"ward.example.org"}


async def test_nothing_secret_is_logged_or_shown(house: Make, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    ours = house(NEXT, EC, jwks={"keys": [_public(EC)]}, skew_s=200, granted=lambda asked: "system/Patient.rs")
    await ours.read()
    ours.server.forget_tokens()
    await ours.read()
    ours.server.token_answers = [body(error="invalid_client")] * 9
    ours.clock.move(minutes=10)
    with pytest.raises(AccessRefused) as caught:
        await ours.read()
    kept = await _shown(ours)
    everything = f"{caplog.text} {[vars(record) for record in caplog.records]} {caught.value!r} {kept}"
    assert "smart." in everything
    assertions = [httpx.QueryParams(r.content.decode())["client_assertion"] for r in ours.server.token_requests]
    secrets = [*ours.server.tokens, *assertions, EC.as_dict(private=True)["d"], NEXT.as_dict(private=True)["d"]]
    assert not [secret for secret in secrets if str(secret) in everything]


async def _shown(ours: House) -> str:
    ours.server.token_answers = []
    ours.clock.move(minutes=10)
    return f"{await ours.source.current()!r} {ours.source!r} {ours.source._client!r} {ours.auth!r}"
