"""The sheet being filled in for one patient: the chart, how to read it, and the notes taken on the way."""

from collections.abc import Callable, Iterable
from datetime import datetime, tzinfo
from typing import TypeVar

from andante.chart.chart import Chart, reference_key
from andante.chart.codes import CodeMap
from andante.chart.datatypes import CodeableConcept, Period, Quantity, Reference
from andante.chart.models import Resource, subject_of
from andante.chart.modifiers import has_modifiers
from andante.chart.plain_text import cut
from andante.chart.times import FhirTime, parse_fhir_time
from andante.chart.units import Note
from andante.domain.picture import DataNote

R = TypeVar("R", bound=Resource)
T = TypeVar("T")
_DOUBTS = frozenset({"unordered-versions", "shared-id", "other-encounter"})
_SPELLINGS = frozenset({"unit-spelling", "unit-not-coded", "unit-without-system"})


class Sheet:
    """Notes name a resource by its reference and never hold what it says about the patient."""

    def __init__(self, chart: Chart, codes: CodeMap, zone: tzinfo) -> None:
        self.chart = chart
        self.codes = codes
        self.zone = zone
        self._doubted = {problem.reference for problem in chart.problems if problem.code in _DOUBTS}
        self._notes: dict[tuple[str, str, str], DataNote] = {}
        self._unit_notes: dict[Note, DataNote] = {}
        self._lacks: set[str] = set()
        self._keys: dict[str, str | None] = {}

    @property
    def lacks(self) -> tuple[str, ...]:
        """What is missing so badly that nothing may be concluded from its absence."""
        return tuple(sorted(self._lacks))

    def lack(self, text: str) -> None:
        self._lacks.add(text)

    @property
    def notes(self) -> tuple[DataNote, ...]:
        taken = (*self._notes.values(), *self._unit_notes.values())
        return tuple(sorted(taken, key=lambda note: (note.code, note.source, note.text)))

    def note(self, code: str, text: str, source: Resource | str) -> None:
        name = source if isinstance(source, str) else source.reference
        self._notes[code, text, name] = DataNote(code=code, text=text, source=name)

    def note_units(self, notes: Iterable[Note], source: Resource) -> None:
        """A spelling is noted once for a patient, at the first resource that has it; any other note each time."""
        for code, text in notes:
            if code in _SPELLINGS:
                note = DataNote(code=code, text=text, source=source.reference)
                self._unit_notes.setdefault((code, text), note)
            else:
                self.note(code, text, source)

    def gather(
        self,
        resources: Iterable[R],
        read: Callable[[R], Iterable[T]],
        rescue: Callable[[R], Iterable[T]] | None = None,
        *,
        vital: bool = False,
    ) -> list[T]:
        """What `read` makes of each resource about this patient.

        One that trips it up is noted and `rescue`d; a `vital` one makes the chart incomplete.
        """
        found: list[T] = []
        for resource in sorted(resources, key=lambda r: (r.key, r.version_id or "")):
            try:
                if self.is_ours(resource):
                    found.extend(list(read(resource)))
            except Exception as error:  # one bad resource must not sink the patient
                self.note("unreadable-resource", f"could not be mapped ({type(error).__name__})", resource)
                if vital:
                    self.lack(f"{resource.key} could not be read")
                if rescue is not None:
                    found.extend(rescue(resource))
        return found

    def is_ours(self, resource: Resource) -> bool:
        """Whether the resource is about this patient; noted if not."""
        key = self.key_of(subject_of(resource))
        if key == self.chart.reference:
            return True
        if key is None:
            self.note("no-subject", "does not say whom it is about; not used", resource)
        else:
            self.note("other-patient", "is about another patient; not used", resource)
        return False

    def is_doubted(self, resource: Resource) -> bool:
        """Whether it cannot be told if this version is the one that counts, or counts for this patient."""
        return resource.key in self._doubted

    def key_of(self, reference: Reference | None) -> str | None:
        """`Type/id` a reference points to, if it can be told."""
        text = reference.reference if reference else None
        if not text:
            return None
        if text not in self._keys:
            self._keys[text] = self.chart.aliases.get(text) or reference_key(text)
        return self._keys[text]

    def is_plain(self, resource: Resource) -> bool:
        """False, and noted, when a modifier extension or implicit rules may turn the meaning round."""
        if not has_modifiers(resource):
            return True
        self.note("modifier-extension", "a modifier extension may change its meaning; not used", resource)
        return False

    def time(self, text: str | None, source: Resource) -> FhirTime | None:
        """The instants a FHIR time can mean; None where absent or, noted, illegal."""
        if text is None:
            return None
        try:
            return parse_fhir_time(text, self.zone)
        except (ValueError, OverflowError):
            self.note("illegal-time", "a time is not a FHIR time with a zone; taken as unknown", source)
            return None

    def instant(self, text: str | None, source: Resource) -> datetime | None:
        """The oldest instant a FHIR time can mean."""
        found = self.time(text, source)
        return found.earliest if found else None

    def span(self, period: Period | None, source: Resource) -> tuple[datetime | None, datetime | None]:
        """The oldest start and the newest end of a period; both None, noted, when they are out of order."""
        if period is None:
            return None, None
        start, end = self.time(period.start, source), self.time(period.end, source)
        if start and end and end.latest < start.earliest:
            self.note("illegal-time", "a period ends before it starts; taken as unknown", source)
            return None, None
        return start.earliest if start else None, end.latest if end else None


def label(concept: CodeableConcept | None, otherwise: str = "") -> str:
    """What a concept is called, for people: its text, else a display, else a code; at most a line."""
    if concept is None:
        return otherwise
    names = (concept.text, *(c.display for c in concept.coding), *(c.code for c in concept.coding))
    return next((line for name in names if name and (line := cut(name))), otherwise)


def written(quantity: Quantity | None) -> str:
    """A quantity as it stands in the chart."""
    if quantity is None or quantity.value is None:
        return ""
    unit = quantity.unit or quantity.code or ""
    return cut(f"{quantity.comparator or ''}{quantity.value} {unit}").strip()
