"""What the server says was deleted since an instant: a search never shows what is gone, a type's history does.

https://hl7.org/fhir/R4/http.html#history. Optional for servers: one without it answers 4xx, which is raised.
"""

import re
from datetime import UTC, datetime
from urllib.parse import urlencode

from andante.errors import BadAnswer
from andante.fhir_http.connection import Connection, check_json
from andante.fhir_http.envelope import DECODE_ERRORS, Bundle, Entry, decode_bundle

_PAGE = "500"
_NAMED = re.compile(r"(?:^|/)(?P<kind>[A-Z][A-Za-z]*)/(?P<id>[A-Za-z0-9.\-]{1,64})(?:/_history(?:/.*)?)?$")


async def deleted_since(connection: Connection, resource_type: str, since: datetime) -> frozenset[str]:
    """`Type/id` of everything of a type that was deleted at or after `since`, newest state or not.

    Raises a ServerError where the server keeps no such history, or an answer cannot be relied on: a deletion that
    cannot be named is never taken for none.
    """
    what = f"reading the history of {resource_type}"
    asked = urlencode({"_since": since.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"), "_count": _PAGE})
    url = connection.origin.url(f"{resource_type}/_history?{asked}")
    found: set[str] = set()
    seen: set[str] = set()
    while True:
        answer = await connection.get(url, what=what, headers={"Cache-Control": "no-cache"})
        check_json(answer, what)
        bundle = _history(answer.body, what)
        seen.add(url)
        found.update(_deleted(entry, resource_type, what) for entry in bundle.entry if _is_deletion(entry))
        following = bundle.link_to("next")
        # Some servers forget `_since` in their links and would go on to the beginning of time.
        if following is None or _all_before(bundle, since):
            return frozenset(found)
        url = connection.origin.follow(following, from_url=url)
        if url in seen or len(seen) > connection.settings.max_pages:
            raise BadAnswer(f"{what}: the `next` links do not end")


def _history(body: bytes, what: str) -> Bundle:
    try:
        bundle, misshapen = decode_bundle(body)
    except DECODE_ERRORS:
        raise BadAnswer(f"{what}: the answer is not JSON, is cut short, or is no Bundle") from None
    if bundle.resource_type != "Bundle" or bundle.type != "history" or misshapen:
        raise BadAnswer(f"{what}: the answer is not a Bundle of type history")
    return bundle


def _is_deletion(entry: Entry) -> bool:
    if entry.request is not None and entry.request.method:
        return entry.request.method == "DELETE"
    return not entry.has_resource


def _deleted(entry: Entry, resource_type: str, what: str) -> str:
    for text in (entry.request.url if entry.request else None, entry.full_url):
        named = _NAMED.search(text or "")
        if named is not None and named["kind"] == resource_type:
            return f"{resource_type}/{named['id']}"
    raise BadAnswer(f"{what}: it tells of a deletion without saying of what")


def _all_before(bundle: Bundle, since: datetime) -> bool:
    """Whether a page lies wholly before: a history runs from the newest to the oldest."""
    times = [entry.response.last_modified if entry.response else None for entry in bundle.entry]
    known = [instant for instant in map(_instant, times) if instant is not None]
    return bool(known) and len(known) == len(times) and max(known) < since


def _instant(text: str | None) -> datetime | None:
    try:
        instant = datetime.fromisoformat(text or "")
    except ValueError:
        return None
    return instant if instant.utcoffset() is not None else None
