"""The one gate. Whatever is thrown at it, only an allow-listed transaction comes out, as the bytes that were
checked.

What is checked is a copy made from the serialised Bundle, and the copy's bytes are what is sent: nothing can
change between the check and the wire. Messages name places and rules, never content, since content may be a
patient's.
"""

import json
import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from pydantic import BaseModel

from andante.chart.assembly import instant_of
from andante.errors import WriteRefused
from andante.fhir_http.cleared import Cleared
from andante.writeback.allowlist import Allowed, load_allowlist
from andante.writeback.answer_check import check_answer
from andante.writeback.bundle import address_of
from andante.writeback.codes import ENUMS, PRIORITIES, SILENT, InputKind, Kind
from andante.writeback.hook_check import check_subscription
from andante.writeback.hooks import HookSite
from andante.writeback.identity import Identity
from andante.writeback.seal import Json
from andante.writeback.site import Site
from andante.writeback.wire import a_list, a_text, an_object, check_plain, copied, require, validate

_ID = re.compile(r"[A-Za-z0-9\-][A-Za-z0-9\-.]{0,63}")  # no leading dot: no `.` and no `..`
_ADDRESS = re.compile(r"urn:uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_ETAG = re.compile(r'(W/)?"[\x21\x23-\x7e]+"')
_RULE = re.compile(r"[A-Za-z0-9][A-Za-z0-9.\-]{0,63}")
_BUNDLE = frozenset({"resourceType", "type", "entry"})
_ENTRY = frozenset({"fullUrl", "resource", "request"})
_REQUEST = {
    "POST": frozenset({"method", "url", "ifNoneExist"}),
    "PUT": frozenset({"method", "url", "ifMatch"}),
}
_KIND = {"Task": Kind.ADVICE, "CommunicationRequest": Kind.NOTICE}
_UNEXPLAINED = frozenset({"Provenance", "Subscription"})  # about no patient, and nobody's suggestion
_EXTENSIONS = (InputKind.FINGERPRINT, InputKind.SEAL)


class Gate:
    """Holds the allow-list and our canonical base; `clear` is the only maker of a Cleared."""

    def __init__(
        self, site: Site, allowlist: Mapping[str, Allowed] | None = None, *, hook: HookSite | None = None
    ) -> None:
        self._site = site
        self._hook = hook  # None: no endpoint of ours, and no Subscription is ever written
        self._allowed = load_allowlist(hooks=hook is not None) if allowlist is None else allowlist

    def clear(self, bundle: Mapping[str, Any] | BaseModel) -> Cleared:
        """The Bundle, ready to be sent. Raises WriteRefused for anything that is not allowed."""
        copy, entries = _opened(bundle)
        for index, entry in enumerate(entries):
            self._check_entry(entry, f"entry[{index}]")
        hooks = sum(entry["resource"]["resourceType"] == "Subscription" for entry in entries)
        require(hooks in (0, len(entries)), "Bundle.entry", "Subscriptions beside something else")
        return _sealed(copy, entries)

    def clear_answer(self, bundle: Mapping[str, Any], before: Mapping[str, Any]) -> Cleared:
        """A person's answer to the Task `before`, ready to be sent. Raises WriteRefused.

        A door of its own: what passes here never passes `clear`, and nothing the service decides comes this way.
        """
        copy, entries = _opened(bundle)
        allowed = self._allowed.get("Task")
        if allowed is None or not allowed.answers:
            raise WriteRefused("write gate: answers may not be written")
        for index, entry in enumerate(entries):
            self._check_entry(entry, f"entry[{index}]", answers=allowed.answers)
        check_answer(entries, before, statuses=allowed.answers, touched=allowed.answered, site=self._site)
        return _sealed(copy, entries)

    def _check_entry(self, entry: Json, where: str, *, answers: frozenset[str] = frozenset()) -> None:
        require(entry.keys() <= _ENTRY, where, "an unexpected element")
        request = an_object(entry.get("request"), f"{where}.request")
        resource = an_object(entry.get("resource"), f"{where}.resource")
        address = a_text(entry.get("fullUrl"), f"{where}.fullUrl")
        require(bool(_ADDRESS.fullmatch(address)), f"{where}.fullUrl", "no urn:uuid")
        name = a_text(resource.get("resourceType"), f"{where}.resourceType")
        require(name in self._allowed, where, "a type that may not be written")
        allowed = self._allowed[name]
        method = a_text(request.get("method"), f"{where}.request.method")
        require(method in allowed.statuses, where, "a method that may not be used")
        require(request.keys() <= _REQUEST[method], f"{where}.request", "an unexpected element")
        if answers and name == "Task":
            require(method == "PUT", where, "an answer to nothing")
            allowed = replace(allowed, statuses={"PUT": answers})
        if name == "Subscription":
            self._check_hook(resource, request, method, allowed, where)
            return
        match method:
            case "POST":
                self._check_create(request, resource, name, where)
            case "PUT":
                _check_update(request, resource, name, where)
        self._check_resource(resource, name, method, allowed, where)

    def _check_hook(self, resource: Json, request: Json, method: str, allowed: Allowed, where: str) -> None:
        hook = self._hook
        if hook is None:
            raise WriteRefused(f"write gate, {where}: the settings name no endpoint of ours")
        if method == "PUT":
            _check_update(request, resource, "Subscription", where)
        else:
            require(request.get("url") == "Subscription", f"{where}.request.url", "not the resource's type")
            require("id" not in resource, f"{where}.resource.id", "the server's to choose")
        check_subscription(resource, request, method, allowed, hook, f"{where}.Subscription")
        validate("Subscription", resource, where)

    def _check_create(self, request: Json, resource: Json, name: str, where: str) -> None:
        require(request.get("url") == name, f"{where}.request.url", "not the resource's type")
        require("id" not in resource, f"{where}.resource.id", "the server's to choose")
        if name not in _KIND:
            require("ifNoneExist" not in request, f"{where}.request", "an unexpected condition")
            return
        # Without this very condition a repeated write would leave the same suggestion twice.
        identifier = f"{self._system(name)}|{self._identifier(resource, name, where)}"
        condition = request.get("ifNoneExist")
        require(condition == f"identifier={identifier}", f"{where}.request.ifNoneExist", "not its identifier")

    def _system(self, name: str) -> str:
        return self._site.identifiers(_KIND[name])

    def _identifier(self, resource: Json, name: str, where: str) -> str:
        match resource.get("identifier"):
            case [{"system": str(system), "value": str(value)}] if system == self._system(name):
                require(Identity.parse(value) is not None, f"{where}.identifier", "not one of ours")
                return value
        raise WriteRefused(f"write gate, {where}.identifier: not exactly one of ours")

    def _check_resource(self, resource: Json, name: str, method: str, allowed: Allowed, where: str) -> None:
        where = f"{where}.{name}"
        require(resource.keys() <= allowed.elements, where, "an element that may not be sent")
        for element, value in resource.items():
            if element != "resourceType":
                check_plain(value, f"{where}.{element}")
        self._check_states(resource, name, method, allowed, where)
        self._check_codes(resource, where)
        self._check_meaning(resource, name, where)
        self._check_extensions(resource.get("extension", []), where)
        validate(name, resource, where)

    def _check_states(self, resource: Json, name: str, method: str, allowed: Allowed, where: str) -> None:
        """The required bindings of R4, which the library does not check, narrowed to what we may write."""
        if name not in _KIND:
            return
        self._identifier(resource, name, where)
        status = a_text(resource.get("status"), f"{where}.status")
        require(status in allowed.statuses[method], f"{where}.status", "not allowed")
        priority = a_text(resource.get("priority"), f"{where}.priority")
        require(priority in PRIORITIES, f"{where}.priority", "not an R4 priority")
        if name == "Task":
            intent = a_text(resource.get("intent"), f"{where}.intent")
            require(intent in allowed.intents, f"{where}.intent", "not allowed")
            authored, modified = (
                instant_of(a_text(resource.get(element), f"{where}.{element}"))
                for element in ("authoredOn", "lastModified")
            )
            in_order = authored is not None and modified is not None and authored <= modified
            require(in_order, f"{where}.lastModified", "no instant, or before it was authored")  # R4 inv-1

    def _check_codes(self, node: Any, where: str) -> None:
        """Every coding in one of our systems holds a code of that system."""
        if isinstance(node, list):
            for item in node:
                self._check_codes(item, where)
        if isinstance(node, dict):
            system, ours = node.get("system"), self._site.system("")
            if isinstance(system, str) and system.startswith(ours) and "code" in node:
                require(_is_ours(system.removeprefix(ours), node["code"]), where, "an unknown code of ours")
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
                require(len(told) == len(codes["advice"]) == 1, f"{where}.code", "no advice of ours")
            case "CommunicationRequest":
                found: set[str] = set()
                for category in a_list(resource.get("category", []), f"{where}.category"):
                    found |= self._codes(category, "notice", "gap-stage")["notice"]
                require(len(found) == 1, f"{where}.category", "no notice of ours")

    def _codes(self, concept: Any, *names: str) -> dict[str, set[str]]:
        """The codes of a CodeableConcept by system. Refuses a coding of any system but these of ours."""
        found: dict[str, set[str]] = {name: set() for name in names}
        codings = concept.get("coding") if isinstance(concept, dict) else None
        for coding in codings if isinstance(codings, list) else ():
            coding = an_object(coding, "coding")
            system, code = coding.get("system"), coding.get("code")
            name = next((name for name in names if system == self._site.system(name)), None)
            if name is None or not isinstance(code, str):
                raise WriteRefused("write gate: a code of another system where only ours may stand")
            found[name].add(code)
        return found

    def _check_extensions(self, extensions: Any, where: str) -> None:
        ours = {self._site.extension(kind) for kind in _EXTENSIONS}
        for extension in a_list(extensions, f"{where}.extension"):
            fine = an_object(extension, f"{where}.extension").keys() == {"url", "valueString"}
            url = a_text(extension.get("url"), f"{where}.extension.url")
            require(fine and url in ours, f"{where}.extension", "not one of ours")


def _opened(bundle: Mapping[str, Any] | BaseModel) -> tuple[Json, list[Json]]:
    """A copy of the Bundle as the wire would carry it, and its entries."""
    copy = copied(bundle)
    require(copy.keys() <= _BUNDLE, "Bundle", "an unexpected element")
    require(copy.get("resourceType") == "Bundle", "Bundle", "no Bundle")
    require(copy.get("type") == "transaction", "Bundle.type", "not a transaction")
    return copy, [an_object(e, "Bundle.entry") for e in a_list(copy.get("entry", []), "Bundle.entry")]


def _sealed(copy: Json, entries: list[Json]) -> Cleared:
    """The bytes that were checked, once what holds between the entries holds too."""
    _check_addresses(entries)
    validate("Bundle", copy, "Bundle")
    return Cleared(json.dumps(copy, ensure_ascii=False, separators=(",", ":")).encode())


def _check_update(request: Json, resource: Json, name: str, where: str) -> None:
    identity = a_text(resource.get("id"), f"{where}.resource.id")
    require(bool(_ID.fullmatch(identity)), f"{where}.resource.id", "no id")
    require(request.get("url") == f"{name}/{identity}", f"{where}.request.url", "not the resource's address")
    # Without If-Match an update could overwrite what a person has just written.
    match = a_text(request.get("ifMatch"), f"{where}.request.ifMatch")
    require(bool(_ETAG.fullmatch(match)), f"{where}.request.ifMatch", "no ETag")


def _check_addresses(entries: list[Json]) -> None:
    """Each resource once, every temporary address resolved, and a Provenance for everything written."""
    written = [address_of(entry) for entry in entries]
    for addresses in (written, [entry["fullUrl"] for entry in entries]):
        require(len(set(addresses)) == len(addresses), "Bundle.entry", "the same resource twice")
    explained: set[str | None] = set()
    for entry in entries:
        for reference in _references(entry["resource"]):
            require(
                not reference.startswith("urn:") or reference in written,
                "Bundle.entry",
                "a reference to nothing in the Bundle",
            )
        if entry["resource"]["resourceType"] == "Provenance":
            explained |= {target.get("reference") for target in entry["resource"]["target"]}
    suggestions = {
        address
        for address, entry in zip(written, entries, strict=True)
        if entry["resource"]["resourceType"] not in _UNEXPLAINED
    }
    require(suggestions == explained, "Bundle.entry", "not explained by exactly its Provenance")


def _references(node: Any) -> list[str]:
    if isinstance(node, list):
        return [found for item in node for found in _references(item)]
    if isinstance(node, dict):
        own = [node["reference"]] if isinstance(node.get("reference"), str) else []
        return own + [found for item in node.values() for found in _references(item)]
    return []


def _is_ours(name: str, code: Any) -> bool:
    if not isinstance(code, str):
        return False
    if name == "rule":
        return _RULE.fullmatch(code) is not None
    return name in ENUMS and any(code == member.value for member in ENUMS[name])
