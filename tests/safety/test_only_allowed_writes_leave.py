"""Invariant 6: nothing outside the allow-list is ever sent, whatever the input.

The judge here is written apart from the gate and from its data file, so that a hole in either shows.
"""

import ast
import asyncio
import copy
import json
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

import andante
from andante.domain.advice import AdviceCode
from andante.errors import WriteRefused
from andante.writeback.gate import Gate
from andante.writeback.site import Site
from andante.writeback.writer import InboxWriter, transaction_bundle
from builders import a_notice, an_advice, an_assessment
from inbox_server import InboxServer

SITE = Site()
GATE = Gate(SITE)
Json = dict[str, Any]
SERVICE = Path(andante.__path__[0])

MAY_BE_CREATED = {"Task": {"requested"}, "CommunicationRequest": {"active", "draft"}, "Provenance": {None}}
MAY_BE_UPDATED = {"Task": {"requested", "cancelled"}, "CommunicationRequest": {"active", "draft", "revoked"}}


def judge(body: bytes) -> int:
    """Fail unless every entry is one that may leave; the number of entries."""
    bundle = json.loads(body)
    assert (bundle["resourceType"], bundle["type"]) == ("Bundle", "transaction")
    assert bundle.keys() <= {"resourceType", "type", "entry"}
    for entry in bundle.get("entry", []):
        request, resource = entry["request"], entry["resource"]
        name, status = resource["resourceType"], resource.get("status")
        if request["method"] == "POST":
            assert request["url"] == name
            assert status in MAY_BE_CREATED[name]
        else:
            assert request["method"] == "PUT"
            assert re.fullmatch(r"[A-Za-z]+/[A-Za-z0-9\-][A-Za-z0-9\-.]*", request["url"])
            assert request["url"] == f"{name}/{resource['id']}"
            assert request["ifMatch"].strip('W/"')
            assert status in MAY_BE_UPDATED[name]
        if name == "Task":
            assert resource["intent"] == "proposal"
        inside = json.dumps({key: value for key, value in resource.items() if key != "resourceType"})
        assert '"resourceType"' not in inside
        assert '"contained"' not in inside
        assert "odifierExtension" not in inside
    return len(bundle.get("entry", []))


async def _good_bundles() -> list[Json]:
    server = InboxServer()
    writer = InboxWriter(site=SITE, gate=GATE, server=server, read_inbox=server.read_inbox)
    await writer.deliver(an_assessment(notices=(a_notice(),)), server.inbox())
    await writer.deliver(an_assessment(an_advice(AdviceCode.ADVANCE)), server.inbox())
    return server.sent


@pytest.fixture(scope="module")
def good() -> list[Json]:
    """A transaction that creates, and one that also takes back."""
    return asyncio.run(_good_bundles())


ORDER = {"resourceType": "NutritionOrder", "status": "active", "intent": "order", "patient": {"reference": "Patient/1"}}
NASTY = st.sampled_from(
    [
        "POST", "PUT", "DELETE", "PATCH", "GET", "post", "Task", "Task/1", "Task/..", "task", "NutritionOrder",
        "NutritionOrder/1", "MedicationRequest", "Bundle", "https://x.example/Task", "Task?x=y", "../Task", "Task/1?x",
        "transaction", "batch", "requested", "cancelled", "accepted", "active", "revoked", "completed", "proposal",
        "order", "plan", "", None, True, 0, 1.5, [], {}, ORDER, [ORDER], {"resourceType": "Task"}, 'W/"1"', "*",
        "urn:uuid:00000000-0000-0000-0000-000000000000", {"url": "x", "valueBoolean": True},
    ]
)  # fmt: skip
KEYS = st.sampled_from(
    [
        "resource", "request", "method", "url", "resourceType", "contained", "status", "intent", "modifierExtension",
        "extension", "basedOn", "ifMatch", "ifNoneExist", "fullUrl", "entry", "type", "code", "id", "implicitRules",
        "output", "_status", "input",
    ]
)  # fmt: skip


def places(node: Any) -> list[Any]:
    """Every dict and list in a tree."""
    inner = node.values() if isinstance(node, dict) else node if isinstance(node, list) else ()
    own = [node] if isinstance(node, dict | list) else []
    return own + [place for item in inner for place in places(item)]


