"""Our Subscriptions as they stand on the server: found by our own endpoint's addresses, each checked again."""

from collections.abc import Awaitable, Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import datetime

import msgspec

from andante.chart.assembly import instant_of
from andante.errors import Absent, BadAnswer
from andante.fhir_http.envelope import DECODE_ERRORS
from andante.fhir_http.read import FhirReader


@dataclass(frozen=True, kw_only=True)
class Standing:
    """One of ours. `etag` is the server's own, or made from the version where a search gives none."""

    ident: str
    endpoint: str
    status: str
    etag: str
    criteria: str
    end: datetime | None = None


FindStandings = Callable[[Sequence[str], Collection[str]], Awaitable[tuple[Standing, ...]]]
"""Given endpoints and ids already known, what stands there. Raises a ServerError where that cannot be told."""


def finder(reader: FhirReader) -> FindStandings:
    async def find(endpoints: Sequence[str], known: Collection[str]) -> tuple[Standing, ...]:
        result = await reader.search("Subscription", (("url", ",".join(endpoints)), ("_count", "100")))
        if result.truncated:
            raise BadAnswer("searching Subscription: the server told of more than it gave")
        found = {}
        for item in result.found:
            standing = _standing(item.body, None)
            if standing is not None and standing.endpoint in endpoints:
                found[standing.ident] = standing
        for ident in sorted(set(known) - found.keys()):
            # Just written, and not yet to be found by search: a second one would be told everything twice.
            try:
                read = await reader.read("Subscription", ident)
            except Absent:
                continue
            standing = _standing(read.body, read.etag)
            if standing is not None and standing.endpoint in endpoints:
                found[ident] = standing
        return tuple(found[ident] for ident in sorted(found))

    return find


class _Meta(msgspec.Struct, frozen=True, rename="camel"):
    version_id: str | None = None


class _Channel(msgspec.Struct, frozen=True):
    endpoint: str | None = None


class _Subscription(msgspec.Struct, frozen=True, rename="camel"):
    id: str | None = None
    meta: _Meta | None = None
    status: str | None = None
    criteria: str | None = None
    end: str | None = None
    channel: _Channel | None = None


def _standing(body: msgspec.Raw | bytes, etag: str | None) -> Standing | None:
    """None for what cannot be one of ours."""
    try:
        found = msgspec.json.decode(body, type=_Subscription)
    except DECODE_ERRORS:
        return None
    version = found.meta.version_id if found.meta else None
    if not found.id or found.channel is None or not found.channel.endpoint or not (etag or version):
        return None
    return Standing(
        ident=found.id,
        endpoint=found.channel.endpoint,
        status=found.status or "",
        etag=etag or f'W/"{version}"',
        criteria=found.criteria or "",
        end=instant_of(found.end),
    )
