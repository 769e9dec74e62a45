"""One contract for our sandbox and for servers written by others: what the service relies on.

Where a server is known to differ, the difference is named in its `lacks` and tested too, so that the day it
changes is noticed. Ids are new for each test, since a server is started once and shared.
"""

import json
import re
from collections.abc import Iterator
from typing import Any
from uuid import uuid4

import httpx
import pytest
from documented import DOCS, check_column
from servers.launch import LACKS, Server
from servers.loading import put_all
from servers.recording import recorded

from andante.sandbox import Seen

SYSTEM = "https://example.org/contract"
Json = dict[str, Any]
DIFFERENCES = {
    "paging": "leads on by next links",
    "rollback": "a transaction that fails leaves nothing",
    "search-mode": "entries say why they are in the answer",
    "nutrition-order-search": "finds nutrition orders by patient",
    "unknown-parameter-note": "says which parameter it does not know",
    "lenient-search": "lets an unknown parameter pass when asked to",
    "fresh-search": "a plain search is never answered from a cache",
    "status-412": "refuses a stale If-Match by 412 (else by 409)",
    "validation": "refuses what is not R4 (else drops what it does not know)",
    "versioned-references": "keeps the version of a reference",
}
"""What servers differ in, by the names of `servers.launch.LACKS`."""


@pytest.fixture
def fresh(client: httpx.Client) -> str:
    """A word no other test uses, and the id of a patient: some servers refuse what points to nobody."""
    word = f"w{uuid4().hex[:12]}"  # some servers keep ids of digits alone for themselves
    put_all(client, [patient(word)])
    return word


def patient(ident: str) -> Json:
    return {"resourceType": "Patient", "id": ident, "name": [{"text": "Fictional"}]}


def task(patient: str, **elements: Any) -> Json:
    subject = {"reference": f"Patient/{patient}"}
    return {"resourceType": "Task", "status": "requested", "intent": "proposal", "for": subject} | elements


def lab(ident: str, patient: str, code: str, when: str, status: str = "final") -> Json:
    return {
        "resourceType": "Observation",
        "id": ident,
        "status": status,
        "code": {"coding": [{"system": "http://loinc.org", "code": code}]},
        "subject": {"reference": f"Patient/{patient}"},
        "effectiveDateTime": when,
    }


def order(ident: str, patient: str, status: str = "active") -> Json:
    return {
        "resourceType": "NutritionOrder",
        "id": ident,
        "status": status,
        "intent": "order",
        "patient": {"reference": f"Patient/{patient}"},
        "dateTime": "2026-03-01T08:00:00Z",
    }


def ids(client: httpx.Client, query: str) -> set[str]:
    answer = client.get(query)
    assert answer.status_code == 200, answer.text
    resources = (entry["resource"] for entry in answer.json().get("entry", []))
    return {resource["id"] for resource in resources if resource["resourceType"] != "OperationOutcome"}


def post(client: httpx.Client, *entries: Json) -> httpx.Response:
    return client.post("", json={"resourceType": "Bundle", "type": "transaction", "entry": entries})


def test_it_says_that_it_speaks_r4(client: httpx.Client) -> None:
    assert client.get("metadata").json()["fhirVersion"].startswith("4.0")


