"""Findings, risk entries and goals: coded, present, confirmed, or set aside by name."""

from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import pytest

from andante.domain.picture import FindingKind
from charts import MODIFIER, OURS, SNOMED, TERMINOLOGY, Json, a_resource, concept, note_codes, picture_of, quantity

ICD = "http://hl7.org/fhir/sid/icd-10"
RECORDED = datetime(2026, 3, 1, 8, tzinfo=UTC)


def clinical(code: str) -> Json:
    return concept((f"{TERMINOLOGY}/condition-clinical", code))


def verified(code: str) -> Json:
    return concept((f"{TERMINOLOGY}/condition-ver-status", code))


def a_condition(code: Json | None = None, **elements: Any) -> Json:
    whole = {
        "clinicalStatus": clinical("active"),
        "verificationStatus": verified("confirmed"),
        "code": code or concept((ICD, "F50.0")),
        "recordedDate": "2026-03-01T08:00:00Z",
    } | elements
    return a_resource("Condition", "problem", **whole)


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        ((ICD, "O24.4"), FindingKind.PREGNANCY),
        ((ICD, "Z33"), FindingKind.PREGNANCY),
        ((SNOMED, "77386006"), FindingKind.PREGNANCY),
        ((ICD, "N17.9"), FindingKind.RENAL_IMPAIRMENT),
        ((ICD, "Z99.2"), FindingKind.RENAL_IMPAIRMENT),
        ((SNOMED, "709044004"), FindingKind.RENAL_IMPAIRMENT),
        ((ICD, "F10.2"), FindingKind.ALCOHOL_OR_DRUGS),
        ((SNOMED, "7200002"), FindingKind.ALCOHOL_OR_DRUGS),
        ((ICD, "C18.7"), FindingKind.COMORBIDITY),
        ((ICD, "K91.2"), FindingKind.COMORBIDITY),
        ((ICD, "E43"), FindingKind.COMORBIDITY),
        ((ICD, "E51.2"), FindingKind.THIAMINE_DEFICIENCY),
        ((SNOMED, "21007002"), FindingKind.THIAMINE_DEFICIENCY),
        ((ICD, "R60.0"), FindingKind.FLUID_OVERLOAD),
        ((ICD, "Z89.5"), FindingKind.AMPUTATION),
        ((OURS, "muscle-loss"), FindingKind.MUSCLE_LOSS),
        ((OURS, "subcutaneous-fat-loss"), FindingKind.FAT_LOSS),
        ((ICD, "I10"), None),
        ((ICD, "K91.3"), None),
    ],
)
def test_a_condition_is_a_finding_by_its_code(code: tuple[str, str], kind: FindingKind | None) -> None:
    findings = picture_of(a_condition(concept(code))).findings
    assert [(found.kind, found.recorded) for found in findings] == ([(kind, RECORDED)] if kind else [])


@pytest.mark.parametrize(
    ("elements", "counts", "note"),
    [
        ({}, True, None),
        ({"clinicalStatus": clinical("relapse")}, True, None),
        ({"clinicalStatus": clinical("recurrence")}, True, None),
        ({"clinicalStatus": clinical("resolved")}, False, None),
        ({"clinicalStatus": clinical("remission")}, False, None),
        ({"clinicalStatus": clinical("inactive")}, False, None),
        ({"clinicalStatus": None}, True, "condition-status-unknown"),
        ({"clinicalStatus": None, "abatementDateTime": "2025-01-01"}, False, None),
        ({"verificationStatus": None}, True, None),
        ({"verificationStatus": verified("refuted")}, False, "void-condition"),
        ({"verificationStatus": verified("entered-in-error")}, False, "void-condition"),
        ({"verificationStatus": verified("provisional")}, False, "unconfirmed-condition"),
        ({"verificationStatus": verified("differential")}, False, "unconfirmed-condition"),
        ({"modifierExtension": MODIFIER}, False, "modifier-extension"),
        ({"subject": {"reference": "Patient/p2"}}, False, "other-patient"),
    ],
)
def test_a_finding_is_present_and_confirmed(elements: Json, counts: bool, note: str | None) -> None:
    picture = picture_of(a_condition(**elements))
    assert bool(picture.findings) is counts
    assert note_codes(picture) == ({note} if note else set())


