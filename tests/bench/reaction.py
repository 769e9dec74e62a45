"""From a result that the server accepted to the Task that says what follows, told by the server's own rest-hook.

A potassium goes from critically low to normal and back, one patient at a time. The clock runs from the server's answer
to the result until a search finds another open Task of that patient.
"""

import json
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from itertools import cycle, islice
from pathlib import Path
from statistics import median
from threading import Thread
from typing import IO, Any, TypeVar

import httpx
from wards import NOW, ZONE, sandbox_server

sys.path.insert(0, str(Path(__file__).parents[1] / "contract"))

from servers.install import missing
from servers.launch import launched
from ward_server import Templates

from andante.subscriptions.worker import _GATHER_S as GATHER_S

Json = dict[str, Any]
T = TypeVar("T")

SERVERS = ("sandbox", "sekmet", "hapi")
STORIES = ("barrelman", "carraway", "dovecote", "mossop")  # all are advised to advance, and not in danger
PATIENTS = tuple(f"{story}--{number}" for number, story in enumerate(islice(cycle(STORIES), 20)))
SECRET = "a-secret-of-the-bench-0001"
LOOK_EVERY_S = 0.02
PATIENCE_S = 180.0
_FRESH = {"Cache-Control": "no-cache"}
_CATEGORIES = "http://terminology.hl7.org/CodeSystem/observation-category"


@dataclass(frozen=True)
class Reaction:
    """Seconds. `told_s`: until the notification reached us, the middle; `waited_s`: that we wait on purpose, so that
    a panel of results is one review. `trouble` says why there are no figures."""

    server: str
    samples: int = 0
    median_s: float = 0.0
    p99_s: float = 0.0
    told_s: float = 0.0
    waited_s: float = GATHER_S
    trouble: str = ""


def measure(samples: int, servers: tuple[str, ...] = SERVERS) -> Iterator[Reaction]:
    for name in servers:
        if name != "sandbox" and (reason := missing(name)):
            yield Reaction(name, trouble=reason)
            continue
        with _loaded(name) as base, _service(base) as (root, told):
            yield _measure(name, base, root, told, samples)


@contextmanager
def _loaded(name: str) -> Iterator[str]:
    if name == "sandbox":
        with sandbox_server(len(PATIENTS), STORIES) as base:
            yield base
        return
    templates = Templates(NOW)
    charts = [list(templates.shared.values()), *map(templates.all_of, PATIENTS)]
    with launched(name) as server:
        for chart in charts:
            entries = [_put(json.loads(text)) for text in chart]
            bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
            httpx.post(server.base, json=bundle, timeout=120).raise_for_status()
        yield server.base


def _put(body: Json) -> Json:
    return {"resource": body, "request": {"method": "PUT", "url": f"{body['resourceType']}/{body['id']}"}}


@contextmanager
def _service(base: str) -> Iterator[tuple[str, list[float]]]:
    """Its address, and when it was told of something."""
    script = Path(__file__).with_name("reaction_service.py")
    command = [sys.executable, script, base, NOW.isoformat(), ZONE, SECRET]
    told: list[float] = []

    def listen(lines: IO[str]) -> None:
        told.extend(map(float, lines))

    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, stderr=subprocess.DEVNULL) as process:
        try:
            assert process.stdout is not None
            root = process.stdout.readline().strip()
            Thread(target=listen, args=[process.stdout], daemon=True).start()
            yield root, told
        finally:
            process.kill()


def _measure(name: str, base: str, root: str, told: list[float], samples: int) -> Reaction:
    with httpx.Client(base_url=base, timeout=60) as client:
        for patient in PATIENTS:
            _until(lambda patient=patient: _open(client, patient))
        if name != "sandbox":
            _until(lambda: _hooks_are_active(root))
        _until(lambda: _is_quiet(root))
        whole, until_told = [], []
        for number in range(samples):
            turn, place = divmod(number, len(PATIENTS))
            patient, danger = PATIENTS[place], turn % 2 == 0
            before = _open(client, patient)
            body = _potassium(patient, 2.2 if danger else 4.1)
            client.put(f"Observation/{body['id']}", json=body).raise_for_status()
            accepted = time.monotonic()
            if name == "sandbox":
                _tell(root, body)  # it tells nobody: what a server that tells at once would send
            after = _until(lambda patient=patient, before=before: _open(client, patient) - before)
            whole.append(time.monotonic() - accepted)
            assert {priority == "stat" for _, priority in after} == {danger}
            until_told.append(next((at for at in told if at >= accepted - 1), accepted) - accepted)
            told.clear()
    whole.sort()
    return Reaction(name, len(whole), median(whole), whole[-(-len(whole) * 99 // 100) - 1], median(until_told))


def _open(client: httpx.Client, patient: str) -> set[tuple[str, str]]:
    """The open Tasks of a patient: id and priority."""
    asked = {"patient": f"Patient/{patient}", "status": "requested"}
    bundle = client.get("Task", params=asked, headers=_FRESH).raise_for_status().json()
    found = [entry["resource"] for entry in bundle.get("entry", ())]
    return {(one["id"], one.get("priority", "")) for one in found if one["resourceType"] == "Task"}


def _hooks_are_active(root: str) -> bool:
    hooks = httpx.get(f"{root}/ready", timeout=60).json()["notifications"]["hooks"]
    return all(hook["state"] == "active" for hook in hooks.values())


def _is_quiet(root: str) -> bool:
    """Nothing waits to be read again; what follows when the hooks have become active is over."""
    time.sleep(3)
    return bool(httpx.get(f"{root}/ready", timeout=60).json()["notifications"]["waiting"] == 0)


def _until(what: Callable[[], T]) -> T:
    """What it answers, once that is something."""
    until = time.monotonic() + PATIENCE_S
    while not (found := what()):
        if time.monotonic() > until:
            raise TimeoutError("what should have followed did not")
        time.sleep(LOOK_EVERY_S)
    return found


def _tell(root: str, body: Json) -> None:
    address = f"{root}/notify/laboratory/Observation/{body['id']}"
    headers = {"Authorization": f"Bearer {SECRET}", "Content-Type": "application/fhir+json"}
    httpx.put(address, json=body, headers=headers, timeout=60).raise_for_status()


def _potassium(patient: str, value: float) -> Json:
    """One result of the patient's, over and over again: as it is corrected, so follows the advice."""
    return {
        "resourceType": "Observation",
        "id": f"told-{patient}",
        "status": "final",
        "category": [{"coding": [{"system": _CATEGORIES, "code": "laboratory"}]}],
        "code": {"coding": [{"system": "http://loinc.org", "code": "2823-3"}]},
        "subject": {"reference": f"Patient/{patient}"},
        "effectiveDateTime": (NOW - timedelta(minutes=20)).isoformat(),
        "valueQuantity": {"value": value, "unit": "mmol/L", "system": "http://unitsofmeasure.org", "code": "mmol/L"},
    }
