"""Pages of a search. A search is one snapshot, and the `next` token means nothing to the client."""

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from urllib.parse import urlencode
from uuid import uuid4

from andante.sandbox.faults import Issue, Json, fault, operation_outcome
from andante.sandbox.search import Query
from andante.sandbox.store import Version

PAGE_PARAMETER = "_page"
MOST_PER_PAGE = 200
_TOKENS_KEPT = 1000


@dataclass(frozen=True)
class Page:
    """One page of the snapshot that a search found."""

    query: Query
    versions: Sequence[Version]
    offset: int
    size: int


class Pages:
    """The pages that clients may still ask for; the oldest tokens expire."""

    def __init__(self) -> None:
        self._waiting: OrderedDict[str, Page] = OrderedDict()

    def first(self, query: Query, versions: Sequence[Version], *, base: str) -> Json:
        """The answer to a search. Like real servers, it gives at most 200 at once, whatever was asked."""
        size = MOST_PER_PAGE if query.count is None else min(query.count, MOST_PER_PAGE)
        return self._bundle(Page(query, versions, 0, size), self_url=_own_url(query, base), base=base)

    def next(self, token: str, *, base: str, kind: str) -> Json:
        """A later page. Raises a 410 Fault when the token is unknown, expired or of another type."""
        page = self._waiting.get(token)
        if page is None or page.query.kind != kind:
            raise fault(410, "expired", "this page is no longer kept; search again")
        return self._bundle(page, self_url=_page_url(kind, token, base), base=base)

    def _bundle(self, page: Page, *, self_url: str, base: str) -> Json:
        shown = [] if page.query.only_count else page.versions[page.offset : page.offset + page.size]
        links = [{"relation": "self", "url": self_url}]
        if shown and page.offset + page.size < len(page.versions):
            links.append({"relation": "next", "url": self._next_url(page, base)})
        entries: list[Json] = [
            {"fullUrl": f"{base}/{version.reference}", "resource": version.body, "search": {"mode": "match"}}
            for version in shown
        ]
        if page.query.ignored:
            entries.append({"resource": _ignored(page.query), "search": {"mode": "outcome"}})
        return {
            "resourceType": "Bundle",
            "type": "searchset",
            "total": len(page.versions),
            "link": links,
            **({"entry": entries} if entries else {}),
        }

    def _next_url(self, page: Page, base: str) -> str:
        token = uuid4().hex
        self._waiting[token] = replace(page, offset=page.offset + page.size)
        while len(self._waiting) > _TOKENS_KEPT:
            self._waiting.popitem(last=False)
        return _page_url(page.query.kind, token, base)


def _own_url(query: Query, base: str) -> str:
    """The search as the server understood it: what it ignored is left out."""
    return f"{base}/{query.kind}" + (f"?{urlencode(query.applied)}" if query.applied else "")


def _page_url(kind: str, token: str, base: str) -> str:
    return f"{base}/{kind}?{PAGE_PARAMETER}={token}"


def _ignored(query: Query) -> Json:
    return operation_outcome([Issue("not-supported", f"ignored: {name}") for name in query.ignored], severity="warning")
