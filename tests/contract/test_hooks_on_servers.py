"""Subscriptions on real servers: made and kept by us, told by them, and what comes of it.

The exchange in the backport's form is recorded, made timeless, and compared with the one shown in the documents.
"""

import asyncio
import json
import re
import socket
from collections.abc import AsyncIterator, Awaitable, Callable, Collection
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

import httpx
import pytest
import uvicorn
from documented import check_part
from fastapi import FastAPI, Request, Response
from lanternmoor import MORNING, ZONE, known_at
from pydantic import SecretStr
from servers.launch import Server
from servers.loading import put_all
from ward_round import empty_the_inboxes

from andante import app, clock, settings
from andante.subscriptions.hooks import Hooks, build_hooks
from andante.subscriptions.worker import Work
from andante.triggers.notifications import offer_notifications
from andante.triggers.web import create_app
from andante.writeback.gate import Gate
from andante.writeback.hooks import HookSite, subscription
from andante.writeback.site import Site

Json = dict[str, Any]
SECRET = "a-secret-of-the-site-0001"
PATIENT = "quillfeather"
TOPIC = "https://server.example/SubscriptionTopic/laboratory-results"
PATIENCE_S = 60

told_by = pytest.mark.parametrize(
    "telling_server", [pytest.param(name, marks=pytest.mark.foreign) for name in ("sekmet", "hapi")], indirect=True
)
by_topic = pytest.mark.parametrize("telling_server", [pytest.param("sekmet", marks=pytest.mark.foreign)], indirect=True)


def a_socket() -> tuple[socket.socket, str]:
    listening = socket.create_server(("127.0.0.1", 0))
    return listening, f"http://127.0.0.1:{listening.getsockname()[1]}"


@asynccontextmanager
async def listening_on(listening: socket.socket, application: FastAPI) -> AsyncIterator[None]:
    server = uvicorn.Server(uvicorn.Config(application, log_config=None, access_log=False))
    serving = asyncio.create_task(server.serve(sockets=[listening]))
    try:
        while not server.started:
            await asyncio.sleep(0.01)
        yield
    finally:
        server.should_exit = True
        await serving


async def until(what: Callable[[], Awaitable[bool]]) -> None:
    """Wait for something another process does."""
    async with asyncio.timeout(PATIENCE_S):
        while not await what():
            await asyncio.sleep(0.1)


