"""Who has something of ours still open: also those who left the hospital since, whom no census names any more."""

from collections.abc import Mapping
from dataclasses import dataclass

from andante.chart.chart import Problem, reference_key
from andante.chart.decoding import decode_resource
from andante.chart.models import CommunicationRequest, Task, subject_of
from andante.errors import BadAnswer, ServerError, Unreachable
from andante.fhir_http.read import FhirReader, Params


@dataclass(frozen=True, kw_only=True)
class OpenItems:
    """`patients` by id. One who is missing here is only left to the next round: nothing is concluded from it.

    Not `complete` where somebody may be missing this time. A server that refuses such a search will refuse the next
    one too: that is a standing limit, told each time among the `problems`; were no round ever whole for it, "not whole"
    would not tell of anything else any more.
    """

    patients: frozenset[str]
    problems: tuple[Problem, ...] = ()
    complete: bool = True


async def patients_with_open_items(
    reader: FhirReader, questions: Mapping[str, Params], *, identifier_systems: frozenset[str]
) -> OpenItems:
    """Ask each question (resource type and filters); only what carries one of our identifiers counts."""
    patients: set[str] = set()
    problems: list[Problem] = []
    complete = True
    for kind, filters in questions.items():
        truncated, unreadable = False, 0
        try:
            async for page in reader.pages(kind, filters):
                truncated, unreadable = page.truncated, unreadable + page.misshapen
                for item in page.found:
                    resource = decode_resource(kind, item.body)
                    if not isinstance(resource, Task | CommunicationRequest):
                        unreadable += any(system.encode() in bytes(item.body) for system in identifier_systems)
                        continue
                    if not any(identifier.system in identifier_systems for identifier in resource.identifier):
                        continue
                    subject = subject_of(resource)
                    key = reference_key((subject.reference if subject else None) or "") or ""
                    if key.startswith("Patient/"):
                        patients.add(key.removeprefix("Patient/"))
        except ServerError as error:
            complete = complete and not isinstance(error, Unreachable | BadAnswer)
            text = f"{kind}: what was left open earlier could not be searched ({error})"
            problems.append(Problem(code="failed-read", text=text, reference=kind))
        if truncated or unreadable:
            complete = False
            why = "the answer was cut off" if truncated else "entries of the answer could not be read"
            text = f"{kind}: what was left open earlier was not found whole ({why})"
            problems.append(Problem(code="failed-read", text=text, reference=kind))
    return OpenItems(patients=frozenset(patients), problems=tuple(problems), complete=complete)
