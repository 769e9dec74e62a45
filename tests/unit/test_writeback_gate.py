"""The gate: one row for each way somebody could try to get something else through it."""

import copy
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fhir.resources.R4B.bundle import Bundle

from andante.errors import InputError, WriteRefused
from andante.shared_files import shared
from andante.writeback.allowlist import load_allowlist
from andante.writeback.gate import Gate
from andante.writeback.site import Site
from andante.writeback.writer import InboxWriter, transaction_bundle
from builders import a_notice, an_assessment
from inbox_server import InboxServer

SITE = Site()
GATE = Gate(SITE)
Json = dict[str, Any]


def a_create() -> Json:
    """Task, CommunicationRequest and Provenance, all new."""
    return transaction_bundle(an_assessment(notices=(a_notice(),)), SITE)


async def an_update() -> Json:
    """A Task cancelled, a new one, their Provenance."""
    server = InboxServer()
    writer = InboxWriter(site=SITE, gate=GATE, server=server, read_inbox=server.read_inbox)
    await writer.deliver(an_assessment(), server.inbox())
    await writer.deliver(an_assessment(encounter="Encounter/e2"), server.inbox())
    return server.sent[-1]


def test_what_we_build_passes_and_arrives_as_it_was() -> None:
    bundle = a_create()
    assert json.loads(GATE.clear(bundle).body) == bundle
    assert json.loads(GATE.clear(Bundle.model_validate(bundle)).body)["type"] == "transaction"


def _set(*path: Any, to: Any) -> Callable[[Json], None]:
    def change(bundle: Json) -> None:
        node: Any = bundle
        for part in path[:-1]:
            node = node[part]
        node[path[-1]] = to

    return change


def _drop(*path: Any) -> Callable[[Json], None]:
    def change(bundle: Json) -> None:
        node: Any = bundle
        for part in path[:-1]:
            node = node[part]
        del node[path[-1]]

    return change


def _both(*changes: Callable[[Json], None]) -> Callable[[Json], None]:
    def change(bundle: Json) -> None:
        for each in changes:
            each(bundle)

    return change


def _add_entry(method: str, url: str, resource: Json | None) -> Callable[[Json], None]:
    def change(bundle: Json) -> None:
        entry: Json = {"request": {"method": method, "url": url}}
        if resource is not None:
            entry["resource"] = resource
        bundle["entry"].append(entry)

    return change


TASK, NOTICE, PROVENANCE = (("entry", index, "resource") for index in range(3))
REQUEST = ("entry", 0, "request")
ORDER = {
    "resourceType": "NutritionOrder",
    "status": "active",
    "intent": "order",
    "patient": {"reference": "Patient/p1"},
    "dateTime": "2026-11-25",
}

