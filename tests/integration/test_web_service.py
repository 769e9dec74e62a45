"""The service over HTTP: alive, ready, which numbers are in force, and one patient on demand."""

import json
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal

import pytest
from fastapi import FastAPI
from httpx import ASGITransport, AsyncClient
from pydantic import SecretStr

from andante import app, settings
from andante.demo import Stage, read_script, service_for, staged
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.retry import RetryPolicy
from andante.triggers.web import create_app

MORNING = datetime.fromisoformat("2031-03-27T06:30:00+00:00")
PATIENT = "quillfeather"
LOOPBACK = "http://127.0.0.1"


@pytest.fixture
def stage() -> Iterator[Stage]:
    with staged(read_script(("plain-course", "severe-fall"))) as stage:
        stage.play_until(MORNING)
        yield stage


class Clock:
    def __init__(self, now: datetime) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock(MORNING)


@asynccontextmanager
async def served(application: FastAPI, *, base: str = LOOPBACK) -> AsyncIterator[AsyncClient]:
    """The application as started by its server, spoken to without a socket."""
    started = application.router.lifespan_context(application)
    async with started, AsyncClient(transport=ASGITransport(application), base_url=base) as client:
        yield client


@pytest.fixture
async def client(stage: Stage, clock: Clock) -> AsyncIterator[AsyncClient]:
    service = service_for(stage.script)
    application = create_app(service, now=clock, connection=service.connect(stage.base), schedule=False)
    async with served(application) as client:
        yield client


def without_server() -> FastAPI:
    """The service with a server that does not answer, and no patience with it."""
    service = app.build(settings.defaults(zone="UTC"))
    connection = Connection(
        ServerSettings(base="http://127.0.0.1:9/fhir", retry=RetryPolicy(attempts=1)), sleep=no_wait
    )
    return create_app(service, now=Clock(MORNING), connection=connection, schedule=False)


async def no_wait(_seconds: float) -> None: ...


async def test_it_says_that_it_is_alive(client: AsyncClient) -> None:
    answer = await client.get("/health")
    assert answer.status_code == 200
    assert answer.json()["status"] == "alive"


async def test_it_is_ready_when_the_server_is_reachable_and_no_round_is_late(client: AsyncClient, clock: Clock) -> None:
    body = (await client.get("/ready")).json()
    assert (body["status"], body["server"], body["rounds"]) == ("ready", "reachable", "on time")
    assert body["protocol"]["id"] == "aspen-2020"
    assert body["last_round"] is None
    clock.now = MORNING + timedelta(days=2)
    late = await client.get("/ready")
    assert late.status_code == 503
    assert late.json()["rounds"] == "late"


async def test_it_is_not_ready_while_the_server_is_away_but_alive() -> None:
    async with served(without_server()) as client:
        answer = await client.get("/ready")
        assert answer.status_code == 503
        assert answer.json()["server"] == "no answer"
        assert (await client.get("/health")).status_code == 200


async def test_every_number_in_force_is_shown_with_its_source(client: AsyncClient) -> None:
    body = json.loads((await client.get("/protocol")).content, parse_float=Decimal)
    assert body["hash"]
    assert body["signature"]
    entries = {entry["path"]: entry for entry in body["entries"]}
    assert entries["energy.step"]["value"] == 33
    assert entries["analytes.magnesium.low"]["note"].startswith("printed as 1.7 mg/dL")
    assert entries["response.critical_low"]["value"] == "halve"
    assert all(entry["source"] and entry["tag"] for entry in entries.values())


async def test_the_sites_numbers_are_shown_as_such(stage: Stage, tmp_path) -> None:  # type: ignore[no-untyped-def]
    site = tmp_path / "site.yaml"
    site.write_text("energy:\n  goal: {value: 25, unit: kcal/kg/d, source: board, tag: site}\n")
    service = app.build(settings.defaults(zone="UTC", overlay=site, fhir_base=stage.base))
    async with served(create_app(service, schedule=False)) as client:
        told = (await client.get("/protocol")).json()["overlay"]
    assert told == ["energy.goal: 25 kcal/kg/d instead of 30 (site: board)"]


