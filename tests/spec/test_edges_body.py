"""Age, weight and the weight for the sums, at their edges: both sides of every limit, and what is said of it.

The limits stand in the default protocol: weights of 20-350 kg, heights of 100-230 cm, a weight of 30 days, a height
wanted above 90 kg.
"""

from datetime import UTC, date, datetime

import pytest

from andante.domain.picture import FindingKind, Firmness, MeasureKind, Measurement, Person
from andante.rules.body import Body, age_in_years, current_findings, examine, is_plausible, weights_before
from andante.rules.phrases import span
from pictures import NOW, aspen, bmi, d, finding, h, height, picture, weight

PROVISIONAL = {"firmness": Firmness.PROVISIONAL}
DAY = 24


def body(*items: object, sex: str = "female") -> Body:
    return examine(picture(*items, kg=None, person=Person(born=date(1960, 5, 1), sex=sex)), aspen(), NOW)


AGES = [
    (date(2007, 3, 6), 18),
    (date(2007, 3, 7), 17),
    (date(2007, 2, 28), 18),
    (date(2007, 4, 1), 17),  # an earlier day of a later month
    (date(2006, 4, 6), 18),
    (None, None),
]


@pytest.mark.parametrize(("born", "age"), AGES)
def test_age_is_counted_to_the_day(born: date | None, age: int | None) -> None:
    assert age_in_years(born, datetime(2025, 3, 6, 8, tzinfo=UTC)) == age


WEIGHTS = [
    # chart, the weight the sums use
    ((weight("60"),), "60"),
    ((weight("60", 30), weight("58", 20)), "58"),  # the latest
    ((weight("58", 30), weight("60", 20)), "60"),
    ((weight("60", 20), weight("58", 20)), "58"),  # of two at one instant the lower
    ((weight("58", 20), weight("60", 20)), "58"),
    ((weight("60", 0),), "60"),  # taken now
    ((weight("60", 20), weight("50", -1)), "60"),  # in the future
    ((weight("60", 20), weight("50", 10, **PROVISIONAL)), "50"),  # lower, not firm
    ((weight("60", 20), weight("61", 10, **PROVISIONAL)), "60"),
    ((weight("60", 20), weight("60", 10, **PROVISIONAL)), "60"),
    ((weight("60", 20), weight("50", 20, **PROVISIONAL)), "50"),  # of the same instant
    ((weight("60", 20), weight("50", 21, **PROVISIONAL)), "60"),  # older than the firm one
    ((weight("60", 20), weight("50", -1, **PROVISIONAL)), "60"),
    ((weight("60", 20), weight("50", 0, **PROVISIONAL)), "50"),
    ((weight("60", 20), weight("50", 10, **PROVISIONAL), weight("52", 8, **PROVISIONAL)), "50"),  # the lowest of them
    ((weight("60", 20), weight("52", 10, **PROVISIONAL), weight("50", 8, **PROVISIONAL)), "50"),
    ((weight("60", 20), weight("6", 10, **PROVISIONAL)), "60"),  # a slip
    ((weight("60", 20), height("50", 10, **PROVISIONAL)), "60"),  # no weight at all
    ((weight("50", 10, **PROVISIONAL),), None),
    ((), None),
    ((Measurement(kind=MeasureKind.WEIGHT, value=None, taken=h(5)),), None),
    ((Measurement(kind=MeasureKind.WEIGHT, value=d(60), taken=None),), None),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "kg"), WEIGHTS)
def test_which_weight_counts(chart: tuple[Measurement, ...], kg: str | None) -> None:
    found = body(chart)
    assert found.dosing_kg == (None if kg is None else d(kg))
    assert found.said == (f"actual weight {kg} kg" if kg else "no usable weight is charted")


PLAUSIBLE = [
    (weight("20"), True),
    (weight("19.9"), False),
    (weight("350"), True),
    (weight("350.1"), False),
    (height("100"), True),
    (height("99.9"), False),
    (height("230"), True),
    (height("230.1"), False),
    (bmi("0.1"), True),
    (bmi("0"), False),
    (bmi("-1"), False),
    (Measurement(kind=MeasureKind.DAYS_WITHOUT_INTAKE, value=d(0), taken=h(1)), True),
    (Measurement(kind=MeasureKind.WEIGHT, value=None, taken=h(1)), False),
]


@pytest.mark.parametrize(("measurement", "plausible"), PLAUSIBLE)
def test_a_slip_of_the_scales_is_not_a_measurement(measurement: Measurement, plausible: bool) -> None:
    evidence = aspen().evidence
    assert (evidence.weight_min.value, evidence.weight_max.value) == (20, 350)
    assert (evidence.height_min.value, evidence.height_max.value) == (100, 230)
    assert is_plausible(measurement, aspen()) is plausible


def test_a_weight_is_old_a_moment_after_thirty_days() -> None:
    on_the_day, after = body(weight("60", 30 * DAY)), body(weight("60", 30 * DAY + 0.01))
    assert (on_the_day.is_stale, on_the_day.dosing_kg) == (False, 60)
    assert (after.is_stale, after.dosing_kg, after.said) == (True, None, "the last weight is older than 30 days")


