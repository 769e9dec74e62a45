"""The inbox on FHIR servers: our sandbox, and servers written by others. Each test uses a patient of its own."""

import asyncio
import json
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field, replace
from datetime import timedelta
from decimal import Decimal
from typing import Any
from uuid import uuid4

import httpx
import pytest
from servers.launch import Server
from servers.loading import put_all

from andante.chart.chart import Inbox
from andante.chart.questions import ReadPlan
from andante.chart.reader import ChartReader
from andante.domain.advice import AdviceCode, Assessment
from andante.errors import Conflict
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.read import FhirReader
from andante.fhir_http.write import FhirWriter
from andante.writeback.answer import Answer, Decider, Given
from andante.writeback.codes import AnswerCode, Kind
from andante.writeback.gate import Gate
from andante.writeback.plan import Cancel, Create, Refresh, Revoke
from andante.writeback.site import Site
from andante.writeback.standing import Hands, Standing, of_kind, read_inbox
from andante.writeback.writer import AnswerWriter, Delivery, InboxWriter
from builders import NOW, a_fact, a_notice, an_advice, an_assessment

SITE = Site()
PLAN = ReadPlan(observation_codes=(), inbox_systems=frozenset(SITE.identifiers(kind) for kind in Kind))
FHIR = {"Content-Type": "application/fhir+json"}


@dataclass
class Bedside:
    """One patient on one server, and the service's visits to them."""

    base: str
    client: httpx.Client
    patient: str
    sent: list[dict[str, Any]] = field(default_factory=list)

    def hold(self, **more: Any) -> Assessment:
        return an_assessment(patient=f"Patient/{self.patient}", encounter="", notices=(a_notice(),), **more)

    def advance(self, **more: Any) -> Assessment:
        advice = an_advice(AdviceCode.ADVANCE, rule="step-up", kcal="1440", rate_ml_h=Decimal(60))
        return an_assessment(advice, patient=f"Patient/{self.patient}", encounter="", **more)

    async def visit(self, assessment: Assessment, *, between: Callable[[], Awaitable[None]] | None = None) -> Delivery:
        """`between` happens after the inbox was read and before anything is written."""
        async with Connection(ServerSettings(base=self.base)) as connection:

            async def read_inbox(patient_id: str) -> Inbox:
                [inbox] = await ChartReader(FhirReader(connection), PLAN, now=NOW).inbox([patient_id])
                return inbox

            recorder = _Recorder(FhirWriter(connection), self.sent)
            writer = InboxWriter(site=SITE, gate=Gate(SITE), server=recorder, read_inbox=read_inbox)
            inbox = await read_inbox(self.patient)
            if between is not None:
                await between()
            return await writer.deliver(assessment, inbox)

    def stored(self, kind: str, *statuses: str) -> list[dict[str, Any]]:
        subject = {"Task": "for", "CommunicationRequest": "subject"}[kind]
        answer = self.client.get(f"/{kind}", params={"_count": "1000"}, headers={"Cache-Control": "no-cache"})
        bodies = [entry["resource"] for entry in answer.json().get("entry", [])]
        mine = [b for b in bodies if b.get(subject, {}).get("reference", "").endswith(f"/{self.patient}")]
        return [body for body in mine if not statuses or body["status"] in statuses]

    def person(self, body: dict[str, Any], **changes: Any) -> None:
        address = f"/{body['resourceType']}/{body['id']}"
        answer = self.client.put(address, content=json.dumps({**body, **changes}), headers=FHIR)
        assert answer.status_code == 200, answer.text


class _Recorder:
    def __init__(self, inner: FhirWriter, sent: list[dict[str, Any]]) -> None:
        self._inner, self._sent = inner, sent

    async def transaction(self, cleared: Any) -> Any:
        self._sent.append(json.loads(cleared.body))
        return await self._inner.transaction(cleared)


NAMED_IN_EVIDENCE = (
    {"resourceType": "Patient", "id": "p1"},
    {
        "resourceType": "Encounter",
        "id": "e1",
        "status": "in-progress",
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
    },
    {
        "resourceType": "NutritionOrder",
        "id": "feed",
        "status": "active",
        "intent": "order",
        "patient": {"reference": "Patient/p1"},
        "dateTime": NOW.isoformat(),
    },
    *(
        {
            "resourceType": "Observation",
            "id": ident,
            "status": "final",
            "code": {"coding": [{"system": "http://loinc.org", "code": "14879-1"}]},
            "subject": {"reference": "Patient/p1"},
        }
        for ident in ("po4-1", "po4-2")
    ),
)
"""What the builders' assessments rest on: some servers refuse what points nowhere."""


