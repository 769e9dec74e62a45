"""Signing people in against a strict authorization server: each way to prove the client, and forged answers.

https://hl7.org/fhir/smart-app-launch/app-launch.html; OpenID Connect Core 1.0, 3.1.3.7 (identity tokens); RFC 7636
(PKCE); RFC 9207 (who sends the way back); RFC 8725 (what is done to tokens).
"""

import base64
import hashlib
import hmac
import json
import logging
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

import httpx
import pytest
from joserfc import jwt
from joserfc.jwk import ECKey, KeySet, OctKey, RSAKey
from joserfc.jws import JWSRegistry

from andante.errors import AccessRefused, BadAnswer, ServerError
from andante.fhir_http.client_proof import Credentials
from andante.fhir_http.identity import ALGORITHMS
from andante.fhir_http.keys import KeyFiles
from andante.fhir_http.smart_launch import _MOST_PENDING, PENDING, Busy, LaunchClient
from authorization_server import BASE, TOKEN_URL, Clock, decoded
from sign_in_server import BACK, ISSUER, SignInServer

CLIENT = "andante-page"
SECRET = "plain-and-long-enough-0123"
EC, RSA, STRANGER = ECKey.generate_key("P-384"), RSAKey.generate_key(2048), ECKey.generate_key("P-384")
SIGNER, RSA_SIGNER = ECKey.generate_key("P-256", {"kid": "house"}), RSAKey.generate_key(2048, {"kid": "house"})
Json = dict[str, Any]


class House:
    """Our side of it and the server's, on one clock."""

    def __init__(self, folder: Path, *keys: Any, secret: str | None = None, known: Any = None, **server: Any) -> None:
        self.clock = Clock()
        public = [{**key.as_dict(private=False), "kid": key.thumbprint()} for key in (known or keys)]
        self.server = SignInServer(self.clock, {"keys": public}, client_id=CLIENT, key=SIGNER, **server)
        files = None
        if keys:
            file = folder / "keys.json"
            file.write_text(json.dumps({"keys": [key.as_dict(private=True) for key in keys]}))
            files = KeyFiles([file])
        self.client = LaunchClient(
            fhir_base=BASE,
            client_id=CLIENT,
            redirect_uri=BACK,
            credentials=Credentials(secret=secret, keys=files),
            transport=self.server.transport,
            sleep=self.clock.sleep,
            now=self.clock,
        )

    async def bring_back(self, launch: str | None = None) -> Json:
        _, address = await self.client.begin(launch=launch)
        return self.server.authorize(address)

    async def sign_in(self, **changes: Any) -> str:
        """The user's reference."""
        return (await self.client.finish(**(await self.bring_back() | changes))).user

    @property
    def forms(self) -> list[Json]:
        return [{k: v[0] for k, v in parse_qs(r.content.decode()).items()} for r in self.server.token_requests]


@pytest.fixture
def house(tmp_path: Path) -> Callable[..., House]:
    return lambda *keys, **how: House(tmp_path, *keys, **how)


Make = Callable[..., House]


async def test_a_person_is_signed_in_with_the_patient_they_had_open(house: Make) -> None:
    here = house()
    found = await here.client.finish(**await here.bring_back("handed-over"))
    assert (found.user, found.name, found.patient) == ("Practitioner/ada", "Ada Quill", "mossop")
    assert here.server.refused == []


async def test_whoever_begins_to_sign_in_drives_out_nobody_who_has_begun(house: Make) -> None:
    here = house()
    back = await here.bring_back()
    for _ in range(_MOST_PENDING - 1):
        await here.client.begin(launch=None)
    with pytest.raises(Busy):
        await here.client.begin(launch=None)
    assert (await here.client.finish(**back)).user == "Practitioner/ada"
    await here.client.begin(launch=None)  # whose place is free now
    here.clock.move(minutes=PENDING.total_seconds() / 60)
    assert await here.sign_in() == "Practitioner/ada"


async def test_beginning_to_sign_in_asks_the_server_once_a_minute_at_most(house: Make) -> None:
    here = house()

    def asked() -> int:
        return sum("well-known" in request.url.path for request in here.server.requests)

    await here.client.begin(launch=None)
    once = asked()
    for _ in range(5):
        await here.client.begin(launch=None)
    assert asked() == once > 0
    here.clock.move(minutes=1)
    await here.client.begin(launch=None)
    assert asked() == 2 * once


