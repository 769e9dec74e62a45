"""Invariant 9 on the whole fictional hospital: logs, metrics, traces and the operator's page tell of nobody.

Ten days of rounds, reviews, notifications and mishaps are run with every logger at DEBUG. What was told is searched for
the ids of all resources in the charts, hospital numbers, names, birth dates and levels. A level cannot be told from a
count where it is a whole number (one of 109 in the charts is), so what is searched for is any number with a decimal
point that is not one of our own measurements, named below: the text of a chart has them, a count never.
"""

import asyncio
import io
import json
import logging
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

import httpx
import pytest
from opentelemetry.sdk.trace import ReadableSpan
from opentelemetry.sdk.trace.export import SimpleSpanProcessor
from opentelemetry.sdk.trace.export.in_memory_span_exporter import InMemorySpanExporter
from prometheus_client.parser import text_string_to_metric_families
from pydantic import SecretStr

from andante import app, assess, log, settings
from andante.demo import Script, Stage, read_script
from andante.errors import AndanteError
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.retry import RetryPolicy
from andante.triggers.operations import overview
from andante.triggers.operations.meters import Meters
from andante.triggers.operations.traces import traced_through
from andante.triggers.web import create_app
from commands import kept_logging

SECRET = "notify-secret-0123456789abcdef"
OURS = frozenset({"time", "seconds"})  # facts of a log line that we measure ourselves
OWN_TIMES = re.compile(r"_(seconds|timestamp_seconds|bytes|fds|python_info)(_sum|_bucket|_total|_created)?$|_created$")
DECIMAL = re.compile(r"(?<![\d.])\d+\.\d+(?![\d.])")
HEX_ID = re.compile(r"[0-9a-f]{16}")
# Shared by everybody: where people lie, not who.
NOBODYS = frozenset({"Location", "Medication", "Organization"})


@dataclass(frozen=True, kw_only=True)
class Secrets:
    """What must not be told, each in lower case, by its kind."""

    ids: frozenset[str]
    numbers: frozenset[str]
    names: frozenset[str]
    births: frozenset[str]
    levels: frozenset[str]

    def in_text(self, text: str) -> list[str]:
        """Whole words only: `crumb` is a patient, `crumbling` would be a word."""
        words = set(re.findall(r"[\w][\w.\-]*[\w]", text.lower()))
        words |= {part for word in words for part in re.split(r"[./]", word)}
        known = self.ids | self.numbers | self.names | self.births
        return sorted(known & words) + sorted(set(DECIMAL.findall(text)))


def secrets_of(script: Script) -> Secrets:
    resources = [resource for _, resource in script.known]
    people = [resource for resource in resources if resource["resourceType"] == "Patient"]
    names = {
        part for one in people for name in one.get("name", ()) for part in (*name.get("given", ()), name.get("family"))
    }
    return Secrets(
        ids=frozenset(one["id"].lower() for one in resources if one["resourceType"] not in NOBODYS),
        numbers=frozenset(number["value"].lower() for one in people for number in one.get("identifier", ())),
        names=frozenset(name.lower() for name in names if name),
        births=frozenset(one["birthDate"] for one in people if one.get("birthDate")),
        levels=frozenset(
            str(one["valueQuantity"]["value"])
            for one in resources
            if one["resourceType"] == "Observation" and "value" in one.get("valueQuantity", {})
        ),
    )


@dataclass(kw_only=True)
class Told:
    """Everything that was told outside."""

    json_log: list[dict[str, Any]] = field(default_factory=list)
    text_log: list[str] = field(default_factory=list)
    metrics: str = ""
    pages: list[str] = field(default_factory=list)
    spans: list[dict[str, Any]] = field(default_factory=list)
    rounds: int = 0