def test_a_resource_put_under_our_id_is_read_back(client: httpx.Client, fresh: str) -> None:
    assert put_all(client, [patient(fresh)]) == {f"Patient/{fresh}": f"Patient/{fresh}"}
    answer = client.get(f"Patient/{fresh}")
    assert answer.headers["Content-Type"].startswith("application/fhir+json")
    assert answer.headers["ETag"].startswith('W/"')
    assert answer.json()["meta"]["lastUpdated"]


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("Observation?patient=Patient/{p}", "k po4 next"),
        ("Observation?patient=Patient/{p}&code=http://loinc.org|2823-3", "k next"),
        (
            "Observation?patient=Patient/{p}&code=http://loinc.org|2823-3,http://loinc.org|14879-1",
            "k po4 next",
        ),
        ("Observation?patient=Patient/{p}&status=final", "k po4"),
        ("Observation?patient=Patient/{p}&status=final,preliminary", "k po4 next"),
        ("Observation?patient=Patient/{p}&date=ge2026-03-01T12:00:00Z", "po4 next"),
        ("Observation?patient=Patient/{p}&date=ge2026-03-01T12:00:00Z&date=lt2026-03-02T06:00:00Z", "po4"),
        ("Observation?patient=Patient/{p}&_lastUpdated=ge2020-01-01T00:00:00Z", "k po4 next"),
        ("Observation?patient=Patient/{p}&_lastUpdated=lt2020-01-01T00:00:00Z", ""),
        ("Observation?_id={p}-k", "k"),
        ("Observation?patient=Patient/none", ""),
    ],
)
def test_a_search_finds_what_was_asked_and_nothing_else(
    client: httpx.Client, fresh: str, query: str, expected: str
) -> None:
    other = f"{fresh}-other"
    put_all(
        client,
        [
            patient(fresh),
            patient(other),
            lab(f"{fresh}-k", fresh, "2823-3", "2026-03-01T06:00:00Z"),
            lab(f"{fresh}-po4", fresh, "14879-1", "2026-03-01T18:00:00Z"),
            lab(f"{fresh}-next", fresh, "2823-3", "2026-03-02T06:00:00Z", "preliminary"),
            lab(f"{other}-k", other, "2823-3", "2026-03-01T06:00:00Z"),
        ],
    )
    assert ids(client, query.format(p=fresh)) == {f"{fresh}-{name}" for name in expected.split()}


def test_the_newest_comes_first_when_asked(client: httpx.Client, fresh: str) -> None:
    days = ["2026-03-02", "2026-03-04", "2026-03-03"]
    put_all(client, [lab(f"{fresh}-{day}", fresh, "2823-3", f"{day}T06:00:00Z") for day in days])
    bundle = client.get(f"Observation?patient=Patient/{fresh}&_sort=-date&_count=50").json()
    assert [e["resource"]["id"][-2:] for e in bundle["entry"]] == ["04", "03", "02"]


def test_pages_together_hold_everything_once(any_server: Server, client: httpx.Client, fresh: str) -> None:
    put_all(client, [lab(f"{fresh}-{n}", fresh, "2823-3", "2026-03-01T06:00:00Z") for n in range(5)])
    pages = list(_pages(client, f"Observation?patient=Patient/{fresh}&_count=2"))
    found = [entry["resource"]["id"] for page in pages for entry in page["entry"]]
    assert pages[0]["total"] == 5
    if "paging" in any_server.lacks:
        assert len(found) == 2, "it truncates in silence; only `total` tells"
    else:
        assert sorted(found) == [f"{fresh}-{n}" for n in range(5)]


def test_entries_say_why_they_are_in_the_bundle(any_server: Server, client: httpx.Client, fresh: str) -> None:
    put_all(client, [patient(fresh)])
    (entry,) = client.get(f"Patient?_id={fresh}").json()["entry"]
    assert ("search" in entry) is ("search-mode" not in any_server.lacks)


def test_nutrition_orders_of_one_patient(any_server: Server, client: httpx.Client, fresh: str) -> None:
    other = f"{fresh}-other"
    put_all(
        client, [patient(other), order(fresh, fresh), order(f"{fresh}-old", fresh, "completed"), order(other, other)]
    )
    answer = client.get(f"NutritionOrder?patient=Patient/{fresh}&status=active").json()
    found = {e["resource"]["id"] for e in answer["entry"] if e.get("search", {}).get("mode") != "outcome"}
    if "nutrition-order-search" in any_server.lacks:
        assert {fresh, f"{fresh}-old", other} <= found, "it ignores the question and gives everybody's orders"
        assert "outcome" in [entry["search"]["mode"] for entry in answer["entry"]]
    else:
        assert found == {fresh}


def test_a_parameter_it_does_not_know(any_server: Server, client: httpx.Client, fresh: str) -> None:
    put_all(client, [patient(fresh)])
    lenient = client.get(f"Patient?_id={fresh}&andante-unknown=1")
    strict = client.get(f"Patient?_id={fresh}&andante-unknown=1", headers={"Prefer": "handling=strict"})
    if "lenient-search" in any_server.lacks:
        assert lenient.status_code == strict.status_code == 400, "it refuses whatever it is asked to prefer"
    elif "unknown-parameter-note" in any_server.lacks:
        assert lenient.json()["total"] == strict.json()["total"] == 0, "it finds nothing, and does not say why"
    else:
        assert "outcome" in [entry["search"]["mode"] for entry in lenient.json()["entry"]]
        assert strict.status_code == 400


