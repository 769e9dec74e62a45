"""CDS Hooks over HTTP against the fictional hospital: discovery, where a patient stands, drafts weighed, bad input."""

import json
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from httpx import ASGITransport, AsyncClient, Response
from starlette.types import ASGIApp

from andante import app, settings
from andante.assess import assess_chart
from andante.audit import verify
from andante.chart.bundle import read_charts
from andante.demo import Stage, read_script, staged
from andante.errors import InputError
from andante.settings import Settings
from andante.triggers.cds_hooks.call import MOST_DRAFTS
from andante.triggers.cds_hooks.catalogue import OFFERS, templates
from andante.triggers.cds_hooks.routes import MOST_BYTES
from andante.triggers.web import create_app
from cds_client import ISSUER, SERVICE, Client, a_call, a_draft, drafts, ec_key, key_set

Json = dict[str, Any]
STAYS = datetime.fromisoformat("2031-03-27T06:30:00+00:00")
STORIES = ("plain-course", "severe-fall", "order-without-density", "parenteral", "not-at-risk", "low-before-feeding")
VIEW, SELECT, SIGN = "andante-patient-view", "andante-order-select", "andante-order-sign"
LOOPBACK = "http://127.0.0.1"


@pytest.fixture
def stage() -> Iterator[Stage]:
    with staged(read_script(STORIES)) as stage:
        stage.play_until(STAYS)
        yield stage


class Clock:
    def __init__(self, now: datetime) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock(STAYS)


def built(**given: Any) -> app.Service:
    return app.build(Settings.model_validate({"zone": "Europe/Dublin", **given}))


@asynccontextmanager
async def served(application: ASGIApp, *, base: str = LOOPBACK, peer: str = "127.0.0.1") -> AsyncIterator[AsyncClient]:
    started = application.router.lifespan_context(application)  # type: ignore[attr-defined]
    transport = ASGITransport(application, client=(peer, 40_000))
    async with started, AsyncClient(transport=transport, base_url=base) as client:
        yield client


def application_of(stage: Stage, clock: Clock, **given: Any) -> ASGIApp:
    service = built(**given)
    return create_app(service, now=clock, connection=service.connect(stage.base), schedule=False)


@pytest.fixture
async def client(stage: Stage, clock: Clock) -> AsyncIterator[AsyncClient]:
    """A machine for development: no proof of the caller is asked for."""
    async with served(application_of(stage, clock, cds_development=True)) as client:
        yield client


async def ask(client: AsyncClient, service: str, call: Json, **more: Any) -> Response:
    return await client.post(f"/cds-services/{service}", json=call, **more)


async def cards(client: AsyncClient, service: str, call: Json) -> list[Json]:
    answer = await ask(client, service, call)
    assert answer.status_code == 200, answer.text
    body = answer.json()
    assert set(body) == {"cards"}  # no systemActions, ever
    found: list[Json] = body["cards"]
    for card in found:
        assert len(card["summary"]) < 140
        assert card["indicator"] in ("info", "warning", "critical")
        assert card["source"]["label"] == "Andante"
        assert "suggestions" not in card
        assert "Decision support for licensed clinicians" in card["detail"]
    return found


async def draft_card(
    client: AsyncClient, *orders: Json, service: str = SIGN, patient: str = "quillfeather"
) -> Json | None:
    hook = OFFERS[service].hook.value
    found = await cards(client, service, a_call(hook, patient, draftOrders=drafts(*orders)))
    assert len(found) <= 1
    return found[0] if found else None


# --------------------------------------------------------------------------- discovery


async def test_three_services_are_offered_with_what_they_would_like_to_be_sent(client: AsyncClient) -> None:
    services = (await client.get("/cds-services")).json()["services"]
    assert [(s["id"], s["hook"]) for s in services] == [
        (VIEW, "patient-view"),
        (SELECT, "order-select"),
        (SIGN, "order-sign"),
    ]
    for service in services:
        assert service["title"]
        assert "Decision support for licensed clinicians" in service["description"]
        assert service["prefetch"]["patient"] == "Patient/{{context.patientId}}"
        assert service["prefetch"]["nutrition-order"] == "NutritionOrder?patient={{context.patientId}}"
        assert service["prefetch"]["observation"].startswith(
            "Observation?patient={{context.patientId}}&category=laboratory"
        )


async def test_a_client_may_ask_for_what_is_offered_only(client: AsyncClient) -> None:
    assert (await ask(client, "andante-encounter-discharge", a_call())).status_code == 404
    assert (await client.get(f"/cds-services/{VIEW}")).status_code == 405