def leaks(told: Told, secrets: Secrets) -> list[str]:
    """What was told of a patient, and where."""
    found: list[str] = []
    seen: set[tuple[str, str]] = set()

    def look(where: str, text: str) -> None:
        if (where, text) in seen:
            return
        seen.add((where, text))
        found.extend(f"{where}: {secret}" for secret in secrets.in_text(text))

    for line in told.json_log:
        for name, value in line.items():
            look(f"json log, {name}", name)
            if name not in OURS and not (name in ("round", "request") and HEX_ID.fullmatch(str(value))):
                look(f"json log, {name}", str(value))
    for text in told.text_log:
        time, *rest = text.split(" ")
        datetime.fromisoformat(time)
        look(
            "text log",
            " ".join(part for part in rest if not re.match(r"seconds=[\d.e-]+$|(round|request)=\w{16}$", part)),
        )
    for family in text_string_to_metric_families(told.metrics):
        for sample in family.samples:
            labels = {name: value for name, value in sample.labels.items() if name != "le"}
            look(f"metric {sample.name}", f"{sample.name} {family.documentation} {' '.join(labels)}")
            if sample.name not in ("andante_info", "python_info"):
                look(f"metric {sample.name}", " ".join(labels.values()))
            if not OWN_TIMES.search(sample.name) and sample.value != int(sample.value):
                found.append(f"metric {sample.name}: {sample.value} is no count")
    for page in told.pages:
        look("page", re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL))
    for span in told.spans:
        for name, value in span.items():
            if name not in ("andante.round_id", "andante.request_id"):
                look(f"span, {name}", f"{name} {value}")
    return sorted(set(found))


class Mishaps(httpx.AsyncBaseTransport):
    """Before the sandbox: now and then the server fails, and says so with all it knows of a patient."""

    def __init__(self, inner: httpx.AsyncBaseTransport) -> None:
        self._inner, self.left = inner, 0

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        if self.left > 0 and request.url.path.endswith("/Observation"):
            self.left -= 1
            diagnostics = "Ada Quillfeather (LM-3101, 1958-02-11): phosphate 0.41 mmol/L could not be read"
            issue = {"severity": "fatal", "code": "exception", "diagnostics": diagnostics}
            body = {"resourceType": "OperationOutcome", "issue": [issue]}
            return httpx.Response(500, json=body, headers={"Content-Type": "application/fhir+json"})
        return await self._inner.handle_async_request(request)


@asynccontextmanager
async def served(stage: Stage, mishaps: Mishaps) -> AsyncIterator[tuple[Any, httpx.AsyncClient]]:
    """The service with everything on that can tell of anything."""
    given = settings.defaults(
        zone=stage.script.zone.key,
        page_login="development",
        changes_every_s=300,
        notify_url="http://127.0.0.1/notify",
        notify_secret=SecretStr(SECRET),
    )
    connection = Connection(
        ServerSettings(base="http://ward.example/fhir", retry=RetryPolicy(attempts=1)), transport=mishaps
    )
    application = create_app(app.build(given), now=lambda: stage.now, connection=connection, schedule=False)
    transport = httpx.ASGITransport(application, raise_app_exceptions=False)
    async with (
        application.router.lifespan_context(application),
        httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client,
    ):
        yield application, client


def listen(level: str) -> tuple[io.StringIO, io.StringIO]:
    """Both forms of the log, of every logger there is, however much it says."""
    as_json, as_text = io.StringIO(), io.StringIO()
    log.start(level, as_json)
    (first,) = logging.getLogger().handlers
    log.start(level, as_text, form="text")
    logging.getLogger().addHandler(first)
    logging.getLogger().setLevel(logging.DEBUG)
    return as_json, as_text


def play(stage: Stage, *, days: int) -> Told:
    """Rounds of so many days, and all that may happen beside them."""
    told, exporter = Told(), InMemorySpanExporter()
    stage.play_until(next(stage.script.rounds(days))[1])
    mishaps = Mishaps(httpx.ASGITransport(stage.sandbox.app))
    with kept_logging(), traced_through(SimpleSpanProcessor(exporter)):
        as_json, as_text = listen("DEBUG")
        asyncio.run(_play(stage, told, mishaps, days))
    told.json_log = [json.loads(line) for line in as_json.getvalue().splitlines()]
    told.text_log = as_text.getvalue().splitlines()
    told.spans = [_plain_span(span) for span in exporter.get_finished_spans()]
    return told


