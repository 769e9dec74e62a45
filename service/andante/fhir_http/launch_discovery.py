"""Where people sign in: a FHIR server's SMART configuration, and OpenID Connect's where that one leaves something out.

https://hl7.org/fhir/smart-app-launch/conformance.html, https://openid.net/specs/openid-connect-discovery-1_0.html
"""

from urllib.parse import urlsplit

import msgspec

from andante.errors import BadAnswer
from andante.fhir_http.smart_discovery import SmartConfiguration
from andante.fhir_http.smart_http import TokenHttp
from andante.settings import LOOPBACK

WHAT = "signing a person in"


class LaunchConfiguration(SmartConfiguration, frozen=True, kw_only=True):
    """What matters for signing people in."""

    authorization_endpoint: str | None = None
    issuer: str | None = None
    jwks_uri: str | None = None
    code_challenge_methods_supported: tuple[str, ...] | None = None
    authorization_response_iss_parameter_supported: bool | None = None


async def discover(http: TokenHttp, base: str) -> LaunchConfiguration:
    """All four addresses named, private, and of a server that knows PKCE. Raises BadAnswer and Unreachable."""
    found = await _read(http, f"{base}/.well-known/smart-configuration")
    if found.issuer is None or found.jwks_uri is None:
        found = await _completed(http, found, base)
    if "S256" not in (found.code_challenge_methods_supported or ()):
        raise BadAnswer(f"{WHAT}: the authorization server does not know PKCE with S256")
    for address in (found.authorization_endpoint, found.token_endpoint, found.jwks_uri, found.issuer):
        _private(address)
    return found


async def _completed(http: TokenHttp, found: LaunchConfiguration, base: str) -> LaunchConfiguration:
    issuer = (found.issuer or base).rstrip("/")
    _private(issuer)
    second = await _read(http, f"{issuer}/.well-known/openid-configuration")
    if found.issuer is not None and second.issuer != found.issuer:
        raise BadAnswer(f"{WHAT}: its two configurations name different issuers")
    return msgspec.structs.replace(found, issuer=second.issuer, jwks_uri=found.jwks_uri or second.jwks_uri)


async def _read(http: TokenHttp, url: str) -> LaunchConfiguration:
    answer = await http.get(url, what=WHAT)
    try:
        return msgspec.json.decode(answer.body, type=LaunchConfiguration)
    except (msgspec.DecodeError, ValueError, RecursionError):
        raise BadAnswer(f"{WHAT}: the answer is not the JSON expected; a proxy or login page?") from None


def _private(address: str | None) -> None:
    """Raises BadAnswer for an address that a secret, or a key that proves something, may not travel to."""
    try:
        parts = urlsplit(address or "")
        _ = parts.port
    except ValueError:
        raise BadAnswer(f"{WHAT}: the server names something that is no address") from None
    private = parts.scheme == "https" or (parts.scheme == "http" and parts.hostname in LOOPBACK)
    odd = "@" in parts.netloc or bool(parts.fragment) or any(ord(sign) <= 32 or sign == "\\" for sign in address or "")
    if not private or not parts.hostname or odd:
        raise BadAnswer(f"{WHAT}: the server names no https address for it")
