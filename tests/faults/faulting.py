"""One fault after the other between `andante round`, a process of its own, and a server.

For each: the inbox of the evening, the charts of the morning; a round under the fault; the fault is lifted; a round,
with nobody's help; one more, which must write nothing. What is seen is held against the undisturbed twin. The round
under the fault is the true command line; those after it are forked from a warm process.
"""

import asyncio
import json
import random
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from aftermath import (
    asked_again,
    is_unchanged,
    violations_at_any_moment,
    violations_in_the_end,
    violations_on_the_wire,
)
from bedside import Bedside
from commands_run import HERE, Ended, Zygote, bent_time, environment, round_arguments, small_disk, start
from kinds import EITHER, NOT_WHOLE, Kind, Scene
from lanternmoor import MORNING
from spoiling_proxy import Exchange, SpoilingProxy
from ward_round import Left

from andante.audit import verify


@dataclass
class Case:
    """What came of one fault. `statuses`: how the rounds under it ended; `moments`: writes after which was looked."""

    kind: str
    does: str
    holds: str
    server: str
    seed: int
    statuses: list[int] = field(default_factory=list)
    patients: int = 0
    moments: int = 0
    notes: list[str] = field(default_factory=list)
    violations: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Stand:
    """Where faults are tried: a ward, the proxy before it, a warm process, and a folder for what is said."""

    name: str
    ward: Bedside
    proxy: SpoilingProxy
    zygote: Zygote
    folder: Path
    seed: int

    def case(self, kind: str, does: str, holds: str) -> Case:
        """A new case, from the evening on, watched after every write."""
        self.ward.reset()
        case = Case(kind, does, holds, self.name, self.seed, patients=len(self.ward.expected.patients))
        self.proxy.arrived.clear()
        self.watch(case)
        return case

    def watch(self, case: Case, *, whole_transactions: bool = True) -> None:
        """Look at the sandbox's store after each write: no moment may show what must never be seen."""
        sandbox, expected = self.ward.sandbox, self.ward.expected

        def look() -> None:
            if sandbox is None:
                return
            case.moments += 1
            with sandbox.lock:
                found = [
                    {version.reference: version.body for version in sandbox.endpoint.store.living(kind) if version.body}
                    for kind in ("Task", "CommunicationRequest", "Provenance")
                ]
            left = Left(*found)
            case.violations += violations_at_any_moment(left, expected, whole_transactions=whole_transactions)

        self.proxy.after_write = look

    def disturbed(self, *, pace: float = 1.0, name: str = "round") -> Ended:
        env = environment() | (bent_time(pace) if pace != 1 else {})
        arguments = round_arguments(self.proxy.base, MORNING)
        return start(*arguments, folder=self.folder, name=name, env=env).end()

    def undisturbed(self) -> Ended:
        self.zygote.start(round_arguments(self.proxy.base, MORNING), environment())
        return self.zygote.end()

    def recover(self, case: Case, *, exact: bool = True, whole_transactions: bool = True) -> None:
        """The next round, and one more that must write nothing."""
        ended = self.undisturbed()
        case.violations += [f"the next round ended with {ended.status}"] * bool(ended.status)
        left = self.ward.look()
        case.violations += violations_in_the_end(
            left, self.ward.expected, exact=exact, whole_transactions=whole_transactions
        )
        if not exact and (again := asked_again(left, self.ward.expected)):
            case.notes.append(f"{len(again)} told anew beside what a person has in hand")
        self.undisturbed()
        case.violations += is_unchanged(left, self.ward.look())
        case.violations += violations_on_the_wire(self.proxy.arrived)
        self.proxy.after_write = lambda: None
        case.violations[:] = list(dict.fromkeys(case.violations))


@contextmanager
def proxied(ward: Bedside) -> Iterator[SpoilingProxy]:
    with SpoilingProxy(ward.base).running() as proxy:
        yield proxy


