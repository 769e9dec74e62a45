"""The gate and Subscriptions: only to our own endpoint, as the settings name it, and only of our fixed list."""

import copy
import json
from collections.abc import Callable
from datetime import datetime
from typing import Any

import pytest

from andante.errors import InputError, WriteRefused
from andante.writeback.allowlist import load_allowlist
from andante.writeback.gate import Gate
from andante.writeback.hooks import CRITERIA, HookSite, bundle_of, create_entry, subscription, update_entry
from andante.writeback.site import Site
from andante.writeback.writer import transaction_bundle
from builders import an_assessment

Json = dict[str, Any]
Change = Callable[[Json], None]
NOW = datetime.fromisoformat("2031-03-27T06:30:00+00:00")
PLAIN = HookSite(address="https://andante.example/notify", secret="a-secret-of-the-site-0001", content="full-resource")
BY_TOPIC = HookSite(address=PLAIN.address, secret=PLAIN.secret, topic="https://server.example/SubscriptionTopic/charts")
GATES = {site: Gate(Site(), hook=site) for site in (PLAIN, BY_TOPIC)}


def a_create(site: HookSite, name: str | None = None) -> Json:
    return bundle_of([create_entry(subscription(site, name or site.names[0], now=NOW))])


def an_update(site: HookSite, status: str = "requested") -> Json:
    body = subscription(site, site.names[0], now=NOW, status=status)
    return bundle_of([update_entry(body, ident="7", etag='W/"3"')])


@pytest.mark.parametrize("site", GATES)
def test_what_we_build_passes_as_it_was(site: HookSite) -> None:
    for bundle in (*(a_create(site, name) for name in site.names), an_update(site), an_update(site, "off")):
        assert json.loads(GATES[site].clear(bundle).body) == bundle


def test_without_an_endpoint_in_the_settings_no_subscription_passes() -> None:
    for allowed in (None, load_allowlist(hooks=True)):
        with pytest.raises(WriteRefused):
            Gate(Site(), allowed).clear(a_create(PLAIN))


def change(*path: Any, to: Any) -> Change:
    def act(bundle: Json) -> None:
        node: Any = bundle["entry"][0]
        for part in path[:-1]:
            node = node[part]
        node[path[-1]] = to

    return act


def drop(*path: Any) -> Change:
    def act(bundle: Json) -> None:
        node: Any = bundle["entry"][0]
        for part in path[:-1]:
            node = node[part]
        del node[path[-1]]

    return act


R, C = ("resource",), ("resource", "channel")
SECRET = [f"Authorization: Bearer {PLAIN.secret}"]
SPOILT: list[tuple[str, HookSite, Change]] = [
    ("another endpoint", PLAIN, change(*C, "endpoint", to="https://elsewhere.example/notify/laboratory")),
    ("an endpoint that begins like ours", PLAIN, change(*C, "endpoint", to=f"{PLAIN.address}.evil.example/laboratory")),
    ("an endpoint below ours", PLAIN, change(*C, "endpoint", to=f"{PLAIN.address}/x/laboratory")),
    ("an endpoint with a query", PLAIN, change(*C, "endpoint", to=f"{PLAIN.address}/laboratory?to=elsewhere")),
    ("no endpoint", PLAIN, drop(*C, "endpoint")),
    ("an e-mail", PLAIN, change(*C, "type", to="email")),
    ("a websocket", PLAIN, change(*C, "type", to="websocket")),
    ("another secret", PLAIN, change(*C, "header", to=["Authorization: Bearer another"])),
    ("another header", PLAIN, change(*C, "header", to=[*SECRET, "X-Other: 1"])),
    ("no secret", PLAIN, drop(*C, "header")),
    ("XML", PLAIN, change(*C, "payload", to="application/fhir+xml")),
    ("everything about everybody", PLAIN, change(*R, "criteria", to="Patient?")),
    ("criteria wider than ours", PLAIN, change(*R, "criteria", to="Observation?")),
    ("criteria with something appended", PLAIN, change(*R, "criteria", to="Encounter?_include=*")),
    ("a topic that the settings do not name", PLAIN, change(*R, "criteria", to=BY_TOPIC.topic)),
    ("another topic", BY_TOPIC, change(*R, "criteria", to="https://server.example/SubscriptionTopic/other")),
    ("plain criteria where a topic is named", BY_TOPIC, change(*R, "criteria", to="Encounter?")),
    ("status active", PLAIN, change(*R, "status", to="active")),
    ("status error", PLAIN, change(*R, "status", to="error")),
    ("created as off", PLAIN, change(*R, "status", to="off")),
    ("no status", PLAIN, drop(*R, "status")),
    ("no end", PLAIN, drop(*R, "end")),
    ("an end that is no instant", PLAIN, change(*R, "end", to="tomorrow")),
    ("an id of our choice", PLAIN, change(*R, "id", to="7")),
    ("a contact", PLAIN, change(*R, "contact", to=[{"value": "1"}])),
    ("something contained", PLAIN, change(*R, "contained", to=[{"resourceType": "Patient"}])),
    ("an extension at the top", PLAIN, change(*R, "extension", to=[{"url": "x", "valueString": "y"}])),
    ("a filter beside the criteria", PLAIN, change(*R, "_criteria", to={"extension": []})),
    ("a profile where no topic is", PLAIN, change(*R, "meta", to={"profile": ["x"]})),
    ("a tag", BY_TOPIC, change(*R, "meta", "tag", to=[{"code": "x"}])),
    ("backport extensions without a topic", PLAIN, change(*C, "extension", to=[{"url": "x", "valueUnsignedInt": 1}])),
    ("an unknown extension", BY_TOPIC, change(*C, "extension", 0, "url", to="https://elsewhere.example/x")),
    ("an extension of another kind", BY_TOPIC, change(*C, "extension", 0, to={"url": "x", "valueString": "x"})),
    ("a heartbeat of no seconds", BY_TOPIC, change(*C, "extension", 0, "valueUnsignedInt", to=0)),
    ("a heartbeat that is true", BY_TOPIC, change(*C, "extension", 0, "valueUnsignedInt", to=True)),
    ("a content we do not know", BY_TOPIC, change(*C, "_payload", "extension", 0, "valueCode", to="everything")),
    ("no content", BY_TOPIC, drop(*C, "_payload")),
    ("more than the content", BY_TOPIC, change(*C, "_payload", "id", to="x")),
    ("no condition", PLAIN, drop("request", "ifNoneExist")),
    ("another condition", PLAIN, change("request", "ifNoneExist", to="url=https://elsewhere.example")),
    ("another type's address", PLAIN, change("request", "url", to="Task")),
    ("a delete", PLAIN, change("request", "method", to="DELETE")),
    ("no reason", PLAIN, drop(*R, "reason")),
]


