"""The story in one screen: census → charts → picture → rules → advice and notices → inbox → report.

One patient's failure never stops the others. An incomplete read is never taken for an empty chart: it is reported,
and the writer is told, so that nothing is taken back because of it.
"""

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime, tzinfo
from typing import Protocol as Shape

from andante import log
from andante.chart.chart import Chart, Inbox
from andante.chart.codes import CodeMap
from andante.chart.open_items import OpenItems, patients_with_open_items
from andante.chart.reader import Census, ChartReader
from andante.chart.to_picture import to_picture
from andante.domain.advice import Assessment
from andante.domain.picture import Picture
from andante.domain.protocol import Protocol
from andante.domain.trace import Trace
from andante.errors import AndanteError
from andante.fhir_http.read import FhirReader, Params
from andante.rules import evaluate, trace
from andante.writeback.plan import Cancel, Create, Refresh, Revoke
from andante.writeback.writer import Delivery, InboxWriter

_BATCH = 20  # inboxes read with one search
_BATCHES_AT_ONCE = 4
_TURNS = 6  # of the event loop between two patients: so many steps lie between an answer and the next question


@dataclass(frozen=True, kw_only=True)
class Basis:
    """What every assessment rests on."""

    codes: CodeMap
    protocol: Protocol
    zone: tzinfo


@dataclass(frozen=True, kw_only=True)
class Served:
    """One patient as just served: what was read, what the rules saw of it, and what came of it."""

    chart: Chart
    picture: Picture
    inbox: Inbox
    outcome: "Outcome"


