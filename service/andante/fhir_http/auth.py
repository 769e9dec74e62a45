"""Who we are to the server: a bearer token the administrator gave us."""

from collections.abc import Generator

import httpx


class BearerToken(httpx.Auth):
    """Puts the token on every request. Redirects are never followed, so it reaches no other host."""

    def __init__(self, token: str) -> None:
        self._header = f"Bearer {token}"

    def auth_flow(self, request: httpx.Request) -> Generator[httpx.Request, httpx.Response, None]:
        request.headers["Authorization"] = self._header
        yield request
