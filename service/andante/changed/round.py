"""A round by change time: the same census and the same inboxes as a whole round, reading only whom it must.

Read are: who is not in memory, who has changed on the server, and for whom the rules, asked again about what is in
memory, would now say something else. So no list of instants at which advice may change has to be right.
"""

import asyncio
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from andante import log
from andante.assess import Basis, Hospital, Outcome, RoundReport, Served, find_watched, report_of, serve
from andante.changed.memory import Kept, Mark, Memory
from andante.chart.changes import ChangeReader, Changes, is_away
from andante.errors import ServerError
from andante.rules import evaluate
from andante.writeback.reconcile import reconcile
from andante.writeback.site import Site

_ONE_BY_ONE = 10  # hinted patients asked for by name; for more the whole census is read
_WORTH_ASKING = timedelta(days=1)  # of after longer, most of them changed
_NO_BEGINNING = (
    "the server does not sort by change time, or does not say what time it has: rounds by change time read everybody"
)
_BREATH = 20  # patients worked out in one go: beside it the service answers others


@dataclass(frozen=True, kw_only=True)
class Follower:
    """What a round by change time needs beside a whole round's. `overlap`: how late the server may show a change."""

    memory: Memory
    changes: ChangeReader
    site: Site
    overlap: timedelta


async def changed_round(hospital: Hospital, basis: Basis, follower: Follower, *, now: datetime) -> RoundReport:
    """Serve whom it must; everybody where the server does not tell what changed, or memory is lost.

    Raises a ServerError when the census cannot be read, or the server is away.
    """
    memory = follower.memory
    doubt = await _catch_up(follower)
    memory.doubt = doubt or ""
    if doubt is not None:
        report = await whole_round(hospital, basis, follower, now=now)
        return replace(report, remarks=(*report.remarks, doubt)) if doubt else report
    watched = await find_watched(hospital)
    memory.watched = frozenset(watched.patients)
    for patient in memory.kept.keys() - memory.watched:
        memory.drop(patient)
    if watched.census.complete:
        memory.setbacks.keep_only(memory.watched)
    await _drop_whom_time_changes(follower, basis, now)
    missing = [patient for patient in watched.patients if patient not in memory.kept]
    resting = [patient for patient in missing if memory.setbacks.rests(patient, now)]
    told = [memory.setbacks.resting(patient, basis.zone) for patient in resting]
    to_read = sorted(set(missing) - set(resting))
    outcomes = await serve(_remembering(hospital, memory, now=now), basis, to_read, now=now)
    memory.setbacks.note(outcomes, watched=len(watched.patients), now=now)
    return report_of(hospital, watched, [*outcomes, *told], now=now)


async def whole_round(hospital: Hospital, basis: Basis, follower: Follower, *, now: datetime) -> RoundReport:
    """Everybody, remembered for the rounds by change time to come. Raises a ServerError as `changed_round`."""
    memory = follower.memory
    memory.forget()
    untold = ""
    try:
        newest = await follower.changes.newest()
        if newest is None:
            log.warn("changes.doubtful")
            untold = _NO_BEGINNING
    except ServerError as error:
        log.warn("changes.failed", error=error)
        newest = None  # the rounds that find everything must not depend on it: the next one is whole too
    memory.mark = Mark(newest=newest, before=newest) if newest is not None else None
    memory.doubt = memory.doubt or untold
    urgent = await _changed_meanwhile(follower, newest)
    watched = await find_watched(hospital)
    memory.watched = frozenset(watched.patients)
    if watched.census.complete:
        memory.setbacks.keep_only(memory.watched)
    in_order = sorted(watched.patients, key=lambda patient: patient not in urgent)
    outcomes = await serve(_remembering(hospital, memory, now=now), basis, in_order, now=now)
    memory.setbacks.note(outcomes, watched=len(watched.patients), now=now)
    report = report_of(hospital, watched, outcomes, now=now)
    return replace(report, remarks=(*report.remarks, untold)) if untold else report


