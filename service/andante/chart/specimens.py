"""When the blood was taken, and whether the specimen is in doubt."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from andante.chart.datatypes import CodeableConcept
from andante.chart.models import Observation, Specimen
from andante.chart.modifiers import has_modifiers
from andante.chart.plain_text import cut
from andante.chart.sheet import Sheet


@dataclass(frozen=True, slots=True, kw_only=True)
class Collected:
    """The oldest and newest instant of collection; both None when not known."""

    oldest: datetime | None = None
    newest: datetime | None = None


_UNKNOWN = Collected()


def specimen_of(sheet: Sheet, observation: Observation) -> Specimen | None:
    """The specimen a result refers to. One that belongs to somebody else is noted and not used."""
    found = sheet.chart.find(observation.specimen, within=observation)
    if not isinstance(found, Specimen):
        return None
    if sheet.key_of(found.subject) in (None, sheet.chart.reference):
        return found
    sheet.note("other-patient", "its specimen is of another patient; the specimen is not used", observation)
    return None


def specimen_key(sheet: Sheet, observation: Observation) -> str | None:
    """A name for the specimen that results of one draw share."""
    reference = observation.specimen
    if reference is None:
        return None
    if reference.reference and reference.reference.startswith("#"):
        return f"{observation.key}{reference.reference}"
    key = sheet.key_of(reference)
    if key is None and reference.identifier and reference.identifier.value:
        key = f"{reference.identifier.system or ''}|{reference.identifier.value}"
    return key


def collection_time(sheet: Sheet, observation: Observation, specimen: Specimen | None) -> Collected:
    """When the blood was taken: effective[x], else the specimen's collection; never when it was reported.

    A stated time that is illegal stays unknown: another one is not put in its place.
    """
    if observation.effective_date_time is not None or observation.effective_instant is not None:
        time = sheet.time(observation.effective_date_time or observation.effective_instant, observation)
        return Collected(oldest=time.earliest, newest=time.latest) if time else _UNKNOWN
    if observation.effective_period is not None and observation.effective_period.start is not None:
        start, end = sheet.span(observation.effective_period, observation)
        return Collected(oldest=start, newest=end or start) if start else _UNKNOWN
    if specimen is not None:
        found = specimen_time(sheet, specimen)
        if found.oldest is not None:
            return found
    sheet.note("no-collection-time", "states no collection time", observation)
    return _UNKNOWN


def specimen_time(sheet: Sheet, specimen: Specimen) -> Collected:
    """When a specimen was collected, by its own collection element."""
    collection = specimen.collection
    if collection is None:
        return _UNKNOWN
    if collection.collected_date_time is not None:
        time = sheet.time(collection.collected_date_time, specimen)
        return Collected(oldest=time.earliest, newest=time.latest) if time else _UNKNOWN
    start, end = sheet.span(collection.collected_period, specimen)
    return Collected(oldest=start, newest=end or start) if start else _UNKNOWN


def doubt_about(
    sheet: Sheet,
    observation: Observation,
    part: Observation | Observation.Component,
    specimen: Specimen | None,
) -> str | None:
    """Why the specimen is in doubt, coded or in words; None when nothing says so.

    Words count here although text is never read for a value: a doubt can only hold.
    """
    concepts = [*part.interpretation, part.data_absent_reason]
    texts = [note.text for note in observation.note]
    if part is not observation:
        concepts += [*observation.interpretation, observation.data_absent_reason]
    if specimen is not None:
        if specimen.status in ("unsatisfactory", "entered-in-error"):
            return f"specimen {specimen.status}"
        if has_modifiers(specimen):
            return "a modifier extension may change what the specimen means"
        concepts += specimen.condition
        texts += [note.text for note in specimen.note]
    coded = sheet.codes.specimen_problems.among(*concepts)
    if coded:
        return coded[0].meaning
    texts += [text for concept in concepts if concept for text in _texts(concept)]
    for text in texts:
        for word in sheet.codes.words.specimen_doubt:
            if text and word in text.casefold():
                return f'specimen in doubt: a remark contains "{cut(word)}"'
    return None


def _texts(concept: CodeableConcept) -> Iterator[str]:
    if concept.text:
        yield concept.text
    for coding in concept.coding:
        if coding.display:
            yield coding.display
