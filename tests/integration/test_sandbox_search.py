"""The sandbox's searches, one row per parameter form. https://hl7.org/fhir/R4/search.html"""

from collections.abc import AsyncIterator
from datetime import UTC, datetime
from typing import Any

import httpx
import pytest
from fhir.resources.R4B.bundle import Bundle

from andante.sandbox import BASE_PATH, Sandbox

BASE = f"http://sandbox.test{BASE_PATH}"
LOINC = "http://loinc.org"
ACT = "http://terminology.hl7.org/CodeSystem/v3-ActCode"


def lab(ident: str, patient: str, code: str, when: str | None, **elements: Any) -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "id": ident,
        "status": "final",
        "code": {"coding": [{"system": LOINC, "code": code}]},
        "subject": {"reference": f"Patient/{patient}"},
        **({"effectiveDateTime": when} if when else {}),
        **elements,
    }


CHART: list[dict[str, Any]] = [
    {
        "resourceType": "Patient",
        "id": "p1",
        "active": True,
        "identifier": [{"system": "urn:x", "value": "1,2"}],
    },
    {"resourceType": "Patient", "id": "p2", "identifier": [{"value": "a|b"}]},
    {
        "resourceType": "Encounter",
        "id": "e1",
        "status": "in-progress",
        "class": {"system": ACT, "code": "IMP"},
        "subject": {"reference": "Patient/p1"},
        "period": {"start": "2026-03-01T08:00:00Z"},
    },
    {
        "resourceType": "Encounter",
        "id": "e2",
        "status": "finished",
        "class": {"system": ACT, "code": "AMB"},
        "subject": {"reference": "Patient/p2"},
        "period": {"start": "2026-02-01", "end": "2026-02-02"},
    },
    lab("k1", "p1", "2823-3", "2026-03-01T06:00:00Z", encounter={"reference": "Encounter/e1"}),
    lab("k2", "p1", "2823-3", "2026-03-02T06:00:00+01:00", status="preliminary"),
    lab("po4", "p1", "14879-1", "2026-03-01T23:30:00-05:00"),
    lab("mg", "p2", "2601-3", "2026-03-01", subject={"reference": "Patient/p2/_history/1"}),
    lab("undated", "p2", "2823-3", None, subject={"reference": f"{BASE}/Patient/p2"}),
]


@pytest.fixture
async def client() -> AsyncIterator[httpx.AsyncClient]:
    sandbox = Sandbox(now=lambda: datetime(2026, 3, 3, tzinfo=UTC))
    sandbox.load(CHART)
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app=sandbox.app), base_url=BASE) as client:
        yield client


async def found(client: httpx.AsyncClient, query: str) -> list[str]:
    answer = await client.get(query)
    assert answer.status_code == 200, answer.text
    bundle = answer.json()
    Bundle.model_validate(bundle)
    return [e["resource"]["id"] for e in bundle.get("entry", []) if e["search"]["mode"] == "match"]


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("Observation?patient=Patient/p1", "k1 k2 po4"),
        ("Observation?patient=p1", "k1 k2 po4"),
        ("Observation?subject=Patient/p1", "k1 k2 po4"),
        ("Observation?subject:Patient=p1", "k1 k2 po4"),
        ("Observation?subject=p1", "k1 k2 po4"),
        (f"Observation?patient={BASE}/Patient/p1", "k1 k2 po4"),
        ("Observation?patient=Patient/p2", "mg undated"),
        ("Observation?patient=Patient/p1,Patient/p2", "k1 k2 po4 mg undated"),
        ("Observation?patient=Patient/p", ""),
        ("Observation?encounter=Encounter/e1", "k1"),
        ("Observation?encounter=e1", "k1"),
        (f"Observation?code={LOINC}|2823-3", "k1 k2 undated"),
        ("Observation?code=2823-3,14879-1", "k1 k2 po4 undated"),
        ("Observation?code=2823-3&patient=p1", "k1 k2"),
        ("Observation?code=2823-3&code=14879-1", ""),
        (f"Observation?code={LOINC}|", "k1 k2 po4 mg undated"),
        ("Observation?code=|2823-3", ""),
        ("Observation?code=http://other.test|2823-3", ""),
        ("Observation?status=final", "k1 po4 mg undated"),
        ("Observation?status:not=final", "k2"),
        ("Observation?code:not=2823-3,14879-1", "mg"),
        ("Observation?_id=k1,mg", "k1 mg"),
        ("Patient?identifier=urn:x|1%5C,2", "p1"),
        ("Patient?identifier=1", ""),
        ("Patient?identifier=1%5C,2", "p1"),
        ("Patient?identifier=a%5C%7Cb", "p2"),
        ("Patient?identifier=a%7Cb", ""),
        ("Patient?active=true", "p1"),
        ("Encounter?status=in-progress&class=IMP", "e1"),
        (f"Encounter?class={ACT}|IMP,{ACT}|ACUTE", "e1"),
        ("Observation?date=2026-03-01", "k1 mg"),
        ("Observation?date=2026-03", "k1 k2 po4 mg"),
        ("Observation?date=ge2026-03-02", "k2 po4"),
        ("Observation?date=gt2026-03-01T06:00:00Z", "k2 po4 mg"),
        ("Observation?date=lt2026-03-01T06:00:00Z", "mg"),
        ("Observation?date=le2026-03-01T06:00:00Z", "k1 mg"),
        ("Observation?date=ge2026-03-02T05:00:00Z&date=lt2026-03-02T05:00:01Z", "k2"),
        ("Observation?date=ge2026-03-01T12:00:00Z&date=le2026-03-02T12:00:00Z", "k2 po4 mg"),
        ("Observation?date=ne2026-03-01", "k2 po4"),
        ("Observation?date=sa2026-03-01T12:00:00Z", "k2 po4"),
        ("Observation?date=eb2026-03-01T12:00:00Z", "k1"),
        ("Encounter?date=ge2026-03-05", "e1"),
        ("Encounter?date=2026-02", "e2"),
        ("Encounter?date=le2026-02-15", "e2"),
        ("Observation?_lastUpdated=ge2026-03-03T00:00:00Z&_id=k1", "k1"),
        ("Observation?_lastUpdated=gt2026-03-03T00:00:00Z", ""),
        ("Observation?patient=p1&_sort=date", "k1 po4 k2"),
        ("Observation?patient=p1&_sort=-date", "k2 po4 k1"),
        ("Observation?code=2823-3&_sort=date", "k1 k2 undated"),
        ("Observation?code=2823-3&_sort=-date", "k2 k1 undated"),
        ("Observation?_sort=status,-date&date=2026-03", "po4 k1 mg k2"),
        ("Observation?_sort=-_lastUpdated,_id&patient=p1", "k1 k2 po4"),
    ],
)
async def test_a_search_finds_exactly(client: httpx.AsyncClient, query: str, expected: str) -> None:
    assert await found(client, query) == expected.split()


