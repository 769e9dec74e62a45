"""Charts out of a FHIR server: the census, the charts of groups of patients, and our own inbox."""

import asyncio
from collections.abc import AsyncGenerator, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime

from andante import log
from andante.chart.asking import Answers, Asker, points_elsewhere, points_to
from andante.chart.assembly import assemble, misplaced, settle_versions
from andante.chart.chart import Chart, Inbox, InboxItem, Problem, reference_key
from andante.chart.decoding import decode_resource
from andante.chart.models import CommunicationRequest, Encounter, Resource, Task
from andante.chart.questions import ReadPlan, census_question, chart_questions, inbox_questions
from andante.fhir_http.read import FhirReader

_OVER = frozenset({"finished", "cancelled", "entered-in-error"})


@dataclass(frozen=True, kw_only=True)
class Census:
    """Who is in the hospital, by id. While not `complete`, a patient's absence from it means nothing."""

    patients: frozenset[str]
    problems: tuple[Problem, ...] = ()
    complete: bool = True


class ChartReader:
    """Reads charts for one round. Make a new one for each: what patients share is read once and kept."""

    def __init__(self, reader: FhirReader, plan: ReadPlan, *, now: datetime) -> None:
        self._asker = Asker(reader, plan)
        self._plan = plan
        self._now = now

    @property
    def remarks(self) -> tuple[Problem, ...]:
        """What was found about the server itself, each once: types not offered, filters ignored."""
        return self._asker.remarks

    async def census(self, *, patient_id: str | None = None) -> Census:
        """Everybody (or one patient) with an inpatient encounter in progress, whose places are read by the way.

        Of the encounters nothing is kept: memory must not grow with them. Raises a ServerError if it fails.
        """
        question = census_question(self._plan)
        who = (("patient", f"Patient/{patient_id}"),) if patient_id is not None else ()
        params = (*who, *question.filters, ("_count", str(self._plan.page_size)), ("_total", "accurate"))
        patients: set[str] = set()
        problems: dict[Problem, None] = {}
        complete = True
        async for page in self._asker.reader.pages("Encounter", params):
            self._asker.note_filters(page, "Encounter")
            complete = complete and not page.truncated and page.misshapen == 0
            found: list[Encounter] = []
            for item in page.found:
                resource = decode_resource("Encounter", item.body)
                if isinstance(resource, Problem):
                    problems[resource] = None
                    complete = False
                elif isinstance(resource, Encounter) and question.accepts(resource):
                    found.append(resource)
            await self._asker.read_places(found)
            for encounter in found:
                patient = self._patient_of(encounter)
                if patient is None:
                    told = "an inpatient encounter that names no patient of this server"
                    problems[Problem(code="no-subject", text=told, reference=encounter.key)] = None
                elif patient_id in (None, patient):
                    patients.add(patient)
        return Census(patients=frozenset(patients), problems=tuple(problems), complete=complete)

    async def charts(self, patients: Iterable[str]) -> AsyncGenerator[Chart, None]:
        """The charts of patients by id, as their groups come in. Never raises for the server's sake.

        A read that fails is named in `Chart.incomplete` of those it concerns: a failing group is split until
        one patient's poisoned data stand alone.
        """
        groups = _grouped(patients, self._plan.group_size)
        running: set[asyncio.Task[list[Chart]]] = set()
        try:
            for group in groups:
                running.add(asyncio.create_task(self._read_group(group)))
                if len(running) >= self._plan.parallel_groups:
                    done, running = await asyncio.wait(running, return_when=asyncio.FIRST_COMPLETED)
                    for task in done:
                        for chart in task.result():
                            yield chart
            while running:
                done, running = await asyncio.wait(running, return_when=asyncio.FIRST_COMPLETED)
                for task in done:
                    for chart in task.result():
                        yield chart
        finally:
            for task in running:
                task.cancel()
            await asyncio.gather(*running, return_exceptions=True)

    async def inbox(self, patients: Iterable[str]) -> tuple[Inbox, ...]:
        """Our own Tasks and CommunicationRequests, open and past, of each patient. Never raises as
        `charts`.
        """
        inboxes: list[Inbox] = []
        for group in _grouped(patients, self._plan.group_size):
            answers = await self._asker.ask_all(inbox_questions(self._plan), group, ours_only=True)
            inboxes.extend(_inbox(patient, answers) for patient in group)
        return tuple(inboxes)

    async def _read_group(self, group: tuple[str, ...]) -> list[Chart]:
        try:
            return await self._charts_of(group)
        except Exception as error:
            # A defect of ours, brought out by one patient's data, must not cost the others their round.
            log.warn("charts.failed", error=error)
            middle = len(group) // 2
            if middle:
                return [*await self._read_group(group[:middle]), *await self._read_group(group[middle:])]
            text = f"a defect of ours ({type(error).__name__}) while the chart was read"
            problem = Problem(code="failed-read", text=text)
            return [Chart(patient_id=group[0], problems=(problem,), incomplete=("the whole chart",))]

    async def _charts_of(self, group: tuple[str, ...]) -> list[Chart]:
        answers = await self._asker.ask_all(chart_questions(self._plan, self._now), group)
        charts: list[Chart] = []
        settled = {
            patient: settle_versions(resource for resource, _ in answers.resources[patient]) for patient in group
        }
        for patient, problem in misplaced({patient: one.resources for patient, one in settled.items()}):
            answers.problems[patient].append(problem)
        everything = [resource for one in settled.values() for resource in one.resources]
        failed = await self._asker.read_shared("Medication", everything)
        # The census has read those of whoever is in it; another may be on leave, with something of ours open.
        await self._asker.read_places(_stays_not_over(everything))
        for patient in group:
            own = settled[patient].resources
            elsewhere = (resource for resource in own if points_elsewhere(resource, self._asker.reader))
            answers.problems[patient].extend(map(_of_another_server, elsewhere))
            lacks_medications = failed and any(points_to(resource, "Medication") for resource in own)
            charts.append(
                assemble(
                    patient,
                    own,
                    pool=self._asker.shared,
                    problems=(*answers.problems[patient], *settled[patient].problems),
                    incomplete=(
                        *answers.incomplete[patient],
                        *(("Medication",) if lacks_medications else ()),
                    ),
                    unplaced=self._asker.lacks_places(_stays_not_over(own)),
                )
            )
        return charts

    def _patient_of(self, encounter: Encounter) -> str | None:
        """By id; None where it names no patient of this server."""
        text = (encounter.subject.reference if encounter.subject else None) or ""
        key = reference_key(text) or ""
        is_ours = key.startswith("Patient/") and ("://" not in text or self._asker.reader.is_home(text))
        return key.removeprefix("Patient/") if is_ours else None


