"""Laboratory results: which count, how firmly, from when, and what is set aside by name. One row, one rule."""

from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from andante.chart.codes import load_codes
from andante.domain.picture import Firmness, LabResult, Matrix
from andante.domain.quantities import Analyte, Level, mmol_per_l
from charts import (
    DRAWN,
    LOINC,
    MAGNESIUM,
    MAGNESIUM_MASS,
    MODIFIER,
    PHOSPHATE,
    PHOSPHATE_MASS,
    POTASSIUM,
    SNOMED,
    TERMINOLOGY,
    UCUM,
    Json,
    a_lab,
    a_resource,
    concept,
    note_codes,
    picture_of,
    quantity,
)

DRAWN_AT = datetime(2026, 3, 2, 4, 10, tzinfo=UTC)


def result_of(*resources: Json, patient: Json | None = None) -> LabResult:
    (result,) = picture_of(*resources, patient=patient).results
    return result


# --------------------------------------------------------------------------- codes and units


@pytest.mark.parametrize(
    ("code", "value", "unit", "analyte", "level", "matrix"),
    [
        (POTASSIUM, "3.4", "mmol/L", Analyte.POTASSIUM, "3.4", Matrix.SERUM_PLASMA),
        (POTASSIUM, "3.4", "meq/L", Analyte.POTASSIUM, "3.4", Matrix.SERUM_PLASMA),
        (POTASSIUM, "3.4", "mEq/L", Analyte.POTASSIUM, "3.4", Matrix.SERUM_PLASMA),
        ("6298-4", "3.4", "mmol/L", Analyte.POTASSIUM, "3.4", Matrix.BLOOD),
        ("12812-4", "3.4", "mmol/l", Analyte.POTASSIUM, "3.4", Matrix.SERUM_PLASMA),
        ("22760-3", "13", "mg/dL", Analyte.POTASSIUM, "3.325", Matrix.SERUM_PLASMA),
        ("75940-7", "13", "mg/dL", Analyte.POTASSIUM, "3.325", Matrix.BLOOD),
        (PHOSPHATE, "0.62", "mmol/L", Analyte.PHOSPHATE, "0.62", Matrix.SERUM_PLASMA),
        (PHOSPHATE, "620", "umol/L", Analyte.PHOSPHATE, "0.62", Matrix.SERUM_PLASMA),
        (PHOSPHATE_MASS, "2.5", "mg/dL", Analyte.PHOSPHATE, "0.807", Matrix.SERUM_PLASMA),
        (PHOSPHATE_MASS, "2.5", "mg/dl", Analyte.PHOSPHATE, "0.807", Matrix.SERUM_PLASMA),
        (MAGNESIUM, "0.62", "mmol/L", Analyte.MAGNESIUM, "0.62", Matrix.SERUM_PLASMA),
        (MAGNESIUM, "1.24", "meq/L", Analyte.MAGNESIUM, "0.62", Matrix.SERUM_PLASMA),
        (MAGNESIUM_MASS, "1.7", "mg/dL", Analyte.MAGNESIUM, "0.699", Matrix.SERUM_PLASMA),
    ],
)
def test_a_result_is_read_in_mmol_per_litre(
    code: str, value: str, unit: str, analyte: Analyte, level: str, matrix: Matrix
) -> None:
    result = result_of(a_lab(code, Decimal(value).__float__(), unit))
    assert result.analyte is analyte
    assert result.level is not None
    assert result.level.is_exact
    assert result.level.value is not None
    assert round(result.level.value, 3) == Decimal(level)
    assert (result.matrix, result.firmness, result.problem) == (matrix, Firmness.FIRM, None)
    assert result.source == "Observation/lab/_history/1"


