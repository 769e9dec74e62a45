"""A whole round against the bare cost of fetching the same bytes with the same client and throwing them away."""

import asyncio
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from timing import Cost, Timer
from wards import NOW, WardServer, ward_server
from wards import service as service_with

from andante.fhir_http.connection import Answer, Connection


@dataclass(frozen=True)
class Measured:
    """`whole` is a round that finds every inbox as it should be, `first` one that writes everything."""

    patients: int
    observations: int
    requests: int
    in_flight: int
    delay_ms: int
    bare: Cost
    whole: Cost
    first: Cost

    @property
    def ratio(self) -> float:
        return self.whole.wall_s / self.bare.wall_s

    @property
    def us_per_observation(self) -> float:
        return (self.whole.cpu_s - self.bare.cpu_s) * 1e6 / self.observations


def measure(patients: int, *, repeats: int) -> Iterator[Measured]:
    """At 50 ms a page, in sequence and eight at once; and eight at once from a server that answers at once."""
    with ward_server() as server:
        for in_flight, delay_ms in ((1, 50), (8, 50), (8, 0)):
            observations = server.settle(patients=patients)
            yield asyncio.run(_measure(server, patients, observations, in_flight, delay_ms, repeats))


async def _measure(
    server: WardServer, patients: int, observations: int, in_flight: int, delay_ms: int, repeats: int
) -> Measured:
    service = service_with(in_flight=in_flight)
    async with service.connect(server.base) as connection:
        with Timer() as first:
            report = await service.run_round(connection, trigger="bench", now=NOW)
        assert report.whole
        assert report.counts["created"] > 0
        server.slow_down(delay_ms)
        asked = _overheard(connection)
        report = await service.run_round(connection, trigger="bench", now=NOW)
        assert report.whole
        assert report.counts["created"] == report.counts["kept"] == 0
        assert report.counts["patients"] == patients
        requests = list(asked)
        bare, whole = [], []
        for _ in range(repeats):
            with Timer() as fetched:
                await _fetch(connection, requests)
            with Timer() as ran:
                await service.run_round(connection, trigger="bench", now=NOW)
            bare.append(fetched.cost)
            whole.append(ran.cost)
    return Measured(
        patients=patients,
        observations=observations,
        requests=len(requests),
        in_flight=in_flight,
        delay_ms=delay_ms,
        bare=min(bare, key=lambda cost: cost.wall_s),
        whole=min(whole, key=lambda cost: cost.wall_s),
        first=first.cost,
    )


Asked = tuple[str, dict[str, Any]]


def _overheard(connection: Connection) -> list[Asked]:
    """The addresses asked for from now on, in order."""
    asked: list[Asked] = []
    get = connection.get

    async def overheard(url: str, **how: Any) -> Answer:
        asked.append((url, how))
        return await get(url, **how)

    connection.get = overheard  # type: ignore[method-assign]
    return asked


async def _fetch(connection: Connection, requests: list[Asked]) -> None:
    """Pages of one search follow each other, since nobody knows the next address before; all else goes at once."""

    async def fetch(pages: list[Asked]) -> None:
        for url, how in pages:
            await connection.get(url, **how)

    def search(asked: Asked) -> str:
        return asked[0].partition("&_from=")[0]

    chains = [list(pages) for _, pages in groupby(sorted(requests, key=search), key=search)]
    await asyncio.gather(*(fetch(pages) for pages in chains))
