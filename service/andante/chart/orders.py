"""NutritionOrders as energy orders: what is ordered, how dense, how much and when. Free text stays text."""

from collections.abc import Iterator
from datetime import datetime
from decimal import Decimal

from andante.chart.datatypes import Timing
from andante.chart.deliveries import bounded, read_deliveries
from andante.chart.models import NutritionOrder
from andante.chart.modifiers import has_modifiers
from andante.chart.plain_text import cut
from andante.chart.schedule import read_schedule
from andante.chart.sheet import Sheet, label
from andante.chart.statuses import Standing, ended_at, ordered_at, standing_of
from andante.chart.units import Unreadable, amount, to
from andante.domain.picture import (
    Delivery,
    EnergyKind,
    EnergyOrder,
    Finding,
    FindingKind,
    OrderState,
)


def read_nutrition_orders(sheet: Sheet) -> tuple[list[EnergyOrder], list[Finding]]:
    """Every part of every nutrition order, each as an order of its own, and infant formulas as findings."""
    found = sheet.gather(sheet.chart.nutrition_orders, lambda order: _read_order(sheet, order), vital=True)
    return (
        [item for item in found if isinstance(item, EnergyOrder)],
        [item for item in found if isinstance(item, Finding)],
    )


def _read_order(sheet: Sheet, order: NutritionOrder) -> Iterator[EnergyOrder | Finding]:
    standing = standing_of(sheet, order)
    if standing is None:
        return
    if has_modifiers(order):
        sheet.is_plain(order)
        yield from _distrusted(sheet, order, standing.state, "a modifier extension may change its meaning")
        return
    ordered = sheet.instant(order.date_time, order)
    if order.oral_diet is not None:
        yield _read_diet(sheet, order, order.oral_diet, standing, ordered)
    for supplement in order.supplement:
        yield _read_supplement(sheet, order, supplement, standing, ordered)
    if order.enteral_formula is not None:
        yield _read_formula(sheet, order, order.enteral_formula, standing, ordered)
        kinds = {entry.kind for entry in sheet.codes.diets.among(order.enteral_formula.base_formula_type)}
        if "infant-formula" in kinds and standing.state is not OrderState.ENDED:
            yield Finding(
                kind=FindingKind.INFANT_FORMULA,
                text=label(order.enteral_formula.base_formula_type, "infant formula"),
                recorded=ordered,
                source=order.reference,
            )
    if order.oral_diet is None and not order.supplement and order.enteral_formula is None:
        sheet.note("empty-order", "a nutrition order says nothing of what to give", order)


def _read_formula(
    sheet: Sheet,
    order: NutritionOrder,
    formula: NutritionOrder.EnteralFormula,
    standing: Standing,
    ordered: datetime | None,
) -> EnergyOrder:
    deliveries = bounded(
        delivery
        for given in formula.administration
        for delivery in read_deliveries(
            sheet,
            order,
            given.schedule,
            start=ordered,
            volume=given.quantity,
            rate=given.rate_quantity,
            rate_ratio=given.rate_ratio,
        )
    )
    problems = [standing.problem, None if deliveries else "it states no rate and no volume"]
    density, density_from = _density(sheet, order, formula, problems)
    most = _daily_cap(sheet, order, formula, problems)
    return EnergyOrder(
        kind=EnergyKind.ENTERAL,
        state=standing.state,
        ordered=ordered_at(sheet, order, ordered, standing.state),
        ended=ended_at(sheet, order, standing.state, _bound(deliveries)),
        density_kcal_ml=density,
        density_from=density_from,
        deliveries=deliveries,
        max_ml_day=most,
        instruction=formula.administration_instruction,
        problem=_joined(problems),
        name=_name(formula.base_formula_product_name, label(formula.base_formula_type, "enteral formula")),
        source=order.reference,
    )


def _density(
    sheet: Sheet,
    order: NutritionOrder,
    formula: NutritionOrder.EnteralFormula,
    problems: list[str | None],
) -> tuple[Decimal | None, str]:
    """kcal/mL as charted, else by the site's list of formulas, and then whence; its plausibility is for the rules.

    A density that is charted and cannot be read is not replaced by a listed one: the two might contradict each other.
    """
    if formula.caloric_density is None:
        return _listed_density(sheet, order, formula, problems)
    try:
        density, notes = amount(formula.caloric_density, to("kcal/mL"), sheet.codes)
    except Unreadable as error:
        problems.append(f"its energy density cannot be read: {error}")
        sheet.note("unreadable-density", str(problems[-1]), order)
        return None, ""
    sheet.note_units(notes, order)
    return density, ""


def _listed_density(
    sheet: Sheet,
    order: NutritionOrder,
    formula: NutritionOrder.EnteralFormula,
    problems: list[str | None],
) -> tuple[Decimal | None, str]:
    if formula.additive_type is not None or formula.additive_product_name is not None:
        problems.append("it states no energy density, and something is added to the formula")
        return None, ""
    listed = sheet.codes.formulas.among(formula.base_formula_type)
    densities = {entry.kcal_per_ml for entry in listed}
    if len(densities) != 1:
        problems.append(
            "it states no energy density, and its formula codes name different ones in the site map"
            if densities
            else "it states no energy density"
        )
        return None, ""
    codes = ", ".join(entry.code for entry in listed)
    density = densities.pop()
    text = f"states no energy density: {density.normalize():f} kcal/mL taken from the site map, formula {codes}"
    sheet.note("density-from-site", text, order)
    return density, f"the site map, formula {codes}"