async def _play(stage: Stage, told: Told, mishaps: Mishaps, days: int) -> None:
    async with served(stage, mishaps) as (application, client):
        run = application.state.run_round
        for number, (_, instant) in enumerate(stage.script.rounds(days)):
            stage.play_until(instant)
            mishaps.left = 60 if number % 5 == 4 else 0
            await run("round" if number % 2 == 0 else "night-watch")
            mishaps.left = 0
            stage.play_until(instant + timedelta(minutes=20))
            if number % 10 == 0:
                await run("changes")
            told.rounds += 1
        await _ask(stage, client)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(assess, "evaluate", _stumble)
            await run("round")
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("andante.changed.round.find_watched", _fall)
            with pytest.raises(RuntimeError):
                await run("round")
        for path in ("/operations", "/ready", "/health"):
            told.pages.append((await client.get(path)).text)
        told.metrics = (await client.get("/metrics")).text


def _stumble(picture: Any, *_: object) -> None:
    raise ValueError(f"{picture.patient}: Ada Quillfeather, LM-3101, phosphate 0.41")


async def _fall(*_: object) -> None:
    raise RuntimeError("Patient/quillfeather Ada Quillfeather 1958-02-11")


async def _ask(stage: Stage, client: httpx.AsyncClient) -> None:
    """One request about everybody, in every place in which a request can name somebody."""
    for _, one in stage.script.known:
        if one["resourceType"] != "Patient":
            continue
        ident, name = one["id"], one["name"][0]["text"]
        await client.post(f"/review/{ident}", headers={"X-Request-Id": ident})
        await client.get(f"/{ident}", params={"name": name})
        await client.get(f"/fhir/Patient/{ident}", headers={"User-Agent": name, "Cookie": f"andante={ident}"})
        await client.request("REPORT" + ident.upper()[:3], f"/page/patient/{ident}")
        for word in (SECRET, ident):
            await client.put(
                f"/notify/laboratory/Observation/{ident}-1",
                headers={"Authorization": f"Bearer {word}", "Content-Type": "application/fhir+json"},
                json={"resourceType": "Observation", "id": f"{ident}-1", "subject": {"reference": f"Patient/{ident}"}},
            )


def _plain_span(span: ReadableSpan) -> dict[str, Any]:
    assert not span.events, "an event of a span holds an error's text and stack"
    return {"name": span.name, "status": str(span.status.description), **(span.attributes or {})}


@pytest.fixture(scope="module")
def script() -> Script:
    return read_script()


@pytest.fixture(scope="module")
def secrets(script: Script) -> Secrets:
    return secrets_of(script)


@pytest.fixture(scope="module")
def told(script: Script) -> Told:
    return play(Stage(script), days=10)


def test_the_search_knows_what_to_look_for(secrets: Secrets) -> None:
    """Counted by hand from the charts' own files, so that an empty search is not taken for a clean log."""
    assert "quillfeather" in secrets.ids
    assert "lm-3105" in secrets.numbers
    assert {"everard", "mossop"} <= secrets.names
    assert "1961-05-17" in secrets.births
    assert {"0.70", "45"} <= secrets.levels
    assert len(secrets.ids) > 4000
    assert min(map(len, (secrets.numbers, secrets.births))) > 50
    assert len([level for level in secrets.levels if "." in level]) > 100


def test_there_is_something_to_search(told: Told, script: Script) -> None:
    actions = {line["action"] for line in told.json_log}
    assert {"round.started", "round.finished", "patient.failed", "request.answered", "library.message"} <= actions
    assert {line["kind"] for line in told.json_log if line["action"] == "library.message"} & {"httpx", "asyncio"}
    assert len(told.json_log) == len(told.text_log) > 1000
    assert told.rounds == script.days * 2
    assert {span["name"] for span in told.spans} >= {"round", "review", "request", "fhir.request"}
    assert 'andante_rounds_total{ending="failed",kind="round"} 1.0' in told.metrics
    patients = sum(one["resourceType"] == "Patient" for _, one in script.known)
    assert f"andante_hook_refused_total {float(patients)}" in told.metrics
    assert f'andante_hook_notifications_total{{hook="laboratory"}} {float(patients)}' in told.metrics
    assert 'andante_hook_silent{hook="laboratory"} 0.0' in told.metrics
    assert "whole" in told.pages[0]
    assert "in part" in told.pages[0]


