"""Medication requests and administrations: vitamins, replacements, energy-bearing drugs, drug history."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal

from andante.chart.datatypes import Dosage, Quantity
from andante.chart.infusions import distrusted_order, is_as_needed, order_of_administration, order_of_request
from andante.chart.medication import Drug, identify
from andante.chart.models import MedicationAdministration, MedicationRequest
from andante.chart.modifiers import has_modifiers
from andante.chart.schedule import read_schedule
from andante.chart.sheet import Sheet, written
from andante.chart.statuses import ended_at, standing_of
from andante.chart.units import Unreadable, amount, to
from andante.domain.picture import (
    EnergyOrder,
    Finding,
    FindingKind,
    OrderState,
    ReplacementDose,
    ReplacementOrder,
    Vitamin,
    VitaminDose,
    VitaminOrder,
)

Found = EnergyOrder | VitaminOrder | VitaminDose | ReplacementDose | ReplacementOrder | Finding
_NOT_GIVEN = frozenset({"not-done", "entered-in-error"})
_SURELY_GIVEN = frozenset({"completed", "in-progress"})


@dataclass(frozen=True, slots=True, kw_only=True)
class DrugChart:
    """What the medication of a patient says."""

    energy_orders: list[EnergyOrder] = field(default_factory=list)
    vitamin_orders: list[VitaminOrder] = field(default_factory=list)
    vitamin_doses: list[VitaminDose] = field(default_factory=list)
    replacements: list[ReplacementDose] = field(default_factory=list)
    replacement_orders: list[ReplacementOrder] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    def take(self, item: Found) -> None:
        match item:
            case EnergyOrder():
                self.energy_orders.append(item)
            case VitaminOrder():
                self.vitamin_orders.append(item)
            case VitaminDose():
                self.vitamin_doses.append(item)
            case ReplacementDose():
                self.replacements.append(item)
            case ReplacementOrder():
                self.replacement_orders.append(item)
            case Finding():
                self.findings.append(item)


def read_drugs(sheet: Sheet) -> DrugChart:
    """Everything the rules may use of requests and administrations."""
    found = DrugChart()
    known: list[tuple[str, EnergyOrder, frozenset[str]]] = []

    def requested(request: MedicationRequest) -> Iterator[Found]:
        drug = identify(sheet, request)
        for item in _read_request(sheet, request, drug):
            if isinstance(item, EnergyOrder):
                known.append((request.key, item, drug.codes))
            yield item

    for item in sheet.gather(sheet.chart.medication_requests, requested, vital=True):
        found.take(item)
    for item in sheet.gather(
        sheet.chart.medication_administrations, lambda given: _read_administration(sheet, given, known), vital=True
    ):
        found.take(item)
    return found


def _read_request(sheet: Sheet, request: MedicationRequest, drug: Drug) -> Iterator[Found]:
    if drug.kind is None and not drug.vitamins and not drug.replaces and not drug.is_history:
        return
    if request.do_not_perform:
        sheet.note("do-not-perform", "is an order not to give something; not counted", request)
        return
    standing = standing_of(sheet, request)
    if standing is None:
        return
    if has_modifiers(request):
        sheet.is_plain(request)
        if drug.kind is not None:
            problem = "a modifier extension may change its meaning"
            yield distrusted_order(sheet, request, drug, drug.kind, standing.state, problem)
        return
    if drug.is_history and standing.state is not OrderState.PLANNED:
        recorded = sheet.instant(request.authored_on, request)
        yield _history(drug, recorded, request.reference)
    if drug.kind is not None:
        yield from order_of_request(sheet, request, drug, drug.kind, standing)
    if drug.replaces and standing.state is OrderState.ACTIVE:
        yield from _replacement_orders(sheet, request, drug)
    for vitamin in sorted(drug.vitamins):
        # One order for each dosage, so that a loading dose does not pass for the daily one.
        dosages: tuple[Dosage | None, ...] = request.dosage_instruction or (None,)
        for dosage in dosages:
            yield _vitamin_order(sheet, request, drug, vitamin, dosage, standing.state)


def _replacement_orders(sheet: Sheet, request: MedicationRequest, drug: Drug) -> Iterator[ReplacementOrder]:
    """Not what is given only when needed: that it is ordered says nothing of whether it is."""
    authored = sheet.instant(request.authored_on, request)
    dosages: tuple[Dosage | None, ...] = request.dosage_instruction or (None,)
    for dosage in dosages:
        if dosage is not None and is_as_needed(dosage):
            continue
        schedule = read_schedule(sheet, dosage.timing if dosage else None, authored, request)
        yield ReplacementOrder(
            analytes=drug.replaces, start=schedule.start, end=schedule.end, text=drug.name, source=request.reference
        )


def _vitamin_order(
    sheet: Sheet,
    request: MedicationRequest,
    drug: Drug,
    vitamin: Vitamin,
    dosage: Dosage | None,
    state: OrderState,
) -> VitaminOrder:
    authored = sheet.instant(request.authored_on, request)
    schedule = read_schedule(sheet, dosage.timing if dosage else None, authored, request)
    daily: Decimal | None = None
    if dosage is not None and drug.dosed_as is vitamin and not is_as_needed(dosage):
        per_day = schedule.per_day if schedule.problem is None else None
        doses = dosage.dose_and_rate
        mg = _mg(sheet, request, doses[0].dose_quantity) if len(doses) == 1 else None
        daily = mg * per_day if mg is not None and per_day is not None else None
    ended = ended_at(sheet, request, state, schedule.end)
    return VitaminOrder(
        vitamin=vitamin,
        state=state,
        daily_mg=daily,
        start=schedule.start,
        end=ended or schedule.end,
        source=request.reference,
    )


def _mg(sheet: Sheet, source: MedicationRequest | MedicationAdministration, dose: Quantity | None) -> Decimal | None:
    """A dose in mg; None where it is not stated as a mass."""
    try:
        value, notes = amount(dose, to("mg"), sheet.codes)
    except Unreadable:
        return None
    sheet.note_units(notes, source)
    return value


def _read_administration(
    sheet: Sheet,
    given: MedicationAdministration,
    known: list[tuple[str, EnergyOrder, frozenset[str]]],
) -> Iterator[Found]:
    drug = identify(sheet, given)
    if drug.kind is None and not drug.vitamins and not drug.replaces and not drug.is_history:
        return
    if given.status in _NOT_GIVEN:
        if given.status == "entered-in-error":
            sheet.note("void-administration", "is entered in error; left out", given)
        return
    if drug.kind is not None:
        yield from order_of_administration(sheet, given, drug, drug.kind, known)
    if not sheet.is_plain(given):
        return
    start, end = _given_at(sheet, given)
    if drug.is_history:
        yield _history(drug, start, given.reference)
    if not drug.vitamins and not drug.replaces:
        return
    if start is None:
        sheet.note("administration-without-time", "does not say when it was given; not counted", given)
        return
    dose = given.dosage.dose if given.dosage else None
    if drug.replaces:
        # A dose broken off counts too: it can only make the rules more careful.
        yield ReplacementDose(
            analytes=drug.replaces,
            given=start,
            ended=end,
            running=given.status == "in-progress" and end is None,
            text=f"{drug.name} {written(dose)}".strip(),
            source=given.reference,
        )
    if drug.vitamins and given.status not in _SURELY_GIVEN:
        sheet.note("dose-not-counted", "a vitamin dose was not surely given; not counted", given)
        return
    for vitamin in sorted(drug.vitamins):
        mg = _mg(sheet, given, dose) if drug.dosed_as is vitamin else None
        yield VitaminDose(vitamin=vitamin, given=start, mg=mg, source=given.reference)


def _given_at(sheet: Sheet, given: MedicationAdministration) -> tuple[datetime | None, datetime | None]:
    """The oldest start; and the newest end, where the administration took time or is not dated exactly."""
    if given.effective_period is not None:
        return sheet.span(given.effective_period, given)
    time = sheet.time(given.effective_date_time, given)
    if time is None:
        return None, None
    return time.earliest, None if time.precise else time.latest


def _history(drug: Drug, recorded: datetime | None, source: str) -> Finding:
    return Finding(kind=FindingKind.DRUG_HISTORY, text=drug.name, recorded=recorded, source=source)
