"""The endpoint for notifications: who may tell us something, what is taken from it, and what comes of it."""

import asyncio
import io
import json
import logging
from collections.abc import AsyncIterator, Iterator
from contextlib import AsyncExitStack
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from random import Random
from typing import Any

import pytest
from fastapi import FastAPI
from httpx import ASGITransport, AsyncClient
from pydantic import SecretStr
from starlette.middleware import Middleware

from andante import app, log, settings
from andante.chart.reader import Census, ChartReader
from andante.demo import Stage, read_script, staged
from andante.errors import BadAnswer
from andante.fhir_http.connection import Connection
from andante.subscriptions.hooks import Hooks
from andante.triggers.notifications import MOST_BYTES
from andante.triggers.patience import Patience
from andante.triggers.web import create_app

Json = dict[str, Any]
MORNING = datetime.fromisoformat("2031-03-27T06:30:00+00:00")
SECRET = "a-secret-of-the-site-0001"
NOTIFY = "https://andante.example/notify"
AUTHORISED = {"Authorization": f"Bearer {SECRET}", "Content-Type": "application/fhir+json"}
PATIENT = "quillfeather"  # of plain-course
RESULT = {"resourceType": "Observation", "id": "o1", "status": "final", "subject": {"reference": f"Patient/{PATIENT}"}}


@dataclass
class Desk:
    """The service over a sandbox, stepped by hand."""

    stage: Stage
    application: FastAPI
    client: AsyncClient

    @property
    def hooks(self) -> Hooks:
        found: Hooks = self.application.state.hooks
        return found

    async def tell(self, body: Json | bytes = b"", *, path: str = "laboratory", **headers: str) -> int:
        content = body if isinstance(body, bytes) else json.dumps(body, default=float).encode()
        answer = await self.client.post(f"/notify/{path}", content=content, headers=AUTHORISED | headers)
        assert answer.content == b""
        return answer.status_code

    async def work(self) -> None:
        assert await self.hooks.worker.step()


@pytest.fixture
def stage() -> Iterator[Stage]:
    with staged(read_script(("plain-course", "severe-fall"))) as stage:
        stage.play_until(MORNING)
        yield stage


def service_of(stage: Stage, **given: Any) -> app.Service:
    hooks = {"notify_url": NOTIFY, "notify_secret": SecretStr(SECRET)}
    return app.build(settings.defaults(zone=stage.script.zone.key, fhir_base=stage.base, **hooks, **given))


@pytest.fixture
async def desk(stage: Stage) -> AsyncIterator[Desk]:
    async with AsyncExitStack() as stack:
        yield await opened(stack, stage, service_of(stage))


async def opened(stack: AsyncExitStack, stage: Stage, service: app.Service) -> Desk:
    connection: Connection = service.connect()
    application = create_app(service, now=lambda: stage.now, connection=connection, schedule=False)
    await stack.enter_async_context(application.router.lifespan_context(application))
    transport = ASGITransport(application)
    client = await stack.enter_async_context(AsyncClient(transport=transport, base_url="https://andante.example"))
    desk = Desk(stage, application, client)
    desk.hooks.hints.take()  # the catch-up of the start is not what is tried here
    return desk


async def test_a_result_told_of_is_taken_at_once_and_reviewed_later(desk: Desk) -> None:
    assert await desk.tell(RESULT) == 202
    assert desk.stage.written["Task"] == 0  # nothing is done inline
    await desk.work()
    assert desk.stage.written["Task"] == 1


async def test_each_form_of_address_is_taken(desk: Desk) -> None:
    for method, path in (("POST", ""), ("PUT", "/Observation/o1"), ("POST", "/Observation/o1")):
        content = json.dumps(RESULT).encode()
        answer = await desk.client.request(method, f"/notify/laboratory{path}", content=content, headers=AUTHORISED)
        assert answer.status_code == 202
        assert desk.hooks.hints.take().patients == {PATIENT}
    assert (await desk.client.get("/notify/laboratory", headers=AUTHORISED)).status_code == 405


FORGED = [
    {"Authorization": ""},
    {"Authorization": "Bearer "},
    {"Authorization": f"Bearer {SECRET}x"},
    {"Authorization": f"Bearer {SECRET[:-1]}"},
    {"Authorization": f"bearer {SECRET}"},
    {"Authorization": SECRET},
    {"Authorization": "Bearer caf\u00e9"},
    {"X-Secret": SECRET, "Authorization": "Basic x"},
]


@pytest.mark.parametrize("headers", FORGED)
async def test_a_forged_notification_changes_nothing(desk: Desk, headers: dict[str, str]) -> None:
    sent = {name: value.encode("latin-1") for name, value in (AUTHORISED | headers).items()}
    for path in ("laboratory", "unknown", "laboratory/Observation/o1"):
        answer = await desk.client.post(f"/notify/{path}", content=json.dumps(RESULT).encode(), headers=sent)
        assert (answer.status_code, answer.content) == (401, b"")
    assert len(desk.hooks.hints) == 0
    assert not desk.hooks.hints.catching_up
    assert desk.hooks.watch.refused == 3


