"""The fictional hospital, as a server would know it at an instant of its script."""

import json
from collections.abc import Iterator
from datetime import datetime
from functools import cache
from typing import Any

from andante.demo import read_script
from andante.shared_files import fixtures

Json = dict[str, Any]

EVENING = datetime.fromisoformat("2031-03-25T20:00:00+00:00")  # d2 20:00
MORNING = datetime.fromisoformat("2031-03-26T06:30:00+00:00")  # d3 06:30
ZONE = read_script().zone.key

_SUBJECTS = ("subject", "patient", "for")
_OVER = frozenset({"completed", "revoked", "stopped", "on-hold"})


def known_at(now: datetime, *, stories: frozenset[str] | None = None) -> dict[str, Json]:
    """Each resource by `Type/id` in the version known at `now`, what is pointed to before what points to it.

    Without `meta`, since versions and times of entry are a server's own. `stories` names the folders wanted.
    """
    known: dict[str, Json] = {}
    for story, resource in _versions():
        if stories is not None and story not in stories:
            continue
        if datetime.fromisoformat(resource["meta"]["lastUpdated"]) <= now:
            bare = {name: part for name, part in resource.items() if name != "meta"}
            known[f"{resource['resourceType']}/{resource['id']}"] = bare
    return known


def came_to_be_known(since: datetime, until: datetime) -> list[Json]:
    """What is new or another between the two instants."""
    before = known_at(since)
    return [resource for address, resource in known_at(until).items() if before.get(address) != resource]


def whole_history() -> Json:
    """The charts of everybody, with all versions and their times, as one Bundle."""
    entries = [entry for _, bundle in _bundles() for entry in bundle["entry"]]
    return {"resourceType": "Bundle", "type": "history", "entry": entries}


def patient_of(resource: Json) -> str | None:
    """`Patient/id` of whom it is about; None for what patients share."""
    if resource["resourceType"] == "Patient":
        return f"Patient/{resource['id']}"
    subjects = (resource[name] for name in _SUBJECTS if name in resource)
    return next((subject["reference"] for subject in subjects), None)


def charts(known: dict[str, Json]) -> dict[str, dict[str, Json]]:
    """What is known, by patient."""
    found: dict[str, dict[str, Json]] = {}
    for address, resource in known.items():
        if (patient := patient_of(resource)) is not None:
            found.setdefault(patient, {})[address] = resource
    return found


def rests_on_the_servers_clock(chart: dict[str, Json]) -> bool:
    """Whether an order is over: R4 has no element for when, so that is told by the server's `lastUpdated` alone."""
    orders = (chart[address] for address in chart if address.startswith(("NutritionOrder/", "MedicationRequest/")))
    return any(order["status"] in _OVER for order in orders)


@cache
def _bundles() -> tuple[tuple[str, Json], ...]:
    files = sorted(fixtures("patients").glob("*/chart.json"))
    return tuple((file.parent.name, json.loads(file.read_bytes())) for file in files)


def _versions() -> Iterator[tuple[str, Json]]:
    for story, bundle in _bundles():
        for entry in bundle["entry"]:
            yield story, entry["resource"]
