"""A server that keeps less than it was sent: R4 lets it ignore what it does not know.

However much it drops of one suggestion, that one stays the only one and rounds do not go on writing. What the service
cannot prove to be as it wrote it counts as touched by a person: it then stays open beside a newer decision, since a
person's hand ends the service's. `check-server --write-probe` tells of such a server (`Given back as written`).
"""

import json
from typing import Any

import httpx
import pytest

from andante.chart.chart import Inbox
from andante.chart.questions import ReadPlan
from andante.chart.reader import ChartReader
from andante.domain.advice import Assessment
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.read import FhirReader
from andante.fhir_http.write import FhirWriter
from andante.sandbox import Sandbox
from andante.writeback.codes import Kind
from andante.writeback.gate import Gate
from andante.writeback.site import Site
from andante.writeback.writer import Delivery, InboxWriter
from builders import NOW, a_fact, a_notice, an_advice, an_assessment

SITE = Site()
PLAN = ReadPlan(observation_codes=(), inbox_systems=frozenset(SITE.identifiers(kind) for kind in Kind))
HOLD = an_assessment(notices=(a_notice(evidence=(a_fact(),)),))
STAY = an_assessment(an_advice(rule="another-rule", headline="stay"), notices=(a_notice(evidence=(a_fact(),)),))
DROPPED = {
    "Task": ("extension", "input", "note", "description", "priority", "restriction", "statusReason", "focus"),
    "CommunicationRequest": ("extension", "payload", "priority", "reasonReference", "statusReason", "about"),
}


class Forgetful(httpx.AsyncBaseTransport):
    """A sandbox that never sees some elements of what it is sent."""

    def __init__(self, *dropped: str) -> None:
        self.sandbox, self.writes, self._dropped = Sandbox(now=lambda: NOW), 0, dropped
        self.sandbox.load([{"resourceType": "Patient", "id": "p1"}])
        self._inner = httpx.ASGITransport(app=self.sandbox.app)

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        if request.method == "POST":
            self.writes += 1
            bundle = json.loads(await request.aread())
            for entry in bundle["entry"]:
                if entry["resource"]["resourceType"] in DROPPED:
                    for name in self._dropped:
                        entry["resource"].pop(name, None)
            headers = {n: v for n, v in request.headers.items() if n.lower() != "content-length"}
            request = httpx.Request("POST", request.url, headers=headers, content=json.dumps(bundle).encode())
        return await self._inner.handle_async_request(request)

    async def visit(self, assessment: Assessment) -> Delivery:
        async with Connection(ServerSettings(base="http://forgetful.test/fhir"), transport=self) as connection:

            async def read_inbox(patient_id: str) -> Inbox:
                [inbox] = await ChartReader(FhirReader(connection), PLAN, now=NOW).inbox([patient_id])
                return inbox

            writer = InboxWriter(site=SITE, gate=Gate(SITE), server=FhirWriter(connection), read_inbox=read_inbox)
            return await writer.deliver(assessment, await read_inbox("p1"))

    def open(self, kind: str) -> list[dict[str, Any]]:
        bodies = [version.body or {} for version in self.sandbox.endpoint.store.living(kind)]
        return [body for body in bodies if body["status"] in ("requested", "active")]


@pytest.mark.parametrize(
    "dropped",
    [
        *((name,) for name in dict.fromkeys([*DROPPED["Task"], *DROPPED["CommunicationRequest"]])),
        ("extension", "input", "note", "payload", "reasonReference", "statusReason"),
    ],
    ids="+".join,
)
async def test_whatever_is_dropped_one_suggestion_is_open_and_the_writing_ends(dropped: tuple[str, ...]) -> None:
    server = Forgetful(*dropped)
    await server.visit(HOLD)
    assert len(server.open("Task")) == 1
    for _ in range(3):
        await server.visit(HOLD)
        assert len(server.open("Task")) == len(server.open("CommunicationRequest")) == 1
    so_far = server.writes
    await server.visit(HOLD)
    assert server.writes == so_far, "it goes on writing"


SEALED = ("input", "note", "description", "priority", "restriction", "focus")
"""Dropped from a Task, it is not as it was sealed."""


@pytest.mark.parametrize("dropped", dict.fromkeys([*DROPPED["Task"], *DROPPED["CommunicationRequest"]]))
async def test_a_suggestion_that_came_back_changed_stays_beside_the_next_decision(dropped: str) -> None:
    server = Forgetful(dropped)
    await server.visit(HOLD)
    for _ in range(3):
        await server.visit(STAY)
        rules = [task["code"]["coding"][-1]["code"] for task in server.open("Task")]
        assert rules == (["low-while-feeding", "another-rule"] if dropped in SEALED else ["another-rule"])
    assert server.writes == 2


async def test_without_its_reason_a_withdrawal_counts_as_a_persons_and_is_not_raised_again() -> None:
    """A known limit, told in shared/docs/fhir-servers.md: in doubt a person has decided."""
    server = Forgetful("statusReason")
    for assessment in (HOLD, STAY, HOLD):
        await server.visit(assessment)
    assert server.open("Task") == []