async def test_the_body_of_somebody_unknown_is_not_even_read(desk: Desk) -> None:
    read = 0

    async def endless() -> AsyncIterator[bytes]:
        nonlocal read
        for _ in range(1000):
            read += 1
            yield b"x" * 65536

    answer = await desk.client.post("/notify/laboratory", content=endless(), headers={"Authorization": "Bearer x"})
    assert answer.status_code == 401
    assert read <= 1


async def test_a_hook_that_is_none_of_ours_is_not_found(desk: Desk) -> None:
    assert await desk.tell(RESULT, path="topic") == 404
    assert len(desk.hooks.hints) == 0


UNUSABLE = [
    ("too large", b" " * (MOST_BYTES + 1), {}, 413),
    ("a text", json.dumps(RESULT).encode(), {"Content-Type": "text/plain"}, 415),
    ("no content type", json.dumps(RESULT).encode(), {"Content-Type": ""}, 415),
    ("a form", b"a=b", {"Content-Type": "application/x-www-form-urlencoded"}, 415),
    ("XML", b"<Observation/>", {"Content-Type": "application/fhir+xml"}, 415),
    ("compressed", b"\x1f\x8b", {"Content-Encoding": "gzip"}, 415),
    ("cut short", b'{"resourceType": "Obs', {}, 400),
    ("a list", b"[]", {}, 400),
]


@pytest.mark.parametrize(("what", "body", "headers", "status"), UNUSABLE, ids=[row[0] for row in UNUSABLE])
async def test_what_cannot_be_used_is_refused_but_something_changed_all_the_same(
    desk: Desk, what: str, body: bytes, headers: dict[str, str], status: int
) -> None:
    assert await desk.tell(body, **headers) == status
    batch = desk.hooks.hints.take()
    assert (batch.catch_up, batch.patients, batch.resources) == (True, frozenset(), frozenset())


@pytest.mark.parametrize(
    ("end", "status"),
    [({"type": "http.disconnect"}, 400), (None, 408)],
    ids=["the connection breaks", "it drips past the patience"],
)
async def test_one_that_never_came_whole_is_caught_up_with_and_is_no_defect_of_ours(
    stage: Stage, caplog: pytest.LogCaptureFixture, end: Json | None, status: int
) -> None:
    application = create_app(service_of(stage), now=lambda: stage.now, schedule=False)
    application.user_middleware[-1] = Middleware(Patience, seconds=0.1)
    hints = application.state.hooks.hints
    hints.take()
    messages = [{"type": "http.request", "body": b'{"resourceType": "Obs', "more_body": True}, *([end] if end else [])]
    sent: list[Any] = []

    async def receive() -> Any:
        return messages.pop(0) if messages else await asyncio.sleep(60)

    async def send(message: Any) -> None:
        sent.append(message)

    headers = [(name.lower().encode(), value.encode()) for name, value in (AUTHORISED | {"Host": "127.0.0.1"}).items()]
    path = "/notify/laboratory"
    scope = {"type": "http", "method": "POST", "path": path, "query_string": b"", "headers": headers, "scheme": "http"}
    await application(scope, receive, send)
    assert hints.take().catch_up
    assert [message["status"] for message in sent if message["type"] == "http.response.start"] == [status]
    assert [record.message for record in caplog.records if "failed" in record.message] == []


async def test_a_payload_is_never_evidence(desk: Desk) -> None:
    """A critical level that only the payload knows of: the chart is read, and says otherwise."""
    await desk.tell(RESULT)
    await desk.work()
    before = {body["id"]: body["meta"]["versionId"] for body in desk.stage.inbox()}
    lie = RESULT | {
        "code": {"coding": [{"system": "http://loinc.org", "code": "2823-3"}]},
        "effectiveDateTime": MORNING.isoformat(),
        "valueQuantity": {"value": 1.5, "unit": "mmol/L", "system": "http://unitsofmeasure.org", "code": "mmol/L"},
    }
    assert await desk.tell(lie) == 202
    await desk.work()
    assert {body["id"]: body["meta"]["versionId"] for body in desk.stage.inbox()} == before


async def test_a_notification_replayed_writes_nothing_more(desk: Desk) -> None:
    await desk.tell(RESULT)
    await desk.work()
    written = desk.stage.written.total()
    for _ in range(20):
        await desk.tell(RESULT)
    assert len(desk.hooks.hints) == 1
    await desk.work()
    assert desk.stage.written.total() == written