async def test_without_clients_and_without_saying_so_there_are_no_hooks(stage: Stage, clock: Clock) -> None:
    async with served(application_of(stage, clock)) as client:
        assert (await client.get("/cds-services")).status_code == 404
        assert (await ask(client, VIEW, a_call())).status_code == 404


# --------------------------------------------------------------------------- where a patient stands


async def test_one_card_says_where_the_patient_stands(client: AsyncClient, stage: Stage) -> None:
    (card,) = await cards(client, VIEW, a_call())
    assert card["summary"].startswith("Stay at the present energy: ")
    assert "**Why**" in card["detail"]
    assert "**What would change this**" in card["detail"]
    assert card["source"]["topic"]["code"] == "stay"
    assert card["source"]["topic"]["system"].endswith("/CodeSystem/advice")


async def test_it_says_what_a_round_would_say(client: AsyncClient, stage: Stage, clock: Clock) -> None:
    service = built()
    async with service.connect(stage.base) as connection:
        hospital = service.hospital(connection, now=STAYS)
        (chart,) = [chart async for chart in hospital.reader.charts(["quillfeather"])]
    advice = assess_chart(chart, service.basis, now=STAYS).advice
    (card,) = await cards(client, VIEW, a_call())
    assert advice.headline[:60] in card["summary"]


async def test_danger_is_told_as_such(clock: Clock) -> None:
    worst = {"info": 0, "warning": 1, "critical": 2}
    seen = set()
    with staged(read_script(("severe-fall", "low-before-feeding", "plain-course"))) as early:
        service = built(cds_development=True)
        application = create_app(service, now=clock, connection=service.connect(early.base), schedule=False)
        async with served(application) as client:
            for hours in range(0, 84, 12):
                clock.now = STAYS + timedelta(hours=hours - 72)
                early.play_until(clock.now)
                for patient in patients(early):
                    found = await cards(client, VIEW, a_call(patient=patient))
                    seen |= {(card["source"]["topic"]["code"], card["indicator"]) for card in found}
    assert ("urgent-review", "critical") in seen
    assert not any(code == "urgent-review" and indicator != "critical" for code, indicator in seen)
    assert not any(code in ("hold", "halve") and worst[indicator] < 1 for code, indicator in seen)


def patients(stage: Stage) -> list[str]:
    living = stage.sandbox.endpoint.store.living("Patient")
    return [version.body["id"] for version in living if version.body is not None]


async def test_nothing_is_said_where_nobody_needs_to_act(client: AsyncClient, stage: Stage, clock: Clock) -> None:
    """`quillfeather` is stood down by then, `crumpton` not known to be at risk."""
    assert await cards(client, VIEW, a_call(patient="crumpton")) == []
    clock.now = STAYS + timedelta(days=4)
    stage.play_until(clock.now)
    assert await cards(client, VIEW, a_call()) == []
    assert await draft_card(client, a_draft(90)) is None


async def test_a_tube_feed_drafted_for_somebody_of_unknown_risk_is_watched(client: AsyncClient) -> None:
    card = await draft_card(client, a_draft(60, patient="crumpton"), patient="crumpton")
    assert card is not None
    assert card["indicator"] == "warning"


async def test_nothing_is_ever_written(client: AsyncClient, stage: Stage) -> None:
    await cards(client, VIEW, a_call())
    await draft_card(client, a_draft(200))
    assert stage.inbox() == []
    assert not stage.written


# --------------------------------------------------------------------------- drafts

# On the morning of 27 March quillfeather is fed at 50 mL/h, 1 kcal/mL, and the next step is not due yet.


async def test_a_draft_beyond_what_is_advised_is_told_with_the_sum(client: AsyncClient) -> None:
    card = await draft_card(client, a_draft(90))
    assert card is not None
    assert card["indicator"] == "warning"
    assert "more than" in card["summary"]
    assert "the draft brings 2160 kcal/day at its most in the first 24 h" in card["detail"]
    assert "together, if both run:" in card["detail"]
    assert "a nutrition order cannot say which order it replaces" in card["detail"]


async def test_a_draft_in_place_of_what_runs_is_fine_only_if_that_stops(client: AsyncClient) -> None:
    card = await draft_card(client, a_draft(10))
    assert card is not None
    assert card["summary"].startswith("Only if the running feed stops: 240 kcal/day")
    reasons = {reason["code"]: reason for reason in card["overrideReasons"]}
    assert reasons["running-feed-stops"]["system"].endswith("/CodeSystem/override-reason")
    assert all(reason["display"] for reason in reasons.values())


