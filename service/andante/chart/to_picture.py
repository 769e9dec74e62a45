"""From one patient's chart to the picture the rules see. Pure; a bad resource becomes a note, never an error."""

from dataclasses import replace
from datetime import tzinfo

from andante.chart.body import read_intakes, read_measurements
from andante.chart.chart import UNKNOWN_TYPE, Chart
from andante.chart.codes import CodeMap
from andante.chart.draws import read_lab_orders, read_specimens
from andante.chart.drugs import read_drugs
from andante.chart.findings import read_findings, read_goals
from andante.chart.labs import read_results
from andante.chart.models import CommunicationRequest, Task, subject_of
from andante.chart.orders import read_nutrition_orders
from andante.chart.person import read_person, read_stay
from andante.chart.sheet import Sheet
from andante.domain.picture import Picture

# What we left behind ourselves is no evidence.
_INBOX = (Task, CommunicationRequest)
_UNSURE = frozenset(
    {
        "unreadable-resource",
        "not-r4",
        "no-subject",
        "logical-subject",
        "unordered-versions",
        "shared-id",
        "other-encounter",
    }
)
# Energy that nobody could read must not look like none, nor a danger, a lower goal or a higher risk.
_MUST_BE_READ = frozenset(
    {
        "NutritionOrder",
        "MedicationRequest",
        "MedicationAdministration",
        "Condition",
        "Flag",
        "Goal",
        "RiskAssessment",
        UNKNOWN_TYPE,
    }
)


def to_picture(chart: Chart, codes: CodeMap, zone: tzinfo) -> Picture:
    """Apply the evidence rules that need FHIR; freshness, plausibility and contradiction are for the rules."""
    sheet = Sheet(chart, codes, zone)
    person = read_person(sheet)
    results, pending = read_results(sheet, person)
    collections, refused = read_specimens(sheet)
    orders, order_findings = read_nutrition_orders(sheet)
    drugs = read_drugs(sheet)
    findings, risks = read_findings(sheet)
    picture = Picture(
        patient=chart.reference,
        person=person,
        stay=read_stay(sheet),
        zone=zone,
        results=(*results, *refused),
        lab_orders=tuple(read_lab_orders(sheet)),
        collections=(*pending, *collections),
        measurements=tuple(read_measurements(sheet)),
        energy_orders=(*orders, *drugs.energy_orders),
        intakes=tuple(read_intakes(sheet)),
        goals=tuple(read_goals(sheet)),
        vitamin_orders=tuple(drugs.vitamin_orders),
        vitamin_doses=tuple(drugs.vitamin_doses),
        replacements=tuple(drugs.replacements),
        replacement_orders=tuple(drugs.replacement_orders),
        findings=(*findings, *order_findings, *drugs.findings),
        risk_entries=tuple(risks),
        versions=_versions(sheet),
    )
    _carry_problems(sheet)
    # Last, when everything has been read and noted.
    incomplete = tuple(dict.fromkeys((*chart.incomplete, *sheet.lacks)))
    return replace(picture, notes=sheet.notes, incomplete=incomplete)


def _carry_problems(sheet: Sheet) -> None:
    for problem in sheet.chart.problems:
        name = problem.reference or ""
        sheet.note(problem.code, problem.text, name)
        kind = problem.resource_type or name.partition("/")[0]
        if problem.code in _UNSURE and kind in _MUST_BE_READ:
            sheet.lack(f"{name or kind} could not be read")


def _versions(sheet: Sheet) -> tuple[str, ...]:
    """Every versioned reference the picture may rest on, sorted."""
    chart = sheet.chart
    found = set()
    for resource in chart.resources():
        subject = sheet.key_of(subject_of(resource))
        if resource.id and not isinstance(resource, _INBOX) and subject in (None, chart.reference):
            found.add(resource.reference)
    return tuple(sorted(found))