async def test_another_patients_id_only_has_that_patient_read_again(desk: Desk) -> None:
    other = next(b["id"] for b in _living(desk, "Patient") if b["id"] != PATIENT)
    await desk.tell(RESULT | {"subject": {"reference": f"Patient/{other}"}})
    await desk.work()
    assert {body["for"]["reference"] for body in desk.stage.inbox() if body["resourceType"] == "Task"} == {
        f"Patient/{other}"
    }


async def test_somebody_who_is_not_in_the_hospital_is_not_read(desk: Desk) -> None:
    await desk.tell(RESULT | {"subject": {"reference": "Patient/nobody"}})
    await desk.work()
    assert desk.stage.written.total() == 0


async def test_somebody_of_whom_it_cannot_be_read_is_asked_for_again(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody has been read yet, so that only the census tells whether the patient is in the hospital."""
    census, troubles = ChartReader.census, [BadAnswer("an answer that makes no sense"), None]

    async def failing_once(reader: ChartReader, *, patient_id: str | None = None) -> Census:
        if trouble := troubles.pop(0):
            raise trouble
        return await census(reader, patient_id=patient_id)

    monkeypatch.setattr(ChartReader, "census", failing_once)
    await desk.tell(RESULT)
    await desk.work()
    assert desk.stage.written["Task"] == 0
    await desk.work()
    assert len(troubles) == 1  # not yet
    desk.stage.now += timedelta(minutes=1)
    await desk.work()
    assert desk.stage.written["Task"] == 1
    assert troubles == []


async def test_an_id_alone_is_looked_up_on_the_server(desk: Desk) -> None:
    result = next(b for b in _living(desk, "Observation") if b["subject"]["reference"] == f"Patient/{PATIENT}")
    answer = await desk.client.put(f"/notify/laboratory/Observation/{result['id']}", headers=AUTHORISED)
    assert answer.status_code == 202
    await desk.work()
    assert [b["for"]["reference"] for b in desk.stage.inbox() if b["resourceType"] == "Task"] == [f"Patient/{PATIENT}"]


async def test_an_empty_ping_has_what_changed_asked_for(desk: Desk) -> None:
    assert await desk.tell() == 202
    await desk.work()  # nothing is remembered yet: everybody is read
    tasks = [body for body in desk.stage.inbox() if body["resourceType"] == "Task"]
    assert len({body["for"]["reference"] for body in tasks}) == len(tasks) > 0


async def test_a_round_by_change_time_does_not_hide_that_a_round_is_late(desk: Desk) -> None:
    desk.stage.now += timedelta(days=2)
    assert await desk.tell() == 202
    await desk.work()
    body = (await desk.client.get("/ready")).json()
    assert (body["last_changes"]["kind"], body["last_round"], body["rounds"]) == ("changes", None, "late")


async def test_a_hook_gone_silent_is_told_in_ready_and_in_the_report_of_a_round(desk: Desk) -> None:
    for name in desk.hooks.watch.hooks:
        desk.hooks.watch.is_active(name, True, now=desk.stage.now)
    results = iter(range(1, 9))
    for _ in range(4):
        desk.stage.now += timedelta(minutes=2)
        desk.stage.sandbox.load([_a_low_potassium() | {"id": f"untold-{next(results)}"}])
        desk.hooks.hints.add(catch_up=True)  # as the clock would
        await desk.work()
    body = (await desk.client.get("/ready")).json()
    assert body["notifications"]["hooks"]["laboratory"]["state"] == "silent"
    assert body["notifications"]["hooks"]["feeding-orders"]["state"] == "active"
    told = "the server has stopped telling of changes (laboratory): only rounds find them now"
    assert told in body["last_changes"]["remarks"]
    await desk.tell(_a_low_potassium())
    body = (await desk.client.get("/ready")).json()
    assert body["notifications"]["hooks"]["laboratory"]["state"] == "active"


async def test_ready_tells_of_the_hooks_and_of_nobody(desk: Desk) -> None:
    await desk.tell(RESULT)
    text = (await desk.client.get("/ready")).text
    told = json.loads(text)["notifications"]
    assert (told["waiting"], told["refused"], told["problem"]) == (1, 0, None)
    assert told["hooks"]["laboratory"]["notifications"] == 1
    assert PATIENT not in text
    assert SECRET not in text


async def test_the_log_names_nobody(desk: Desk) -> None:
    root, said = logging.getLogger(), io.StringIO()
    handlers, level = root.handlers[:], root.level
    try:
        log.start("DEBUG", said)
        await _tell_good_and_bad(desk)
    finally:
        root.handlers[:] = handlers
        root.setLevel(level)
    assert "notification.refused" in said.getvalue()
    assert "hints.finished" in said.getvalue()
    assert PATIENT not in said.getvalue()
    assert SECRET not in said.getvalue()


async def _tell_good_and_bad(desk: Desk) -> None:
    await desk.tell(RESULT)
    await desk.tell(b"{", path="laboratory")
    await desk.tell(RESULT, Authorization="Bearer wrong")
    await desk.work()


async def test_without_the_setting_there_is_no_endpoint(stage: Stage) -> None:
    service = app.build(settings.defaults(zone="UTC", fhir_base=stage.base))
    application = create_app(service, connection=service.connect(), schedule=False)
    async with AsyncClient(transport=ASGITransport(application), base_url="http://127.0.0.1") as client:
        assert (await client.post("/notify/laboratory", headers=AUTHORISED)).status_code == 404


# --------------------------------------------------------------------------- told of twice, late, or never


def _living(desk: Desk, kind: str) -> list[Json]:
    store = desk.stage.sandbox.endpoint.store
    return [version.body for version in store.living(kind) if version.body is not None]


@pytest.mark.parametrize("seed", range(3))
async def test_lost_doubled_and_disordered_notifications_end_in_the_state_of_a_whole_round(
    stage: Stage, seed: int
) -> None:
    """A day of results, each told of never, once or three times, in any order; then one empty ping."""
    random = Random(seed)
    service = service_of(stage, changes_overlap_s=60)
    results = [(i, b) for i, b in stage.script.known if b["resourceType"] in ("Observation", "NutritionOrder")]
    results = [(i, b) for i, b in results if MORNING < i < MORNING + timedelta(hours=26)]
    assert len(results) >= 5
    async with AsyncExitStack() as stack:
        desk = await opened(stack, stage, service)
        desk.hooks.hints.add(catch_up=True)
        await desk.work()
        pending: list[Json] = []
        for instant, body in results:
            stage.play_until(instant)
            pending += [body] * random.choice([0, 0, 1, 3])
            random.shuffle(pending)
            while pending and random.random() < 0.6:
                assert await desk.tell(pending.pop()) == 202
            await desk.work()
        stage.play_until(stage.now + timedelta(minutes=2))
        assert await desk.tell() == 202
        await desk.work()
        async with service.connect() as connection:
            check = await service.run_round(connection, trigger="test", now=stage.now, dry_run=True)
        assert check.whole
        assert not any(outcome.delivery and outcome.delivery.bundle for outcome in check.outcomes)


async def test_a_result_told_before_it_can_be_found_is_found_by_the_second_look(stage: Stage) -> None:
    async with AsyncExitStack() as stack:
        desk = await opened(stack, stage, service_of(stage))
        await desk.tell(RESULT)
        await desk.work()
        before = [body["id"] for body in desk.stage.inbox() if body["resourceType"] == "Task"]
        told = stage.now
        low = _a_low_potassium()
        stage.sandbox.load([low])
        stage.sandbox.endpoint.is_indexed = lambda v: v.ident != low["id"] or stage.now >= told + timedelta(seconds=200)
        await desk.tell(low)
        await desk.work()
        assert [body["id"] for body in desk.stage.inbox() if body["resourceType"] == "Task"] == before
        stage.now = told + timedelta(seconds=301)
        await desk.work()
        [task] = [body for body in desk.stage.inbox() if body["resourceType"] == "Task"]
        assert task["id"] not in before


def _a_low_potassium() -> Json:
    category = {"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "laboratory"}
    return RESULT | {
        "id": "low",
        "category": [{"coding": [category]}],
        "code": {"coding": [{"system": "http://loinc.org", "code": "2823-3"}]},
        "effectiveDateTime": (MORNING - timedelta(minutes=10)).isoformat(),
        "valueQuantity": {"value": 2.1, "unit": "mmol/L", "system": "http://unitsofmeasure.org", "code": "mmol/L"},
    }


def test_settings_that_cannot_be_safe_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    fine = {"notify_url": NOTIFY, "notify_secret": SECRET}
    assert settings.load(**fine).notify_url == NOTIFY
    for wrong in (
        {"notify_url": NOTIFY},
        {"notify_secret": SECRET},
        fine | {"notify_url": "http://andante.example/notify"},
        fine | {"notify_secret": "short"},
        fine | {"notify_secret": f"{SECRET}\r\nX-Other: 1"},
        fine | {"notify_topic": "Observation?category=laboratory"},
        fine | {"notify_topic": "https://server.example/x?y"},
        fine | {"notify_content": "everything"},
    ):
        with pytest.raises(settings.InputError) as refused:
            settings.load(**wrong)
        assert SECRET not in str(refused.value)


def test_a_copy_of_the_secret_is_not_in_the_settings_words() -> None:
    site = app.build(settings.defaults(notify_url=NOTIFY, notify_secret=SecretStr(SECRET))).hook_site
    assert site is not None
    assert SECRET not in repr(replace(site))
