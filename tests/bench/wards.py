"""A ward server in a process of its own, and our service connected to it."""

import subprocess
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import httpx

from andante import app, settings
from andante.app import Service
from andante.collecting import collect_seldom
from andante.fhir_http.connection import Answer, Connection

NOW = datetime.fromisoformat("2031-03-28T06:30:00+00:00")  # d5 of the fictional hospital: some 28 results each
ZONE = "Europe/London"


@dataclass(frozen=True)
class WardServer:
    """`settle` empties the inboxes: `observations` is what all charts hold together."""

    base: str

    def settle(self, *, patients: int, delay_ms: int = 0) -> int:
        told = self._put(patients=patients, delay_ms=delay_ms)
        stories = told["stories"]
        return sum(told["observations"][stories[i % len(stories)]] for i in range(patients))

    def slow_down(self, delay_ms: int) -> None:
        self._put(delay_ms=delay_ms)

    def _put(self, **what: int) -> dict[str, dict[str, int]]:
        answer = httpx.put(self.base.replace("/fhir", "/-/"), params=what, timeout=60)
        answer.raise_for_status()
        told: dict[str, dict[str, int]] = answer.json()
        return told


@contextmanager
def ward_server() -> Iterator[WardServer]:
    script = Path(__file__).with_name("ward_server.py")
    with subprocess.Popen([sys.executable, script, NOW.isoformat()], stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            yield WardServer(process.stdout.readline().strip())
        finally:
            process.kill()


@contextmanager
def sandbox_server(patients: int, stories: Iterable[str] = ()) -> Iterator[str]:
    """The base address of our sandbox with that many patients, of these stories only where any are named."""
    script = Path(__file__).with_name("sandbox_server.py")
    command = [sys.executable, script, NOW.isoformat(), str(patients), *stories]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            yield process.stdout.readline().strip()
        finally:
            process.kill()


@dataclass
class Tally:
    count: int = 0


def tallied(connection: Connection) -> Tally:
    """How many requests there were from now on: a list of a hundred thousand addresses is memory of its own."""
    tally = Tally()
    get = connection.get

    async def counting(url: str, **how: Any) -> Answer:
        tally.count += 1
        return await get(url, **how)

    connection.get = counting  # type: ignore[method-assign]
    return tally


def service(*, in_flight: int, changes_overlap_s: int = 300) -> Service:
    """As the commands run it."""
    collect_seldom()
    return app.build(settings.defaults(zone=ZONE, concurrency=in_flight, changes_overlap_s=changes_overlap_s))