async def test_select_and_sign_answer_alike(client: AsyncClient) -> None:
    first, second = [await draft_card(client, a_draft(90), service=service) for service in (SELECT, SIGN)]
    assert first is not None
    assert second is not None
    assert {**first, "uuid": ""} == {**second, "uuid": ""}


async def test_a_draft_within_the_advice_is_passed_over_in_silence(
    client: AsyncClient, stage: Stage, clock: Clock
) -> None:
    """Before the first feed, under the first day's allowance."""
    before = datetime.fromisoformat("2031-03-24T09:00:00+00:00")
    with staged(read_script(("plain-course",))) as early:
        early.play_until(before)
        clock.now = before
        service = built(cds_development=True)
        application = create_app(service, now=clock, connection=service.connect(early.base), schedule=False)
        async with served(application) as client:
            (card,) = await cards(client, VIEW, a_call())
            assert card["source"]["topic"]["code"] == "start"
            at = before.isoformat()
            assert await draft_card(client, a_draft(20, dateTime=at)) is None
            told = await draft_card(client, a_draft(90, dateTime=at))
            assert told is not None
            assert "the first day's allowance" in told["summary"]
            assert "running-feed-stops" not in {reason["code"] for reason in told["overrideReasons"]}


UNREADABLE = [
    pytest.param(a_draft(40, None), "states no energy density", id="no density"),
    pytest.param(a_draft(40, 1000), "not plausible", id="a thousandfold density"),
    pytest.param(a_draft(-40), "not above zero", id="a negative rate"),
    pytest.param(a_draft(0), "not above zero", id="a rate of nothing"),
    pytest.param(a_draft(40, enteralFormula=None, oralDiet={"type": [{"text": "soft"}]}), "no energy", id="a diet"),
    pytest.param(a_draft(40, enteralFormula={"administrationInstruction": "40 mL/h"}), "no rate", id="free text only"),
    pytest.param(a_draft("fast"), "cannot be read", id="a rate that is no number"),
    pytest.param(
        a_draft(40, modifierExtension=[{"url": "https://x.example/not", "valueBoolean": True}]),
        "modifier extension",
        id="a modifier extension",
    ),
]


@pytest.mark.parametrize(("draft", "why"), UNREADABLE)
async def test_a_draft_that_cannot_be_read_is_said_to_be_unchecked(client: AsyncClient, draft: Json, why: str) -> None:
    card = await draft_card(client, draft)
    assert card is not None
    assert card["indicator"] == "warning"
    assert "cannot be checked" in card["summary"]
    assert why in card["detail"]


async def test_several_drafts_are_one_sum(client: AsyncClient) -> None:
    card = await draft_card(client, a_draft(10), a_draft(20, 1.5))
    assert card is not None
    assert "the draft brings 960 kcal/day" in card["detail"]


async def test_one_readable_draft_does_not_hide_an_unreadable_one(client: AsyncClient) -> None:
    card = await draft_card(client, a_draft(1), a_draft(10, None))
    assert card is not None
    assert "cannot be checked" in card["summary"]


async def test_a_draft_under_the_running_orders_own_id_does_not_hide_it(client: AsyncClient, stage: Stage) -> None:
    """Taken for a newer version of it, it would make a fed patient look unfed."""
    (running,) = {
        version.body["id"]
        for version in stage.sandbox.endpoint.store.living("NutritionOrder")
        if version.body is not None
        and version.body["patient"]["reference"] == "Patient/quillfeather"
        and version.body["status"] == "active"
    }
    named, unnamed = await draft_card(client, a_draft(90, id=running)), await draft_card(client, a_draft(90))
    assert named is not None
    assert unnamed is not None
    assert named["detail"] == unnamed["detail"]


@pytest.mark.parametrize("status", ["draft", "active", "on-hold", "unknown", "invented"])
async def test_whatever_a_draft_calls_itself_it_is_weighed(client: AsyncClient, status: str) -> None:
    card = await draft_card(client, a_draft(90, status=status, intent="plan"))
    assert card is not None
    assert "2160 kcal/day" in card["detail"]


@pytest.mark.parametrize("status", ["revoked", "completed", "entered-in-error"])
async def test_an_order_that_is_over_is_no_draft_and_takes_nothing_off(client: AsyncClient, status: str) -> None:
    assert await draft_card(client, a_draft(90, status=status)) is None
    both = await draft_card(client, a_draft(90, status=status), a_draft(90))
    alone = await draft_card(client, a_draft(90))
    assert both is not None
    assert alone is not None
    assert both["detail"] == alone["detail"]


