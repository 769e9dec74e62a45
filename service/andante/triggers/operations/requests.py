"""Each request gets an id of ours, a span and a count, by the route it met. What was asked is not looked at."""

import logging
import time
from collections.abc import Callable

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from andante import log, spans
from andante.triggers.operations.meters import Meters

_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "OPTIONS", "DELETE", "PATCH"})
_HEADER = b"x-request-id"
_NO_ROUTE = "none of ours"


class Attended:
    """An ASGI middleware. The id is ours, by chance: one that came with the request could hold anything."""

    def __init__(self, app: ASGIApp, *, meters: Meters, ticks: Callable[[], float] = time.monotonic) -> None:
        self._app, self._meters, self._ticks = app, meters, ticks

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        ident, status, began = log.new_id(), 500, self._ticks()

        async def send_with_id(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                message["headers"] = [*message.get("headers", ()), (_HEADER, ident.encode())]
            await send(message)

        method = scope["method"] if scope["method"] in _METHODS else "other"
        with log.correlated("request", ident), spans.span("request", method=method) as span:
            try:
                await self._app(scope, receive, send_with_id)
            finally:
                route = getattr(scope.get("route"), "path", _NO_ROUTE)
                name = str(getattr(scope.get("route"), "name", "none"))
                seconds = self._ticks() - began
                span.tell({"kind": name, "status": status})
                log.say(
                    "request.answered", level=logging.DEBUG, kind=name, method=method, status=status, seconds=seconds
                )
                self._meters.request(route=route, method=method, status=status, seconds=seconds)
