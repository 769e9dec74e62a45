"""The pure core on one processor: charts of the fictional hospital assessed one after the other."""

import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from itertools import cycle, islice
from pathlib import Path

from timing import Timer
from wards import NOW, ZONE

sys.path.insert(0, str(Path(__file__).parents[1] / "contract"))

import json
from zoneinfo import ZoneInfo

from lanternmoor import known_at, patient_of

from andante import protocol_files
from andante.chart.bundle import read_charts
from andante.chart.chart import Chart
from andante.chart.codes import load_codes
from andante.chart.to_picture import to_picture
from andante.rules import evaluate


@dataclass(frozen=True)
class Speed:
    """Patients per second of processor time."""

    what: str
    patients_per_s: float


def chart_files(now: datetime = NOW) -> list[bytes]:
    """One Bundle of type `collection` for each patient in the hospital, as `andante advise` reads it."""
    known = known_at(now)
    shared = [body for body in known.values() if body["resourceType"] in ("Location", "Medication")]
    owners = sorted({owner for body in known.values() if (owner := patient_of(body)) is not None})
    files = []
    for owner in owners:
        own = [body for body in known.values() if patient_of(body) == owner]
        entries = [{"resource": body} for body in (*own, *shared)]
        files.append(json.dumps({"resourceType": "Bundle", "type": "collection", "entry": entries}).encode())
    return files


def measure(patients: int, *, repeats: int) -> list[Speed]:
    codes, protocol, zone = load_codes(), protocol_files.load("aspen-2020"), ZoneInfo(ZONE)
    files = list(islice(cycle(chart_files()), patients))

    def read(file: bytes) -> Chart:
        (chart,) = read_charts(file, now=NOW).charts
        return chart

    charts = [read(file) for file in files]
    pictures = [to_picture(chart, codes, zone) for chart in charts]

    def rules() -> None:
        for picture in pictures:
            evaluate(picture, protocol, NOW)

    def mapped() -> None:
        for chart in charts:
            evaluate(to_picture(chart, codes, zone), protocol, NOW)

    def whole() -> None:
        for file in files:
            evaluate(to_picture(read(file), codes, zone), protocol, NOW)

    return [
        Speed("all rules, on what was mapped before", _speed(rules, patients, repeats)),
        Speed("all rules and the mapping from FHIR", _speed(mapped, patients, repeats)),
        Speed("all rules, mapping and decoding of JSON", _speed(whole, patients, repeats)),
    ]


def _speed(run: Callable[[], None], patients: int, repeats: int) -> float:
    costs = []
    for _ in range(repeats):
        with Timer() as timer:
            run()
        costs.append(timer.cost.cpu_s)
    return patients / min(costs)
