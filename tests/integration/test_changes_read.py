"""What changed, asked of the whole population: what is taken, what is doubted, and the traps that servers lay."""

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from typing import Any
from urllib.parse import parse_qsl

import httpx
import pytest

from andante import app, settings
from andante.assess import RoundReport
from andante.changed.memory import Memory
from andante.changed.round import Follower, changed_round
from andante.chart.changes import ChangeReader, Changes
from andante.errors import Unreachable
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.retry import RetryPolicy
from andante.sandbox import BASE_PATH, Sandbox

Json = dict[str, Any]
SERVICE = app.build(settings.defaults(zone="UTC"))
NOW = datetime.fromisoformat("2031-03-27T06:30:00+00:00")
BEFORE = NOW - timedelta(minutes=10)
MINUTE = timedelta(minutes=1)


@dataclass
class Hospital:
    """A sandbox behind a transport that a test may bend: `bend` is given each answer's Bundle and its query."""

    now: datetime = NOW
    bend: Callable[[str, dict[str, str], Json], None] = lambda kind, params, bundle: None
    refuse: dict[str, int] = field(default_factory=dict)
    """Status by `Type`, `Type/_history`, or `population` for searches without a patient."""
    headers: dict[str, str | None] = field(default_factory=dict)
    caches: bool = False
    """Like a server that answers a search from a minute ago, unless it is asked not to."""

    def __post_init__(self) -> None:
        self.sandbox = Sandbox(now=lambda: self.now)
        self._inside = httpx.ASGITransport(self.sandbox.app)
        self._cache: dict[str, tuple[datetime, httpx.Response]] = {}
        self.requests: list[str] = []

    def connect(self) -> Connection:
        settings = ServerSettings(base=f"http://sandbox.example{BASE_PATH}", retry=RetryPolicy(attempts=1))
        return Connection(settings, transport=httpx.MockTransport(self.answer))

    async def answer(self, request: httpx.Request) -> httpx.Response:
        path, params = request.url.path.removeprefix(f"{BASE_PATH}/"), dict(parse_qsl(request.url.query.decode()))
        self.requests.append(f"{path}?{request.url.query.decode()}")
        asks = "population" if params.keys() & {"_lastUpdated", "_sort"} else path
        for name in (path, asks):
            if name in self.refuse:
                return httpx.Response(self.refuse[name])
        url = str(request.url)
        kept = self._cache.get(url)
        if self.caches and kept and self.now - kept[0] < MINUTE and request.headers.get("cache-control") != "no-cache":
            return kept[1]
        answer = await self._inside.handle_async_request(request)
        body = await answer.aread()
        found = httpx.Response(answer.status_code, headers=self._shown(answer), content=self._bent(path, params, body))
        self._cache[url] = (self.now, found)
        return found

    def _shown(self, answer: httpx.Response) -> dict[str, str]:
        own = {n: v for n, v in answer.headers.items() if n not in ("content-length", "content-encoding")}
        return {name: value for name, value in (own | self.headers).items() if value is not None}

    def _bent(self, path: str, params: dict[str, str], body: bytes) -> bytes:
        bundle = json.loads(body) if body else {}
        if bundle.get("resourceType") != "Bundle":
            return body
        self.bend(path, params, bundle)
        return json.dumps(bundle).encode()

    def admit(self, ident: str) -> None:
        self.sandbox.load(
            [
                {"resourceType": "Patient", "id": ident, "birthDate": "1957-05-01", "gender": "female"},
                {
                    "resourceType": "Encounter",
                    "id": f"stay-{ident}",
                    "status": "in-progress",
                    "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
                    "subject": {"reference": f"Patient/{ident}"},
                    "period": {"start": (NOW - timedelta(days=2)).isoformat()},
                },
            ]
        )

    def result(self, ident: str, patient: str | None, value: float = 4.0, **elements: Any) -> None:
        category = {"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "laboratory"}
        unit = {"unit": "mmol/L", "system": "http://unitsofmeasure.org", "code": "mmol/L"}
        body = {
            "resourceType": "Observation",
            "id": ident,
            "status": "final",
            "category": [{"coding": [category]}],
            "code": {"coding": [{"system": "http://loinc.org", "code": "2823-3"}]},
            "subject": {"reference": f"Patient/{patient}"} if patient else {},
            "effectiveDateTime": (NOW - timedelta(hours=1)).isoformat(),
            "valueQuantity": {"value": value, **unit},
        }
        self.sandbox.load([{name: part for name, part in (body | elements).items() if part}])


async def changes(hospital: Hospital, since: datetime = BEFORE) -> Changes:
    async with hospital.connect() as connection:
        return await ChangeReader(connection, SERVICE.plan, now=hospital.now).since(since)


async def test_what_changed_is_told_with_whose_it_is_and_what_was_deleted() -> None:
    hospital = Hospital(now=BEFORE - MINUTE)
    hospital.admit("p1")
    hospital.result("old", "p1")
    hospital.result("gone", "p1")
    hospital.now = NOW
    hospital.result("new", "p1")
    hospital.result("same-instant", "p2")
    hospital.result("vital-sign", "p1", category=[{"coding": [{"code": "vital-signs"}]}], code={"text": "pulse"})
    hospital.sandbox.endpoint.delete("Observation", "gone")
    found = await changes(hospital)
    assert found.doubt == ""
    assert {(c.key, c.patient, c.wanted) for c in found.changed} == {
        ("Observation/new", "p1", True),
        ("Observation/same-instant", "p2", True),
        ("Observation/vital-sign", "p1", False),
    }
    assert found.deleted == {"Observation/gone"}
    assert found.newest == NOW


def ignoring(kind: str, params: dict[str, str], bundle: Json) -> None:
    if "_lastUpdated" in params:
        bundle["link"] = [{"relation": "self", "url": f"http://sandbox.example{BASE_PATH}/{kind}?_count=500"}]


def cutting_off(kind: str, params: dict[str, str], bundle: Json) -> None:
    if "_lastUpdated" in params:
        bundle["total"] = bundle.get("total", 0) + 1


def saying_so(kind: str, params: dict[str, str], bundle: Json) -> None:
    if "_lastUpdated" in params:
        issue = {"severity": "warning", "code": "not-supported"}
        outcome = {"resourceType": "OperationOutcome", "issue": [issue]}
        bundle.setdefault("entry", []).append({"resource": outcome, "search": {"mode": "outcome"}})


def answering_with_everything(kind: str, params: dict[str, str], bundle: Json) -> None:
    if kind == "Observation" and "_lastUpdated" in params:
        meta = {"versionId": "1", "lastUpdated": "2031-01-01T00:00:00Z"}
        old = {"resourceType": "Observation", "id": "old", "meta": meta}
        bundle.setdefault("entry", []).append({"resource": old})
        bundle["total"] = len(bundle["entry"])


def without_times(kind: str, params: dict[str, str], bundle: Json) -> None:
    for entry in bundle.get("entry", ()):
        entry["resource"].get("meta", {}).pop("lastUpdated", None)


def without_names_of_the_deleted(kind: str, params: dict[str, str], bundle: Json) -> None:
    if bundle["type"] == "history":
        bundle["entry"] = [{"request": {"method": "DELETE", "url": "Observation"}, "response": {"status": "204"}}]


DOUBTS: list[tuple[str, Hospital]] = [
    ("a server that refuses to search everybody", Hospital(refuse={"population": 400})),
    ("one that forbids it", Hospital(refuse={"population": 403})),
    ("one that says nothing is there", Hospital(refuse={"population": 404})),
    ("one that keeps no history", Hospital(refuse={"Observation/_history": 404})),
    ("one that keeps none, and says it cannot", Hospital(refuse={"Goal/_history": 501})),
    ("one that breaks over it", Hospital(refuse={"population": 500})),
    ("one that leaves the filter out of its account", Hospital(bend=ignoring)),
    ("one that says it ignores the filter", Hospital(bend=saying_so)),
    ("one that ignores it without a word", Hospital(bend=answering_with_everything)),
    ("one that gives less than it tells of", Hospital(bend=cutting_off)),
    ("one that does not say when", Hospital(bend=without_times)),
    ("one that does not say what was deleted", Hospital(bend=without_names_of_the_deleted)),
    ("one that does not say what time it has", Hospital(headers={"date": None})),
]


@pytest.mark.parametrize(("what", "hospital"), DOUBTS, ids=[row[0] for row in DOUBTS])
async def test_in_doubt_nothing_is_concluded(what: str, hospital: Hospital) -> None:
    hospital.result("new", "p1")
    found = await changes(hospital)
    assert found.doubt
    assert "p1" not in found.doubt


async def test_a_server_that_is_away_is_no_doubt_but_an_error() -> None:
    with pytest.raises(Unreachable):
        await changes(Hospital(refuse={"Goal": 503}))


async def test_a_change_of_nobody_is_a_doubt_only_where_a_chart_would_hold_it() -> None:
    hospital = Hospital()
    hospital.result("vital-sign", None, category=[{"coding": [{"code": "vital-signs"}]}], code={"text": "pulse"})
    assert (await changes(hospital)).doubt == ""
    hospital.result("result", None)
    assert "names no patient" in (await changes(hospital)).doubt


async def test_one_wrong_time_in_the_future_does_not_hide_what_follows() -> None:
    hospital = Hospital(now=NOW + timedelta(days=400))
    hospital.result("poison", "p1")
    hospital.now = NOW
    hospital.result("new", "p1")
    found = await changes(hospital)
    assert found.newest == NOW
    assert {change.key for change in found.changed} == {"Observation/poison", "Observation/new"}


async def test_a_history_whose_links_forget_the_instant_is_not_followed_to_the_beginning_of_time() -> None:
    def bend(kind: str, params: dict[str, str], bundle: Json) -> None:
        if bundle["type"] == "history":
            page = int(params.get("page", "0"))
            bundle["link"] = [{"relation": "next", "url": f"http://sandbox.example{BASE_PATH}/{kind}?page={page + 1}"}]
            times = NOW - page * timedelta(days=1)
            deleted = {"method": "DELETE", "url": f"Observation/gone-{page}"}
            response = {"status": "204", "lastModified": times.isoformat()}
            bundle["entry"] = [{"request": deleted, "response": response}] if kind.startswith("Observation") else []
            if not bundle["entry"]:
                bundle["link"] = []

    hospital = Hospital(bend=bend)
    found = await changes(hospital)
    assert found.doubt == ""
    assert "Observation/gone-0" in found.deleted
    assert sum("Observation/_history" in request for request in hospital.requests) == 2


# --------------------------------------------------------------------------- rounds


@dataclass
class Rounds:
    hospital: Hospital
    memory: Memory = field(default_factory=Memory)

    async def run(self) -> RoundReport:
        async with self.hospital.connect() as connection:
            now = self.hospital.now
            follower = Follower(
                memory=self.memory,
                changes=ChangeReader(connection, SERVICE.plan, now=now),
                site=SERVICE.site,
                overlap=5 * MINUTE,
            )
            return await changed_round(SERVICE.hospital(connection, now=now), SERVICE.basis, follower, now=now)

    async def read(self) -> list[str]:
        return [outcome.patient for outcome in (await self.run()).outcomes]


@pytest.fixture
async def rounds() -> Rounds:
    hospital = Hospital(now=NOW - timedelta(hours=1))
    for ident in ("p1", "p2", "p3"):
        hospital.admit(ident)
    hospital.now = NOW
    made = Rounds(hospital)
    while (await made.run()).unchanged < 3:
        hospital.now += MINUTE
    return made


async def test_only_who_changed_is_read(rounds: Rounds) -> None:
    rounds.hospital.now += MINUTE
    rounds.hospital.result("r1", "p2")
    assert "Patient/p2" in await rounds.read()
    rounds.hospital.now += MINUTE
    assert "Patient/p1" not in await rounds.read()


@pytest.mark.parametrize("status", [500, 503, 400, 404])
async def test_a_whole_round_does_not_depend_on_what_only_rounds_by_change_time_need(
    rounds: Rounds, status: int
) -> None:
    rounds.memory.forget()
    rounds.hospital.refuse = {"population": status}
    report = await rounds.run()
    assert (len(report.outcomes), report.whole) == (3, True)
    rounds.hospital.refuse = {}
    assert len(await rounds.read()) == 3  # where to go on from is not known: whole again
    rounds.hospital.now += MINUTE
    assert await rounds.read() == []


async def test_a_server_that_does_not_sort_is_asked_for_a_day_at_most() -> None:
    def unsorted(kind: str, params: dict[str, str], bundle: Json) -> None:
        if "_sort" in params:
            meta = {"versionId": "1", "lastUpdated": "2019-01-01T00:00:00Z"}
            bundle["entry"] = [{"resource": {"resourceType": kind, "id": "old", "meta": meta}}]

    made = Rounds(Hospital(bend=unsorted))
    made.hospital.admit("p1")
    await made.run()
    await made.run()
    asked = [request for request in made.hospital.requests if "_lastUpdated=" in request]
    assert asked
    assert all("ge2031-03-26T06:25:00Z" in request for request in asked)


NO_BEGINNING: list[tuple[str, Hospital]] = [
    ("one that refuses to sort", Hospital(refuse={"population": 400})),
    ("one that breaks over it", Hospital(refuse={"population": 500})),
    ("one that does not say what time it has", Hospital(headers={"date": None})),
]


@pytest.mark.parametrize(("what", "hospital"), NO_BEGINNING, ids=[row[0] for row in NO_BEGINNING])
async def test_a_server_that_gives_no_beginning_has_everybody_read_and_the_report_says_why(
    what: str, hospital: Hospital
) -> None:
    made = Rounds(hospital)
    hospital.admit("p1")
    for _ in range(3):
        report = await made.run()
        assert len(report.outcomes) == 1
        assert "does not sort by change time, or does not say what time it has" in report.remarks[-1]
        assert made.memory.doubt  # so that whole rounds keep their distance where hints ask for them
        hospital.now += MINUTE
    hospital.refuse, hospital.headers = {}, {}
    await made.run()
    assert made.memory.doubt == ""
    assert (await made.run()).remarks == ()


async def test_a_server_that_is_away_when_the_beginning_is_asked_for_is_no_doubt() -> None:
    made = Rounds(Hospital())
    made.hospital.admit("p1")
    made.hospital.refuse = {"population": 503}
    report = await made.run()
    assert (made.memory.doubt, report.remarks) == ("", ())


async def test_lost_memory_costs_one_whole_round(rounds: Rounds) -> None:
    rounds.memory.forget()
    assert len(await rounds.read()) == 3
    assert rounds.memory.doubt == ""


async def test_what_is_kept_is_good_for_the_day_it_was_read_on(rounds: Rounds) -> None:
    rounds.hospital.now += timedelta(days=1)
    assert len(await rounds.read()) == 3


@pytest.mark.parametrize("refuse", ["population", "Observation/_history"])
async def test_a_server_that_no_longer_tells_has_everybody_read_and_the_report_says_why(
    rounds: Rounds, refuse: str
) -> None:
    rounds.hospital.refuse = {refuse: 403}
    report = await rounds.run()
    assert (len(report.outcomes), report.unchanged) == (3, 0)
    assert report.remarks[-1].startswith("everybody was read: ")
    assert rounds.memory.doubt


async def test_an_answer_that_leaves_out_what_charts_hold_is_not_believed(rounds: Rounds) -> None:
    """A server that answers searches of everybody with nothing, as some do for want of a right, and does not say so."""
    rounds.hospital.now += MINUTE
    rounds.hospital.result("r1", "p2")
    for _ in range(4):
        rounds.hospital.now += MINUTE
        await rounds.run()

    def hiding(kind: str, params: dict[str, str], bundle: Json) -> None:
        if "_lastUpdated" in params:
            bundle.update(entry=[], total=0)

    rounds.hospital.bend = hiding
    report = await rounds.run()
    assert "leaves out what charts hold" in report.remarks[-1]
    assert len(report.outcomes) == 3


async def test_a_change_that_the_patients_own_search_does_not_find_yet_is_looked_for_again(rounds: Rounds) -> None:
    def lagging(kind: str, params: dict[str, str], bundle: Json) -> None:
        if kind == "Observation" and "patient" in params:
            bundle["entry"] = [e for e in bundle.get("entry", ()) if e["resource"]["id"] != "r1"]
            bundle["total"] = len(bundle["entry"])

    rounds.hospital.now += MINUTE
    rounds.hospital.bend = lagging
    rounds.hospital.result("r1", "p2", value=2.0)
    for _ in range(3):
        assert "Patient/p2" in await rounds.read()
        rounds.hospital.now += MINUTE
    rounds.hospital.bend = Hospital.bend
    report = await rounds.run()
    [outcome] = [one for one in report.outcomes if one.patient == "Patient/p2"]
    assert outcome.assessment is not None
    assert any(view.value for view in outcome.assessment.analytes if view.analyte.value == "potassium")


async def test_a_server_that_answers_from_its_cache_is_asked_not_to(rounds: Rounds) -> None:
    rounds.hospital.caches = True
    await rounds.run()
    rounds.hospital.result("r1", "p2")  # within the same second: the very same search is sent again
    assert "Patient/p2" in await rounds.read()


async def test_a_date_header_that_runs_behind_only_asks_for_more(rounds: Rounds) -> None:
    late = format_datetime((rounds.hospital.now - timedelta(hours=3)).astimezone(UTC), usegmt=True)
    rounds.hospital.headers = {"date": late}
    rounds.hospital.now += MINUTE
    rounds.hospital.result("r1", "p2")
    assert "Patient/p2" in await rounds.read()
