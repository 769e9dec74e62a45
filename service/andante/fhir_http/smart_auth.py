"""SMART Backend Services on a connection: each request carries the token in force, and a 401 is answered by another.

https://hl7.org/fhir/smart-app-launch/backend-services.html
"""

from collections.abc import AsyncGenerator, Generator

import httpx

from andante.errors import AccessRefused, BadAnswer
from andante.fhir_http.auth import Identification
from andante.fhir_http.origin import Origin
from andante.fhir_http.scopes import Needs, may_read
from andante.fhir_http.smart_source import TokenSource
from andante.fhir_http.smart_token import Token


class SmartBackend(Identification):
    """The token goes to addresses below the FHIR base and to no other.

    What the token was not granted for is not asked: a server that grants less may answer with less, and a part would
    be taken for the whole. It raises AccessRefused instead, so that the read counts as failed, by name.
    """

    def __init__(self, source: TokenSource, origin: Origin) -> None:
        self._source, self._origin = source, origin

    @property
    def lacking(self) -> Needs:
        return self._source.lacking

    def sync_auth_flow(self, request: httpx.Request) -> Generator[httpx.Request, httpx.Response, None]:
        raise RuntimeError("tokens are asked for asynchronously")

    async def async_auth_flow(self, request: httpx.Request) -> AsyncGenerator[httpx.Request, httpx.Response]:
        path = self._path_below_base(str(request.url))
        token = await self._source.current()
        self._refuse_ungranted(request.method, path)
        response = yield _bearing(request, token)
        if response.status_code != 401:
            self._source.accepted(token)
            return
        another = await self._source.instead_of(token)
        if another is None:
            return
        await _drop(response)
        response = yield _bearing(request, another)
        if response.status_code != 401:
            self._source.accepted(another)

    def _path_below_base(self, url: str) -> str:
        base = self._origin.base
        if not url.startswith(base) or url[len(base) :][:1] not in ("", "/", "?"):
            raise BadAnswer("an access token was about to be sent to another host: not sent")
        return url[len(base) :].lstrip("/")

    def _refuse_ungranted(self, method: str, path: str) -> None:
        name = path.partition("?")[0].partition("/")[0]
        missing = self._source.lacking
        if method == "GET" and not may_read(missing, name):
            scope = f"system/{name}.{missing[name]}"
            raise AccessRefused(f"the access token was not granted {scope}: have it granted to this client", status=403)


def _bearing(request: httpx.Request, token: Token) -> httpx.Request:
    request.headers["Authorization"] = f"Bearer {token.text}"
    return request


async def _drop(response: httpx.Response) -> None:
    """Close an answer unread. httpx reads it to its end before the next is sent, however long it is."""
    await response.aclose()
    response.stream = httpx.ByteStream(b"")
    response.is_closed = False
