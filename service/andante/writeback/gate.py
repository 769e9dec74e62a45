"""The one gate. Whatever is thrown at it, only an allow-listed transaction comes out, as the bytes that were
checked.

What is checked is a copy made from the serialised Bundle, and the copy's bytes are what is sent: nothing can
change between the check and the wire. Messages name places and rules, never content, since content may be a
patient's.
"""

import json
import re
from collections.abc import Mapping
from typing import Any

from fhir.resources.R4B import get_fhir_model_class
from pydantic import BaseModel, ValidationError

from andante.chart.assembly import instant_of
from andante.errors import WriteRefused
from andante.fhir_http.cleared import Cleared
from andante.writeback.allowlist import Allowed, load_allowlist
from andante.writeback.codes import ENUMS, PRIORITIES, SILENT, InputKind, Kind
from andante.writeback.identity import Identity
from andante.writeback.seal import Json
from andante.writeback.site import Site

_ID = re.compile(r"[A-Za-z0-9\-][A-Za-z0-9\-.]{0,63}")  # no leading dot: no `.` and no `..`
_ADDRESS = re.compile(r"urn:uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_ETAG = re.compile(r'(W/)?"[\x21\x23-\x7e]+"')
_RULE = re.compile(r"[A-Za-z0-9][A-Za-z0-9.\-]{0,63}")
_PLACE = re.compile(r"[A-Za-z0-9.]{1,60}")
_BUNDLE = frozenset({"resourceType", "type", "entry"})
_ENTRY = frozenset({"fullUrl", "resource", "request"})
_REQUEST = {
    "POST": frozenset({"method", "url", "ifNoneExist"}),
    "PUT": frozenset({"method", "url", "ifMatch"}),
}
_KIND = {"Task": Kind.ADVICE, "CommunicationRequest": Kind.NOTICE}
_INDEPENDENT = frozenset({"contained", "modifierExtension", "implicitRules", "resourceType"})
_EXTENSIONS = (InputKind.FINGERPRINT, InputKind.SEAL)
_MAX_DEPTH = 24
_MAX_BYTES = 8 * 1024 * 1024


class Gate:
    """Holds the allow-list and our canonical base; `clear` is the only maker of a Cleared."""

    def __init__(self, site: Site, allowlist: Mapping[str, Allowed] | None = None) -> None:
        self._site = site
        self._allowed = load_allowlist() if allowlist is None else allowlist

    def clear(self, bundle: Mapping[str, Any] | BaseModel) -> Cleared:
        """The Bundle, ready to be sent. Raises WriteRefused for anything that is not allowed."""
        copy = _copied(bundle)
        _require(copy.keys() <= _BUNDLE, "Bundle", "an unexpected element")
        _require(copy.get("resourceType") == "Bundle", "Bundle", "no Bundle")
        _require(copy.get("type") == "transaction", "Bundle.type", "not a transaction")
        entries = [_object(e, "Bundle.entry") for e in _list(copy.get("entry", []), "Bundle.entry")]
        for index, entry in enumerate(entries):
            self._check_entry(entry, f"entry[{index}]")
        _check_addresses(entries)
        _validate("Bundle", copy, "Bundle")
        return Cleared(json.dumps(copy, ensure_ascii=False, separators=(",", ":")).encode())

    def _check_entry(self, entry: Json, where: str) -> None:
        _require(entry.keys() <= _ENTRY, where, "an unexpected element")
        request = _object(entry.get("request"), f"{where}.request")
        resource = _object(entry.get("resource"), f"{where}.resource")
        name = _text(resource.get("resourceType"), f"{where}.resourceType")
        _require(name in self._allowed, where, "a type that may not be written")
        allowed = self._allowed[name]
        method = _text(request.get("method"), f"{where}.request.method")
        _require(method in allowed.statuses, where, "a method that may not be used")
        _require(request.keys() <= _REQUEST[method], f"{where}.request", "an unexpected element")
        match method:
            case "POST":
                self._check_create(entry, request, resource, name, where)
            case "PUT":
                _check_update(entry, request, resource, name, where)
        self._check_resource(resource, name, method, allowed, where)

    def _check_create(self, entry: Json, request: Json, resource: Json, name: str, where: str) -> None:
        _require(request.get("url") == name, f"{where}.request.url", "not the resource's type")
        _require("id" not in resource, f"{where}.resource.id", "the server's to choose")
        address = _text(entry.get("fullUrl"), f"{where}.fullUrl")
        _require(bool(_ADDRESS.fullmatch(address)), f"{where}.fullUrl", "no urn:uuid")
        if name not in _KIND:
            _require("ifNoneExist" not in request, f"{where}.request", "an unexpected condition")
            return
        # Without this very condition a repeated write would leave the same suggestion twice.
        identifier = f"{self._system(name)}|{self._identifier(resource, name, where)}"
        condition = request.get("ifNoneExist")
        _require(condition == f"identifier={identifier}", f"{where}.request.ifNoneExist", "not its identifier")

    def _system(self, name: str) -> str:
        return self._site.identifiers(_KIND[name])

    def _identifier(self, resource: Json, name: str, where: str) -> str:
        match resource.get("identifier"):
            case [{"system": str(system), "value": str(value)}] if system == self._system(name):
                _require(Identity.parse(value) is not None, f"{where}.identifier", "not one of ours")
                return value
        raise WriteRefused(f"write gate, {where}.identifier: not exactly one of ours")

    def _check_resource(self, resource: Json, name: str, method: str, allowed: Allowed, where: str) -> None:
        where = f"{where}.{name}"
        _require(resource.keys() <= allowed.elements, where, "an element that may not be sent")
        for element, value in resource.items():
            if element != "resourceType":
                _check_plain(value, f"{where}.{element}")
        self._check_states(resource, name, method, allowed, where)
        self._check_codes(resource, where)
        self._check_meaning(resource, name, where)
        self._check_extensions(resource.get("extension", []), where)
        _validate(name, resource, where)

    def _check_states(self, resource: Json, name: str, method: str, allowed: Allowed, where: str) -> None:
        """The required bindings of R4, which the library does not check, narrowed to what we may write."""
        if name not in _KIND:
            return
        self._identifier(resource, name, where)
        status = _text(resource.get("status"), f"{where}.status")
        _require(status in allowed.statuses[method], f"{where}.status", "not allowed")
        priority = _text(resource.get("priority"), f"{where}.priority")
        _require(priority in PRIORITIES, f"{where}.priority", "not an R4 priority")
        if name == "Task":
            intent = _text(resource.get("intent"), f"{where}.intent")
            _require(intent in allowed.intents, f"{where}.intent", "not allowed")
            authored, modified = (
                instant_of(_text(resource.get(element), f"{where}.{element}"))
                for element in ("authoredOn", "lastModified")
            )
            in_order = authored is not None and modified is not None and authored <= modified
            _require(in_order, f"{where}.lastModified", "no instant, or before it was authored")  # R4 inv-1

    def _check_codes(self, node: Any, where: str) -> None:
        """Every coding in one of our systems holds a code of that system."""
        if isinstance(node, list):
            for item in node:
                self._check_codes(item, where)
        if isinstance(node, dict):
            system, ours = node.get("system"), self._site.system("")
            if isinstance(system, str) and system.startswith(ours) and "code" in node:
                _require(_is_ours(system.removeprefix(ours), node["code"]), where, "an unknown code of ours")
            for item in node.values():
                self._check_codes(item, where)

    def _check_meaning(self, resource: Json, name: str, where: str) -> None:
        """A Task is one of our suggestions, a CommunicationRequest one of our notices, and neither anything
        else.
        """
        match name:
            case "Task":
                codes = self._codes(resource.get("code"), "advice", "rule")
                told = codes["advice"] - SILENT
                _require(len(told) == len(codes["advice"]) == 1, f"{where}.code", "no advice of ours")
            case "CommunicationRequest":
                found: set[str] = set()
                for category in _list(resource.get("category", []), f"{where}.category"):
                    found |= self._codes(category, "notice", "gap-stage")["notice"]
                _require(len(found) == 1, f"{where}.category", "no notice of ours")

    def _codes(self, concept: Any, *names: str) -> dict[str, set[str]]:
        """The codes of a CodeableConcept by system. Refuses a coding of any system but these of ours."""
        found: dict[str, set[str]] = {name: set() for name in names}
        codings = concept.get("coding") if isinstance(concept, dict) else None
        for coding in codings if isinstance(codings, list) else ():
            coding = _object(coding, "coding")
            system, code = coding.get("system"), coding.get("code")
            name = next((name for name in names if system == self._site.system(name)), None)
            if name is None or not isinstance(code, str):
                raise WriteRefused("write gate: a code of another system where only ours may stand")
            found[name].add(code)
        return found

    def _check_extensions(self, extensions: Any, where: str) -> None:
        ours = {self._site.extension(kind) for kind in _EXTENSIONS}
        for extension in _list(extensions, f"{where}.extension"):
            fine = _object(extension, f"{where}.extension").keys() == {"url", "valueString"}
            url = _text(extension.get("url"), f"{where}.extension.url")
            _require(fine and url in ours, f"{where}.extension", "not one of ours")


def _check_update(entry: Json, request: Json, resource: Json, name: str, where: str) -> None:
    identity = _text(resource.get("id"), f"{where}.resource.id")
    _require(bool(_ID.fullmatch(identity)), f"{where}.resource.id", "no id")
    _require(request.get("url") == f"{name}/{identity}", f"{where}.request.url", "not the resource's address")
    _require("fullUrl" not in entry, f"{where}.fullUrl", "unexpected")
    # Without If-Match an update could overwrite what a person has just written.
    match = _text(request.get("ifMatch"), f"{where}.request.ifMatch")
    _require(bool(_ETAG.fullmatch(match)), f"{where}.request.ifMatch", "no ETag")


def _check_addresses(entries: list[Json]) -> None:
    """Each resource once, every temporary address resolved, and a Provenance for everything written."""
    written = [entry.get("fullUrl") or entry["request"]["url"] for entry in entries]
    _require(len(set(written)) == len(written), "Bundle.entry", "the same resource twice")
    explained: set[str | None] = set()
    for entry in entries:
        for reference in _references(entry["resource"]):
            _require(
                not reference.startswith("urn:") or reference in written,
                "Bundle.entry",
                "a reference to nothing in the Bundle",
            )
        if entry["resource"]["resourceType"] == "Provenance":
            explained |= {target.get("reference") for target in entry["resource"]["target"]}
    suggestions = {
        address
        for address, entry in zip(written, entries, strict=True)
        if entry["resource"]["resourceType"] != "Provenance"
    }
    _require(suggestions == explained, "Bundle.entry", "not explained by exactly its Provenance")


def _references(node: Any) -> list[str]:
    if isinstance(node, list):
        return [found for item in node for found in _references(item)]
    if isinstance(node, dict):
        own = [node["reference"]] if isinstance(node.get("reference"), str) else []
        return own + [found for item in node.values() for found in _references(item)]
    return []


def _check_plain(node: Any, where: str, depth: int = 0) -> None:
    """Nothing below the top may be a resource of its own, turn the meaning round, or be empty."""
    _require(depth < _MAX_DEPTH, where, "nested too deeply")
    _require(node not in ("", [], {}, None), where, "empty")
    _require(not isinstance(node, float), where, "a number where none is ever written")
    if isinstance(node, list):
        for item in node:
            _check_plain(item, where, depth + 1)
    if isinstance(node, dict):
        _require(not node.keys() & _INDEPENDENT, where, "an element that may not be sent")
        _require("extension" not in node, where, "an extension where none may stand")
        _require(not any(name.startswith("_") for name in node), where, "an element that may not be sent")
        for item in node.values():
            _check_plain(item, where, depth + 1)


def _is_ours(name: str, code: Any) -> bool:
    if not isinstance(code, str):
        return False
    if name == "rule":
        return _RULE.fullmatch(code) is not None
    return name in ENUMS and any(code == member.value for member in ENUMS[name])


def _copied(bundle: Mapping[str, Any] | BaseModel) -> Json:
    """What the wire would carry: serialised, read back. Refuses what is no plain JSON object."""
    try:
        plain = bundle.model_dump(mode="json") if isinstance(bundle, BaseModel) else dict(bundle)
        text = json.dumps(plain, allow_nan=False)
        _require(len(text) <= _MAX_BYTES, "Bundle", "too large")
        copy = json.loads(text)
        copy = json.loads(json.dumps(copy, ensure_ascii=False).encode())  # refuses lone surrogates
    except WriteRefused:
        raise
    except (TypeError, ValueError, RecursionError, OverflowError):
        raise WriteRefused("write gate, Bundle: not JSON") from None
    return _object(copy, "Bundle")


def _validate(name: str, body: Json, where: str) -> None:
    try:
        get_fhir_model_class(name).model_validate(body)
    except (ValidationError, ValueError, TypeError, LookupError, RecursionError) as error:
        raise WriteRefused(f"write gate, {where}: not valid R4 ({_path(error)})") from None


def _path(error: BaseException) -> str:
    """Where the library found the fault, without what it found."""
    if not isinstance(error, ValidationError):
        return "structure"
    places = {".".join(map(str, problem["loc"])) for problem in error.errors(include_input=False)}
    named = sorted(place for place in places if _PLACE.fullmatch(place))
    return ", ".join(named[:3]) or "structure"


def _object(value: Any, where: str) -> Json:
    if not isinstance(value, dict):
        raise WriteRefused(f"write gate, {where}: no JSON object")
    return value


def _list(value: Any, where: str) -> list[Any]:
    if not isinstance(value, list):
        raise WriteRefused(f"write gate, {where}: no JSON array")
    return value


def _text(value: Any, where: str) -> str:
    if not isinstance(value, str):
        raise WriteRefused(f"write gate, {where}: missing, or no text")
    return value


def _require(condition: bool, where: str, problem: str) -> None:
    if not condition:
        raise WriteRefused(f"write gate, {where}: {problem}")
