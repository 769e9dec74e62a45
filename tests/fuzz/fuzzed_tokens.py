"""Tokens of callers of CDS Hooks, and of people signing in: signed by the right key or not, with anything in them."""

import base64
import json
import re
import tempfile
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from asgi import LOOP
from cryptography.hazmat.primitives import hashes, hmac
from cryptography.hazmat.primitives.asymmetric import ec, padding, utils
from fuzzed_requests import request_of
from target import Target, held

from andante.errors import AccessRefused
from andante.fhir_http.identity import Expected, name_of, proved_claims, user_of
from andante.triggers.cds_hooks.caller import Gatekeeper, Refused
from andante.triggers.cds_hooks.keys import KeyRing
from cds_client import ISSUER, SERVICE, ec_key, key_set, rsa_key

Json = Any
HERE = f"{SERVICE}/cds-services/andante-patient-view"
NOW = datetime(2031, 3, 27, 6, 30, tzinfo=UTC)
AT = int(NOW.timestamp())
EC, RSA, STRANGER = ec_key(), rsa_key(), ec_key()
_PUBLIC = key_set(EC, RSA)
with tempfile.TemporaryDirectory() as folder:
    (Path(folder) / "keys.json").write_bytes(_PUBLIC)
    RING = KeyRing(str(Path(folder) / "keys.json"), now=lambda: NOW)


def _part(value: Json) -> str:
    raw = value.encode("utf-8", "replace") if isinstance(value, str) else json.dumps(value).encode()
    return base64.urlsafe_b64encode(raw).decode().rstrip("=")


def _ec(signed: bytes, key: Any = EC) -> bytes:
    r, s = utils.decode_dss_signature(key.private_key.sign(signed, ec.ECDSA(hashes.SHA384())))
    return r.to_bytes(48) + s.to_bytes(48)


def _hmac(secret: bytes) -> Callable[[bytes], bytes]:
    def sign(signed: bytes) -> bytes:
        mac = hmac.HMAC(secret, hashes.SHA384())
        mac.update(signed)
        return mac.finalize()

    return sign


SIGNERS: dict[str, Callable[[bytes], bytes]] = {
    "ec": _ec,
    "rsa": lambda signed: RSA.private_key.sign(signed, padding.PKCS1v15(), hashes.SHA384()),
    "stranger": lambda signed: _ec(signed, STRANGER),
    "none": lambda signed: b"",
    "zeros": lambda signed: bytes(96),
    "the public set as a secret": _hmac(_PUBLIC),
    "the public key as a secret": _hmac(EC.as_pem(private=False)),
}


def token(data: bytes) -> None:
    """Let in is only who signed with the key named, for us, now, with a name of its own; and that only once."""
    given = request_of(data)
    header, claims, signer = given.get("header"), given.get("body"), given.get("signer")
    signer = signer if isinstance(signer, str) and signer in SIGNERS else "ec"
    if isinstance(claims, bytes):
        authorization = claims.decode("latin-1")
        right = False
    else:
        signed = f"{_part(header)}.{_part(claims)}"
        made = base64.urlsafe_b64encode(SIGNERS[signer](signed.encode())).decode().rstrip("=")
        scheme = given.get("scheme", "Bearer")
        authorization = f"{scheme} {signed}.{made}"
        right = _is_right(header, claims, signer) and isinstance(scheme, str) and scheme.lower() == "bearer"
    gate = Gatekeeper({ISSUER: RING}, now=lambda: NOW)
    let_in = LOOP.run_until_complete(_lets_in(gate, authorization))
    held(not let_in or right, "somebody was let in who should not have been")
    if let_in:
        held(not LOOP.run_until_complete(_lets_in(gate, authorization)), "a token was taken twice")


async def _lets_in(gate: Gatekeeper, authorization: str) -> bool:
    try:
        caller = await gate.check(authorization, audiences=[HERE])
    except Refused as refusal:
        held(refusal.why.isprintable() and len(refusal.why) < 60, "why is a short code of ours")
        return False
    held(caller.issuer == ISSUER, "let in as somebody else")
    return True


def _is_right(header: Json, claims: Json, signer: str) -> bool:
    """By what CDS Hooks 2.0 and RFC 7519 ask, written anew."""
    if not isinstance(header, dict) or not isinstance(claims, dict):
        return False
    if (header.get("kid"), header.get("alg"), signer) not in [("ec-1", "ES384", "ec"), ("rsa-1", "RS384", "rsa")]:
        return False
    if str(header.get("typ")).upper() != "JWT" or "crit" in header or header.get("jku") is not None:
        return False
    begins, ends, name = claims.get("iat"), claims.get("exp"), claims.get("jti")
    for instant in (begins, ends, claims.get("nbf", AT)):
        if isinstance(instant, bool) or not isinstance(instant, int | float):
            return False
    audience = claims.get("aud")
    named = audience == HERE or (isinstance(audience, list) and HERE in audience)
    in_time = begins <= AT + 30 and ends > AT - 31 and 0 < ends - begins <= 300 and claims.get("nbf", AT) <= AT + 30
    return claims.get("iss") == ISSUER and named and in_time and isinstance(name, str) and 0 < len(name) <= 255


