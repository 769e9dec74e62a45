"""Faults in the life of `andante serve`: its real command in a process of its own, with its clocks made faster.

The sandbox tells the same time as the service. In the end its inboxes are held against those of a twin: the same
evening, and one undisturbed round of the instant at which the service had its last.
"""

import asyncio
import random
import resource
import signal
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
from aftermath import Expected, is_unchanged, violations_in_the_end, violations_on_the_wire
from commands_run import Command, Zygote, bent_time, environment, round_arguments, small_disk, start
from faulting import Case
from lanternmoor import EVENING, MORNING, known_at
from spoiling_proxy import Exchange, SpoilingProxy
from ward_round import Left, look

from andante.audit import verify
from andante.sandbox import Sandbox, Seen, running

DAWN = datetime(2031, 3, 26, 6, 0, tzinfo=UTC)
SPRING = datetime(2031, 3, 30, 0, 0, tzinfo=UTC)  # 01:00 there; at 02:00 the clocks go to 03:00
AUTUMN = datetime(2031, 10, 25, 23, 50, tzinfo=UTC)  # 01:50 there; at 03:00 they go back to 02:00
STORIES = frozenset({"plain-course", "refractory-phosphate", "severe-fall", "clinician-flag", "below-detection"})
_START_S = 90


@dataclass
class BentClock:
    """The time that the service and the sandbox tell, `pace` times as fast as ours from `begin` on."""

    begin: datetime
    pace: float
    _since: float = field(default_factory=time.monotonic)

    def now(self) -> datetime:
        return self.begin + timedelta(seconds=(time.monotonic() - self._since) * self.pace)

    def wait_until(self, instant: datetime) -> None:
        time.sleep(max(0.0, (instant - self.now()).total_seconds() / self.pace))

    def begin_now(self, at: datetime) -> None:
        self.begin, self._since = at, time.monotonic()


@dataclass
class House:
    """A ward in the morning on our sandbox, its proxy, and the services that watch it."""

    sandbox: Sandbox
    proxy: SpoilingProxy
    client: httpx.Client
    clock: BentClock
    zygote: Zygote
    folder: Path
    evening: Left
    case: Case
    seen: list[Seen]
    watchers: list["Watcher"] = field(default_factory=list)

    def serve(self, *, limit: Callable[[], None] | None = None, file: Path | None = None, **settings: str) -> "Watcher":
        """Start a service by its command line, and wait until it answers."""
        port = free_port()
        number = len(self.watchers) + 1
        env = environment(fhir_base=self.proxy.base, port=str(port), **settings)
        env |= bent_time(self.clock.pace, begin=self.clock.now(), file=file)
        command = start("serve", folder=self.folder, name=f"serve-{number}", env=env, limit=limit)
        watcher = Watcher(command, f"http://127.0.0.1:{port}")
        self.watchers.append(watcher)
        watcher.wait_until_up()
        return watcher

    def look(self) -> Left:
        return look(self.client)

    def judge(self, at: datetime | None, **settings: str) -> None:
        """Hold the inboxes against the twin's of this instant, and see that one more round writes nothing."""
        if at is None:
            self.case.violations.append("its last round was not whole")
            return
        left = self.look()
        with self.sandbox.lock:
            stands = self.sandbox.endpoint.store
            self.sandbox.endpoint.store = self.stood.clone()
        self._round(at, **settings)
        expected = Expected(self.evening, frozenset(), self.look(), {})
        with self.sandbox.lock:
            self.sandbox.endpoint.store = stands
        self.case.patients = len(expected.patients)
        self.case.violations += violations_in_the_end(left, expected, exact=False, in_words=False)
        self._round(at, **settings)
        self.case.violations += is_unchanged(left, self.look())
        self.case.violations += violations_on_the_wire(self.seen)

    def _round(self, at: datetime, **settings: str) -> None:
        base = str(self.client.base_url)
        self.zygote.start(round_arguments(base.rstrip("/"), at), environment(**settings))
        ended = self.zygote.end()
        self.case.violations += [f"an undisturbed round ended with {ended.status}"] * bool(ended.status)

    def __post_init__(self) -> None:
        self.stood = self.sandbox.endpoint.store.clone()