ATC = "http://www.whocc.no/atc"


async def test_a_drug_that_carries_energy_counts_and_any_other_is_none_of_ours(
    client: AsyncClient, stage: Stage
) -> None:
    subject = {"reference": "Patient/quillfeather"}
    dose = [
        {
            "doseAndRate": [
                {"rateQuantity": {"value": 20, "unit": "mL/h", "system": "http://unitsofmeasure.org", "code": "mL/h"}}
            ]
        }
    ]
    sedative: Json = {
        "resourceType": "MedicationRequest",
        "status": "draft",
        "intent": "order",
        "subject": subject,
        "authoredOn": STAYS.isoformat(),
        "dosageInstruction": dose,
        "medicationCodeableConcept": {"coding": [{"system": ATC, "code": "N01AX10"}]},
    }
    card = await draft_card(client, sedative)
    assert card is not None
    assert "the draft brings 528 kcal/day" in card["detail"]
    stage.requests.clear()
    other = {
        **sedative,
        "medicationCodeableConcept": {"coding": [{"system": "http://www.whocc.no/atc", "code": "N02BE01"}]},
    }
    assert await draft_card(client, other) is None
    unread = {**sedative, "medicationReference": {"reference": "Medication/nowhere"}}
    del unread["medicationCodeableConcept"]
    assert await draft_card(client, unread) is None


async def test_orders_that_are_none_of_ours_cost_no_reading(client: AsyncClient, stage: Stage) -> None:
    stage.requests.clear()
    imaging = {"resourceType": "ServiceRequest", "status": "draft", "subject": {"reference": "Patient/quillfeather"}}
    assert await draft_card(client, imaging) is None
    assert not stage.requests


async def test_markdown_of_a_chart_does_not_come_alive(client: AsyncClient) -> None:
    evil = "![x](https://evil.example/a.png) <img src=x> www.evil.example"
    formula = a_draft(90, None)["enteralFormula"] | {"baseFormulaProductName": evil}
    card = await draft_card(client, a_draft(90, None, enteralFormula=formula))
    assert card is not None
    for raw in ("![x]", "<img", "https://evil", "www.evil"):
        assert raw not in card["detail"]


# --------------------------------------------------------------------------- bad input

BAD: list[tuple[str, Any, int, str]] = [
    ("another hook", a_call("order-sign", draftOrders=drafts()), 400, "answers the hook patient-view"),
    ("an invented hook", a_call("coffee-break"), 400, "answers the hook patient-view"),
    ("no hook", {k: v for k, v in a_call().items() if k != "hook"}, 400, "hook, hookInstance and context"),
    ("no context", {k: v for k, v in a_call().items() if k != "context"}, 400, "hook, hookInstance and context"),
    ("no patient", a_call(patientId=None), 400, "hook, hookInstance and context"),
    ("a patient that is a search", a_call(patient="a?_id=b"), 400, "no FHIR id"),
    ("a patient that is a path", a_call(patient="../Task"), 400, "no FHIR id"),
    ("hookInstance that is none", a_call() | {"hookInstance": "1"}, 400, "no UUID"),
    ("context of the wrong kind", a_call() | {"context": []}, 400, "hook, hookInstance and context"),
    ("prefetch of the wrong kind", a_call(prefetch=[1]), 400, "hook, hookInstance and context"),
    ("an array", [a_call()], 400, "hook, hookInstance and context"),
    ("nobody's id", a_call(patient="nobody"), 404, "not on the FHIR server"),
]


@pytest.mark.parametrize(("how", "call", "status", "why"), BAD, ids=[row[0] for row in BAD])
async def test_a_bad_call_is_told_what_is_wrong_without_being_repeated(
    client: AsyncClient, how: str, call: Any, status: int, why: str
) -> None:
    answer = await ask(client, VIEW, call)
    assert answer.status_code == status
    assert why in answer.json()["problem"]
    for said in ("quillfeather", "coffee", "nobody", "../"):
        assert said not in answer.text


BAD_DRAFTS: list[tuple[str, Any, str]] = [
    ("none at all", None, "draftOrders is missing"),
    ("no Bundle", {"resourceType": "Patient"}, "no FHIR Bundle"),
    ("a text", "drafts", "no FHIR Bundle"),
    ("of another patient", drafts(a_draft(10, patient="somebody")), "about another patient"),
    ("one of two of another patient", drafts(a_draft(10), a_draft(10, patient="somebody")), "about another patient"),
    ("of nobody", drafts(a_draft(10) | {"patient": {"display": "Anna"}}), "does not say whom"),
    ("without a type", drafts({"id": "x"}), "does not say what it is"),
    ("an empty entry", {"resourceType": "Bundle", "type": "collection", "entry": [{}]}, "without a resource"),
    ("too many", drafts(*[a_draft(1)] * (MOST_DRAFTS + 1)), f"more than {MOST_DRAFTS}"),
]


