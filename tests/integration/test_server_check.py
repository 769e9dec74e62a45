"""`check-server`: what it says of a server that has everything, and of the same server with one thing wrong."""

import json
from collections.abc import Callable, Iterator
from datetime import datetime
from email.utils import format_datetime
from typing import Any
from urllib.parse import parse_qsl, urlencode

import httpx
import pytest

from andante import app, settings
from andante.demo import Stage, read_script, staged
from andante.errors import AccessRefused, Unreachable
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.retry import RetryPolicy
from andante.present.as_checked import checked_json, checked_markdown, checked_view
from andante.present.as_text import console
from andante.sandbox import Sandbox, Seen
from andante.server_check.finding import Report, State, Verdict
from andante.server_check.run import check_server
from andante.writeback.allowlist import load_allowlist
from andante.writeback.probe import TEXT, Probe
from commands import Shell

EVENING = datetime.fromisoformat("2031-03-27T20:00:00+00:00")
BASE = "http://127.0.0.1/fhir"
SERVICE = app.build(settings.defaults(zone="UTC"))
Json = dict[str, Any]
Answer = httpx.Response | Exception
Tamper = Callable[[httpx.Request, httpx.Response], Answer]


class Tampered(httpx.AsyncBaseTransport):
    """The sandbox, with something changed on the way to it or back."""

    def __init__(self, sandbox: Sandbox, back: Tamper, there: Callable[[httpx.Request], httpx.Request]) -> None:
        self._inner = httpx.ASGITransport(sandbox.app)
        self._back, self._there = back, there

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        await request.aread()
        answer = await self._inner.handle_async_request(self._there(request))
        await answer.aread()
        changed = self._back(request, httpx.Response(answer.status_code, headers=_kept(answer), content=answer.content))
        if isinstance(changed, Exception):
            raise changed
        return changed


@pytest.fixture(scope="module")
def resources() -> list[Json]:
    with staged(read_script(("plain-course", "severe-fall", "refractory-phosphate"))) as stage:
        versions = {(body["resourceType"], body["id"]): body for at, body in stage.script.known if at <= EVENING}
    return list(versions.values())


class Hospital:
    def __init__(self, resources: list[Json]) -> None:
        self.seen: list[Seen] = []
        self.sandbox = Sandbox(now=lambda: EVENING, record=self.seen.append)
        self.sandbox.load(resources)

    async def check(
        self,
        back: Tamper = lambda _, answer: answer,
        there: Callable[[httpx.Request], httpx.Request] = lambda request: request,
        *,
        writes: bool = False,
        **how: Any,
    ) -> Report:
        server = ServerSettings(base=BASE, retry=RetryPolicy(attempts=1))
        async with Connection(server, transport=Tampered(self.sandbox, back, there)) as connection:
            probe = Probe(connection, site=SERVICE.site, gate=SERVICE.gate, now=EVENING) if writes else None
            return await check_server(
                connection,
                SERVICE.plan,
                open_items=app.open_item_questions(SERVICE.site),
                needs=SERVICE.needs,
                methods={name: tuple(one.statuses) for name, one in load_allowlist().items()},
                probe=probe,
                now=lambda: EVENING,
                **how,
            )

    def tasks(self) -> list[Json]:
        answer = self.sandbox.endpoint.search("Task", [("_count", "100")], base=BASE, strict=True)
        assert answer.body is not None
        return [entry["resource"] for entry in answer.body.get("entry", [])]


@pytest.fixture
def hospital(resources: list[Json]) -> Hospital:
    return Hospital(resources)


def state(report: Report, title: str) -> State:
    [one] = [one for one in report.findings if one.requirement.title == title]
    return one.state


def seen(report: Report, title: str) -> str:
    [one] = [one for one in report.findings if one.requirement.title == title]
    return one.seen


def is_search(request: httpx.Request, kind: str, **params: str) -> bool:
    asked = dict(parse_qsl(request.url.query.decode()))
    path = request.url.path.removeprefix("/fhir/")
    return request.method == "GET" and path == kind and all(asked.get(n, "").startswith(v) for n, v in params.items())


def edited(answer: httpx.Response, change: Callable[[Json], None]) -> httpx.Response:
    body = answer.json()
    change(body)
    return httpx.Response(answer.status_code, headers=_kept(answer), content=json.dumps(body))