def _daily_cap(
    sheet: Sheet,
    order: NutritionOrder,
    formula: NutritionOrder.EnteralFormula,
    problems: list[str | None],
) -> Decimal | None:
    """maxVolumeToDeliver in mL/day. A bare volume is per day, as FHIR defines the element; a rate is not a cap."""
    most = formula.max_volume_to_deliver
    if most is None:
        return None
    for unit in ("mL", "mL/d"):
        try:
            value, notes = amount(most, to(unit), sheet.codes)
        except Unreadable as error:
            reason = str(error)
            continue
        if unit == "mL/d" and not (most.code or most.unit or "").rstrip(")").endswith(("/d", "/day", "/(24.h")):
            reason = "it is not stated per day"
            continue
        sheet.note_units(notes, order)
        return value
    problems.append(f"its largest volume cannot be read: {reason}")
    sheet.note("unreadable-cap", str(problems[-1]), order)
    return None


def _read_supplement(
    sheet: Sheet,
    order: NutritionOrder,
    supplement: NutritionOrder.Supplement,
    standing: Standing,
    ordered: datetime | None,
) -> EnergyOrder:
    """FHIR gives a supplement no energy: what it brings is not known."""
    timings: tuple[Timing | None, ...] = supplement.schedule or (None,)
    deliveries = bounded(
        delivery
        for timing in timings
        for delivery in read_deliveries(sheet, order, timing, start=ordered, volume=supplement.quantity)
    )
    return EnergyOrder(
        kind=EnergyKind.SUPPLEMENT,
        state=standing.state,
        ordered=ordered_at(sheet, order, ordered, standing.state),
        ended=ended_at(sheet, order, standing.state, _bound(deliveries)),
        deliveries=deliveries,
        instruction=supplement.instruction,
        problem=_joined([standing.problem, "a supplement order states no energy"]),
        name=_name(supplement.product_name, label(supplement.type, "oral supplement")),
        source=order.reference,
    )


def _read_diet(
    sheet: Sheet,
    order: NutritionOrder,
    diet: NutritionOrder.OralDiet,
    standing: Standing,
    ordered: datetime | None,
) -> EnergyOrder:
    """When it runs, and the energy it serves in a day where a nutrient states that."""
    schedules = (read_schedule(sheet, timing, ordered, order) for timing in diet.schedule)
    deliveries = bounded(Delivery(start=schedule.start, end=schedule.end) for schedule in schedules)
    kinds = {entry.kind for entry in sheet.codes.diets.among(*diet.type)}
    return EnergyOrder(
        kind=EnergyKind.ORAL_DIET,
        state=standing.state,
        ordered=ordered_at(sheet, order, ordered, standing.state),
        ended=ended_at(sheet, order, standing.state, _bound(deliveries)),
        deliveries=deliveries,
        day_kcal=_served(sheet, order, diet),
        instruction=diet.instruction,
        nil_by_mouth="nil-by-mouth" in kinds,
        problem=standing.problem,
        name=label(diet.type[0], "oral diet") if diet.type else "oral diet",
        source=order.reference,
    )


def _served(sheet: Sheet, order: NutritionOrder, diet: NutritionOrder.OralDiet) -> Decimal | None:
    """kcal a day, of the one nutrient coded as the diet's energy; None, with a note, where it cannot be read."""
    stated = [n for n in diet.nutrient if sheet.codes.diet_energies.among(n.modifier)]
    if not stated:
        return None
    try:
        if len(stated) > 1:
            raise Unreadable("it is stated more than once")
        value, notes = amount(stated[0].amount, to("kcal/d"), sheet.codes)
    except Unreadable as error:
        sheet.note("unreadable-diet-energy", f"the energy a diet serves cannot be read: {error}", order)
        return None
    sheet.note_units(notes, order)
    return value


def _distrusted(sheet: Sheet, order: NutritionOrder, state: OrderState, problem: str) -> Iterator[EnergyOrder]:
    """The order without any of its numbers: dropping it would make a fed patient look unfed."""
    kinds = [EnergyKind.SUPPLEMENT for _ in order.supplement]
    if order.oral_diet is not None:
        kinds.append(EnergyKind.ORAL_DIET)
    if order.enteral_formula is not None or not kinds:
        kinds.append(EnergyKind.ENTERAL)
    ordered = ordered_at(sheet, order, sheet.instant(order.date_time, order), state)
    ended = ended_at(sheet, order, state, None)
    for kind in kinds:
        yield EnergyOrder(kind=kind, state=state, ordered=ordered, ended=ended, problem=problem, source=order.reference)


def _bound(deliveries: tuple[Delivery, ...]) -> datetime | None:
    """When the last delivery ends, if every one of them ends."""
    ends = [delivery.end for delivery in deliveries if delivery.end is not None]
    return max(ends) if ends and len(ends) == len(deliveries) else None


def _joined(problems: list[str | None]) -> str | None:
    return "; ".join(problem for problem in problems if problem) or None


def _name(product: str | None, otherwise: str) -> str:
    return cut(product or "") or otherwise