@pytest.mark.parametrize(
    ("code", "value", "problem"),
    [
        (PHOSPHATE_MASS, quantity(0.8, "mmol/L"), "does not fit its code"),
        (PHOSPHATE, quantity(2.5, "mg/dL"), "does not fit its code"),
        (MAGNESIUM, quantity(1.7, "mg/dL"), "does not fit its code"),
        (PHOSPHATE, quantity(1.6, "meq/L"), "cannot be read here"),  # valence depends on pH
        (PHOSPHATE, quantity(0.8, None), "no unit"),
        (PHOSPHATE, quantity(0.8, None, unit="units"), "not a known spelling"),
        (PHOSPHATE, quantity(0.8, "g"), "cannot be read here"),
        (PHOSPHATE, quantity(0.8, "mmol/L", system="http://hospital.example/units"), "not coded in UCUM"),
        (PHOSPHATE, quantity(0.8, "mmol/L", unit="mg/dL"), "but shown as"),
        (MAGNESIUM, quantity(1.4, "mmol/L", unit="mEq/L"), "but shown as"),
        (PHOSPHATE, quantity(0, "mmol/L"), "not above zero"),
        (PHOSPHATE, quantity(-0.8, "mmol/L"), "not above zero"),
        (PHOSPHATE, quantity(None, "mmol/L"), "no number"),
        (PHOSPHATE, quantity(0.8, "mmol/L", comparator="ad"), "leaves its value open"),
        (PHOSPHATE, quantity(0.8, "mmol/L", comparator="~"), "leaves its value open"),
    ],
)
def test_a_value_that_cannot_be_read_is_kept_as_unread(code: str, value: Json, problem: str) -> None:
    picture = picture_of(a_lab(code, valueQuantity=value))
    (result,) = picture.results
    assert result.level is None
    assert problem in (result.problem or "")
    assert result.collected == DRAWN_AT  # so that it holds against an older readable one
    assert "unreadable-result" in note_codes(picture)


def test_equal_units_in_code_and_display_do_not_contradict() -> None:
    value = quantity(3.4, "mmol/L", unit="mEq/L")  # for potassium the same
    assert result_of(a_lab(POTASSIUM, valueQuantity=value)).level == Level.exact(Decimal("3.4"))


@pytest.mark.parametrize(
    ("unit", "note"), [("mEq/L", "unit-spelling"), ("meq/L", None), ("mmol/L", None), ("mmol/l", None)]
)
def test_a_spelling_outside_ucum_is_noted(unit: str, note: str | None) -> None:
    assert note_codes(picture_of(a_lab(POTASSIUM, 3.4, unit))) == ({note} if note else set())


@pytest.mark.parametrize(
    "other",
    [
        {"valueString": "0.71 mmol/L"},
        {"valueString": "<0.7 mg/dL"},
        {"valueInteger": 1},
        {"valueRange": {"low": quantity(0.6, "mmol/L"), "high": quantity(0.9, "mmol/L")}},
        {"valueRatio": {"numerator": quantity(1, "mmol"), "denominator": quantity(1, "L")}},
        {"valueCodeableConcept": {"text": "low"}},
        {"valueBoolean": True},
        {"valueDateTime": DRAWN},
    ],
)
def test_only_a_quantity_is_a_number(other: Json) -> None:
    result = result_of(a_lab(valueQuantity=None, **other))
    assert result.level is None
    assert "text is never read as a number" in (result.problem or "")


@pytest.mark.parametrize(
    ("comparator", "below", "at_least"),
    [("<", True, False), ("<=", False, False), (">", False, True), (">=", False, True)],
)
def test_a_comparator_proves_only_its_side(comparator: str, below: bool, at_least: bool) -> None:
    level = result_of(a_lab(valueQuantity=quantity(0.8, "mmol/L", comparator=comparator))).level
    assert level is not None
    assert level.surely_below(Decimal("0.8")) is below
    assert level.surely_at_least(Decimal("0.8")) is at_least


@pytest.mark.parametrize("code", ["2824-1", "2597-3", "2828-2", "2778-9", "19124-7", "718-7"])
def test_red_cells_urine_and_other_substances_give_no_result_and_no_note(code: str) -> None:
    picture = picture_of(a_lab(code, 80, "mmol/L"))
    assert picture.results == ()
    assert picture.notes == ()