def _kept(answer: httpx.Response) -> Json:
    names = ("Content-Type", "ETag", "Date", "Location")
    return {name: answer.headers[name] for name in names if name in answer.headers}


def on(kind: str, make: Callable[[httpx.Response], Answer], **params: str) -> Tamper:
    """Only searches of this type, with parameters that begin so."""
    return lambda request, answer: make(answer) if is_search(request, kind, **params) else answer


def refused(status: int) -> Callable[[httpx.Response], httpx.Response]:
    return lambda _: httpx.Response(status)


def at(path: str, make: Callable[[httpx.Response], Answer]) -> Tamper:
    return lambda request, answer: make(answer) if request.url.path.removeprefix("/fhir/") == path else answer


def both(*tampers: Tamper) -> Tamper:
    def tamper(request: httpx.Request, answer: httpx.Response) -> Answer:
        for one in tampers:
            changed = one(request, answer)
            if isinstance(changed, Exception):
                return changed
            answer = changed
        return answer

    return tamper


def without_type(kind: str) -> Tamper:
    def change(body: Json) -> None:
        body["rest"][0]["resource"] = [one for one in body["rest"][0]["resource"] if one["type"] != kind]

    return at("metadata", lambda answer: edited(answer, change))


def said(change: Callable[[Json], None]) -> Tamper:
    return at("metadata", lambda answer: edited(answer, change))


def emptied(answer: httpx.Response) -> httpx.Response:
    return edited(answer, lambda body: body.update(entry=[], total=0, link=[]))


# A server that has everything


async def test_everything_is_there_but_what_the_sandbox_does_without(hospital: Hospital) -> None:
    report = await hospital.check()
    assert {one.requirement.title for one in report.findings if one.state is not State.PRESENT} == {
        "SMART Backend Services",
        "Subscriptions (rest-hook)",
        "Creating and changing what is left for review",
        "Transactions",
        "Conditional create (If-None-Exist)",
    }
    assert state(report, "Transactions") is State.CLAIMED
    assert report.verdict is Verdict.WITH_FALLBACKS, "there is no SMART"


async def test_a_server_with_everything_is_usable(hospital: Hospital) -> None:
    report = await hospital.check(_smart(**ASYMMETRIC), writes=True)
    assert report.verdict is Verdict.USABLE
    assert {one.state for one in report.findings} == {State.PRESENT, State.CLAIMED}


async def test_nothing_is_written_unless_asked(hospital: Hospital) -> None:
    before = hospital.tasks()
    await hospital.check()
    assert {one.method for one in hospital.seen} == {"GET"}
    assert hospital.tasks() == before


async def test_every_search_of_a_round_is_tried(hospital: Hospital) -> None:
    """Each combination of type and parameters that a real round uses."""

    def shapes() -> set[tuple[str, frozenset[str]]]:
        paths = (one.path.partition("?") for one in hospital.seen if one.method == "GET")
        return {(kind, frozenset(name for name, _ in parse_qsl(query))) for kind, _, query in paths if query}

    await hospital.check()
    tried = shapes()
    hospital.seen.clear()
    async with Connection(ServerSettings(base=BASE), transport=httpx.ASGITransport(hospital.sandbox.app)) as connection:
        await SERVICE.run_round(connection, trigger="test", now=EVENING, dry_run=True)
    asked = shapes()
    assert len(asked) > 15
    assert asked <= tried


# The same server with one thing wrong


def _first_patient_only(request: httpx.Request) -> httpx.Request:
    asked = parse_qsl(request.url.query.decode())
    cut = [(n, v.split(",")[0] if n in ("_id", "patient") else v) for n, v in asked]
    return httpx.Request(request.method, request.url.copy_with(query=urlencode(cut).encode()), headers=request.headers)


def _blind_to_patients(request: httpx.Request) -> httpx.Request:
    if not is_search(request, "Flag") and not is_search(request, "Condition"):
        return request
    asked = [(n, v) for n, v in parse_qsl(request.url.query.decode()) if n != "patient"]
    url = request.url.copy_with(query=urlencode(asked).encode())
    return httpx.Request(request.method, url, headers=request.headers)


def _no_next(body: Json) -> None:
    body["link"] = [link for link in body.get("link", []) if link["relation"] != "next"]


def _next_elsewhere(body: Json) -> None:
    for link in body.get("link", []):
        if link["relation"] == "next":
            link["url"] = "http://inside.example/fhir?page=2"


