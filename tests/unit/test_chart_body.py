"""Body measurements and documented intake: each in its unit, or unread with its reason."""

from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import pytest

from andante.domain.picture import Firmness, Intake, IntakeKind, MeasureKind, Measurement
from charts import LOINC, MODIFIER, OURS, Json, a_lab, a_resource, concept, note_codes, picture_of, quantity

TAKEN = "2026-03-01T08:00:00Z"


def measured(code: str, value: Any, unit: str | None, **elements: Any) -> Json:
    system = OURS if code == "days-without-intake" else LOINC
    whole = {
        "status": "final",
        "code": concept((system, code)),
        "effectiveDateTime": TAKEN,
        "valueQuantity": quantity(value, unit),
    } | elements
    return a_resource("Observation", "measure", **whole)


def measurement_of(*resources: Json) -> Measurement:
    (measurement,) = picture_of(*resources).measurements
    return measurement


@pytest.mark.parametrize(
    ("code", "value", "unit", "kind", "expected"),
    [
        ("29463-7", "62.5", "kg", MeasureKind.WEIGHT, "62.5"),
        ("3141-9", "62500", "g", MeasureKind.WEIGHT, "62.5"),
        ("29463-7", "137.789", "[lb_av]", MeasureKind.WEIGHT, "62.500"),
        ("8302-2", "168", "cm", MeasureKind.HEIGHT, "168"),
        ("3137-7", "1.68", "m", MeasureKind.HEIGHT, "168"),
        ("8302-2", "66", "[in_i]", MeasureKind.HEIGHT, "167.64"),
        ("39156-5", "16.2", "kg/m2", MeasureKind.BMI, "16.2"),
        ("days-without-intake", "9", "d", MeasureKind.DAYS_WITHOUT_INTAKE, "9"),
        ("days-without-intake", "1", "wk", MeasureKind.DAYS_WITHOUT_INTAKE, "7"),
        ("days-without-intake", "0", "d", MeasureKind.DAYS_WITHOUT_INTAKE, "0"),
    ],
)
def test_a_measurement_is_read_in_the_unit_of_its_kind(
    code: str, value: str, unit: str, kind: MeasureKind, expected: str
) -> None:
    found = measurement_of(measured(code, value, unit))
    assert found.kind is kind
    assert found.value is not None
    assert round(found.value, 3) == Decimal(expected)
    assert found.taken == datetime(2026, 3, 1, 8, tzinfo=UTC)
    assert (found.firmness, found.problem) == (Firmness.FIRM, None)


@pytest.mark.parametrize(
    "resource",
    [
        measured("29463-7", 62.5, None),
        measured("29463-7", 62.5, None, valueQuantity={"value": 62.5, "unit": "kg"}),  # only coded units of a body
        measured("8302-2", 168, None, valueQuantity={"value": 168, "unit": "cm"}),
        measured("29463-7", 62.5, "cm"),
        measured("29463-7", 0, "kg"),
        measured("29463-7", -62.5, "kg"),
        measured("29463-7", 62.5, "kg", valueQuantity=quantity(62.5, "kg", comparator=">")),
        measured("29463-7", 62.5, "kg", valueQuantity=quantity(62.5, "kg", unit="lb")),
        measured("29463-7", 62.5, "kg", valueQuantity=None, valueString="62.5 kg"),
        measured("29463-7", 62.5, "kg", valueQuantity=None),
        measured("29463-7", 62.5, "kg", modifierExtension=MODIFIER),
        measured("39156-5", 16.2, "kg"),
    ],
)
def test_a_measurement_that_cannot_be_read_is_kept_as_unread(resource: Json) -> None:
    picture = picture_of(resource)
    (found,) = picture.measurements
    assert found.value is None
    assert found.problem
    assert "unreadable-measurement" in note_codes(picture)


def test_more_than_so_many_days_without_intake_is_at_least_so_many() -> None:
    more = quantity(10, "d", comparator=">")
    assert measurement_of(measured("days-without-intake", 10, "d", valueQuantity=more)).value == 10
    fewer = quantity(10, "d", comparator="<")
    assert measurement_of(measured("days-without-intake", 10, "d", valueQuantity=fewer)).value is None


def test_codes_of_two_measurements_make_both_unread() -> None:
    both = measured("29463-7", 62, "kg")
    both["code"] = concept((LOINC, "29463-7"), (LOINC, "8302-2"))
    assert [(m.kind, m.value) for m in picture_of(both).measurements] == [
        (MeasureKind.HEIGHT, None),
        (MeasureKind.WEIGHT, None),
    ]


def test_a_void_measurement_is_noted_and_a_preliminary_one_is_provisional() -> None:
    void = picture_of(measured("29463-7", 62, "kg", status="entered-in-error"))
    assert (void.measurements, note_codes(void)) == ((), {"void-result"})
    found = measurement_of(measured("29463-7", 62, "kg", status="preliminary"))
    assert found.firmness is Firmness.PROVISIONAL


def test_a_lab_result_is_no_measurement() -> None:
    assert picture_of(a_lab()).measurements == ()


# --------------------------------------------------------------------------- intake

DAY = {"start": "2026-03-01T06:00:00Z", "end": "2026-03-02T06:00:00Z"}