def test_a_search_that_asks_for_no_cached_answer_finds_what_was_just_written(
    any_server: Server, client: httpx.Client, fresh: str
) -> None:
    """HAPI gives the answer to a search again for a minute, unless asked not to: so each of ours asks not to."""
    query = f"Observation?patient=Patient/{fresh}&code=http://loinc.org|2823-3"
    assert ids(client, query) == set()
    put_all(client, [lab(f"{fresh}-k", fresh, "2823-3", "2026-03-01T06:00:00Z")])
    assert ids(client, query) == (set() if "fresh-search" in any_server.lacks else {f"{fresh}-k"})
    fresh_answer = client.get(query, headers={"Cache-Control": "no-cache"}).json()
    assert [entry["resource"]["id"] for entry in fresh_answer["entry"]] == [f"{fresh}-k"]


def test_a_conditional_create_makes_one(client: httpx.Client, fresh: str) -> None:
    body = task(fresh, identifier=[{"system": SYSTEM, "value": fresh}])
    condition = {"If-None-Exist": f"identifier={SYSTEM}|{fresh}"}
    first = client.post("Task", json=body, headers=condition)
    second = client.post("Task", json=body, headers=condition)
    assert (first.status_code, second.status_code) == (201, 200)
    assert ids(client, f"Task?identifier={SYSTEM}|{fresh}") == {first.json()["id"]}


def test_an_update_with_the_newest_etag_is_taken_and_a_stale_one_refused(
    any_server: Server, client: httpx.Client, fresh: str
) -> None:
    put_all(client, [task(fresh, id=fresh)])
    etag = client.get(f"Task/{fresh}").headers["ETag"]
    taken = client.put(f"Task/{fresh}", json=task(fresh, id=fresh, status="cancelled"), headers={"If-Match": etag})
    stale = client.put(f"Task/{fresh}", json=task(fresh, id=fresh, status="rejected"), headers={"If-Match": etag})
    assert taken.status_code == 200
    assert stale.status_code == (409 if "status-412" in any_server.lacks else 412)
    assert client.get(f"Task/{fresh}").json()["status"] == "cancelled"


def test_a_transaction_creates_updates_and_links(client: httpx.Client, fresh: str) -> None:
    put_all(client, [task(fresh, id=fresh)])
    etag = client.get(f"Task/{fresh}").headers["ETag"]
    urn = f"urn:uuid:{uuid4()}"
    provenance = {
        "resourceType": "Provenance",
        "target": [{"reference": urn}],
        "recorded": "2026-03-01T06:00:00Z",
        "agent": [{"who": {"display": "service"}}],
    }
    create = {"method": "POST", "url": "Task", "ifNoneExist": f"identifier={SYSTEM}|{fresh}"}
    answer = post(
        client,
        {
            "fullUrl": urn,
            "resource": task(fresh, identifier=[{"system": SYSTEM, "value": fresh}]),
            "request": create,
        },
        {"resource": provenance, "request": {"method": "POST", "url": "Provenance"}},
        {
            "resource": task(fresh, id=fresh, status="cancelled"),
            "request": {"method": "PUT", "url": f"Task/{fresh}", "ifMatch": etag},
        },
    )
    assert answer.status_code == 200, answer.text
    assert [entry["response"]["status"][:3] for entry in answer.json()["entry"]] == ["201", "201", "200"]
    (created,) = ids(client, f"Task?identifier={SYSTEM}|{fresh}")
    (written,) = client.get(f"Provenance?target=Task/{created}").json()["entry"]
    assert written["resource"]["target"][0]["reference"] == f"Task/{created}"
    assert client.get(f"Task/{fresh}").json()["status"] == "cancelled"


def test_a_transaction_that_fails_leaves_nothing(any_server: Server, client: httpx.Client, fresh: str) -> None:
    put_all(client, [task(fresh, id=fresh)])
    answer = post(
        client,
        {
            "resource": task(fresh, identifier=[{"system": SYSTEM, "value": fresh}]),
            "request": {"method": "POST", "url": "Task"},
        },
        {
            "resource": task(fresh, id=fresh, status="cancelled"),
            "request": {"method": "PUT", "url": f"Task/{fresh}", "ifMatch": 'W/"999"'},
        },
    )
    left = ids(client, f"Task?identifier={SYSTEM}|{fresh}")
    assert client.get(f"Task/{fresh}").json()["status"] == "requested"
    if "rollback" in any_server.lacks:
        statuses = [entry["response"]["status"] for entry in answer.json()["entry"]]
        assert (answer.status_code, statuses, len(left)) == (200, ["201", "412"], 1), "it keeps the other entry"
    else:
        assert answer.status_code == (409 if "status-412" in any_server.lacks else 412)
        assert left == set()


