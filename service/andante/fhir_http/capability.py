"""What a server says of itself: its CapabilityStatement, read leniently and believed only as a claim."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import msgspec

from andante.errors import BadAnswer
from andante.fhir_http.connection import Connection, check_json
from andante.fhir_http.envelope import DECODE_ERRORS
from andante.fhir_http.retry import http_date

WHAT = "reading the CapabilityStatement"
_BACKPORT = "subscriptions-backport"


@dataclass(frozen=True)
class Claims:
    """`date` is the server's own time when it answered."""

    body: dict[str, Any]
    date: datetime | None = None

    @property
    def release(self) -> str:
        return _text(self.body.get("fhirVersion"))

    @property
    def software(self) -> str:
        """Name and version, as the server prints them."""
        software = self.body.get("software")
        parts = (software.get("name"), software.get("version")) if isinstance(software, dict) else ()
        return " ".join(filter(None, map(_text, parts)))

    @property
    def types(self) -> frozenset[str]:
        return frozenset(_text(one.get("type")) for one in self._resources())

    @property
    def interactions(self) -> frozenset[str]:
        """Those of the whole system, such as `transaction`."""
        return frozenset(_codes(rest.get("interaction") for rest in self._rest()))

    def interactions_of(self, resource_type: str) -> frozenset[str]:
        return frozenset(_codes(one.get("interaction") for one in self._of(resource_type)))

    def creates_conditionally(self, resource_type: str) -> bool:
        return any(one.get("conditionalCreate") is True for one in self._of(resource_type))

    def versions(self, resource_type: str) -> str:
        """`no-version`, `versioned` or `versioned-update`; empty where nothing is said."""
        return next((_text(one.get("versioning")) for one in self._of(resource_type)), "")

    @property
    def has_topics(self) -> bool:
        """Whether it names the backport of topic-based subscriptions anywhere."""
        return _BACKPORT in msgspec.json.encode(self.body).decode()

    def _rest(self) -> Iterator[dict[str, Any]]:
        return _objects(self.body.get("rest"))

    def _resources(self) -> Iterator[dict[str, Any]]:
        return (one for rest in self._rest() for one in _objects(rest.get("resource")))

    def _of(self, resource_type: str) -> Iterator[dict[str, Any]]:
        return (one for one in self._resources() if one.get("type") == resource_type)


async def read_claims(connection: Connection) -> Claims:
    """Raises a ServerError; BadAnswer where what comes is no CapabilityStatement."""
    answer = await connection.get(connection.origin.url("metadata"), what=WHAT)
    check_json(answer, WHAT)
    try:
        body = msgspec.json.decode(answer.body)
    except DECODE_ERRORS:
        body = None
    if not isinstance(body, dict) or body.get("resourceType") != "CapabilityStatement":
        raise BadAnswer(f"{WHAT}: the answer is not a CapabilityStatement")
    return Claims(body, http_date(answer.headers.get("Date")))


def _codes(lists: Iterator[Any]) -> Iterator[str]:
    return (_text(one.get("code")) for found in lists for one in _objects(found))


def _objects(value: Any) -> Iterator[dict[str, Any]]:
    return (one for one in (value if isinstance(value, list) else ()) if isinstance(one, dict))


def _text(value: Any) -> str:
    return value[:100] if isinstance(value, str) else ""