@pytest.mark.parametrize(("how", "orders", "why"), BAD_DRAFTS, ids=[row[0] for row in BAD_DRAFTS])
async def test_drafts_that_cannot_be_told_apart_are_refused_whole(
    client: AsyncClient, how: str, orders: Any, why: str
) -> None:
    answer = await ask(client, SIGN, a_call("order-sign", draftOrders=orders))
    assert answer.status_code == 400
    assert why in answer.json()["problem"]
    assert "somebody" not in answer.text


async def test_what_is_no_json_or_too_large_is_refused_unread(client: AsyncClient) -> None:
    address = f"/cds-services/{VIEW}"
    as_json = {"Content-Type": "application/json"}
    assert (await client.post(address, content=b"{", headers=as_json)).status_code == 400
    assert (await client.post(address, content=b"\xff\xfe", headers=as_json)).status_code == 400
    assert (await client.post(address, content=b"[" * 200_000, headers=as_json)).status_code == 400
    assert (await client.post(address, content=b"{}", headers={"Content-Type": "text/plain"})).status_code == 415
    assert (await client.post(address, content=b" " * (MOST_BYTES + 1), headers=as_json)).status_code == 413


async def test_a_server_that_is_away_is_told_as_such(clock: Clock) -> None:
    service = built(cds_development=True)
    application = create_app(service, now=clock, connection=service.connect("http://127.0.0.1:9/fhir"), schedule=False)
    async with served(application) as client:
        for service_id, call in ((VIEW, a_call()), (SIGN, a_call("order-sign", draftOrders=drafts(a_draft(5))))):
            answer = await ask(client, service_id, call)
            assert answer.status_code == 503  # never an empty answer, which would look like nothing to say
            assert answer.headers["Retry-After"]


# --------------------------------------------------------------------------- prefetch


async def sent_along(stage: Stage, patient: str = "quillfeather") -> Json:
    """What a client would send: its server's answer to each template."""
    async with AsyncClient(base_url=stage.base + "/") as server:
        found = {}
        for key, template in templates(built().plan, STAYS).items():
            address = template.replace("{{context.patientId}}", patient)
            path, _, query = address.partition("?")
            answer = await server.get(
                path,
                params=[tuple(p.split("=", 1)) for p in query.split("&") if p] + ([("_count", "900")] if query else []),
            )
            assert answer.status_code == 200, address
            found[key] = answer.json()
        return found


FOREIGN = "https://elsewhere.example/fhir"


async def test_from_what_is_sent_along_comes_the_same_card_and_no_server_is_asked(
    client: AsyncClient, stage: Stage
) -> None:
    (read,) = await cards(client, VIEW, a_call())
    prefetch = await sent_along(stage)
    stage.requests.clear()
    (sent,) = await cards(client, VIEW, a_call(prefetch=prefetch, fhirServer=FOREIGN))
    assert not stage.requests
    assert {**sent, "uuid": ""} == {**read, "uuid": ""}


async def test_without_it_our_own_server_is_read_if_it_is_the_callers_too(client: AsyncClient, stage: Stage) -> None:
    for server in (stage.base, stage.base + "/", None):
        assert await cards(client, VIEW, a_call(fhirServer=server))
    answer = await ask(client, VIEW, a_call(fhirServer=FOREIGN))
    assert answer.status_code == 412
    assert "missing are patient, encounter," in answer.json()["problem"]


@pytest.mark.parametrize(
    "address", ["http://169.254.169.254/latest", "file:///etc/passwd", "http://127.0.0.1:22", "//x", ""]
)
async def test_an_address_in_a_call_is_never_followed(client: AsyncClient, stage: Stage, address: str) -> None:
    stage.requests.clear()
    authorization = {"access_token": "secret-token", "token_type": "Bearer", "scope": "*", "subject": "x"}
    answer = await ask(client, VIEW, a_call(fhirServer=address, fhirAuthorization=authorization))
    assert answer.status_code == 412
    assert "secret-token" not in answer.text
    assert not stage.requests