@dataclass
class Watcher:
    """A service that runs."""

    command: Command
    address: str

    def wait_until_up(self) -> None:
        until = time.monotonic() + _START_S
        while time.monotonic() < until:
            try:
                if httpx.get(f"{self.address}/protocol", timeout=5).status_code == 200:
                    return
            except httpx.TransportError:
                time.sleep(0.1)
            if self.command.process.poll() is not None:
                raise RuntimeError(self.command.end().err[-2000:])
        raise RuntimeError("the service did not come up")

    def metrics(self) -> dict[str, float]:
        """By name with labels, as the text format has it."""
        text = httpx.get(f"{self.address}/metrics", timeout=30).raise_for_status().text
        lines = (line.rpartition(" ") for line in text.splitlines() if not line.startswith("#"))
        return {name: float(value) for name, _, value in lines}

    def rounds(self, kind: str = "round", *endings: str) -> int:
        """Those that have ended, in any way or in these."""
        found = self.metrics().items()
        wanted = [f'ending="{ending}"' for ending in endings] or [""]
        start = 'andante_rounds_total{ending="'
        return int(
            sum(
                value
                for name, value in found
                if name.startswith(start) and f'kind="{kind}"' in name and any(word in name for word in wanted)
            )
        )

    def wait_for_rounds(self, count: int, *endings: str, kind: str = "round", seconds: float = 60) -> bool:
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            if self.rounds(kind, *endings) >= count:
                return True
            time.sleep(0.1)
        return False

    def last_round(self) -> datetime | None:
        """The instant of the last round, if that was whole."""
        told = httpx.get(f"{self.address}/ready", timeout=60).json()["last_round"]
        return datetime.fromisoformat(told["now"]) if told and told["whole"] else None


@contextmanager
def house(
    name: str, does: str, holds: str, *, zygote: Zygote, folder: Path, clock: BentClock, seed: int
) -> Iterator[House]:
    """The evening's inbox, the morning's charts, and nobody watching yet."""
    seen: list[Seen] = []
    sandbox = Sandbox(now=clock.now, record=seen.append)
    with running(sandbox.app) as base, httpx.Client(base_url=base, timeout=60) as client:
        sandbox.load(known_at(EVENING, stories=STORIES).values())
        zygote.start(round_arguments(base, EVENING), environment())
        assert zygote.end().status == 0
        sandbox.load(known_at(MORNING, stories=STORIES).values())
        with SpoilingProxy(base).running() as proxy:
            case = Case(name, does, holds, "sandbox, serve", seed)
            made = House(sandbox, proxy, client, clock, zygote, folder, look(client), case, seen)
            seen.clear()
            clock.begin_now(clock.begin)
            try:
                yield made
            finally:
                for watcher in made.watchers:
                    if watcher.command.process.poll() is None:
                        watcher.command.stop()
                    said = (folder / f"serve-{made.watchers.index(watcher) + 1}.err").read_text(errors="replace")
                    case.violations += ["a traceback on standard error"] * ("Traceback (most recent" in said)
                case.violations[:] = list(dict.fromkeys(case.violations))


def away_for_an_hour(zygote: Zygote, folder: Path, seed: int, *, from_the_start: bool) -> Case:
    name = "an hour away from the start" if from_the_start else "an hour away in the middle"
    when = "when the service starts" if from_the_start else "from the middle of its first round on"
    clock = BentClock(DAWN + timedelta(minutes=25), pace=20)
    holds = "the service stays up, is not ready, and is whole again by itself"
    does = f"The server is away {when}, for an hour."
    with house(name, does, holds, zygote=zygote, folder=folder, clock=clock, seed=seed) as one:
        left = [random.Random(f"{seed} {name}").randint(5, 40)]

        async def go_away(exchange: Exchange) -> bool:
            left[0] -= 1
            if left[0] > 0:
                return False
            await one.proxy.stop_now()
            return True

        if from_the_start:
            one.proxy.go_down()
        else:
            one.proxy.begin(go_away)
        watcher = one.serve(round_times="06:30,07:40,07:55,08:10,08:25", misfire_grace_s="3600", zone="UTC")
        watcher.wait_for_rounds(1)
        one.case.violations += ["the disturbed round was told as whole"] * bool(watcher.rounds("round", "whole"))
        ready = httpx.get(f"{watcher.address}/ready", timeout=60)
        one.case.violations += ["said to be ready with the server away"] * (ready.status_code == 200)
        clock.wait_until(DAWN + timedelta(minutes=90))
        one.proxy.begin(None)
        one.proxy.come_up()
        recovered = watcher.wait_for_rounds(1, "whole", seconds=240)
        one.case.violations += ["no round by the clock was whole"] * (not recovered)
        one.case.notes.append(f"{watcher.rounds()} rounds ended, {watcher.rounds('round', 'whole')} of them whole")
        at = watcher.last_round()
        watcher.command.stop()
        one.judge(at)
    return one.case


