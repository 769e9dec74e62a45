"""One request for an access token, and what its answer is worth.

https://hl7.org/fhir/smart-app-launch/backend-services.html, https://www.rfc-editor.org/rfc/rfc6749#section-5
"""

import re
import secrets
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import urlencode

import msgspec

from andante.errors import AccessRefused, BadAnswer, ServerError
from andante.fhir_http.keys import SigningKey

WHAT = "asking for an access token"
ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
# At most 300 s are allowed, by the server's clock. Half of it leaves as much room to a clock that is fast as to one
# that is slow.
ASSERTION_LIFE = timedelta(seconds=150)
LONGEST_LIFE = timedelta(hours=1)
"""A token is asked for anew at least so often, whatever the server says: a permission taken back must show."""
UNSTATED_LIFE = timedelta(seconds=300)
_LEAST_MARGIN = timedelta(seconds=60)
_SENDABLE = re.compile(r"[A-Za-z0-9\-._~+/]+=*")  # https://www.rfc-editor.org/rfc/rfc6750#section-2.1
_LONGEST = 32 * 1024

# What each error of RFC 6749 calls for. The server's own description is not repeated: it may hold anything.
_REMEDIES = {
    "invalid_client": "the server does not accept our key or client id: register them, and see that it reads our keys "
    "at /.well-known/jwks.json",
    "invalid_scope": "none of the scopes may be had: have those in the documentation granted to this client",
    "unauthorized_client": "this client may not ask by client_credentials: have that granted",
    "unsupported_grant_type": "the server gives no tokens by client_credentials",
    "invalid_request": "the server finds the request malformed",
    "invalid_grant": "the server does not accept the assertion",
}


@dataclass(frozen=True, kw_only=True)
class Token:
    """An access token; `due` is when to ask for the next, a while before it expires."""

    text: str = field(repr=False)
    due: datetime
    expires: datetime
    scope: str | None
    """None where the server did not say: it is then as asked for (RFC 6749, 5.1)."""


class _Answer(msgspec.Struct, frozen=True):
    access_token: Any = None
    token_type: Any = None
    expires_in: Any = None
    scope: Any = None
    error: Any = None


def request_body(*, client_id: str, audience: str, scope: str, key: SigningKey, now: datetime) -> bytes:
    """The form of one request."""
    form = {
        "grant_type": "client_credentials",
        "scope": scope,
        "client_assertion_type": ASSERTION_TYPE,
        "client_assertion": assertion(client_id=client_id, audience=audience, key=key, now=now),
    }
    return urlencode(form).encode()


def assertion(*, client_id: str, audience: str, key: SigningKey, now: datetime) -> str:
    """A signed statement of who we are, with an id of its own, so that none is ever sent twice."""
    claims = {
        "iss": client_id,
        "sub": client_id,
        "aud": audience,
        # No `iat`: the specification does not ask for it, and by a clock a second behind ours it would be wrong.
        "exp": int((now + ASSERTION_LIFE).timestamp()),
        "jti": secrets.token_urlsafe(24),
    }
    return key.sign(claims)


def read_token(body: bytes, *, asked_at: datetime) -> Token:
    """The token of an answer of status 200. Raises AccessRefused and BadAnswer, naming nothing of what came."""
    answer = _decoded(body)
    if answer is None:
        raise BadAnswer(f"{WHAT}: the answer is not JSON; a proxy or login page?")
    if answer.error is not None:
        raise refusal(body, status=200)
    text, kind = answer.access_token, answer.token_type
    if not isinstance(text, str) or len(text) > _LONGEST or not _SENDABLE.fullmatch(text):
        raise BadAnswer(f"{WHAT}: the answer holds no token that could be sent")
    if not isinstance(kind, str) or kind.lower() != "bearer":
        raise BadAnswer(f"{WHAT}: the token is not of the type bearer")
    if not isinstance(answer.scope, str | None):
        raise BadAnswer(f"{WHAT}: the scope granted cannot be read")
    life = _life(answer.expires_in)
    margin = min(_LEAST_MARGIN, life / 3)
    expires = asked_at + life
    return Token(text=text, due=expires - margin, expires=expires, scope=answer.scope)


def refusal(body: bytes, *, status: int) -> ServerError:
    """The error for an answer that refuses a token."""
    answer = _decoded(body)
    error = answer.error if answer is not None else None
    if not isinstance(error, str):
        return AccessRefused(f"{WHAT}: the authorization server answered {status} without a reason", status=401)
    if error not in _REMEDIES:
        return AccessRefused(f"{WHAT}: the authorization server refuses, with a reason of its own", status=401)
    return AccessRefused(f"{WHAT}: {error}: {_REMEDIES[error]}", status=401)


def is_about_us(body: bytes) -> bool:
    """Whether an answer refuses who we are: another key, or another idea of the time, may fare better."""
    answer = _decoded(body)
    return answer is not None and answer.error in ("invalid_client", "invalid_grant")


def _life(stated: Any) -> timedelta:
    if stated is None:
        return UNSTATED_LIFE
    if isinstance(stated, str) and stated.isascii() and stated.isdigit():
        stated = int(stated[:12])
    if isinstance(stated, bool) or not isinstance(stated, int | float) or not stated >= 1:
        raise BadAnswer(f"{WHAT}: the token has expired already, or its lifetime cannot be read")
    return min(timedelta(seconds=min(float(stated), LONGEST_LIFE.total_seconds())), LONGEST_LIFE)


def _decoded(body: bytes) -> _Answer | None:
    try:
        return msgspec.json.decode(body, type=_Answer)
    except (msgspec.DecodeError, ValueError, RecursionError, OverflowError):
        return None
