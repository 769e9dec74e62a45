"""Who may call: a token of a known client, signed by a key of its set, made for this address, fresh, and used once."""

import base64
import hashlib
import hmac
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from joserfc.errors import SecurityWarning
from joserfc.jwk import ECKey, KeySet, OctKey, RSAKey

from andante.errors import BadAnswer, InputError, Unreachable
from andante.fhir_http.key_sets import fetch_key_set
from andante.triggers.cds_hooks.caller import LONGEST, Gatekeeper, Refused
from andante.triggers.cds_hooks.keys import KEPT, READ_AGAIN, KeyRing, public_keys
from cds_client import ISSUER, SERVICE, Client, ec_key, key_set, rsa_key

HERE = f"{SERVICE}/cds-services/andante-patient-view"
EC, RSA, OTHER = ec_key(), rsa_key(), ec_key("other")


class Clock:
    def __init__(self) -> None:
        self.now = datetime(2031, 3, 27, 6, 30, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def pass_by(self, by: timedelta) -> None:
        self.now += by


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def gate(tmp_path: Path, clock: Clock) -> Gatekeeper:
    (tmp_path / "keys.json").write_bytes(key_set(EC, RSA))
    return Gatekeeper({ISSUER: KeyRing(str(tmp_path / "keys.json"), now=clock)}, now=clock)


async def let_in(gate: Gatekeeper, token: str, audience: str = HERE) -> str:
    """`in`, or why not."""
    try:
        return "in" if (await gate.check(f"Bearer {token}", audiences=[audience])).issuer == ISSUER else "as another"
    except Refused as refusal:
        return refusal.why


@pytest.mark.parametrize("key", [EC, RSA], ids=["ES384", "RS384"])
async def test_a_signed_token_lets_in(gate: Gatekeeper, clock: Clock, key: ECKey | RSAKey) -> None:
    client = Client(key, clock)
    assert await let_in(gate, client.token(HERE)) == "in"
    assert await let_in(gate, client.token(["https://elsewhere.example", HERE])) == "in"


NOW = int(datetime(2031, 3, 27, 6, 30, tzinfo=UTC).timestamp())
WRONG: list[tuple[str, dict[str, Any], str]] = [
    ("another audience", {"audience": "https://elsewhere.example/cds-services/x"}, "invalid_claim"),
    ("the audience of another service", {"audience": HERE.replace("patient-view", "order-sign")}, "invalid_claim"),
    ("the base as audience", {"audience": SERVICE}, "invalid_claim"),
    ("no audience", {"aud": None}, "missing_claim"),
    ("an unknown issuer", {"iss": "https://stranger.example"}, "unknown-issuer"),
    ("an issuer that only begins like one we know", {"iss": ISSUER + ".evil.example"}, "unknown-issuer"),
    ("no issuer", {"iss": None}, "not-a-token"),
    ("an issuer that is no text", {"iss": 7}, "unknown-issuer"),
    ("expired", {"iat": NOW - 120, "exp": NOW - 60}, "expired_token"),
    ("without an end", {"exp": None}, "missing_claim"),
    ("an end that is no number", {"exp": "tomorrow"}, "invalid_claim"),
    ("issued in the future", {"iat": NOW + 120, "exp": NOW + 180}, "invalid_claim"),
    ("without a time of issue", {"iat": None}, "missing_claim"),
    ("not valid yet", {"nbf": NOW + 120}, "invalid_claim"),
    ("valid for an hour", {"exp": NOW + 3600}, "valid-too-long"),
    ("valid backwards", {"iat": NOW + 20, "exp": NOW + 10}, "valid-too-long"),
    ("without a name", {"jti": None}, "missing_claim"),
    ("with an empty name", {"jti": ""}, "invalid_claim"),
    ("with a name without end", {"jti": "x" * 300}, "no-name"),
    ("a key we do not know", {"header": {"kid": "unknown"}}, "unknown-key"),
    ("no key name", {"header": {"kid": None}}, "header"),
    ("another key's name", {"header": {"kid": "rsa-1"}}, "algorithm"),
    ("a stranger's key under a known name", {"key": ec_key("ec-1")}, "bad_signature"),
    ("another type", {"header": {"typ": "at+jwt"}}, "header"),
    ("a key set of its own", {"header": {"jku": "https://evil.example/keys"}}, "other-key-set"),
    ("a key of its own within", {"key": OTHER, "header": {"jwk": OTHER.as_dict(private=False)}}, "bad_signature"),
    ("a stranger's key with its own name", {"key": OTHER, "header": {"kid": "other"}}, "unknown-key"),
    ("a certificate to fetch", {"key": OTHER, "header": {"x5u": "https://evil.example/x5u"}}, "bad_signature"),
    ("a certificate within", {"key": OTHER, "header": {"x5c": ["MIIB"]}}, "bad_signature"),
    ("a kid that is a path", {"header": {"kid": "../../../etc/passwd"}}, "unknown-key"),
    ("a kid that is a query", {"header": {"kid": "' OR 1=1 --"}}, "unknown-key"),
    ("a life of numbers without end", {"iat": 1e300, "exp": 1e308}, "invalid_claim"),
]


@pytest.mark.parametrize(("how", "wrong", "why"), WRONG, ids=[how for how, _, _ in WRONG])
async def test_a_token_that_is_wrong_is_refused(
    gate: Gatekeeper, clock: Clock, how: str, wrong: dict[str, Any], why: str
) -> None:
    options = {"audience": HERE} | wrong
    assert await let_in(gate, Client(EC, clock).token(options.pop("audience"), **options)) == why


def unsigned(clock: Clock, **header: Any) -> str:
    claims = {"iss": ISSUER, "aud": HERE, "iat": NOW, "exp": NOW + 60, "jti": "1"}
    parts = ({"alg": "none", "typ": "JWT", "kid": "ec-1"} | header, claims)
    return ".".join(base64.urlsafe_b64encode(json.dumps(part).encode()).decode().rstrip("=") for part in parts)


async def test_a_token_without_signature_is_refused(gate: Gatekeeper, clock: Clock) -> None:
    for token in (f"{unsigned(clock)}.", unsigned(clock), f"{unsigned(clock)}.AAAA"):
        assert await let_in(gate, token) in ("no-token", "not-a-token", "algorithm")


@pytest.mark.parametrize(
    "header",
    [{"kid": ["ec-1"]}, {"kid": {}}, {"crit": ["b64"], "b64": False}, {"crit": ["exp"]}, {"alg": ["ES384"]},
     {"alg": "es384"}, {"alg": "nOnE"}, {"alg": "ES384\x00"}, {"typ": {}}, {"typ": "JWE"}, {"kid": "ec-1", "enc": "x"}],
    ids=str,
)  # fmt: skip
async def test_a_header_that_no_library_would_write_is_refused(
    gate: Gatekeeper, clock: Clock, header: dict[str, Any]
) -> None:
    token = unsigned(clock, **({"alg": "ES384"} | header))
    for signature in ("AAAA", base64.urlsafe_b64encode(bytes(96)).decode().rstrip("=")):
        assert await let_in(gate, f"{token}.{signature}") not in ("in", "as another")


@pytest.mark.parametrize("alg", ["HS256", "HS384", "HS512"])
async def test_the_public_key_is_never_taken_for_a_shared_secret(gate: Gatekeeper, clock: Clock, alg: str) -> None:
    # By hand: the library would not even make such a token.
    digest = {"HS256": hashlib.sha256, "HS384": hashlib.sha384, "HS512": hashlib.sha512}[alg]
    for material in (key_set(EC, RSA), RSA.as_pem(private=False), EC.as_pem(private=False)):
        signed = unsigned(clock, alg=alg)
        mac = base64.urlsafe_b64encode(hmac.new(material, signed.encode(), digest).digest()).decode().rstrip("=")
        assert await let_in(gate, f"{signed}.{mac}") in ("algorithm", "not-a-token")


@pytest.mark.parametrize("alg", ["RS256", "RS512", "PS384"])
async def test_other_algorithms_are_refused_though_the_key_would_do(gate: Gatekeeper, clock: Clock, alg: str) -> None:
    key = RSAKey.import_key(RSA.as_dict(private=True) | {"alg": alg})
    token = Client(RSA, clock).token(HERE, key=key, header={"alg": alg}, algorithms=[alg])
    assert await let_in(gate, token) in ("algorithm", "not-a-token")


async def test_a_changed_token_is_refused(gate: Gatekeeper, clock: Clock) -> None:
    head, body, signature = Client(EC, clock).token(HERE).split(".")
    claims = json.loads(base64.urlsafe_b64decode(body + "=="))
    forged = base64.urlsafe_b64encode(json.dumps(claims | {"jti": "another"}).encode()).decode().rstrip("=")
    assert await let_in(gate, f"{head}.{forged}.{signature}") == "bad_signature"


@pytest.mark.parametrize("header", ["", "Basic YTpi", "Bearer", "Bearer a b", "Bearer " + "a" * 9000 + ".b.c", "a.b.c"])
async def test_what_is_no_bearer_token_is_refused(gate: Gatekeeper, header: str) -> None:
    with pytest.raises(Refused) as refused:
        await gate.check(header, audiences=[HERE])
    assert refused.value.why == "no-token"


async def test_a_token_is_used_once(gate: Gatekeeper, clock: Clock) -> None:
    token = Client(EC, clock).token(HERE)
    assert await let_in(gate, token) == "in"
    for later in (0, 30, 59):
        clock.now = datetime.fromtimestamp(NOW + later, UTC)
        assert await let_in(gate, token) == "used-before"


async def test_its_name_is_remembered_for_as_long_as_it_could_be_used(gate: Gatekeeper, clock: Clock) -> None:
    token = Client(EC, clock).token(HERE, exp=NOW + int(LONGEST.total_seconds()), iat=NOW)
    assert await let_in(gate, token) == "in"
    clock.pass_by(LONGEST + timedelta(seconds=29))  # within the leeway it would still count
    assert await let_in(gate, token) == "used-before"
    clock.pass_by(timedelta(seconds=2))
    assert await let_in(gate, token) == "expired_token"


async def test_clocks_may_be_half_a_minute_apart(gate: Gatekeeper, clock: Clock) -> None:
    client = Client(EC, clock)
    assert await let_in(gate, client.token(HERE, iat=NOW - 85, exp=NOW - 25)) == "in"
    assert await let_in(gate, client.token(HERE, iat=NOW + 25, exp=NOW + 85)) == "in"
    assert await let_in(gate, client.token(HERE, iat=NOW - 95, exp=NOW - 35)) == "expired_token"


# --------------------------------------------------------------------------- keys


async def test_a_new_key_is_found_without_a_restart_and_a_withdrawn_one_is_refused(
    gate: Gatekeeper, clock: Clock, tmp_path: Path
) -> None:
    assert await let_in(gate, Client(OTHER, clock).token(HERE)) == "unknown-key"
    (tmp_path / "keys.json").write_bytes(key_set(OTHER))
    assert await let_in(gate, Client(OTHER, clock).token(HERE)) == "unknown-key"  # asked for too soon again
    clock.pass_by(READ_AGAIN)
    assert await let_in(gate, Client(OTHER, clock).token(HERE)) == "in"
    assert await let_in(gate, Client(EC, clock).token(HERE)) == "unknown-key"


async def test_a_set_that_can_no_longer_be_read_lets_nobody_in_after_an_hour(
    gate: Gatekeeper, clock: Clock, tmp_path: Path
) -> None:
    (tmp_path / "keys.json").unlink()
    clock.pass_by(KEPT - timedelta(seconds=1))
    assert await let_in(gate, Client(EC, clock).token(HERE)) == "in"
    clock.pass_by(timedelta(seconds=1))
    assert await let_in(gate, Client(EC, clock).token(HERE)) == "unknown-key"


class Published:
    def __init__(self, answer: bytes) -> None:
        self.answer, self.asked = answer, 0

    async def __call__(self, _url: str) -> bytes:
        self.asked += 1
        return self.answer


async def test_a_published_set_is_read_once_and_for_strange_keys_at_most_once_a_minute(clock: Clock) -> None:
    published = Published(key_set(EC))
    ring = KeyRing("https://ehr.example/jwks", now=clock, fetch=published)
    gate = Gatekeeper({ISSUER: ring}, now=clock)
    for _ in range(3):
        assert await let_in(gate, Client(EC, clock).token(HERE, header={"jku": "https://ehr.example/jwks"})) == "in"
    assert published.asked == 1
    for _ in range(5):
        assert await let_in(gate, Client(OTHER, clock).token(HERE)) == "unknown-key"
    assert published.asked == 1
    clock.pass_by(READ_AGAIN)
    assert await let_in(gate, Client(OTHER, clock).token(HERE)) == "unknown-key"
    assert published.asked == 2


@pytest.mark.parametrize(
    "answer", [b"", b"[]", b"{}", b'{"keys": 1}', b'{"keys": []}', b'{"keys": [{"kty": "EC"}]}', b"<"]
)
async def test_what_is_no_key_set_lets_nobody_in(clock: Clock, answer: bytes) -> None:
    gate = Gatekeeper({ISSUER: KeyRing("https://ehr.example/jwks", now=clock, fetch=Published(answer))}, now=clock)
    assert await let_in(gate, Client(EC, clock).token(HERE)) == "unknown-key"


def test_weak_and_shared_keys_are_left_out() -> None:
    with pytest.warns(SecurityWarning):
        weak = RSAKey.generate_key(1024, {"kid": "weak"})
    curve = ECKey.generate_key("P-256", {"kid": "p256"})
    secret = OctKey.generate_key(256, {"kid": "secret"})
    mixed = json.dumps({"keys": [*KeySet([weak, curve, EC]).as_dict()["keys"], secret.as_dict(private=True)]}).encode()
    assert set(public_keys(mixed)) == {"ec-1"}


def test_two_keys_of_one_name_are_refused() -> None:
    with pytest.raises(InputError, match="same name"):
        public_keys(key_set(EC, ec_key("ec-1")))


@pytest.mark.parametrize("place", ["http://ehr.example/jwks", "ftp://x/y", "https://u:p@ehr.example/jwks"])
def test_keys_come_from_a_file_or_an_address_nobody_can_change_on_the_way(clock: Clock, place: str) -> None:
    with pytest.raises(InputError, match="https"):
        KeyRing(place, now=clock)


def test_a_file_that_is_missing_stops_the_start(clock: Clock, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        KeyRing(str(tmp_path / "none.json"), now=clock)


async def test_a_set_is_fetched_small_and_without_following_redirects() -> None:
    async def fetched(answer: httpx.Response | Exception) -> bytes:
        def reply(_request: httpx.Request) -> httpx.Response:
            if isinstance(answer, Exception):
                raise answer
            return answer

        return await fetch_key_set("https://ehr.example/jwks", transport=httpx.MockTransport(reply))

    assert await fetched(httpx.Response(200, content=key_set(EC))) == key_set(EC)
    for refused in (
        httpx.Response(302, headers={"Location": "https://elsewhere.example"}),
        httpx.Response(404),
        httpx.Response(200, content=b"x" * 300_000),
    ):
        with pytest.raises(BadAnswer):
            await fetched(refused)
    with pytest.raises(Unreachable):
        await fetched(httpx.ConnectError("no"))
