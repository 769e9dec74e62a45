"""Whom to read again: a bounded set, one entry per patient, that gives way to reading everything that changed."""

import asyncio
from collections.abc import Iterable
from dataclasses import dataclass

MOST = 1_000
"""Patients and resources waiting; one more, and what changed is asked of the server instead."""


@dataclass(frozen=True, kw_only=True)
class Batch:
    """Taken out of the hints at once. `resources` are `Type/id` whose patient is not known yet."""

    patients: frozenset[str] = frozenset()
    resources: frozenset[str] = frozenset()
    catch_up: bool = False

    def __bool__(self) -> bool:
        return bool(self.patients or self.resources or self.catch_up)


class Hints:
    """Waits in memory only: after a restart what changed is asked of the server, whoever was waiting."""

    def __init__(self, *, most: int = MOST) -> None:
        self._most = most
        self._patients: set[str] = set()
        self._resources: set[str] = set()
        self._catch_up = False
        self.arrived = asyncio.Event()

    def __len__(self) -> int:
        return len(self._patients) + len(self._resources)

    @property
    def catching_up(self) -> bool:
        return self._catch_up

    def add(self, *, patients: Iterable[str] = (), resources: Iterable[str] = (), catch_up: bool = False) -> None:
        """Never refuses: too many become one catch-up, which finds them all."""
        self._patients.update(patients)
        self._resources.update(resources)
        self._catch_up = self._catch_up or catch_up
        if len(self) > self._most:
            self._patients.clear()
            self._resources.clear()
            self._catch_up = True
        if len(self) or self._catch_up:
            self.arrived.set()

    def take(self, *, catch_up: bool = True) -> Batch:
        """Everything that waits; with `catch_up=False` that one wish is left waiting."""
        batch = Batch(
            patients=frozenset(self._patients),
            resources=frozenset(self._resources),
            catch_up=self._catch_up and catch_up,
        )
        self._patients.clear()
        self._resources.clear()
        if catch_up:
            self._catch_up = False
        self.arrived.clear()
        return batch

    def put_back(self, batch: Batch) -> None:
        self.add(patients=batch.patients, resources=batch.resources, catch_up=batch.catch_up)
