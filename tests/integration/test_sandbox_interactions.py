"""The sandbox keeps the promises of the FHIR R4 http page, one interaction at a time."""

from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import pytest
from fhir.resources.R4B.bundle import Bundle
from fhir.resources.R4B.capabilitystatement import CapabilityStatement

from andante.sandbox import BASE_PATH, Sandbox, Seen

BASE = f"http://sandbox.test{BASE_PATH}"
START = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)


class Clock:
    """A clock that stands still until it is told otherwise."""

    def __init__(self) -> None:
        self.instant = START

    def __call__(self) -> datetime:
        return self.instant


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def seen() -> list[Seen]:
    return []


@pytest.fixture
async def client(clock: Clock, seen: list[Seen]) -> AsyncIterator[httpx.AsyncClient]:
    sandbox = Sandbox(now=clock, record=seen.append)
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app=sandbox.app), base_url=BASE) as client:
        yield client


def task(**elements: Any) -> dict[str, Any]:
    return {"resourceType": "Task", "status": "requested", "intent": "proposal"} | elements


async def test_metadata_is_a_valid_r4_statement_that_says_sandbox(client: httpx.AsyncClient) -> None:
    statement = (await client.get("metadata")).json()
    CapabilityStatement.model_validate(statement)
    assert statement["fhirVersion"] == "4.0.1"
    assert "sandbox, fictional data, not for clinical use" in statement["description"]
    tasks = next(r for r in statement["rest"][0]["resource"] if r["type"] == "Task")
    assert {"name": "identifier", "type": "token"} in tasks["searchParam"]


async def test_every_answer_and_the_front_page_say_sandbox(client: httpx.AsyncClient) -> None:
    assert "sandbox, fictional data" in (await client.get("http://sandbox.test/")).text
    assert "sandbox, fictional data" in (await client.get("Task")).headers["X-Notice"]


async def test_a_created_resource_is_found_at_its_location(client: httpx.AsyncClient) -> None:
    created = await client.post("Task", json=task(description="a"))
    assert (created.status_code, created.headers["ETag"]) == (201, 'W/"1"')
    found = await client.get(created.headers["Location"])
    assert found.json() == created.json()
    assert found.json()["meta"] == {"versionId": "1", "lastUpdated": "2026-03-01T06:00:00.000Z"}


async def test_times_come_from_the_given_clock(client: httpx.AsyncClient, clock: Clock) -> None:
    clock.instant = START + timedelta(days=2)
    answer = await client.put("Task/t", json=task(id="t"))
    assert answer.headers["Date"] == answer.headers["Last-Modified"] == "Tue, 03 Mar 2026 06:00:00 GMT"
    assert answer.json()["meta"]["lastUpdated"] == "2026-03-03T06:00:00.000Z"


async def test_decimals_keep_their_digits(client: httpx.AsyncClient) -> None:
    value = b'"code":{"text":"x"},"valueQuantity":{"value":0.80}'
    body = b'{"resourceType":"Observation","id":"o","status":"final",' + value + b"}"
    await client.put("Observation/o", content=body, headers={"Content-Type": "application/fhir+json"})
    assert '"value":0.80' in (await client.get("Observation/o")).text


async def test_an_update_keeps_the_old_version_and_the_tags(client: httpx.AsyncClient) -> None:
    tagged = {"tag": [{"system": "http://example.org", "code": "x"}], "versionId": "77"}
    assert (await client.put("Task/t", json=task(id="t", meta=tagged))).status_code == 201
    second = await client.put("Task/t", json=task(id="t", status="cancelled"), headers={"If-Match": 'W/"1"'})
    assert (second.status_code, second.headers["ETag"]) == (200, 'W/"2"')
    old = (await client.get("Task/t/_history/1")).json()
    assert (old["status"], old["meta"]["tag"], old["meta"]["versionId"]) == ("requested", tagged["tag"], "1")
    history = (await client.get("Task/t/_history")).json()
    Bundle.model_validate(history)
    assert [entry["resource"]["status"] for entry in history["entry"]] == ["cancelled", "requested"]


@pytest.mark.parametrize("etag", ['W/"2"', 'W/"0"', '"1"', "1", "nonsense"])
async def test_a_stale_or_strange_if_match_changes_nothing(client: httpx.AsyncClient, etag: str) -> None:
    await client.put("Task/t", json=task(id="t"))
    refused = await client.put("Task/t", json=task(id="t", status="cancelled"), headers={"If-Match": etag})
    assert refused.status_code == 412
    assert (await client.get("Task/t")).json()["status"] == "requested"


async def test_if_match_on_something_that_is_not_there_is_412(client: httpx.AsyncClient) -> None:
    answer = await client.put("Task/t", json=task(id="t"), headers={"If-Match": 'W/"1"'})
    assert answer.status_code == 412


async def test_a_conditional_create_makes_one_finds_one_and_refuses_two(client: httpx.AsyncClient) -> None:
    identifier = [{"system": "http://example.org/id", "value": "a|1"}]
    condition = {"If-None-Exist": "identifier=http://example.org/id|a%5C%7C1"}
    first = await client.post("Task", json=task(identifier=identifier), headers=condition)
    second = await client.post("Task", json=task(identifier=identifier), headers=condition)
    assert (first.status_code, second.status_code) == (201, 200)
    assert first.json() == second.json()
    await client.post("Task", json=task(identifier=identifier))
    assert (await client.post("Task", json=task(), headers=condition)).status_code == 412


