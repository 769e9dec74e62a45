"""The services on offer, and what a client may send along with a call."""

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

from andante.chart.questions import Question, ReadPlan, chart_questions
from andante.wording import CAUTION

Json = dict[str, Any]
_PATIENT = "{{context.patientId}}"
# What resources point to and what has no patient of its own: without it a drug or a bed could not be told.
_INCLUDES = {
    "Encounter": ("Encounter:location",),
    "MedicationRequest": ("MedicationRequest:medication",),
    "MedicationAdministration": ("MedicationAdministration:medication",),
    "Observation": ("Observation:specimen",),
}
_WORD = re.compile(r"(?<!^)(?=[A-Z])")


class Hook(StrEnum):
    PATIENT_VIEW = "patient-view"
    ORDER_SELECT = "order-select"
    ORDER_SIGN = "order-sign"


@dataclass(frozen=True, kw_only=True)
class Offer:
    """One service: for which hook, and its words."""

    hook: Hook
    title: str
    description: str

    @property
    def id(self) -> str:
        return f"andante-{self.hook.value}"


_DRAFTS = (
    "Sums what a draft nutrition order brings with everything else that runs, and warns where that is more than the "
    "step, the goal, the first day's allowance or the evidence allows. "
)
OFFERS = {
    offer.id: offer
    for offer in (
        Offer(
            hook=Hook.PATIENT_VIEW,
            title="Refeeding: where this patient stands",
            description="The present advice on energy for an adult inpatient at risk of refeeding syndrome. " + CAUTION,
        ),
        Offer(
            hook=Hook.ORDER_SELECT,
            title="Refeeding: a nutrition order being chosen",
            description=_DRAFTS + CAUTION,
        ),
        Offer(
            hook=Hook.ORDER_SIGN,
            title="Refeeding: a nutrition order about to be signed",
            description=_DRAFTS + CAUTION,
        ),
    )
}


def discovery(plan: ReadPlan, now: datetime) -> Json:
    """The answer to `GET /cds-services`."""
    prefetch = templates(plan, now)
    requirements = "Reads the FHIR server it is set up with where the prefetch is not whole."
    return {
        "services": [
            {
                "hook": offer.hook.value,
                "id": offer.id,
                "title": offer.title,
                "description": offer.description,
                "prefetch": prefetch,
                "usageRequirements": requirements,
            }
            for offer in OFFERS.values()
        ]
    }


def templates(plan: ReadPlan, now: datetime) -> dict[str, str]:
    """By key, the very searches that a round asks. Their dates are those of today: a client that keeps them longer
    sends more than is needed, never less."""
    questions = chart_questions(plan, now)
    return {key: _template(question) for key, question in zip(_keys(questions), questions, strict=True)}


def _keys(questions: tuple[Question, ...]) -> Iterator[str]:
    seen: Counter[str] = Counter()
    for question in questions:
        name = _WORD.sub("-", question.resource_type).lower()
        seen[name] += 1
        yield name if seen[name] == 1 else f"{name}-{seen[name]}"


def _template(question: Question) -> str:
    kind = question.resource_type
    if question.patient_param == "_id":
        return f"{kind}/{_PATIENT}"
    parts = [f"{question.patient_param}={_PATIENT}", *(f"{name}={value}" for name, value in question.filters)]
    parts += [f"_include={include}" for include in _INCLUDES.get(kind, ())]
    return f"{kind}?{'&'.join(parts)}"