def _without_version(body: Json) -> None:
    body["meta"].pop("versionId")


def _without_etag(answer: httpx.Response) -> httpx.Response:
    del answer.headers["ETag"]
    return answer


def _single(change: Callable[[httpx.Response], httpx.Response]) -> Tamper:
    def tamper(request: httpx.Request, answer: httpx.Response) -> httpx.Response:
        parts = request.url.path.removeprefix("/fhir/").split("/")
        single = parts[0] == "Patient" and len(parts) == 2 and parts[1] != "_history"
        return change(answer) if single else answer

    return tamper


def _vread_gone(request: httpx.Request, answer: httpx.Response) -> httpx.Response:
    return httpx.Response(404) if "/_history/" in request.url.path else answer


def _histories_gone(request: httpx.Request, answer: httpx.Response) -> httpx.Response:
    return httpx.Response(404) if request.url.path.endswith("/_history") else answer


def _clock(when: str) -> Tamper:
    date = format_datetime(datetime.fromisoformat(when), usegmt=True)
    return at(
        "metadata", lambda answer: httpx.Response(200, headers={**_kept(answer), "Date": date}, content=answer.content)
    )


def _smart(**body: Any) -> Tamper:
    return at(".well-known/smart-configuration", lambda _: httpx.Response(200, json=body))