def tokens() -> list[bytes]:
    claims = {"iss": ISSUER, "aud": HERE, "iat": AT, "exp": AT + 60, "jti": "once"}
    ec_header, rsa_header = (
        {"alg": "ES384", "typ": "JWT", "kid": "ec-1"},
        {"alg": "RS384", "typ": "JWT", "kid": "rsa-1"},
    )
    rows: list[tuple[str, Json, Json]] = [
        ("ec", ec_header, claims),
        ("rsa", rsa_header, claims),
        ("ec", ec_header, claims | {"aud": ["https://elsewhere.example", HERE], "nbf": AT}),
        ("none", ec_header | {"alg": "none"}, claims),
        ("the public set as a secret", ec_header | {"alg": "HS384"}, claims),
        ("the public key as a secret", rsa_header | {"alg": "HS384"}, claims),
        ("stranger", ec_header | {"jwk": json.loads(key_set(STRANGER))["keys"][0]}, claims),
        ("ec", ec_header | {"jku": "https://evil.example", "x5u": "https://evil.example", "x5c": ["x"]}, claims),
        ("ec", ec_header | {"crit": ["b64"], "b64": False}, claims),
        ("ec", ec_header, claims | {"exp": AT + 3600}),
        ("zeros", ec_header, claims),
    ]
    return [json.dumps({"signer": who, "scheme": "Bearer", "header": h, "body": c}).encode() for who, h, c in rows]


# --------------------------------------------------------------------------- identities


EXPECTED = Expected(issuer="https://auth.example", client_id="andante", nonce="n-1", access_token=None)
FHIR_BASE = "https://ward.example/fhir"


def identity(data: bytes) -> None:
    """Believed is only what the issuer signed, for us, for this sign-in, and now."""
    given = request_of(data)
    header, claims, signer = given.get("header"), given.get("body"), given.get("signer")
    signer = signer if isinstance(signer, str) and signer in SIGNERS else "ec"
    if isinstance(claims, bytes):
        text, signer = claims.decode("latin-1"), "none"
    else:
        signed = f"{_part(header)}.{_part(claims)}"
        text = f"{signed}.{base64.urlsafe_b64encode(SIGNERS[signer](signed.encode())).decode().rstrip('=')}"
    keys = given.get("keys")
    try:
        found = proved_claims(
            text, keys=_PUBLIC if keys is None else json.dumps(keys).encode(), expected=EXPECTED, now=NOW
        )
    except AccessRefused:
        return
    audience = found.get("aud")
    held(signer in ("ec", "rsa") or keys is not None, "an identity that its issuer did not sign")
    held(found.get("iss") == EXPECTED.issuer and found.get("nonce") == EXPECTED.nonce, "an answer to another sign-in")
    held(audience == "andante" or (isinstance(audience, list) and "andante" in audience), "an identity for others")
    held(found["exp"] >= AT - 61, "an identity of the past")
    held(name_of(found).isprintable() and len(name_of(found)) <= 80, "a name that steers a terminal")
    with suppress(AccessRefused):
        held(bool(re.fullmatch(r"[A-Za-z]+/[A-Za-z0-9.\-]{1,64}", user_of(found, FHIR_BASE))), "a user that is none")


def identities() -> list[bytes]:
    claims = {
        "iss": EXPECTED.issuer, "aud": "andante", "sub": "ada", "nonce": "n-1", "iat": AT, "exp": AT + 60,
        "fhirUser": "Practitioner/ada", "name": "Ada Quill",
    }  # fmt: skip
    header = {"alg": "ES384", "typ": "JWT", "kid": "ec-1"}
    rows: list[tuple[str, Json, Json]] = [
        ("ec", header, claims),
        ("rsa", {"alg": "RS384", "kid": "rsa-1"}, claims | {"fhirUser": f"{FHIR_BASE}/PractitionerRole/1"}),
        ("ec", header, claims | {"aud": ["andante", "other"], "azp": "andante"}),
        ("none", header | {"alg": "none"}, claims),
        ("the public set as a secret", header | {"alg": "HS384"}, claims),
        ("stranger", header | {"jwk": json.loads(key_set(STRANGER))["keys"][0]}, claims),
        ("ec", header, claims | {"nonce": "n-2"}),
    ]
    return [json.dumps({"signer": who, "header": h, "body": c}).encode() for who, h, c in rows]


TARGETS = (
    Target(
        name="tokens",
        what="tokens of callers: header, claims, signer; beside the rules of who may come in, written a second time",
        seeds=tokens,
        run=token,
    ),
    Target(
        name="identities",
        what="identity tokens of people signing in: header, claims, signer",
        seeds=identities,
        run=identity,
    ),
)