async def test_one_patient_is_reviewed_on_demand(client: AsyncClient, stage: Stage) -> None:
    answer = await client.post(f"/review/{PATIENT}")
    assert answer.status_code == 200
    body = answer.json()
    assert body["patient"] == f"Patient/{PATIENT}"
    assert body["advice"]["code"] == "stay"
    assert body["inbox"]["new"] >= 1
    assert [task for task in stage.inbox() if task.get("for") == {"reference": f"Patient/{PATIENT}"}]
    assert (await client.post(f"/review/{PATIENT}")).json()["inbox"]["new"] == 0


async def test_only_that_patient_is_written_about(client: AsyncClient, stage: Stage) -> None:
    (await client.post(f"/review/{PATIENT}"))
    about = {(item.get("for") or item.get("subject"))["reference"] for item in stage.inbox()}
    assert about == {f"Patient/{PATIENT}"}


@pytest.mark.parametrize("name", ["nobody", "p-1.2"])
async def test_somebody_who_is_not_in_the_hospital_is_not_found(client: AsyncClient, name: str) -> None:
    answer = await client.post(f"/review/{name}")
    assert answer.status_code == 404
    assert name not in answer.text


@pytest.mark.parametrize("name", ["a%20b", "a_b", "x" * 65, "%3Cscript%3E", "a%00b", "a%7Cb"])
async def test_what_is_no_fhir_id_is_refused_and_not_repeated(client: AsyncClient, stage: Stage, name: str) -> None:
    answer = await client.post(f"/review/{name}")
    assert answer.status_code == 400
    assert answer.json() == {"problem": "that is no FHIR id"}
    assert not stage.requests


async def test_a_server_that_is_away_is_told_as_such() -> None:
    async with served(without_server()) as client:
        answer = await client.post(f"/review/{PATIENT}")
    assert answer.status_code == 503
    assert answer.headers["Retry-After"]
    assert PATIENT not in answer.text


async def test_a_token_is_asked_for_where_one_is_set(stage: Stage) -> None:
    service = service_for(stage.script)
    guarded = replace(service, settings=settings.defaults(zone="UTC", api_token=SecretStr("s3cret")))
    application = create_app(guarded, now=Clock(MORNING), connection=service.connect(stage.base), schedule=False)
    async with served(application, base="http://andante.hospital.example") as client:
        for headers in ({}, {"Authorization": "Bearer wrong"}, {"Authorization": "s3cret"}):
            assert (await client.post(f"/review/{PATIENT}", headers=headers)).status_code == 401
        assert not stage.requests
        assert (await client.get("/health")).status_code == 200
        given = {"Authorization": "Bearer s3cret"}
        assert (await client.post(f"/review/{PATIENT}", headers=given)).status_code == 200


async def test_without_a_token_only_loopback_names_are_served(client: AsyncClient) -> None:
    """A web page elsewhere must not reach it by pointing its own name at the loopback address."""
    assert (await client.get("/health", headers={"Host": "evil.example"})).status_code == 400
    assert (await client.get("/health", headers={"Host": "localhost:8080"})).status_code == 200


async def test_the_front_page_names_the_service_and_the_caution(client: AsyncClient) -> None:
    answer = await client.get("/")
    assert answer.headers["content-type"].startswith("text/html")
    assert "Andante" in answer.text
    assert "Nothing has been ordered." in answer.text


async def test_nothing_is_kept_by_caches_and_wrong_requests_are_not_repeated(client: AsyncClient) -> None:
    for path in ("/", "/health", "/ready", "/protocol"):
        assert (await client.get(path)).headers["cache-control"] == "no-store"
    assert (await client.get(f"/review/{PATIENT}")).status_code == 405
    wrong = await client.get(f"/{PATIENT}")
    assert wrong.status_code == 404
    assert PATIENT not in wrong.text


async def test_rounds_are_scheduled_while_it_runs(stage: Stage, clock: Clock) -> None:
    service = service_for(stage.script)
    application = create_app(service, now=clock, connection=service.connect(stage.base))
    async with served(application) as client:
        assert (await client.get("/health")).status_code == 200
