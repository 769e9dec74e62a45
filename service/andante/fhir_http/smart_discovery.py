"""Where and how a server gives out access tokens: its `.well-known/smart-configuration`, believed little.

https://hl7.org/fhir/smart-app-launch/conformance.html
"""

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import SplitResult, urlsplit

import msgspec

from andante.errors import AccessRefused, BadAnswer
from andante.fhir_http.connection import Connection
from andante.fhir_http.keys import SigningKey
from andante.fhir_http.origin import Origin
from andante.fhir_http.scopes import ScopeVersion, is_version_1, is_version_2
from andante.settings import LOOPBACK

PATH = ".well-known/smart-configuration"
WHAT = "reading the SMART configuration"
_PORTS = {"http": 80, "https": 443}


class SmartConfiguration(msgspec.Struct, frozen=True, kw_only=True):
    """The entries that matter here; what else a server says is not read."""

    token_endpoint: str | None = None
    capabilities: tuple[str, ...] | None = None
    token_endpoint_auth_methods_supported: tuple[str, ...] | None = None
    token_endpoint_auth_signing_alg_values_supported: tuple[str, ...] | None = None
    scopes_supported: tuple[str, ...] | None = None


@dataclass(frozen=True, kw_only=True)
class TokenEndpoint:
    """`address` is where the request goes; `audience` is the same place as the server itself writes it."""

    address: str
    audience: str


async def read_configuration(connection: Connection) -> SmartConfiguration:
    """Over a connection that may have signed in already: for a look at what is offered. Raises a ServerError."""
    url = connection.origin.url(PATH)
    answer = await connection.get(url, what=WHAT, headers={"Accept": "application/json"})
    return parse_configuration(answer.body)


def parse_configuration(body: bytes) -> SmartConfiguration:
    """Raises BadAnswer."""
    try:
        return msgspec.json.decode(body, type=SmartConfiguration)
    except (msgspec.DecodeError, ValueError, RecursionError):
        raise BadAnswer(f"{WHAT}: the answer is no SMART configuration; a proxy or login page?") from None


def token_endpoint(found: SmartConfiguration, *, origin: Origin, given: str | None) -> TokenEndpoint:
    """Where assertions go: what the administrator named, else what the server names on its own host.

    Raises BadAnswer where the server names none, an unencrypted one, or one of another host that nobody vouched for.
    """
    named = found.token_endpoint
    used = origin.rewritten(named) if named else None
    if given is not None:
        return TokenEndpoint(address=given, audience=named if named and used == given else given)
    if named is None or used is None:
        raise BadAnswer(f"{WHAT}: it names no token endpoint; set ANDANTE_SMART_TOKEN_URL")
    address = _checked(used)
    home = urlsplit(origin.base)
    if address is None:
        raise BadAnswer(f"{WHAT}: its token endpoint is no https address")
    if _place(address) != _place(home):
        raise BadAnswer(
            f"{WHAT}: its token endpoint is on another host ({address.netloc[:100]}); if that is right, set "
            "ANDANTE_SMART_TOKEN_URL to it"
        )
    return TokenEndpoint(address=used, audience=named)


def scope_version(found: SmartConfiguration) -> ScopeVersion:
    """Version 2, unless the server says only 1: by its capabilities, else by the scopes it lists."""
    capabilities = found.capabilities or ()
    if "permission-v2" in capabilities:
        return ScopeVersion.V2
    if "permission-v1" in capabilities:
        return ScopeVersion.V1
    listed = found.scopes_supported or ()
    only_v1 = any(map(is_version_1, listed)) and not any(map(is_version_2, listed))
    return ScopeVersion.V1 if only_v1 else ScopeVersion.V2


def usable_keys(found: SmartConfiguration, keys: Sequence[SigningKey]) -> tuple[SigningKey, ...]:
    """Our keys in their order, less those of an algorithm the server does not list.

    A key signs by its own algorithm whatever a server lists. Raises AccessRefused where none is left.
    """
    listed = found.token_endpoint_auth_signing_alg_values_supported
    usable = tuple(key for key in keys if not listed or key.algorithm in listed)
    if not usable:
        ours = ", ".join(dict.fromkeys(key.algorithm for key in keys))
        raise AccessRefused(f"{WHAT}: the server takes no signature of ours ({ours}); give a key that it takes")
    return usable


def _checked(url: str) -> SplitResult | None:
    """The parts of an address that a secret may go to: https, or this machine itself."""
    try:
        parts = urlsplit(url)
        _ = parts.port
    except ValueError:
        return None
    private = parts.scheme == "https" or (parts.scheme == "http" and parts.hostname in LOOPBACK)
    odd = "@" in parts.netloc or bool(parts.fragment) or any(not "!" <= sign <= "~" or sign == "\\" for sign in url)
    return parts if private and parts.hostname and not odd else None


def _place(parts: SplitResult) -> tuple[str, str | None, int | None]:
    return parts.scheme, parts.hostname, parts.port or _PORTS.get(parts.scheme)
