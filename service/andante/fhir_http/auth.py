"""Who we are to the server. The simplest: a bearer token the administrator gave us; `smart_auth` has the other."""

from collections.abc import Generator

import httpx

from andante.fhir_http.scopes import Needs


class Identification(httpx.Auth):
    """What every way to say who we are has in common."""

    @property
    def lacking(self) -> Needs:
        """What is needed and, as far as is known, was not granted."""
        return {}


class BearerToken(Identification):
    """Puts the token on every request. Redirects are never followed, so it reaches no other host."""

    def __init__(self, token: str) -> None:
        self._header = f"Bearer {token}"

    def auth_flow(self, request: httpx.Request) -> Generator[httpx.Request, httpx.Response, None]:
        request.headers["Authorization"] = self._header
        yield request