ASYMMETRIC = {"token_endpoint": "https://x.example/t", "capabilities": ["client-confidential-asymmetric"]}
CENSUS, WHOLE, GROUPS = (
    "Encounter by status, class",
    "No search finds less than there is",
    "Several patients in one search",
)
VERSIONS, PAGES, SMART = "versionId, with an ETag", "Pages, by next links", "SMART Backend Services"
DEFECTS: list[tuple[str, Tamper, str, State, str, Verdict]] = [
    # what is wrong, how, which finding tells, as what, in which words, what comes of it
    (
        "the census is refused",
        on("Encounter", refused(403), status="in-progress"),
        CENSUS,
        State.MISSING,
        "refused (403)",
        Verdict.NOT_USABLE,
    ),
    (
        "feeding orders are not offered",
        both(on("NutritionOrder", refused(404)), without_type("NutritionOrder")),
        "NutritionOrder by patient",
        State.MISSING,
        "not offered",
        Verdict.NOT_USABLE,
    ),
    (
        "goals are not offered",
        both(on("Goal", refused(404)), without_type("Goal")),
        "Goal by patient",
        State.FALLBACK,
        "not offered",
        Verdict.WITH_FALLBACKS,
    ),
    (
        "goals are offered and refused",
        on("Goal", refused(400)),
        "Goal by patient",
        State.MISSING,
        "refused (400)",
        Verdict.NOT_USABLE,
    ),
    (
        "goals are not granted",
        both(on("Goal", refused(403)), without_type("Goal")),
        "Goal by patient",
        State.MISSING,
        "refused (403)",
        Verdict.NOT_USABLE,
    ),
    (
        "wards are refused",
        on("Location", refused(403)),
        "Location by id",
        State.FALLBACK,
        "refused (403)",
        Verdict.WITH_FALLBACKS,
    ),
    (
        "drugs of their own are refused",
        on("Medication", refused(403)),
        "Medication by id",
        State.MISSING,
        "refused (403)",
        Verdict.NOT_USABLE,
    ),
    (
        "what was left open cannot be searched",
        on("Task", refused(400), status="requested"),
        "Task by status, code",
        State.FALLBACK,
        "refused (400)",
        Verdict.WITH_FALLBACKS,
    ),
    (
        "a search breaks",
        on("Specimen", refused(500)),
        "Specimen by patient, collected",
        State.MISSING,
        "answered 500",
        Verdict.NOT_USABLE,
    ),
    (
        "a search is answered by a login page",
        on("Flag", lambda _: httpx.Response(200, html="<html>")),
        "Flag by patient",
        State.MISSING,
        "not FHIR JSON",
        Verdict.NOT_USABLE,
    ),
    (
        "200 with an OperationOutcome",
        on("Flag", lambda _: httpx.Response(200, json={"resourceType": "OperationOutcome", "issue": []})),
        "Flag by patient",
        State.MISSING,
        "an OperationOutcome came instead",
        Verdict.NOT_USABLE,
    ),
    (
        "a date parameter is misread, and finds nothing",
        on("MedicationAdministration", emptied, **{"effective-time": "ge"}),
        WHOLE,
        State.MISSING,
        "MedicationAdministration",
        Verdict.NOT_USABLE,
    ),
    (
        "answers have no next page",
        on("Encounter", lambda answer: edited(answer, _no_next), _count="1"),
        PAGES,
        State.FALLBACK,
        "no next link",
        Verdict.WITH_FALLBACKS,
    ),
    (
        "the next page is on another host",
        on("Encounter", lambda answer: edited(answer, _next_elsewhere), _count="1"),
        PAGES,
        State.MISSING,
        "set ANDANTE_REWRITE",
        Verdict.NOT_USABLE,
    ),
    (
        "resources carry no version",
        _single(lambda answer: edited(answer, _without_version)),
        VERSIONS,
        State.MISSING,
        "no versionId",
        Verdict.NOT_USABLE,
    ),
    ("there is no ETag", _single(_without_etag), VERSIONS, State.UNTRIED, "no ETag", Verdict.WITH_FALLBACKS),
    (
        "versions cannot be read",
        _vread_gone,
        "Earlier versions, by vread",
        State.FALLBACK,
        "refused (404)",
        Verdict.WITH_FALLBACKS,
    ),
    (
        "deletions are not told",
        _histories_gone,
        "Changes since, for everybody",
        State.FALLBACK,
        "cannot be asked",
        Verdict.WITH_FALLBACKS,
    ),
    (
        "an unknown parameter is let pass",
        on("Patient", lambda _: httpx.Response(200, json={}), _id="andante-check-1"),
        "Prefer: handling=strict",
        State.FALLBACK,
        "lets an unknown parameter pass",
        Verdict.WITH_FALLBACKS,
    ),
    (
        "the clock is fast",
        _clock("2031-03-27T22:00:00+00:00"),
        "Clock",
        State.FALLBACK,
        "7200 s ahead",
        Verdict.WITH_FALLBACKS,
    ),
    (
        "the clock is slow",
        _clock("2031-03-27T19:58:00+00:00"),
        "Clock",
        State.FALLBACK,
        "120 s behind",
        Verdict.WITH_FALLBACKS,
    ),
    (
        "it says nothing of itself",
        at("metadata", refused(404)),
        "FHIR R4",
        State.UNTRIED,
        "does not give its CapabilityStatement",
        Verdict.WITH_FALLBACKS,
    ),
    (
        "transactions are not claimed",
        said(lambda body: body["rest"][0].update(interaction=[])),
        "Transactions",
        State.UNTRIED,
        "only --write-probe can tell",
        Verdict.WITH_FALLBACKS,
    ),
    (
        "it names no types",
        said(lambda body: body.update(rest=[{"mode": "server"}])),
        "Creating and changing what is left for review",
        State.UNTRIED,
        "does not say",
        Verdict.WITH_FALLBACKS,
    ),
    (
        "its statement is misshapen within",
        said(lambda body: body.update(rest={"mode": 7}, software=[])),
        "Transactions",
        State.UNTRIED,
        "does not say",
        Verdict.WITH_FALLBACKS,
    ),
    (
        "tokens by a shared secret only",
        _smart(token_endpoint="https://x.example/t", capabilities=["client-confidential-symmetric"]),
        SMART,
        State.FALLBACK,
        "without keys",
        Verdict.WITH_FALLBACKS,
    ),
    (
        "signatures that are none",
        _smart(**ASYMMETRIC, token_endpoint_auth_signing_alg_values_supported=["none", "HS256"]),
        SMART,
        State.FALLBACK,
        "without RS384 or ES384",
        Verdict.WITH_FALLBACKS,
    ),
    (
        "a configuration that is a page",
        at(".well-known/smart-configuration", lambda _: httpx.Response(200, html="<html>")),
        SMART,
        State.FALLBACK,
        "not offered",
        Verdict.WITH_FALLBACKS,
    ),
    (
        "tokens by keys",
        _smart(**ASYMMETRIC, token_endpoint_auth_signing_alg_values_supported=["ES384"]),
        SMART,
        State.CLAIMED,
        "by ES384; scopes in version 2",
        Verdict.USABLE,
    ),
]