@pytest.mark.parametrize(
    ("severity", "found"),
    [
        (concept((SNOMED, "255604002")), "mild"),
        (concept((SNOMED, "6736007")), "moderate"),
        (concept((SNOMED, "24484000")), "severe"),
        (concept((SNOMED, "24484000"), (SNOMED, "6736007")), None),
        ({"text": "severe"}, None),
        (None, None),
    ],
)
def test_severity_is_coded(severity: Json | None, found: str | None) -> None:
    (finding,) = picture_of(a_condition(severity=severity)).findings
    assert finding.severity == found


# --------------------------------------------------------------------------- examination


def an_examination(**elements: Any) -> Json:
    whole = {
        "status": "final",
        "code": concept((OURS, "muscle-loss")),
        "effectiveDateTime": "2026-03-01T08:00:00Z",
    } | elements
    return a_resource("Observation", "exam", **whole)


@pytest.mark.parametrize(
    ("value", "severities"),
    [
        ({"valueCodeableConcept": concept((SNOMED, "24484000"))}, ["severe"]),
        ({"valueBoolean": True}, [None]),
        ({"valueBoolean": False}, []),
        ({"valueCodeableConcept": {"text": "severe"}}, []),
        ({"valueString": "severe"}, []),
        ({}, []),
    ],
)
def test_an_examination_is_a_finding_with_its_severity_as_value(value: Json, severities: list[str | None]) -> None:
    assert [finding.severity for finding in picture_of(an_examination(**value)).findings] == severities


def test_an_examination_without_a_readable_severity_is_noted() -> None:
    assert note_codes(picture_of(an_examination(valueString="severe"))) == {"unreadable-finding"}


# --------------------------------------------------------------------------- risk entries


def a_flag(code: str, **elements: Any) -> Json:
    whole = {
        "status": "active",
        "code": concept((OURS, code)),
        "period": {"start": "2026-03-01T08:00:00Z"},
    } | elements
    return a_resource("Flag", "flag", **whole)


@pytest.mark.parametrize("tier", ["moderate", "severe"])
def test_a_clinicians_risk_entry_comes_as_flag_condition_or_assessment(tier: str) -> None:
    code = f"refeeding-risk-{tier}"
    predicted = [{"outcome": concept((OURS, code))}]
    for resource in (
        a_flag(code),
        a_condition(concept((OURS, code))),
        a_resource(
            "RiskAssessment",
            "risk",
            status="final",
            prediction=predicted,
            occurrenceDateTime="2026-03-01T08:00:00Z",
        ),
        a_resource(
            "RiskAssessment",
            "risk",
            status="preliminary",
            code=concept((OURS, code)),
            occurrencePeriod={"start": "2026-03-01T08:00:00Z"},
        ),
    ):
        entries = picture_of(resource).risk_entries
        assert [(entry.tier, entry.recorded) for entry in entries] == [(tier, RECORDED)]


def test_organ_dysfunction_is_a_finding() -> None:
    assert [f.kind for f in picture_of(a_flag("organ-dysfunction")).findings] == [FindingKind.ORGAN_DYSFUNCTION]


@pytest.mark.parametrize(
    ("elements", "counts", "note"),
    [
        ({"status": "inactive"}, False, None),
        ({"status": "entered-in-error"}, False, "void-flag"),
        ({"status": "raised"}, True, "unknown-status"),
        ({"modifierExtension": MODIFIER}, False, "modifier-extension"),
    ],
)
def test_which_flags_count(elements: Json, counts: bool, note: str | None) -> None:
    picture = picture_of(a_flag("refeeding-risk-severe", **elements))
    assert bool(picture.risk_entries) is counts
    assert note_codes(picture) == ({note} if note else set())


