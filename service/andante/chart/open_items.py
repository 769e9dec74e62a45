"""Who has something of ours still open: also those who left the hospital since, whom no census names any more."""

from collections.abc import Sequence
from dataclasses import dataclass

from andante.chart.chart import Problem, reference_key
from andante.chart.decoding import decode_resource
from andante.chart.models import CommunicationRequest, Task, subject_of
from andante.chart.reader import ChartReader
from andante.errors import ServerError
from andante.fhir_http.read import FhirReader

_QUESTIONS = (("Task", "requested"), ("CommunicationRequest", "active,draft"))


@dataclass(frozen=True, kw_only=True)
class OpenItems:
    """`patients` by id. A patient missing here is only left to the next round: nothing is concluded from it."""

    patients: frozenset[str]
    problems: tuple[Problem, ...] = ()
