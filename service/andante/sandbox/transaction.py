"""Bundles: a transaction happens as a whole or not at all; the entries of a batch stand for themselves.

https://hl7.org/fhir/R4/http.html#transaction
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qsl

from andante.sandbox.endpoint import Answer, Endpoint, known_type
from andante.sandbox.faults import Fault, Json, fault, operation_outcome
from andante.sandbox.store import instant_text
from andante.sandbox.validation import validate

_ORDER = ("DELETE", "POST", "PUT", "GET")
# The elements that may hold the temporary address of another entry.
_ADDRESSES = {"reference", "uri", "url", "valueUri", "valueUrl", "valueCanonical", "valueUuid"}


@dataclass
class _Entry:
    """One entry on its way; `ident` is set aside or found before anything is written."""

    path: str
    method: str
    kind: str
    ident: str
    rest: list[str]
    query: str
    full_url: str | None
    body: Json | None
    if_match: str | None
    if_none_exist: str | None
    done: Answer | None = None


def process_bundle(endpoint: Endpoint, bundle: Json, *, base: str, strict: bool = False) -> Json:
    """Carry out a transaction or batch. Raises a Fault when a transaction fails, with nothing written."""
    validate(_frame(bundle), expected="Bundle")
    match bundle["type"]:
        case "transaction":
            with endpoint.store.all_or_nothing():
                return _transaction(endpoint, bundle, base=base, strict=strict)
        case "batch":
            return _batch(endpoint, bundle, base=base, strict=strict)
        case other:
            raise fault(400, "invalid", f"a Bundle of type {other} cannot be posted here", "Bundle.type")


def _transaction(endpoint: Endpoint, bundle: Json, *, base: str, strict: bool) -> Json:
    entries = [_read(path, raw) for path, raw in _entries(bundle)]
    _refuse_overlap(entries)
    addresses: dict[str, str] = {}
    for entry in entries:
        with _at(entry.path):
            _settle_id(endpoint, entry, base)
        if entry.full_url and entry.method in ("POST", "PUT"):
            addresses[entry.full_url] = f"{entry.kind}/{entry.ident}"
    for entry in sorted(entries, key=lambda entry: _ORDER.index(entry.method)):
        with _at(entry.path):
            entry.body = _rewrite(entry.body, addresses)
            if entry.done is None:
                entry.done = _perform(endpoint, entry, base=base, strict=strict)
    return {
        "resourceType": "Bundle",
        "type": "transaction-response",
        "entry": [_response(entry.done, base) for entry in entries if entry.done is not None],
    }


def _batch(endpoint: Endpoint, bundle: Json, *, base: str, strict: bool) -> Json:
    responses = []
    for path, raw in _entries(bundle):
        try:
            with endpoint.store.all_or_nothing(), _at(path):
                answer = _perform(endpoint, _read(path, raw), base=base, strict=strict)
            responses.append(_response(answer, base))
        except Fault as problem:
            response = {"status": str(problem.status), "outcome": operation_outcome(problem.issues)}
            responses.append({"response": response})
    return {"resourceType": "Bundle", "type": "batch-response", "entry": responses}


def _perform(endpoint: Endpoint, entry: _Entry, *, base: str, strict: bool) -> Answer:
    match entry.method, bool(entry.ident), entry.rest:
        case "POST", _, []:
            return endpoint.create(
                entry.kind,
                _body(entry),
                base=base,
                if_none_exist=entry.if_none_exist,
                ident=entry.ident or None,
            )
        case "PUT", True, []:
            return endpoint.update(entry.kind, entry.ident, _body(entry), if_match=entry.if_match)
        case "DELETE", True, []:
            return endpoint.delete(entry.kind, entry.ident, if_match=entry.if_match)
        case "GET", True, []:
            return endpoint.read(entry.kind, entry.ident)
        case "GET", True, ["_history"]:
            return endpoint.history(entry.kind, entry.ident, base=base)
        case "GET", True, ["_history", number]:
            return endpoint.vread(entry.kind, entry.ident, number)
        case "GET", False, []:
            pairs = parse_qsl(entry.query, keep_blank_values=True)
            return endpoint.search(entry.kind, pairs, base=base, strict=strict)
    raise fault(400, "not-supported", f"{entry.method} on this address is not supported")


def _read(path: str, raw: Json) -> _Entry:
    with _at(path):
        request = raw.get("request", {})
        method = request.get("method")
        if method not in _ORDER:
            raise fault(400, "not-supported", f"the method {method} is not supported", "Entry.request.method")
        address, _, query = request["url"].partition("?")
        kind, _, where = str(address).partition("/")
        ident, *rest = where.split("/")
        known_type(kind)
        if method == "POST" and ident:
            raise fault(400, "invalid", "a POST goes to a type", "Entry.request.url")
    return _Entry(
        path=path,
        method=method,
        kind=kind,
        ident=ident,
        rest=rest,
        query=query,
        full_url=raw.get("fullUrl"),
        body=raw.get("resource"),
        if_match=request.get("ifMatch"),
        if_none_exist=request.get("ifNoneExist"),
    )


def _settle_id(endpoint: Endpoint, entry: _Entry, base: str) -> None:
    """Find what a conditional create means, or set an id aside, so that references can be rewritten."""
    if entry.method != "POST":
        return
    if entry.if_none_exist is not None:
        existing = endpoint.match_one(entry.kind, entry.if_none_exist, base=base)
        if existing is not None:
            entry.ident, entry.done = existing.ident, Answer(200, existing.body, existing, located=True)
            return
        entry.if_none_exist = None  # decided; what this transaction itself creates must not change it
    entry.ident = endpoint.store.new_id(entry.kind)


def _refuse_overlap(entries: list[_Entry]) -> None:
    """R4: a transaction whose entries touch the same resource fails."""
    seen: set[tuple[str, ...]] = set()
    for entry in entries:
        keys: list[tuple[str, ...]] = [("address", entry.full_url)] if entry.full_url else []
        if entry.ident and entry.method in ("PUT", "DELETE"):
            keys.append((entry.kind, entry.ident))
        if entry.if_none_exist is not None:
            keys.append((entry.kind, "?", entry.if_none_exist))
        for key in keys:
            if key in seen:
                raise fault(400, "invalid", "two entries mean the same resource", entry.path)
            seen.add(key)


def _rewrite(element: Any, addresses: dict[str, str], name: str = "") -> Any:
    """A copy in which the temporary addresses are the real ones."""
    if isinstance(element, dict):
        return {key: _rewrite(value, addresses, key) for key, value in element.items()}
    if isinstance(element, list):
        return [_rewrite(item, addresses, name) for item in element]
    if isinstance(element, str) and name in _ADDRESSES:
        if element in addresses:
            return addresses[element]
        if name == "reference" and element.startswith("urn:uuid:"):
            raise fault(400, "invalid", f"no entry has the fullUrl {element}")
    return element


def _body(entry: _Entry) -> Json:
    if entry.body is None:
        raise fault(400, "required", "a resource is needed", "Entry.resource")
    return entry.body


def _frame(bundle: Json) -> Json:
    """The Bundle without its resources: those are validated one by one, each with its own answer."""
    entries = bundle.get("entry", [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise fault(400, "structure", "a list of entries is expected", "Bundle.entry")
    bare = [{name: part for name, part in entry.items() if name != "resource"} for entry in entries]
    return bundle | ({"entry": bare} if bare else {})


def _entries(bundle: Json) -> list[tuple[str, Json]]:
    return [(f"Bundle.entry[{index}]", raw) for index, raw in enumerate(bundle.get("entry", []))]


@contextmanager
def _at(path: str) -> Iterator[None]:
    """A fault inside the block says in which entry it happened."""
    try:
        yield
    except Fault as problem:
        raise Fault(problem.status, *(issue.under(path) for issue in problem.issues)) from None


def _response(answer: Answer, base: str) -> Json:
    response: Json = {"status": str(answer.status)}
    version = answer.version
    if version is not None:
        response["etag"] = version.etag
        response["lastModified"] = instant_text(version.instant)
        if answer.located:
            response["location"] = f"{base}/{version.reference}/_history/{version.number}"
    return {**({"resource": answer.body} if answer.body else {}), "response": response}
