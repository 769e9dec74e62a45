"""Rounds by change time over real servers: as good as whole ones, and whole ones where a server does not tell."""

import httpx
import pytest
from lanternmoor import EVENING, MORNING, ZONE, Json, came_to_be_known, known_at
from servers.launch import Server
from servers.loading import put_all

from andante import app, settings
from andante.assess import RoundReport
from andante.changed.memory import Memory

STORIES = frozenset({"plain-course", "severe-fall", "parenteral", "moved-ward", "thiamine-gaps"})
TELLS = {"sandbox": True, "sekmet": True, "hapi": True, "sekmet-bare": True, "medplum": False}
"""Whether a server answers what changed, of everybody, with what was deleted."""


async def test_a_round_by_change_time_leaves_nothing_for_a_whole_one_to_do(own_server: Server) -> None:
    service, memory = app.build(settings.defaults(zone=ZONE)), Memory()
    now = EVENING
    with httpx.Client(base_url=own_server.base, timeout=60) as client:
        where = put_all(client, known_at(EVENING, stories=STORIES).values())
        async with service.connect(own_server.base) as connection:

            async def changed() -> RoundReport:
                report = await service.run_round(connection, trigger="test", now=now, memory=memory, only_changed=True)
                assert report.whole
                whole = await service.run_round(connection, trigger="test", now=now, dry_run=True)
                assert whole.whole
                assert not any(outcome.delivery and outcome.delivery.bundle for outcome in whole.outcomes)
                return report

            first = await changed()
            assert first.unchanged == 0
            again = await changed()  # their inboxes were written to: they are read once more
            third = await changed()
            assert bool(memory.doubt) is not TELLS[own_server.name]
            if not TELLS[own_server.name]:
                assert again.unchanged == third.unchanged == 0
                assert any(remark.startswith("everybody was read") for remark in third.remarks)
                return
            assert (third.unchanged, third.outcomes) == (len(first.outcomes), ())

            # A day later: what came, and for whom time alone says something else.
            now = MORNING
            put_all(client, [body for body in came_to_be_known(EVENING, MORNING) if body["id"] in _ids(where)])
            await changed()
            await changed()

            # A result that changes no advice comes, and is deleted.
            assert (await changed()).unchanged == len(first.outcomes)
            patient = first.outcomes[0].patient
            client.put("Observation/another-result", json=_sodium(patient)).raise_for_status()
            assert [outcome.patient for outcome in (await changed()).outcomes] == [patient]
            assert (await changed()).outcomes == ()
            client.delete("Observation/another-result").raise_for_status()
            assert [outcome.patient for outcome in (await changed()).outcomes] == [patient]
            assert (await changed()).outcomes == ()


def _ids(where: dict[str, str]) -> set[str]:
    return {address.partition("/")[2] for address in where}


def _sodium(patient: str) -> Json:
    category = {"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "laboratory"}
    return {
        "resourceType": "Observation",
        "id": "another-result",
        "status": "final",
        "category": [{"coding": [category]}],
        "code": {"coding": [{"system": "http://loinc.org", "code": "2951-2"}]},
        "subject": {"reference": patient},
        "effectiveDateTime": "2031-03-26T06:00:00Z",
        "valueQuantity": {"value": 140, "unit": "mmol/L", "system": "http://unitsofmeasure.org", "code": "mmol/L"},
    }


@pytest.mark.parametrize("own_server", ["sandbox"], indirect=True)
async def test_each_search_asks_for_no_cached_answer(own_server: Server) -> None:
    service, seen = app.build(settings.defaults(zone=ZONE)), list[httpx.Request]()
    async with service.connect(own_server.base) as connection:
        connection._client.event_hooks = {"request": [_noting(seen)]}
        await service.run_round(connection, trigger="test", now=EVENING, memory=(memory := Memory()))
        await service.run_round(connection, trigger="test", now=EVENING, memory=memory, only_changed=True)
    reads = [request for request in seen if request.method == "GET" and not request.url.path.endswith("/metadata")]
    assert len(reads) > 30
    assert {request.headers.get("Cache-Control") for request in reads} == {"no-cache"}


def _noting(seen: list[httpx.Request]):  # type: ignore[no-untyped-def]
    async def note(request: httpx.Request) -> None:
        seen.append(request)

    return note