def a_potassium(ident: str, value: float) -> Json:
    category = {"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "laboratory"}
    return {
        "resourceType": "Observation",
        "id": ident,
        "status": "final",
        "category": [{"coding": [category]}],
        "code": {"coding": [{"system": "http://loinc.org", "code": "2823-3"}]},
        "subject": {"reference": f"Patient/{PATIENT}"},
        "effectiveDateTime": (MORNING - timedelta(minutes=20)).isoformat(),
        "valueQuantity": {"value": value, "unit": "mmol/L", "system": "http://unitsofmeasure.org", "code": "mmol/L"},
    }


def topic() -> Json:
    """A SubscriptionTopic in the form in which R4 servers hold one: a Basic with R5's elements as extensions."""
    base = "http://hl7.org/fhir/5.0/StructureDefinition/extension-SubscriptionTopic"
    trigger = [
        {"url": "description", "valueMarkdown": "a result of the laboratory"},
        {"url": "resource", "valueUri": "http://hl7.org/fhir/StructureDefinition/Observation"},
        {"url": "supportedInteraction", "valueCode": "create"},
        {"url": "supportedInteraction", "valueCode": "update"},
        {"url": "fhirPathCriteria", "valueString": "%current.category.coding.code = 'laboratory'"},
    ]
    return {
        "resourceType": "Basic",
        "id": "topic-laboratory-results",
        "modifierExtension": [{"url": f"{base}.status", "valueCode": "active"}],
        "extension": [
            {"url": f"{base}.url", "valueUri": TOPIC},
            {"url": f"{base}.version", "valueString": "1.0.0"},
            {"url": f"{base}.title", "valueString": "Laboratory results"},
            {"url": f"{base}.resourceTrigger", "extension": trigger},
        ],
        "code": {"coding": [{"system": "http://hl7.org/fhir/fhir-types", "code": "SubscriptionTopic"}]},
    }


async def subscriptions(client: httpx.AsyncClient) -> list[Json]:
    answer = await client.get("Subscription", params={"_count": "100"}, headers={"Cache-Control": "no-cache"})
    return [entry["resource"] for entry in answer.raise_for_status().json().get("entry", ())]


async def open_tasks(client: httpx.AsyncClient) -> list[Json]:
    asked = {"patient": f"Patient/{PATIENT}", "status": "requested"}
    answer = await client.get("Task", params=asked, headers={"Cache-Control": "no-cache"})
    return [entry["resource"] for entry in answer.raise_for_status().json().get("entry", ())]


FORMS = [
    pytest.param({"notify_content": "empty"}, id="empty"),
    pytest.param({"notify_content": "full-resource"}, id="full-resource"),
    *(pytest.param({"notify_topic": TOPIC, "notify_content": c}, id=f"topic, {c}") for c in
      ("empty", "id-only", "full-resource")),
]  # fmt: skip
TOLD = [
    pytest.param(name, *form.values, marks=pytest.mark.foreign, id=f"{name}-{form.id}")
    for name, forms in (("sekmet", FORMS), ("hapi", FORMS[:2]))
    for form in forms
]


@pytest.mark.parametrize(("telling_server", "form"), TOLD, indirect=["telling_server"])
async def test_a_result_that_the_server_tells_of_reaches_the_inbox(telling_server: Server, form: Json) -> None:
    listening, root = a_socket()
    given = {"zone": ZONE, "fhir_base": telling_server.base, "notify_url": f"{root}/notify"}
    service = app.build(settings.defaults(**given, notify_secret=SecretStr(SECRET), **form))
    application = create_app(service, now=lambda: MORNING)
    async with httpx.AsyncClient(base_url=telling_server.base, timeout=60) as client:
        with httpx.Client(base_url=telling_server.base, timeout=60) as plain:
            empty_the_inboxes(plain)
            resources = known_at(MORNING, stories=frozenset({"plain-course"})).values()
            put_all(plain, [*resources, a_potassium("told", 4.1)])
        if telling_server.name == "sekmet":
            (await client.put("Basic/topic-laboratory-results", json=topic())).raise_for_status()
        async with listening_on(listening, application):
            hooks: Hooks = application.state.hooks

            async def all_active() -> bool:
                ours = [body for body in await subscriptions(client) if body["channel"]["endpoint"].startswith(root)]
                return len(ours) == len(hooks.site.names) and {body["status"] for body in ours} == {"active"}

            async def advised() -> bool:
                return bool(await open_tasks(client))

            await until(all_active)
            await hooks.keeper.keep(now=MORNING)
            await until(advised)
            [before] = await open_tasks(client)
            (await client.put("Observation/told", json=a_potassium("told", 2.2))).raise_for_status()

            async def told_of() -> bool:
                return any(hook.events for hook in hooks.watch.hooks.values())

            async def another() -> bool:
                # The clock stands still here, and with it the distance that catch-ups keep.
                hooks.worker._catch_up_from = None
                hooks.hints.arrived.set()
                return [body["id"] for body in await open_tasks(client)] not in ([before["id"]], [])

            await until(told_of)
            await until(another)
            [task] = await open_tasks(client)
            assert task["priority"] == "stat"
            assert hooks.watch.refused == 0
        for body in await subscriptions(client):
            (await client.delete(f"Subscription/{body['id']}")).raise_for_status()


@told_by
async def test_what_the_server_turned_off_is_asked_for_again(telling_server: Server) -> None:
    listening, root = a_socket()
    site = HookSite(address=f"{root}/notify", secret=SECRET)
    async with (
        running_hooks(telling_server, site, listening) as (hooks, _),
        httpx.AsyncClient(base_url=telling_server.base, timeout=60) as client,
    ):
        await hooks.keeper.keep(now=clock.now())

        async def active() -> bool:
            await hooks.keeper.keep(now=clock.now())
            return all(hook.active_since for hook in hooks.watch.hooks.values())

        await until(active)
        [body] = [b for b in await subscriptions(client) if b["channel"]["endpoint"] == site.endpoint("laboratory")]
        (await client.put(f"Subscription/{body['id']}", json=body | {"status": "off"})).raise_for_status()
        await hooks.keeper.keep(now=clock.now())
        assert hooks.watch.hooks["laboratory"].active_since is None
        await hooks.keeper.keep(now=clock.now() + timedelta(minutes=3))
        await until(active)
        assert len([b for b in await subscriptions(client) if b["channel"]["endpoint"].startswith(root)]) == 5
        for one in await subscriptions(client):
            (await client.delete(f"Subscription/{one['id']}")).raise_for_status()


@pytest.mark.parametrize("telling_server", [pytest.param("hapi", marks=pytest.mark.foreign)], indirect=True)
async def test_a_topic_that_the_server_does_not_take_from_us_is_told(telling_server: Server) -> None:
    """HAPI asks for a filter in the criteria (HAPI-0011), where the guide has none or more: we write none.

    https://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition-backport-subscription.html (filterCriteria 0..*).
    """
    listening, root = a_socket()
    site = HookSite(address=f"{root}/notify", secret=SECRET, topic=TOPIC, content="id-only")
    async with (
        running_hooks(telling_server, site, listening) as (hooks, recorded),
        httpx.AsyncClient(base_url=telling_server.base, timeout=60) as client,
    ):
        (await client.put("Basic/topic-laboratory-results", json=topic())).raise_for_status()
        await hooks.keeper.keep(now=clock.now())
        assert "422" in hooks.keeper.problem
        assert hooks.watch.hooks["topic"].active_since is None
        assert not [one for one in await subscriptions(client) if one["channel"]["endpoint"].startswith(root)]
    assert not recorded.exchanges


# --------------------------------------------------------------------------- an exchange, for the documents


@dataclass
class Recorded:
    """What the server sent to us, and how it was answered."""

    exchanges: list[tuple[str, Json, int]] = field(default_factory=list)

    def kinds(self) -> list[str]:
        return [_kind(body) for _, body, _ in self.exchanges]


@asynccontextmanager
async def running_hooks(
    server: Server, site: HookSite, listening: socket.socket
) -> AsyncIterator[tuple[Hooks, Recorded]]:
    """Our endpoint and keeper alone, without the work."""
    service, recorded = app.build(settings.defaults(zone=ZONE)), Recorded()
    application = FastAPI(openapi_url=None)

    async def nothing(_patients: Collection[str]) -> Collection[str]:
        return ()

    async def catch_up() -> timedelta:
        return timedelta()

    async def nobody(_key: str) -> None: ...

    async with service.connect(server.base) as connection:
        work = Work(review=nothing, catch_up=catch_up, whose=nobody)
        hooks = build_hooks(
            site, connection, Gate(Site(), hook=site), work, lock=asyncio.Lock(), now=clock.now, again_after=None
        )

        @application.middleware("http")
        async def record(request: Request, call_next: Callable[[Request], Awaitable[Response]]) -> Response:
            body = await request.body()
            response = await call_next(request)
            line = f"{request.method} {request.url.path}"
            recorded.exchanges.append((line, json.loads(body) if body else {}, response.status_code))
            return response

        offer_notifications(application, hooks, now=clock.now)
        async with listening_on(listening, application):
            yield hooks, recorded


@by_topic
async def test_the_exchange_in_the_documents_is_the_one_that_takes_place(telling_server: Server) -> None:
    listening, root = a_socket()
    site = HookSite(address=f"{root}/notify", secret=SECRET, topic=TOPIC, content="id-only", heartbeat_s=1)
    async with (
        running_hooks(telling_server, site, listening) as (hooks, recorded),
        httpx.AsyncClient(base_url=telling_server.base, timeout=60) as client,
    ):
        (await client.put("Basic/topic-laboratory-results", json=topic())).raise_for_status()
        patient = {"resourceType": "Patient", "id": PATIENT}
        (await client.put(f"Patient/{PATIENT}", json=patient)).raise_for_status()
        await hooks.keeper.keep(now=clock.now())

        async def heard(kind: str) -> bool:
            await hooks.keeper.keep(now=clock.now())
            return kind in recorded.kinds()

        async def active() -> bool:
            await hooks.keeper.keep(now=clock.now())
            return hooks.watch.hooks["topic"].active_since is not None

        await until(active)
        (await client.put("Observation/told", json=a_potassium("told", 2.2))).raise_for_status()
        await until(lambda: heard("event-notification"))
        await until(lambda: heard("heartbeat"))
        assert {status for *_, status in recorded.exchanges} == {200, 202}
        assert hooks.hints.take().patients == {PATIENT}
        [body] = await subscriptions(client)
        (await client.delete(f"Subscription/{body['id']}")).raise_for_status()
    shown = _shown(
        site, recorded, {telling_server.base: "https://fhir.hospital.example", root: "https://andante.example"}
    )
    check_part("subscriptions.md", "exchange", shown)


def _kind(body: Json) -> str:
    if body.get("resourceType") != "Bundle":
        return ""
    parameters = body["entry"][0]["resource"]["parameter"]
    return next((str(part["valueCode"]) for part in parameters if part["name"] == "type"), "")


def _shown(site: HookSite, recorded: Recorded, names: dict[str, str]) -> str:
    """Our Subscription and one notification of each kind, without what is different each time."""
    parts = [("We write, through the gate", subscription(site, "topic", now=MORNING), None)]
    for kind in ("handshake", "event-notification", "heartbeat"):
        line, body, status = next(one for one in recorded.exchanges if _kind(one[1]) == kind)
        article = "an" if kind.startswith("e") else "a"
        parts.append((f"The server sends {article} {kind}: `{line}`", body, status))
    told = []
    for title, body, status in parts:
        told.append(f"{title}\n\n```json\n{json.dumps(body, indent=2, ensure_ascii=False)}\n```\n")
        if status is not None:
            told.append(f"We answer {status}, with no body.\n")
    text = "\n".join(told).replace(SECRET, "(the secret)")
    for actual, name in names.items():
        text = text.replace(actual, name)
    text = re.sub(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", "00000000-0000-0000-0000-000000000000", text)
    text = re.sub(r'("(?:id|reference)": "(?:[^"]*Subscription/)?)[0-9a-f]{32}"', r'\1subscription-1"', text)
    text = re.sub(r"(Subscription/)[A-Za-z0-9-]+", r"\1subscription-1", text)
    text = re.sub(r'"id": "(?!topic)[A-Za-z0-9-]{16,}"', '"id": "notification-1"', text)
    return re.sub(r"20[0-9]{2}-[0-9]{2}-[0-9]{2}T[0-9:.]+(Z|[+-][0-9:]+)", "2031-03-26T06:30:00Z", text)
