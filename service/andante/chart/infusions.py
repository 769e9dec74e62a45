"""Drugs and fluids that carry energy, as energy orders: by request, and by an administration nobody requested."""

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal

from andante.chart.datatypes import Dosage, DoseAndRate
from andante.chart.deliveries import bounded, place_deliveries, read_deliveries
from andante.chart.medication import Drug
from andante.chart.models import MedicationAdministration, MedicationRequest
from andante.chart.schedule import Schedule
from andante.chart.sheet import Sheet
from andante.chart.statuses import Standing, ended_at, ordered_at
from andante.chart.units import Unreadable, ratio_amount
from andante.domain.picture import Delivery, EnergyKind, EnergyOrder, OrderState

_ADMINISTRATION_STATES = {
    "in-progress": OrderState.ACTIVE,
    "on-hold": OrderState.PAUSED,
    "completed": OrderState.ENDED,
    "stopped": OrderState.ENDED,
}


def is_as_needed(dosage: Dosage) -> bool:
    return bool(dosage.as_needed_boolean) or dosage.as_needed_codeable_concept is not None


def order_of_request(
    sheet: Sheet, request: MedicationRequest, drug: Drug, kind: EnergyKind, standing: Standing
) -> Iterator[EnergyOrder]:
    """The energy a request orders. What is given as needed counts when it is given, not when it is ordered."""
    dosages = [dosage for dosage in request.dosage_instruction if not is_as_needed(dosage)]
    if request.dosage_instruction and not dosages:
        sheet.note("as-needed", "carries energy, but only as needed: counted when given", request)
        return
    authored = sheet.instant(request.authored_on, request)
    problems = [standing.problem, drug.problem]
    deliveries = bounded(
        delivery for dosage in dosages for delivery in _deliveries_of(sheet, request, dosage, authored)
    )
    if not deliveries:
        problems.append("it states no dose and no rate")
    ends = [delivery.end for delivery in deliveries if delivery.end is not None]
    bound = max(ends) if ends and len(ends) == len(deliveries) else None
    yield EnergyOrder(
        kind=kind,
        state=standing.state,
        ordered=ordered_at(sheet, request, authored, standing.state),
        ended=ended_at(sheet, request, standing.state, bound),
        composition=drug.composition,
        deliveries=deliveries,
        max_ml_day=_daily_cap(sheet, request, dosages, problems),
        instruction=next((dosage.text for dosage in dosages if dosage.text), None),
        problem="; ".join(problem for problem in problems if problem) or None,
        name=drug.name,
        source=request.reference,
    )


def distrusted_order(
    sheet: Sheet, request: MedicationRequest, drug: Drug, kind: EnergyKind, state: OrderState, problem: str
) -> EnergyOrder:
    """The order without its numbers: it carries energy, but how much is not known."""
    return EnergyOrder(
        kind=kind,
        state=state,
        ordered=ordered_at(sheet, request, sheet.instant(request.authored_on, request), state),
        ended=ended_at(sheet, request, state, None),
        # The kind alone would tell a sedative's energy per mL: the delivery carries the problem too.
        deliveries=(Delivery(problem=problem),),
        problem=problem,
        name=drug.name,
        source=request.reference,
    )


def _deliveries_of(
    sheet: Sheet, request: MedicationRequest, dosage: Dosage, authored: datetime | None
) -> tuple[Delivery, ...]:
    given = _ordered_amount(dosage.dose_and_rate)
    if isinstance(given, str):
        return read_deliveries(sheet, request, dosage.timing, start=authored, problem=given)
    return read_deliveries(
        sheet,
        request,
        dosage.timing,
        start=authored,
        volume=given.dose_quantity,
        rate=given.rate_quantity,
        rate_ratio=given.rate_ratio,
    )


def _ordered_amount(given: Iterable[DoseAndRate]) -> DoseAndRate | str:
    """The one amount ordered, or why there is not one."""
    found = list(given)
    ordered = [each for each in found if each.type and any(c.code == "ordered" for c in each.type.coding)]
    distinct = list(dict.fromkeys(_bare(each) for each in (ordered or found)))
    if not distinct:
        return "it states no dose and no rate"
    if len(distinct) > 1:
        return "it states several doses or rates at once"
    if distinct[0].rate_range is not None or distinct[0].dose_range is not None:
        return "it states a range of doses or rates"
    return distinct[0]