@pytest.mark.parametrize(
    ("what", "tamper", "title", "as_what", "words", "verdict"), DEFECTS, ids=[d[0] for d in DEFECTS]
)
async def test_one_thing_wrong_is_told_by_its_finding(
    hospital: Hospital, what: str, tamper: Tamper, title: str, as_what: State, words: str, verdict: Verdict
) -> None:
    report = await hospital.check(both(_smart(**ASYMMETRIC), tamper))
    assert state(report, title) is as_what
    assert words in seen(report, title)
    assert report.verdict is verdict


async def test_what_stays_away_when_several_are_asked_for_is_not_usable(hospital: Hospital) -> None:
    report = await hospital.check(there=_first_patient_only)
    assert (state(report, GROUPS), seen(report, GROUPS)) == (State.MISSING, "1 of two came")
    assert report.verdict is Verdict.NOT_USABLE


async def test_a_filter_ignored_without_a_word_is_noticed(hospital: Hospital) -> None:
    report = await hospital.check(there=_blind_to_patients)
    assert state(report, "Condition by patient") is State.FALLBACK
    assert report.verdict is Verdict.WITH_FALLBACKS


async def test_another_release_ends_the_check_at_once(hospital: Hospital) -> None:
    report = await hospital.check(said(lambda body: body.update(fhirVersion="5.0.0")), writes=True)
    assert (state(report, "FHIR R4"), report.verdict) == (State.MISSING, Verdict.NOT_USABLE)
    assert [one.path for one in hospital.seen] == ["metadata"]


async def test_an_empty_server_is_not_called_usable() -> None:
    report = await Hospital([]).check(_smart(**ASYMMETRIC))
    assert report.verdict is Verdict.WITH_FALLBACKS
    assert {state(report, title) for title in (GROUPS, WHOLE, PAGES, VERSIONS)} == {State.UNTRIED}


async def test_an_unencrypted_connection_is_told(hospital: Hospital) -> None:
    report = await hospital.check(is_private=False)
    assert state(report, "Encrypted connection") is State.FALLBACK


async def test_who_may_do_nothing_at_all_is_told_so(hospital: Hospital) -> None:
    with pytest.raises(AccessRefused, match="401"):
        await hospital.check(lambda _, answer: httpx.Response(401))


@pytest.mark.parametrize("after", [0, 1, 2, 5, 20, 35])
async def test_a_server_that_goes_away_is_not_judged(hospital: Hospital, after: int) -> None:
    left = iter(range(after))

    def leaving(request: httpx.Request, answer: httpx.Response) -> Answer:
        return answer if next(left, None) is not None else httpx.ConnectError("gone")

    with pytest.raises(Unreachable):
        await hospital.check(leaving)


# Writing


def _transactions(make: Callable[[httpx.Response], Answer]) -> Tamper:
    return lambda request, answer: make(answer) if request.method == "POST" else answer


def _sent(change: Callable[[Json], None]) -> Callable[[httpx.Request], httpx.Request]:
    def there(request: httpx.Request) -> httpx.Request:
        if request.method != "POST":
            return request
        body = json.loads(request.content)
        for entry in body["entry"]:
            change(entry["request"])
        headers = {name: value for name, value in request.headers.items() if name != "content-length"}
        return httpx.Request("POST", request.url, headers=headers, content=json.dumps(body))

    return there


def _unconditional(request: Json) -> None:
    request.pop("ifNoneExist", None)


def _unguarded(request: Json) -> None:
    request.pop("ifMatch", None)


async def test_on_a_good_server_every_write_is_as_needed(hospital: Hospital) -> None:
    before = {task["id"] for task in hospital.tasks()}
    report = await hospital.check(writes=True)
    tried = [one for one in report.findings if "(tried)" in one.requirement.title]
    assert len(tried) == 7
    assert {one.state for one in tried} == {State.PRESENT}
    [task] = [task for task in hospital.tasks() if task["id"] not in before]
    assert report.left == [f"Task/{task['id']}"]
    assert task["status"] == "cancelled"
    assert task["intent"] == "proposal"
    assert "for" not in task
    assert "encounter" not in task
    assert task["description"] == TEXT
    assert [tag["code"] for tag in task["meta"]["tag"]] == ["HTEST"]


async def test_only_a_task_and_its_provenance_are_written_and_only_through_the_gate(hospital: Hospital) -> None:
    await hospital.check(writes=True)
    writes = [one for one in hospital.seen if one.method != "GET"]
    assert {one.path for one in writes} == {""}
    assert {kind for one in writes for kind in one.written} == {"Task", "Provenance"}
    assert all(one.written[-1] == "Provenance" for one in writes)


