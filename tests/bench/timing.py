"""How long something took, on the wall and of our own processor time."""

import time
from dataclasses import dataclass


@dataclass(frozen=True)
class Cost:
    wall_s: float
    cpu_s: float


class Timer:
    """`with Timer() as timer: …`, then `timer.cost`."""

    def __enter__(self) -> "Timer":
        self._wall, self._cpu = time.perf_counter(), time.process_time()
        return self

    def __exit__(self, *_: object) -> None:
        self.cost = Cost(time.perf_counter() - self._wall, time.process_time() - self._cpu)