CREATES = [
    ("an order", _add_entry("POST", "NutritionOrder", ORDER)),
    *(
        (f"an order as a {kind}", _add_entry("POST", kind, ORDER | {"resourceType": kind}))
        for kind in ("ServiceRequest", "MedicationRequest", "MedicationAdministration", "RequestGroup")
    ),
    ("an order under a Task's address", _add_entry("POST", "Task", ORDER)),
    ("an order in a Task's place", _set(*TASK, to=ORDER)),
    ("a Task under an order's address", _set(*REQUEST, "url", to="NutritionOrder")),
    ("a nested Bundle", _add_entry("POST", "", {"resourceType": "Bundle", "type": "transaction"})),
    ("a delete", _add_entry("DELETE", "Task/1", None)),
    ("a read", _add_entry("GET", "Patient/p1", None)),
    ("a patch", _add_entry("PATCH", "Task/1", {"resourceType": "Parameters"})),
    ("a patch in a Binary", _add_entry("PATCH", "Task/1", {"resourceType": "Binary", "contentType": "x"})),
    ("a method in small letters", _set(*REQUEST, "method", to="post")),
    ("no method", _drop(*REQUEST, "method")),
    ("no request", _drop("entry", 0, "request")),
    ("an absolute address", _set(*REQUEST, "url", to="https://fhir.example.org/Task")),
    ("another host", _set(*REQUEST, "url", to="//evil.example/Task")),
    ("a leading slash", _set(*REQUEST, "url", to="/Task")),
    ("a trailing slash", _set(*REQUEST, "url", to="Task/")),
    ("a query", _set(*REQUEST, "url", to="Task?_format=xml")),
    ("a fragment", _set(*REQUEST, "url", to="Task#x")),
    ("a path upwards", _set(*REQUEST, "url", to="Task/../NutritionOrder")),
    ("an escaped path", _set(*REQUEST, "url", to="Task%2F..%2FNutritionOrder")),
    ("another case", _set(*REQUEST, "url", to="task")),
    ("a blank at the end", _set(*REQUEST, "url", to="Task ")),
    ("a line break at the end", _set(*REQUEST, "url", to="Task\n")),
    ("an operation", _set(*REQUEST, "url", to="Task/$process")),
    ("an id with a create", _set(*TASK, "id", to="1")),
    ("another resource type in another case", _set(*TASK, "resourceType", to="TASK")),
    ("no resource type", _drop(*TASK, "resourceType")),
    ("a batch", _set("type", to="batch")),
    ("a history", _set("type", to="history")),
    ("a Bundle with links", _set("link", to=[{"relation": "next", "url": "https://x"}])),
    ("a signed Bundle", _set("signature", to={})),
    ("an entry with a link", _set("entry", 0, "link", to=[{"relation": "self", "url": "https://x"}])),
    ("no condition on a create", _drop(*REQUEST, "ifNoneExist")),
    ("another condition on a create", _set(*REQUEST, "ifNoneExist", to="status=requested")),
    ("a wider condition on a create", _set(*REQUEST, "ifNoneExist", to="identifier=")),
    ("If-Modified-Since", _set(*REQUEST, "ifModifiedSince", to="2026-11-25T06:30:00Z")),
    ("If-Match on a create", _set(*REQUEST, "ifMatch", to='W/"1"')),
    ("no temporary address", _drop("entry", 0, "fullUrl")),
    ("a real address as temporary one", _set("entry", 0, "fullUrl", to="https://x/Task/1")),
    ("the same address twice", lambda b: b["entry"][1].update(fullUrl=b["entry"][0]["fullUrl"])),
    ("the same entry twice", lambda b: b["entry"].append(copy.deepcopy(b["entry"][0]))),
    ("a contained order", _set(*TASK, "contained", to=[ORDER])),
    ("an order deep inside", _set(*TASK, "restriction", to={"period": ORDER})),
    ("a modifier extension", _set(*TASK, "modifierExtension", to=[{"url": "https://x", "valueBoolean": True}])),
    ("a deep modifier extension", _set(*TASK, "code", "modifierExtension", to=[{"url": "https://x"}])),
    (
        "a modifier extension where R4 allows one",
        _set(*TASK, "restriction", "modifierExtension", to=[{"url": "https://x", "valueBoolean": True}]),
    ),
    ("implicit rules", _set(*TASK, "implicitRules", to="https://x")),
    ("an extension on a Task", _set(*TASK, "extension", to=[{"url": "https://x", "valueString": "y"}])),
    ("a deep extension", _set(*TASK, "code", "extension", to=[{"url": "https://x", "valueString": "y"}])),
    ("somebody's extension on a notice", _set(*NOTICE, "extension", 0, "url", to="https://x")),
    ("an extension of a primitive", _set(*TASK, "_status", to={"extension": [{"url": "https://x"}]})),
    ("a deep extension of a primitive", _set(*TASK, "code", "_text", to={"id": "x"})),
    ("a status of people's", _set(*TASK, "status", to="accepted")),
    ("a completed Task", _set(*TASK, "status", to="completed")),
    ("a Task born cancelled", _set(*TASK, "status", to="cancelled")),
    ("an invented status", _set(*TASK, "status", to="bogus")),
    ("a status in a list", _set(*TASK, "status", to=["requested"])),
    ("no status", _drop(*TASK, "status")),
    ("an order as intent", _set(*TASK, "intent", to="order")),
    ("a plan as intent", _set(*TASK, "intent", to="plan")),
    ("no intent", _drop(*TASK, "intent")),
    ("an invented priority", _set(*TASK, "priority", to="now")),
    ("no priority", _drop(*TASK, "priority")),
    ("a notice of people's status", _set(*NOTICE, "status", to="completed")),
    ("a notice born revoked", _set(*NOTICE, "status", to="revoked")),
    ("a notice with an invented priority", _set(*NOTICE, "priority", to="high")),
    ("a status on a Provenance", _set(*PROVENANCE, "status", to="active")),
    ("another code system's Task", _set(*TASK, "code", "coding", 0, "system", to="http://hl7.org/fhir/CodeSystem/task-code")),
    ("one more code that says fulfil", lambda b: b["entry"][0]["resource"]["code"]["coding"].append(
        {"system": "http://hl7.org/fhir/CodeSystem/task-code", "code": "fulfill"})),
    ("an unknown advice", _set(*TASK, "code", "coding", 0, "code", to="stop-everything")),
    ("an advice that is never written", _set(*TASK, "code", "coding", 0, "code", to="stood-down")),
    ("no code", _drop(*TASK, "code")),
    ("an unknown notice", _set(*NOTICE, "category", 0, "coding", 0, "code", to="order")),
    ("a notice without category", _drop(*NOTICE, "category")),
    ("an unknown role", _set(*TASK, "performerType", 0, "coding", 0, "code", to="robot")),
    ("an unknown system of ours", _set(*TASK, "performerType", 0, "coding", 0, "system", to=SITE.system("other"))),
    ("a Task based on an order", _set(*TASK, "basedOn", to=[{"reference": "NutritionOrder/1"}])),
    ("a Task with output", _set(*TASK, "output", to=[{"type": {"text": "x"}, "valueString": "y"}])),
    ("a notice based on an order", _set(*NOTICE, "basedOn", to=[{"reference": "NutritionOrder/1"}])),
    ("a notice that is scheduled", _set(*NOTICE, "occurrenceDateTime", to="2026-11-26")),
    ("no identifier", _drop(*TASK, "identifier")),
    (
        "two identifiers",
        lambda b: b["entry"][0]["resource"]["identifier"].append({"system": "https://x", "value": "y"}),
    ),
    ("an identifier of another system", _set(*TASK, "identifier", 0, "system", to="https://x")),
    ("an identifier of another form", _set(*TASK, "identifier", 0, "value", to="7")),
    ("modified before it was authored", _set(*TASK, "lastModified", to="2026-11-25T06:29:59Z")),
    ("an authoring date without time", _set(*TASK, "authoredOn", to="2026-11-25")),
    ("an unknown element", _set(*TASK, "orderNow", to=True)),
    ("an unknown deep element", _set(*TASK, "code", "orderNow", to=True)),
    ("an empty element", _set(*TASK, "note", to=[])),
    ("an empty text", _set(*TASK, "description", to="")),
    ("a number where none is written", _set(*TASK, "restriction", "repetitions", to=1.5)),
    ("two values in one input", _set(*TASK, "input", 0, "valueBoolean", to=True)),
    ("a payload without content", _set(*NOTICE, "payload", 0, to={"id": "x"})),
    ("no Provenance", _drop("entry", 2)),
    ("a Provenance of something else", _set(*PROVENANCE, "target", to=[{"reference": "NutritionOrder/1"}])),
    ("a Provenance of more", lambda b: b["entry"][2]["resource"]["target"].append({"reference": "NutritionOrder/1"})),
    ("a Provenance without target", _drop(*PROVENANCE, "target")),
    ("a reference to nothing in the Bundle", _set(*TASK, "focus", "reference", to="urn:uuid:" + "0" * 8)),
]  # fmt: skip


