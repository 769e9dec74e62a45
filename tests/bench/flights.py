"""Requests per second of our client at 1, 8 and 32 in flight: more at once must never be slower."""

import asyncio

from timing import Timer
from wards import service as service_with
from wards import ward_server

IN_FLIGHT = (1, 8, 32)


def measure(requests: int, *, repeats: int) -> dict[int, float]:
    with ward_server() as server:
        server.settle(patients=60)
        return {
            count: max(asyncio.run(_once(server.base, count, requests)) for _ in range(repeats)) for count in IN_FLIGHT
        }


async def _once(base: str, in_flight: int, requests: int) -> float:
    async with service_with(in_flight=in_flight).connect(base) as connection:
        await connection.get(f"{base}/metadata", what="the statement")
        with Timer() as timer:
            await asyncio.gather(
                *(
                    connection.get(f"{base}/Goal?patient=Patient/mossop--{i % 60}", what="a search")
                    for i in range(requests)
                )
            )
    return requests / timer.cost.wall_s
