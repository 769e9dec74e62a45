"""Which addresses belong to the configured server. Nothing, least of all a token, is sent anywhere else."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from urllib.parse import SplitResult, unquote, urljoin, urlsplit, urlunsplit

import httpx

from andante.errors import BadAnswer, InputError

_DEFAULT_PORTS = {"http": 80, "https": 443}


@dataclass(frozen=True)
class Origin:
    """The server's base URL, and the other bases it is known to print in its links (behind a proxy).

    `base` is held as httpx sends it, whatever was typed: host in small letters, no default port, the path
    percent-encoded. `rewrite` maps a printed base to the base to use; both are compared whole, up to a `/`, `?` or the
    end.
    """

    base: str
    rewrite: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        parts = _split(self.base)
        if parts is None or parts.scheme not in _DEFAULT_PORTS or not parts.hostname or parts.query:
            raise InputError("the FHIR base must be an http or https URL without query, user or password")
        try:
            sent = str(httpx.URL(parts.geturl()))  # with its scheme in small letters, else httpx keeps a default port
        except (httpx.InvalidURL, ValueError):
            raise InputError("the FHIR base must be an address that can be used") from None
        object.__setattr__(self, "base", sent.rstrip("/"))

    def url(self, path: str) -> str:
        return f"{self.base}/{path}"

    def follow(self, link: str, *, from_url: str) -> str:
        """The address of a link the server gave, ready to be asked; its query untouched.

        Raises BadAnswer where it leads to another scheme, host, port or base path.
        """
        parts, home = self._joined(link, from_url), _split(self.base)
        if parts is None or home is None or not _same_place(parts, home):
            raise BadAnswer("a link of the server points to another host or base path: not followed")
        return urlunsplit(parts._replace(fragment=""))

    def _joined(self, link: str, from_url: str) -> SplitResult | None:
        if _has_controls(link):  # before joining: urllib drops some of them silently
            return None
        try:
            return _split(self.rewritten(urljoin(from_url, link)))
        except ValueError:
            return None

    def rewritten(self, url: str) -> str:
        """The address to use for one that the server prints."""
        for printed, used in self.rewrite.items():
            head = printed.rstrip("/")
            if url.startswith(head) and url[len(head) :][:1] in ("", "/", "?"):
                return used.rstrip("/") + url[len(head) :]
        return url


def _split(url: str) -> SplitResult | None:
    try:
        parts = urlsplit(url)
        _ = parts.port
    except ValueError:
        return None
    return None if "@" in parts.netloc or _has_controls(url) else parts


def _has_controls(url: str) -> bool:
    return any(ord(sign) <= 32 or sign == "\\" for sign in url)


def _same_place(parts: SplitResult, home: SplitResult) -> bool:
    def place(p: SplitResult) -> tuple[str, str | None, int | None]:
        return p.scheme, p.hostname, p.port or _DEFAULT_PORTS.get(p.scheme)

    path = unquote(parts.path)
    if any(segment in (".", "..") for segment in path.split("/")):
        return False
    base = unquote(home.path).rstrip("/")
    return place(parts) == place(home) and (path.rstrip("/") == base or path.startswith(f"{base}/"))