@pytest.mark.parametrize(("what", "change"), CREATES, ids=[what for what, _ in CREATES])
def test_the_gate_stops(what: str, change: Callable[[Json], None]) -> None:
    bundle = a_create()
    change(bundle)
    with pytest.raises(WriteRefused):
        GATE.clear(bundle)


PUT = ("entry", 0, "request")
UPDATES = [
    ("an update without If-Match", _drop(*PUT, "ifMatch")),
    ("an update of any version", _set(*PUT, "ifMatch", to="*")),
    ("an update with an empty ETag", _set(*PUT, "ifMatch", to='""')),
    ("an update of another id", _set(*PUT, "url", to="Task/999")),
    ("an update by search", _set(*PUT, "url", to="Task?identifier=x")),
    ("an update of a version", _set(*PUT, "url", to="Task/1/_history/1")),
    ("an update without an address", _drop("entry", 0, "fullUrl")),
    ("an update under another address", _set("entry", 0, "fullUrl", to="https://x/Task/1")),
    ("an update under the address of another", lambda b: b["entry"][0].update(fullUrl=b["entry"][1]["fullUrl"])),
    ("an update with a condition to create", _set(*PUT, "ifNoneExist", to="identifier=x")),
    ("an id that leads upwards", _both(_set("entry", 0, "resource", "id", to=".."), _set(*PUT, "url", to="Task/.."))),
    ("an update of a Provenance", lambda b: b["entry"][2]["request"].update(method="PUT", url="Provenance/1")),
    ("a person's decision", _set("entry", 0, "resource", "status", to="rejected")),
    ("an unknown reason", _set("entry", 0, "resource", "statusReason", "coding", 0, "code", to="because")),
]  # fmt: skip


