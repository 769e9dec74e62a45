"""A round by change time ends with the same inboxes as a round that reads everybody, whatever happens in between."""

import copy
import json
import os
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from random import Random
from typing import Any

import pytest

from andante.assess import RoundReport
from andante.changed.memory import Memory
from andante.demo import Script, Stage, read_script, service_for, staged
from andante.fhir_http.connection import Connection
from andante.sandbox.store import Version

Json = dict[str, Any]

STORIES = ("plain-course", "severe-fall", "lost-in-the-laboratory", "died", "moved-ward", "parenteral", "thiamine-gaps")
START = datetime.fromisoformat("2031-03-27T06:30:00+00:00")
OVERLAP = timedelta(seconds=300)  # the settings' own
LATE = ("Observation", "NutritionOrder", "Encounter")


@dataclass
class World:
    """One sandbox, and rounds over it. `late` says how long after it was written a version can be found by search."""

    stage: Stage
    connection: Connection
    memory: Memory | None
    late: dict[str, timedelta] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.service = service_for(self.stage.script)
        self.store = self.stage.sandbox.endpoint.store
        self.stage.sandbox.endpoint.is_indexed = self.is_indexed

    def is_indexed(self, version: Version) -> bool:
        return version.instant + self.late.get(f"{version.reference}/{version.number}", timedelta()) <= self.stage.now

    def living(self, kind: str) -> list[Json]:
        return [copy.deepcopy(version.body) for version in self.store.living(kind) if version.body is not None]

    def put(self, *bodies: Json, late: timedelta = timedelta()) -> None:
        """All at the same instant of the server."""
        self.stage.sandbox.load(bodies)
        for body in bodies:
            newest = self.store.current(body["resourceType"], body["id"])
            assert newest is not None
            self.late[f"{newest.reference}/{newest.number}"] = late

    async def round(self) -> RoundReport:
        return await self.service.run_round(
            self.connection,
            trigger="test",
            now=self.stage.now,
            memory=self.memory,
            only_changed=self.memory is not None,
        )

    def inbox(self) -> list[str]:
        """Everything of ours that was ever left, whatever its state; not who wrote it when."""
        found = [body for kind in ("Task", "CommunicationRequest") for body in self.living(kind)]
        return sorted(json.dumps({k: v for k, v in body.items() if k not in ("id", "meta")}) for body in found)


# --------------------------------------------------------------------------- what may happen


def a_result(random: Random, world: World, now: datetime) -> Json:
    patient = random.choice(sorted(body["id"] for body in world.living("Patient")))
    code, low, high = random.choice([("14879-1", 20, 130), ("2823-3", 250, 550), ("2601-3", 40, 110)])
    value = random.randint(low, high) / 100
    return {
        "resourceType": "Observation",
        "id": f"r{random.randrange(10**9)}",
        "status": random.choice(["final", "final", "final", "preliminary"]),
        "category": [
            {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "laboratory"}]}
        ],
        "code": {"coding": [{"system": "http://loinc.org", "code": code}]},
        "subject": {"reference": f"Patient/{patient}"},
        # Back-dated as often as not.
        "effectiveDateTime": (now - timedelta(minutes=random.choice([1, 20, 200, 1500]))).isoformat(),
        "valueQuantity": {
            "value": value,
            "unit": "mmol/L",
            "system": "http://unitsofmeasure.org",
            "code": "mmol/L",
        },
    }


def results_come(random: Random, worlds: list[World], now: datetime) -> None:
    """One, or several with one lastUpdated; found by search at once, or late."""
    results = [a_result(random, worlds[0], now) for _ in range(random.choice([1, 1, 3]))]
    late = random.choice([timedelta(), timedelta(), OVERLAP / 2, OVERLAP])
    for world in worlds:
        world.put(*copy.deepcopy(results), late=late)


def one_changes(random: Random, worlds: list[World], now: datetime) -> None:
    kind = random.choice(["Observation", "Observation", "NutritionOrder", "MedicationRequest", "Location", "Encounter"])
    bodies = worlds[0].living(kind)
    if not bodies:
        return
    body = random.choice(bodies)
    match kind:
        case "Observation" if "valueQuantity" in body:
            how = random.choice(["value", "status", "patient"])
            if how == "value":
                body["valueQuantity"]["value"] = float(body["valueQuantity"]["value"]) * random.choice([0.5, 0.9, 1.2])
                body["status"] = "corrected"
            elif how == "status":
                body["status"] = random.choice(["entered-in-error", "preliminary", "final"])
            else:
                body["subject"] = {"reference": f"Patient/{random.choice(worlds[0].living('Patient'))['id']}"}
        case "NutritionOrder":
            body["status"] = random.choice(["active", "completed", "revoked", "entered-in-error"])
        case "MedicationRequest":
            body["status"] = random.choice(["active", "stopped", "completed"])
        case "Location":
            body["name"] = f"Bed {random.randrange(99)}"
        case "Encounter":
            body["status"] = random.choice(["in-progress", "finished"])
    late = random.choice([timedelta(), OVERLAP]) if kind in LATE else timedelta()
    for world in worlds:
        world.put(copy.deepcopy(body), late=late)


def one_is_deleted(random: Random, worlds: list[World], now: datetime) -> None:
    kind = random.choice(["Observation", "Observation", "NutritionOrder", "MedicationAdministration"])
    bodies = worlds[0].living(kind)
    if bodies:
        ident = random.choice(bodies)["id"]
        for world in worlds:
            world.stage.sandbox.endpoint.delete(kind, ident)


def a_person_decides(random: Random, worlds: list[World], now: datetime) -> None:
    """The two worlds number their own resources alike only as long as they write alike: found by identifier."""
    tasks = [body for body in worlds[0].living("Task") if body["status"] == "requested"]
    if not tasks:
        return
    chosen, status = random.choice(tasks), random.choice(["accepted", "rejected", "completed"])
    for world in worlds:
        [task] = [body for body in world.living("Task") if body["identifier"] == chosen["identifier"]]
        world.put({**task, "status": status})


EVENTS = (results_come, results_come, one_changes, one_changes, one_is_deleted, a_person_decides)
STEPS = (30, 60, 90, 200, 300, 300, 900, 1800, 5 * 3600, 13 * 3600)  # seconds
SEEDS = range(25 if os.environ.get("ANDANTE_TEST_DEEP") else 3)


@pytest.fixture(scope="module")
def script() -> Script:
    return read_script(STORIES)


@pytest.fixture
def stages(script: Script) -> Iterator[list[Stage]]:
    with ExitStack() as stack:
        yield [stack.enter_context(staged(script)) for _ in range(2)]


@pytest.mark.parametrize("seed", SEEDS)
async def test_a_round_by_change_time_leaves_what_a_whole_round_leaves(stages: list[Stage], seed: int) -> None:
    random, now = Random(seed), START
    service = service_for(stages[0].script)
    spared = 0
    async with service.connect(stages[0].base) as one, service.connect(stages[1].base) as two:
        worlds = [World(stages[0], one, Memory()), World(stages[1], two, None)]
        for _ in range(25):
            for stage in stages:
                stage.play_until(now)
            for _ in range(random.choice([0, 0, 1, 1, 2, 4])):
                random.choice(EVENTS)(random, worlds, now)
            reports = [await world.round() for world in worlds]
            assert all(report.whole for report in reports)
            assert worlds[0].inbox() == worlds[1].inbox()
            spared += reports[0].unchanged
            now += timedelta(seconds=random.choice(STEPS))
    assert spared > 20  # else nothing was tried