def killed_and_started_again(zygote: Zygote, folder: Path, seed: int, *, times: int = 5) -> Case:
    """A supervisor starts it again each time it is killed."""
    clock = BentClock(DAWN, pace=30)
    with house(
        "killed and started again",
        f"The service is killed {times} times, at random moments around its rounds, and started again.",
        "the inbox is right after the next round",
        zygote=zygote, folder=folder, clock=clock, seed=seed,
    ) as one:  # fmt: skip
        draw = random.Random(f"{seed} again")
        for _ in range(times):
            due = clock.now() + timedelta(minutes=2)
            times_of_day = ",".join(f"{due + timedelta(minutes=n):%H:%M}" for n in range(9))
            watcher = one.serve(round_times=times_of_day, zone="UTC")
            time.sleep(draw.uniform(0.5, 6.0))
            watcher.command.kill()
            one.case.statuses.append(watcher.command.end().status)
        due = clock.now() + timedelta(minutes=2)
        watcher = one.serve(round_times=",".join(f"{due + timedelta(minutes=n):%H:%M}" for n in range(20)), zone="UTC")
        recovered = watcher.wait_for_rounds(1, "whole", seconds=90)
        one.case.violations += ["no whole round after the last start"] * (not recovered)
        at = watcher.last_round()
        watcher.command.stop()
        one.judge(at)
        killed = sum(status == -signal.SIGKILL for status in one.case.statuses)
        one.case.notes.append(f"{killed} kills; writes of {sum(seen.method != 'GET' for seen in one.seen)} requests")
        one.case.statuses.clear()
    return one.case


def two_services(zygote: Zygote, folder: Path, seed: int) -> Case:
    clock = BentClock(DAWN, pace=15)
    with house(
        "two services",
        "Two services watch the same wards, their rounds begin at the same moment; answers are late by chance.",
        "one open advice each",
        zygote=zygote, folder=folder, clock=clock, seed=seed,
    ) as one:  # fmt: skip
        draw = random.Random(f"{seed} two services")

        async def late(_exchange: Exchange) -> bool:
            await asyncio.sleep(draw.uniform(0, 0.05))
            return False

        one.proxy.begin(late)
        times = ",".join(f"{clock.now() + timedelta(minutes=n):%H:%M}" for n in range(2, 180, 2))
        both = [one.serve(round_times=times, zone="UTC") for _ in range(2)]
        before = [watcher.rounds() for watcher in both]
        for watcher, ended in zip(both, before, strict=True):
            done = watcher.wait_for_rounds(ended + 2, seconds=120)
            one.case.violations += ["a service had no rounds"] * (not done)
        one.case.notes.append(f"{both[0].rounds()} and {both[1].rounds()} rounds")
        both[0].command.stop()
        watcher = both[1]
        last = watcher.wait_for_rounds(watcher.rounds("round", "whole") + 1, "whole", seconds=120)
        one.case.violations += ["no whole round by the one that stayed"] * (not last)
        at = watcher.last_round()
        watcher.command.stop()
        one.judge(at)
    return one.case


def clock_jumps(zygote: Zygote, folder: Path, seed: int, *, way: str) -> Case:
    """Only the calendar jumps, as a time server or a thawed virtual machine has it; what timers count does not."""
    half_past = DAWN + timedelta(minutes=30)
    day, by, times, does, holds = {
        # Three minutes beyond the second round's time: late, but not too late to begin.
        "forward": (
            0, timedelta(hours=3), "06:30,09:27",
            "After the round of 06:30 the service's clock is put forward by three hours, beyond the next round's time.",
            "the round that was jumped over takes place",
        ),
        "back": (
            0, timedelta(minutes=-2), "06:30,16:30",
            "After the round of 06:30 the service's clock is put back by two minutes, so that it is 06:30 once more.",
            "the round is not held twice",
        ),
        "a day back": (
            1, timedelta(days=-1, minutes=-2), "06:30",
            "The service's clock is a day ahead; after its round of 06:30 it is put right, to just before that time.",
            "the round of the right day takes place",
        ),
    }[way]  # fmt: skip
    clock = BentClock(DAWN, pace=1)
    with house(f"clock {way}", does, holds, zygote=zygote, folder=folder, clock=clock, seed=seed) as one:
        file = folder / "faketime"
        clock.begin_now(half_past + timedelta(days=day, minutes=-8))
        _bend(file, clock.now())
        watcher = one.serve(file=file, round_times=times, night_watch_times="23:59", zone="UTC")
        watcher.wait_for_rounds(1, seconds=20)  # the one with which it begins, if it does
        before = watcher.rounds("round", "whole")
        clock.begin_now(half_past + timedelta(days=day, seconds=-5))
        _bend(file, clock.now())
        first = watcher.wait_for_rounds(before + 1, "whole", seconds=150)
        one.case.violations += ["the first round did not come"] * (not first)
        before = watcher.rounds("round", "whole")
        clock.begin_now(clock.now() + by)
        _bend(file, clock.now())
        came = watcher.wait_for_rounds(before + 1, "whole", seconds=170)
        if way == "back":
            one.case.violations += ["the round came twice"] * came
        else:
            one.case.violations += ["the round due by the new clock did not come"] * (not came)
        at = watcher.last_round()
        watcher.command.stop()
        one.judge(at)
    return one.case


