"""What every answer of the page carries, and what every form must: headers, cookies, tokens, origins."""

import gzip
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Final
from urllib.parse import parse_qsl, urlsplit

from fastapi import Request, Response

from andante.errors import InputError
from andante.page.people import Session
from andante.page.sessions import Sessions
from andante.settings import Settings

PREFIX: Final = "/page"
_LONGEST_FORM: Final = 16 * 1024
_WORTH_IT: Final = 1024  # bytes: less is not worth compressing
_FORM_TYPE: Final = "application/x-www-form-urlencoded"


@dataclass(frozen=True)
class Guard:
    """By the settings: whether cookies need https, and whose frames may show the page."""

    settings: Settings

    @cached_property
    def is_secure(self) -> bool:
        return (self.settings.public_url or "").startswith("https://")

    @property
    def cookie(self) -> str:
        # With the prefix the browser itself refuses to take it from another host or over http.
        return "__Host-andante" if self.is_secure else "andante"

    @cached_property
    def headers(self) -> Mapping[str, str]:
        frames = " ".join(self.settings.page_frames) or "'none'"
        policy = (
            "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
            f"form-action 'self'; base-uri 'none'; frame-ancestors {frames}"
        )
        found = {
            "Content-Security-Policy": policy,
            "Cache-Control": "no-store",
            "Referrer-Policy": "same-origin",  # with none at all the browser would not say where a form comes from
            "Cross-Origin-Opener-Policy": "same-origin",
            "Cross-Origin-Resource-Policy": "same-origin",
            "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
            "X-Content-Type-Options": "nosniff",
        }
        return found if self.settings.page_frames else {**found, "X-Frame-Options": "DENY"}

    def set_cookie(
        self, response: Response, value: str, *, name: str | None = None, seconds: int | None = None
    ) -> None:
        """In a frame of another site a cookie is only kept when it says that it belongs to that site's frame."""
        framed = bool(self.settings.page_frames)
        response.set_cookie(
            name or self.cookie,
            value,
            max_age=seconds,
            path="/",
            secure=self.is_secure,
            httponly=True,
            samesite="none" if framed else "lax",
        )
        if framed:
            # Python before 3.14 cannot write it: https://www.ietf.org/archive/id/draft-cutler-httpbis-partitioned-cookies
            key, said = response.raw_headers.pop()
            response.raw_headers.append((key, said + b"; Partitioned"))

    def drop_cookie(self, response: Response, *, name: str | None = None) -> None:
        self.set_cookie(response, "", name=name, seconds=0)

    def session(self, request: Request, sessions: Sessions, *, counts: bool = True) -> Session | None:
        text = request.cookies.get(self.cookie)
        return sessions.find(text, counts=counts) if text else None

    def is_from_here(self, request: Request) -> bool:
        """Whether a form was sent by a page of ours. A browser that says nothing is left to the form's token."""
        site = request.headers.get("sec-fetch-site")
        if site is not None and site not in ("same-origin", "none"):
            return False
        origin = request.headers.get("origin")
        if origin is None:
            return True
        ours = {_host_of(base) for base in (str(request.base_url), self.settings.public_url or "") if base}
        return (_host_of(origin) or None) in ours

    def respond(self, request: Request, text: str, *, status: int = 200) -> Response:
        """A page, compressed where it is worth it and the browser takes it."""
        body, headers = text.encode(), {**self.headers, "Vary": "Accept-Encoding, Cookie"}
        if len(body) > _WORTH_IT and "gzip" in request.headers.get("accept-encoding", ""):
            body, headers["Content-Encoding"] = gzip.compress(body, 6), "gzip"
        return Response(body, status, headers, media_type="text/html; charset=utf-8")


async def form_of(request: Request) -> dict[str, str]:
    """The fields of a form, the last of each name. Raises InputError for what is no small form."""
    if request.headers.get("content-type", "").partition(";")[0].strip() != _FORM_TYPE:
        raise InputError("the request is no form")
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > _LONGEST_FORM:
            raise InputError("the form is too large")
    try:
        return dict(parse_qsl(body.decode(), keep_blank_values=True, max_num_fields=50))
    except ValueError:
        raise InputError("the form cannot be read") from None


def _host_of(address: str) -> str:
    """Host and port of an address; nothing of what is none."""
    try:
        return urlsplit(address).netloc
    except ValueError:
        return ""
