"""The authorization server as people sign in at it: codes, PKCE, the client's proof, identity tokens. Strict.

https://hl7.org/fhir/smart-app-launch/app-launch.html; written apart from the client that it is used to try.
"""

import base64
import hashlib
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qs, parse_qsl, unquote_plus, urlsplit

import httpx
from joserfc import jwt
from joserfc.jwk import ECKey, KeySet

from authorization_server import BASE, DISCOVERY, TOKEN_URL, Answer, AuthorizationServer, Json

ISSUER = "https://ward.example.org"
AUTHORIZE = f"{ISSUER}/auth/authorize?tenant=lanternmoor"
KEYS = f"{ISSUER}/auth/keys"
BACK = "https://page.example.org/page/signed-in"


@dataclass
class SignInServer(AuthorizationServer):
    """`client_id` may prove itself by the one `method`; `listed` is what the discovery says of it.

    `forge`, where given, makes the identity token of the honest claims; `claims` changes those, None takes one out;
    `granted` changes the token answer, `configured` the discovery.
    """

    method: str = "none"
    secret: str = ""
    listed: tuple[str, ...] | None = None
    claims: Json = field(default_factory=dict)
    answered: Json = field(default_factory=dict)
    configured: Json = field(default_factory=dict)
    openid: Json = field(default_factory=dict)
    says_who: bool = True
    forge: Callable[[Json], str] | None = None
    key: ECKey = field(default_factory=lambda: ECKey.generate_key("P-256", {"kid": "house"}))
    published: list[Json] = field(default_factory=list)
    _codes: dict[str, Json] = field(default_factory=dict)

    def authorize(self, address: str) -> Json:
        """Somebody signs in: what their browser brings back to us."""
        parts = urlsplit(address)
        asked = dict(parse_qsl(parts.query, strict_parsing=True))
        assert address.startswith(AUTHORIZE), "the server's own query is kept"
        assert asked["response_type"] == "code"
        assert (asked["client_id"], asked["redirect_uri"], asked["aud"]) == (self.client_id, BACK, BASE)
        assert asked["code_challenge_method"] == "S256"
        assert min(len(asked["state"]), len(asked["nonce"])) >= 22  # 122 bits, as the specification asks
        code = secrets.token_urlsafe(16)
        self._codes[code] = asked
        return {"code": code, "state": asked["state"], "issuer": ISSUER if self.says_who else None}

    def _take(self, request: httpx.Request) -> Answer:
        url = str(request.url)
        if url == DISCOVERY:
            return httpx.Response(200, json=self._configuration())
        if url.endswith("/.well-known/openid-configuration"):
            return httpx.Response(200, json={"issuer": ISSUER, "jwks_uri": KEYS} | self.openid)
        if url == KEYS:
            own = self.published or KeySet([self.key]).as_dict(private=False)["keys"]
            return httpx.Response(200, json={"keys": own})
        if request.method == "POST" and url == TOKEN_URL:
            return self.token_answers.pop(0) if self.token_answers else self._exchange(request)
        raise AssertionError(f"nobody should ask for {request.method} {url}")

    def _configuration(self) -> Json:
        said = {
            "issuer": ISSUER,
            "jwks_uri": KEYS,
            "authorization_endpoint": AUTHORIZE,
            "token_endpoint": TOKEN_URL,
            "code_challenge_methods_supported": ["S256"],
            "token_endpoint_auth_methods_supported": self.listed if self.listed is not None else [self.method],
            "token_endpoint_auth_signing_alg_values_supported": ["ES384"],
            "authorization_response_iss_parameter_supported": True,
        } | self.configured
        return {name: value for name, value in said.items() if value is not None}

    def _exchange(self, request: httpx.Request) -> httpx.Response:
        form = parse_qs(request.content.decode(), strict_parsing=True)
        assert all(len(values) == 1 for values in form.values()), "no parameter twice"
        said = {name: values[0] for name, values in form.items()}
        problem = self._problem_of_client(said, request.headers.get("authorization")) or self._problem_of_code(said)
        if problem:
            self.refused.append(problem)
            return httpx.Response(400, json={"error": "invalid_grant"})
        return httpx.Response(200, json=self._identity(self._codes.pop(said["code"])))

    def _problem_of_client(self, form: Json, header: str | None) -> str | None:
        """Exactly the one proof that the client is registered for (RFC 6749, 2.3)."""
        shown = {
            "client_secret_basic": header is not None,
            "client_secret_post": "client_secret" in form,
            "private_key_jwt": "client_assertion" in form,
        }
        if [name for name, is_there in shown.items() if is_there] != [self.method][: self.method != "none"]:
            return "another proof"
        if self.method == "private_key_jwt":
            return self.problem_of_assertion(form)
        if self.method == "client_secret_basic":
            name, _, secret = base64.b64decode((header or "").removeprefix("Basic ")).decode().partition(":")
            return None if (unquote_plus(name), unquote_plus(secret)) == (self.client_id, self.secret) else "secret"
        if form.get("client_id") != self.client_id:
            return "client"
        return None if form.get("client_secret", "") == self.secret else "secret"

    def _problem_of_code(self, form: Json) -> str | None:
        asked = self._codes.get(form.get("code", ""))
        if asked is None:
            return "code"
        if (form.get("grant_type"), form.get("redirect_uri")) != ("authorization_code", asked["redirect_uri"]):
            return "grant"
        digest = hashlib.sha256(form.get("code_verifier", "").encode()).digest()
        if base64.urlsafe_b64encode(digest).rstrip(b"=").decode() != asked["code_challenge"]:
            return "verifier"
        return None

    def _identity(self, asked: Json) -> Json:
        seconds = int(self.now.timestamp())
        honest: dict[str, Any] = {
            "iss": ISSUER,
            "aud": self.client_id,
            "sub": "ada",
            "iat": seconds,
            "exp": seconds + 300,
            "nonce": asked["nonce"],
            "fhirUser": f"{BASE}/Practitioner/ada",
            "name": "Ada Quill",
        } | self.claims
        claims = {name: value for name, value in honest.items() if value is not None}
        make = self.forge or (lambda said: jwt.encode({"alg": "ES256", "kid": "house"}, said, self.key))
        said = {
            "access_token": secrets.token_urlsafe(16),
            "token_type": "Bearer",
            "expires_in": 300,
            "id_token": make(claims),
            "patient": "mossop",
        } | self.answered
        return {name: value for name, value in said.items() if value is not None}
