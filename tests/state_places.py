"""The two databases, and a ward whose service can be stopped and started again on the same FHIR server."""

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Iterable, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import httpx
import pytest
from pydantic import SecretStr

from andante import app, settings
from andante.assess import RoundReport
from andante.demo import Stage, read_script
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.retry import RetryPolicy
from andante.state.address import address_of
from andante.state.store import Store
from andante.triggers.shift import Shift
from andante.triggers.web import create_app
from postgresql import Cluster, cluster

BASE = "http://ward.example/fhir"
MORNING = datetime.fromisoformat("2031-03-27T06:30:00+00:00")
STORIES = ("plain-course", "severe-fall", "lost-in-the-laboratory", "moved-ward")
SCRIPT = read_script(STORIES)


@pytest.fixture(scope="session")
def own_cluster() -> Iterator[Cluster]:
    with cluster() as made:
        yield made


@dataclass
class Place:
    """Where the state of one test is kept."""

    kind: str
    url: str
    path: Path | None = None
    cluster: Cluster | None = None

    def store(self, server: str = BASE) -> Store:
        return Store(address_of(self.url), server)

    def run(self, *statements: str) -> None:
        """Past the store, as somebody else would."""
        with self.store()._engine.begin() as connection:
            for statement in statements:
                connection.exec_driver_sql(statement)

    def rows(self, table: str) -> list[tuple[Any, ...]]:
        with self.store()._engine.begin() as connection:
            return [tuple(row) for row in connection.exec_driver_sql(f"SELECT * FROM {table}")]


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Place:
    if request.param == "sqlite":
        return sqlite_place(tmp_path)
    return postgresql_place(request)


def sqlite_place(folder: Path) -> Place:
    path = folder / "state.db"
    return Place("sqlite", f"sqlite:///{path}", path=path)


def postgresql_place(request: pytest.FixtureRequest) -> Place:
    own: Cluster = request.getfixturevalue("own_cluster")
    return Place("postgresql", own.database(), cluster=own)


class Between(httpx.AsyncBaseTransport):
    """Before the FHIR server. `on_request` is told of each request, by its number since `seen` was cleared.

    Requests that name anybody in `poisoned` are answered 500; searches wait while `searchable` is not set.
    """

    def __init__(self, inner: httpx.AsyncBaseTransport) -> None:
        self._inner = inner
        self.seen: list[httpx.Request] = []
        self.on_request: Callable[[int, httpx.Request], None] = lambda number, request: None
        self.poisoned: set[str] = set()
        self.searchable = asyncio.Event()
        self.searchable.set()

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        self.seen.append(request)
        self.on_request(len(self.seen), request)
        if request.method == "GET" and not request.url.path.endswith("/metadata"):
            await self.searchable.wait()
        if any(self.named(request, patient) for patient in self.poisoned):
            return httpx.Response(500, json={"resourceType": "OperationOutcome"}, request=request)
        return await self._inner.handle_async_request(request)

    @staticmethod
    def named(request: httpx.Request, patient: str) -> bool:
        return f"Patient/{patient}" in unquote(str(request.url))

    def asked_for(self, patient: str) -> int:
        return sum(self.named(request, patient) for request in self.seen)


@dataclass
class Running:
    """One process's part: what would be lost with it."""

    application: Any
    between: Between
    client: httpx.AsyncClient

    @property
    def shift(self) -> Shift:
        found: Shift = self.application.state.shift
        return found

    @property
    def charts_read(self) -> int:
        """Searches for charts; none where nobody was read."""
        return sum("/NutritionOrder" in request.url.path for request in self.between.seen)

    async def first_round(self) -> bool:
        """Whether taking over began a round over everybody; if so, to its end."""
        first = self.shift._first
        if first is not None:
            await first
        return first is not None

    async def round(self, kind: str = "round") -> RoundReport:
        self.between.seen.clear()
        report: RoundReport = await self.application.state.run_round(kind)
        return report

    async def ready(self) -> dict[str, Any]:
        found: dict[str, Any] = (await self.client.get("/ready")).json()
        return found


@dataclass
class Ward:
    """A FHIR server that lives on while services come and go."""

    given: dict[str, Any] = field(default_factory=dict)
    stage: Stage = field(default_factory=lambda: Stage(SCRIPT))

    def __post_init__(self) -> None:
        self.at(MORNING)

    def at(self, instant: datetime) -> None:
        self.stage.play_until(instant)

    def later(self, **by: float) -> None:
        self.at(self.stage.now + timedelta(**by))

    def low_potassium(self, ident: str = "low", *, patient: str = "quillfeather", value: float = 2.3) -> None:
        """A critical result comes in now."""
        category = {"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "laboratory"}
        self.stage.sandbox.load(
            [
                {
                    "resourceType": "Observation",
                    "id": ident,
                    "status": "final",
                    "category": [{"coding": [category]}],
                    "code": {"coding": [{"system": "http://loinc.org", "code": "2823-3"}]},
                    "subject": {"reference": f"Patient/{patient}"},
                    "effectiveDateTime": (self.stage.now - timedelta(minutes=5)).isoformat(),
                    "valueQuantity": {
                        "value": value,
                        "unit": "mmol/L",
                        "system": "http://unitsofmeasure.org",
                        "code": "mmol/L",
                    },
                }
            ]
        )

    @asynccontextmanager
    async def process(
        self, url: str | None, *, poisoned: Iterable[str] = (), searchable: bool = True, **given: Any
    ) -> AsyncIterator[Running]:
        """From start to orderly end of a service; `poisoned` and `searchable` hold before its first round begins."""
        between = Between(httpx.ASGITransport(self.stage.sandbox.app))
        between.poisoned.update(poisoned)
        if not searchable:
            between.searchable.clear()
        kept = {"state_url": SecretStr(url)} if url is not None else {}
        service = app.build(settings.defaults(zone=SCRIPT.zone.key, fhir_base=BASE, **(self.given | kept | given)))
        server = ServerSettings(base=BASE, retry=RetryPolicy(attempts=1))
        connection = Connection(server, audit=service.audit, transport=between)
        application = create_app(service, now=lambda: self.stage.now, connection=connection)
        transport = httpx.ASGITransport(application, raise_app_exceptions=False)
        async with (
            application.router.lifespan_context(application),
            httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client,
        ):
            yield Running(application, between, client)

    def inbox(self) -> list[str]:
        """Everything of ours that was ever left, whatever became of it; not who wrote it when."""
        store = self.stage.sandbox.endpoint.store
        found = [
            version.body for kind in ("Task", "CommunicationRequest") for version in store.living(kind) if version.body
        ]
        return sorted(json.dumps({k: v for k, v in body.items() if k not in ("id", "meta")}) for body in found)

    def open_advice(self) -> dict[str, int]:
        """How many suggestions are open, by patient."""
        found: dict[str, int] = {}
        for body in self.stage.inbox():
            if body["resourceType"] == "Task":
                patient = body["for"]["reference"]
                found[patient] = found.get(patient, 0) + 1
        return found


@pytest.fixture
def ward() -> Ward:
    return Ward()
