"""A result's own reference limits, where they are a normal range that holds for this patient."""

from collections.abc import Iterable
from datetime import date
from decimal import Decimal

from andante.chart.datatypes import CodeableConcept, Quantity, Range
from andante.chart.models import Observation
from andante.chart.sheet import Sheet
from andante.chart.units import Unreadable, amount, convert
from andante.domain.picture import Person
from andante.domain.quantities import Analyte, UnknownUnit, mmol_per_l

Limits = tuple[Decimal | None, Decimal | None]
_NONE: Limits = (None, None)
_YEARS = {"a": Decimal(1), "mo": Decimal(1) / 12, "wk": Decimal(7) / Decimal("365.25")}
_DAYS_PER_YEAR = Decimal("365.25")
_NORMAL = "normal"


def normal_limits(
    sheet: Sheet,
    observation: Observation,
    ranges: Iterable[Observation.ReferenceRange],
    analyte: Analyte,
    person: Person,
    on: date | None,
) -> Limits:
    """Low and high limit in mmol/L. A range that cannot be used is noted, unless it is plainly for others."""
    chosen: dict[int, set[Limits]] = {}
    for given in ranges:
        if given.type is not None and not any(coding.code == _NORMAL for coding in given.type.coding):
            continue  # therapeutic or critical limits are not the normal range
        try:
            if not _is_for(sheet, given, person, on):
                continue
            limits = _read(sheet, observation, given, analyte)
        except Unreadable as error:
            sheet.note("range-not-used", f"a reference range is not used: {error}", observation)
            continue
        if limits != _NONE:
            special = bool(given.applies_to) + (given.age is not None)
            chosen.setdefault(special, set()).add(limits)
    if not chosen:
        return _NONE
    closest = chosen[max(chosen)]
    if len(closest) > 1:
        sheet.note("range-not-used", "several reference ranges contradict each other; none is used", observation)
        return _NONE
    return closest.pop()


def _is_for(sheet: Sheet, given: Observation.ReferenceRange, person: Person, on: date | None) -> bool:
    """Whether a range is for this patient. Raises Unreadable when that cannot be told."""
    return all(_applies(sheet, concept, person) for concept in given.applies_to) and _fits_age(given.age, person, on)


def _applies(sheet: Sheet, concept: CodeableConcept, person: Person) -> bool:
    sexes = {entry.sex for entry in sheet.codes.applies_to.among(concept)}
    if len(sexes) != 1:
        raise Unreadable("whom it applies to is not understood")
    if person.sex not in ("male", "female"):
        raise Unreadable("it is for one sex, and the patient's is not known")
    return person.sex in sexes


def _fits_age(ages: Range | None, person: Person, on: date | None) -> bool:
    if ages is None:
        return True
    if person.born is None or on is None:
        raise Unreadable("it is for some ages, and the patient's is not known")
    age = Decimal((on - person.born).days) / _DAYS_PER_YEAR
    low, high = _age(ages.low), _age(ages.high)
    # "to 17 years" includes the whole year of being 17.
    return (low is None or age >= low) and (high is None or age < high + 1)


def _age(quantity: Quantity | None) -> Decimal | None:
    if quantity is None:
        return None
    if quantity.value is None:
        raise Unreadable("an age of it holds no number")
    unit = quantity.code or quantity.unit or ""
    if unit in _YEARS:
        return quantity.value * _YEARS[unit]
    try:
        return convert(quantity.value, unit, "d") / _DAYS_PER_YEAR
    except UnknownUnit as error:
        raise Unreadable("an age of it has no unit that can be read") from error


def _read(sheet: Sheet, observation: Observation, given: Observation.ReferenceRange, analyte: Analyte) -> Limits:
    limits: list[Decimal | None] = []
    for bound in (given.low, given.high):
        if bound is None:
            limits.append(None)
            continue
        value, notes = amount(bound, lambda value, ucum: mmol_per_l(analyte, value, ucum), sheet.codes, zero=True)
        sheet.note_units(notes, observation)
        limits.append(value)
    low, high = limits
    if low is not None and high is not None and low > high:
        raise Unreadable("its low limit lies above its high limit")
    return low, high
