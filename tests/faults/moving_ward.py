"""A hospital that stays as full as it is: the fictional patients, again and again, each under an id of its own.

Every story begins anew every few days, so that at any time about a hundred people lie there, on every day of their
story; when the ten days of one are over, it goes home. Charts become known at the time of day at which they should.
"""

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from lanternmoor import Json, patient_of, whole_history

from andante.sandbox import Sandbox

STORY_BEGINS = date(2031, 3, 24)
STORY = timedelta(days=10)
_DATE = re.compile(r'"(2031-\d\d-\d\d)(?=[T"])')
_REFERENCE = re.compile(r'"([A-Z][A-Za-z]+/[A-Za-z0-9.\-]+)"')
_SHARED = ("Location", "Medication")


@dataclass(frozen=True)
class Event:
    """What becomes known, when."""

    at: datetime
    text: str
    kind: str
    patient: str


class MovingWard:
    """Plays itself into `sandbox` as time goes on. `again_every`: days between two beginnings of one story."""

    def __init__(self, sandbox: Sandbox, *, again_every: int, begin: datetime, days: int) -> None:
        self._sandbox = sandbox
        history = [entry["resource"] for entry in whole_history()["entry"]]
        shared = {f"{one['resourceType']}/{one['id']}": one for one in history if one["resourceType"] in _SHARED}
        sandbox.load(shared.values())
        own = [one for one in history if one["resourceType"] not in _SHARED]
        stories: dict[str, list[Json]] = {}
        for one in own:
            stories.setdefault(str(patient_of(one)), []).append(one)
        self._events = sorted(
            (event for copy in _copies(stories, again_every, begin, days) for event in copy), key=lambda one: one.at
        )
        self._played = 0
        self.admitted = self.discharged = self.changes = 0

    def play_until(self, instant: datetime) -> list[Event]:
        """Bring in what became known up to `instant`."""
        fresh = []
        while self._played < len(self._events) and self._events[self._played].at <= instant:
            event = self._events[self._played]
            self._sandbox.load([json.loads(event.text)])
            fresh.append(event)
            self._played += 1
        self.changes += len(fresh)
        return fresh


def _copies(stories: dict[str, list[Json]], again_every: int, begin: datetime, days: int) -> Iterator[Iterator[Event]]:
    for number, (patient, versions) in enumerate(sorted(stories.items())):
        first = begin.date() - STORY + timedelta(days=1 + number % again_every)
        starts = (first + timedelta(days=again_every * n) for n in range((days + STORY.days) // again_every + 1))
        for starts_on in starts:
            yield _copy(patient, versions, starts_on)


def _copy(patient: str, versions: list[Json], starts_on: date) -> Iterator[Event]:
    own = {f"{one['resourceType']}/{one['id']}" for one in versions}
    shift, mark = starts_on - STORY_BEGINS, f"-{starts_on:%m%d}"
    encounter: Json | None = None

    def moved(one: Json) -> str:
        body = {name: part for name, part in one.items() if name != "meta"} | {"id": one["id"] + mark}
        text = _DATE.sub(lambda found: f'"{date.fromisoformat(found[1]) + shift}', json.dumps(body))
        return _REFERENCE.sub(lambda found: f'"{found[1]}{mark}"' if found[1] in own else found[0], text)

    for one in versions:
        at = datetime.fromisoformat(one["meta"]["lastUpdated"]) + shift
        yield Event(at, moved(one), one["resourceType"], patient + mark)
        if one["resourceType"] == "Encounter":
            encounter = one
    if encounter is not None and encounter["status"] == "in-progress":
        home = datetime.combine(starts_on + STORY, datetime.min.time(), UTC) + timedelta(hours=10)
        gone = json.loads(moved(encounter)) | {"status": "finished"}
        gone["period"] = gone["period"] | {"end": home.isoformat()}
        yield Event(home, json.dumps(gone), "Encounter", patient + mark)