Change = Callable[[Json], Any]
BROKEN: list[tuple[str, str, Change]] = [
    ("left out", "medication-request", lambda _: None),
    ("a failed search", "nutrition-order", lambda _: {"resourceType": "OperationOutcome", "issue": []}),
]


@pytest.mark.parametrize(("how", "key", "change"), BROKEN, ids=[row[0] for row in BROKEN])
async def test_a_part_that_is_missing_makes_the_whole_unused(
    client: AsyncClient, stage: Stage, how: str, key: str, change: Change
) -> None:
    prefetch = await sent_along(stage)
    prefetch[key] = change(prefetch[key])
    answer = await ask(client, VIEW, a_call(prefetch=prefetch, fhirServer=FOREIGN))
    assert answer.status_code == 412
    assert key in answer.json()["problem"]
    stage.requests.clear()
    assert await cards(client, VIEW, a_call(prefetch=prefetch))
    assert stage.requests  # our own server was read instead


FAILED = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "timeout"}]}
PARTIAL: list[tuple[str, Change]] = [
    ("a page of several", lambda b: b | {"link": [{"relation": "next", "url": "https://x.example/2"}]}),
    ("more were found than came", lambda b: b | {"total": 500}),
    (
        "an error within the answer",
        lambda b: (
            b
            | {
                "entry": [
                    *b.get("entry", []),
                    {
                        "resource": {
                            "resourceType": "OperationOutcome",
                            "issue": [{"severity": "error", "code": "timeout"}],
                        },
                        "search": {"mode": "outcome"},
                    },
                ]
            }
        ),
    ),
]


@pytest.mark.parametrize(("how", "change"), PARTIAL, ids=[row[0] for row in PARTIAL])
async def test_a_part_of_a_search_is_never_taken_for_the_whole(
    client: AsyncClient, stage: Stage, how: str, change: Change
) -> None:
    prefetch = await sent_along(stage)
    prefetch["observation"] = change(prefetch["observation"])
    (card,) = await cards(client, VIEW, a_call(prefetch=prefetch, fhirServer=FOREIGN))
    assert card["source"]["topic"]["code"] == "hold"
    assert "could not be read completely" in card["detail"]


async def test_data_of_another_patient_are_never_mixed_in(client: AsyncClient, stage: Stage) -> None:
    prefetch = await sent_along(stage)
    other = next(p for p in patients(stage) if p != "quillfeather")
    strange = await sent_along(stage, other)
    prefetch["observation"]["entry"] += strange["observation"]["entry"]
    prefetch["observation"]["total"] = len(prefetch["observation"]["entry"])
    answer = await ask(client, VIEW, a_call(prefetch=prefetch, fhirServer=FOREIGN))
    assert answer.status_code == 400
    assert "another patient" in answer.json()["problem"]
    wrong = await ask(client, VIEW, a_call(prefetch=strange, fhirServer=FOREIGN))
    assert wrong.status_code == 400
    assert "does not hold the patient" in wrong.json()["problem"]


async def test_what_is_sent_along_is_never_written_back(client: AsyncClient, stage: Stage) -> None:
    await cards(client, VIEW, a_call(prefetch=await sent_along(stage)))
    assert stage.inbox() == []
    assert not stage.written


async def test_the_templates_ask_for_all_that_a_round_reads(stage: Stage) -> None:
    """The chart out of them is the chart of a round, resource by resource."""
    prefetch = await sent_along(stage, "quillfeather")
    entries = [
        e
        for part in prefetch.values()
        for e in (part.get("entry", []) if part["resourceType"] == "Bundle" else [{"resource": part}])
    ]
    (sent,) = read_charts(
        json.dumps({"resourceType": "Bundle", "type": "collection", "entry": entries}).encode(), now=STAYS
    ).charts
    service = built()
    async with service.connect(stage.base) as connection:
        (read,) = [c async for c in service.hospital(connection, now=STAYS).reader.charts(["quillfeather"])]
    assert {r.reference for r in sent.resources()} >= {r.reference for r in read.resources()} - {
        r.reference for r in read.locations
    }


# --------------------------------------------------------------------------- who may call


@pytest.fixture
def keys(tmp_path: Path) -> Path:
    return tmp_path / "ehr-keys.json"


@asynccontextmanager
async def guarded(stage: Stage, clock: Clock, keys: Path, **more: Any) -> AsyncIterator[tuple[AsyncClient, Client]]:
    key = ec_key()
    keys.write_bytes(key_set(key))
    given = {"cds_clients": {ISSUER: str(keys)}, "public_url": SERVICE, "host": "0.0.0.0", "api_token": "t" * 24} | more
    async with served(application_of(stage, clock, **given), base=SERVICE, peer="10.1.2.3") as client:
        yield client, Client(key, clock)


