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


@contextmanager
def recorded(target: str) -> Iterator[tuple[str, list[Seen]]]:
    """A base address that forwards to the FHIR base `target`, and the growing list of what it saw.

    Addresses of the target in the answers are replaced by the proxy's own, as a gateway would.
    """
    app, seen = FastAPI(openapi_url=None), list[Seen]()
    methods = ["GET", "POST", "PUT", "PATCH", "DELETE"]

    @app.api_route(BASE_PATH + "{path:path}", methods=methods)
    async def forward(request: Request, path: str) -> Response:
        content = await request.body()
        body = json.loads(content) if content and not path.strip("/") else None
        seen.append(describe(request.method, path.strip("/"), request.url.query, body))
        own = f"{request.url.scheme}://{request.url.netloc}{BASE_PATH}"
        query = f"?{request.url.query}" if request.url.query else ""
        async with httpx.AsyncClient(timeout=60) as client:
            answer = await client.request(
                request.method,
                target + path + query,
                content=content,
                headers={name: value for name, value in request.headers.items() if name in _PASSED_ON},
            )
        headers = {n: v.replace(target, own) for n, v in answer.headers.items() if n in _PASSED_BACK}
        text = answer.content.replace(target.encode(), own.encode())
        return Response(text, answer.status_code, headers)

    with running(app) as base:
        yield base, seen
