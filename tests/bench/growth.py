"""Rounds over ever more patients, each size in a process of its own: time, requests, and the most memory held."""

import asyncio
import json
import subprocess
import sys
from dataclasses import asdict, dataclass
from pathlib import Path

from timing import Timer
from wards import NOW, counted, ward_server
from wards import service as service_with


@dataclass(frozen=True)
class Grown:
    """`memory_mib` is the peak of our process above what it held before the first round."""

    patients: int
    requests: int
    first_s: float
    again_s: float
    memory_mib: float


def measure(sizes: tuple[int, ...]) -> list[Grown]:
    grown = []
    for size in sizes:
        told = subprocess.run([sys.executable, Path(__file__), str(size)], check=True, capture_output=True, text=True)
        grown.append(Grown(**json.loads(told.stdout.splitlines()[-1])))
    return grown


async def _measure(patients: int) -> Grown:
    service = service_with(in_flight=8)
    with ward_server() as server:
        server.settle(patients=patients)
        async with service.connect(server.base) as connection:
            before = _peak_mib()
            with Timer() as first:
                report = await service.run_round(connection, trigger="bench", now=NOW)
            assert report.whole
            asked = counted(connection)
            del report
            with Timer() as again:
                report = await service.run_round(connection, trigger="bench", now=NOW)
            assert report.counts["created"] == 0
    return Grown(
        patients=patients,
        requests=len(asked),
        first_s=first.cost.wall_s,
        again_s=again.cost.wall_s,
        memory_mib=_peak_mib() - before,
    )


def _peak_mib() -> float:
    """Of this program alone: `ru_maxrss` keeps the peak of whoever started it."""
    (line,) = [row for row in Path("/proc/self/status").read_text().splitlines() if row.startswith("VmHWM:")]
    return int(line.split()[1]) / 1024


if __name__ == "__main__":
    sys.stdout.write(json.dumps(asdict(asyncio.run(_measure(int(sys.argv[1]))))) + "\n")
