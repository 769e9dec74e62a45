"""Who the patient is and where the stay under watch stands."""

from collections.abc import Iterator

from msgspec.structs import replace

from andante.chart.datatypes import Reference
from andante.chart.models import Encounter, Patient
from andante.chart.places import find_place
from andante.chart.plain_text import cut
from andante.chart.questions import ACT_CODES
from andante.chart.sheet import Sheet
from andante.domain.picture import Person, Stay

_GENDERS = frozenset({"male", "female", "other", "unknown"})
# A patient on leave comes back to the same bed and the same feed; a stay of unknown status is not known to be over.
_IN_PROGRESS = frozenset({"arrived", "triaged", "in-progress", "onleave", "unknown"})
_NOT_A_STAY = frozenset({"cancelled", "entered-in-error", "planned"})


def read_person(sheet: Sheet) -> Person:
    """What is known of the person. An unknown age stays unknown; it is not guessed from anything."""
    patient = sheet.chart.patient
    if patient is None:
        sheet.note("no-patient", "the Patient resource was not read", sheet.chart.reference)
        return Person()
    if patient.key != sheet.chart.reference:
        sheet.note("other-patient", "is another patient; not used", patient)
        return Person()
    if not sheet.is_plain(patient):
        return Person()
    _note_links(sheet, patient)
    birth = None
    if patient.birth_date is not None:
        if len(patient.birth_date) <= len("2000-01-01"):
            birth = sheet.time(patient.birth_date, patient)
        else:
            sheet.note("illegal-time", "the birth date is not a FHIR date; taken as unknown", patient)
    return Person(
        # The youngest reading: a patient who may still be a child is not treated as an adult.
        born=birth.latest.astimezone(sheet.zone).date() if birth else None,
        sex=patient.gender if patient.gender in _GENDERS else None,
        deceased=bool(patient.deceased_boolean) or patient.deceased_date_time is not None,
        name=_name_of(patient),
        born_written=cut(patient.birth_date or "", 10),
    )


def _name_of(patient: Patient) -> str:
    """The name to know the patient by: the official one, else the usual, else any that is not out of use."""
    names = [name for name in patient.name if name.use not in ("old", "maiden", "nickname", "anonymous", "temp")]
    names.sort(key=lambda name: ("official", "usual").index(name.use) if name.use in ("official", "usual") else 2)
    for name in names:
        written = name.text or " ".join(part for part in (*name.given, name.family) if part)
        if line := cut(written, 60):
            return line
    return ""


def _note_links(sheet: Sheet, patient: Patient) -> None:
    """Another record of the same person may hold what is missing in this one."""
    kinds = {link.type for link in patient.link}
    if "replaced-by" in kinds or patient.active is False:
        sheet.note("patient-replaced", "the patient's record is out of use or replaced by another", patient)
        sheet.lack("the patient's record is out of use or replaced by another")
    elif kinds:
        sheet.note("patient-linked", "another record of the same person exists; it was not read", patient)


def read_stay(sheet: Sheet) -> Stay | None:
    """The stay that counts: in progress before ended, inpatient before other, the latest admission."""
    stays = sheet.gather(sheet.chart.encounters, lambda encounter: _read_encounter(sheet, encounter))
    return max(stays, key=_rank, default=None)


def _rank(stay: Stay) -> tuple[bool, bool, float, str]:
    admitted = stay.admitted.timestamp() if stay.admitted else float("-inf")
    return stay.in_progress, stay.inpatient, admitted, stay.source


def _read_encounter(sheet: Sheet, encounter: Encounter) -> Iterator[Stay]:
    if encounter.status in _NOT_A_STAY:
        if encounter.status == "entered-in-error":
            sheet.note("void-encounter", "is entered in error; left out", encounter)
        return
    if not sheet.is_plain(encounter):
        return
    if encounter.class_ is None or not encounter.class_.code:
        sheet.note("no-encounter-class", "states no class; taken as an inpatient stay", encounter)
        inpatient = True
    else:
        # Some servers leave the system of Encounter.class out; R4 binds it to ActCode, and the census reads it so.
        coding = encounter.class_ if encounter.class_.system else replace(encounter.class_, system=ACT_CODES)
        inpatient = sheet.codes.inpatient_classes.of(coding) is not None
    start, end = sheet.span(encounter.period, encounter)
    ward, bed = _place_of(sheet, encounter)
    yield Stay(
        source=encounter.reference,
        in_progress=encounter.status in _IN_PROGRESS,
        inpatient=inpatient,
        admitted=start,
        ended=end,
        ward=ward,
        bed=bed,
    )


def _place_of(sheet: Sheet, encounter: Encounter) -> tuple[str | None, str | None]:
    """Names of ward and bed, as far as the chart tells."""
    present = tuple(
        replace(place, location=_resolved(sheet, place.location))
        for place in encounter.location
        if place.status == "active" or place.period is None or place.period.end is None
    )
    locations = {location.key: location for location in sheet.chart.locations}
    return find_place(replace(encounter, location=present), locations, wards=sheet.codes.wards)


def _resolved(sheet: Sheet, reference: Reference | None) -> Reference | None:
    """The reference by `Type/id`, where the chart knows it under another name."""
    key = sheet.key_of(reference)
    return replace(reference, reference=key) if reference is not None and key else reference
