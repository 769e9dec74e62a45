"""What is asked of the server, as data: the searches, and the same questions again for each resource that
comes.

Servers ignore search parameters they do not know and then return everything: `accepts` asks the question
again.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from andante.chart.chart import Problem
from andante.chart.datatypes import CodeableConcept
from andante.chart.models import (
    Encounter,
    MedicationAdministration,
    MedicationRequest,
    Observation,
    Resource,
    ServiceRequest,
    Specimen,
)
from andante.chart.times import parse_fhir_time

ACT_CODES = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
NEEDED = frozenset({"Patient", "Encounter", "Observation", "NutritionOrder"})
"""Types without which there is no chart. The others a server may lack: that is said, and is not a failed
read.
"""


@dataclass(frozen=True, kw_only=True)
class ReadPlan:
    """What the caller wants read.

    `observation_codes` are tokens `system|code`: laboratory, weight, height, intake. The look-backs bound the
    searches by the time of the event.
    """

    observation_codes: tuple[str, ...]
    inbox_systems: frozenset[str]
    """Identifier systems of our own Tasks and CommunicationRequests."""
    inpatient_classes: frozenset[str] = frozenset({"IMP", "ACUTE", "NONAC"})
    laboratory_look_back: timedelta = timedelta(days=14)
    observation_look_back: timedelta = timedelta(days=200)
    """Long enough for the published weight-loss windows of three to six months."""
    order_look_back: timedelta = timedelta(days=30)
    medication_look_back: timedelta = timedelta(days=60)
    group_size: int = 20
    parallel_groups: int = 4
    page_size: int = 500


@dataclass(frozen=True, kw_only=True)
class Question:
    """One search over a group of patients, and the check of what comes."""

    resource_type: str
    filters: tuple[tuple[str, str], ...] = ()
    accepts: Callable[[Resource], bool] = lambda resource: True
    patient_param: str = "patient"

    @property
    def needed(self) -> bool:
        return self.resource_type in NEEDED

    def params(self, patients: tuple[str, ...], page_size: int) -> tuple[tuple[str, str], ...]:
        if self.patient_param == "_id":
            who = ",".join(patients)
        else:
            # Some servers find nothing for a bare id: the reference is typed.
            who = ",".join(f"Patient/{patient}" for patient in patients)
        return ((self.patient_param, who), *self.filters, ("_count", str(page_size)), ("_total", "accurate"))


def census_question(plan: ReadPlan) -> Question:
    """Who is in the hospital now."""

    def is_inpatient(resource: Resource) -> bool:
        if not isinstance(resource, Encounter) or resource.status != "in-progress":
            return False
        kind = resource.class_
        return kind is not None and kind.system in (None, ACT_CODES) and kind.code in plan.inpatient_classes

    return Question(
        resource_type="Encounter",
        filters=(("status", "in-progress"), ("class", ",".join(sorted(plan.inpatient_classes)))),
        accepts=is_inpatient,
    )


def chart_questions(plan: ReadPlan, now: datetime) -> tuple[Question, ...]:
    """Everything a chart is made of, except what its resources point to."""
    labs, coded = _Window(now - plan.laboratory_look_back), _Window(now - plan.observation_look_back)
    orders, drugs = _Window(now - plan.order_look_back), _Window(now - plan.medication_look_back)
    tokens = frozenset(_split_token(token) for token in plan.observation_codes)

    def is_wanted_observation(resource: Resource) -> bool:
        if not isinstance(resource, Observation):
            return False
        if _has_token(resource.code, tokens):
            return coded.holds(*_observation_times(resource))
        is_lab = any(c.code == "laboratory" for concept in resource.category for c in concept.coding)
        return is_lab and labs.holds(*_observation_times(resource))

    def is_recent_order(resource: Resource) -> bool:
        return isinstance(resource, ServiceRequest) and (
            resource.status == "active" or orders.holds(resource.authored_on)
        )

    def is_recent_specimen(resource: Resource) -> bool:
        if not isinstance(resource, Specimen) or resource.collection is None:
            return isinstance(resource, Specimen)
        period = resource.collection.collected_period
        return orders.holds(resource.collection.collected_date_time, period.end if period else None)

    def is_recent_prescription(resource: Resource) -> bool:
        return isinstance(resource, MedicationRequest) and (
            resource.status == "active" or drugs.holds(resource.authored_on)
        )

    def is_recent_administration(resource: Resource) -> bool:
        if not isinstance(resource, MedicationAdministration):
            return False
        period = resource.effective_period
        if period is not None and period.end is None:
            return True  # begun, not ended
        return drugs.holds(resource.effective_date_time, period.end if period else None)

    observations = (
        Question(
            resource_type="Observation",
            filters=(("category", "laboratory"), ("date", labs.asked)),
            accepts=is_wanted_observation,
        ),
        Question(
            resource_type="Observation",
            filters=(("code", ",".join(plan.observation_codes)), ("date", coded.asked)),
            accepts=is_wanted_observation,
        ),
    )
    return (
        Question(resource_type="Patient", patient_param="_id"),
        Question(resource_type="Encounter"),
        *(observations if plan.observation_codes else observations[:1]),
        Question(resource_type="NutritionOrder"),
        Question(resource_type="ServiceRequest", filters=(("authored", orders.asked),), accepts=is_recent_order),
        Question(resource_type="ServiceRequest", filters=(("status", "active"),), accepts=is_recent_order),
        Question(resource_type="Specimen", filters=(("collected", orders.asked),), accepts=is_recent_specimen),
        Question(resource_type="MedicationRequest", filters=(("status", "active"),), accepts=is_recent_prescription),
        Question(
            resource_type="MedicationRequest",
            filters=(("authoredon", drugs.asked),),
            accepts=is_recent_prescription,
        ),
        Question(
            resource_type="MedicationAdministration",
            filters=(("effective-time", drugs.asked),),
            accepts=is_recent_administration,
        ),
        Question(resource_type="Condition"),
        Question(resource_type="Flag"),
        Question(resource_type="RiskAssessment"),
        Question(resource_type="Goal"),
    )


def inbox_questions(plan: ReadPlan) -> tuple[Question, ...]:
    """What we left before, open and past.

    The identifier system is checked here and not asked for: a server that misreads `identifier=system|` would
    answer with nothing, and nothing would look like an empty inbox.
    """

    def is_ours(resource: Resource) -> bool:
        identifiers = getattr(resource, "identifier", ())
        return any(identifier.system in plan.inbox_systems for identifier in identifiers)

    return (
        Question(resource_type="Task", accepts=is_ours),
        Question(resource_type="CommunicationRequest", accepts=is_ours),
    )


def not_offered(resource_type: str) -> Problem:
    text = f"the server does not offer {resource_type}: nothing of it was read"
    return Problem(code="not-offered", text=text, reference=resource_type)


def _split_token(token: str) -> tuple[str | None, str]:
    system, _, code = token.rpartition("|")
    return system or None, code


def _has_token(concept: CodeableConcept | None, tokens: frozenset[tuple[str | None, str]]) -> bool:
    return concept is not None and any((coding.system, coding.code) in tokens for coding in concept.coding)


def _observation_times(observation: Observation) -> tuple[str | None, ...]:
    period = observation.effective_period
    return observation.effective_date_time, observation.effective_instant, period.end if period else None


class _Window:
    """What is recent enough to be read. `asked` is how a search asks for it."""

    def __init__(self, since: datetime) -> None:
        # A day early and without a time of day: servers differ in time zones, and the exact check is made here.
        self.asked = f"ge{(since.astimezone(UTC) - timedelta(days=1)).date().isoformat()}"
        self._oldest = since - timedelta(days=2)
        self._horizon = self._oldest.date().isoformat()

    def holds(self, *texts: str | None) -> bool:
        """False only if every time given is surely too old: what cannot be dated here is kept for the mapping."""
        given = [text for text in texts if text]
        for text in given:
            if text[:10] >= self._horizon:
                return True  # ISO dates sort as text: no need to parse what is recent, nor to drop what is no date
        try:
            times = [parse_fhir_time(text, UTC) for text in given]
        except ValueError:
            return True
        return not times or any(time.latest >= self._oldest for time in times)