async def test_every_call_proves_who_makes_it(stage: Stage, clock: Clock, keys: Path) -> None:
    async with guarded(stage, clock, keys) as (client, ehr):
        path = f"/cds-services/{VIEW}"
        stage.requests.clear()
        answer = await ask(client, VIEW, a_call())
        assert answer.status_code == 401
        assert answer.headers["WWW-Authenticate"].startswith("Bearer")
        assert not stage.requests
        headers = ehr.headers(path)
        assert (await ask(client, VIEW, a_call(), headers=headers)).status_code == 200
        assert (await ask(client, VIEW, a_call(), headers=headers)).status_code == 401  # used once
        wrong = ehr.headers(f"/cds-services/{SIGN}")
        assert (await ask(client, VIEW, a_call(), headers=wrong)).status_code == 401
        assert (await client.get("/cds-services")).status_code == 200


async def test_cards_lead_to_the_numbers_in_force(stage: Stage, clock: Clock, keys: Path) -> None:
    async with guarded(stage, clock, keys) as (client, ehr):
        answer = await ask(client, VIEW, a_call(), headers=ehr.headers(f"/cds-services/{VIEW}"))
    (card,) = answer.json()["cards"]
    assert card["source"]["url"] == SERVICE
    assert [(link["url"], link["type"]) for link in card["links"]] == [(f"{SERVICE}/protocol", "absolute")]


@pytest.mark.parametrize(
    ("peer", "headers"),
    [("10.1.2.3", {}), ("127.0.0.1", {"X-Forwarded-For": "10.1.2.3"}), ("127.0.0.1", {"Forwarded": "for=10.1.2.3"})],
)
async def test_development_is_for_this_machine_alone(
    stage: Stage, clock: Clock, peer: str, headers: dict[str, str]
) -> None:
    async with served(application_of(stage, clock, cds_development=True), peer=peer) as client:
        assert (await ask(client, VIEW, a_call(), headers=headers)).status_code == 401


WRONG_SETTINGS: list[tuple[Json, str]] = [
    ({"cds_development": True, "host": "0.0.0.0"}, "loopback only"),
    ({"cds_clients": {ISSUER: "keys.json"}}, "ANDANTE_PUBLIC_URL"),
    ({"cds_clients": {ISSUER: "keys.json"}, "public_url": "http://andante.example"}, "https"),
    ({"cds_clients": {ISSUER: "k"}, "public_url": SERVICE, "cds_development": True}, "not beside"),
    ({"cds_origins": "*"}, "an origin is"),
    ({"cds_origins": "https://a.example/path"}, "an origin is"),
]


@pytest.mark.parametrize(("given", "why"), WRONG_SETTINGS)
def test_settings_that_would_let_anybody_in_stop_the_start(given: Json, why: str) -> None:
    with pytest.raises(InputError, match=why):
        settings.load(**given)


def test_keys_that_cannot_be_read_stop_the_start(stage: Stage, clock: Clock, tmp_path: Path) -> None:
    given = {"cds_clients": {ISSUER: str(tmp_path / "none.json")}, "public_url": SERVICE}
    with pytest.raises(InputError, match="key set cannot be read"):
        application_of(stage, clock, **given)


PREFLIGHT = {"Access-Control-Request-Method": "POST", "Access-Control-Request-Headers": "authorization,content-type"}


async def test_pages_of_other_origins_are_kept_out_unless_listed(stage: Stage, clock: Clock) -> None:
    listed = "https://ehr.lanternmoor.example"
    for origins, origin, allowed in (
        ((), listed, None),
        ((listed,), listed, listed),
        ((listed,), "https://x.example", None),
    ):
        async with served(application_of(stage, clock, cds_development=True, cds_origins=origins)) as client:
            headers = {"Origin": origin}
            asked = await client.options(f"/cds-services/{VIEW}", headers=headers | PREFLIGHT)
            assert asked.headers.get("access-control-allow-origin") == allowed
            answer = await ask(client, VIEW, a_call(), headers=headers)
            assert answer.headers.get("access-control-allow-origin") == allowed
            elsewhere = await client.get("/protocol", headers=headers)
            assert "access-control-allow-origin" not in elsewhere.headers


# --------------------------------------------------------------------------- feedback and audit

CARD = "4e0a3a1e-3283-4575-ab82-028d55fe2719"
REASONS = "https://andante.example/fhir/CodeSystem/override-reason"


