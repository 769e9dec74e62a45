"""The inbox over HTTP: reader, gate, writer and the sandbox FHIR server, with a recording of every request."""

import asyncio
from dataclasses import dataclass, field, replace
from datetime import timedelta
from decimal import Decimal
from typing import Any

import httpx
import pytest

from andante.chart.chart import Inbox
from andante.chart.questions import ReadPlan
from andante.chart.reader import ChartReader
from andante.domain.advice import AdviceCode, Assessment
from andante.errors import Unreachable
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.read import FhirReader
from andante.fhir_http.write import FhirWriter
from andante.sandbox import Sandbox
from andante.writeback.codes import Kind
from andante.writeback.gate import Gate
from andante.writeback.plan import Cancel, Create, Refresh, Revoke
from andante.writeback.site import Site
from andante.writeback.writer import Delivery, InboxWriter
from builders import NOW, a_fact, a_notice, an_advice, an_assessment

SITE = Site()
PLAN = ReadPlan(observation_codes=(), inbox_systems=frozenset(SITE.identifiers(kind) for kind in Kind))
HOLD = an_assessment(notices=(a_notice(evidence=(a_fact(),)),))
ADVANCE = an_assessment(an_advice(AdviceCode.ADVANCE, rule="step-up", kcal="1440", rate_ml_h=Decimal(60)))


@dataclass
class Ward:
    """A sandbox with one patient, and a service that visits it over HTTP."""

    seen: list[Any] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.sandbox = Sandbox(now=lambda: NOW, record=self.seen.append)
        self.sandbox.load([{"resourceType": "Patient", "id": "p1"}, {"resourceType": "Patient", "id": "p2"}])
        self.lose_next = False

    async def visit(self, assessment: Assessment, **options: Any) -> Delivery:
        async with Connection(ServerSettings(base="http://sandbox.test/fhir"), transport=_Wire(self)) as connection:

            async def read_inbox(patient_id: str) -> Inbox:
                [inbox] = await ChartReader(FhirReader(connection), PLAN, now=NOW).inbox([patient_id])
                return inbox

            writer = InboxWriter(site=SITE, gate=Gate(SITE), server=FhirWriter(connection), read_inbox=read_inbox)
            return await writer.deliver(assessment, await read_inbox("p1"), **options)

    def stored(self, kind: str, *statuses: str) -> list[dict[str, Any]]:
        bodies = [version.body or {} for version in self.sandbox.endpoint.store.living(kind)]
        return [body for body in bodies if not statuses or body["status"] in statuses]

    def person(self, body: dict[str, Any], **changes: Any) -> None:
        self.sandbox.endpoint.update(body["resourceType"], body["id"], {**body, **changes})

    @property
    def writes(self) -> list[Any]:
        return [seen for seen in self.seen if seen.method != "GET"]


class _Wire(httpx.AsyncBaseTransport):
    """To the sandbox; loses one answer where the ward says so."""

    def __init__(self, ward: Ward) -> None:
        self._ward = ward
        self._inner = httpx.ASGITransport(app=ward.sandbox.app)

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        response = await self._inner.handle_async_request(request)
        if request.method == "POST" and self._ward.lose_next:
            self._ward.lose_next = False
            raise httpx.ReadError("the answer was lost")
        return response


@pytest.fixture
def ward() -> Ward:
    return Ward()


async def test_the_first_round_writes_and_the_second_writes_nothing(ward: Ward) -> None:
    first = await ward.visit(HOLD)
    assert first.count(Create) == 2
    assert [task["status"] for task in ward.stored("Task")] == ["requested"]
    assert [notice["status"] for notice in ward.stored("CommunicationRequest")] == ["active"]
    written = len(ward.writes)
    for hours in (0, 1, 5):
        assert not (await ward.visit(replace(HOLD, now=NOW + timedelta(hours=hours)))).done
    assert len(ward.writes) == written


async def test_provenance_points_to_what_the_server_made_of_the_transaction(ward: Ward) -> None:
    await ward.visit(HOLD)
    [provenance] = ward.stored("Provenance")
    made = {
        f"{body['resourceType']}/{body['id']}"
        for kind in ("Task", "CommunicationRequest")
        for body in ward.stored(kind)
    }
    assert {target["reference"] for target in provenance["target"]} == made


async def test_a_new_decision_takes_back_the_old_one_and_newer_evidence_refreshes_in_place(ward: Ward) -> None:
    await ward.visit(HOLD)
    changed = await ward.visit(ADVANCE)
    assert [changed.count(kind) for kind in (Create, Cancel, Revoke)] == [1, 1, 1]
    newer = replace(ADVANCE, evidence=(a_fact(value="0.92 mmol/L", source="Observation/po4-2/_history/1"),))
    assert (await ward.visit(newer)).count(Refresh) == 1
    assert not (await ward.visit(newer)).done
    [task] = ward.stored("Task", "requested")
    assert "0.92 mmol/L" in task["note"][0]["text"]
    [old] = ward.stored("Task", "cancelled")
    assert old["statusReason"]["coding"][0]["code"] == "superseded"


@pytest.mark.parametrize("status", ["rejected", "accepted", "completed", "in-progress"])
async def test_a_persons_decision_stays(ward: Ward, status: str) -> None:
    await ward.visit(HOLD)
    [task] = ward.stored("Task")
    ward.person(task, status=status)
    assert not (await ward.visit(HOLD)).done
    await ward.visit(ADVANCE)
    assert [body["id"] for body in ward.stored("Task", status)] == [task["id"]]
    assert len(ward.stored("Task", "requested")) == 1


async def test_instances_that_race_leave_one_open_advice(ward: Ward) -> None:
    later = replace(ADVANCE, now=NOW + timedelta(seconds=5))
    await asyncio.gather(*(ward.visit(assessment) for assessment in (HOLD, HOLD, later, HOLD, later)))
    assert len(ward.stored("Task", "requested")) == 1


async def test_a_lost_answer_is_safe_to_repeat(ward: Ward) -> None:
    ward.lose_next = True
    with pytest.raises(Unreachable):
        await ward.visit(HOLD)
    assert not (await ward.visit(HOLD)).done
    assert len(ward.stored("Task")) == 1


async def test_a_dry_run_puts_nothing_on_the_wire(ward: Ward) -> None:
    delivery = await ward.visit(HOLD, dry_run=True)
    assert delivery.bundle is not None
    assert not ward.writes


async def test_the_recording_shows_transactions_of_the_three_types_only(ward: Ward) -> None:
    for assessment in (HOLD, ADVANCE, HOLD, an_assessment(an_advice(AdviceCode.STOOD_DOWN))):
        await ward.visit(assessment)
    assert len(ward.writes) >= 4
    for seen in ward.writes:
        assert (seen.method, seen.path) == ("POST", "")
        assert set(seen.written) <= {"Task", "CommunicationRequest", "Provenance"}
    assert not ward.stored("Task", "requested")


async def test_no_patient_data_is_in_the_addresses_of_writes_or_in_identifiers(ward: Ward) -> None:
    for assessment in (HOLD, ADVANCE):
        await ward.visit(assessment)
    stored = [*ward.stored("Task"), *ward.stored("CommunicationRequest")]
    assert stored
    assert [body for body in stored if "p1" in body["identifier"][0]["value"]] == []
    assert {seen.path for seen in ward.writes} == {""}  # the base itself: no query, no id
