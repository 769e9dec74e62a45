"""Rounds over ever more patients, each size in a process of its own: time, requests, and the most memory held."""

import asyncio
import json
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

from timing import Timer
from wards import NOW, tallied, ward_server
from wards import service as service_with

SIZES = (100, 1_000, 10_000)
CROWDS = (10_000, 100_000)
"""Of dry rounds, in which everybody is read and assessed, what would be written is made, and nothing is sent."""


@dataclass(frozen=True)
class Grown:
    """`first_s` is a round that writes everything, `again_s` one that finds it as it should be; of a dry round there
    is only the time. `memory_mib` is the peak of our process above what it held before the first round."""

    patients: int
    requests: int
    first_s: float | None
    again_s: float | None
    dry_s: float | None
    memory_mib: float

    @property
    def ms_per_patient(self) -> float:
        """In the first round, or the dry one: in both every advice is new, and written out."""
        (first,) = (one for one in (self.first_s, self.dry_s) if one is not None)
        return 1000 * first / self.patients


def measure(sizes: tuple[int, ...], *, dry: bool = False) -> Iterator[Grown]:
    for size in sizes:
        command = [sys.executable, Path(__file__), str(size), *(["dry"] if dry else [])]
        told = subprocess.run(command, check=True, capture_output=True, text=True)
        yield Grown(**json.loads(told.stdout.splitlines()[-1]))


async def _measure(patients: int, *, dry: bool) -> Grown:
    """Eight in flight, from a server that answers at once; each outcome is let go when it is done."""
    service = service_with(in_flight=8)
    with ward_server() as server:
        server.settle(patients=patients)
        async with service.connect(server.base) as connection:
            asked = tallied(connection)

            async def run(*, dry_run: bool = False) -> tuple[float, int, int]:
                before = asked.count
                with Timer() as timer:
                    report = await service.run_round(
                        connection, trigger="bench", now=NOW, dry_run=dry_run, each=lambda _outcome: None
                    )
                assert report.whole
                assert report.counts["patients"] == patients
                return timer.cost.wall_s, asked.count - before, report.counts["created"]

            before = _peak_mib()
            first_s, requests, _ = await run(dry_run=dry)
            again_s = None
            if not dry:
                again_s, requests, created = await run()
                assert created == 0
    return Grown(
        patients=patients,
        requests=requests,
        first_s=None if dry else first_s,
        again_s=again_s,
        dry_s=first_s if dry else None,
        memory_mib=_peak_mib() - before,
    )


def _peak_mib() -> float:
    """Of this program alone: `ru_maxrss` keeps the peak of whoever started it."""
    (line,) = [row for row in Path("/proc/self/status").read_text().splitlines() if row.startswith("VmHWM:")]
    return int(line.split()[1]) / 1024


if __name__ == "__main__":
    sys.stdout.write(json.dumps(asdict(asyncio.run(_measure(int(sys.argv[1]), dry="dry" in sys.argv[2:])))) + "\n")
