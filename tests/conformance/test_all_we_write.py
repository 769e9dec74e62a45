"""Everything that is written on every story is sound R4 and meets our profiles, by a validator that is not ours.

A story is played three times: each of its rounds into an empty inbox (which is what `andante advise --format fhir`
prints), all its rounds into one inbox that nobody touches, and all into one that people are at. What was asked once
is not asked again: equal transactions and equal resources count once.
"""

import json
from collections.abc import AsyncIterator, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import another_site
import httpx
import pytest
from inbox_rounds import FIXTURES, a_person_at_work, first_bundles, following_bundles, nobody, stories
from profiles import profiles_of, untold
from published_examples import HOOK, HOOK_BY_TOPIC
from validating import Validator

from andante.domain.advice import AdviceCode, GapStage, NoticeCode, Priority, Tell
from andante.fhir_http.connection import Connection, ServerSettings
from andante.sandbox import BASE_PATH, Sandbox
from andante.shared_files import shared
from andante.writeback.allowlist import load_allowlist
from andante.writeback.codes import CancelReason, InputKind
from andante.writeback.gate import Gate
from andante.writeback.hooks import CONTENTS, HookSite, bundle_of, create_entry, subscription, update_entry
from andante.writeback.probe import Probe, task_id
from andante.writeback.site import DEFAULT_BASE, Site
from commands import Shell

Json = dict[str, Any]

STORIES = [story.name for story in stories()]
NOW = datetime.fromisoformat("2031-03-27T06:30:00+00:00")


@dataclass
class Written:
    """Transactions as text, each once, and the resources in them."""

    transactions: dict[str, None] = field(default_factory=dict)
    resources: dict[str, None] = field(default_factory=dict)

    def add(self, bundles: Iterable[Json]) -> "Written":
        for bundle in bundles:
            self.transactions[json.dumps(bundle, ensure_ascii=False)] = None
            for entry in bundle.get("entry", ()):
                self.resources[json.dumps(entry["resource"], ensure_ascii=False)] = None
        return self

    def wrong(self, validator: Validator, base: str = DEFAULT_BASE) -> Iterator[str]:
        for text in (*self.transactions, *self.resources):
            yield from untold(validator.issues(text, *profiles_of(json.loads(text), base)))


def played(name: str, site: Site) -> Written:
    story = FIXTURES / "patients" / name
    written = Written().add(bundle for _, bundle in first_bundles(story, site))
    return written.add(following_bundles(story, site, nobody)).add(following_bundles(story, site, a_person_at_work))


@pytest.fixture(scope="module")
def written() -> dict[str, Written]:
    return {name: played(name, Site()) for name in STORIES}


@pytest.mark.parametrize("name", STORIES)
def test_what_a_story_brings_is_sound(validator: Validator, written: dict[str, Written], name: str) -> None:
    assert written[name].transactions
    assert list(written[name].wrong(validator)) == []


@pytest.fixture(scope="module")
def elsewhere() -> dict[str, Written]:
    """At a site that uses all that a site may decide."""
    return {name: played(name, another_site.SITE) for name in another_site.STORIES}


@pytest.mark.parametrize("name", another_site.STORIES)
def test_what_a_site_decides_keeps_it_sound(validator: Validator, elsewhere: dict[str, Written], name: str) -> None:
    found = elsewhere[name]
    assert found.resources
    assert not [text for text in found.transactions if DEFAULT_BASE in text]
    assert list(found.wrong(validator, another_site.BASE)) == []


def test_all_that_a_site_decides_is_in_what_is_validated(elsewhere: dict[str, Written]) -> None:
    text = "".join(text for found in elsewhere.values() for text in found.resources)
    site = another_site.SITE
    for reference in (*site.recipients.values(), site.ward_recipients["Dunlin Ward"][Tell.DIETITIAN]):
        assert f'"reference": "{reference}"' in text
    assert '"status": "draft"' in text
    assert f'"reference": "{site.escalation[Priority.STAT].to}"' in text
    assert "+05:45" in text