def run_kind(kind: Kind, stand: Stand) -> Case:
    """The whole course of one kind of fault of the way to the server."""
    case, proxy = stand.case(kind.name, kind.does, kind.holds), stand.proxy
    halves = kind.keeps_halves
    stand.watch(case, whole_transactions=not halves)
    scene = Scene(proxy, random.Random(f"{stand.seed} {kind.name}"))
    proxy.begin(kind.begin(scene))
    try:
        ended = stand.disturbed(pace=kind.pace)
    finally:
        kind.lift(scene)
        proxy.begin(None)
        proxy.settle()
    _judge_ending(case, ended, kind.ends)
    _judge_who_was_served(case, ended, kind, stand.ward.expected.patients)
    left = stand.ward.look()
    case.violations += violations_at_any_moment(left, stand.ward.expected, whole_transactions=not halves)
    if scene.strangers is not None:
        scene.strangers.close()
        case.violations += [f"another host was spoken to {scene.strangers.calls} times"] * bool(scene.strangers.calls)
    stand.recover(case, exact=not halves and not kind.interim, whole_transactions=not halves)
    return case


def no_such_name(stand: Stand) -> Case:
    case = stand.case("no such name", "The server's name cannot be resolved.", "one clear line, nothing written")
    arguments = round_arguments("http://fhir.ward.invalid/fhir", MORNING)
    _judge_ending(case, start(*arguments, folder=stand.folder, name="round", env=environment()).end(), NOT_WHOLE)
    case.violations += is_unchanged(stand.ward.expected.evening, stand.ward.look())
    stand.recover(case)
    return case


def two_at_once(stand: Stand) -> Case:
    """Two rounds of the same instant, every answer delayed by chance."""
    case = stand.case(
        "two instances",
        "Two rounds run at once; every answer is late by up to 60 ms, by chance.",
        "one open advice each, whoever is faster",
    )
    draw = random.Random(f"{stand.seed} two")

    async def late(exchange: Exchange) -> bool:
        await asyncio.sleep(draw.uniform(0, 0.06))
        return False

    stand.proxy.begin(late)
    arguments = round_arguments(stand.proxy.base, MORNING)
    both = [start(*arguments, folder=stand.folder, name=f"racing-{n}", env=environment()) for n in (1, 2)]
    for one in both:
        _judge_ending(case, one.end(), EITHER)
    stand.proxy.begin(None)
    stand.recover(case, exact=False)
    return case


def full_disk(stand: Stand, *, room: int | None) -> Case:
    """The audit log's disk has room for so many bytes more, or is full from the start; later it has room again."""
    case = stand.case(
        "disk full" if room else "disk full from the start",
        f"The audit log's disk is full after {room} bytes." if room else "The audit log stands on a full disk.",
        "nothing is written that is not recorded beforehand; said",
    )
    file = stand.folder / "audit.jsonl"
    file.unlink(missing_ok=True)
    arguments = ["round", "--fhir", stand.proxy.base, "--now", MORNING.isoformat()]
    env, limit = environment(audit_file=str(file) if room else "/dev/full"), small_disk(room) if room else None
    _judge_ending(case, start(*arguments, folder=stand.folder, name="round", env=env, limit=limit).end(), NOT_WHOLE)
    writes = sum(seen.method != "GET" for seen in stand.proxy.arrived)
    recorded = file.read_bytes().count(b'"outcome": "sending"') if room else 0
    case.violations += [f"{writes} writes, {recorded} recorded beforehand"] * (writes > recorded)
    case.notes.append(f"{writes} writes before it was full")
    stand.zygote.start(arguments, environment(audit_file=str(file)))
    ended = stand.zygote.end()
    case.violations += [f"with room again the round ended with {ended.status}"] * bool(ended.status)
    case.violations += ["the audit log's chain is broken"] * (not verify(file).whole)
    stand.recover(case, exact=False)
    return case


OLD_VERSION = "b9b5364"


