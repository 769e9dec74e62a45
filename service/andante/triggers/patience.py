"""How long anybody may take to send us a request's body. What comes before it is the proxy's to bound."""

import asyncio
from typing import Final

from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

PATIENCE_S: Final = 30.0


class Patience:
    """Ends with 408 what is not whole in time. To stand next to the routes: between, an exception would be wrapped."""

    def __init__(self, app: ASGIApp, *, seconds: float = PATIENCE_S) -> None:
        self._app, self._seconds = app, seconds

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        until = asyncio.get_running_loop().time() + self._seconds
        whole = False

        async def in_time() -> Message:
            nonlocal whole
            if whole:
                return await receive()  # all that is left to come is that the caller goes away
            try:
                async with asyncio.timeout_at(until):
                    message = await receive()
            except TimeoutError:
                raise HTTPException(408, "the request took too long to come", {"Connection": "close"}) from None
            whole = not message.get("more_body", False)
            return message

        await self._app(scope, in_time, send)