def test_the_body_mass_index_from_weight_and_height_goes_before_a_charted_one() -> None:
    assert body(weight("64"), height("160"), bmi("30")).bmi == 25
    assert body(weight("64"), bmi("30")).bmi == 30
    assert body(height("160"), bmi("30")).bmi == 30
    assert body(weight("64"), height("160")).bmi == 25
    assert body(weight("64")).bmi is None


def test_a_charted_index_is_a_fact_with_its_name_and_unit() -> None:
    facts = body(weight("64"), bmi("24.96")).facts
    assert [(f.label, f.value) for f in facts] == [("weight", "64 kg"), ("body mass index", "25 kg/m²")]
    assert [(f.label, f.value) for f in body(weight("64"), height("160")).facts] == [
        ("weight", "64 kg"),
        ("height", "160 cm"),
    ]


def test_a_heavy_patient_needs_a_height() -> None:
    limit = aspen().evidence.weight_without_height.value
    at_limit, above = body(weight(str(limit))), body(weight(str(limit + d("0.1"))))
    assert at_limit.dosing_kg == limit
    assert above.dosing_kg is None
    assert above.said == f"a weight of {limit + d('0.1')} kg needs a height, to tell obesity"


def test_a_lower_weight_that_is_not_firm_does_not_settle_obesity() -> None:
    limit = aspen().evidence.weight_without_height.value
    found = body(weight(str(limit + 10), 30), weight("60", 10, **PROVISIONAL))
    assert (found.dosing_kg, found.said) == (None, f"a weight of {limit + 10} kg needs a height, to tell obesity")


SAID = [
    (FindingKind.FLUID_OVERLOAD, " (oedema or ascites is coded: the true weight may be lower)"),
    (FindingKind.AMPUTATION, " (an amputation is coded: the body mass index understates)"),
    (FindingKind.PREGNANCY, ""),
]


@pytest.mark.parametrize(("kind", "words"), SAID)
def test_what_makes_a_weight_doubtful_is_said_beside_it(kind: FindingKind, words: str) -> None:
    assert body(weight("60"), finding(kind)).said == f"actual weight 60 kg{words}"


def test_obesity_begins_at_its_index() -> None:
    """BMI 30 is 76.8 kg at 160 cm. Ideal weight (Devine): 45.5 kg + 2.3 kg for each inch above 60."""
    below, at = body(weight("76.79"), height("160")), body(weight("76.8"), height("160"))
    assert (below.adjusted, below.dosing_kg) == (None, d("76.79"))
    assert at.adjusted is not None
    ideal = d("45.5") + d("2.3") * (d(160) / d("2.54") - 60)
    share = aspen().energy.adjusted_weight_share.value / 100
    assert at.adjusted.ideal_kg == ideal
    assert at.dosing_kg == ideal + (d("76.8") - ideal) * share
    assert (at.adjusted.base_kg, at.adjusted.height_cm, at.adjusted.kg) == (d("45.5"), 160, at.dosing_kg)


def test_the_ideal_weight_of_a_man_begins_at_another_base() -> None:
    adjusted = body(weight("100"), height("170"), sex="male").adjusted
    assert adjusted is not None
    assert adjusted.base_kg == 50


def test_a_short_patient_has_at_least_the_base() -> None:
    adjusted = body(weight("100"), height("150")).adjusted
    assert adjusted is not None
    assert adjusted.ideal_kg == adjusted.base_kg


def test_the_height_behind_a_charted_index_is_worked_back() -> None:
    """100 kg at an index of 40: the square root of 2.5 is 1.5811 m."""
    adjusted = body(weight("100"), bmi("40")).adjusted
    assert adjusted is not None
    assert round(adjusted.height_cm, 2) == d("158.11")


FINDINGS = [(1, 1), (0, 1), (-1, 0), (None, 1)]


@pytest.mark.parametrize(("recorded", "counted"), FINDINGS)
def test_a_finding_counts_from_when_it_was_recorded_and_without_a_date_always(
    recorded: float | None, counted: int
) -> None:
    chart = picture(finding(FindingKind.AMPUTATION, ago=recorded))
    assert len(current_findings(chart, NOW)) == counted


EARLIER = [
    # a measurement, whether it is an earlier weight in the 30 days before one of 20 h ago
    (weight("60", 21), True),
    (weight("60", 20), False),  # the present one
    (weight("60", 20 + 30 * DAY), True),
    (weight("60", 20.1 + 30 * DAY), False),
    (weight("60", 40, **PROVISIONAL), False),
    (weight("6", 40), False),
    (height("160", 40), False),
    (Measurement(kind=MeasureKind.WEIGHT, value=None, taken=h(40)), False),
    (Measurement(kind=MeasureKind.WEIGHT, value=d(60), taken=None), False),
]


@pytest.mark.parametrize(("measurement", "counts"), EARLIER)
def test_an_earlier_weight_is_firm_and_inside_the_window(measurement: Measurement, counts: bool) -> None:
    chart = picture(measurement, kg=None)
    found = weights_before(chart, aspen(), NOW, before=h(20), window=span(d(30), "d"))
    assert found == ([measurement] if counts else [])
    assert weights_before(chart, aspen(), h(50), before=h(20), window=span(d(30), "d")) == (
        [measurement] if counts and measurement.taken <= h(50) else []
    )  # type: ignore[operator]