@pytest.mark.parametrize(
    ("codes", "analytes"),
    [
        ((POTASSIUM, PHOSPHATE), {Analyte.POTASSIUM, Analyte.PHOSPHATE}),
        ((POTASSIUM, "2824-1"), {Analyte.POTASSIUM}),
        ((PHOSPHATE, PHOSPHATE_MASS), {Analyte.PHOSPHATE}),
        ((POTASSIUM, "6298-4"), {Analyte.POTASSIUM}),
    ],
)
def test_codes_that_contradict_each_other_make_every_analyte_they_name_unreadable(
    codes: tuple[str, ...], analytes: set[Analyte]
) -> None:
    picture = picture_of(a_lab(code=concept(*((LOINC, code) for code in codes))))
    assert {result.analyte for result in picture.results} == analytes
    assert all(result.level is None and result.problem for result in picture.results)
    assert "conflicting-codes" in note_codes(picture)


def test_a_serum_code_on_a_urine_specimen_is_unreadable() -> None:
    urine = a_resource("Specimen", "s1", type=concept((f"{TERMINOLOGY}/v2-0487", "UR")))
    result = result_of(a_lab(specimen={"reference": "Specimen/s1"}), urine)
    assert result.level is None
    assert "urine" in (result.problem or "")


@pytest.mark.parametrize(
    ("code", "looks"),
    [
        (concept(text="Potassium"), True),
        (concept(text="S-PHOSPHATE"), True),
        (concept(text="serum magnesium (mmol/L)"), True),
        (concept(("http://hospital.example/lab", "K7"), text="Kalium"), True),
        ({"coding": [{"system": "http://hospital.example/lab", "code": "P", "display": "Phosphorus"}]}, True),
        (concept(text="Potassium, urine"), False),
        (concept(text="Magnesium in red blood cells"), False),
        (concept(text="Alkaline phosphatase"), False),
        (concept(text="Glucose-6-phosphate dehydrogenase"), False),
        (concept(text="Sodium"), False),
        ({}, False),
    ],
)
def test_an_uncoded_or_unmapped_look_alike_is_noted_and_never_a_result(code: Json, looks: bool) -> None:
    picture = picture_of(a_lab(code=code))
    assert picture.results == ()
    assert note_codes(picture) == ({"uncoded-analyte"} if looks else set())


def test_an_unmapped_code_outside_the_laboratory_is_no_look_alike() -> None:
    code = concept(("http://hospital.example/ward", "Q1"), text="potassium discussed with the patient")
    survey = [concept((f"{TERMINOLOGY}/observation-category", "survey"))]
    assert picture_of(a_lab(code=code, category=survey)).notes == ()


# --------------------------------------------------------------------------- status


@pytest.mark.parametrize(
    ("status", "firmness", "note"),
    [
        ("final", Firmness.FIRM, None),
        ("amended", Firmness.FIRM, None),
        ("corrected", Firmness.FIRM, None),
        ("preliminary", Firmness.PROVISIONAL, None),
        ("registered", Firmness.PROVISIONAL, None),
        ("unknown", Firmness.PROVISIONAL, None),
        ("FINAL", Firmness.PROVISIONAL, "unknown-status"),
        ("verified", Firmness.PROVISIONAL, "unknown-status"),
        (None, Firmness.PROVISIONAL, "unknown-status"),
        ("entered-in-error", None, "void-result"),
        ("cancelled", None, "void-result"),
    ],
)
def test_a_status_says_how_firm_a_result_is(status: Any, firmness: Firmness | None, note: str | None) -> None:
    picture = picture_of(a_lab(status=status))
    assert [result.firmness for result in picture.results] == ([firmness] if firmness else [])
    assert note_codes(picture) == ({note} if note else set())


def test_registered_without_a_value_is_a_draw_whose_result_is_pending() -> None:
    picture = picture_of(a_lab(status="registered", valueQuantity=None))
    assert picture.results == ()
    (collection,) = picture.collections
    assert collection.analytes == {Analyte.PHOSPHATE}
    assert collection.collected == DRAWN_AT


def test_a_registered_panel_is_a_draw_of_its_analytes() -> None:
    panel = a_lab("24362-6", status="registered", valueQuantity=None)
    (collection,) = picture_of(panel).collections
    assert collection.analytes == {Analyte.POTASSIUM, Analyte.PHOSPHATE}


