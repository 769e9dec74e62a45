"""How long something took, on the wall and of our own processor time."""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar


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


T = TypeVar("T")


def pace(cases: Sequence[T], run: Callable[[T], object], seconds: float) -> float:
    """Cases per second of our processor time, over `seconds` of it, after a warm-up half as long."""
    _some(cases, run, seconds / 2)
    count, spent = _some(cases, run, seconds)
    return count / spent


def _some(cases: Sequence[T], run: Callable[[T], object], seconds: float) -> tuple[int, float]:
    count, spent, began = 0, 0.0, time.process_time()
    while spent < seconds:
        for case in cases:
            run(case)
        count += len(cases)
        spent = time.process_time() - began
    return count, spent