def test_the_stories_bring_every_kind_of_write(written: dict[str, Written]) -> None:
    """So that what is never written here is not taken for sound."""
    entries = [
        entry
        for found in written.values()
        for text in found.transactions
        for entry in json.loads(text).get("entry", ())
    ]
    by_method = {(e["resource"]["resourceType"], e["request"]["method"], e["resource"].get("status")) for e in entries}
    allowed = {
        (kind, method, status)
        for kind, one in load_allowlist().items()
        for method, statuses in one.statuses.items()
        for status in statuses or {None}
    }
    assert allowed - by_method == {  # by a site's setting only, and tried as such above
        ("CommunicationRequest", "POST", "draft"),
        ("CommunicationRequest", "PUT", "draft"),
    }
    codes = set(_codes([entry["resource"] for entry in entries]))
    for system, members in {
        "advice": {code for code in AdviceCode if not code.is_silent},
        "notice": set(NoticeCode),
        "gap-stage": set(GapStage),
        "task-input": set(InputKind),
        "cancel-reason": set(CancelReason) - {CancelReason.DUPLICATE, CancelReason.ANSWERED},  # after a race only
    }.items():
        assert {code for where, code, _ in codes if where == f"{DEFAULT_BASE}/CodeSystem/{system}"} == members
    assert {e["resource"]["priority"] for e in entries if "priority" in e["resource"]} <= set(Priority)


def test_words_beside_a_code_are_those_of_its_code_system(written: dict[str, Written]) -> None:
    """The validator does not compare them."""
    words = {}
    for path in shared("fhir").glob("CodeSystem-*.json"):
        system = json.loads(path.read_text(encoding="utf-8"))
        words |= {(system["url"], concept["code"]): concept["display"] for concept in system["concept"]}
    resources = [json.loads(text) for found in written.values() for text in found.resources]
    said = [(system, code, display) for system, code, display in _codes(resources) if system.startswith(DEFAULT_BASE)]
    assert len(set(said)) > 30
    assert [one for one in said if one[2] not in (None, words[one[0], one[1]])] == []


def _codes(node: Any) -> Iterator[tuple[str, str, str | None]]:
    """System, code and words of every Coding, at any depth."""
    if isinstance(node, list):
        for part in node:
            yield from _codes(part)
    elif isinstance(node, dict):
        if "system" in node and "code" in node:
            yield node["system"], node["code"], node.get("display")
        for part in node.values():
            yield from _codes(part)


@pytest.mark.parametrize("name", ["severe-fall", "not-at-risk", "parenteral"])
def test_what_advise_prints_is_sound(
    validator: Validator, name: str, capfdbinary: pytest.CaptureFixture[bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    chart = FIXTURES / "patients" / name / "chart.json"
    done = Shell(capfdbinary, monkeypatch)("advise", chart, "--now", NOW.isoformat(), "--format", "fhir")
    assert done.status == 0
    printed = [json.loads(line) for line in done.out.splitlines()]
    assert printed
    assert list(Written().add(printed).wrong(validator)) == []


@pytest.mark.parametrize("content", sorted(CONTENTS))
@pytest.mark.parametrize("site", [HOOK, HOOK_BY_TOPIC], ids=["by-criteria", "by-topic"])
def test_our_subscriptions_are_sound(validator: Validator, site: HookSite, content: str) -> None:
    site = HookSite(address=site.address, secret=site.secret, topic=site.topic, content=content)
    for name in site.names:
        created = subscription(site, name, now=NOW)
        ended = subscription(site, name, now=NOW, status="off")
        for body in (created, ended, {**created, "id": "7"}):
            assert untold(validator.issues(body, *profiles_of(body))) == []
        for entry in (create_entry(created), update_entry(ended, ident="7", etag='W/"3"')):
            assert untold(validator.issues(bundle_of([entry]))) == []


@pytest.fixture
async def probed() -> AsyncIterator[tuple[Probe, list[Json]]]:
    """A probe of a server's writing, and the transactions that it sends."""
    sandbox, sent = Sandbox(now=lambda: NOW), []
    inside = httpx.ASGITransport(sandbox.app)

    async def handle(request: httpx.Request) -> httpx.Response:
        sent.append(json.loads(request.content))
        return await inside.handle_async_request(request)

    server = ServerSettings(base=f"http://sandbox.example{BASE_PATH}")
    async with Connection(server, transport=httpx.MockTransport(handle)) as connection:
        yield Probe(connection, site=Site(), gate=Gate(Site()), now=NOW), sent


async def test_the_probe_of_a_servers_writing_is_sound(validator: Validator, probed: tuple[Probe, list[Json]]) -> None:
    """R4 alone: it is about no patient, so it is no advice and does not claim our profile."""
    probe, sent = probed
    ident = task_id(await probe.create())
    task = {**sent[0]["entry"][0]["resource"], "id": ident}
    await probe.touch(task, "1")
    await probe.cancel(task, "2", creating=2)
    assert len(sent) == 3
    for bundle in sent:
        assert untold(validator.issues(bundle)) == []