@pytest.mark.parametrize(
    "elements",
    [
        {},
        {"dataAbsentReason": concept((f"{TERMINOLOGY}/data-absent-reason", "error"))},
        {"status": "registered", "dataAbsentReason": concept((f"{TERMINOLOGY}/data-absent-reason", "error"))},
        {"status": "preliminary"},
    ],
)
def test_no_value_is_an_unread_result(elements: Json) -> None:
    result = result_of(a_lab(valueQuantity=None, **elements))
    assert result.level is None
    assert "it has no value" in (result.problem or "")


def test_a_value_beside_a_reason_for_having_none_is_unreadable() -> None:
    absent = concept((f"{TERMINOLOGY}/data-absent-reason", "error"))
    assert result_of(a_lab(dataAbsentReason=absent)).level is None


def test_a_panel_without_members_and_with_a_reason_makes_its_analytes_unread() -> None:
    absent = concept((SNOMED, "125154007"))
    results = picture_of(a_lab("24362-6", valueQuantity=None, dataAbsentReason=absent)).results
    assert {result.analyte for result in results} == {Analyte.POTASSIUM, Analyte.PHOSPHATE}
    assert all(result.level is None for result in results)


def test_a_site_may_let_the_unit_alone_decide(tmp_path: Path) -> None:
    row = (
        '{system = "loinc", code = "2601-3", meaning = "magnesium", analyte = "magnesium", '
        'matrix = "serum or plasma", property = "any", source = "laboratory catalogue", tag = "site"}'
    )
    (tmp_path / "site.toml").write_text(f"[tables]\nlab = [{row}]", encoding="utf-8")
    codes = load_codes(overlay=tmp_path / "site.toml")
    (result,) = picture_of(a_lab(MAGNESIUM, 1.7, "mg/dL"), codes=codes).results
    assert result.level is not None
    assert result.problem is None


def test_a_modifier_extension_anywhere_leaves_an_unread_result() -> None:
    deep = quantity(0.9, "mmol/L")
    for lab in (
        a_lab(modifierExtension=MODIFIER),
        a_lab(implicitRules="https://elsewhere.example/rules"),
        a_lab(referenceRange=[{"low": deep, "modifierExtension": MODIFIER}]),
    ):
        picture = picture_of(lab)
        (result,) = picture.results
        assert result.level is None
        assert result.problem
        assert "modifier-extension" in note_codes(picture)


# --------------------------------------------------------------------------- panels


def part(code: str, value: float | None, unit: str = "mmol/L", **elements: Any) -> Json:
    whole = {"code": concept((LOINC, code)), "valueQuantity": quantity(value, unit) if value else None} | elements
    return {name: element for name, element in whole.items() if element is not None}


def test_components_are_results_of_their_own_that_share_the_draw() -> None:
    panel = a_lab(
        "24362-6",
        valueQuantity=None,
        status="preliminary",
        component=[part(POTASSIUM, 3.4), part(PHOSPHATE_MASS, 2.5, "mg/dL"), part("2160-0", 90, "umol/L")],
    )
    results = picture_of(panel).results
    assert [result.analyte for result in results] == [Analyte.POTASSIUM, Analyte.PHOSPHATE]
    assert {result.collected for result in results} == {DRAWN_AT}
    assert {result.firmness for result in results} == {Firmness.PROVISIONAL}
    assert all(result.level is not None for result in results)


def test_a_component_has_its_own_doubt_range_and_absence() -> None:
    panel = a_lab(
        "24326-1",
        valueQuantity=None,
        component=[
            part(POTASSIUM, 5.9, interpretation=[concept(text="haemolysed")]),
            part(PHOSPHATE, None, dataAbsentReason=concept((f"{TERMINOLOGY}/data-absent-reason", "error"))),
            part(
                MAGNESIUM,
                0.8,
                referenceRange=[{"low": quantity(0.7, "mmol/L"), "high": quantity(1.0, "mmol/L")}],
            ),
        ],
    )
    potassium, phosphate, magnesium = picture_of(panel).results
    assert potassium.specimen_problem
    assert phosphate.level is None
    assert phosphate.specimen_problem is None
    assert (magnesium.range_low, magnesium.range_high) == (Decimal("0.7"), Decimal("1.0"))