async def _changed_meanwhile(follower: Follower, newest: datetime | None) -> frozenset[str]:
    """Of whom something changed while no process of ours followed: read first, when everybody is read after a start.

    It leaves nobody out and adds nobody, so that the mark may be as wrong as it likes.
    """
    earlier, follower.memory.earlier = follower.memory.earlier, None
    if earlier is None or newest is None or not timedelta() <= newest - earlier.before <= _WORTH_ASKING:
        return frozenset()
    try:
        changes = await follower.changes.since(earlier.before - follower.overlap)
    except ServerError as error:
        log.warn("changes.failed", error=error)
        return frozenset()
    return frozenset(
        change.patient
        for change in changes.changed
        if change.patient is not None and (change.edition.updated is None or change.edition.updated > earlier.newest)
    )


async def hinted_reviews(
    hospital: Hospital, basis: Basis, memory: Memory, patients: Collection[str], *, now: datetime
) -> list[Outcome]:
    """Those of the patients by id whom a round would concern too, read again. A hint proves nothing: nobody else is.

    Of whom that could not be found out, a problem is told. Raises Unreachable when the server is away.
    """
    inpatients, unknown = await _inpatients(hospital, sorted(set(patients)))
    concerned = (set(patients) & memory.watched) | inpatients
    for patient in concerned:
        memory.drop(patient)
    outcomes = await serve(_remembering(hospital, memory, now=now), basis, sorted(concerned), now=now)
    memory.setbacks.note(outcomes, watched=len(memory.watched), now=now)
    untold = "whether the patient is in the hospital could not be read"
    return [
        *outcomes,
        *(
            Outcome(patient=f"Patient/{patient}", incomplete=("Encounter",), problem=untold)
            for patient in sorted(unknown - concerned)
        ),
    ]


async def _inpatients(hospital: Hospital, patients: Sequence[str]) -> tuple[set[str], set[str]]:
    """Which of them are in the hospital, and of which it is not known. The reader learns their places by the way."""
    if len(patients) > _ONE_BY_ONE:
        census = await hospital.reader.census()
        found = set(census.patients.intersection(patients))
        return found, set() if census.complete else set(patients) - found
    found, unknown = set[str](), set[str]()
    for patient in patients:
        try:
            census = await hospital.reader.census(patient_id=patient)
        except ServerError as error:
            if is_away(error):
                raise
            log.warn("hint.failed", error=error)  # a patient the server will not hear of must not stop the others
            unknown.add(patient)
        else:
            found |= census.patients
            unknown |= set() if census.complete else {patient} - census.patients
    return found, unknown


def _remembering(hospital: Hospital, memory: Memory, *, now: datetime) -> Hospital:
    def remember(served: Served) -> None:
        hospital.remember(served)
        memory.keep(served, now=now)

    return replace(hospital, remember=remember)


async def _catch_up(follower: Follower) -> str | None:
    """Drop from memory whom the server's changes concern. Why everybody must be read instead; None if need not.

    An empty reason is no fault of the server's.
    """
    memory = follower.memory
    if memory.mark is None:
        return ""
    changes = await follower.changes.since(memory.mark.before - follower.overlap)
    if not changes.doubt and memory.is_contradicted(changes):
        changes = replace(changes, doubt="the server's answer to what changed leaves out what charts hold")
    if changes.doubt:
        log.warn("changes.doubtful")
        return f"everybody was read: {changes.doubt}"
    memory.apply(changes)
    memory.mark = _advanced(memory.mark, changes)
    return None


def _advanced(mark: Mark, changes: Changes) -> Mark:
    newest = max(mark.newest, changes.newest or mark.newest)
    return Mark(newest=newest, before=mark.newest)


async def _drop_whom_time_changes(follower: Follower, basis: Basis, now: datetime) -> None:
    for number, (patient, kept) in enumerate(list(follower.memory.kept.items())):
        if kept.read_on != now.astimezone(UTC).date() or _says_something_else(kept, basis, follower.site, now):
            follower.memory.drop(patient)
        if number % _BREATH == _BREATH - 1:
            await asyncio.sleep(0)


def _says_something_else(kept: Kept, basis: Basis, site: Site, now: datetime) -> bool:
    try:
        assessment = evaluate(kept.picture, basis.protocol, now)
        plan = reconcile(assessment, kept.inbox, site=site)
    except Exception as error:
        log.warn("memory.failed", error=error)
        return True  # a defect of ours: the round itself will meet it, and tell of it
    return bool(plan) or bool(plan.held_back)
