"""A round after one in a hundred patients had a new result, beside a whole round, on our sandbox."""

import asyncio
from dataclasses import dataclass

import httpx
from timing import Cost, Timer
from wards import NOW, sandbox_server, tallied
from wards import service as service_with

from andante.changed.memory import Memory


@dataclass(frozen=True)
class Compared:
    patients: int
    changed: int
    whole: Cost
    whole_requests: int
    partial: Cost
    partial_requests: int


def measure(patients: int) -> Compared:
    return asyncio.run(_measure(patients))


async def _measure(patients: int) -> Compared:
    service, memory = service_with(in_flight=8, changes_overlap_s=_OVERLAP_S), Memory()
    with sandbox_server(patients) as base:
        async with service.connect(base) as connection:
            asked = tallied(connection)

            async def run(*, only_changed: bool) -> tuple[int, Cost, int]:
                before = asked.count
                with Timer() as timer:
                    report = await service.run_round(
                        connection, trigger="bench", now=NOW, memory=memory, only_changed=only_changed
                    )
                assert report.whole
                return len(report.outcomes), timer.cost, asked.count - before

            await run(only_changed=False)
            while (await run(only_changed=True))[0]:
                pass  # what was just written is read once more
            served, whole, whole_requests = await run(only_changed=False)
            assert served == patients
            changed = max(1, patients // 100)
            # What was loaded a moment ago would be told again as a change. It lies beyond the overlap of a look only
            # when two looks have seen later changes.
            await asyncio.sleep(_OVERLAP_S + 2)
            for wave in range(3):
                _bring_results(base, changed, wave)
                served, partial, partial_requests = await run(only_changed=True)
                assert served == changed
    return Compared(patients, changed, whole, whole_requests, partial, partial_requests)


def _bring_results(base: str, count: int, wave: int) -> None:
    """A sodium for the first patients of the census: their charts change, their advice does not."""
    with httpx.Client(base_url=base, timeout=60) as client:
        found = client.get("Patient", params={"_count": count}).raise_for_status().json()["entry"][:count]
        for number, entry in enumerate(found):
            body = {
                "resourceType": "Observation",
                "id": f"sodium-{wave}-{number}",
                "status": "final",
                "category": [{"coding": [{"system": _CATEGORIES, "code": "laboratory"}]}],
                "code": {"coding": [{"system": "http://loinc.org", "code": "2951-2"}]},
                "subject": {"reference": f"Patient/{entry['resource']['id']}"},
                "effectiveDateTime": NOW.isoformat(),
            }
            client.put(f"Observation/{body['id']}", json=body).raise_for_status()


_OVERLAP_S = 60  # the least that may be set
_CATEGORIES = "http://terminology.hl7.org/CodeSystem/observation-category"