async def test_a_round_after_it_sees_nothing_of_it(hospital: Hospital) -> None:
    await hospital.check(writes=True)
    async with Connection(ServerSettings(base=BASE), transport=httpx.ASGITransport(hospital.sandbox.app)) as connection:
        report = await SERVICE.run_round(connection, trigger="test", now=EVENING)
    assert report.whole
    probes = [task for task in hospital.tasks() if "for" not in task]
    assert [task["status"] for task in probes] == ["cancelled"]


FAULTY_WRITES: list[tuple[str, Json, str, State, Verdict]] = [
    (
        "transactions are refused",
        {"back": _transactions(refused(501))},
        "Transaction (tried)",
        State.MISSING,
        Verdict.NOT_USABLE,
    ),
    (
        "writing is not granted",
        {"back": _transactions(refused(403))},
        "Transaction (tried)",
        State.MISSING,
        Verdict.NOT_USABLE,
    ),
    (
        "it does not say where the Task is",
        {
            "back": _transactions(
                lambda answer: (
                    edited(answer, lambda body: [e["response"].pop("location", 0) for e in body["entry"]])
                    if answer.status_code == 200
                    else answer
                )
            )
        },
        "Transaction (tried)",
        State.MISSING,
        Verdict.NOT_USABLE,
    ),
    (
        "conditions are ignored",
        {"there": _sent(_unconditional)},
        "Conditional create (tried)",
        State.FALLBACK,
        Verdict.WITH_FALLBACKS,
    ),
    (
        "versions are ignored",
        {"there": _sent(_unguarded)},
        "If-Match on an old version is refused (tried)",
        State.MISSING,
        Verdict.NOT_USABLE,
    ),
    (
        "searches lag behind",
        {"back": on("Task", emptied, identifier="http")},
        "Found again by its identifier at once (tried)",
        State.FALLBACK,
        Verdict.WITH_FALLBACKS,
    ),
    (
        "a note is dropped",
        {
            "back": lambda request, answer: (
                edited(answer, lambda body: body.pop("note", None))
                if request.url.path.startswith("/fhir/Task/")
                else answer
            )
        },
        "Given back as written (tried)",
        State.MISSING,
        Verdict.NOT_USABLE,
    ),
    (
        "a tag is dropped",
        {
            "back": lambda request, answer: (
                edited(answer, lambda body: body.get("meta", {}).pop("tag", None))
                if request.url.path.startswith("/fhir/Task/")
                else answer
            )
        },
        "Given back as written (tried)",
        State.FALLBACK,
        Verdict.WITH_FALLBACKS,
    ),
    (
        "the reason of a cancelled Task is dropped",
        {
            "back": lambda request, answer: (
                edited(answer, lambda body: body.pop("statusReason", None))
                if request.url.path.startswith("/fhir/Task/")
                else answer
            )
        },
        "Change of status (tried)",
        State.MISSING,
        Verdict.NOT_USABLE,
    ),
    (
        "cancelled Tasks come back open",
        {
            "back": lambda request, answer: (
                edited(answer, lambda body: body.update(status="requested"))
                if request.url.path.startswith("/fhir/Task/")
                else answer
            )
        },
        "Change of status (tried)",
        State.MISSING,
        Verdict.NOT_USABLE,
    ),
]


@pytest.mark.parametrize(
    ("what", "tamper", "title", "as_what", "verdict"), FAULTY_WRITES, ids=[row[0] for row in FAULTY_WRITES]
)
async def test_a_fault_in_writing_is_told_and_what_was_written_is_taken_back(
    hospital: Hospital, what: str, tamper: Json, title: str, as_what: State, verdict: Verdict
) -> None:
    back = both(_smart(**ASYMMETRIC), tamper.get("back", lambda _, answer: answer))
    report = await hospital.check(**tamper | {"back": back}, writes=True)
    assert state(report, title) is as_what
    assert report.verdict is verdict
    probes = [task for task in hospital.tasks() if "for" not in task]
    if report.left:
        assert {f"Task/{task['id']}" for task in probes} == set(report.left)
        assert {task["status"] for task in probes} == {"cancelled"}


async def test_a_check_that_was_made_before_does_not_spoil_the_next(hospital: Hospital) -> None:
    first, second = await hospital.check(writes=True), await hospital.check(writes=True)
    assert [one.state for one in first.findings] == [one.state for one in second.findings]
    assert first.left != second.left


