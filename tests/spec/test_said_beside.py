"""What is said beside an advice and decides nothing: masked depletion, glucose by vein, contents, what to watch."""

import pytest

from andante.domain.advice import AdviceCode
from andante.domain.picture import FindingKind
from pictures import VITAMINS, advise, d, days_without_intake, dextrose_drip, draw, feed, finding, nice, parenteral

MASKED = [
    pytest.param(FindingKind.RENAL_IMPAIRMENT, "Renal impairment or dialysis is coded", id="kidney"),
    pytest.param(FindingKind.DEHYDRATION, "Dehydration is coded", id="dried out"),
]


@pytest.mark.parametrize(("kind", "words"), MASKED)
def test_a_normal_level_may_be_masked_and_the_advice_says_so(kind: FindingKind, words: str) -> None:
    """Fung, MJA 2005: renal impairment and dehydration keep levels up while the stores are empty."""
    stepping = advise(feed("30", 40), draw(60), draw(5), finding(kind))
    starting = advise(draw(5), VITAMINS, finding(kind))
    for said in (stepping, starting):
        assert any(b.startswith(f"{words}: potassium, phosphate and magnesium in range") for b in said.advice.because)
        assert any(f.label == kind.value for r in said.derivation if r.rule == said.advice.rule for f in r.facts)
    assert (stepping.advice.code, starting.advice.code) == (AdviceCode.ADVANCE, AdviceCode.START)


def test_dialysis_is_followed_by_a_draw() -> None:
    kidney = advise(feed("30", 40), draw(60), draw(5), finding(FindingKind.RENAL_IMPAIRMENT)).advice.because
    dry = advise(feed("30", 40), draw(60), draw(5), finding(FindingKind.DEHYDRATION)).advice.because
    assert (any("draw again after it" in b for b in kidney), any("draw again after it" in b for b in dry)) == (
        True,
        False,
    )


def test_without_such_a_finding_nothing_is_said() -> None:
    assert not any("is coded" in b for b in advise(feed("30", 40), draw(60), draw(5)).advice.because)


def glucose(*orders: object) -> list[str]:
    return [b for b in advise(*orders, draw(60), draw(5)).advice.because if b.startswith("Glucose runs")]


def test_glucose_by_vein_above_the_ceiling_is_said_from_all_infusions_together() -> None:
    """60 kg × 5 mg/kg/min is 18 g/h. GIR = g/h × 1000 / (kg × 60) (hpn.hms.harvard.edu)."""
    bag = parenteral("60", 80, dextrose="0.15")  # 9 g/h
    assert glucose(bag, dextrose_drip("90", 80, percent="10")) == []  # and 9 more: 18 g/h exactly
    said = glucose(bag, dextrose_drip("100", 80, percent="10"))
    assert said == ["Glucose runs by vein at 5.3 mg/kg/min, above the ceiling of 5: review the infusions."]


def test_a_parenteral_step_leaves_room_for_the_glucose_that_runs_beside_it() -> None:
    """18 g/h less 10 g/h of a drip leaves 8 g/h: 53.3 mL/h of a 15 % bag, down to 50."""
    said = advise(parenteral("40", 80, dextrose="0.15"), dextrose_drip("100", 80, percent="10"), draw(90), draw(5))
    assert (said.advice.code, said.advice.rate_ml_h) == (AdviceCode.ADVANCE, d("50"))
    assert any("Bounded by the glucose infusion rate of 5 mg/kg/min, 10 g/h of it" in b for b in said.advice.because)


def test_glucose_that_already_drips_counts_in_the_first_days_grams() -> None:
    """ASPEN 2020: 100-150 g for the first 24 h, intravenous dextrose included. 150 - 60 = 90 g is 25 mL/h of 15 %."""
    said = advise(parenteral("30", -1, dextrose="0.15"), dextrose_drip("50", 80, percent="5"), draw(5), VITAMINS)
    assert (said.advice.code, said.advice.rate_ml_h, said.advice.dextrose_g) == (AdviceCode.START, d("25"), d("90"))
    assert any("Bounded by 150 g dextrose a day, 2.5 g/h of it from elsewhere" in b for b in said.advice.because)


def test_what_a_parenteral_rate_holds_is_shown() -> None:
    """35 mL/h × 24 h = 840 mL of a 15 % dextrose, 5 % amino acid, 3 % lipid bag; 5.25 g/h of glucose in 60 kg."""
    said = advise(parenteral("30", -1, lipid="0.03"), draw(5), VITAMINS)
    assert said.advice.rate_ml_h == d("35")
    words = "It holds 126 g dextrose, 42 g amino acids, 25 g lipid a day; glucose 1.5 mg/kg/min."
    assert words in said.advice.because


def test_a_start_says_what_to_watch() -> None:
    """ASPEN 2020 (from memory): vital signs every 4 h for the first 24 h; monitoring if unstable."""
    said = advise(draw(5), VITAMINS)
    assert said.advice.because[-1] == (
        "Vital signs every 4 h for the first 24 h; weight and fluid balance daily; heart rhythm if unstable or at risk "
        "of an arrhythmia."
    )


def test_nice_watches_the_heart_rhythm_of_the_lowest_start_tier_continuously() -> None:
    """NICE CG32 1.4.8 (from memory)."""
    said = advise(draw(5), VITAMINS, days_without_intake("16"), protocol=nice())
    assert "heart rhythm continuously" in said.advice.because[-1]
    assert "heart rhythm if unstable" in advise(draw(5), VITAMINS, protocol=nice()).advice.because[-1]
