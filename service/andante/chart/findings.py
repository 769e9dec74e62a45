"""Coded findings, a clinician's own risk entries, and stated energy goals."""

from collections.abc import Iterator
from decimal import Decimal

from andante.chart.codes import OBSERVED_FINDINGS
from andante.chart.datatypes import CodeableConcept
from andante.chart.models import Condition, Flag, Goal, Observation, RiskAssessment
from andante.chart.sheet import Sheet, label
from andante.chart.statuses import firmness_of
from andante.chart.units import Unreadable, amount, to
from andante.domain.picture import EnergyGoal, Finding, RiskEntry

Found = Finding | RiskEntry
_CLINICAL = "http://terminology.hl7.org/CodeSystem/condition-clinical"
_VERIFICATION = "http://terminology.hl7.org/CodeSystem/condition-ver-status"
_PRESENT = frozenset({"active", "recurrence", "relapse"})
_GONE = frozenset({"inactive", "remission", "resolved"})
_GOALS_IN_FORCE = frozenset({"accepted", "active"})
_GOALS_VOID = frozenset({"entered-in-error", "cancelled", "rejected"})


def read_findings(sheet: Sheet) -> tuple[list[Finding], list[RiskEntry]]:
    """Findings and risk entries from Conditions, Flags, RiskAssessments and Observations."""
    chart = sheet.chart
    found: list[Found] = []
    found += sheet.gather(chart.conditions, lambda condition: _read_condition(sheet, condition))
    found += sheet.gather(chart.flags, lambda flag: _read_flag(sheet, flag))
    found += sheet.gather(chart.risk_assessments, lambda risk: _read_assessment(sheet, risk))
    found += sheet.gather(chart.observations, lambda observation: _read_observation(sheet, observation))
    return (
        [item for item in found if isinstance(item, Finding)],
        [item for item in found if isinstance(item, RiskEntry)],
    )


def _read_condition(sheet: Sheet, condition: Condition) -> Iterator[Found]:
    entries = sheet.codes.findings.among(condition.code)
    risks = sheet.codes.risks.among(condition.code)
    if not entries and not risks:
        return
    if not _is_confirmed(sheet, condition) or not _is_present(sheet, condition):
        return
    if not sheet.is_plain(condition):
        return
    recorded = sheet.instant(condition.recorded_date, condition)
    if recorded is None:
        recorded = sheet.instant(condition.onset_date_time, condition)
    for kind in dict.fromkeys(entry.kind for entry in entries):
        yield Finding(
            kind=kind,
            text=label(condition.code, kind.value),
            severity=_severity(sheet, condition.severity),
            recorded=recorded,
            source=condition.reference,
        )
    for tier in dict.fromkeys(entry.tier for entry in risks):
        yield RiskEntry(tier=tier, recorded=recorded, source=condition.reference)


def _is_confirmed(sheet: Sheet, condition: Condition) -> bool:
    stated = condition.verification_status
    codes = stated.codes(_VERIFICATION) if stated else ()
    if stated is None or "confirmed" in codes:
        return True
    if "refuted" in codes or "entered-in-error" in codes:
        sheet.note("void-condition", "is refuted or entered in error; left out", condition)
    else:
        sheet.note("unconfirmed-condition", "is not confirmed; not used", condition)
    return False


def _is_present(sheet: Sheet, condition: Condition) -> bool:
    if any(
        (
            condition.abatement_date_time,
            condition.abatement_age,
            condition.abatement_period,
            condition.abatement_range,
            condition.abatement_string,
        )
    ):
        return False
    stated = condition.clinical_status
    codes = set(stated.codes(_CLINICAL)) if stated else set()
    if codes & _GONE:
        return False
    if not codes & _PRESENT:
        # Overlooking a risk is the worse error, and it is said.
        sheet.note("condition-status-unknown", "does not say whether it is active; taken as active", condition)
    return True