async def test_what_stays_behind_of_a_failed_transaction_is_cancelled_too(hospital: Hospital) -> None:
    """A server that carries out each entry by itself, as some do."""

    def alone(request: httpx.Request) -> httpx.Request:
        if request.method != "POST" or len(json.loads(request.content)["entry"]) < 3:
            return request
        body = json.loads(request.content)
        body["entry"] = [body["entry"][0]]
        headers = {name: value for name, value in request.headers.items() if name != "content-length"}
        return httpx.Request("POST", request.url, headers=headers, content=json.dumps(body))

    report = await hospital.check(there=alone, writes=True)
    assert state(report, "A transaction that fails leaves nothing (tried)") is State.FALLBACK
    assert len(report.left) == 2
    probes = [task for task in hospital.tasks() if "for" not in task]
    assert {task["status"] for task in probes} == {"cancelled"}
    assert len(probes) == 2


async def test_an_answer_lost_after_the_write_is_no_verdict(hospital: Hospital) -> None:
    with pytest.raises(Unreachable):
        await hospital.check(_transactions(lambda _: httpx.ReadTimeout("lost")), writes=True)


# What is printed


async def test_no_patient_is_named_in_any_format(hospital: Hospital, resources: list[Json]) -> None:
    report = await hospital.check(on("Goal", refused(500)), writes=True)
    printer = console()
    with printer.capture() as captured:
        printer.print(checked_view(report))
    everything = f"{captured.get()} {checked_markdown(report)} {json.dumps(checked_json(report))}"
    assert "Goal by patient" in everything
    names = {one["id"] for one in resources if one["resourceType"] in ("Patient", "Encounter", "Observation")}
    names |= {name["family"] for one in resources if one["resourceType"] == "Patient" for name in one["name"]}
    assert names
    assert not [name for name in names if name in everything]


async def test_the_formats_agree(hospital: Hospital) -> None:
    report = await hospital.check(writes=True)
    body = checked_json(report)
    assert (body["verdict"], body["exit_status"]) == ("with-fallbacks", 1)
    rows = [line for line in checked_markdown(report).splitlines() if line.startswith("| ")][2:]
    assert [(row.split(" | ")[0].removeprefix("| "), row.split(" | ")[2]) for row in rows] == [
        (one["what"], one["found"]) for one in body["findings"]
    ]
    assert all(one["means"] for one in body["findings"])


@pytest.fixture
def shell(capfdbinary: pytest.CaptureFixture[bytes], monkeypatch: pytest.MonkeyPatch) -> Shell:
    return Shell(capfdbinary, monkeypatch)


@pytest.fixture
def stage() -> Iterator[Stage]:
    with staged(read_script(("plain-course", "severe-fall"))) as stage:
        stage.play_until(EVENING)
        yield stage


def test_the_command_ends_with_the_verdict(shell: Shell, stage: Stage) -> None:
    done = shell("check-server", "--fhir", stage.base, "--format", "json")
    body = json.loads(done.out)
    assert (done.status, body["exit_status"]) == (1, 1)
    assert not body["wrote"]
    assert "POST" not in stage.requests
    text = shell("check-server", "--fhir", stage.base)
    assert "usable, with what is said below" in text.out
    assert "local protocol and clinical judgement" in text.out


def test_the_command_says_that_it_writes(shell: Shell, stage: Stage) -> None:
    done = shell("check-server", "--fhir", stage.base, "--write-probe", "--format", "markdown")
    assert done.status == 1
    assert "writes to this server" in done.err
    assert "may be deleted" in done.out
    assert set(stage.written) == {"Task", "Provenance"}


def test_a_server_that_does_not_answer_is_one_line_and_status_3(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("andante.fhir_http.connection.asyncio.sleep", _at_once)
    done = shell("check-server", "--fhir", "http://127.0.0.1:9/fhir")
    assert done.status == 3
    assert (done.out, len(done.err.splitlines())) == ("", 1)


async def _at_once(_seconds: float) -> None: ...


@pytest.mark.parametrize("base", ["ftp://x", "nowhere", "http://user:verysecret@x/fhir"])
def test_an_unusable_address_is_status_2(shell: Shell, base: str) -> None:
    done = shell("check-server", "--fhir", base)
    assert done.status == 2
    assert "verysecret" not in done.err