def test_a_heading_over_members_gives_no_result_of_its_own() -> None:
    heading = a_lab("24362-6", valueQuantity=None, hasMember=[{"reference": "Observation/lab"}], id="panel")
    assert len(picture_of(heading, a_lab()).results) == 1


def test_an_uncoded_component_that_looks_like_an_analyte_is_noted() -> None:
    panel = a_lab("24326-1", valueQuantity=None, component=[{"code": {"text": "Potassium"}}])
    assert "uncoded-analyte" in note_codes(picture_of(panel))


# --------------------------------------------------------------------------- time


@pytest.mark.parametrize(
    ("elements", "oldest", "newest"),
    [
        ({"effectiveDateTime": "2026-03-02T05:10:00+01:00"}, "2026-03-02T04:10:00", "2026-03-02T04:10:00"),
        ({"effectiveInstant": "2026-03-02T05:10:00.5Z"}, "2026-03-02T05:10:00.500000", "2026-03-02T05:10:00.500000"),
        # a date is as old as it can be, in the hospital's own day (Vienna, +01:00)
        ({"effectiveDateTime": "2026-03-02"}, "2026-03-01T23:00:00", "2026-03-02T22:59:59.999999"),
        (
            {"effectivePeriod": {"start": "2026-03-02T05:00:00Z", "end": "2026-03-02T05:20:00Z"}},
            "2026-03-02T05:00:00",
            "2026-03-02T05:20:00",
        ),
        ({"effectivePeriod": {"start": "2026-03-02T05:00:00Z"}}, "2026-03-02T05:00:00", "2026-03-02T05:00:00"),
    ],
)
def test_a_result_belongs_to_its_collection_time(elements: Json, oldest: str, newest: str) -> None:
    result = result_of(a_lab(**({"effectiveDateTime": None} | elements)))
    assert result.collected == datetime.fromisoformat(oldest).replace(tzinfo=UTC)
    assert result.latest == datetime.fromisoformat(newest).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("collection", "oldest"),
    [
        ({"collectedDateTime": "2026-03-02T05:00:00Z"}, "2026-03-02T05:00:00+00:00"),
        ({"collectedPeriod": {"start": "2026-03-02T05:00:00Z"}}, "2026-03-02T05:00:00+00:00"),
        ({}, None),
    ],
)
def test_without_an_effective_time_the_specimen_tells(collection: Json, oldest: str | None) -> None:
    specimen = a_resource("Specimen", "s1", collection=collection)
    lab = a_lab(effectiveDateTime=None, specimen={"reference": "Specimen/s1"}, issued="2026-03-02T07:00:00Z")
    result = result_of(lab, specimen)
    assert result.collected == (datetime.fromisoformat(oldest) if oldest else None)
    assert result.specimen == "Specimen/s1"


def test_the_time_of_the_report_is_never_the_time_of_the_draw() -> None:
    picture = picture_of(a_lab(effectiveDateTime=None, issued="2026-03-02T07:00:00Z"))
    (result,) = picture.results
    assert result.collected is None
    assert result.reported == datetime(2026, 3, 2, 7, tzinfo=UTC)
    assert "no-collection-time" in note_codes(picture)


@pytest.mark.parametrize(
    "elements",
    [
        {"effectiveDateTime": "2026-03-02T05:10:00"},
        {"effectiveDateTime": "2026-03-02 05:10"},
        {"effectiveDateTime": "yesterday"},
        {"effectiveDateTime": None, "effectivePeriod": {"start": "2026-03-02T05:00:00Z", "end": "2026-03-01"}},
    ],
)
def test_an_illegal_time_is_unknown_and_no_other_is_put_in_its_place(elements: Json) -> None:
    specimen = a_resource("Specimen", "s1", collection={"collectedDateTime": "2026-03-02T05:00:00Z"})
    picture = picture_of(a_lab(specimen={"reference": "Specimen/s1"}, **elements), specimen)
    assert picture.results[0].collected is None
    assert "illegal-time" in note_codes(picture)


# --------------------------------------------------------------------------- specimen


