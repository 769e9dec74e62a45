"""One FHIR interaction at a time, without HTTP: what the routes and the Bundles both call.

https://hl7.org/fhir/R4/http.html
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import parse_qsl

from andante.sandbox.dates import parse_span
from andante.sandbox.faults import Json, fault
from andante.sandbox.paging import PAGE_PARAMETER, Pages
from andante.sandbox.parameters import TYPES
from andante.sandbox.search import Pairs, find, parse_query
from andante.sandbox.store import Store, Version, instant_text
from andante.sandbox.validation import is_id, validate


@dataclass(frozen=True)
class Answer:
    """What an interaction ends with. `version` feeds ETag, Last-Modified and, when `located`, Location."""

    status: int
    body: Json | None = None
    version: Version | None = None
    located: bool = False


class Endpoint:
    """The interactions. Each raises a Fault rather than do half of what was asked."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.is_indexed: Callable[[Version], bool] = lambda version: True
        """Whether searches know of a version yet; a test's way to be a server whose index lags behind."""
        self._pages = Pages()

    def create(
        self, kind: str, body: Json, *, base: str, if_none_exist: str | None = None, ident: str | None = None
    ) -> Answer:
        """POST; with `if_none_exist`, only where nothing matches. `ident`: one set aside by a transaction."""
        known_type(kind)
        validate(body, expected=kind)
        if if_none_exist is not None and (existing := self.match_one(kind, if_none_exist, base=base)):
            return Answer(200, existing.body, existing, located=True)
        version = self.store.write(kind, ident or self.store.new_id(kind), body, method="POST")
        return Answer(201, version.body, version, located=True)

    def match_one(self, kind: str, criteria: str, *, base: str) -> Version | None:
        """The one resource that a condition means, or None. Raises a 412 Fault when several match."""
        query = parse_query(kind, parse_qsl(criteria, keep_blank_values=True), base=base)
        if query.ignored or not query.criteria:
            # A condition that is not understood would match everything, and the create would be lost.
            raise fault(400, "not-supported", f"cannot decide on {criteria!r}")
        found = find(self.store, query)
        if len(found) > 1:
            raise fault(412, "multiple-matches", f"{len(found)} {kind} match {criteria!r}")
        return found[0] if found else None

    def update(self, kind: str, ident: str, body: Json, *, if_match: str | None = None) -> Answer:
        """PUT; creates where nothing is, at the id that the client chose."""
        known_type(kind)
        if not is_id(ident):
            raise fault(400, "value", "an id is 1 to 64 letters, digits, - or .")
        validate(body, expected=kind)
        if body.get("id") != ident:
            raise fault(400, "invalid", "the id in the body is not the id in the address", f"{kind}.id")
        before = self.store.current(kind, ident)
        check_match(before, if_match)
        version = self.store.write(kind, ident, body, method="PUT")
        created = before is None or before.body is None
        return Answer(201 if created else 200, version.body, version, located=True)

    def delete(self, kind: str, ident: str, *, if_match: str | None = None) -> Answer:
        """DELETE; the history stays, and a second time changes nothing."""
        known_type(kind)
        before = self.store.current(kind, ident)
        check_match(before, if_match)
        if before is None or before.body is None:
            return Answer(204)
        return Answer(204, None, self.store.write(kind, ident, None, method="DELETE"))

    def read(self, kind: str, ident: str) -> Answer:
        """GET the newest version."""
        known_type(kind)
        return _shown(self.store.current(kind, ident), f"{kind}/{ident}")

    def vread(self, kind: str, ident: str, number: str) -> Answer:
        """GET one version."""
        known_type(kind)
        versions = (version for version in self.store.history(kind, ident) if str(version.number) == number)
        return _shown(next(versions, None), f"{kind}/{ident}/_history/{number}")

    def history(self, kind: str, ident: str, *, base: str) -> Answer:
        """GET all versions, newest first."""
        known_type(kind)
        versions = self.store.history(kind, ident)[::-1]
        if not versions:
            raise fault(404, "not-found", f"no {kind}/{ident}")
        return Answer(200, _told(versions, self_url=f"{base}/{kind}/{ident}/_history", base=base))

    def history_of_type(self, kind: str, pairs: Pairs, *, base: str) -> Answer:
        """GET all versions of a type since an instant, newest first, on one page."""
        known_type(kind)
        since = _since(dict(pairs).get("_since"))
        versions = [version for version in self.store.journal() if version.kind == kind]
        newest_first = [version for version in reversed(versions) if since is None or version.instant >= since]
        return Answer(200, _told(newest_first, self_url=f"{base}/{kind}/_history", base=base))

    def search(self, kind: str, pairs: Pairs, *, base: str, strict: bool = False) -> Answer:
        """GET by parameters, or a later page by its token."""
        known_type(kind)
        token = dict(pairs).get(PAGE_PARAMETER)
        if token is not None:
            return Answer(200, self._pages.next(token, base=base, kind=kind))
        query = parse_query(kind, pairs, base=base)
        if strict and query.ignored:
            raise fault(400, "not-supported", f"not supported for {kind}: {', '.join(query.ignored)}")
        return Answer(200, self._pages.first(query, find(self.store, query, self.is_indexed), base=base))


def known_type(kind: str) -> None:
    """Raises a 404 Fault for a type that the sandbox does not keep."""
    if kind not in TYPES:
        raise fault(404, "not-supported", f"the sandbox keeps no {kind}")


def check_match(before: Version | None, if_match: str | None) -> None:
    """Raises a 412 Fault unless `if_match` is absent or the newest version's ETag."""
    if if_match is not None and (before is None or before.body is None or if_match != before.etag):
        raise fault(412, "conflict", f"If-Match {if_match} is not the newest version")


def _told(versions: list[Version], *, self_url: str, base: str) -> Json:
    entries = [
        {
            "fullUrl": f"{base}/{version.reference}",
            **({"resource": version.body} if version.body is not None else {}),
            "request": {
                "method": version.method,
                "url": version.kind if version.method == "POST" else version.reference,
            },
            "response": {
                "status": "204" if version.body is None else "201" if version.number == 1 else "200",
                "etag": version.etag,
                "lastModified": instant_text(version.instant),
            },
        }
        for version in versions
    ]
    link = [{"relation": "self", "url": self_url}]
    return {"resourceType": "Bundle", "type": "history", "total": len(entries), "link": link, "entry": entries}


def _since(text: str | None) -> datetime | None:
    try:
        return parse_span(text).start if text else None
    except ValueError:
        raise fault(400, "invalid", f"_since={text}: an instant is expected") from None


def _shown(version: Version | None, what: str) -> Answer:
    if version is None:
        raise fault(404, "not-found", f"no {what}")
    if version.body is None:
        raise fault(410, "deleted", f"{what} was deleted")
    return Answer(200, version.body, version)
