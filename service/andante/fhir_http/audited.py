"""The transport that writes the audit log: nothing is sent to the FHIR server, or used from it, without its line.

It sits below everything else of a connection, so that retries, pages and tokens renewed on the way pass it too. A
write is recorded, durably, before it is sent, and again with its outcome; a read once, with its outcome.
"""

import json
import secrets
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qsl, unquote

import httpx

from andante.audit import AuditLog
from andante.errors import AuditFailed
from andante.fhir_http.origin import Origin

_WHOSE = frozenset({"patient", "subject"})
_REQUEST_ID = "X-Request-Id"  # https://hl7.org/fhir/R4/http.html#custom: the server's own log can be joined to ours


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One request in the words of the audit log: `what` is a type, or `type/id`; `patients` are references."""

    action: str
    what: tuple[str, ...] = ()
    patients: tuple[str, ...] = ()

    @property
    def writes(self) -> bool:
        return self.action == "write"


class AuditedTransport(httpx.AsyncBaseTransport):
    """Wraps the transport that does the work. Raises AuditFailed instead of sending a write it cannot record."""

    def __init__(self, inner: httpx.AsyncBaseTransport, log: AuditLog, origin: Origin) -> None:
        self._inner, self._log, self._origin = inner, log, origin

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        identity = request.headers.setdefault(_REQUEST_ID, secrets.token_hex(8))
        asked = describe(request.method, str(request.url), await request.aread(), base=self._origin.base)

        def record(outcome: str, *, durable: bool = False) -> None:
            self._log.record(
                asked.action,
                durable=durable,
                what=asked.what or None,
                patients=asked.patients or None,
                request=identity,
                outcome=outcome,
            )

        if asked.writes:
            record("sending", durable=True)
        try:
            response = await self._inner.handle_async_request(request)
        except BaseException as error:
            with suppress(AuditFailed):  # what went wrong first is what is told
                record(f"no answer: {type(error).__name__}")
            raise
        try:
            record(str(response.status_code), durable=asked.writes)
        except BaseException:
            await response.aclose()
            raise
        return response

    async def aclose(self) -> None:
        await self._inner.aclose()


def describe(method: str, url: str, body: bytes, *, base: str) -> Asked:
    """What a request asks for. What cannot be told apart counts as a write: it is then recorded beforehand."""
    path = url.removeprefix(base).lstrip("/")
    if method == "GET":
        return _read(path)
    entries = list(_entries(body)) if method == "POST" else []
    methods = {request.get("method") for request, _ in entries}
    if entries and methods == {"GET"}:
        reads = [_read(str(request.get("url", ""))) for request, _ in entries]
        return Asked(
            action="search",
            what=tuple(name for read in reads for name in read.what),
            patients=tuple(name for read in reads for name in read.patients),
        )
    if not entries:
        return Asked(action="write", what=(f"{method} {_named(path)}",))
    return Asked(
        action="write",
        what=tuple(_written(request, resource) for request, resource in entries),
        patients=tuple(name for _, resource in entries for name in _about(resource)),
    )


def _read(path: str) -> Asked:
    place, _, query = path.partition("?")  # by hand: a link of the server's may hold what urllib takes for a host
    name = _named(place)
    kind, _, rest = name.partition("/")
    if rest:
        return Asked(action="read", what=(name,), patients=(name,) if kind == "Patient" else ())
    whose = []
    for key, value in parse_qsl(query):
        if key.partition(":")[0] in _WHOSE or (kind == "Patient" and key == "_id"):
            whose += [_patient(one) for one in value.split(",")]
    action = "capability" if kind == "metadata" else "search" if kind else "page"
    return Asked(action=action, what=(kind,) if kind else (), patients=tuple(whose))


def _named(path: str) -> str:
    """`Type` or `Type/id` out of a path below the base."""
    return "/".join(unquote(part) for part in path.partition("?")[0].split("/")[:2] if part)


def _patient(text: str) -> str:
    return text if "/" in text else f"Patient/{text}"


def _entries(body: bytes) -> Iterator[tuple[dict[str, Any], dict[str, Any]]]:
    try:
        bundle = json.loads(body)
    except ValueError:
        return
    entries = bundle.get("entry") if isinstance(bundle, dict) else None
    for entry in entries if isinstance(entries, list) else ():
        request, resource = entry.get("request"), entry.get("resource")
        yield request if isinstance(request, dict) else {}, resource if isinstance(resource, dict) else {}


def _written(request: dict[str, Any], resource: dict[str, Any]) -> str:
    """`POST Task identifier=…|…`: what a create will be found by, since it has no id yet; `PUT Task/12`."""
    named = f"{request.get('method')} {request.get('url') or resource.get('resourceType')}"
    condition = request.get("ifNoneExist")
    return f"{named} {condition}" if condition else named


def _about(resource: dict[str, Any]) -> Iterator[str]:
    for element in ("for", "subject", "patient"):
        reference = resource.get(element)
        if isinstance(reference, dict) and isinstance(reference.get("reference"), str):
            yield reference["reference"]
