"""Transactions happen as a whole or not at all; batch entries stand alone. And the sandbox on a real port."""

from collections.abc import Iterator
from typing import Any

import httpx
import pytest
from fhir.resources.R4B.bundle import Bundle

from andante.sandbox import BASE_PATH, Sandbox, running

URN = "urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0"


@pytest.fixture
def client() -> Iterator[httpx.Client]:
    with running(Sandbox().app) as base, httpx.Client(base_url=base) as client:
        yield client


def task(**elements: Any) -> dict[str, Any]:
    return {"resourceType": "Task", "status": "requested", "intent": "proposal"} | elements


def entry(method: str, url: str, resource: Any = None, full_url: str | None = None, **more: str) -> Any:
    return {
        **({"fullUrl": full_url} if full_url else {}),
        **({"resource": resource} if resource is not None else {}),
        "request": {"method": method, "url": url, **more},
    }


def post(client: httpx.Client, *entries: Any, kind: str = "transaction") -> httpx.Response:
    return client.post("", json={"resourceType": "Bundle", "type": kind, "entry": list(entries)})


def total(client: httpx.Client, kind: str = "Task") -> int:
    number = client.get(kind).json()["total"]
    assert isinstance(number, int)
    return number


PROVENANCE = {
    "resourceType": "Provenance",
    "target": [{"reference": URN}],
    "recorded": "2026-03-01T06:00:00Z",
    "agent": [{"who": {"display": "service"}}],
}


def test_a_transaction_rewrites_temporary_addresses(client: httpx.Client) -> None:
    answer = post(client, entry("POST", "Provenance", PROVENANCE), entry("POST", "Task", task(), URN))
    Bundle.model_validate(answer.json())
    assert [e["response"]["status"] for e in answer.json()["entry"]] == ["201", "201"]
    provenance, written = (client.get(e["response"]["location"]).json() for e in answer.json()["entry"])
    assert provenance["target"][0]["reference"] == f"Task/{written['id']}"


def test_a_conditional_create_in_a_transaction_finds_the_existing_one(client: httpx.Client) -> None:
    known = task(identifier=[{"system": "http://example.org", "value": "1"}])
    condition = {"ifNoneExist": "identifier=http://example.org|1"}
    first = post(client, entry("POST", "Task", known, URN, **condition)).json()
    again = post(client, entry("POST", "Task", known, URN, **condition), entry("POST", "Provenance", PROVENANCE)).json()
    assert [e["response"]["status"] for e in again["entry"]] == ["200", "201"]
    assert again["entry"][0]["response"]["location"] == first["entry"][0]["response"]["location"]
    provenance = client.get(again["entry"][1]["response"]["location"]).json()
    assert provenance["target"][0]["reference"] in first["entry"][0]["response"]["location"]
    assert total(client) == 1


def test_an_update_and_a_create_go_together(client: httpx.Client) -> None:
    client.put("Task/old", json=task(id="old"))
    cancelled = task(id="old", status="cancelled")
    answer = post(client, entry("POST", "Task", task()), entry("PUT", "Task/old", cancelled, ifMatch='W/"1"'))
    assert [e["response"]["etag"] for e in answer.json()["entry"]] == ['W/"1"', 'W/"2"']
    assert client.get("Task/old").json()["status"] == "cancelled"


@pytest.mark.parametrize(
    ("bad", "status", "where"),
    [
        (entry("PUT", "Task/old", task(id="old"), ifMatch='W/"9"'), 412, "Bundle.entry[1]"),
        (entry("PUT", "Task/new", task(id="new"), ifMatch='W/"1"'), 412, "Bundle.entry[1]"),
        (
            entry("POST", "Task", {"resourceType": "Task", "status": "draft"}),
            400,
            "Bundle.entry[1].resource.intent",
        ),
        (entry("POST", "Task", task(), ifNoneExist="bogus=1"), 400, "Bundle.entry[1]"),
        (entry("POST", "Task", task(), ifNoneExist="status=requested"), 412, "Bundle.entry[1]"),
        (entry("POST", "Task"), 400, "Bundle.entry[1].resource"),
        (entry("POST", "Task/old", task()), 400, "Bundle.entry[1].request.url"),
        (entry("POST", "Spaceship", task()), 404, "Bundle.entry[1]"),
        (entry("PATCH", "Task/old", task()), 400, "Bundle.entry[1].request.method"),
        (entry("PUT", "Task?status=requested", task()), 400, "Bundle.entry[1]"),
        (entry("GET", "Task/none"), 404, "Bundle.entry[1]"),
        (entry("POST", "Task", task(focus={"reference": URN})), 400, "Bundle.entry[1]"),
        (entry("PUT", "Task/first", task(id="first")), 400, "Bundle.entry[1]"),
        ({"resource": task()}, 400, "Bundle.entry[1].request.method"),
        (7, 400, "Bundle.entry"),
    ],
)
def test_one_bad_entry_undoes_the_whole_transaction(client: httpx.Client, bad: Any, status: int, where: str) -> None:
    client.put("Task/old", json=task(id="old"))
    client.put("Task/other", json=task(id="other"))
    answer = post(client, entry("PUT", "Task/first", task(id="first")), bad)
    assert answer.status_code == status
    assert where in [path for issue in answer.json()["issue"] for path in issue.get("expression", [])]
    assert total(client) == 2
    assert client.get("Task/first").status_code == 404
    assert client.get("Task/old").headers["ETag"] == 'W/"1"'


def test_two_conditional_creates_of_the_same_thing_are_refused(client: httpx.Client) -> None:
    twin = entry("POST", "Task", task(), ifNoneExist="identifier=x|1")
    assert post(client, twin, twin).status_code == 400


def test_batch_entries_stand_alone(client: httpx.Client) -> None:
    answer = post(
        client,
        entry("POST", "Task", {"resourceType": "Task", "status": "draft"}),
        entry("PUT", "Task/a", task(id="a")),
        entry("GET", "Task?status=requested"),
        entry("GET", "Task/a/_history/1"),
        entry("GET", "Task/none"),
        kind="batch",
    )
    Bundle.model_validate(answer.json())
    assert [e["response"]["status"] for e in answer.json()["entry"]] == ["400", "201", "200", "200", "404"]
    assert answer.json()["entry"][2]["resource"]["total"] == 1


@pytest.mark.parametrize("kind", ["searchset", "collection", "message"])
def test_other_bundles_cannot_be_posted(client: httpx.Client, kind: str) -> None:
    assert post(client, kind=kind).status_code == 400


def test_an_empty_transaction_is_fine(client: httpx.Client) -> None:
    answer = client.post("", json={"resourceType": "Bundle", "type": "transaction"})
    assert answer.status_code == 200
    Bundle.model_validate(answer.json())


def test_the_sandbox_listens_on_loopback_and_stops_when_the_block_ends() -> None:
    with running(Sandbox().app) as base:
        assert base.startswith("http://127.0.0.1:")
        assert base.endswith(BASE_PATH)
        answer = httpx.get(f"{base}/metadata")
        assert answer.json()["implementation"]["url"] == base
        assert answer.headers.get_list("Date") == [answer.headers["Date"]]
    with pytest.raises(httpx.ConnectError):
        httpx.get(f"{base}/metadata")


def test_a_taken_port_is_an_error_not_a_hang(client: httpx.Client) -> None:
    port = client.base_url.port
    assert port is not None
    with pytest.raises(OSError, match="in use"), running(Sandbox().app, port=port):
        pass