@pytest.mark.parametrize(
    "resource",
    [
        a_flag("refeeding-risk-severe") | {"code": {"text": "refeeding risk"}},
        a_resource("RiskAssessment", "r", status="final", code={"text": "refeeding risk, severe"}),
        a_resource(
            "RiskAssessment",
            "r",
            status="final",
            code=concept((OURS, "refeeding-risk-severe")),
            modifierExtension=MODIFIER,
        ),
    ],
)
def test_text_alone_and_modified_entries_are_no_risk_entry(resource: Json) -> None:
    assert picture_of(resource).risk_entries == ()


def test_a_condition_without_a_record_date_is_dated_by_its_onset() -> None:
    onset = a_condition(recordedDate=None, onsetDateTime="2026-03-01T08:00:00Z")
    assert picture_of(onset).findings[0].recorded == RECORDED


@pytest.mark.parametrize("status", ["entered-in-error", "cancelled"])
def test_a_void_assessment_is_noted(status: str) -> None:
    risk = a_resource("RiskAssessment", "risk", status=status, code=concept((OURS, "refeeding-risk-severe")))
    picture = picture_of(risk)
    assert (picture.risk_entries, note_codes(picture)) == ((), {"void-assessment"})


# --------------------------------------------------------------------------- goals


def a_goal(detail: Json | None = None, **elements: Any) -> Json:
    target = {"measure": concept((OURS, "energy-goal"))} | (detail or {"detailQuantity": quantity(1800, "kcal/d")})
    whole = {"lifecycleStatus": "active", "statusDate": "2026-03-01", "target": [target]} | elements
    return a_resource("Goal", "goal", **whole)


@pytest.mark.parametrize(
    ("detail", "kcal"),
    [
        ({"detailQuantity": quantity(1800, "kcal/d")}, "1800"),
        ({"detailQuantity": quantity(1800, "kcal/(24.h)")}, "1800"),
        ({"detailQuantity": quantity("7531.2", "kJ/d")}, "1800"),
        ({"detailQuantity": quantity(1800, "kcal")}, None),
        ({"detailQuantity": quantity(30, "kcal/kg/d")}, None),
        ({"detailQuantity": quantity(0, "kcal/d")}, None),
        ({"detailQuantity": quantity(1800, None)}, None),
        ({"detailRange": {"low": quantity(1600, "kcal/d"), "high": quantity(1800, "kcal/d")}}, None),
        ({"detailString": "1800 kcal"}, None),
    ],
)
def test_an_energy_goal_is_kcal_per_day_or_unread(detail: Json, kcal: str | None) -> None:
    picture = picture_of(a_goal(detail))
    (goal,) = picture.goals
    assert goal.kcal_day == (Decimal(kcal) if kcal else None)
    assert goal.stated == datetime(2026, 2, 28, 23, tzinfo=UTC)
    assert (goal.problem is None) is (kcal is not None)
    assert ("unreadable-goal" in note_codes(picture)) is (kcal is None)


@pytest.mark.parametrize(
    ("status", "note"),
    [
        ("accepted", None),
        ("proposed", "goal-not-in-force"),
        ("completed", "goal-not-in-force"),
        ("on-hold", "goal-not-in-force"),
        ("aktiv", "goal-not-in-force"),
        ("cancelled", "void-goal"),
        ("entered-in-error", "void-goal"),
    ],
)
def test_only_a_goal_in_force_counts(status: str, note: str | None) -> None:
    picture = picture_of(a_goal(lifecycleStatus=status))
    assert bool(picture.goals) is (note is None)
    assert note_codes(picture) == ({note} if note else set())


def test_a_goal_with_a_modifier_is_unread_and_one_for_something_else_is_none() -> None:
    assert picture_of(a_goal(modifierExtension=MODIFIER)).goals[0].kcal_day is None
    walking = {"measure": {"text": "steps"}, "detailQuantity": quantity(1800, "1")}
    assert picture_of(a_goal(target=[walking])).goals == ()