def feedback(**more: Any) -> Json:
    return {"feedback": [{"card": CARD, "outcome": "overridden", "outcomeTimestamp": "2031-03-27T06:31:00Z"} | more]}


def reason(code: str, system: str = REASONS, comment: str = "Anna says no") -> Json:
    return {"overrideReason": {"reason": {"code": code, "system": system}, "userComment": comment}}


@asynccontextmanager
async def audited(stage: Stage, clock: Clock, path: Path) -> AsyncIterator[AsyncClient]:
    async with served(application_of(stage, clock, cds_development=True, audit_file=path)) as client:
        yield client


def lines(path: Path, action: str) -> list[Json]:
    return [line for line in map(json.loads, path.read_text().splitlines()) if line["action"] == action]


async def test_what_became_of_a_card_is_recorded_by_codes_alone(stage: Stage, clock: Clock, tmp_path: Path) -> None:
    path = tmp_path / "audit.jsonl"
    async with audited(stage, clock, path) as client:
        for more in (
            reason("running-feed-stops"),
            reason("running-feed-stops", system="https://elsewhere.example"),
            reason("Anna's own words"),
            {},
            {"outcome": "accepted", "acceptedSuggestions": [{"id": CARD}]},
        ):
            answer = await client.post(f"/cds-services/{SIGN}/feedback", json=feedback(**more))
            assert answer.status_code == 200
    found = lines(path, "cds-feedback")
    assert [(line["outcome"], line.get("reason")) for line in found] == [
        ("overridden", "running-feed-stops"),
        ("overridden", "other"),
        ("overridden", "other"),
        ("overridden", None),
        ("accepted", None),
    ]
    assert all(line["cards"] == [CARD] for line in found)
    assert "Anna" not in path.read_text()
    assert verify(path).whole


BAD_FEEDBACK: list[Any] = [
    {},
    {"feedback": []},
    {"feedback": [{}]},
    feedback(card="x"),
    feedback(outcome="liked"),
    feedback(outcomeTimestamp="soon"),
    {"feedback": feedback()["feedback"] * 101},
    [],
]


@pytest.mark.parametrize("body", BAD_FEEDBACK)
async def test_bad_feedback_is_refused(client: AsyncClient, body: Any) -> None:
    assert (await client.post(f"/cds-services/{VIEW}/feedback", json=body)).status_code == 400


async def test_feedback_about_a_service_there_is_not_is_not_found(client: AsyncClient) -> None:
    assert (await client.post("/cds-services/other/feedback", json=feedback())).status_code == 404


async def test_feedback_proves_its_sender_by_a_token_for_it_or_for_its_service(
    stage: Stage, clock: Clock, keys: Path
) -> None:
    async with guarded(stage, clock, keys) as (client, ehr):
        here = f"/cds-services/{SIGN}"
        for path, status in ((here, 200), (f"{here}/feedback", 200), (f"/cds-services/{VIEW}", 401)):
            answer = await client.post(f"{here}/feedback", json=feedback(), headers=ehr.headers(path))
            assert answer.status_code == status


async def test_a_call_is_recorded_with_who_whom_and_the_card_but_nothing_of_the_chart(
    stage: Stage, clock: Clock, tmp_path: Path
) -> None:
    path = tmp_path / "audit.jsonl"
    async with audited(stage, clock, path) as client:
        (card,) = await cards(client, VIEW, a_call())
        await ask(client, VIEW, a_call(patient="nobody"))
    answered, failed = lines(path, "cds-call")
    assert answered["patients"] == ["Patient/quillfeather"]
    assert (answered["user"], answered["service"]) == ("Practitioner/ada", VIEW)
    assert (answered["cards"], answered["outcome"]) == ([card["uuid"]], "1 cards")
    assert answered["request"] == a_call()["hookInstance"]
    assert failed["outcome"] == "404"
    text = path.read_text()
    assert "mmol" not in text
    assert "kcal" not in text
    assert verify(path).whole


async def test_a_call_that_cannot_be_recorded_is_not_answered(stage: Stage, clock: Clock) -> None:
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("this system has no /dev/full")
    service = built(cds_development=True, audit_file=full)
    unaudited = replace(service, settings=service.settings.model_copy(update={"audit_file": None}))
    connection = unaudited.connect(stage.base)  # so that the reads come through and only the call cannot be recorded
    async with served(create_app(service, now=clock, connection=connection, schedule=False)) as client:
        answer = await ask(client, VIEW, a_call())
    assert answer.status_code == 503
    assert "audit log" in answer.json()["problem"]
