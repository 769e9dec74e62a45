"""The fictional hospital, played: a sandbox server on loopback, ten scripted days, a round each morning and evening.

Nothing is faked on our side: the rounds read and write over HTTP like any other. Only the clock and the charts are
scripted: at each instant the server knows what had become known by then.
"""

import json
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import yaml
from fastapi import FastAPI

from andante import app, settings
from andante.assess import RoundReport
from andante.errors import InputError
from andante.sandbox import Sandbox, Seen, running
from andante.shared_files import fixtures

Json = dict[str, Any]
_BEFORE = datetime.min.replace(tzinfo=UTC)


@dataclass(frozen=True, kw_only=True)
class Script:
    """When the story plays, and every version of every resource, in the order in which it became known."""

    name: str
    zone: ZoneInfo
    day_one: date
    days: int
    round_times: tuple[time, ...]
    known: tuple[tuple[datetime, Json], ...]

    def rounds(self, days: int) -> Iterator[tuple[int, datetime]]:
        """The day's number and the instant of each round."""
        for day in range(1, min(days, self.days) + 1):
            for at in self.round_times:
                yield day, datetime.combine(self.day_one + timedelta(days=day - 1), at, self.zone)


def read_script(stories: Collection[str] | None = None) -> Script:
    """The hospital that comes with the package, or some of its stories. Raises InputError for missing files."""
    try:
        facts = yaml.safe_load(fixtures("hospital.yaml").read_text(encoding="utf-8"))
        files = sorted(fixtures("patients").glob("*/chart.json"))
        wanted = [file for file in files if stories is None or file.parent.name in stories]
        bundles = [json.loads(file.read_bytes(), parse_float=Decimal) for file in wanted]  # 1.00 stays 1.00
    except OSError as error:
        raise InputError(f"the fictional hospital's files cannot be read: {error.strerror}") from None
    if not bundles:
        raise InputError("the fictional hospital has no patients")
    return Script(
        name=facts["name"],
        zone=ZoneInfo(facts["zone"]),
        day_one=facts["day_one"],
        days=facts["days"],
        round_times=tuple(time.fromisoformat(text) for text in facts["rounds"]),
        known=_in_order(bundles),
    )


def _in_order(bundles: Sequence[Json]) -> tuple[tuple[datetime, Json], ...]:
    """Each version once: wards and beds stand in the chart of everybody who lies there."""
    versions: dict[tuple[str, str, str], tuple[datetime, Json]] = {}
    for bundle in bundles:
        for entry in bundle["entry"]:
            resource = entry["resource"]
            key = (resource["resourceType"], resource["id"], resource["meta"]["versionId"])
            versions.setdefault(key, (datetime.fromisoformat(resource["meta"]["lastUpdated"]), resource))
    return tuple(sorted(versions.values(), key=lambda pair: pair[0]))


@dataclass
class Stage:
    """The sandbox with its scripted clock."""

    script: Script
    now: datetime = _BEFORE
    requests: Counter[str] = field(default_factory=Counter)
    written: Counter[str] = field(default_factory=Counter)
    base: str = ""
    _played: int = 0

    def __post_init__(self) -> None:
        self.sandbox = Sandbox(now=lambda: self.now, record=self._note)

    def _note(self, seen: Seen) -> None:
        self.requests[seen.method] += 1
        self.written.update(seen.written)

    def play_until(self, instant: datetime) -> None:
        """Bring in what became known up to `instant`, each with its own time of entry."""
        known = self.script.known
        while self._played < len(known) and known[self._played][0] <= instant:
            self.now, resource = known[self._played]
            self.sandbox.load([resource])
            self._played += 1
        self.now = instant

    def inbox(self) -> list[Json]:
        """Our Tasks and CommunicationRequests that are open now."""
        store = self.sandbox.endpoint.store
        kinds = {"Task": ("requested",), "CommunicationRequest": ("active", "draft")}
        found = (
            version.body
            for kind, statuses in kinds.items()
            for version in store.living(kind)
            if version.body is not None and version.body.get("status") in statuses
        )
        return list(found)


@contextmanager
def staged(script: Script | None = None) -> Iterator[Stage]:
    """The sandbox, running on a free loopback port, empty."""
    stage = Stage(script or read_script())
    with running(stage.sandbox.app) as base:
        stage.base = base
        yield stage


def service_for(script: Script, **given: Any) -> app.Service:
    """The service with its defaults, whatever the environment says: the demo always plays the same."""
    return app.build(settings.defaults(zone=script.zone.key, **given))


@contextmanager
def served(application: FastAPI) -> Iterator[str]:
    """An application of ours on a free loopback port; its address."""
    with running(application, path="", lifespan=True) as address:
        yield address


async def play(
    stage: Stage, service: app.Service, *, days: int, after_round: Callable[[int, datetime, RoundReport], None]
) -> None:
    """Run the rounds of the first `days` days, telling of each when it is over."""
    async with service.connect(stage.base) as connection:
        for day, instant in stage.script.rounds(days):
            stage.play_until(instant)
            report = await service.run_round(connection, trigger="demo", now=instant)
            after_round(day, instant, report)