@pytest.mark.parametrize(("what", "site", "spoil"), SPOILT, ids=[row[0] for row in SPOILT])
def test_nothing_else_passes(what: str, site: HookSite, spoil: Change) -> None:
    bundle = copy.deepcopy(a_create(site))
    spoil(bundle)
    with pytest.raises(WriteRefused) as refused:
        GATES[site].clear(bundle)
    assert PLAIN.secret not in str(refused.value)


@pytest.mark.parametrize(
    "spoil",
    [
        drop("request", "ifMatch"),
        change("request", "ifMatch", to="*"),
        change("request", "url", to="Subscription/8"),
        change("request", "url", to="Task/7"),
        change(*R, "status", to="active"),
    ],
)
def test_an_update_is_of_one_version_of_one_resource(spoil: Change) -> None:
    bundle = an_update(PLAIN)
    spoil(bundle)
    with pytest.raises(WriteRefused):
        GATES[PLAIN].clear(bundle)


def test_no_subscription_hides_among_suggestions() -> None:
    suggestion, hook = transaction_bundle(an_assessment()), a_create(PLAIN)
    GATES[PLAIN].clear(suggestion)
    mixed = {**suggestion, "entry": [*suggestion["entry"], *hook["entry"]]}
    with pytest.raises(WriteRefused, match="beside something else"):
        GATES[PLAIN].clear(mixed)


@pytest.mark.parametrize(
    "text",
    [
        '[Subscription]\nPOST = ["active"]\nelements = []',
        '[Subscription]\ncriteria = ["Patient?"]\nelements = []',
        '[Subscription]\nelements = ["contained"]',
        '[Task]\ncriteria = ["Encounter?"]\nelements = []',
    ],
)
def test_a_file_cannot_widen_the_list(tmp_path: Any, text: str) -> None:
    path = tmp_path / "list.toml"
    path.write_text(text)
    with pytest.raises(InputError):
        load_allowlist(path, hooks=True)


def test_a_site_may_narrow_the_criteria(tmp_path: Any) -> None:
    path = tmp_path / "list.toml"
    elements = sorted(load_allowlist(hooks=True)["Subscription"].elements)
    head = ("[Subscription]", 'POST = ["requested"]', 'criteria = ["Encounter?"]')
    lines = [*head, f"elements = {json.dumps(elements)}"]
    path.write_text("\n".join(lines))
    gate = Gate(Site(), load_allowlist(path, hooks=True), hook=PLAIN)
    gate.clear(a_create(PLAIN, "encounters"))
    for name in CRITERIA.keys() - {"encounters"}:
        with pytest.raises(WriteRefused):
            gate.clear(a_create(PLAIN, name))
