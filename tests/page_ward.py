"""The page over the fictional hospital, served on loopback: for tests that open it in a browser or by hand."""

import re
import socket
from collections.abc import Callable, Collection, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import httpx
from fastapi import FastAPI

from andante import app, settings
from andante.app import Service
from andante.demo import Stage, read_script, staged
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.retry import RetryPolicy
from andante.sandbox import Seen, running
from andante.sandbox.faults import fault
from andante.triggers.web import create_app
from launcher import CLIENT, Launcher

MORNING = datetime.fromisoformat("2031-03-27T06:30:00+00:00")
TOKEN = re.compile(r'name="token" value="([0-9a-f]+)"')


class Clock:
    """The service's, moved by hand."""

    def __init__(self, at: datetime = MORNING) -> None:
        self.at = at

    def __call__(self) -> datetime:
        return self.at


@dataclass
class Ward:
    """The page at `address`, the FHIR server behind it, and the clock of both. `stop` ends the service."""

    stage: Stage
    service: Service
    application: FastAPI
    clock: Clock
    address: str
    stop: Callable[[], None] = lambda: None
    server_is_gone: bool = False

    def client(self, *, role: str = "decide", name: str = "Ada Quill") -> httpx.Client:
        """Somebody signed in by the development login, to be closed."""
        client = httpx.Client(base_url=self.address, follow_redirects=True)
        answer = client.post("/page/sign-in", data={"name": name, "role": role})
        assert answer.status_code == 200, answer.text
        return client

    def run_round(self) -> None:
        """A whole round now, by the button of those who administer."""
        with closing(self.client(role="administer", name="Otto Bell")) as client:
            token = token_in(client.get("/page/house").text)
            assert client.post("/page/house", data={"token": token}, timeout=120).status_code == 200

    def move_on(self, **by: float) -> None:
        """Time passes, and the charts know what became known meanwhile."""
        self.clock.at += timedelta(**by)
        self.stage.play_until(self.clock.at)

    def board(self) -> dict[str, str]:
        """Name of each sheet's address, by patient."""
        house = self.application.state.house
        return {entry.patient: entry.token for entry in house.board.entries.values()}

    def tasks(self, patient: str) -> list[dict[str, Any]]:
        """The patient's Tasks as the FHIR server holds them, oldest first."""
        store = self.stage.sandbox.endpoint.store
        bodies = (version.body for version in store.living("Task") if version.body is not None)
        return [body for body in bodies if body["for"]["reference"] == patient]


def token_in(page: str) -> str:
    found = TOKEN.search(page)
    assert found is not None
    return found[1]


@contextmanager
def ward_of(
    stories: Collection[str] | None = None, *, at: datetime = MORNING, rounds: bool = True, **given: object
) -> Iterator[Ward]:
    """The hospital, or some of its stories, at an instant, after a round of that instant."""
    with staged(read_script(stories)) as stage:
        clock = Clock(at)
        stage.play_until(at)
        chosen = {"page_login": "development", "zone": stage.script.zone.key, "fhir_base": stage.base} | given
        service = app.build(settings.defaults(**chosen))
        impatient = ServerSettings(base=stage.base, retry=RetryPolicy(attempts=1))
        page = create_app(service, now=clock, connection=Connection(impatient, audit=service.audit), schedule=False)
        with ExitStack() as served:
            address = served.enter_context(running(page, path="", lifespan=True))
            ward = Ward(stage=stage, service=service, application=page, clock=clock, address=address, stop=served.close)
            _may_be_gone(ward)
            if rounds:
                ward.run_round()
            yield ward


@contextmanager
def launched_ward(
    stories: Collection[str] | None = None, *, at: datetime = MORNING, roles: dict[str, str] | None = None
) -> Iterator[tuple[Ward, Launcher]]:
    """The same, with people signed in by SMART App Launch from a launcher that stands before the FHIR server."""
    stage = Stage(read_script(stories))
    clock, port = Clock(at), _free_port()
    public = f"http://127.0.0.1:{port}"
    launcher = Launcher(now=clock, redirect_uri=f"{public}/page/signed-in")
    with running(launcher.application(stage.sandbox.app)) as base:
        stage.base = launcher.base = base
        stage.play_until(at)
        given = {
            "page_login": "smart",
            "page_client_id": CLIENT,
            "page_roles": roles or {"*": "decide"},
            "public_url": public,
            "fhir_base": base,
            "zone": stage.script.zone.key,
        }
        service = app.build(settings.defaults(**given))
        page = create_app(service, now=clock, connection=service.connect(base), schedule=False)
        with running(page, port=port, path="", lifespan=True) as address:
            ward = Ward(stage=stage, service=service, application=page, clock=clock, address=address)
            _may_be_gone(ward)
            for patient in ("Patient/mossop", "Patient/quillfeather"):
                httpx.post(f"{address}/review/{patient.partition('/')[2]}", timeout=60)
            yield ward, launcher


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port: int = free.getsockname()[1]
        return port


def _may_be_gone(ward: Ward) -> None:
    """The FHIR server answers 500 to everything for as long as the ward says that it is gone."""
    told = ward.stage.sandbox._record
    assert told is not None

    def record(seen: Seen) -> None:
        if ward.server_is_gone:
            raise fault(503, "transient", "gone")
        told(seen)

    ward.stage.sandbox._record = record