def _bare(given: DoseAndRate) -> DoseAndRate:
    """The amount alone, whatever it is called."""
    return DoseAndRate(
        dose_quantity=given.dose_quantity,
        dose_range=given.dose_range,
        rate_quantity=given.rate_quantity,
        rate_range=given.rate_range,
        rate_ratio=given.rate_ratio,
    )


def _daily_cap(
    sheet: Sheet, request: MedicationRequest, dosages: list[Dosage], problems: list[str | None]
) -> Decimal | None:
    caps = [dosage.max_dose_per_period for dosage in dosages if dosage.max_dose_per_period is not None]
    if not caps:
        return None
    try:
        if len(dosages) > 1:
            raise Unreadable("it is stated for one of several dosages")
        value, notes = ratio_amount(caps[0], "mL/d", sheet.codes)
    except (Unreadable, ArithmeticError) as error:
        problems.append(f"its largest dose cannot be read: {error}")
        return None
    sheet.note_units(notes, request)
    return value


def order_of_administration(
    sheet: Sheet,
    given: MedicationAdministration,
    drug: Drug,
    kind: EnergyKind,
    known: Iterable[tuple[str, EnergyOrder, frozenset[str]]],
) -> Iterator[EnergyOrder]:
    """The energy of a documented administration, unless an order already counts it.

    `known`: key, order and drug codes of what was requested.
    """
    request = sheet.key_of(given.request)
    for key, order, codes in known:
        if order.state is OrderState.PLANNED:
            continue
        if key == request or (given.request is None and order.kind is kind and codes & drug.codes):
            return
    state = _ADMINISTRATION_STATES.get(given.status or "", OrderState.ACTIVE)
    problems = [drug.problem]
    if given.status not in _ADMINISTRATION_STATES:
        problems.append("its status does not say whether it is running")
    start, end, is_instant = _times(sheet, given)
    if sheet.is_plain(given):
        deliveries = _given(sheet, given, state, start, end)
    else:
        problems.append("a modifier extension may change its meaning")
        deliveries = (Delivery(start=start, end=end, problem=problems[-1]),)
    yield EnergyOrder(
        kind=kind,
        state=state,
        ordered=ordered_at(sheet, given, start, state),
        ended=ended_at(sheet, given, state, start if is_instant else end),
        composition=drug.composition,
        deliveries=deliveries,
        problem="; ".join(problem for problem in problems if problem) or None,
        name=drug.name,
        source=given.reference,
    )


def _given(
    sheet: Sheet,
    given: MedicationAdministration,
    state: OrderState,
    start: datetime | None,
    end: datetime | None,
) -> tuple[Delivery, ...]:
    dosage = given.dosage
    problem: str | None = None
    rated = dosage is not None and (dosage.rate_quantity is not None or dosage.rate_ratio is not None)
    if dosage is None:
        problem = "it states no dose and no rate"
    elif rated and dosage.dose is None and end is None and state is OrderState.ENDED and not _has_period(given):
        problem = "its rate does not say how long it ran"
    elif not rated and end is None and state is not OrderState.ENDED:
        problem = "it states no rate, so how fast it runs is not known"
    found = place_deliveries(
        sheet,
        given,
        Schedule(start=start, end=end, once=True),
        volume=dosage.dose if dosage else None,
        rate=dosage.rate_quantity if dosage else None,
        rate_ratio=dosage.rate_ratio if dosage else None,
        problem=problem,
    )
    return tuple(_spread(delivery) for delivery in found)


def _spread(delivery: Delivery) -> Delivery:
    """A volume that ran in over a stated time, as the rate it ran at."""
    if delivery.volume_ml is None or delivery.start is None or delivery.end is None:
        return delivery
    seconds = (delivery.end - delivery.start) // timedelta(seconds=1)
    if seconds <= 0:
        return replace(delivery, end=None)
    return replace(delivery, volume_ml=None, rate_ml_h=delivery.volume_ml * 3600 / Decimal(seconds))


def _has_period(given: MedicationAdministration) -> bool:
    return given.effective_period is not None


def _times(sheet: Sheet, given: MedicationAdministration) -> tuple[datetime | None, datetime | None, bool]:
    """Start, end, and whether only an instant is stated."""
    if given.effective_period is not None:
        start, end = sheet.span(given.effective_period, given)
        return start, end, False
    return sheet.instant(given.effective_date_time, given), None, True
