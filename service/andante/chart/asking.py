"""Asking one question of the server for a group of patients, and sorting what comes by patient.

A read that fails is split until it concerns one patient alone; what cannot be read is named; what a server
sends beside the question is dropped.
"""

import asyncio
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import msgspec

from andante.chart.assembly import shared_references
from andante.chart.chart import Problem, find_contained, reference_key
from andante.chart.decoding import decode_resource, salvage
from andante.chart.models import Encounter, MedicationAdministration, MedicationRequest, Patient, Resource, subject_of
from andante.chart.questions import Question, ReadPlan, not_offered
from andante.chart.versions import foreign_release
from andante.errors import BadAnswer, Refused, ServerError, Unreachable
from andante.fhir_http.read import FhirReader, SearchPage

NOT_OFFERED_STATUSES = frozenset({400, 404, 405, 501})
_SHARED_CHUNK = 50  # ids in one search
_SHARED_LEVELS = 4  # bed, room, ward, house; compound, ingredient


@dataclass
class Answers:
    """What came of a question, per patient."""

    resources: defaultdict[str, list[tuple[Resource, msgspec.Raw]]] = field(default_factory=lambda: defaultdict(list))
    problems: defaultdict[str, list[Problem]] = field(default_factory=lambda: defaultdict(list))
    incomplete: defaultdict[str, list[str]] = field(default_factory=lambda: defaultdict(list))

    def add(self, other: "Answers") -> None:
        for patient, resources in other.resources.items():
            self.resources[patient].extend(resources)
        for patient, problems in other.problems.items():
            self.problems[patient].extend(problems)
        for patient, names in other.incomplete.items():
            self.incomplete[patient].extend(names)


