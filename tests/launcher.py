"""A SMART test launcher: an authorization server and the sandbox behind one address. Strict, unless told otherwise.

https://hl7.org/fhir/smart-app-launch/app-launch.html; written apart from the client that it is used to try.
"""

import base64
import hashlib
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from urllib.parse import parse_qs, urlencode

from fastapi import FastAPI, Request, Response
from fastapi.responses import JSONResponse, RedirectResponse
from joserfc import jwt
from joserfc.jwk import ECKey, KeySet

Json = dict[str, Any]
CLIENT = "andante-page"


@dataclass
class Launcher:
    """Signs in `user` without asking. `claims` changes the identity's, `granted` the token answer, `configured` the
    discovery; `signer` signs in place of the published key."""

    now: Callable[[], datetime]
    redirect_uri: str
    base: str = ""
    user: str = "Practitioner/ada"
    name: str = "Ada Quill"
    claims: Json = field(default_factory=dict)
    granted: Json = field(default_factory=dict)
    configured: Json = field(default_factory=dict)
    signer: ECKey | None = None
    says_no: bool = False
    refused: list[str] = field(default_factory=list)
    seen: list[Json] = field(default_factory=list)
    _key: ECKey = field(default_factory=lambda: ECKey.generate_key("P-256", {"kid": "launcher", "alg": "ES256"}))
    _launches: dict[str, str] = field(default_factory=dict)
    _codes: dict[str, Json] = field(default_factory=dict)

    def launch(self, patient: str) -> str:
        """What the EHR hands over for a launch from the chart of this patient (an id)."""
        handed = secrets.token_urlsafe(12)
        self._launches[handed] = patient
        return handed

    @property
    def root(self) -> str:
        return self.base.rpartition("/")[0]

    def application(self, fhir: FastAPI) -> FastAPI:
        """All of it as one application; `fhir` answers what is no signing in."""
        app = FastAPI(openapi_url=None)

        @app.get("/fhir/.well-known/smart-configuration")
        async def configuration() -> Response:
            said = {
                "issuer": self.root,
                "jwks_uri": f"{self.root}/auth/keys",
                "authorization_endpoint": f"{self.root}/auth/authorize",
                "token_endpoint": f"{self.root}/auth/token",
                "grant_types_supported": ["authorization_code"],
                "code_challenge_methods_supported": ["S256"],
                "token_endpoint_auth_methods_supported": ["none", "private_key_jwt"],
                "authorization_response_iss_parameter_supported": True,
                "capabilities": ["launch-ehr", "launch-standalone", "sso-openid-connect", "client-public"],
            } | self.configured
            return JSONResponse({name: value for name, value in said.items() if value is not None})

        @app.get("/.well-known/openid-configuration")
        async def openid() -> Response:
            return JSONResponse({"issuer": self.root, "jwks_uri": f"{self.root}/auth/keys"})

        @app.get("/auth/keys")
        async def keys() -> Response:
            return JSONResponse(KeySet([self._key]).as_dict(private=False))

        @app.get("/auth/authorize")
        async def authorize(request: Request) -> Response:
            return self._authorize(dict(request.query_params))

        @app.post("/auth/token")
        async def token(request: Request) -> Response:
            form = {name: values[0] for name, values in parse_qs((await request.body()).decode()).items()}
            problem = self._problem_of(form)
            if problem:
                self.refused.append(problem)
                return JSONResponse({"error": "invalid_grant"}, status_code=400)
            return JSONResponse(self._identity(form))

        app.mount("/", fhir)
        return app

    def _authorize(self, asked: Json) -> Response:
        self.seen.append(asked)
        scopes = asked.get("scope", "").split()
        problem = next(
            (
                name
                for name, fine in (
                    ("response type", asked.get("response_type") == "code"),
                    ("client", asked.get("client_id") == CLIENT),
                    ("redirect", asked.get("redirect_uri") == self.redirect_uri),
                    ("audience", asked.get("aud") == self.base),
                    ("state", len(asked.get("state", "")) >= 22),  # 122 bits, as the specification asks
                    ("nonce", len(asked.get("nonce", "")) >= 22),
                    ("challenge", asked.get("code_challenge_method") == "S256" and asked.get("code_challenge")),
                    ("scope", {"openid", "fhirUser"} <= set(scopes)),
                    ("launch", ("launch" in scopes) == (asked.get("launch") in self._launches)),
                )
                if not fine
            ),
            "",
        )
        if problem:
            self.refused.append(problem)
            return Response(f"refused: {problem}", 400)
        if self.says_no:
            back = {"error": "access_denied", "state": asked["state"], "iss": self.root}
            return RedirectResponse(f"{self.redirect_uri}?{urlencode(back)}", 302)
        code = secrets.token_urlsafe(16)
        self._codes[code] = asked
        back = {"code": code, "state": asked["state"], "iss": self.root}
        return RedirectResponse(f"{self.redirect_uri}?{urlencode(back)}", 302)

    def _problem_of(self, form: Json) -> str:
        asked = self._codes.pop(form.get("code", ""), None)
        if asked is None:
            return "code"
        if form.get("grant_type") != "authorization_code" or form.get("redirect_uri") != asked["redirect_uri"]:
            return "grant"
        if form.get("client_id") != CLIENT:
            return "client"
        digest = hashlib.sha256(form.get("code_verifier", "").encode()).digest()
        if base64.urlsafe_b64encode(digest).rstrip(b"=").decode() != asked["code_challenge"]:
            return "verifier"
        self._codes["granted"] = asked
        return ""

    def _identity(self, form: Json) -> Json:
        asked = self._codes.pop("granted")
        seconds = int(self.now().timestamp())
        claims = {
            "iss": self.root,
            "aud": form["client_id"],
            "sub": "ada",
            "iat": seconds,
            "exp": seconds + 300,
            "nonce": asked["nonce"],
            "fhirUser": f"{self.base}/{self.user}",
            "name": self.name,
        } | self.claims
        claims = {name: value for name, value in claims.items() if value is not None}
        signed = jwt.encode({"alg": "ES256", "kid": "launcher"}, claims, self.signer or self._key)
        patient = self._launches.get(asked.get("launch", ""))
        said = {
            "access_token": secrets.token_urlsafe(16),
            "token_type": "Bearer",
            "id_token": signed,
            "patient": patient,
        }
        return {name: value for name, value in (said | self.granted).items() if value is not None}