@pytest.mark.parametrize(
    "query",
    [
        "Observation?date=yesterday",
        "Observation?date=2026-13",
        "Observation?date=2026-03-01T06:00:00 01:00",  # a plus sign that the client forgot to escape
        "Observation?date=ap2026",
        "Observation?code:text=potassium",
        "Observation?patient:missing=true",
        "Observation?patient=Group/1",
        "Observation?_count=many",
        "Observation?_count=-1",
    ],
)
async def test_an_unreadable_search_is_refused_not_guessed(client: httpx.AsyncClient, query: str) -> None:
    answer = await client.get(query)
    assert (answer.status_code, answer.json()["resourceType"]) == (400, "OperationOutcome")


@pytest.mark.parametrize("extra", ["bogus=1", "_include=Observation:subject", "status=", "_sort=bogus"])
async def test_an_unknown_parameter_is_ignored_out_loud(client: httpx.AsyncClient, extra: str) -> None:
    bundle = (await client.get(f"Observation?patient=p1&{extra}")).json()
    Bundle.model_validate(bundle)
    assert bundle["total"] == 3
    assert bundle["entry"][-1]["search"]["mode"] == "outcome"
    assert extra.partition("=")[0] in bundle["entry"][-1]["resource"]["issue"][0]["diagnostics"]
    assert bundle["link"][0]["url"] == f"{BASE}/Observation?patient=p1"


async def test_strict_handling_refuses_an_unknown_parameter(client: httpx.AsyncClient) -> None:
    strict = {"Prefer": "handling=strict"}
    assert (await client.get("Observation?bogus=1", headers=strict)).status_code == 400
    assert (await client.get("Observation?patient=p1", headers=strict)).status_code == 200


async def test_pages_lose_and_repeat_nothing_while_somebody_writes(client: httpx.AsyncClient) -> None:
    url, pages, ids = "Observation?_count=2&_sort=-date", 0, []
    while url:
        bundle = (await client.get(url)).json()
        ids += [entry["resource"]["id"] for entry in bundle["entry"]]
        await client.put(f"Observation/new{pages}", json=lab(f"new{pages}", "p1", "2823-3", "2026-03-09"))
        url = next((link["url"] for link in bundle["link"] if link["relation"] == "next"), "")
        pages += 1
    assert (pages, bundle["total"]) == (3, 5)
    assert sorted(ids) == ["k1", "k2", "mg", "po4", "undated"]


async def test_a_page_can_be_asked_for_again_but_an_unknown_token_is_gone(client: httpx.AsyncClient) -> None:
    first = (await client.get("Observation?_count=2")).json()
    url = first["link"][1]["url"]
    assert (await client.get(url)).json()["entry"] == (await client.get(url)).json()["entry"]
    assert (await client.get("Observation?_page=none")).status_code == 410
    assert (await client.get(url.replace("/Observation?", "/Task?"))).status_code == 410


@pytest.mark.parametrize("query", ["Observation?_summary=count", "Observation?_count=0"])
async def test_a_count_gives_the_total_only(client: httpx.AsyncClient, query: str) -> None:
    bundle = (await client.get(query)).json()
    assert (bundle["total"], bundle.get("entry")) == (5, None)
    assert [link["relation"] for link in bundle["link"]] == ["self"]


async def test_the_server_caps_a_page_whatever_was_asked(client: httpx.AsyncClient) -> None:
    for number in range(205):
        await client.put(f"Flag/f{number}", json=flag(f"f{number}"))
    bundle = (await client.get("Flag?_count=1000")).json()
    assert (bundle["total"], len(bundle["entry"])) == (205, 200)


def flag(ident: str) -> dict[str, Any]:
    code, subject = {"text": "x"}, {"reference": "Patient/p1"}
    return {"resourceType": "Flag", "id": ident, "status": "active", "code": code, "subject": subject}