# How the client proves itself.

PROOFS = [
    pytest.param("none", {}, id="a public client"),
    pytest.param("client_secret_basic", {"secret": SECRET}, id="a secret in the header"),
    pytest.param("client_secret_post", {"secret": SECRET}, id="a secret in the form"),
    pytest.param("private_key_jwt", {}, id="a signed assertion"),
]


@pytest.mark.parametrize(("method", "how"), PROOFS)
async def test_the_client_proves_itself_as_the_server_asks(house: Make, method: str, how: Json) -> None:
    here = house(*([EC] if method == "private_key_jwt" else []), method=method, **how)
    here.server.secret = how.get("secret", "")
    assert await here.sign_in() == "Practitioner/ada"
    (form,) = here.forms
    in_header = "authorization" in here.server.token_requests[0].headers
    assert in_header is (method == "client_secret_basic")
    assert ("client_secret" in form) is (method == "client_secret_post")
    assert ("client_assertion" in form) is (method == "private_key_jwt")


@pytest.mark.parametrize(
    ("method", "listed", "keys", "secret"),
    [
        pytest.param("client_secret_basic", [], [], SECRET, id="nothing listed: a secret goes into the header"),
        pytest.param("private_key_jwt", [], [EC], None, id="nothing listed: a key signs"),
        pytest.param("none", ["none"], [EC], None, id="the keys are not for this client"),
        pytest.param(
            "client_secret_basic",
            ["private_key_jwt", "client_secret_post", "client_secret_basic"],
            [EC],
            SECRET,
            id="the page's own secret before the service's key, and in the header where both are taken",
        ),
    ],
)
async def test_the_proof_is_the_best_that_both_know(
    house: Make, method: str, listed: list[str], keys: list[Any], secret: str | None
) -> None:
    here = house(*keys, method=method, listed=tuple(listed), secret=secret)
    here.server.secret = secret or ""
    assert await here.sign_in() == "Practitioner/ada"


async def test_a_secret_is_shown_to_no_server_that_asks_for_none(house: Make) -> None:
    here = house(secret=SECRET, listed=("none", "private_key_jwt"))
    with pytest.raises(AccessRefused, match="no client secret"):
        await here.client.begin(launch=None)
    assert here.server.token_requests == []


async def test_an_assertion_is_for_this_server_short_and_new_each_time(house: Make) -> None:
    here = house(EC, method="private_key_jwt")
    for _ in range(2):
        await here.sign_in()
    (head, first), (_, second) = map(decoded, here.server.token_requests)
    assert (head["alg"], head["kid"]) == ("ES384", EC.thumbprint())
    assert (first["iss"], first["sub"], first["aud"]) == (CLIENT, CLIENT, TOKEN_URL)
    assert 0 < first["exp"] - here.clock().timestamp() <= 300  # SMART: at most five minutes
    assert first["jti"] != second["jti"]


async def test_an_assertion_is_made_anew_when_the_server_was_busy(house: Make) -> None:
    here = house(EC, method="private_key_jwt")
    here.server.token_answers = [httpx.Response(503)]
    assert await here.sign_in() == "Practitioner/ada"
    (_, first), (_, second) = map(decoded, here.server.token_requests)
    assert first["jti"] != second["jti"]


async def test_the_key_that_signs_is_one_whose_algorithm_the_server_takes(house: Make) -> None:
    here = house(RSA, EC, method="private_key_jwt")  # the server lists ES384 alone
    assert await here.sign_in() == "Practitioner/ada"
    assert decoded(here.server.token_requests[0])[0]["alg"] == "ES384"


NOT_OURS: list[Any] = [
    pytest.param({"known": (STRANGER,)}, {}, "signature", id="signed by a key that the server does not know"),
    pytest.param({}, {"client_id": "another"}, "client", id="of another client"),
    pytest.param({}, {"audience": "https://elsewhere.example/token"}, "audience", id="for another server"),
    pytest.param({}, {"skew_s": 151}, "expired", id="expired, by the server's clock"),
    pytest.param({}, {"skew_s": -151}, "too long", id="living too long, by the server's clock"),
]