@pytest.mark.parametrize(
    "body",
    [
        {"resourceType": "Task", "status": "requested"},
        {"resourceType": "Task", "intent": "order", "nonsense": 1},
    ],
)
def test_a_resource_that_is_not_r4_is_refused(any_server: Server, client: httpx.Client, body: Json) -> None:
    answer = client.post("Task", json=body)
    if "validation" in any_server.lacks:
        assert answer.status_code == 201, "it takes what it can read"
        assert "nonsense" not in answer.json(), "and drops the rest in silence"
    else:
        assert (answer.status_code, answer.json()["resourceType"]) == (400, "OperationOutcome")


def test_what_is_not_there_or_was_deleted_is_not_found(client: httpx.Client, fresh: str) -> None:
    assert client.get(f"Task/{fresh}").status_code == 404
    put_all(client, [task(fresh, id=fresh)])
    client.delete(f"Task/{fresh}")
    assert client.get(f"Task/{fresh}").status_code in (404, 410)
    assert ids(client, f"Task?_id={fresh}") == set()


def test_the_recorder_sees_what_was_sent_and_hides_the_server_behind_it(any_server: Server, fresh: str) -> None:
    with recorded(any_server.base) as (base, seen), httpx.Client(base_url=base) as client:
        put_all(client, [task(fresh, id=fresh)])
        bundle = client.get(f"Task?patient=Patient/{fresh}&_count=1").json()
    assert seen == [
        Seen("PUT", f"Task/{fresh}", ("Task",)),
        Seen("GET", f"Task?patient=Patient/{fresh}&_count=1", ()),
    ]
    assert all(link["url"].startswith(base) for link in bundle.get("link", []))


def test_the_documents_name_each_difference() -> None:
    """Each is tested above, or where its name is used: on the servers that have it, and on those that do not."""
    for server, lacks in {"sandbox": frozenset[str](), **LACKS}.items():
        cells = {words: "no" if name in lacks else "yes" for name, words in DIFFERENCES.items()}
        check_column("fhir-servers.md", "differences", server, cells)
    assert DIFFERENCES.keys() == frozenset[str]().union(*LACKS.values())


def test_each_test_named_in_the_documents_exists() -> None:
    tests = {file: file.read_text(encoding="utf-8") for file in DOCS.parents[1].glob("tests/**/test_*.py")}
    named = re.findall(r"`(test_\w+(?:\.py)?)`", (DOCS / "fhir-servers.md").read_text(encoding="utf-8"))
    assert len(named) > 20
    files = {file.name for file in tests}
    functions = set(re.findall(r"def (test_\w+)\(", "\n".join(tests.values())))
    assert set(named) <= files | functions, sorted(set(named) - files - functions)


def test_resources_reach_a_server_that_chooses_its_own_ids() -> None:
    sent: list[Json] = []

    def answer(request: httpx.Request) -> httpx.Response:
        if request.method == "PUT":
            return httpx.Response(405)
        sent.extend(json.loads(request.content)["entry"])
        responses = [{"response": {"location": f"{e['request']['url']}/s{n}/_history/1"}} for n, e in enumerate(sent)]
        return httpx.Response(200, json={"resourceType": "Bundle", "entry": responses})

    with httpx.Client(base_url="http://chooses.test/fhir", transport=httpx.MockTransport(answer)) as client:
        where = put_all(client, [patient("p"), task("p", id="t")])
    assert where == {"Patient/p": "Patient/s0", "Task/t": "Task/s1"}
    assert sent[1]["resource"]["for"]["reference"] == sent[0]["fullUrl"]
    assert all("id" not in entry["resource"] for entry in sent)


def _pages(client: httpx.Client, url: str) -> Iterator[Json]:
    while url:
        page = client.get(url).json()
        yield page
        url = next((link["url"] for link in page.get("link", []) if link["relation"] == "next"), "")