def _read_flag(sheet: Sheet, flag: Flag) -> Iterator[Found]:
    entries = sheet.codes.findings.among(flag.code)
    risks = sheet.codes.risks.among(flag.code)
    if not entries and not risks:
        return
    if flag.status in ("inactive", "entered-in-error"):
        if flag.status == "entered-in-error":
            sheet.note("void-flag", "is entered in error; left out", flag)
        return
    if flag.status != "active":
        sheet.note("unknown-status", "a flag does not say whether it is active; taken as active", flag)
    if not sheet.is_plain(flag):
        return
    recorded = sheet.span(flag.period, flag)[0]
    for kind in dict.fromkeys(entry.kind for entry in entries):
        yield Finding(kind=kind, text=label(flag.code, kind.value), recorded=recorded, source=flag.reference)
    for tier in dict.fromkeys(entry.tier for entry in risks):
        yield RiskEntry(tier=tier, recorded=recorded, source=flag.reference)


def _read_assessment(sheet: Sheet, risk: RiskAssessment) -> Iterator[Found]:
    outcomes = [concept for each in risk.prediction for concept in (each.outcome, each.qualitative_risk)]
    risks = sheet.codes.risks.among(risk.code, *outcomes)
    if not risks:
        return
    if risk.status in ("entered-in-error", "cancelled"):
        sheet.note("void-assessment", f"is {risk.status}; left out", risk)
        return
    if not sheet.is_plain(risk):
        return
    recorded = sheet.instant(risk.occurrence_date_time, risk)
    if recorded is None:
        recorded = sheet.span(risk.occurrence_period, risk)[0]
    for tier in dict.fromkeys(entry.tier for entry in risks):
        yield RiskEntry(tier=tier, recorded=recorded, source=risk.reference)


def _read_observation(sheet: Sheet, observation: Observation) -> Iterator[Found]:
    """A physical examination: the finding as code, its severity as value."""
    entries = [e for e in sheet.codes.findings.among(observation.code) if e.kind in OBSERVED_FINDINGS]
    if not entries or firmness_of(sheet, observation) is None or not sheet.is_plain(observation):
        return
    severity = _severity(sheet, observation.value_codeable_concept)
    if observation.value_boolean is False:
        return
    if severity is None and observation.value_boolean is None:
        sheet.note("unreadable-finding", "an examination states no severity that can be read", observation)
        return
    period = observation.effective_period
    recorded = (
        sheet.span(period, observation)[0]
        if period is not None
        else sheet.instant(observation.effective_date_time or observation.effective_instant, observation)
    )
    for kind in dict.fromkeys(entry.kind for entry in entries):
        yield Finding(
            kind=kind,
            text=label(observation.code, kind.value),
            severity=severity,
            recorded=recorded,
            source=observation.reference,
        )


def _severity(sheet: Sheet, concept: CodeableConcept | None) -> str | None:
    """None where not coded, or where the codings contradict each other."""
    found = {entry.severity for entry in sheet.codes.severities.among(concept)}
    return found.pop() if len(found) == 1 else None


def read_goals(sheet: Sheet) -> list[EnergyGoal]:
    """Energy goals stated by a clinician."""
    return sheet.gather(sheet.chart.goals, lambda goal: _read_goal(sheet, goal))


def _read_goal(sheet: Sheet, goal: Goal) -> Iterator[EnergyGoal]:
    targets = [target for target in goal.target if sheet.codes.energy_goals.among(target.measure)]
    if not targets:
        return
    if goal.lifecycle_status not in _GOALS_IN_FORCE:
        void = goal.lifecycle_status in _GOALS_VOID
        sheet.note("void-goal" if void else "goal-not-in-force", "an energy goal is not in force; not used", goal)
        return
    plain = sheet.is_plain(goal)
    stated = sheet.instant(goal.status_date or goal.start_date, goal)
    for target in targets:
        kcal, problem = None, None
        try:
            if not plain:
                raise Unreadable("a modifier extension may change its meaning")
            kcal = _kcal_per_day(sheet, goal, target)
        except Unreadable as error:
            problem = f"an energy goal cannot be read: {error}"
            sheet.note("unreadable-goal", problem, goal)
        yield EnergyGoal(kcal_day=kcal, stated=stated, problem=problem, source=goal.reference)


def _kcal_per_day(sheet: Sheet, goal: Goal, target: Goal.Target) -> Decimal:
    if target.detail_range is not None:
        raise Unreadable("it is a range, not one number")
    value, notes = amount(target.detail_quantity, to("kcal/d"), sheet.codes)
    sheet.note_units(notes, goal)
    return value