@pytest.mark.parametrize(
    ("elements", "doubted"),
    [
        ({"interpretation": [concept((f"{TERMINOLOGY}/v2-0493", "HEM"))]}, True),
        ({"interpretation": [concept((SNOMED, "118128002"))]}, True),
        ({"interpretation": [concept((f"{TERMINOLOGY}/v3-ObservationInterpretation", "QCF"))]}, True),
        ({"interpretation": [concept((f"{TERMINOLOGY}/v3-ObservationInterpretation", "H"))]}, False),
        ({"note": [{"text": "Specimen grossly HAEMOLYSED."}]}, True),
        ({"note": [{"text": "slight hemolysis"}]}, True),
        ({"note": [{"text": "taken from the drip arm"}]}, True),
        ({"note": [{"text": "phoned to the ward"}]}, False),
        ({"interpretation": [{"coding": [{"code": "X", "display": "Hemolyzed"}]}]}, True),
        ({"note": [{"time": "2026-03-02"}]}, False),
    ],
)
def test_a_doubt_about_the_specimen_is_kept_beside_the_level(elements: Json, doubted: bool) -> None:
    result = result_of(a_lab(POTASSIUM, 5.4, **elements))
    assert result.level == Level.exact(Decimal("5.4"))  # a low one would still count
    assert bool(result.specimen_problem) is doubted


@pytest.mark.parametrize(
    ("elements", "doubted"),
    [
        ({"condition": [concept((f"{TERMINOLOGY}/v2-0493", "HEM"))]}, True),
        ({"condition": [concept((f"{TERMINOLOGY}/v2-0493", "CON"))]}, True),
        ({"condition": [concept((f"{TERMINOLOGY}/v2-0493", "COOL"))]}, False),
        ({"condition": [concept(text="contaminated with infusion")]}, True),
        ({"status": "unsatisfactory"}, True),
        ({"status": "entered-in-error"}, True),
        ({"status": "available"}, False),
        ({"modifierExtension": MODIFIER}, True),
        ({"note": [{"text": "clotted"}]}, True),
    ],
)
def test_the_specimen_itself_can_raise_the_doubt(elements: Json, doubted: bool) -> None:
    specimen = a_resource("Specimen", "s1", **elements)
    result = result_of(a_lab(POTASSIUM, 5.4, specimen={"reference": "Specimen/s1"}), specimen)
    assert bool(result.specimen_problem) is doubted


def test_an_unsatisfactory_specimen_as_reason_keeps_a_value_in_doubt() -> None:
    result = result_of(a_lab(POTASSIUM, 2.1, dataAbsentReason=concept((SNOMED, "125154007"))))
    assert result.level == Level.exact(Decimal("2.1"))
    assert result.specimen_problem


def test_a_specimen_of_another_patient_lends_no_time() -> None:
    other = a_resource(
        "Specimen",
        "s1",
        subject={"reference": "Patient/p2"},
        collection={"collectedDateTime": "2026-03-02T05:00:00Z"},
    )
    picture = picture_of(a_lab(effectiveDateTime=None, specimen={"reference": "Specimen/s1"}), other)
    assert picture.results[0].collected is None
    assert "other-patient" in note_codes(picture)


@pytest.mark.parametrize(
    ("reference", "key"),
    [
        ({"reference": "Specimen/s9"}, "Specimen/s9"),
        ({"reference": "https://fhir.example/base/Specimen/s9/_history/3"}, "Specimen/s9"),
        ({"reference": "#tube"}, "Observation/lab#tube"),
        ({"identifier": {"system": "urn:lab", "value": "77"}}, "urn:lab|77"),
        (None, None),
    ],
)
def test_results_of_one_specimen_can_be_told(reference: Json | None, key: str | None) -> None:
    assert result_of(a_lab(specimen=reference)).specimen == key


# --------------------------------------------------------------------------- reference ranges

A_RANGE = {"low": quantity(0.8, "mmol/L"), "high": quantity(1.4, "mmol/L")}
A_MAN = concept((f"{TERMINOLOGY}/v3-AdministrativeGender", "M"))
A_WOMAN = concept((SNOMED, "248152002"))
NORMAL = concept((f"{TERMINOLOGY}/referencerange-meaning", "normal"))
THERAPEUTIC = concept((f"{TERMINOLOGY}/referencerange-meaning", "therapeutic"))


