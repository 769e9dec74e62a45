"""Everything that leaves for the FHIR server has its line; a write has it before it leaves."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest

from andante.audit import AuditLog, verify
from andante.errors import AuditFailed, Unreachable
from andante.fhir_http.audited import Asked, AuditedTransport, describe
from andante.fhir_http.cleared import Cleared
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.origin import Origin
from andante.fhir_http.read import FhirReader
from andante.fhir_http.retry import RetryPolicy
from andante.fhir_http.write import FhirWriter

BASE = "https://ward.example.org/fhir"
TASK = {
    "resource": {"resourceType": "Task", "for": {"reference": "Patient/p1"}, "description": "phosphate 0.62 mmol/L"},
    "request": {"method": "POST", "url": "Task", "ifNoneExist": "identifier=https://a.example/identifier/advice|ab.cd"},
}
NOTICE = {
    "resource": {"resourceType": "CommunicationRequest", "subject": {"reference": "Patient/p1"}},
    "request": {"method": "PUT", "url": "CommunicationRequest/7", "ifMatch": 'W/"1"'},
}
GET_TASKS = {"request": {"method": "GET", "url": "Task"}}
DELETE_ONE = {"request": {"method": "DELETE", "url": "Task/1"}}
BUNDLE = json.dumps({"resourceType": "Bundle", "type": "transaction", "entry": [TASK, NOTICE]}).encode()


def batch(*entries: dict[str, Any]) -> bytes:
    return json.dumps({"resourceType": "Bundle", "type": "batch", "entry": list(entries)}).encode()


BOTH = ("Patient/p1", "Patient/p2")
ASKED = [
    ("GET", "/metadata", b"", Asked(action="capability", what=("metadata",))),
    ("GET", "/Patient/p1", b"", Asked(action="read", what=("Patient/p1",), patients=("Patient/p1",))),
    ("GET", "/Task/9/_history/2", b"", Asked(action="read", what=("Task/9",))),
    (
        "GET",
        "/Observation?patient=Patient/p1,Patient/p2&code=http://loinc.org|2823-3&date=ge2031-03-01",
        b"",
        Asked(action="search", what=("Observation",), patients=("Patient/p1", "Patient/p2")),
    ),
    ("GET", "/Patient?_id=p1%2Cp2", b"", Asked(action="search", what=("Patient",), patients=BOTH)),
    ("GET", "/Goal?subject:Patient=p1", b"", Asked(action="search", what=("Goal",), patients=("Patient/p1",))),
    ("GET", "/Encounter?status=in-progress", b"", Asked(action="search", what=("Encounter",))),
    ("GET", "?_getpages=abc&_getpagesoffset=20", b"", Asked(action="page")),
    ("GET", "/http://[::1?page=2", b"", Asked(action="search", what=("http:",))),  # a link of a hostile server's
    (
        "POST",
        "",
        batch(*({"request": {"method": "GET", "url": f"{kind}?patient=Patient/p1"}} for kind in ("Flag", "Goal"))),
        Asked(action="search", what=("Flag", "Goal"), patients=("Patient/p1", "Patient/p1")),
    ),
    (
        "POST",
        "",
        BUNDLE,
        Asked(
            action="write",
            what=("POST Task identifier=https://a.example/identifier/advice|ab.cd", "PUT CommunicationRequest/7"),
            patients=("Patient/p1", "Patient/p1"),
        ),
    ),
    ("POST", "", b"{}", Asked(action="write", what=("POST ",))),
    ("PUT", "/Subscription/1", b"{}", Asked(action="write", what=("PUT Subscription/1",))),
    ("DELETE", "/Task/1", b"", Asked(action="write", what=("DELETE Task/1",))),
    ("POST", "", batch(GET_TASKS, DELETE_ONE), Asked(action="write", what=("GET Task", "DELETE Task/1"))),
]


@pytest.mark.parametrize(("method", "path", "body", "asked"), ASKED)
def test_a_request_is_told_by_type_and_reference(method: str, path: str, body: bytes, asked: Asked) -> None:
    assert describe(method, f"{BASE}{path}", body, base=BASE) == asked


class Server:
    def __init__(self, log: AuditLog, answer: Callable[[httpx.Request], httpx.Response], base: str = BASE) -> None:
        self.requests: list[httpx.Request] = []
        self._answer = answer
        settings = ServerSettings(base=base, retry=RetryPolicy(attempts=2))
        self.connection = Connection(settings, transport=httpx.MockTransport(self._take), audit=log, sleep=no_wait)

    def _take(self, request: httpx.Request) -> httpx.Response:
        self.requests.append(request)
        return self._answer(request)


async def no_wait(_seconds: float) -> None: ...


def found_nothing(_request: httpx.Request) -> httpx.Response:
    return httpx.Response(200, json={"resourceType": "Bundle", "type": "searchset", "total": 0})


def wrote(_request: httpx.Request) -> httpx.Response:
    done = {"response": {"status": "201 Created"}}
    return httpx.Response(200, json={"resourceType": "Bundle", "type": "transaction-response", "entry": [done, done]})


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "audit.jsonl"


def lines(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text().splitlines()]


async def test_a_search_leaves_one_line_with_its_outcome_and_a_request_id_the_server_sees(path: Path) -> None:
    server = Server(AuditLog(path), found_nothing)
    await FhirReader(server.connection).search("Flag", (("patient", "Patient/p1"),))
    (line,) = lines(path)
    assert (line["action"], line["what"], line["patients"], line["outcome"]) == (
        "search",
        ["Flag"],
        ["Patient/p1"],
        "200",
    )
    assert server.requests[0].headers["X-Request-Id"] == line["request"]


@pytest.mark.parametrize(
    "typed",
    [
        "https://WARD.example.org/fhir",
        "https://ward.example.org:443/fhir",
        "http://ward.example.org:80/fhir/",
        "https://ward.example.org/fhir/übung",
        "https://ward.example.org/fhir/a%2fb",
        "https://wärd.example.org/fhir",
    ],
)
async def test_however_the_base_is_typed_reads_and_writes_have_their_lines(typed: str, path: Path) -> None:
    server = Server(AuditLog(path), found_nothing, base=typed)
    await FhirReader(server.connection).search("Flag", (("patient", "Patient/p1"),))
    await server.connection.post(BUNDLE, what="writing")
    told = [(line["action"], line["outcome"], line["patients"]) for line in lines(path)]
    assert told == [("search", "200", ["Patient/p1"]), *(("write", o, ["Patient/p1"]) for o in ("sending", "200"))]
    assert lines(path)[0]["what"] == ["Flag"]


@pytest.mark.parametrize(("method", "outcomes"), [("GET", ["200"]), ("POST", ["sending", "200"])])
async def test_what_is_sent_beside_the_base_has_its_line_too(method: str, outcomes: list[str], path: Path) -> None:
    log = AuditLog(path)
    through = AuditedTransport(httpx.MockTransport(found_nothing), log, Origin(BASE))
    async with httpx.AsyncClient(transport=through) as client:
        await client.request(method, "https://ward.example.org/elsewhere/Flag")
    assert [line["outcome"] for line in lines(path)] == outcomes


async def test_every_attempt_leaves_its_line(path: Path) -> None:
    answers = iter([httpx.Response(503), found_nothing(httpx.Request("GET", BASE))])
    await FhirReader(Server(AuditLog(path), lambda _: next(answers)).connection).search("Flag", ())
    assert [line["outcome"] for line in lines(path)] == ["503", "200"]


async def test_a_write_is_recorded_before_it_leaves_and_again_with_its_outcome(path: Path) -> None:
    known_when_sent: list[int] = []

    def answer(request: httpx.Request) -> httpx.Response:
        known_when_sent.append(len(lines(path)))
        return wrote(request)

    await FhirWriter(Server(AuditLog(path), answer).connection).transaction(Cleared(BUNDLE))
    assert known_when_sent == [1]
    before, after = lines(path)
    assert (before["outcome"], after["outcome"]) == ("sending", "200")
    assert before["request"] == after["request"]
    assert before["patients"] == ["Patient/p1"]
    assert verify(path).whole


async def test_nothing_of_what_is_written_is_in_the_log(path: Path) -> None:
    await FhirWriter(Server(AuditLog(path), wrote).connection).transaction(Cleared(BUNDLE))
    assert "0.62" not in path.read_text()
    assert "phosphate" not in path.read_text()


async def test_a_request_that_is_not_answered_has_its_line_too(path: Path) -> None:
    def away(_request: httpx.Request) -> httpx.Response:
        raise httpx.ConnectError("refused")

    with pytest.raises(Unreachable):
        await FhirWriter(Server(AuditLog(path), away).connection).transaction(Cleared(BUNDLE))
    assert [line["outcome"] for line in lines(path)] == ["sending", "no answer: ConnectError"]


class FullDisk(AuditLog):
    """Writes the first so many lines, and none after."""

    def __init__(self, path: Path, *, room_for: int) -> None:
        super().__init__(path)
        self._room = room_for

    def record(self, action: str, **facts: Any) -> None:  # type: ignore[override]
        self._room -= 1
        if self._room < 0:
            raise AuditFailed("the audit log could not be written (No space left on device)")
        super().record(action, **facts)


async def test_a_write_that_cannot_be_recorded_is_not_sent(path: Path) -> None:
    server = Server(FullDisk(path, room_for=0), wrote)
    with pytest.raises(AuditFailed):
        await FhirWriter(server.connection).transaction(Cleared(BUNDLE))
    assert server.requests == []


async def test_a_read_that_cannot_be_recorded_is_not_used(path: Path) -> None:
    with pytest.raises(AuditFailed):
        await FhirReader(Server(FullDisk(path, room_for=0), found_nothing).connection).search("Flag", ())


async def test_where_only_the_outcome_of_a_write_is_lost_the_intent_stands(path: Path) -> None:
    with pytest.raises(AuditFailed):
        await FhirWriter(Server(FullDisk(path, room_for=1), wrote).connection).transaction(Cleared(BUNDLE))
    assert [line["outcome"] for line in lines(path)] == ["sending"]