@dataclass(frozen=True, kw_only=True)
class Hospital:
    """One FHIR server as one round uses it. `open_items` are the searches for what was left open earlier.

    `routes_by_ward`: who is told depends on where a patient lies, so that nothing is renewed while that is not known.
    `remember` is told of everybody who was served whole. `turn`: patients are worked out one at a time, so that
    answers need not wait for several.
    """

    fhir: FhirReader
    reader: ChartReader
    writer: InboxWriter
    open_items: Mapping[str, Params]
    identifier_systems: frozenset[str]
    routes_by_ward: bool = False
    remember: Callable[[Served], None] = lambda served: None
    turn: asyncio.Lock = field(default_factory=asyncio.Lock)


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What came of one patient. `problem` names what went wrong, without patient data; empty when nothing did."""

    patient: str
    picture: Picture | None = None
    assessment: Assessment | None = None
    delivery: Delivery | None = None
    incomplete: tuple[str, ...] = ()
    problem: str = ""

    @property
    def whole(self) -> bool:
        """Read whole, assessed, and the inbox as it should be."""
        unsettled = self.delivery is not None and self.delivery.unsettled
        return not self.problem and not self.incomplete and not unsettled

    @property
    def overtaken(self) -> bool:
        """Whether another instance has assessed the patient since this look began, so that this one said nothing.

        What was read here may have come after what the other read: it is not settled for good.
        """
        return self.delivery is not None and bool(self.delivery.held_back) and not self.incomplete

    @property
    def patient_id(self) -> str:
        return self.patient.removeprefix("Patient/")


@dataclass(kw_only=True)
class Tally:
    """What a round came to, in numbers; in the order in which they are told."""

    patients: int = 0
    advised: int = 0
    created: int = 0
    kept: int = 0
    cancelled: int = 0
    revoked: int = 0
    incomplete: int = 0
    failed: int = 0
    unchanged: int = 0
    not_whole: int = 0
    """For any reason; also an inbox not settled yet, of which the other counts say nothing."""

    @property
    def whole(self) -> bool:
        return not self.not_whole

    def take(self, outcome: Outcome) -> None:
        self.patients += 1
        self.advised += _is_advised(outcome)
        if outcome.delivery is not None:
            self.created += outcome.delivery.count(Create)
            self.kept += outcome.delivery.count(Refresh)
            self.cancelled += outcome.delivery.count(Cancel)
            self.revoked += outcome.delivery.count(Revoke)
        self.incomplete += bool(outcome.incomplete)
        self.failed += bool(outcome.problem)
        self.not_whole += not outcome.whole


@dataclass(frozen=True, kw_only=True)
class RoundReport:
    """One pass over the census. `remarks` are about the server, not about a patient.

    `outcomes` are empty where somebody else took each as it was done: kept, they cost memory for every patient.
    Unchanged are those whom a round by change time left alone: nothing of theirs changed, and time alone does not
    change what their inbox should say.
    """

    now: datetime
    dry_run: bool
    tally: Tally
    outcomes: tuple[Outcome, ...]
    census_complete: bool
    open_items_complete: bool = True
    """Whether all was found that those who left the hospital since still have open."""
    remarks: tuple[str, ...] = ()

    @property
    def whole(self) -> bool:
        return self.census_complete and self.open_items_complete and self.tally.whole

    @property
    def unchanged(self) -> int:
        return self.tally.unchanged

    @property
    def counts(self) -> dict[str, int]:
        """In the order they are told."""
        return {name: count for name, count in asdict(self.tally).items() if name != "not_whole"}

    @property
    def served_nobody(self) -> bool:
        """Whether there was somebody, and nobody of them was served whole, nor left alone as served before."""
        tally = self.tally
        return tally.patients > 0 and tally.not_whole == tally.patients and not tally.unchanged


class Progress(Shape):
    """Told how many patients of how many are done."""

    def __call__(self, done: int, total: int) -> None: ...


def assess_chart(chart: Chart, basis: Basis, *, now: datetime) -> Assessment:
    """One patient, from the chart to everything said about it. Pure but for the chart it is given."""
    return evaluate(to_picture(chart, basis.codes, basis.zone), basis.protocol, now)


def course_of(outcome: Outcome, basis: Basis) -> Trace | None:
    """The course that one assessment rests on, to be drawn; None where nothing could be assessed."""
    if outcome.picture is None or outcome.assessment is None:
        return None
    return trace(outcome.picture, basis.protocol, outcome.assessment)


@dataclass(frozen=True, kw_only=True)
class Watched:
    """Whom a round concerns, by id: everybody in the hospital, and those who left it with something of ours open."""

    patients: tuple[str, ...]
    census: Census
    left_open: OpenItems


async def find_watched(hospital: Hospital) -> Watched:
    """Raises a ServerError when the census cannot be read: then nothing is known."""
    await hospital.fhir.check_release()
    asking = asyncio.create_task(
        patients_with_open_items(hospital.fhir, hospital.open_items, identifier_systems=hospital.identifier_systems)
    )
    try:
        census, left_open = await hospital.reader.census(), await asking
    finally:
        asking.cancel()
        await asyncio.gather(asking, return_exceptions=True)  # nothing of it may go on once this has ended
    patients = tuple(sorted(census.patients | left_open.patients))
    return Watched(patients=patients, census=census, left_open=left_open)


async def round_over(
    hospital: Hospital,
    basis: Basis,
    *,
    now: datetime,
    dry_run: bool = False,
    progress: Progress | None = None,
    each: Callable[[Outcome], None] | None = None,
) -> RoundReport:
    """One pass over everybody in the hospital, and over those who left it with something of ours still open.

    `each` is given every outcome as it is done, in no certain order, and none is kept: then memory holds what is in
    flight, however many there are. Raises a ServerError when the census cannot be read: then nothing is known and
    nothing was done.
    """
    watched = await find_watched(hospital)
    tally, kept = Tally(), list[Outcome]()

    def take(outcome: Outcome) -> None:
        tally.take(outcome)
        (each or kept.append)(outcome)

    await serve_each(hospital, basis, watched.patients, take, now=now, dry_run=dry_run, progress=progress)
    return _report(hospital, watched, tally, kept, now=now, dry_run=dry_run)


def report_of(hospital: Hospital, watched: Watched, outcomes: Sequence[Outcome], *, now: datetime) -> RoundReport:
    """Of a round that served some of those watched, and left the others alone."""
    tally = Tally(unchanged=len(watched.patients) - len(outcomes))
    for outcome in outcomes:
        tally.take(outcome)
    return _report(hospital, watched, tally, outcomes, now=now, dry_run=False)


def report_on(outcomes: Sequence[Outcome], *, now: datetime) -> RoundReport:
    """Of a look at these patients alone."""
    tally = Tally()
    for outcome in outcomes:
        tally.take(outcome)
    return RoundReport(now=now, dry_run=False, tally=tally, outcomes=tuple(outcomes), census_complete=True)


def _report(
    hospital: Hospital, watched: Watched, tally: Tally, outcomes: Sequence[Outcome], *, now: datetime, dry_run: bool
) -> RoundReport:
    problems = (*watched.census.problems, *hospital.reader.remarks, *watched.left_open.problems)
    return RoundReport(
        now=now,
        dry_run=dry_run,
        tally=tally,
        outcomes=tuple(sorted(outcomes, key=lambda outcome: outcome.patient)),
        census_complete=watched.census.complete,
        open_items_complete=watched.left_open.complete,
        remarks=tuple(dict.fromkeys(problem.text for problem in problems)),
    )


async def serve(hospital: Hospital, basis: Basis, patients: Sequence[str], *, now: datetime) -> list[Outcome]:
    """Read, assess and write for each of these patients; what came of each."""
    outcomes: list[Outcome] = []
    await serve_each(hospital, basis, patients, outcomes.append, now=now)
    return outcomes


async def serve_each(
    hospital: Hospital,
    basis: Basis,
    patients: Sequence[str],
    take: Callable[[Outcome], None],
    *,
    now: datetime,
    dry_run: bool = False,
    progress: Progress | None = None,
) -> None:
    """Read, assess and write for each of these patients, in batches; `take` is given what came of each."""
    done = 0
    running: set[asyncio.Task[list[Outcome]]] = set()

    def collect(finished: set[asyncio.Task[list[Outcome]]]) -> None:
        nonlocal done
        for task in finished:
            for outcome in task.result():
                done += 1
                take(outcome)
        if progress is not None:
            progress(done, len(patients))

    try:
        async for batch in _batches(hospital.reader.charts(patients)):
            running.add(asyncio.create_task(_serve(batch, hospital, basis, now=now, dry_run=dry_run)))
            if len(running) >= _BATCHES_AT_ONCE:
                finished, running = await asyncio.wait(running, return_when=asyncio.FIRST_COMPLETED)
                collect(finished)
        while running:
            finished, running = await asyncio.wait(running, return_when=asyncio.FIRST_COMPLETED)
            collect(finished)
    finally:
        for task in running:
            task.cancel()


async def review_one(hospital: Hospital, basis: Basis, patient_id: str, *, now: datetime) -> Outcome | None:
    """One patient now; None when not in the hospital. Raises a ServerError when the census cannot be read."""
    await hospital.fhir.check_release()
    census = await hospital.reader.census(patient_id=patient_id)
    if patient_id not in census.patients:
        return None
    charts = [chart async for chart in hospital.reader.charts([patient_id])]
    outcomes = await _serve(charts, hospital, basis, now=now, dry_run=False)
    return outcomes[0] if outcomes else None


async def _batches(charts: AsyncIterator[Chart]) -> AsyncIterator[list[Chart]]:
    batch: list[Chart] = []
    async for chart in charts:
        batch.append(chart)
        if len(batch) == _BATCH:
            yield batch
            batch = []
    if batch:
        yield batch


async def _serve(
    charts: Sequence[Chart], hospital: Hospital, basis: Basis, *, now: datetime, dry_run: bool
) -> list[Outcome]:
    async with asyncio.TaskGroup() as group:
        reading = group.create_task(_read_inboxes(charts, hospital))
        assessed: list[_Assessed] = []
        for chart in charts:
            async with hospital.turn:
                assessed.append(_assess(chart, basis, now=now))
                for _ in range(_TURNS):
                    await asyncio.sleep(0)
    inboxes = reading.result()
    if isinstance(inboxes, str) and len(charts) > 1:
        # What one patient's inbox brings out must not cost the others theirs.
        halves = charts[: len(charts) // 2], charts[len(charts) // 2 :]
        return [one for half in halves for one in await _serve(half, hospital, basis, now=now, dry_run=dry_run)]
    if isinstance(inboxes, str):
        return [Outcome(patient=c.reference, incomplete=c.incomplete, problem=inboxes) for c in charts]
    return list(
        await asyncio.gather(
            *(_deliver(one, inboxes[one.chart.patient_id], hospital, dry_run=dry_run) for one in assessed)
        )
    )


async def _read_inboxes(charts: Sequence[Chart], hospital: Hospital) -> dict[str, Inbox] | str:
    """By patient id; or what went wrong."""
    try:
        return {inbox.patient_id: inbox for inbox in await hospital.reader.inbox(chart.patient_id for chart in charts)}
    except Exception as error:
        return _problem(error)


@dataclass(frozen=True, kw_only=True)
class _Assessed:
    """One patient worked out, or why not."""

    chart: Chart
    picture: Picture | None = None
    assessment: Assessment | None = None
    problem: str = ""


def _assess(chart: Chart, basis: Basis, *, now: datetime) -> _Assessed:
    try:
        picture = to_picture(chart, basis.codes, basis.zone)
        return _Assessed(chart=chart, picture=picture, assessment=evaluate(picture, basis.protocol, now))
    except Exception as error:
        return _Assessed(chart=chart, problem=_problem(error))


async def _deliver(one: _Assessed, inbox: Inbox, hospital: Hospital, *, dry_run: bool) -> Outcome:
    chart, picture, assessment = one.chart, one.picture, one.assessment
    unread = (*chart.incomplete, *(("Location",) if chart.unplaced and hospital.routes_by_ward else ()))
    incomplete = tuple(dict.fromkeys((*unread, *inbox.incomplete)))
    if picture is None or assessment is None:
        return Outcome(patient=chart.reference, incomplete=incomplete, problem=one.problem)
    try:
        delivery = await hospital.writer.deliver(assessment, inbox, complete=not unread, unread=unread, dry_run=dry_run)
        outcome = Outcome(
            patient=chart.reference,
            picture=picture,
            assessment=assessment,
            delivery=delivery,
            incomplete=incomplete,
        )
        if outcome.whole and not dry_run:
            hospital.remember(Served(chart=chart, picture=picture, inbox=inbox, outcome=outcome))
    except Exception as error:
        problem = _problem(error)
        return Outcome(
            patient=chart.reference, picture=picture, assessment=assessment, incomplete=incomplete, problem=problem
        )
    return outcome


def _problem(error: Exception) -> str:
    """What failed for one patient, logged; the others must still be served.

    It is told by its kind: other errors' texts may hold patient data.
    """
    log.warn("patient.failed", error=error)
    return str(error) if isinstance(error, AndanteError) else f"a defect of ours ({type(error).__name__})"


def _is_advised(outcome: Outcome) -> bool:
    return outcome.assessment is not None and not outcome.assessment.advice.code.is_silent
