"""SIGKILL at random points of rounds of a real process, and what stood on the server afterwards, each time.

Where: after a random time within the measured length of a round, or at a random byte of all that it writes or reads.
Then the server is looked at; every fourth time the next round is killed too; in the end one runs undisturbed, and the
inboxes are held against those of the undisturbed twin.
"""

import random
import signal
import time
from collections import Counter
from collections.abc import Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

from aftermath import is_unchanged, violations_at_any_moment, violations_in_the_end, violations_on_the_wire
from bedside import Bedside
from byte_relay import ByteRelay, Way
from commands_run import Ended, Running, Zygote, environment, round_arguments, start
from lanternmoor import MORNING

MOMENT = "moment"
EVERY_AGAIN = 10
"""Every so manieth recovery is followed by one more round, which must write nothing."""


@dataclass
class Tally:
    """Counts of one campaign. `kills` by where; `fell` by what the server held of the round just after the kill."""

    server: str
    how: str
    patients: int
    seed: int
    seconds: float = 0.0
    kills: Counter[str] = field(default_factory=Counter)
    fell: Counter[str] = field(default_factory=Counter)
    too_late: int = 0
    recoveries: int = 0
    silent_repeats: int = 0
    violations: list[str] = field(default_factory=list)

    @property
    def total(self) -> int:
        return self.kills.total()


@dataclass(frozen=True)
class Length:
    """How long a round is, in seconds and in bytes, undisturbed."""

    seconds: float
    total: Mapping[Way, int]


@dataclass(frozen=True)
class Campaign:
    """Kills rounds of `ward`: forked from the warm process, or with `true_command` the command line itself."""

    name: str
    ward: Bedside
    relay: ByteRelay
    zygote: Zygote
    folder: Path
    true_command: bool = False

    def run(self, kills: int, seed: int) -> Tally:
        """Until so many rounds were killed while they ran. Raises nothing for a violation: they are counted."""
        draw, begun = random.Random(seed), time.monotonic()
        tally = Tally(
            server=self.name,
            how="command line" if self.true_command else "forked",
            patients=len(self.ward.expected.patients),
            seed=seed,
        )
        length = self._measure()
        while tally.total < kills:
            self._trial(draw, length, tally, most=kills - tally.total)
        tally.seconds = time.monotonic() - begun
        return tally

    def _trial(self, draw: random.Random, length: Length, tally: Tally, *, most: int) -> None:
        self.ward.reset()
        before = self.ward.look()
        for number in range(draw.choice([1, 1, 1, 2]) if most > 1 else 1):
            where, killed = self._kill_one(draw, length)
            self._let_the_server_finish()
            left = self.ward.look()
            if killed:
                tally.kills[where] += 1
                written = bool(is_unchanged(before, left))
                tally.fell["partly written" if written else "nothing written"] += 1
            else:
                tally.too_late += 1
            found = violations_at_any_moment(left, self.ward.expected)
            tally.violations += [f"seed {tally.seed}, kill {tally.total} ({where}, round {number}): {v}" for v in found]
        ended = self._undisturbed()
        left = self.ward.look()
        tally.recoveries += 1
        found = violations_in_the_end(left, self.ward.expected) + violations_on_the_wire(self.ward.seen)
        if ended.status:
            found.append(f"the next round ended with {ended.status}")
        if tally.recoveries % EVERY_AGAIN == 0:
            self._undisturbed()
            found += is_unchanged(left, self.ward.look())
            tally.silent_repeats += 1
        tally.violations += [f"seed {tally.seed}, after kill {tally.total}: {v}" for v in found]

    def _kill_one(self, draw: random.Random, length: Length) -> tuple[str, bool]:
        """Run one round and kill it somewhere. Where, and whether it was still alive."""
        where = draw.choice([MOMENT, *Way])
        if where == MOMENT:
            self.relay.arm()
            running = self._start()
            time.sleep(draw.uniform(0, length.seconds))
            running.kill()
        else:
            way, victim = Way(where), Future[Running]()
            self.relay.arm(way, draw.randint(1, length.total[way]), lambda: victim.result(10).kill())
            victim.set_result(running := self._start())
        return str(where), running.end().status == -signal.SIGKILL

    def _let_the_server_finish(self) -> None:
        """What had reached the server when the client died is carried out first: one answer comes after another."""
        self.relay.wait_until_quiet()

    def _measure(self, times: int = 3) -> Length:
        seconds = []
        for _ in range(times):
            self.ward.reset()
            self.relay.arm()
            begun = time.monotonic()
            ended = self._start().end()
            seconds.append(time.monotonic() - begun)
            assert ended.status == 0, ended.err[-2000:]
        return Length(median(seconds), dict(self.relay.counted))

    def _undisturbed(self) -> Ended:
        self.relay.arm()
        self.zygote.start(self._arguments(), self._settings())
        return self.zygote.end()

    def _start(self) -> Running:
        if self.true_command:
            return start(*self._arguments(), folder=self.folder, name="victim", env=self._settings())
        self.zygote.start(self._arguments(), self._settings())
        return self.zygote

    def _arguments(self) -> list[str]:
        return round_arguments(self.relay.base, MORNING)

    def _settings(self) -> dict[str, str]:
        # A server that prints an address of its own is read at the relay's.
        return environment(rewrite=f'{{"{self.ward.base}": "{self.relay.base}"}}')
