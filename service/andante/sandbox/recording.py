"""What a client asked of a server, in a form that a test can compare: who wrote which types?"""

from collections.abc import Iterator
from dataclasses import dataclass

from andante.sandbox.faults import Json


@dataclass(frozen=True)
class Seen:
    """One request; `path` is relative to the base, `written` holds the resource types it asked to write."""

    method: str
    path: str
    written: tuple[str, ...]


def describe(method: str, path: str, query: str, body: Json | None) -> Seen:
    """Describe one request. A POST to the base counts as what its entries ask."""
    if method == "GET":
        written: tuple[str, ...] = ()
    elif path:
        written = (path.partition("/")[0],)
    else:
        written = tuple(_written_by_entries(body or {}))
    return Seen(method, f"{path}?{query}" if query else path, written)


def _written_by_entries(bundle: Json) -> Iterator[str]:
    entries = bundle.get("entry")
    for entry in entries if isinstance(entries, list) else []:
        request = entry.get("request") if isinstance(entry, dict) else None
        if isinstance(request, dict) and request.get("method") != "GET":
            yield str(request.get("url", "")).partition("?")[0].partition("/")[0]