def years(value: int) -> Json:
    return quantity(value, "a")


@pytest.mark.parametrize(
    ("ranges", "low", "noted"),
    [
        ([A_RANGE], "0.8", False),
        ([A_RANGE | {"type": NORMAL}], "0.8", False),
        ([A_RANGE | {"type": THERAPEUTIC}], None, False),
        ([A_RANGE | {"appliesTo": [A_WOMAN]}], "0.8", False),
        ([A_RANGE | {"appliesTo": [A_MAN]}], None, False),
        ([A_RANGE | {"appliesTo": [concept(text="pregnancy")]}], None, True),
        ([A_RANGE | {"appliesTo": [A_WOMAN, concept(text="pregnancy")]}], None, True),
        ([A_RANGE | {"age": {"low": years(18)}}], "0.8", False),
        ([A_RANGE | {"age": {"low": years(18), "high": years(68)}}], "0.8", False),  # she is 68
        ([A_RANGE | {"age": {"high": years(17)}}], None, False),
        ([A_RANGE | {"age": {"low": quantity(18, None)}}], None, True),
        ([A_RANGE | {"age": {"low": {"code": "a"}}}], None, True),
        ([A_RANGE | {"age": {"low": quantity(216, "mo"), "high": quantity(50000, "d")}}], "0.8", False),
        ([A_RANGE, {"low": quantity(0.9, "mmol/L"), "appliesTo": [A_WOMAN]}], "0.9", False),
        ([A_RANGE, A_RANGE], "0.8", False),
        ([A_RANGE, {"low": quantity(0.9, "mmol/L")}], None, True),
        ([{"low": quantity(0.8, None), "high": quantity(1.4, None)}], None, True),
        ([{"low": quantity(1.4, "mmol/L"), "high": quantity(0.8, "mmol/L")}], None, True),
        ([{"low": quantity(0.8, "mmol/L", comparator=">")}], None, True),
        ([{"text": "0.8 to 1.4"}], None, False),
        ([{"low": quantity(2.5, "mg/dL")}], mmol_per_l(Analyte.PHOSPHATE, Decimal("2.5"), "mg/dL"), False),
    ],
)
def test_a_reference_range_counts_when_it_is_normal_and_for_this_patient(
    ranges: list[Json], low: Any, noted: bool
) -> None:
    picture = picture_of(a_lab(referenceRange=ranges))
    (result,) = picture.results
    assert result.range_low == (Decimal(low) if low else None)
    assert ("range-not-used" in note_codes(picture)) is noted


@pytest.mark.parametrize("given", [{"appliesTo": [A_MAN]}, {"age": {"low": years(18)}}])
def test_a_range_for_some_is_not_used_for_a_person_not_known(given: Json) -> None:
    nobody = {"resourceType": "Patient", "id": "p1"}
    picture = picture_of(a_lab(referenceRange=[A_RANGE | given]), patient=nobody)
    assert picture.results[0].range_low is None
    assert "range-not-used" in note_codes(picture)


# --------------------------------------------------------------------------- who


@pytest.mark.parametrize(
    ("subject", "note"),
    [
        ({"reference": "Patient/p2"}, "other-patient"),
        ({"reference": "Group/p1"}, "other-patient"),
        ({"display": "somebody"}, "no-subject"),
        (None, "no-subject"),
    ],
)
def test_a_result_of_somebody_else_never_gets_in(subject: Json | None, note: str) -> None:
    picture = picture_of(a_lab(subject=subject))
    assert picture.results == ()
    assert note_codes(picture) == {note}
    assert "p2" not in "".join(found.text for found in picture.notes)


def test_what_was_written_is_kept_and_never_grows_long() -> None:
    assert result_of(a_lab(POTASSIUM, 3.4, "mmol/L")).written == "3.4 mmol/L"
    censored = quantity(0.3, "mmol/L", comparator="<")
    assert result_of(a_lab(valueQuantity=censored)).written == "<0.3 mmol/L"
    endless = result_of(a_lab(valueQuantity=None, valueString="9" * 100_000))
    assert len(endless.written) <= 80
    assert UCUM not in endless.written