@pytest.mark.parametrize(("what", "change"), UPDATES, ids=[what for what, _ in UPDATES])
async def test_the_gate_stops_on_updates(what: str, change: Callable[[Json], None]) -> None:
    bundle = await an_update()
    assert bundle["entry"][0]["request"]["method"] == "PUT"
    GATE.clear(bundle)
    change(bundle)
    with pytest.raises(WriteRefused):
        GATE.clear(bundle)


@pytest.mark.parametrize(
    "thing",
    [{}, {"resourceType": "Bundle"}, {"a": float("nan")}, {"a": {1, 2}}, {"a": b"x"}, {"a": "\ud800"}, {1: 2}],
    ids=str,
)
def test_what_is_no_transaction_at_all_is_stopped(thing: Any) -> None:
    with pytest.raises(WriteRefused):
        GATE.clear(thing)


def test_a_bundle_nested_without_end_is_stopped() -> None:
    bundle = a_create()
    node: Json = {}
    for _ in range(5000):
        node = {"a": node}
    bundle["entry"][0]["resource"]["note"] = node
    with pytest.raises(WriteRefused):
        GATE.clear(bundle)


def test_a_bundle_that_is_absurdly_large_is_stopped() -> None:
    bundle = a_create()
    bundle["entry"][0]["resource"]["description"] = "x" * (9 * 1024 * 1024)
    with pytest.raises(WriteRefused, match="too large"):
        GATE.clear(bundle)


def test_what_was_checked_is_what_is_sent() -> None:
    class Changing(dict[str, Any]):
        """Shows an innocent method when looked at, and another one when iterated."""

        def get(self, key: str, default: Any = None) -> Any:
            return "POST" if key == "method" else super().get(key, default)

    bundle = a_create()
    bundle["entry"][0]["request"] = Changing(bundle["entry"][0]["request"], method="DELETE")
    with pytest.raises(WriteRefused):
        GATE.clear(bundle)


def test_keys_that_become_one_on_the_wire_are_sent_once() -> None:
    bundle = a_create()
    request = bundle["entry"][0]["request"]
    request[None] = "x"  # becomes the key "null"
    with pytest.raises(WriteRefused):
        GATE.clear(bundle)


def test_messages_hold_nothing_of_the_patient() -> None:
    for _, change in CREATES:
        bundle = a_create()
        bundle["entry"][0]["resource"]["description"] = "SECRET-NAME"
        change(bundle)
        with pytest.raises(WriteRefused) as refused:
            GATE.clear(bundle)
        assert "SECRET" not in str(refused.value)
        assert "p1" not in str(refused.value)
        assert "phosphate" not in str(refused.value)


# ---------------------------------------------------------------- the allow-list file


def test_the_allow_list_names_its_types_and_their_specification() -> None:
    assert set(load_allowlist()) == {"Task", "CommunicationRequest", "Provenance"}
    assert set(load_allowlist(hooks=True)) == {"Task", "CommunicationRequest", "Provenance", "Subscription"}
    text = shared("write-allowlist.toml").read_text()
    assert text.count('spec = "https://hl7.org/fhir/R4/') == 4


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ('[NutritionOrder]\nPOST = ["active"]\nelements = []', "may never be written"),
        ('[Task]\nPOST = ["accepted"]\nelements = []', "wider"),
        ('[Task]\nPUT = ["requested", "completed"]\nelements = []', "wider"),
        ('[Task]\nintent = ["order"]\nelements = []', "wider"),
        ("[Task]\nDELETE = []\nelements = []", "unknown entry"),
        ("[Provenance]\nPUT = []\nelements = []", "wider"),
        ('[Task]\nPOST = "requested"\nelements = []', "a list of names"),
        ('[Task]\nPOST = ["requested"]\nelements = ["basedOn"]', "may never be sent"),
        ('[Task]\nPOST = ["requested"]', "a list of names"),
        ("[Task", "cannot be read"),
        ("Task = 1", "may never be written"),
    ],
)
def test_a_file_that_is_wider_or_unreadable_stops_the_start(tmp_path: Path, text: str, problem: str) -> None:
    path = tmp_path / "allow.toml"
    path.write_text(text)
    with pytest.raises(InputError, match=problem):
        load_allowlist(path)


def test_a_site_may_narrow_the_list(tmp_path: Path) -> None:
    path = tmp_path / "allow.toml"
    text = shared("write-allowlist.toml").read_text()
    path.write_text(text.replace('POST = ["requested"]', "POST = []"))
    with pytest.raises(WriteRefused):
        Gate(SITE, load_allowlist(path)).clear(a_create())