@pytest.mark.parametrize(("how", "changes", "why"), NOT_OURS)
async def test_the_server_used_here_refuses_a_wrong_assertion(house: Make, how: Json, changes: Json, why: str) -> None:
    """Else the tests above would say nothing."""
    here = house(EC, method="private_key_jwt", **how)
    back = await here.bring_back()
    for name, value in changes.items():
        setattr(here.server, name, value)
    with pytest.raises(AccessRefused, match="refuses the code"):
        await here.client.finish(**back)
    assert here.server.refused == [why]


async def test_the_server_used_here_refuses_an_assertion_sent_twice(house: Make) -> None:
    here = house(EC, method="private_key_jwt")
    await here.sign_in()
    (sent,) = here.forms
    assert here.server.problem_of_assertion(sent) == "replayed"


@pytest.mark.parametrize("method", ["client_secret_basic", "client_secret_post"])
async def test_a_wrong_secret_signs_nobody_in(house: Make, method: str) -> None:
    here = house(secret=SECRET, method=method)
    here.server.secret = "another-one-altogether-01"
    with pytest.raises(AccessRefused, match="refuses the code"):
        await here.sign_in()
    assert here.server.refused == ["secret"]


async def test_neither_secret_nor_verifier_is_shown_or_logged(house: Make, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    here = house(secret=SECRET, method="client_secret_post")
    here.server.secret = SECRET
    pending, address = await here.client.begin(launch=None)
    await here.client.finish(**here.server.authorize(address))
    assert SECRET in here.forms[0]["client_secret"]
    said = f"{address}{pending!r}{here.client._credentials!r}{caplog.text}"
    assert SECRET not in said
    assert pending.verifier not in said


# Forged identities. The claims are the honest ones unless a row says otherwise.


def _part(data: object) -> str:
    body = data if isinstance(data, bytes) else json.dumps(data).encode()
    return base64.urlsafe_b64encode(body).rstrip(b"=").decode()


def _signed(head: Json, claims: object, key: ECKey) -> str:
    """By ES256, with headers and claims that the library itself would not write."""
    text = f"{_part(head)}.{_part(claims)}"
    return f"{text}.{_part(JWSRegistry.algorithms['ES256'].sign(text.encode(), key))}"


def unsigned(alg: str) -> Callable[[Json], str]:
    return lambda claims: f"{_part({'alg': alg, 'kid': 'house'})}.{_part(claims)}."


def by_public_key(key: RSAKey | ECKey, form: str) -> Callable[[Json], str]:
    """HS256 with the published key as the secret: a reader who takes the algorithm from the token believes it."""
    public = key.as_pem(private=False) if form == "pem" else json.dumps(key.as_dict(private=False)).encode()

    def make(claims: Json) -> str:
        text = f"{_part({'alg': 'HS256', 'kid': 'house'})}.{_part(claims)}"
        return f"{text}.{_part(hmac.new(public, text.encode(), hashlib.sha256).digest())}"

    return make


def with_its_own_key(claims: Json) -> str:
    head = {"alg": "ES256", "kid": "house", "jwk": STRANGER256.as_dict(private=False)}
    return _signed(head, claims, STRANGER256)


STRANGER256 = ECKey.generate_key("P-256", {"kid": "house"})
OTHER_HALF = "another-access-token"


def half_hash(text: str) -> str:
    return _part(hashlib.sha256(text.encode()).digest()[:16])


def changed_after_signing(claims: Json) -> str:
    head, _, signature = jwt.encode({"alg": "ES256", "kid": "house"}, claims, SIGNER).split(".")
    return f"{head}.{_part(claims | {'fhirUser': 'Practitioner/otto'})}.{signature}"


def critical(claims: Json) -> str:
    return _signed({"alg": "ES256", "kid": "house", "crit": ["bound"], "bound": "x"}, claims, SIGNER)


FORGED: list[Any] = [
    pytest.param({"forge": unsigned("none")}, id="alg none"),
    pytest.param({"forge": unsigned("None")}, id="alg None"),
    pytest.param({"forge": unsigned("")}, id="alg empty"),
    pytest.param({"forge": by_public_key(SIGNER, "pem")}, id="HS256 with the public key as PEM"),
    pytest.param({"forge": by_public_key(SIGNER, "jwk")}, id="HS256 with the public key as JWK"),
    pytest.param({"forge": lambda claims: _signed({"alg": "ES256", "kid": "other"}, claims, SIGNER)}, id="no such key"),
    pytest.param(
        {"forge": by_public_key(RSA_SIGNER, "pem"), "published": [RSA_SIGNER.as_dict(private=False)]},
        id="HS256 with the public key, RSA",
    ),
    pytest.param({"forge": with_its_own_key}, id="by a key of its own, in the header"),
    pytest.param({"key": None, "signed_by": STRANGER256}, id="by another key of the same name"),
    pytest.param({"forge": changed_after_signing}, id="changed after signing"),
    pytest.param({"forge": critical}, id="with a critical header nobody knows"),
    pytest.param({"forge": lambda claims: "a.b"}, id="no token at all"),
    pytest.param({"forge": lambda claims: _signed({"alg": "ES256"}, [claims], SIGNER)}, id="not an object"),
    pytest.param({"claims": {"aud": "another"}}, id="for another client"),
    pytest.param({"claims": {"aud": None}}, id="for nobody"),
    pytest.param({"claims": {"aud": [CLIENT, "another"]}}, id="for two, and not said by whom it was asked"),
    pytest.param({"claims": {"aud": [CLIENT, "another"], "azp": "another"}}, id="asked for by another"),
    pytest.param({"claims": {"aud": "another", "azp": CLIENT}}, id="for another, asked for by us"),
    pytest.param({"claims": {"azp": "another"}}, id="for us, asked for by another"),
    pytest.param({"claims": {"iss": "https://elsewhere.example"}}, id="by another issuer"),
    pytest.param({"claims": {"iss": f"{ISSUER}/"}}, id="by an issuer that looks the same"),
    pytest.param({"claims": {"iss": [ISSUER]}}, id="by a list of issuers"),
    pytest.param({"claims": {"iss": None}}, id="by nobody"),
    pytest.param({"claims": {"nonce": "another"}}, id="of another sign-in"),
    pytest.param({"claims": {"nonce": None}}, id="of no sign-in"),
    pytest.param({"claims": {"exp": 1}}, id="expired"),
    pytest.param({"claims": {"exp": None}}, id="without an end"),
    pytest.param({"claims": {"exp": "later"}}, id="with an end in words"),
    pytest.param({"ahead": {"iat": 120}}, id="issued in the future"),
    pytest.param({"claims": {"iat": None}}, id="issued never"),
    pytest.param({"ahead": {"nbf": 120}}, id="not good yet"),
    pytest.param({"claims": {"sub": None}}, id="about nobody"),
    pytest.param({"claims": {"at_hash": half_hash(OTHER_HALF)}}, id="beside another access token"),
    pytest.param({"claims": {"fhirUser": None}}, id="with no user"),
    pytest.param({"claims": {"fhirUser": f"{BASE}x/Practitioner/ada"}}, id="with a user of another server"),
    pytest.param({"claims": {"fhirUser": "Patient/mossop"}}, id="of a patient"),
    pytest.param({"answered": {"id_token": None}}, id="left out"),
    pytest.param({"answered": {"id_token": {"a": 1}}}, id="not a text"),
    pytest.param({"answered": {"error": "access_denied"}}, id="refused in an answer of 200"),
    pytest.param({"answered": {"expires_in": "soon"}}, id="beside a life that is no number"),
    pytest.param({"published": [{"kty": "oct", "k": "c2VjcmV0", "kid": "house"}]}, id="and a secret is published"),
    pytest.param({"published": [{"kty": "EC", "kid": "house"}]}, id="and the key is damaged"),
]


@pytest.mark.parametrize("changes", FORGED)
async def test_a_forged_identity_is_not_believed(house: Make, changes: Json) -> None:
    here = house()
    back = await here.bring_back()
    _apply(here, changes)
    with pytest.raises(AccessRefused) as refused:
        await here.client.finish(**back)
    assert here.server.refused == []  # it is the identity that was refused, not the code
    assert "ada" not in str(refused.value).lower()


def _apply(here: House, changes: Json) -> None:
    for name, value in changes.items():
        if name == "ahead":
            here.server.claims = {key: int(here.clock().timestamp()) + by for key, by in value.items()}
        elif name == "signed_by":
            here.server.forge = lambda claims, key=value: jwt.encode({"alg": "ES256", "kid": "house"}, claims, key)
        elif name != "key":
            setattr(here.server, name, value)


BELIEVED: list[Any] = [
    pytest.param({}, id="honest"),
    pytest.param({"claims": {"aud": [CLIENT]}}, id="an audience of one, as a list"),
    pytest.param({"claims": {"aud": [CLIENT, "another"], "azp": CLIENT}}, id="asked for by us"),
    pytest.param({"ahead": {"iat": 30}}, id="issued half a minute ahead, as clocks go"),
    pytest.param(
        {"answered": {"access_token": OTHER_HALF}, "claims": {"at_hash": half_hash(OTHER_HALF)}},
        id="bound to its access token",
    ),
    pytest.param(
        {"forge": lambda claims: _signed({"alg": "ES256", "kid": "house", "x-site": "a"}, claims, SIGNER)},
        id="with a header that nobody registered",
    ),
    pytest.param(
        {"published": [{"kty": "AKP", "kid": "new"}, {**SIGNER.as_dict(private=False), "use": "sig"}]},
        id="beside a key of a kind nobody knows yet",
    ),
    pytest.param(
        {"published": [{"kty": "oct", "k": "", "kid": "odd"}, SIGNER.as_dict(private=False)]},
        id="beside a secret, which is no key of this kind",
    ),
    pytest.param(
        {"published": [{"kty": "EC", "use": "enc", "kid": "odd"}, SIGNER.as_dict(private=False)]},
        id="beside a key that is not for signing",
    ),
]


@pytest.mark.parametrize("changes", BELIEVED)
async def test_an_honest_identity_is_believed(house: Make, changes: Json) -> None:
    """So that the refusals above are for what each row says."""
    here = house()
    back = await here.bring_back()
    _apply(here, changes)
    assert (await here.client.finish(**back)).user == "Practitioner/ada"


def test_no_algorithm_that_others_can_sign_by_is_taken() -> None:
    assert not [name for name in ALGORITHMS if not name.startswith(("RS", "ES", "PS"))]


async def test_a_published_secret_cannot_sign(house: Make) -> None:
    shared = OctKey.generate_key(256, {"kid": "house"})
    here = house()
    back = await here.bring_back()
    here.server.published = [shared.as_dict(private=True), *KeySet([SIGNER]).as_dict(private=False)["keys"]]
    here.server.forge = lambda claims: jwt.encode({"alg": "HS256", "kid": "house"}, claims, shared)
    with pytest.raises(AccessRefused):
        await here.client.finish(**back)


# Replays, and other servers.


async def test_a_code_is_taken_once(house: Make) -> None:
    """A stolen code, brought in another sign-in: the server refuses it, and PKCE would."""
    here = house()
    first = await here.bring_back()
    await here.client.finish(**first)
    second = await here.bring_back()
    with pytest.raises(AccessRefused, match="refuses the code"):
        await here.client.finish(**(second | {"code": first["code"]}))
    assert here.server.refused == ["code"]


async def test_a_code_of_another_sign_in_is_worth_nothing(house: Make) -> None:
    here = house()
    mine, stolen = await here.bring_back(), await here.bring_back()
    with pytest.raises(AccessRefused, match="refuses the code"):
        await here.client.finish(**(mine | {"code": stolen["code"]}))
    assert here.server.refused == ["verifier"]


async def test_a_state_is_good_once(house: Make) -> None:
    here = house()
    back = await here.bring_back()
    await here.client.finish(**back)
    asked = len(here.server.requests)
    with pytest.raises(AccessRefused, match="begin again"):
        await here.client.finish(**back)
    assert len(here.server.requests) == asked  # nobody was even asked


async def test_a_state_is_good_once_even_when_it_failed(house: Make) -> None:
    here = house()
    back = await here.bring_back()
    with pytest.raises(AccessRefused):
        await here.client.finish(**(back | {"issuer": "https://elsewhere.example"}))
    with pytest.raises(AccessRefused, match="begin again"):
        await here.client.finish(**back)


async def test_a_state_nobody_began_or_begun_too_long_ago_is_refused(house: Make) -> None:
    here = house()
    back = await here.bring_back()
    with pytest.raises(AccessRefused, match="begin again"):
        await here.client.finish(**(back | {"state": "made-up"}))
    here.clock.move(seconds=PENDING.total_seconds())
    with pytest.raises(AccessRefused, match="begin again"):
        await here.client.finish(**back)


MIXED_UP: list[Any] = [
    pytest.param("https://elsewhere.example", True, id="another server"),
    pytest.param(f"{ISSUER}/", True, id="one that looks the same"),
    pytest.param("", True, id="an empty name"),
    pytest.param(None, True, id="nobody, where the server always says who it is"),
    pytest.param("https://elsewhere.example", None, id="another server, where it need not say"),
]


@pytest.mark.parametrize(("issuer", "always"), MIXED_UP)
async def test_a_way_back_from_another_server_hands_out_no_code(
    house: Make, issuer: str | None, always: bool | None
) -> None:
    """RFC 9207, 2.4: an attacker's server must not be sent the code of an honest one."""
    here = house(configured={"authorization_response_iss_parameter_supported": always})
    with pytest.raises(AccessRefused, match="way back"):
        await here.sign_in(issuer=issuer)
    assert here.server.token_requests == []


async def test_a_server_that_does_not_say_who_it_is_may_leave_it_out(house: Make) -> None:
    here = house(configured={"authorization_response_iss_parameter_supported": None}, says_who=False)
    assert await here.sign_in() == "Practitioner/ada"


UNFIT: list[Any] = [
    pytest.param(
        {"configured": {"jwks_uri": None}, "openid": {"issuer": "https://elsewhere.example"}}, id="two issuers"
    ),
    pytest.param({"configured": {"issuer": None}, "openid": {"issuer": None}}, id="no issuer"),
    pytest.param({"configured": {"token_endpoint": "http://ward.example.org/auth/token"}}, id="a token in the clear"),
    pytest.param({"configured": {"token_endpoint": "https://x:y@ward.example.org/t"}}, id="somebody else's password"),
    pytest.param({"configured": {"authorization_endpoint": "javascript:alert(1)"}}, id="a script for an address"),
    pytest.param({"configured": {"authorization_endpoint": "https://a.example/\nx"}}, id="two lines for an address"),
    pytest.param({"configured": {"code_challenge_methods_supported": None}}, id="no PKCE"),
    pytest.param({"configured": {"issuer": 7}}, id="an issuer that is a number"),
]


@pytest.mark.parametrize("changes", UNFIT)
async def test_a_server_that_cannot_do_it_safely_is_not_asked(house: Make, changes: Json) -> None:
    here = house(**changes)
    with pytest.raises(BadAnswer):
        await here.client.begin(launch=None)


HOSTILE: list[Any] = [
    pytest.param(httpx.Response(200, content=b"x" * 300_000), id="an answer that does not end"),
    pytest.param(httpx.Response(302, headers={"Location": "https://elsewhere.example/token"}), id="a redirect"),
    pytest.param(httpx.Response(200, text="<html>sign in</html>"), id="a page"),
    pytest.param(httpx.Response(200, content=b"[]"), id="a list"),
    pytest.param(httpx.Response(200, content=b"[" * 100_000), id="a very deep one"),
    pytest.param(httpx.Response(200, json={"error": {"a": 1}}), id="an error that is no word"),
    pytest.param(
        httpx.Response(200, json={"error": "x", "error_description": "ä\n"}), id="an error in forbidden signs"
    ),
    pytest.param(httpx.Response(200, json={"id_token": "a.b.c", "expires_in": "9" * 400}), id="an endless life"),
    pytest.param(httpx.Response(401, json={"error": "invalid_client"}), id="a refusal"),
    pytest.param(httpx.Response(500), id="a server that fails"),
    pytest.param(httpx.ConnectError("gone"), id="no server"),
]


@pytest.mark.parametrize("answer", HOSTILE)
async def test_a_hostile_token_answer_is_an_error_of_ours(house: Make, answer: Any) -> None:
    here = house()
    here.server.token_answers = [answer] * 3
    with pytest.raises(ServerError):
        await here.sign_in()
