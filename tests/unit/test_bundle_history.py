"""A history Bundle as it was known at an instant: no hindsight."""

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from andante.chart.bundle import ChartFile, read_charts

SIX = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)


def at(hours: float) -> str:
    return (SIX + timedelta(hours=hours)).isoformat().replace("+00:00", "Z")


def written(hours: float | None, value: int, identity: str = "k1", number: str | None = None) -> dict[str, Any]:
    meta = {"meta": {"versionId": number or str(value), **({"lastUpdated": at(hours)} if hours is not None else {})}}
    resource = {
        "resourceType": "Observation",
        "id": identity,
        **meta,
        "subject": {"reference": "Patient/a"},
        "valueInteger": value,
    }
    return {
        "fullUrl": f"https://ward.example.org/fhir/Observation/{identity}",
        "resource": resource,
        "request": {"method": "PUT", "url": f"Observation/{identity}"},
        "response": {"status": "200"},
    }


def deleted(hours: float | None, identity: str = "k1") -> dict[str, Any]:
    when = {"lastModified": at(hours)} if hours is not None else {}
    return {
        "request": {"method": "DELETE", "url": f"Observation/{identity}"},
        "response": {"status": "204", **when},
    }


def read(*entries: dict[str, Any], now: datetime = SIX) -> ChartFile:
    data = json.dumps({"resourceType": "Bundle", "type": "history", "entry": list(entries)})
    return read_charts(data.encode(), now=now)


def values(file: ChartFile) -> list[int | None]:
    return [o.value_integer for chart in file.charts for o in chart.observations]


@pytest.mark.parametrize(
    ("entries", "known"),
    [
        ([written(-2, 1)], [1]),
        ([written(0, 1)], [1]),  # at the very instant
        ([written(0.001, 1)], []),  # first written afterwards
        ([written(-1, 2), written(-2, 1)], [2]),
        ([written(-2, 1), written(-1, 2)], [2]),  # whatever the order of the file
        ([written(1, 3), written(-1, 2), written(-2, 1)], [2]),  # the correction came later
        ([deleted(-1), written(-2, 1)], []),
        ([deleted(1), written(-2, 1)], [1]),  # not deleted yet
        ([written(-1, 2), deleted(-2), written(-3, 1)], [2]),  # written again
        ([deleted(None), written(-2, 1)], []),  # deleted, who knows when
        ([written(-1, 2), written(-1, 1)], [2]),  # a tie: a history lists the newest first
        ([written(-1, 1), written(-1, 2, identity="k2")], [1, 2]),
    ],
)
def test_of_each_resource_the_version_known_then_is_read(entries: list[dict[str, Any]], known: list[int]) -> None:
    assert values(read(*entries)) == known


def test_a_version_that_does_not_say_when_it_was_written_is_set_aside_by_name() -> None:
    file = read(written(None, 2), written(-1, 1))
    assert values(file) == [1]
    assert [(p.code, p.reference) for p in file.unassigned] == [("unordered-versions", "Observation/k1")]


def test_the_time_of_the_entry_stands_in_for_that_of_the_resource() -> None:
    entry = written(None, 1)
    entry["response"]["lastModified"] = at(-1)
    assert values(read(entry)) == [1]
    entry["response"]["lastModified"] = at(1)
    assert values(read(entry)) == []


def test_later_instants_know_more() -> None:
    entries = [written(3, 3), written(1, 2), written(-1, 1)]
    seen = [values(read(*entries, now=SIX + timedelta(hours=h))) for h in (-2, 0, 2, 4)]
    assert seen == [[], [1], [2], [3]]
