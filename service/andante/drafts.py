"""Orders that somebody is about to sign, on the one path there is: chart → picture → rules. Nothing is written."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from andante.assess import Basis
from andante.chart.chart import Chart
from andante.chart.models import MedicationRequest, NutritionOrder
from andante.chart.to_picture import to_picture
from andante.domain.advice import Assessment
from andante.domain.picture import Picture
from andante.rules import evaluate
from andante.rules.draft import Weighed, weigh

Draft = NutritionOrder | MedicationRequest


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What is advised for the patient, and how the drafts compare with it. `notes` are about reading the drafts."""

    assessment: Assessment
    weighed: Weighed
    notes: tuple[str, ...] = ()


def weigh_drafts(
    chart: Chart, drafts: Sequence[Draft], basis: Basis, *, now: datetime, unread: Sequence[str] = ()
) -> Verdict | None:
    """Weigh drafts for the patient of the chart, as planned orders; their ids must not be among the chart's.

    `unread` says in words what is wrong with drafts that could not even be decoded: then nothing can be summed.
    None where they bring no energy, or the protocol has nothing to say about the patient.
    """
    proposed = _picture_of_drafts(chart, drafts, basis)
    unread = (*unread, *proposed.incomplete)
    if not unread and all(order.nil_by_mouth for order in proposed.energy_orders):
        return None
    picture = to_picture(chart, basis.codes, basis.zone)
    with_drafts = replace(picture, energy_orders=(*picture.energy_orders, *proposed.energy_orders))
    judged, assessment = picture, evaluate(picture, basis.protocol, now)
    planned = evaluate(with_drafts, basis.protocol, now)
    # A draft may make a patient one to be watched, and gives the advice its own density and pump rate. It never
    # changes the decision for a patient who is watched already: that is the one for the chart without it.
    if assessment.advice.code.is_silent or planned.advice.code is assessment.advice.code:
        judged, assessment = with_drafts, planned
    weighed = weigh(judged, basis.protocol, now, drafts=proposed.energy_orders)
    if weighed is None:
        return None
    if unread:
        weighed = replace(weighed, brings=None, beside=None, instead=None, problems=(*weighed.problems, *unread))
    notes = tuple(dict.fromkeys(note.text for note in proposed.notes if note.source.startswith(_KINDS)))
    return Verdict(assessment=assessment, weighed=weighed, notes=notes)


_KINDS = ("NutritionOrder/", "MedicationRequest/")


def _picture_of_drafts(chart: Chart, drafts: Sequence[Draft], basis: Basis) -> Picture:
    """The drafts alone, read by the same mapping, so that what is noted about them is about them."""
    alone = Chart(
        patient_id=chart.patient_id,
        patient=chart.patient,
        nutrition_orders=tuple(draft for draft in drafts if isinstance(draft, NutritionOrder)),
        medication_requests=tuple(draft for draft in drafts if isinstance(draft, MedicationRequest)),
        medications=chart.medications,
        aliases=chart.aliases,
    )
    return to_picture(alone, basis.codes, basis.zone)
