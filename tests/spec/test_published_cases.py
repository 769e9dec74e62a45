"""Published check cases and unit anchors, each with its source.

`printed` means that the source prints the expected value; `derived` that it is arithmetic on what it prints; `from
memory` that the text was not read again. The sources print no case with serial levels and an ASPEN grade, no schedule
of 33 % steps, no 50 % cut and no enteral mL/h of a guideline: such cases elsewhere in this folder are synthetic.
"""

# ruff: noqa: E501 - a row is a case, and is read across

from decimal import Decimal

import pint
import pytest

from andante.domain.picture import Composition, EnergyKind, EnergyOrder
from andante.domain.quantities import Analyte, UnknownUnit, mmol_per_l
from andante.rules.energy import day_amount, kcal_per_ml
from andante.rules.situation import take_in
from andante.rules.sizing import glucose_rate
from andante.rules.trend import Grade, grade_of
from pictures import MG, NOW, K, P, advise, aspen, bmi, d, draw, feed, lab, nice, parenteral, picture, planned, propofol

# --------------------------------------------------------------------------- energy


def kcal(*orders: EnergyOrder) -> Decimal:
    amounts = [day_amount(o, aspen().energy, at=NOW, zone=picture().zone, frozen=True).kcal for o in orders]
    return sum((a for a in amounts if a is not None), Decimal(0))


def mix(
    ml_day: str, *, dextrose: str = "0", amino_acids: str = "0", lipid: str = "0", emulsion: bool = False
) -> EnergyOrder:
    """A parenteral order of so many mL a day, contents in percent (g/dL)."""
    rate = d(ml_day) / 24
    share = {"dextrose": dextrose, "amino_acids": amino_acids, "lipid": lipid}
    return parenteral(str(rate), emulsion=emulsion, **{name: str(d(v) / 100) for name, v in share.items()})


ENERGY = [
    pytest.param((mix("2400", dextrose="25", amino_acids="4.25", lipid="3"),), 3096, id="1 printed: D25 AA4.25 L3, 2400 mL (textbook Box 18.5 p. 266)"),
    pytest.param((mix("357", dextrose="70"), mix("1200", amino_acids="10"), mix("250", lipid="20", emulsion=True)), 1830, id="2 printed: 357 mL D70, 1200 mL AA10, 250 mL L20 (textbook Box 18.5)"),
    pytest.param((mix("1000", dextrose="50"),), 1700, id="3 printed: 1000 mL D50W (CSUN)"),
    pytest.param((mix("1800", dextrose="15", amino_acids="5"), mix("480", lipid="10", emulsion=True)), 1806, id="4 printed: D15 AA5 at 75 mL/h, 10 % lipid at 20 mL/h (studylib 5860385)"),
    pytest.param((mix("1200", dextrose="25", amino_acids="5.5"), mix("120", lipid="10", emulsion=True)), 1416, id="6 printed: 1200 mL D25 AA5.5, 10 % lipid 10 mL/h for 12 h (student cards, low authority)"),
    pytest.param((propofol("20", 40),), 528, id="7 printed: propofol 20 mL/h for 24 h (Bousie 2016)"),
    pytest.param((feed(str(d(711) / 24), 40),), 711, id="8 printed: 711 mL of enteral formula, 711 kcal (FHIR NutritionIntake example; 1.0 kcal/mL implied)"),
    pytest.param((mix("1000", dextrose="5"),), 170, id="derived: a litre of 5 % dextrose at 3.4 kcal/g"),
    pytest.param((mix("1000", dextrose="10"),), 340, id="derived: a litre of 10 % dextrose"),
    pytest.param((mix("1000", dextrose="70"),), 2380, id="printed: a litre of 70 % dextrose (textbook Box 18.5)"),
    pytest.param((mix("1000", amino_acids="10"),), 400, id="printed: a litre of 10 % amino acids (textbook Box 18.5)"),
]  # fmt: skip


@pytest.mark.parametrize(("orders", "expected"), ENERGY)
def test_energy(orders: tuple[EnergyOrder, ...], expected: int) -> None:
    """Printed sums are rounded part by part: half a kcal in two thousand is their rounding."""
    assert abs(kcal(*orders) - expected) < Decimal("0.7")


def test_case_5_the_parts_of_1700_kcal() -> None:
    """Printed (Manual of Clinical Nutrition Management 2013, III-100): 255 mL of 20 % lipid, 268 g dextrose, 70 g protein."""
    energy = aspen().energy
    lipid = d(255) * energy.lipid_emulsion_20.value
    dextrose = d(268) * energy.dextrose.value
    assert lipid == 1700 * d("0.30")
    assert abs(dextrose - 910) < 2  # 910 kcal printed; 911 by 3.4 kcal/g
    assert abs(lipid + dextrose + 70 * energy.amino_acids.value - 1700) < 2


GLUCOSE = [
    pytest.param("270", "65", "2.9", id="4 printed: 270 g in 65 kg (studylib 5860385)"),
    pytest.param("300", "58", "3.6", id="6 printed: 300 g in 58 kg (student cards, low authority)"),
]