@pytest.fixture
def bedside(any_server: Server, client: httpx.Client) -> Bedside:
    # Servers choose the ids of what is created; a PUT chooses it here, so that no test meets another's
    # patient.
    put_all(client, NAMED_IN_EVIDENCE)
    patient = f"p{uuid4().hex[:12]}"
    body = {"resourceType": "Patient", "id": patient}
    created = client.put(f"/Patient/{patient}", content=json.dumps(body), headers=FHIR)
    if created.status_code >= 400:
        created = client.post("/Patient", content=json.dumps({"resourceType": "Patient"}), headers=FHIR)
        patient = created.json()["id"]
    assert created.status_code in (200, 201), created.text
    return Bedside(any_server.base, client, patient)


async def test_the_first_round_writes_and_the_second_writes_nothing(bedside: Bedside) -> None:
    assert (await bedside.visit(bedside.hold())).count(Create) == 2
    assert len(bedside.stored("Task", "requested")) == 1
    assert len(bedside.stored("CommunicationRequest", "active")) == 1
    for hours in (0, 5):
        assert not (await bedside.visit(bedside.hold(now=NOW + timedelta(hours=hours)))).done
    assert len(bedside.sent) == 1


async def test_what_the_service_left_is_still_recognised_as_its_own(bedside: Bedside) -> None:
    await bedside.visit(bedside.hold())
    changed = await bedside.visit(bedside.advance())
    assert [changed.count(kind) for kind in (Create, Cancel, Revoke)] == [1, 1, 1]
    newer = bedside.advance(evidence=(a_fact(value="0.92 mmol/L", source="Observation/po4-2/_history/1"),))
    assert (await bedside.visit(newer)).count(Refresh) == 1
    assert not (await bedside.visit(newer)).done
    assert len(bedside.stored("Task", "requested")) == 1
    assert not bedside.stored("CommunicationRequest", "active")


@pytest.mark.parametrize("status", ["rejected", "accepted", "completed"])
async def test_a_persons_decision_stays(bedside: Bedside, status: str) -> None:
    await bedside.visit(bedside.hold())
    [task] = bedside.stored("Task")
    bedside.person(task, status=status)
    assert not (await bedside.visit(bedside.hold())).done
    await bedside.visit(bedside.advance())
    assert [body["id"] for body in bedside.stored("Task", status)] == [task["id"]]
    assert len(bedside.stored("Task", "requested")) == 1


async def test_a_person_who_is_faster_than_the_write_is_yielded_to(bedside: Bedside) -> None:
    await bedside.visit(bedside.hold())
    [task] = bedside.stored("Task")

    async def a_person_rejects() -> None:
        bedside.person(task, status="rejected")

    delivery = await bedside.visit(bedside.advance(), between=a_person_rejects)
    assert delivery.conflicts == 1
    assert [body["id"] for body in bedside.stored("Task", "rejected")] == [task["id"]]
    assert len(bedside.stored("Task", "requested")) == 1


async def test_instances_that_race_leave_one_open_advice(bedside: Bedside) -> None:
    later = replace(bedside.advance(), now=NOW + timedelta(seconds=5))
    visits = (bedside.hold(), bedside.hold(), later, bedside.hold(), later)
    await asyncio.gather(*(bedside.visit(assessment) for assessment in visits))
    assert len(bedside.stored("Task", "requested")) == 1


async def test_only_the_three_types_are_sent(bedside: Bedside) -> None:
    for assessment in (bedside.hold(), bedside.advance(), bedside.hold()):
        await bedside.visit(assessment)
    sent = {entry["resource"]["resourceType"] for bundle in bedside.sent for entry in bundle["entry"]}
    assert sent == {"Task", "CommunicationRequest", "Provenance"}


async def test_a_persons_answer_is_written_once_and_whoever_comes_second_is_refused(bedside: Bedside) -> None:
    """With whatever the server made of what we wrote before: all but the answer goes back as it stands there."""
    await bedside.visit(bedside.hold())
    async with Connection(ServerSettings(base=bedside.base)) as connection:
        writer = AnswerWriter(site=SITE, gate=Gate(SITE), server=FhirWriter(connection))

        async def seen() -> Standing:
            [inbox] = await ChartReader(FhirReader(connection), PLAN, now=NOW).inbox([bedside.patient])
            return of_kind(Kind.ADVICE, read_inbox(inbox, SITE))[-1]

        def given(answer: Answer, name: str, **more: Any) -> Given:
            return Given(answer=answer, by=Decider(name=name), at=NOW + timedelta(minutes=5), **more)

        before = await seen()
        await writer.write(before, given(Answer.AGREE, "Ada Quill"))
        with pytest.raises(Conflict):
            await writer.write(before, given(Answer.DECLINE, "Otto Bell", reason=AnswerCode.JUDGEMENT))
        after = await seen()
        assert (after.status, after.hands) == ("accepted", Hands.DECIDED)
        assert [note.get("authorString") for note in after.body["note"]][-1] == "Ada Quill"
        await writer.write(after, given(Answer.DONE, "Ada Quill"))
        assert (await seen()).status == "completed"
    assert not (await bedside.visit(bedside.hold(now=NOW + timedelta(hours=1)))).done
