"""Who has something of ours still open: also those who left the hospital since, whom no census names any more."""

from collections.abc import Mapping
from dataclasses import dataclass

from andante.chart.chart import Problem, reference_key
from andante.chart.decoding import decode_resource
from andante.chart.models import CommunicationRequest, Task, subject_of
from andante.errors import ServerError
from andante.fhir_http.read import FhirReader, Params


@dataclass(frozen=True, kw_only=True)
class OpenItems:
    """`patients` by id. One who is missing here is only left to the next round: nothing is concluded from it."""

    patients: frozenset[str]
    problems: tuple[Problem, ...] = ()


async def patients_with_open_items(
    reader: FhirReader, questions: Mapping[str, Params], *, identifier_systems: frozenset[str]
) -> OpenItems:
    """Ask each question (resource type and filters); only what carries one of our identifiers counts."""
    patients: set[str] = set()
    problems: list[Problem] = []
    for kind, filters in questions.items():
        try:
            async for page in reader.pages(kind, filters):
                for item in page.found:
                    resource = decode_resource(kind, item.body)
                    if not isinstance(resource, Task | CommunicationRequest):
                        continue
                    if not any(identifier.system in identifier_systems for identifier in resource.identifier):
                        continue
                    subject = subject_of(resource)
                    key = reference_key((subject.reference if subject else None) or "") or ""
                    if key.startswith("Patient/"):
                        patients.add(key.removeprefix("Patient/"))
        except ServerError as error:
            text = f"{kind}: what was left open earlier could not be searched ({error})"
            problems.append(Problem(code="failed-read", text=text, reference=kind))
    return OpenItems(patients=frozenset(patients), problems=tuple(problems))
