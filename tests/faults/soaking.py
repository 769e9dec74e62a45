"""A week of the service in some minutes: is its memory flat?

`andante serve`, its calendar made faster, watches about a hundred inpatients whose charts change as in the stories:
rounds, night watches, rounds by change time, notifications of results, people on the page, calls of the EHR. The
resident memory of the process is read once a second. **The rule**: the median of the last third may not exceed that
of the second third by more than a twentieth.
"""

import json
import random
import re
import threading
import time
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median

import httpx
from commands_run import HERE, bent_time, environment, start
from moving_ward import Event, MovingWard
from serving import BentClock, Watcher, free_port

from andante.sandbox import Sandbox, running

SECRET = "a-secret-of-the-soak-0001"
BEGIN = datetime(2031, 4, 2, 5, 0, tzinfo=UTC)
MAY_GROW = 1.05
_SHEET = re.compile(r'href="(/page/p/[0-9a-f]+)"')


@dataclass
class Soaked:
    """What the process held, by our seconds since it was up, and what it did meanwhile."""

    pace: float
    days: float
    patients: int = 0
    seconds: float = 0.0
    rss_mib: list[tuple[float, float]] = field(default_factory=list)
    did: Counter[str] = field(default_factory=Counter)
    violations: list[str] = field(default_factory=list)

    def thirds(self) -> list[float]:
        """Median of each third, in MiB."""
        values = [mib for _, mib in self.rss_mib]
        size = max(1, len(values) // 3)
        return [median(values[:size]), median(values[size : 2 * size]), median(values[2 * size :])]

    @property
    def is_flat(self) -> bool:
        _, second, last = self.thirds()
        return last <= second * MAY_GROW


def soak(folder: Path, *, days: float, pace: float, seed: int, again_every: int = 5) -> Soaked:
    clock = BentClock(BEGIN, 0)  # it stands still until the service starts
    sandbox = Sandbox(now=clock.now)
    soaked = Soaked(pace, days)
    ward = MovingWard(sandbox, again_every=again_every, begin=BEGIN, days=int(days) + 1)
    ward.play_until(BEGIN)
    stays = (version.body or {} for version in sandbox.endpoint.store.living("Encounter"))
    soaked.patients = sum(stay.get("status") == "in-progress" for stay in stays)
    with running(sandbox.app) as base:
        port = free_port()
        env = environment(
            fhir_base=base,
            port=str(port),
            round_times="06:30,12:00,18:00",
            night_watch_times="20:00",
            changes_every_s="3600",
            misfire_grace_s="7200",
            notify_url=f"http://127.0.0.1:{port}/notify",
            notify_secret=SECRET,
            page_login="development",
            cds_development="true",
            log_level="WARNING",
        )
        env |= bent_time(pace, begin=BEGIN, timers=False)
        clock.pace = pace
        clock.begin_now(BEGIN)
        program = [str(HERE / "hurried_main.py"), str(pace)]
        command = start("serve", folder=folder, name="soak", env=env, program=program)
        watcher = Watcher(command, f"http://127.0.0.1:{port}")
        try:
            watcher.wait_until_up()
            _live(soaked, ward, watcher, clock, random.Random(seed))
        finally:
            ended = command.stop()
        soaked.violations += ["a traceback on standard error"] * ended.has_traceback
        soaked.violations += ["not flat"] * (not soaked.is_flat)
    return soaked


def _live(soaked: Soaked, ward: MovingWard, watcher: Watcher, clock: BentClock, draw: random.Random) -> None:
    began, over = time.monotonic(), BEGIN + timedelta(days=soaked.days)
    ends = threading.Event()
    visitors = threading.Thread(target=_visit, args=(watcher.address, soaked, draw, ends))
    visitors.start()
    reader = threading.Thread(target=_read_memory, args=(watcher.command.pid, soaked, began, ends))
    reader.start()
    with httpx.Client(base_url=watcher.address, timeout=60) as teller:
        while clock.now() < over and watcher.command.process.poll() is None:
            for event in ward.play_until(clock.now()):
                _tell(teller, event, soaked)
            time.sleep(0.5)
    ends.set()
    reader.join()
    visitors.join()
    soaked.seconds = time.monotonic() - began
    soaked.violations += ["it ended"] * (watcher.command.process.poll() is not None)
    soaked.did["charts changed"] = ward.changes
    for name, value in watcher.metrics().items():
        if name.startswith("andante_rounds_total") and value:
            kind, ending = re.search(r'kind="([^"]+)"', name), re.search(r'ending="([^"]+)"', name)
            assert kind
            assert ending
            soaked.did[f"{kind[1]}, {ending[1]}"] = int(value)
        elif name.startswith("andante_fhir_answers_total"):
            soaked.did["requests to the FHIR server"] += int(value)
        elif name.startswith("andante_inbox_entries_total"):
            soaked.did["entries written"] += int(value)


def _tell(teller: httpx.Client, event: Event, soaked: Soaked) -> None:
    """As the server would of a laboratory result."""
    if event.kind != "Observation":
        return
    content = json.dumps({"resourceType": "Observation", **_bare(event)})
    headers = {"Authorization": f"Bearer {SECRET}", "Content-Type": "application/fhir+json"}
    answer = teller.post("/notify/laboratory", content=content, headers=headers)
    soaked.did[f"notifications, {answer.status_code}"] += 1


def _bare(event: Event) -> dict[str, object]:
    body = json.loads(event.text)
    return {name: body[name] for name in ("id", "status", "subject")}


def _visit(address: str, soaked: Soaked, draw: random.Random, ends: threading.Event) -> None:
    """Somebody who looks around on the page, and an EHR that asks."""
    with httpx.Client(base_url=address, timeout=60, follow_redirects=True) as client:
        while not ends.wait(0.2):
            with suppress(httpx.TransportError):
                page = client.get("/page")
                if "sign-in" in str(page.url):
                    client.post("/page/sign-in", data={"name": "Ada Quill", "role": "administer"})
                    soaked.did["signed in"] += 1
                    continue
                sheets = _SHEET.findall(page.text)
                paths = ["/page/night", "/page/handover", "/page/house", *([draw.choice(sheets)] if sheets else [])]
                paths += ["/metrics", "/ready", "/operations", "/page/lines", "/cds-services"]
                for path in draw.sample(paths, 3):
                    answer = client.get(path)
                    soaked.did["pages seen" if answer.status_code < 500 else f"pages, {answer.status_code}"] += 1


def _read_memory(pid: int, soaked: Soaked, began: float, ends: threading.Event) -> None:
    while not ends.wait(1):
        soaked.rss_mib.append((time.monotonic() - began, _rss_mib(pid)))


def _rss_mib(pid: int) -> float:
    line = next(row for row in Path(f"/proc/{pid}/status").read_text().splitlines() if row.startswith("VmRSS:"))
    return int(line.split()[1]) / 1024