@pytest.mark.parametrize("condition", ["bogus=1", "", "identifier="])
async def test_a_condition_that_is_not_understood_creates_nothing(client: httpx.AsyncClient, condition: str) -> None:
    answer = await client.post("Task", json=task(), headers={"If-None-Exist": condition})
    assert answer.status_code == 400
    assert (await client.get("Task")).json()["total"] == 0


async def test_a_deleted_resource_is_gone_but_its_history_is_not(client: httpx.AsyncClient) -> None:
    await client.put("Task/t", json=task(id="t"))
    assert (await client.delete("Task/t")).status_code == 204
    assert (await client.get("Task/t")).status_code == 410
    assert (await client.get("Task/t/_history/1")).status_code == 200
    assert (await client.get("Task")).json()["total"] == 0
    assert (await client.put("Task/t", json=task(id="t"))).status_code == 201


async def test_an_id_is_never_given_twice(client: httpx.AsyncClient) -> None:
    await client.put("Task/1", json=task(id="1"))
    await client.delete("Task/1")
    assert (await client.post("Task", json=task())).json()["id"] != "1"


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "Task/none", 404),
        ("GET", "Task/none/_history", 404),
        ("GET", "Task/none/_history/1", 404),
        ("GET", "Spaceship", 404),
        ("GET", "Spaceship/1", 404),
        ("GET", "Task/a/b/c/d", 404),
        ("PATCH", "Task/none", 405),
        ("DELETE", "metadata", 405),
    ],
)
async def test_what_is_not_there_is_said_with_an_outcome(
    client: httpx.AsyncClient, method: str, path: str, status: int
) -> None:
    answer = await client.request(method, path)
    assert answer.status_code == status
    assert answer.json()["resourceType"] == "OperationOutcome"


@pytest.mark.parametrize(
    ("content", "content_type", "status", "where"),
    [
        (b'{"resourceType":"Task","status":"requested"}', "application/json", 400, "Task.intent"),
        (
            b'{"resourceType":"Task","status":"requested","intent":"proposal","x":1}',
            "application/json",
            400,
            "Task.x",
        ),
        (
            b'{"resourceType":"Task","status":"requested","intent":"proposal","input":[{"valueString":"x"}]}',
            "application/json",
            400,
            "Task.input[0].type",
        ),
        (
            b'{"resourceType":"Task","status":"bogus","intent":"proposal"}',
            "application/json",
            400,
            "Task.status",
        ),
        (b'{"resourceType":"Task","status":["a"],"intent":"order"}', "application/json", 400, "Task.status"),
        (b'{"resourceType":"Patient"}', "application/json", 400, "resourceType"),
        (b'{"resourceType":"Task"', "application/json", 400, None),
        (b"[" * 100_000, "application/json", 400, None),
        (b"\xff\xfe", "application/json", 400, None),
        (b"[]", "application/json", 400, None),
        (b"null", "application/json", 400, None),
        (b"", "application/json", 400, None),
        (b"<Task/>", "application/fhir+xml", 415, None),
        (b"{}", "text/html", 415, None),
    ],
)
async def test_a_bad_resource_is_refused_with_its_path(
    client: httpx.AsyncClient, content: bytes, content_type: str, status: int, where: str | None
) -> None:
    answer = await client.post("Task", content=content, headers={"Content-Type": content_type})
    assert answer.status_code == status
    issues = answer.json()["issue"]
    assert where is None or where in [path for issue in issues for path in issue["expression"]]
    assert (await client.get("Task")).json()["total"] == 0


@pytest.mark.parametrize("ident", ["other", None])
async def test_an_update_needs_the_same_id_in_body_and_address(client: httpx.AsyncClient, ident: str | None) -> None:
    body = task(id=ident) if ident else task()
    assert (await client.put("Task/t", json=body)).status_code == 400


async def test_the_recorder_sees_every_request_and_what_it_asked_to_write(
    client: httpx.AsyncClient, seen: list[Seen]
) -> None:
    await client.get("Task", params={"status": "requested"})
    await client.post("Task", json=task())
    entry = {"request": {"method": "POST", "url": "CommunicationRequest"}}
    read = {"request": {"method": "GET", "url": "Task/1"}}
    await client.post(BASE, json={"resourceType": "Bundle", "type": "transaction", "entry": [entry, read]})
    assert seen == [
        Seen("GET", "Task?status=requested", ()),
        Seen("POST", "Task", ("Task",)),
        Seen("POST", "", ("CommunicationRequest",)),
    ]


def test_loading_is_all_or_nothing() -> None:
    sandbox = Sandbox()
    with pytest.raises(Exception, match="intent"):
        sandbox.load([task(id="good"), {"resourceType": "Task", "id": "bad", "status": "requested"}])
    assert sandbox.endpoint.store.current("Task", "good") is None