class Asker:
    """Asks on behalf of one round; what patients share (medications, locations) is read once and kept."""

    def __init__(self, reader: FhirReader, plan: ReadPlan) -> None:
        self.reader = reader
        self._plan = plan
        self._missing_types: set[str] = set()
        self._offered: frozenset[str] = frozenset()
        self._shared: dict[str, Resource] = {}
        self._places_sought: set[str] = set()
        self._places_unread: set[str] = set()
        self._places_turn = asyncio.Lock()
        self._remarks: dict[Problem, None] = {}

    @property
    def remarks(self) -> tuple[Problem, ...]:
        """What was found about the server itself, each once: types not offered, filters ignored."""
        return tuple(self._remarks)

    @property
    def shared(self) -> Mapping[str, Resource]:
        """By `Type/id`."""
        return self._shared

    async def ask_all(
        self, questions: Sequence[Question], group: tuple[str, ...], *, ours_only: bool = False
    ) -> Answers:
        together = Answers()
        asked = (self._ask(question, group, ours_only=ours_only) for question in questions)
        for answers in await asyncio.gather(*asked):
            together.add(answers)
        return together

    async def _ask(self, question: Question, group: tuple[str, ...], *, ours_only: bool) -> Answers:
        kind = question.resource_type
        answers = Answers()
        if kind in self._missing_types:
            return _for_all(group, not_offered(kind))
        begun = truncated = False
        try:
            async for page in self.reader.pages(kind, question.params(group, self._plan.page_size)):
                begun = True
                self.note_filters(page, kind)
                self._sort_page(page, question, group, answers, ours_only=ours_only)
                truncated = page.truncated
        except ServerError as error:
            optional = not (question.needed or ours_only or begun)
            if optional and await self._is_lacking(kind, error):
                return _for_all(group, not_offered(kind))
            if len(group) > 1 and _is_worth_splitting(error):
                return await self._ask_halves(question, group, ours_only=ours_only)
            failed = _for_all(group, Problem(code="failed-read", text=str(error), reference=kind), incomplete=kind)
            failed.add(answers)
            return failed
        if not truncated:
            return answers
        if len(group) > 1:
            return await self._ask_halves(question, group, ours_only=ours_only)
        text = "the server told of more results than it gave, and of no way to get them"
        answers.add(_for_all(group, Problem(code="failed-read", text=text, reference=kind), incomplete=kind))
        return answers

    async def _ask_halves(self, question: Question, group: tuple[str, ...], *, ours_only: bool) -> Answers:
        middle = len(group) // 2
        answers = await self._ask(question, group[:middle], ours_only=ours_only)
        answers.add(await self._ask(question, group[middle:], ours_only=ours_only))
        return answers

    def _sort_page(
        self,
        page: SearchPage,
        question: Question,
        group: tuple[str, ...],
        answers: Answers,
        *,
        ours_only: bool,
    ) -> None:
        kind = question.resource_type
        if page.misshapen:
            text = "entries of a search could not be taken apart: they may be about this patient"
            problem = Problem(code="unreadable-resource", text=text, reference=kind)
            answers.add(_for_all(group, problem, incomplete=kind if ours_only else None))
        by_reference = {f"Patient/{patient}": patient for patient in group}
        for item in page.found:
            result = decode_resource(kind, item.body)
            if isinstance(result, Problem):
                if not ours_only or self._may_be_ours(item.body):
                    concerned = _concerned(item.body, result, group)
                    answers.add(_for_all(concerned, result, incomplete=kind if ours_only else None))
                continue
            if not _names_patient(result):
                problem = _of_nobody(result, item.body)
                if page.filters_ignored is not None:
                    self._remarks[problem] = None  # it came without having been asked for: it may be anybody's
                elif not ours_only or question.accepts(result):
                    answers.add(_for_all(group, problem, incomplete=kind if ours_only else None))
                continue
            patient, doubt = self._patient_of(result, by_reference)
            if patient is not None and doubt is not None:
                answers.problems[patient].append(doubt)
            elif patient is not None and question.accepts(result):
                answers.resources[patient].append((result, item.body))

    async def _is_lacking(self, kind: str, error: ServerError) -> bool:
        """Whether the server itself says that it does not offer the type, as its answer to a search suggests.

        One such answer alone may come from a proxy, or be about a search parameter: then the read has failed,
        and nothing may be concluded from what is missing.
        """
        if error.status not in NOT_OFFERED_STATUSES:
            return False
        try:
            self._offered = self._offered or await self.reader.offered_types()
        except ServerError:
            return False
        if not self._offered or kind in self._offered:
            return False
        self._missing_types.add(kind)
        self._remarks[not_offered(kind)] = None
        return True

    def _may_be_ours(self, body: msgspec.Raw) -> bool:
        text = bytes(body)
        return any(system.encode() in text for system in self._plan.inbox_systems)

    def _patient_of(self, resource: Resource, by_reference: Mapping[str, str]) -> tuple[str | None, Problem | None]:
        """Which of the patients asked for it is about; a Problem where it only seems so."""
        if isinstance(resource, Patient):
            return by_reference.get(resource.key), None
        reference = subject_of(resource)
        text = (reference.reference if reference is not None else None) or ""
        patient = by_reference.get(text)
        if patient is not None:
            return patient, None
        patient = by_reference.get(reference_key(text) or "")
        if patient is not None and "://" in text and not self.reader.is_home(text):
            told = f"{resource.resource_type}: its patient is on another server"
            return patient, Problem(code="unresolved-subject", text=told, reference=resource.key)
        return patient, None

    async def read_shared(self, kind: str, pointing: Iterable[Resource]) -> bool:
        """Read what resources point to into the shared store; True if some of it could not be read."""
        waiting: list[Resource] = list(pointing)
        for _ in range(_SHARED_LEVELS):
            keys = {key for resource in waiting for key in points_to(resource, kind)}
            wanted = sorted(key.split("/", 1)[1] for key in keys if key not in self._shared)
            if not wanted:
                return False
            if kind in self._missing_types:
                return True
            waiting = []
            try:
                for start in range(0, len(wanted), _SHARED_CHUNK):
                    found = await self._read_by_id(kind, wanted[start : start + _SHARED_CHUNK])
                    self._shared.update((resource.key, resource) for resource in found)
                    waiting.extend(found)
            except ServerError as error:
                if not await self._is_lacking(kind, error):
                    self._remarks[Problem(code="failed-read", text=str(error), reference=kind)] = None
                return True
        return False

    async def read_places(self, encounters: Iterable[Encounter]) -> None:
        """Read the Locations of encounters into the shared store, each asked for once.

        A search that fails is remembered: where the patient lies is then not known, which is not the same as nowhere.
        Groups take turns, so that what one is still reading is there, or known to be unread, for the next.
        """
        async with self._places_turn:
            new = [one for one in encounters if not self._places_sought.issuperset(points_to(one, "Location"))]
            if await self.read_shared("Location", new) and "Location" not in self._missing_types:
                self._places_unread |= self._places_not_held(new)
            self._places_sought.update(key for one in new for key in points_to(one, "Location"))

    def lacks_places(self, encounters: Iterable[Encounter]) -> bool:
        """Whether a Location that they lead to could not be read, on whatever level: bed, room, ward."""
        return bool(self._places_unread) and not self._places_unread.isdisjoint(self._places_not_held(encounters))

    def _places_not_held(self, pointing: Iterable[Resource]) -> set[str]:
        seen: set[str] = set()
        waiting = list(pointing)
        while waiting:
            for key in points_to(waiting.pop(), "Location"):
                if key not in seen and key in self._shared:
                    waiting.append(self._shared[key])
                seen.add(key)
        return seen - self._shared.keys()

    async def _read_by_id(self, kind: str, ids: Sequence[str]) -> list[Resource]:
        result = await self.reader.search(kind, (("_id", ",".join(ids)), ("_count", str(len(ids)))))
        decoded = (decode_resource(kind, item.body) for item in result.found)
        return [r for r in decoded if isinstance(r, Resource) and r.id in ids]

    def note_filters(self, page: SearchPage, kind: str) -> None:
        if page.filters_ignored is not None:
            text = f"{kind}: {page.filters_ignored}; every result is checked here"
            self._remarks[Problem(code="filters-ignored", text=text, reference=kind)] = None
        if page.foreign:
            text = f"{kind}: resources of other types came too; they were left out"
            self._remarks[Problem(code="filters-ignored", text=text, reference=kind)] = None