@pytest.mark.parametrize(("grams_day", "kg", "printed"), GLUCOSE)
def test_glucose_infusion_rate(grams_day: str, kg: str, printed: str) -> None:
    assert round(glucose_rate(d(grams_day) / 24, d(kg)), 1) == d(printed)


def test_the_formula_of_the_glucose_infusion_rate() -> None:
    """Printed (hpn.hms.harvard.edu): mL/h x g/dL x 1000 / (kg x 60 x 100)."""
    ml_h, g_dl, kg = d(75), d(15), d(65)
    assert glucose_rate(ml_h * g_dl / 100, kg) == ml_h * g_dl * 1000 / (kg * 60 * 100)


LIPID = [
    pytest.param("0.1", "1.1", id="10 %: printed (allnurses t212188; studylib 5860385)"),
    pytest.param("0.2", "2.0", id="20 %: printed (allnurses t212188; studylib 5860385)"),
    pytest.param("0.3", "3.0", id="30 %: printed (allnurses t212188)"),
]


@pytest.mark.parametrize(("g_ml", "kcal_ml"), LIPID)
def test_lipid_emulsions(g_ml: str, kcal_ml: str) -> None:
    order = parenteral("10", dextrose="0", amino_acids="0", lipid=g_ml, emulsion=True)
    assert kcal_per_ml(order, aspen().energy)[0] == d(kcal_ml)


def test_citrate() -> None:
    """Printed (Bousie 2016): trisodium citrate 0.59 kcal/mmol."""
    order = feed("10", 40, density=None, kind=EnergyKind.CITRATE, composition=Composition(citrate_mmol_ml=d(1)))
    assert kcal_per_ml(order, aspen().energy)[0] == d("0.59")


def test_the_first_days_dextrose_in_kcal() -> None:
    """Derived: 100-150 g (printed, ACNM 2024 table 4 of ASPEN 2020) are 340-510 kcal."""
    energy = aspen().energy
    assert energy.initial_dextrose_low.value * energy.dextrose.value == 340
    assert energy.initial_dextrose_high.value * energy.dextrose.value == 510


NICE_DAY_1 = [
    # 9 printed (docest 188230): 30 kg 300, 60 kg 600. 40 kg is printed as 400; all are 10 kcal/kg.
    pytest.param("30", 300, id="9 printed: 30 kg, 300 kcal on day 1"),
    pytest.param("40", 400, id="9 printed: 40 kg, 400 kcal on day 1"),
    pytest.param("60", 600, id="9 printed: 60 kg, 600 kcal on day 1"),
]


@pytest.mark.parametrize(("kg", "expected"), NICE_DAY_1)
def test_case_9_the_first_day_by_nice(kg: str, expected: int) -> None:
    s = take_in(picture(planned(None), draw(5), kg=kg), nice(), NOW)
    assert s.allowance_kcal == expected
    advice = advise(planned(None), draw(5), kg=kg, protocol=nice()).advice
    assert advice.kcal is not None
    assert expected - 120 < advice.kcal <= expected


def test_case_10_obese_and_severely_low() -> None:
    """Printed (Nutrition 2009;25:364, abstract): P < 0.7 mg/dL, K and Mg low. Derived: < 0.23 mmol/L, severe."""
    assert round(mmol_per_l(P, d("0.7"), "mg/dL"), 2) == d("0.23")
    low = (lab(P, "<0.7", 5, unit="mg/dL"), lab(K, "3.1", 5), lab(MG, "0.6", 5))
    said = advise(feed("80", 40), draw(62), low, kg="130")
    assert said.advice.code == "urgent-review"
    assert next(v for v in said.analytes if v.analyte is P).state == "critical-low"
    assert all(n.analytes != () for n in said.notices if n.code == "replacement")


def test_case_12_a_body_mass_index_of_16_2() -> None:
    """Printed value (FHIR example), derived class: ASPEN moderate; NICE minor, not major."""
    for protocol, level in ((aspen(), "moderate"), (nice(), "moderate")):
        said = advise(bmi("16.2"), at_risk=False, protocol=protocol)
        assert next(c for c in said.risk.criteria if c.id == "bmi").level == level


def test_case_13_potassium_5_4_with_its_own_range() -> None:
    """Printed (US Core example): 5.4, reference 3.5-5.5: normal by its own range; derived: high by an upper limit of 5.0."""
    own = advise(feed("30", 40), draw(62), draw(5, k=None), lab(K, "5.4", 5, low="3.5", high="5.5"))
    without = advise(feed("30", 40), draw(62), draw(5, k=None), lab(K, "5.4", 5))
    assert next(v for v in own.analytes if v.analyte is K).state == "in-range"
    assert next(v for v in without.analytes if v.analyte is K).state == "high"


GRADES = [
    # Printed (ASPEN 2020, abstract; ACNM 2024 table 1): 10-20 mild, 20-30 moderate, > 30 severe. Edges are choices.
    pytest.param("9.99", Grade.NONE, id="printed: below 10 % is none"),
    pytest.param("10", Grade.MILD, id="printed: 10 % is mild"),
    pytest.param("19.99", Grade.MILD, id="printed: below 20 % is mild"),
    pytest.param("20", Grade.MODERATE, id="choice: 20 % stands in both bands and counts up"),
    pytest.param("30", Grade.MODERATE, id="printed: 30 % exactly is not more than 30"),
    pytest.param("30.01", Grade.SEVERE, id="printed: more than 30 % is severe"),
]


