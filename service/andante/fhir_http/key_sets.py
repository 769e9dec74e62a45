"""Fetching a published key set (RFC 7517) from the address the administrator gave: no redirects, small, soon."""

import asyncio
from urllib.parse import urlsplit

import httpx

from andante.errors import BadAnswer, InputError, Unreachable
from andante.settings import LOOPBACK

MOST_BYTES = 256 * 1024
_PATIENCE_S = 5.0
_HEADERS = {"Accept": "application/json", "Accept-Encoding": "identity"}
_WHAT = "reading a client's key set"


def key_set_address(text: str) -> str:
    """An address whose answer nobody on the way can change. Raises InputError."""
    try:
        parts = urlsplit(text)
    except ValueError:
        raise InputError("a key set is read from an https address, and this is none") from None
    private = parts.scheme == "https" or (parts.scheme == "http" and parts.hostname in LOOPBACK)
    if not private or not parts.hostname or parts.username or parts.fragment:
        raise InputError("a key set is read from an https address without user, password or fragment")
    return text


async def fetch_key_set(url: str, *, transport: httpx.AsyncBaseTransport | None = None) -> bytes:
    """The key set as sent. Raises Unreachable, or BadAnswer for what cannot be one."""
    key_set_address(url)
    body = bytearray()
    client = httpx.AsyncClient(transport=transport, follow_redirects=False, trust_env=False, timeout=_PATIENCE_S)
    try:
        # In all, so that a byte now and then cannot hold a caller up.
        async with asyncio.timeout(_PATIENCE_S), client, client.stream("GET", url, headers=_HEADERS) as response:
            if response.status_code != 200:
                raise BadAnswer(f"{_WHAT}: answered {response.status_code}", status=response.status_code)
            if response.headers.get("Content-Encoding", "").strip().lower() not in ("", "identity"):
                # Of a body packed twice one chunk alone could fill the memory.
                raise BadAnswer(f"{_WHAT}: compressed, which was not asked for")
            async for chunk in response.aiter_bytes():
                body += chunk
                if len(body) > MOST_BYTES:
                    raise BadAnswer(f"{_WHAT}: larger than {MOST_BYTES} bytes")
    except (httpx.HTTPError, OSError) as error:
        raise Unreachable(f"{_WHAT}: no answer ({type(error).__name__})") from None
    return bytes(body)
