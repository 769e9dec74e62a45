"""Units: against an independent UCUM library, against published anchors, and what is refused."""

from decimal import Decimal

import pytest
from ucumvert import PintUcumRegistry

from andante.chart.datatypes import Quantity, Ratio
from andante.chart.units import Unreadable, amount, convert, ratio_amount, to, unit_of
from andante.domain.quantities import Analyte, UnknownUnit, mmol_per_l
from charts import CODES, UCUM

LIBRARY = PintUcumRegistry()

# `[Cal]` is missing here: the library reads it as a thousandth of what the UCUM table says (1 kcal).
PAIRS = [
    ("[foz_us]", "mL"),
    ("L", "mL"),
    ("dL", "mL"),
    ("uL", "mL"),
    ("cm3", "mL"),
    ("kg", "g"),
    ("mg", "g"),
    ("ug", "mg"),
    ("[lb_av]", "kg"),
    ("[oz_av]", "g"),
    ("m", "cm"),
    ("[in_i]", "cm"),
    ("[ft_i]", "cm"),
    ("kJ", "kcal"),
    ("d", "h"),
    ("wk", "h"),
    ("min", "h"),
    ("mL/min", "mL/h"),
    ("mL/d", "mL/h"),
    ("L/d", "mL/h"),
    ("kcal/[foz_us]", "kcal/mL"),
    ("kcal/L", "kcal/mL"),
    ("kJ/mL", "kcal/mL"),
    ("kJ/d", "kcal/d"),
    ("g/L", "g/mL"),
    ("g/dL", "g/mL"),
    ("mg/mL", "g/mL"),
    ("mol/L", "mmol/mL"),
]


@pytest.mark.parametrize(("ucum", "wanted"), PAIRS)
def test_conversions_agree_with_an_independent_ucum_library(ucum: str, wanted: str) -> None:
    theirs = (7 * LIBRARY.from_ucum(ucum)).to(LIBRARY.from_ucum(wanted)).magnitude
    assert float(convert(Decimal(7), ucum, wanted)) == pytest.approx(theirs, rel=1e-12)


@pytest.mark.parametrize("written", [u for u, entry in CODES.units.items() if entry.note is None])
def test_a_spelling_without_a_note_is_ucum_itself(written: str) -> None:
    theirs, ours = LIBRARY.from_ucum(written), LIBRARY.from_ucum(CODES.units[written].ucum)
    assert (1 * theirs).to(ours).magnitude == pytest.approx(1, rel=1e-12)


@pytest.mark.parametrize("unit", ["mEq/L", "cal/mL", "lb", "mL/hr"])
def test_a_spelling_that_is_not_ucum_or_not_meant_so_carries_a_note(unit: str) -> None:
    assert CODES.units[unit].note is not None


@pytest.mark.parametrize(
    ("analyte", "mg_dl", "mmol_l"),
    [
        # anchors by arithmetic on the AMA factors: phosphate as elemental phosphorus, mg/dL × 0.3229
        (Analyte.PHOSPHATE, "2.5", "0.807"),
        (Analyte.PHOSPHATE, "2.0", "0.646"),
        (Analyte.PHOSPHATE, "1.0", "0.323"),
        (Analyte.PHOSPHATE, "4.5", "1.453"),
        # magnesium, mg/dL × 0.4114
        (Analyte.MAGNESIUM, "1.7", "0.699"),
        (Analyte.MAGNESIUM, "1.8", "0.741"),
        (Analyte.MAGNESIUM, "1.2", "0.494"),
        (Analyte.MAGNESIUM, "1.0", "0.411"),
    ],
)
def test_published_anchors_of_mass_and_molar_levels(analyte: Analyte, mg_dl: str, mmol_l: str) -> None:
    read, _ = amount(
        Quantity(value=Decimal(mg_dl), unit="mg/dL", system=UCUM, code="mg/dL"),
        lambda value, ucum: mmol_per_l(analyte, value, ucum),
        CODES,
    )
    assert round(read, 3) == Decimal(mmol_l)


@pytest.mark.parametrize(
    ("mmol_l", "mg_dl"),
    [("0.65", "2.0"), ("0.16", "0.5")],  # ESPEN's bounds as re-printed in mg/dL (J Intensive Care 2025)
)
def test_a_published_pair_of_phosphate_bounds(mmol_l: str, mg_dl: str) -> None:
    assert round(mmol_per_l(Analyte.PHOSPHATE, Decimal(mg_dl), "mg/dL"), 2) == Decimal(mmol_l)