def old_version(stand: Stand) -> Case | None:
    """Beside an earlier state of this repository; None where its history is not there."""
    ward, old = stand.ward, stand.folder / "old"
    assert ward.empty is not None
    if not _unpack(OLD_VERSION, old):
        return None
    case = stand.case(
        "an instance with an old version",
        f"The evening's round is one of version {OLD_VERSION}; in the morning one of it and one of ours run at once.",
        "the next round of ours leaves one open advice each",
    )
    expected = ward.empty.begin_in_the_evening()
    stand.proxy.after_write = lambda: None
    evening = round_arguments(stand.proxy.base, ward.empty.evening)
    _judge_ending(case, start(*evening, folder=stand.folder, name="old", env=environment(), code=old).end(), EITHER)
    ward.empty.bring_the_morning()
    morning = round_arguments(stand.proxy.base, MORNING)
    racing = [
        start(*morning, folder=stand.folder, name="old", env=environment(), code=old),
        start(*morning, folder=stand.folder, name="ours", env=environment()),
    ]
    for one in racing:
        _judge_ending(case, one.end(), EITHER)
    stand = replace(stand, ward=replace(ward, expected=expected))
    stand.recover(case, exact=False)
    return case


def _unpack(version: str, folder: Path) -> bool:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    archive = subprocess.run(
        ["git", "archive", version, "service", "shared", "fixtures"], cwd=HERE, capture_output=True, check=False
    )
    if archive.returncode:
        return False
    subprocess.run(["tar", "-x", "-C", folder], input=archive.stdout, check=True)
    return True


def late_by_a_night(stand: Stand) -> Case:
    """Into an empty inbox: the evening's writes are lost on the way, and arrive after the round of the morning."""
    case = stand.case(
        "carried out a night too late",
        "The evening's writes hang on the way, and reach the server after the next morning's round.",
        "the round after that leaves one open advice each",
    )
    ward, proxy = stand.ward, stand.proxy
    assert ward.empty is not None
    proxy.after_write = lambda: None
    held: list[bytes] = []

    async def hold(exchange: Exchange) -> bool:
        if exchange.is_write:
            held.append(exchange.body)
            exchange.reset()
        return exchange.is_write

    expected = ward.empty.begin_in_the_evening()
    proxy.begin(hold)
    stand.zygote.start(round_arguments(proxy.base, ward.empty.evening), environment())
    _judge_ending(case, stand.zygote.end(), NOT_WHOLE)
    proxy.begin(None)
    ward.empty.bring_the_morning()
    ended = stand.undisturbed()
    case.violations += [f"the morning's round ended with {ended.status}"] * bool(ended.status)
    case.violations += violations_in_the_end(ward.look(), expected)
    for body in held:
        ward.client.post("", content=body, headers={"Content-Type": "application/fhir+json"})
    doubled = [tasks for tasks in ward.look().open_tasks().values() if len(tasks) > 1]
    case.notes.append(f"{len(held)} writes came late; {len(doubled)} patients had two open until the next round")
    stand = replace(stand, ward=replace(ward, expected=expected))
    stand.recover(case, exact=False)
    return case


def _judge_ending(case: Case, ended: Ended, ends: frozenset[int]) -> None:
    case.statuses.append(ended.status)
    if ended.status not in ends:
        case.violations.append(f"the disturbed round ended with {ended.status}: {ended.err.strip()[-200:]}")
    if ended.has_traceback:
        case.violations.append("a traceback on standard error")
    if ended.status and not ended.err.strip():
        case.violations.append("it failed without a word")


def _judge_who_was_served(case: Case, ended: Ended, kind: Kind, patients: frozenset[str]) -> None:
    if kind.spares is None:
        return
    told = {one["patient"]: one["inbox"] for one in map(json.loads, ended.out.splitlines())}
    bad = {patient for patient, inbox in told.items() if inbox["problem"] or inbox["not_read_whole"]}
    case.violations += [f"not served though not concerned: {patient}" for patient in sorted(bad - kind.spares)]
    case.violations += [f"not told of: {patient}" for patient in sorted(patients - told.keys())]
    case.notes.append(f"{len(bad)} of {len(told)} not read whole, and named")