def spoil(data: st.DataObject, bundle: Json) -> None:
    """Change one thing somewhere."""
    node = data.draw(st.sampled_from(places(bundle)))
    if isinstance(node, list):
        what = data.draw(st.sampled_from(["append", "drop", "double"]))
        if what == "append" or not node:
            node.append(copy.deepcopy(data.draw(NASTY)))
        elif what == "drop":
            node.pop(data.draw(st.integers(0, len(node) - 1)))
        else:
            node.append(copy.deepcopy(data.draw(st.sampled_from(node))))
        return
    key = data.draw(st.one_of(KEYS, st.sampled_from(sorted(node)) if node else KEYS))
    if data.draw(st.booleans()) and key in node:
        del node[key]
    else:
        node[key] = copy.deepcopy(data.draw(NASTY))


@given(data=st.data())
@settings(max_examples=400, deadline=None)
def test_whatever_is_changed_in_a_good_bundle_only_allowed_writes_leave(good: list[Json], data: st.DataObject) -> None:
    bundle = copy.deepcopy(data.draw(st.sampled_from(good)))
    for _ in range(data.draw(st.integers(0, 3))):
        spoil(data, bundle)
    try:
        cleared = GATE.clear(bundle)
    except WriteRefused:
        event("refused")
        return
    event("cleared")
    judge(cleared.body)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20) | NASTY,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS | st.text(max_size=8), inner, max_size=6),
    max_leaves=30,
)


@given(thing=st.dictionaries(KEYS | st.text(max_size=8), JSON, max_size=6))
@settings(max_examples=200, deadline=None)
def test_whatever_is_thrown_at_the_gate_only_allowed_writes_leave(thing: Json) -> None:
    try:
        cleared = GATE.clear(thing)
    except WriteRefused:
        return
    judge(cleared.body)


def test_the_judge_is_not_blind(good: list[Json]) -> None:
    spoilt = copy.deepcopy(good[0])
    spoilt["entry"][0]["resource"]["contained"] = [ORDER]
    with pytest.raises(AssertionError):
        judge(json.dumps(spoilt).encode())
    spoilt = copy.deepcopy(good[0])
    spoilt["entry"].append({"request": {"method": "DELETE", "url": "Task/1"}, "resource": {"resourceType": "Task"}})
    with pytest.raises(AssertionError):
        judge(json.dumps(spoilt).encode())
    assert judge(json.dumps(good[0]).encode()) == 3


@pytest.mark.parametrize("code", list(AdviceCode))
def test_every_advice_leaves_as_allowed_writes_only(code: AdviceCode) -> None:
    judge(json.dumps(transaction_bundle(an_assessment(an_advice(code), notices=(a_notice(),)))).encode())


def _calls(name: str) -> set[str]:
    """The modules of the service in which `name(...)` is called."""
    found = set()
    for path in SERVICE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and name in (getattr(node.func, "id", ""), getattr(node.func, "attr", "")):
                found.add(str(path.relative_to(SERVICE)))
    return found


def test_only_the_gate_makes_what_the_writer_sends() -> None:
    assert _calls("Cleared") == {"writeback/gate.py"}


def test_nothing_else_in_the_service_posts_to_a_fhir_server() -> None:
    client = {path for path in _calls("post") | _calls("put") | _calls("patch") if path.startswith("fhir_http/")}
    assert client <= {"fhir_http/write.py", "fhir_http/auth.py"}


def test_a_dry_run_sends_nothing() -> None:
    """Checked on the wire in the integration tests too; here with a server that must not be called."""

    class Untouchable(InboxServer):
        async def transaction(self, cleared: Any) -> Any:
            raise AssertionError("a dry run wrote")

    server = Untouchable()
    writer = InboxWriter(site=SITE, gate=GATE, server=server, read_inbox=server.read_inbox)
    delivery = asyncio.run(writer.deliver(an_assessment(), server.inbox(), dry_run=True))
    assert delivery.bundle is not None
    assert judge(json.dumps(delivery.bundle).encode()) == 2