def taken_in(code: str, value: Any, unit: str | None, **elements: Any) -> Json:
    system = OURS if code == "formula-volume-24h" else LOINC
    whole = {
        "status": "final",
        "code": concept((system, code)),
        "effectivePeriod": DAY,
        "valueQuantity": quantity(value, unit),
    } | elements
    return a_resource("Observation", "intake", **whole)


def intake_of(resource: Json) -> Intake:
    (intake,) = picture_of(resource).intakes
    return intake


@pytest.mark.parametrize(
    ("code", "value", "unit", "kind", "amount"),
    [
        ("9057-1", 1500, "kcal", IntakeKind.ENERGY, 1500),
        ("9057-1", 1500, "kcal/(24.h)", IntakeKind.ENERGY, 1500),
        ("9057-1", 1500, "kcal/d", IntakeKind.ENERGY, 1500),
        ("9052-2", "6276", "kJ", IntakeKind.ENERGY, 1500),  # 1 kcal = 4.184 kJ
        ("9052-2", 0, "kcal", IntakeKind.ENERGY, 0),  # nothing given is a fact
        ("formula-volume-24h", 711, "mL", IntakeKind.FORMULA, 711),
        ("formula-volume-24h", "0.711", "L", IntakeKind.FORMULA, 711),
        ("8953-2", 900, "mL", IntakeKind.ALL_FLUID, 900),
        ("8953-2", 900, "mL/(24.h)", IntakeKind.ALL_FLUID, 900),
    ],
)
def test_an_intake_is_read_over_its_period(code: str, value: Any, unit: str, kind: IntakeKind, amount: int) -> None:
    found = intake_of(taken_in(code, value, unit))
    assert (found.kind, found.amount, found.problem) == (kind, amount, None)
    assert (found.start, found.end) == (
        datetime(2026, 3, 1, 6, tzinfo=UTC),
        datetime(2026, 3, 2, 6, tzinfo=UTC),
    )


def test_a_figure_per_day_counts_for_as_long_as_the_period_lasted() -> None:
    half = {"start": "2026-03-01T06:00:00Z", "end": "2026-03-01T18:00:00Z"}
    assert intake_of(taken_in("9052-2", 1500, "kcal/d", effectivePeriod=half)).amount == 750


@pytest.mark.parametrize(
    "resource",
    [
        taken_in("9057-1", 1500, None),
        taken_in("9057-1", 1500, "cal"),  # calorie or kilocalorie: not to be guessed
        taken_in("9057-1", -1500, "kcal"),
        taken_in("9057-1", 1500, "mL"),
        taken_in("formula-volume-24h", 711, "kcal"),
        taken_in("9057-1", 1500, "kcal", valueQuantity=None, valueString="1500 kcal"),
    ],
)
def test_an_intake_that_cannot_be_read_is_kept_as_unread(resource: Json) -> None:
    picture = picture_of(resource)
    (found,) = picture.intakes
    assert found.amount is None
    assert found.problem
    assert "unreadable-intake" in note_codes(picture)


def test_a_24_hour_total_on_a_bare_date_is_of_that_day() -> None:
    found = intake_of(taken_in("9057-1", 1500, "kcal", effectivePeriod=None, effectiveDateTime="2026-03-01"))
    assert found.start == datetime(2026, 2, 28, 23, tzinfo=UTC)
    assert found.end == datetime(2026, 3, 1, 22, 59, 59, 999999, tzinfo=UTC)


@pytest.mark.parametrize(
    "elements",
    [
        {"effectivePeriod": None},
        {"effectivePeriod": None, "effectiveDateTime": "2026-03-02T06:00:00Z"},
        {"effectivePeriod": None, "effectiveDateTime": "2026-03"},
        {"effectivePeriod": {"start": "2026-03-01T06:00:00Z"}},
        {"effectivePeriod": {"start": "2026-03-01T06:00:00Z", "end": "2026-03-01T06:00:00Z"}},
    ],
)
def test_an_intake_without_a_period_is_noted_not_placed(elements: Json) -> None:
    picture = picture_of(taken_in("9057-1", 1500, "kcal", **elements))
    assert picture.intakes == ()
    assert "intake-without-period" in note_codes(picture)


def test_a_total_that_is_not_of_24_hours_needs_its_period() -> None:
    one_date = {"effectivePeriod": None, "effectiveDateTime": "2026-03-01"}
    assert picture_of(taken_in("9052-2", 1500, "kcal", **one_date)).intakes == ()


def test_codes_of_two_intakes_make_it_unread() -> None:
    both = taken_in("9057-1", 1500, "kcal")
    both["code"] = concept((LOINC, "9057-1"), (LOINC, "8953-2"))
    assert intake_of(both).amount is None


def test_void_intakes_and_those_with_a_modifier_are_left_out() -> None:
    for elements in ({"status": "entered-in-error"}, {"modifierExtension": MODIFIER}):
        picture = picture_of(taken_in("9057-1", 1500, "kcal", **elements))
        assert picture.intakes == ()
        assert picture.notes


def test_a_measurement_over_a_period_is_as_old_as_its_start() -> None:
    period = {"effectiveDateTime": None, "effectivePeriod": {"start": "2026-02-28", "end": "2026-03-02"}}
    assert measurement_of(measured("days-without-intake", 9, "d", **period)).taken == datetime(
        2026, 2, 27, 23, tzinfo=UTC
    )
