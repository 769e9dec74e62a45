"""Whose a resource is, asked of the server by its id: what anybody else says about it is only a hint."""

from andante.chart.changes import SHARED
from andante.chart.chart import reference_key
from andante.chart.decoding import salvage
from andante.chart.questions import ReadPlan
from andante.chart.read_list import types_read
from andante.fhir_http.read import FhirReader


async def patient_of(reader: FhirReader, plan: ReadPlan, key: str) -> str | None:
    """The id of the patient that `Type/id` is about; None for a type no chart holds, or where none is named.

    Raises a ServerError: Absent where there is no such resource.
    """
    kind, _, ident = key.partition("/")
    if kind == "Patient":
        return ident
    if kind in SHARED or kind not in types_read(plan):
        return None
    reference = salvage((await reader.read(kind, ident)).body).subject_reference()
    subject = reference_key((reference.reference if reference else None) or "") or ""
    return subject.removeprefix("Patient/") if subject.startswith("Patient/") else None