def _stays_not_over(resources: Iterable[Resource]) -> Iterator[Encounter]:
    return (one for one in resources if isinstance(one, Encounter) and one.status not in _OVER)


def _of_another_server(resource: Resource) -> Problem:
    text = f"{resource.resource_type} points to a resource of another server, which is not read"
    return Problem(code="unreadable-resource", text=text, reference=resource.key, resource_type=resource.resource_type)


def _inbox(patient: str, answers: Answers) -> Inbox:
    bodies = {(r.key, r.version_id): bytes(raw) for r, raw in answers.resources[patient]}
    settled = settle_versions(resource for resource, _ in answers.resources[patient])
    return Inbox(
        patient_id=patient,
        items=tuple(
            InboxItem(resource=resource, body=bodies[resource.key, resource.version_id])
            for resource in sorted(settled.resources, key=lambda resource: resource.key)
            if isinstance(resource, Task | CommunicationRequest)
        ),
        problems=(*dict.fromkeys(answers.problems[patient]), *settled.problems),
        # Two versions of one Task that cannot be ordered: what is open cannot be told.
        incomplete=tuple(dict.fromkeys([*answers.incomplete[patient], *(p.reference or "" for p in settled.problems)])),
    )


def _grouped(patients: Iterable[str], size: int) -> Iterator[tuple[str, ...]]:
    once = tuple(dict.fromkeys(patients))
    for start in range(0, len(once), size):
        yield once[start : start + size]
