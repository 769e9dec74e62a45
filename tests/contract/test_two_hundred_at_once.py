"""The same advice written two hundred times at once: one open Task, and one notice, whatever the server makes of it.

R4 calls a conditional create "exactly once" without saying what holds under concurrency
(https://hl7.org/fhir/R4/http.html#ccreate). A server without a unique constraint lets several through: then the
writers' second looks, or at the latest the next round, leave one. Every writer here has read an empty inbox, and none
writes before all are ready to.
"""

import asyncio
import json
from collections import Counter
from collections.abc import AsyncIterator
from dataclasses import replace
from uuid import uuid4

import httpx
import pytest
from servers.launch import Server
from servers.loading import put_all
from ward_round import Json, everything, patient_of

from andante.chart.chart import Inbox
from andante.chart.questions import ReadPlan
from andante.chart.reader import ChartReader
from andante.domain.advice import Assessment
from andante.errors import ServerError
from andante.fhir_http.cleared import Cleared
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.read import FhirReader
from andante.fhir_http.write import FhirWriter, Written
from andante.writeback.codes import Kind
from andante.writeback.gate import Gate
from andante.writeback.identity import patient_id
from andante.writeback.site import Site
from andante.writeback.writer import Delivery, InboxWriter
from builders import NOW, a_fact, a_notice, an_advice, an_assessment

WRITERS = 200
DOUBLES = 32
OPEN = {"Task": "requested", "CommunicationRequest": "active"}
TAKEN_BACK = {"Task": "cancelled", "CommunicationRequest": "revoked"}
SITE = Site()
PLAN = ReadPlan(observation_codes=(), inbox_systems=frozenset(SITE.identifiers(kind) for kind in Kind))


class Writers:
    """So many writers on one connection; the first write of each waits until every one has come to it."""

    def __init__(self, connection: Connection, assessment: Assessment) -> None:
        self.many, self.unconditional = WRITERS, False
        self._connection, self._assessment = connection, assessment
        self.patient = patient_id(assessment)
        self._writer = FhirWriter(connection)
        self._under_way = 0
        self.most_under_way = 0
        self.answers: Counter[str] = Counter()

    async def all_at_once(self) -> list[Delivery | ServerError]:
        self._start = asyncio.Barrier(self.many)
        return await asyncio.gather(*(self._visit(_Held(self)) for _ in range(self.many)))

    async def again(self) -> Delivery:
        """As the next round would: read, and write what is missing or too much."""
        writer = InboxWriter(site=SITE, gate=Gate(SITE), server=self._writer, read_inbox=self.read_inbox)
        return await writer.deliver(self._assessment, await self.read_inbox(self.patient))

    async def read_inbox(self, patient_id: str) -> Inbox:
        [inbox] = await ChartReader(FhirReader(self._connection), PLAN, now=NOW).inbox([patient_id])
        return inbox

    async def _visit(self, held: "_Held") -> Delivery | ServerError:
        writer = InboxWriter(site=SITE, gate=Gate(SITE), server=held, read_inbox=self.read_inbox)
        try:
            return await writer.deliver(self._assessment, Inbox(patient_id=self.patient))
        except ServerError as error:  # told, and left to the next round
            return error

    async def write(self, cleared: Cleared, *, first: bool) -> tuple[Written, ...]:
        if not first:
            return await self._writer.transaction(cleared)
        if self.unconditional:
            cleared = _without_conditions(cleared)
        await self._start.wait()
        self._under_way += 1
        self.most_under_way = max(self.most_under_way, self._under_way)
        try:
            answers = await self._writer.transaction(cleared)
        except ServerError as error:
            self.answers[type(error).__name__] += 1
            raise
        else:
            self.answers["created" if answers[0].created else "was there already"] += 1
            return answers
        finally:
            self._under_way -= 1


class _Held:
    """One writer's way to the server."""

    def __init__(self, writers: Writers) -> None:
        self._writers, self._first = writers, True

    async def transaction(self, cleared: Cleared) -> tuple[Written, ...]:
        first, self._first = self._first, False
        return await self._writers.write(cleared, first=first)


def on_the_server(client: httpx.Client) -> Assessment:
    """An advice on a patient, an order and a result that are there: some servers refuse what points nowhere."""
    word = uuid4().hex[:12]
    patient, order, result = f"Patient/p{word}", f"NutritionOrder/o{word}", f"Observation/r{word}"
    put_all(
        client,
        [
            {"resourceType": "Patient", "id": f"p{word}"},
            {
                "resourceType": "NutritionOrder",
                "id": f"o{word}",
                "status": "active",
                "intent": "order",
                "patient": {"reference": patient},
                "dateTime": NOW.isoformat(),
            },
            {
                "resourceType": "Observation",
                "id": f"r{word}",
                "status": "final",
                "code": {"coding": [{"system": "http://loinc.org", "code": "14879-1"}]},
                "subject": {"reference": patient},
                "effectiveDateTime": NOW.isoformat(),
            },
        ],
    )
    at = {name: f"{name}/_history/{client.get(name).json()['meta']['versionId']}" for name in (patient, order, result)}
    assessment = an_assessment(
        an_advice(focus=at[order]),
        patient=patient,
        encounter="",
        evidence=(a_fact(source=at[result]),),
        notices=(a_notice(),),
    )
    return replace(assessment, versions=tuple(at.values()))


@pytest.fixture
async def writers(any_server: Server, client: httpx.Client) -> AsyncIterator[Writers]:
    async with Connection(ServerSettings(base=any_server.base, concurrency=WRITERS)) as connection:
        yield Writers(connection, on_the_server(client))


async def test_two_hundred_writes_of_the_same_advice_leave_one_open(
    writers: Writers, any_server: Server, client: httpx.Client
) -> None:
    ended = await writers.all_at_once()
    assert writers.most_under_way == WRITERS == writers.answers.total()
    assert writers.answers["created"] == 1, writers.answers
    assert not [error for error in ended if isinstance(error, ServerError)]
    assert [len(left(client, writers, kind)) for kind in OPEN] == [1, 1], "none was created to be taken back"
    assert not (await writers.again()).done, "nothing is left to settle"
    assert [statuses(client, writers, kind) for kind in OPEN] == [{"requested": 1}, {"active": 1}]


async def test_where_a_server_lets_doubles_through_one_stays_open(writers: Writers, client: httpx.Client) -> None:
    """The condition is taken out on the way, so that every writer creates: the worst that a server can make of it."""
    writers.many, writers.unconditional = DOUBLES, True
    await writers.all_at_once()
    assert writers.answers["created"] > DOUBLES / 2, writers.answers
    await writers.again()
    for kind, status in OPEN.items():
        assert statuses(client, writers, kind)[status] == 1, writers.answers
        assert statuses(client, writers, kind).keys() <= {status, TAKEN_BACK[kind]}
        assert len(left(client, writers, kind)) > DOUBLES / 2
    assert not (await writers.again()).done, "nothing is left to settle"


def left(client: httpx.Client, writers: Writers, kind: str) -> list[Json]:
    return [body for body in everything(client, kind) if patient_of(body) == f"Patient/{writers.patient}"]


def statuses(client: httpx.Client, writers: Writers, kind: str) -> Counter[str]:
    return Counter(body["status"] for body in left(client, writers, kind))


def _without_conditions(cleared: Cleared) -> Cleared:
    bundle = json.loads(cleared.body)
    for entry in bundle["entry"]:
        entry["request"].pop("ifNoneExist", None)
    return replace(cleared, body=json.dumps(bundle).encode())