def test_nothing_of_any_patient_is_told(told: Told, secrets: Secrets) -> None:
    assert leaks(told, secrets) == []


def test_what_belongs_together_can_be_found_together(told: Told) -> None:
    """Each round has an id of its own, and the failure of a patient can be traced to it."""
    of_rounds = [line for line in told.json_log if line["action"] in ("round.started", "round.finished")]
    assert all(HEX_ID.fullmatch(line["round"]) for line in of_rounds)
    assert len({line["round"] for line in of_rounds}) == sum(line["action"] == "round.started" for line in of_rounds)
    known = {line["round"] for line in of_rounds}
    assert {line.get("round") for line in told.json_log if line["action"] == "patient.failed"} <= known
    assert all(HEX_ID.fullmatch(line["request"]) for line in told.json_log if line["action"] == "request.answered")


# --------------------------------------------------------------------------- does the search bite?

NEEDLES = ["mossop", "mossop-body-1", "LM-3105", "Everard", "1961-05-17", "0.70", "Patient/mossop", "4.1"]


@pytest.mark.parametrize("needle", NEEDLES)
@pytest.mark.parametrize("where", ["json", "text", "label", "sample", "page", "span", "span name"])
def test_a_needle_put_anywhere_is_found(secrets: Secrets, where: str, needle: str) -> None:
    told = Told()
    match where:
        case "json":
            told.json_log = [{"time": "2031-03-24T06:30:00.000+00:00", "action": "round.failed", "kind": needle}]
        case "text":
            told.text_log = [f"2031-03-24T06:30:00.000+00:00 info round.failed kind={needle}"]
        case "label":
            told.metrics = f'andante_rounds_total{{kind="{needle}"}} 1.0\n'
        case "sample":
            told.metrics = f"andante_rounds_total {needle}\n" if "." in needle else 'a{b="mossop"} 1\n'
        case "page":
            told.pages = [f"<td>{needle}</td>"]
        case "span":
            told.spans = [{"name": "round", "andante.kind": needle}]
        case _:
            told.spans = [{"name": f"read {needle}"}]
    assert leaks(told, secrets)


def _logs_whom(patch: pytest.MonkeyPatch) -> None:
    """A careless hand logs the patient under a name that is allowed."""

    def problem(error: Exception) -> str:
        log.say("patient.failed", kind=str(error).partition(":")[0].removeprefix("Patient/"))
        return str(error) if isinstance(error, AndanteError) else type(error).__name__

    patch.setattr(assess, "_problem", problem)


def _counts_by_path(patch: pytest.MonkeyPatch) -> None:
    count = Meters.request

    def by_path(self: Meters, **given: Any) -> None:
        count(self, **{**given, "route": "/review/quillfeather"})

    patch.setattr(Meters, "request", by_path)


def _shows_whom(patch: pytest.MonkeyPatch) -> None:
    report = assess.report_of

    def telling(*given: Any, **named: Any) -> Any:
        made = report(*given, **named)
        return replace(made, remarks=(f"{made.outcomes[0].patient} could not be read",))

    patch.setattr(assess, "report_of", telling)
    patch.setattr("andante.changed.round.report_of", telling)


def _shows_a_level(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(overview, "_lasted", lambda lasted: "0.41 mmol/L")


def _traces_whom(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(log, "_plain", lambda value: "quillfeather" if value == "GET" else value)


@pytest.mark.parametrize("plant", [_logs_whom, _counts_by_path, _shows_whom, _shows_a_level, _traces_whom])
def test_a_leak_planted_in_the_program_is_found(plant: Any, secrets: Secrets) -> None:
    with pytest.MonkeyPatch.context() as patch:
        plant(patch)
        assert leaks(play(Stage(read_script(("plain-course",))), days=1), secrets)


def test_the_same_short_play_is_clean_without_a_plant(secrets: Secrets) -> None:
    assert leaks(play(Stage(read_script(("plain-course",))), days=1), secrets) == []