@pytest.mark.parametrize(
    ("value", "unit", "kcal_ml"),
    [
        ("1", "cal/mL", "1"),
        ("1.5", "cal/mL", "1.5"),
        ("20", "cal/[foz_us]", "0.6763"),
        ("30", "kcal/[foz_us]", "1.0144"),
        ("1000", "kcal/L", "1"),
        ("4.184", "kJ/mL", "1"),
        ("1", "[Cal]/mL", "1"),  # UCUM table: [Cal] is 1 kcal
    ],
)
def test_energy_densities(value: str, unit: str, kcal_ml: str) -> None:
    read, notes = amount(Quantity(value=Decimal(value), system=UCUM, code=unit), to("kcal/mL"), CODES)
    assert round(read, 4) == Decimal(kcal_ml)
    assert [code for code, _ in notes] == (["energy-unit-read-as-kcal"] if unit.startswith("cal") else [])


def test_a_bare_calorie_is_not_read_as_a_kilocalorie() -> None:
    with pytest.raises(Unreadable):
        amount(Quantity(value=Decimal(1500), system=UCUM, code="cal"), to("kcal"), CODES)


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (None, "no number"),
        (Quantity(system=UCUM, code="mL"), "no number"),
        (Quantity(value=Decimal(5)), "no unit"),
        (Quantity(value=Decimal(5), unit=" "), "no unit"),
        (Quantity(value=Decimal(5), unit="tins"), "not a known spelling"),
        (Quantity(value=Decimal(5), system=UCUM, code="{tin}"), "cannot be read here"),
        (Quantity(value=Decimal(5), system=UCUM, code="kg"), "cannot be read here"),
        (Quantity(value=Decimal(5), system="http://elsewhere.example", code="mL"), "not coded in UCUM"),
        (Quantity(value=Decimal(0), system=UCUM, code="mL"), "not above zero"),
        (Quantity(value=Decimal(-5), system=UCUM, code="mL"), "not above zero"),
        (Quantity(value=Decimal(5), comparator="<", system=UCUM, code="mL"), "leaves its value open"),
        (Quantity(value=Decimal(5), unit="L", system=UCUM, code="mL"), "but shown as"),
    ],
)
def test_what_is_refused_says_why(given: Quantity | None, says: str) -> None:
    with pytest.raises(Unreadable, match=says):
        amount(given, to("mL"), CODES)


@pytest.mark.parametrize(
    ("given", "notes"),
    [
        (Quantity(value=Decimal(5), unit="milliliters", system=UCUM, code="mL"), []),
        (Quantity(value=Decimal(5), unit="mL/h", system=UCUM, code="mL"), []),  # a display is not a second unit
        (Quantity(value=Decimal(5), unit="ml", system=UCUM, code="mL"), []),
        (Quantity(value=Decimal(5), system="urn:oid:2.16.840.1.113883.6.8", code="mL"), []),
        (Quantity(value=Decimal(5), unit="mL"), ["unit-not-coded"]),
        (Quantity(value=Decimal(5), code="mL"), ["unit-without-system"]),
    ],
)
def test_what_is_accepted_and_noted(given: Quantity, notes: list[str]) -> None:
    value, taken = amount(given, to("mL"), CODES)
    assert value == 5
    assert [code for code, _ in taken] == notes


def test_body_units_must_be_coded() -> None:
    with pytest.raises(Unreadable, match="not coded"):
        unit_of(Quantity(value=Decimal(70), unit="kg"), CODES, coded_only=True)


@pytest.mark.parametrize("ucum", ["mmol/L", "mL/kg/h", "furlong", "", "/", "mL/"])
def test_a_unit_of_another_kind_is_not_converted(ucum: str) -> None:
    with pytest.raises(UnknownUnit):
        convert(Decimal(1), ucum, "mL/h")


def test_a_ratio_is_read_in_both_parts() -> None:
    over = Quantity(value=Decimal(10), system=UCUM, code="g")
    under = Quantity(value=Decimal(100), system=UCUM, code="mL")
    assert ratio_amount(Ratio(numerator=over, denominator=under), "g/mL", CODES)[0] == Decimal("0.1")
    for broken in (None, Ratio(numerator=over), Ratio(denominator=under)):
        with pytest.raises(Unreadable):
            ratio_amount(broken, "g/mL", CODES)