def _names_patient(resource: Resource) -> bool:
    subject = subject_of(resource)
    return isinstance(resource, Patient) or bool(subject and subject.reference)


def _of_nobody(resource: Resource, body: msgspec.Raw) -> Problem:
    """It came in answer to a search for these patients, so it may be about any of them."""
    kind = resource.resource_type
    release = foreign_release(kind, body)
    if release is not None:
        code, why = "not-r4", f"is written in FHIR {release}, not R4"
    elif subject_of(resource) is not None:
        code, why = "logical-subject", "does not refer to its patient"
    else:
        code, why = "no-subject", "names no patient"
    return Problem(code=code, text=f"{kind} {why}: set aside", reference=resource.key, resource_type=kind)


def _concerned(body: msgspec.Raw, problem: Problem, group: tuple[str, ...]) -> tuple[str, ...]:
    """Whom an unreadable resource concerns: its patient; any of those asked for, if that cannot be told."""
    reference = salvage(body).subject_reference()
    key = reference_key(reference.reference or "") if reference is not None else problem.reference
    if key is None or not key.startswith("Patient/"):
        return group
    patient = key.removeprefix("Patient/")
    return (patient,) if patient in group else ()


def _for_all(group: Iterable[str], problem: Problem, *, incomplete: str | None = None) -> Answers:
    answers = Answers()
    for patient in group:
        answers.problems[patient].append(problem)
        if incomplete is not None:
            answers.incomplete[patient].append(incomplete)
    return answers


def _is_worth_splitting(error: ServerError) -> bool:
    """Whether fewer patients may fare better: yes where an answer came, no where the server is away or
    shut.
    """
    return isinstance(error, BadAnswer | Refused) or (
        isinstance(error, Unreachable) and error.status is not None and error.status != 429
    )


def points_to(resource: Resource, kind: str) -> list[str]:
    keys = [reference_key(text) for text in shared_references(resource) if not text.startswith("#")]
    if kind == "Medication":
        keys.extend(_contained_ingredients(resource))
    return [key for key in keys if key is not None and key.startswith(f"{kind}/")]


def points_elsewhere(resource: Resource, reader: FhirReader) -> bool:
    """Whether it is about a Medication of another server: one of ours by the same id would be another drug."""
    if not isinstance(resource, MedicationRequest | MedicationAdministration):
        return False
    return any("://" in text and not reader.is_home(text) for text in shared_references(resource))


def _contained_ingredients(resource: Resource) -> list[str | None]:
    """References of a contained compound's ingredients to Medications on the server."""
    inside = (text[1:] for text in shared_references(resource) if text.startswith("#"))
    contained = (find_contained(resource, identity) for identity in inside)
    return [reference_key(text) for found in contained if found for text in shared_references(found)]
