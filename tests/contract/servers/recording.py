"""A reverse proxy that writes down every request, so that a test can say what our service sent."""

import json
from collections.abc import Iterator
from contextlib import contextmanager

import httpx
from fastapi import FastAPI, Request, Response

from andante.sandbox import BASE_PATH, Seen, running
from andante.sandbox.recording import describe

_PASSED_ON = {
    "accept",
    "content-type",
    "if-match",
    "if-none-exist",
    "if-none-match",
    "prefer",
    "cache-control",
}
_PASSED_BACK = {"content-type", "etag", "last-modified", "location"}


class Porter:
    """Stands at the proxy's door; a test's way to interfere. This one lets everything pass."""

    async def admits(self, seen: Seen) -> bool:
        """Whether the request is passed on; if not, the server never sees it and the client gets a 503."""
        return True

    async def leaves(self, seen: Seen) -> None:
        """Called when the server has answered, before the client is told."""


@contextmanager
def recorded(target: str, porter: Porter | None = None) -> Iterator[tuple[str, list[Seen]]]:
    """A base address that forwards to the FHIR base `target`, and the growing list of what it saw.

    Addresses of the target in the answers are replaced by the proxy's own, as a gateway would. Once the block
    is left, whatever was passed on has been answered, even if the client is gone.
    """
    porter = porter or Porter()
    app, seen = FastAPI(openapi_url=None), list[Seen]()
    methods = ["GET", "POST", "PUT", "PATCH", "DELETE"]

    @app.api_route(BASE_PATH + "{path:path}", methods=methods)
    async def forward(request: Request, path: str) -> Response:
        content = await request.body()
        body = json.loads(content) if content and not path.strip("/") else None
        this = describe(request.method, path.strip("/"), request.url.query, body)
        seen.append(this)
        if not await porter.admits(this):
            return Response(status_code=503)
        own = f"{request.url.scheme}://{request.url.netloc}{BASE_PATH}"
        query = f"?{request.url.query}" if request.url.query else ""
        async with httpx.AsyncClient(timeout=60, verify=False) as client:  # plain loopback: no certificates to load
            answer = await client.request(
                request.method,
                target + path + query,
                content=content,
                headers={name: value for name, value in request.headers.items() if name in _PASSED_ON},
            )
        headers = {n: v.replace(target, own) for n, v in answer.headers.items() if n in _PASSED_BACK}
        await porter.leaves(this)
        text = answer.content.replace(target.encode(), own.encode())
        return Response(text, answer.status_code, headers)

    with running(app) as base:
        yield base, seen
