"""Charts out of a file: a FHIR Bundle, NDJSON, or a single resource.

Nothing of the file is lost in silence. What can be read goes to its patient's chart; what cannot goes there
as a Problem, if its patient can still be told; else it is named in `ChartFile.unassigned`; resource types
the service never reads are counted in `ChartFile.passed_over`.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

import msgspec

from andante.chart.assembly import assemble, misplaced, settle_versions
from andante.chart.bundle_file import FileEntry, FileParts, split_file
from andante.chart.chart import UNKNOWN_TYPE, Chart, Problem, find_contained, reference_key
from andante.chart.datatypes import Reference
from andante.chart.decoding import decode_resource, name_of, salvage
from andante.chart.history import known_at
from andante.chart.models import (
    READABLE,
    Location,
    Medication,
    Patient,
    Resource,
    Specimen,
    subject_of,
)
from andante.chart.versions import ReleaseCensus
from andante.errors import InputError
from andante.fhir_http.envelope import DECODE_ERRORS, decode_outcome, peek


@dataclass(frozen=True, kw_only=True)
class ChartFile:
    """What a file held."""

    charts: tuple[Chart, ...]
    unassigned: tuple[Problem, ...]
    """Problems whose patient cannot be told."""
    duplicates: int
    """Repeats of the same version of a resource, dropped."""
    passed_over: Mapping[str, int]
    """How many resources there were of each type the service never reads."""


def read_charts(data: bytes, *, now: datetime) -> ChartFile:
    """Read one file, as known at `now` where it is a history.

    Raises InputError, in one line, for what is not JSON, not UTF-8, cut short, nested too deeply, a Bundle
    of a type that holds no chart, or written in another FHIR release.
    """
    parts = split_file(data)
    entries = parts.entries
    problems = list(parts.problems)
    if parts.bundle_type == "history":
        known = known_at(entries, now)
        entries = known.entries
        problems.extend(known.problems)
    return _Grouping(parts, entries, problems).chart_file()


@dataclass
class _Grouping:
    parts: FileParts
    entries: tuple[FileEntry, ...]
    unassigned: list[Problem]
    aliases: dict[str, str] = field(default_factory=dict)
    passed_over: Counter[str] = field(default_factory=Counter)
    problems: defaultdict[str, list[Problem]] = field(default_factory=lambda: defaultdict(list))
    owned: defaultdict[str, list[Resource]] = field(default_factory=lambda: defaultdict(list))
    pool: dict[str, Resource] = field(default_factory=dict)
    stranded: list[tuple[str, Problem]] = field(default_factory=list)

    def chart_file(self) -> ChartFile:
        duplicates = self._share_out(self._decode())
        charts = []
        for patient_id in sorted(self.owned.keys() | self.problems.keys()):
            charts.append(
                assemble(
                    patient_id,
                    self.owned[patient_id],
                    pool=self.pool,
                    problems=self.problems[patient_id],
                    incomplete=self.parts.incomplete,
                    aliases=self.aliases,
                )
            )
        attached = {resource.key for chart in charts for resource in chart.specimens}
        lost = (
            Problem(code="no-subject", text="a Specimen of nobody's that nothing points to", reference=key)
            for key, resource in self.pool.items()
            if isinstance(resource, Specimen) and key not in attached
        )
        return ChartFile(
            charts=tuple(charts),
            unassigned=tuple(dict.fromkeys([*self.unassigned, *lost])),
            duplicates=duplicates,
            passed_over=dict(sorted(self.passed_over.items())),
        )

    def _decode(self) -> list[Resource]:
        census = ReleaseCensus()
        decoded: list[Resource] = []
        homes: dict[str, str] = {}
        for entry in self.entries:
            kind = self._type_of(entry)
            if kind is None:
                continue
            release = census.note(kind, entry.raw)
            if release is not None:
                text = f"{kind} is written in FHIR {release}, not R4: set aside"
                name = name_of(kind, salvage(entry.raw))
                self._file_problem(Problem(code="not-r4", text=text, reference=name, resource_type=kind), entry)
            elif kind not in READABLE:
                self.passed_over[kind] += 1
            else:
                result = decode_resource(kind, entry.raw)
                if isinstance(result, Problem):
                    self._file_problem(result, entry)
                else:
                    decoded.append(self._identified(result, entry, homes))
        release = census.verdict()
        if release is not None:
            raise InputError(f"the file is written in FHIR {release}; only R4 (4.0.1) is read")
        for reference, problem in self.stranded:
            self._file_by_reference(reference, problem)
        return decoded

    def _type_of(self, entry: FileEntry) -> str | None:
        try:
            kind = peek(entry.raw).resource_type
        except DECODE_ERRORS:
            kind = None
        if kind == "OperationOutcome":
            outcome = decode_outcome(entry.raw)
            text = f"the server reported with its answer: {outcome.summary if outcome else 'unreadable'}"
            self.unassigned.append(Problem(code="filters-ignored", text=text, reference=entry.place))
            return None
        if kind is None or not kind.isalpha():
            text = "not a resource: it does not say its resourceType"
            problem = Problem(code="unreadable-resource", text=text, reference=entry.place, resource_type=UNKNOWN_TYPE)
            self._file_problem(problem, entry)
            return None
        return kind

    def _identified(self, resource: Resource, entry: FileEntry, homes: dict[str, str]) -> Resource:
        """Give an entry without id the one of its full URL, else one by its place; remember its full URL."""
        url = entry.full_url or ""
        if not resource.id:
            tail = url.rsplit(":", 1)[-1] if url.startswith("urn:") else ""
            key = reference_key(url)
            identity = tail or (key.rsplit("/", 1)[-1] if key else "") or entry.place.replace(" ", "-")
            resource = msgspec.structs.replace(resource, id=identity)
        if url.startswith("urn:"):
            self.aliases[url] = resource.key
        elif reference_key(url) == resource.key:
            base = url.removesuffix("/").split("/_history/", 1)[0]
            if homes.setdefault(resource.key, base) != base:
                raise InputError("the Bundle mixes resources of several servers under the same ids")
        return resource

    def _share_out(self, decoded: Iterable[Resource]) -> int:
        """Settle versions, give each resource to its patient, and count the repeats dropped.

        Two patients' resources under one id are no versions of each other: the newer must not cost the other
        patient a result.
        """
        by_subject: defaultdict[str | None, list[Resource]] = defaultdict(list)
        for resource in decoded:
            by_subject[self._patient_id(subject_of(resource))[0]].append(resource)
        holders = Counter(key for theirs in by_subject.values() for key in {resource.key for resource in theirs})
        duplicates = 0
        for theirs in by_subject.values():
            settled = settle_versions(theirs)
            duplicates += settled.duplicates
            owners: dict[str, str] = {}
            for resource in settled.resources:
                owner = self._owner(resource)
                if owner is None:
                    continue
                owners[resource.key] = owner
                self.owned[owner].append(resource)
                if holders[resource.key] > 1:
                    text = "the file holds a resource of this id for another patient too"
                    self.problems[owner].append(Problem(code="shared-id", text=text, reference=resource.key))
            for problem in settled.problems:
                holder = owners.get(problem.reference or "")
                (self.problems[holder] if holder is not None else self.unassigned).append(problem)
        for owner, problem in misplaced(self.owned, self.aliases):
            self.problems[owner].append(problem)
        return duplicates

    def _owner(self, resource: Resource) -> str | None:
        """The id of the patient it belongs to. Else None: shared, or named as a Problem."""
        if isinstance(resource, Patient):
            return resource.id
        subject = subject_of(resource)
        shared = isinstance(resource, Location | Medication) or (isinstance(resource, Specimen) and subject is None)
        if shared:
            self.pool[resource.key] = resource
            return None
        text = subject.reference if subject is not None else None
        if text and text.startswith("#"):
            patient = find_contained(resource, text[1:])
            if isinstance(patient, Patient):
                # A contained patient is nobody outside its resource: never merged with another.
                owner = f"{resource.key}{text}"
                self.owned[owner].append(msgspec.structs.replace(patient, id=owner))
                return owner
        patient_id, problem = self._patient_id(subject)
        if problem is not None:
            named = f"{resource.resource_type}: {problem.text}"
            self.unassigned.append(Problem(code=problem.code, text=named, reference=resource.key))
        return patient_id

    def _patient_id(self, subject: Reference | None) -> tuple[str | None, Problem | None]:
        if subject is None or not (subject.reference or subject.identifier):
            return None, Problem(code="no-subject", text="it does not say whom it is about")
        if not subject.reference:
            text = "its patient is named by an identifier only, which is not looked up"
            return None, Problem(code="logical-subject", text=text)
        key = self.aliases.get(subject.reference) or reference_key(subject.reference)
        if key is None:
            text = "its patient cannot be found in the file"
            return None, Problem(code="unresolved-subject", text=text)
        if not key.startswith("Patient/"):
            return None, Problem(code="no-subject", text="it is not about a patient")
        return key.removeprefix("Patient/"), None

    def _file_problem(self, problem: Problem, entry: FileEntry) -> None:
        """Keep a Problem with its patient if that can still be told: once all full URLs are known."""
        found = salvage(entry.raw)
        subject = found.subject_reference()
        named = problem if problem.reference else replace(problem, reference=entry.place)
        if problem.reference and problem.reference.startswith("Patient/"):
            self.stranded.append((problem.reference, named))
        else:
            self.stranded.append((subject.reference or "" if subject else "", named))

    def _file_by_reference(self, reference: str, problem: Problem) -> None:
        key = self.aliases.get(reference) or reference_key(reference) or ""
        if key.startswith("Patient/"):
            self.problems[key.removeprefix("Patient/")].append(problem)
        else:
            self.unassigned.append(problem)
