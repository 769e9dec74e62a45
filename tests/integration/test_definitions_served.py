"""Our definitions over HTTP: who asks for one gets it, under the site's own base, and who asks wrongly is told so.

https://hl7.org/fhir/R4/http.html#read, #search, #capabilities
"""

import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from httpx import ASGITransport, AsyncClient

from andante import app, settings
from andante.errors import InputError
from andante.shared_files import shared
from andante.triggers import definitions
from andante.triggers.definitions import TYPES, load_definitions
from andante.triggers.web import create_app
from andante.writeback.site import DEFAULT_BASE

Json = dict[str, Any]

OWN = "https://hospital.example/fhir/andante"
FILES = sorted(shared("fhir").glob("*.json"))


@pytest.fixture
async def client() -> AsyncIterator[AsyncClient]:
    """The whole application, so that nothing else answers at these addresses; its FHIR server is never asked."""
    service = app.build(settings.defaults(zone="UTC", canonical_base=OWN, fhir_base="http://127.0.0.1:9/fhir"))
    application = create_app(service, schedule=False)
    async with AsyncClient(transport=ASGITransport(application), base_url="http://127.0.0.1") as client:
        yield client


async def test_metadata_is_the_statement_of_what_the_service_offers(client: AsyncClient) -> None:
    answer = await client.get("/fhir/metadata")
    assert answer.status_code == 200
    assert answer.headers["Content-Type"] == "application/fhir+json"
    body = answer.json()
    assert (body["resourceType"], body["id"]) == ("CapabilityStatement", "service")
    assert {resource["type"] for resource in body["rest"][0]["resource"]} == set(TYPES)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
async def test_every_file_is_read_by_its_type_and_id_under_the_sites_base(client: AsyncClient, path: Path) -> None:
    kind, _, identity = path.stem.partition("-")
    answer = await client.get(f"/fhir/{kind}/{identity}")
    assert answer.status_code == 200
    assert answer.json() == json.loads(path.read_text(encoding="utf-8").replace(DEFAULT_BASE, OWN))
    assert DEFAULT_BASE not in answer.text


@pytest.mark.parametrize("kind", TYPES)
async def test_a_search_without_parameters_brings_all_of_a_type(client: AsyncClient, kind: str) -> None:
    body = (await client.get(f"/fhir/{kind}")).json()
    assert (body["resourceType"], body["type"]) == ("Bundle", "searchset")
    found = {f"{kind}-{entry['resource']['id']}" for entry in body["entry"]}
    assert found == {path.stem for path in FILES if path.stem.startswith(f"{kind}-")}
    assert body["total"] == len(found)
    assert all(entry["fullUrl"].endswith(f"/fhir/{kind}/{entry['resource']['id']}") for entry in body["entry"])


@pytest.mark.parametrize(
    ("params", "found"),
    [
        ([("url", f"{OWN}/CodeSystem/advice")], {"advice"}),
        ([("url", f"{OWN}/CodeSystem/advice|1.0.0")], {"advice"}),
        ([("url", f"{OWN}/CodeSystem/advice|2.0.0")], set()),
        ([("url", f"{DEFAULT_BASE}/CodeSystem/advice")], set()),
        ([("_id", "advice,rule,gone")], {"advice", "rule"}),
        ([("_id", "advice"), ("url", f"{OWN}/CodeSystem/rule")], set()),
        ([("_id", "advice"), ("_format", "json")], {"advice"}),
        ([("_id", "gone")], set()),
    ],
)
async def test_a_search_finds_what_meets_every_parameter(
    client: AsyncClient, params: list[tuple[str, str]], found: set[str]
) -> None:
    body = (await client.get("/fhir/CodeSystem", params=params)).json()
    assert {entry["resource"]["id"] for entry in body.get("entry", [])} == found
    assert body["total"] == len(found)
    assert "entry" not in body or body["entry"]  # R4 has no empty lists


@pytest.mark.parametrize(
    ("address", "status"),
    [
        ("/fhir/CodeSystem/gone", 404),
        ("/fhir/Patient/quillfeather", 404),
        ("/fhir/Patient", 404),
        ("/fhir/Task", 404),
        ("/fhir/examples", 404),
        ("/fhir/CodeSystem?name=advice", 400),
        ("/fhir/CodeSystem?_count=1", 400),
        ("/fhir/CodeSystem/advice?url=x", 400),
        ("/fhir/metadata?mode=full", 400),
        ("/fhir/metadata?_format=xml", 406),
        ("/fhir/ValueSet/tell?_format=application/fhir%2Bxml", 406),
    ],
)
async def test_what_is_not_here_is_told_as_an_operation_outcome(client: AsyncClient, address: str, status: int) -> None:
    answer = await client.get(address)
    assert answer.status_code == status
    body = answer.json()
    assert body["resourceType"] == "OperationOutcome"
    assert body["issue"][0]["severity"] == "error"
    assert "quillfeather" not in answer.text  # no answer repeats what was asked


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE"])
@pytest.mark.parametrize("address", ["/fhir", "/fhir/CodeSystem", "/fhir/CodeSystem/advice", "/fhir/Task"])
async def test_nothing_can_be_written_here(client: AsyncClient, method: str, address: str) -> None:
    answer = await client.request(method, address, json={"resourceType": "CodeSystem"})
    assert answer.status_code in (404, 405)


def test_the_examples_are_not_taken_for_definitions() -> None:
    assert {kind for kind, _ in load_definitions()} == set(TYPES)
    assert len(load_definitions()) == len(FILES)


@pytest.mark.parametrize("text", ["{", "[]", "{}", '{"resourceType": "ValueSet"}'])
def test_a_file_that_is_no_resource_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    (tmp_path / "ValueSet-broken.json").write_text(text)
    monkeypatch.setattr(definitions, "shared", lambda *_: tmp_path)
    with pytest.raises(InputError, match=r"ValueSet-broken\.json"):
        load_definitions()