@pytest.mark.parametrize(("percent", "grade"), GRADES)
def test_grades_of_a_fall(percent: str, grade: Grade) -> None:
    assert grade_of(d(percent), aspen()) is grade


# --------------------------------------------------------------------------- units

ANCHORS = [
    # analyte, mg/dL, mmol/L to three places: derived from the atomic weights P 30.974, Mg 24.305
    pytest.param(P, "2.5", "0.807", id="phosphate 2.5 mg/dL"),
    pytest.param(P, "2.0", "0.646", id="phosphate 2.0 mg/dL: below 0.65"),
    pytest.param(P, "1.0", "0.323", id="phosphate 1.0 mg/dL"),
    pytest.param(P, "4.5", "1.453", id="phosphate 4.5 mg/dL"),
    pytest.param(MG, "1.7", "0.699", id="magnesium 1.7 mg/dL"),
    pytest.param(MG, "1.8", "0.741", id="magnesium 1.8 mg/dL"),
    pytest.param(MG, "1.2", "0.494", id="magnesium 1.2 mg/dL"),
    pytest.param(MG, "1.0", "0.411", id="magnesium 1.0 mg/dL"),
]


@pytest.mark.parametrize(("analyte", "mg_dl", "mmol_l"), ANCHORS)
def test_unit_anchors(analyte: Analyte, mg_dl: str, mmol_l: str) -> None:
    assert round(mmol_per_l(analyte, d(mg_dl), "mg/dL"), 3) == d(mmol_l)


BACK = [
    # Printed (JSICM re-print of ESPEN): 0.65 and 0.16 mmol/L are 2.0 and 0.5 mg/dL; derived: 0.32 is 0.99.
    pytest.param("0.65", "2.01", id="0.65 mmol/L"),
    pytest.param("0.32", "0.99", id="0.32 mmol/L"),
    pytest.param("0.16", "0.50", id="0.16 mmol/L"),
]


@pytest.mark.parametrize(("mmol_l", "mg_dl"), BACK)
def test_phosphate_back_into_mass_units(mmol_l: str, mg_dl: str) -> None:
    one = mmol_per_l(P, d(1), "mg/dL")
    assert round(d(mmol_l) / one, 2) == d(mg_dl)


FACTORS = [
    # from memory: AMA conversion table, and the valences of the trade (Merck ready reference: printed)
    pytest.param(P, "mg/dL", "0.323", id="from memory: phosphate x 0.323 (AMA)"),
    pytest.param(MG, "mg/dL", "0.411", id="from memory: magnesium x 0.411 (AMA)"),
    pytest.param(MG, "meq/L", "0.500", id="printed: magnesium mEq/L x 0.5 (two charges)"),
    pytest.param(K, "meq/L", "1.000", id="printed: potassium 1 mEq = 1 mmol (Merck ready reference)"),
]


@pytest.mark.parametrize(("analyte", "unit", "factor"), FACTORS)
def test_published_factors(analyte: Analyte, unit: str, factor: str) -> None:
    assert round(mmol_per_l(analyte, d(1), unit), 3) == d(factor)


MOLAR_MASS = {K: 39.0983, P: 30.973762, MG: 24.305}  # CIAAW/IUPAC standard atomic weights
PINT_UNIT = {
    "mg/dL": "mg/dL",
    "mg/L": "mg/L",
    "ug/mL": "ug/mL",
    "mmol/L": "mmol/L",
    "umol/L": "umol/L",
    "mol/m3": "mol/m**3",
}


@pytest.mark.parametrize("analyte", [K, P, MG])
@pytest.mark.parametrize("unit", PINT_UNIT)
def test_conversions_agree_with_an_independent_library(analyte: Analyte, unit: str) -> None:
    units = pint.UnitRegistry()
    quantity = units.Quantity(3.7, PINT_UNIT[unit])
    if quantity.check("[mass]/[length]**3"):
        quantity = quantity / units.Quantity(MOLAR_MASS[analyte], "g/mol")
    expected = quantity.to("mmol/L").magnitude
    assert float(mmol_per_l(analyte, d("3.7"), unit)) == pytest.approx(expected, rel=2e-5)


REFUSED = [
    pytest.param(P, "meq/L", id="phosphate in mEq/L: its valence depends on the pH"),
    pytest.param(P, "mg/mL", id="an unlisted unit"),
    pytest.param(K, "mEq/L", id="a spelling that is not UCUM is the chart's business"),
    pytest.param(MG, "", id="no unit"),
]


@pytest.mark.parametrize(("analyte", "unit"), REFUSED)
def test_a_unit_that_cannot_be_meant_is_refused(analyte: Analyte, unit: str) -> None:
    with pytest.raises(UnknownUnit):
        mmol_per_l(analyte, d(1), unit)