def night_of_the_clocks(zygote: Zygote, folder: Path, seed: int, *, spring: bool) -> Case:
    begin = SPRING if spring else AUTUMN
    clock = BentClock(begin, pace=60)
    with house(
        f"clocks go {'forward' if spring else 'back'}",
        f"The night in which the zone's clocks go {'forward' if spring else 'back'}, with a round at 02:30.",
        "the round takes place once",
        zygote=zygote, folder=folder, clock=clock, seed=seed,
    ) as one:  # fmt: skip
        watcher = one.serve(round_times="02:30", night_watch_times="20:00", zone="Europe/Vienna")
        clock.wait_until(begin + timedelta(minutes=30))
        before = watcher.rounds()
        clock.wait_until(begin + timedelta(hours=2))
        rounds, whole = watcher.rounds() - before, watcher.rounds("round", "whole")
        one.case.violations += [f"{rounds} rounds instead of one"] * (rounds != 1) + ["none whole"] * (not whole)
        at = watcher.last_round()
        watcher.command.stop()
        one.judge(at, zone="Europe/Vienna")  # sentences tell the time of the zone
    return one.case


def disk_full_for_a_while(zygote: Zygote, folder: Path, seed: int) -> Case:
    clock = BentClock(DAWN, pace=20)
    with house(
        "disk full for a while",
        "The audit log's disk fills up in the middle of a round of the service, and has room again an hour later.",
        "nothing unrecorded is written; the service stays up, and is whole again by itself",
        zygote=zygote, folder=folder, clock=clock, seed=seed,
    ) as one:  # fmt: skip
        file = folder / "audit-serve.jsonl"
        file.unlink(missing_ok=True)
        clock.begin_now(DAWN + timedelta(minutes=20))
        env = {"round_times": "06:30,07:30,07:45,08:00", "zone": "UTC", "audit_file": str(file), "log_level": "ERROR"}
        watcher = one.serve(limit=small_disk(9000), **env)
        watcher.wait_for_rounds(1)
        writes = sum(seen.method != "GET" for seen in one.seen)
        recorded = file.read_bytes().count(b'"outcome": "sending"')
        one.case.violations += [f"{writes} writes, {recorded} recorded beforehand"] * (writes > recorded)
        one.case.violations += ["the disturbed round was told as whole"] * bool(watcher.rounds("round", "whole"))
        one.case.notes.append(f"{writes} writes before it was full")
        whole = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
        resource.prlimit(watcher.command.pid, resource.RLIMIT_FSIZE, whole)
        recovered = watcher.wait_for_rounds(1, "whole", seconds=360)
        one.case.violations += ["no round by the clock was whole"] * (not recovered)
        at = watcher.last_round()
        watcher.command.stop()
        one.case.violations += ["the audit log's chain is broken"] * (not verify(file).whole)
        one.judge(at)
    return one.case


def _bend(file: Path, at: datetime) -> None:
    """libfaketime reads it at each look at the clock; it runs on from there."""
    # `@` counts from the start of the process, which a jump must not; the difference from now does.
    ahead = (at - datetime.fromtimestamp(time.time(), UTC)).total_seconds()
    fresh = file.with_suffix(".new")
    fresh.write_text(f"{ahead:+.0f}\n")
    fresh.rename(file)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


SCENES: dict[str, Callable[[Zygote, Path, int], Case]] = {
    "an hour away from the start": lambda *a: away_for_an_hour(*a, from_the_start=True),
    "an hour away in the middle": lambda *a: away_for_an_hour(*a, from_the_start=False),
    "killed and started again": killed_and_started_again,
    "two services": two_services,
    "clock forward": lambda *a: clock_jumps(*a, way="forward"),
    "clock back": lambda *a: clock_jumps(*a, way="back"),
    "clock a day back": lambda *a: clock_jumps(*a, way="a day back"),
    "clocks go forward": lambda *a: night_of_the_clocks(*a, spring=True),
    "clocks go back": lambda *a: night_of_the_clocks(*a, spring=False),
    "disk full for a while": disk_full_for_a_while,
}
