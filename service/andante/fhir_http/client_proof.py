"""How the page proves at the token endpoint which client it is: by a key, by a secret, or not at all (a public client).

https://hl7.org/fhir/smart-app-launch/client-confidential-asymmetric.html and client-confidential-symmetric.html
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from authlib.oauth2 import ClientAuth, OAuth2Client
from authlib.oauth2.rfc7523 import PrivateKeyJWT

from andante.errors import AccessRefused
from andante.fhir_http.keys import KeyFiles, SigningKey
from andante.fhir_http.launch_discovery import WHAT, LaunchConfiguration
from andante.fhir_http.smart_discovery import usable_keys
from andante.fhir_http.smart_token import assertion


class Method(StrEnum):
    """https://openid.net/specs/openid-connect-core-1_0.html#ClientAuthentication"""

    NONE = "none"
    BASIC = "client_secret_basic"
    POST = "client_secret_post"
    KEY = "private_key_jwt"


@dataclass(frozen=True, kw_only=True)
class Credentials:
    """What a client has to prove itself by. A secret is the page's own; keys are those of the whole service."""

    secret: str | None = field(default=None, repr=False)
    keys: KeyFiles | None = None


def method_for(found: LaunchConfiguration, has: Credentials) -> Method:
    """The best that both sides know. Raises AccessRefused rather than show a secret where none is asked for.

    A server that lists nothing takes a secret as Basic (OpenID Connect Discovery 1.0, 3), and a key as SMART has it.
    """
    listed = found.token_endpoint_auth_methods_supported or ()
    if has.secret is not None:
        for method in (Method.BASIC, Method.POST):
            if not listed or method in listed:
                return method
        raise AccessRefused(f"{WHAT}: the authorization server takes no client secret: register a key, or no secret")
    if has.keys is not None and (not listed or Method.KEY in listed):
        return Method.KEY
    return Method.NONE


def proving_client(
    found: LaunchConfiguration,
    has: Credentials,
    *,
    client_id: str,
    redirect_uri: str,
    scope: str | None = None,
    now: Callable[[], datetime],
) -> OAuth2Client:
    """The library's client, without a way of its own to the network: requests are sent on ours, which is bounded."""
    method = method_for(found, has)
    client = OAuth2Client(
        None,
        client_id=client_id,
        client_secret=has.secret if method in (Method.BASIC, Method.POST) else None,
        token_endpoint_auth_method=method.value,
        scope=scope,
        redirect_uri=redirect_uri,
        code_challenge_method="S256",
    )
    if method is Method.KEY and has.keys is not None:
        key = usable_keys(found, has.keys.keys)[0]
        client.register_client_auth_method(_ByKey(key, audience=found.token_endpoint or "", now=now))
    return client


class _ByKey(PrivateKeyJWT):
    """As the library's, but the key stays with its holder, and each assertion is new and short-lived.

    The library's lives an hour, where SMART allows five minutes; one told to live shorter keeps its `jti` when the
    request is sent once more.
    """

    def __init__(self, key: SigningKey, *, audience: str, now: Callable[[], datetime]) -> None:
        super().__init__(audience)
        self._key, self._now = key, now

    def sign(self, auth: ClientAuth, token_endpoint: str) -> str:
        return assertion(client_id=auth.client_id, audience=token_endpoint, key=self._key, now=self._now())
