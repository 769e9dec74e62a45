"""What is said beside an advice and decides nothing: masked depletion, glucose by vein, contents, what to watch."""

# ruff: noqa: E501 - a row is a chart, and is read across

import pytest

from andante.domain.advice import AdviceCode
from andante.domain.picture import FindingKind
from andante.rules.beside import warnings
from andante.rules.situation import take_in
from pictures import (
    NOW,
    VITAMINS,
    advise,
    aspen,
    d,
    days_without_intake,
    dextrose_drip,
    draw,
    feed,
    finding,
    goal,
    nice,
    parenteral,
    picture,
    planned,
    propofol,
)

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


GRAMS = [
    # 60 kg × 15 kcal/kg is 900 kcal unless said otherwise; 3.4 kcal/g
    pytest.param({}, (), "or, if by vein instead, 100–150 g dextrose in all", id="510 kcal fit"),
    pytest.param({"kg": "30"}, (), "or, if by vein instead, 100–132 g dextrose in all", id="450 kcal are 132 g"),
    pytest.param({"kg": "35"}, (days_without_intake("16"),), "or, if by vein instead, 100–102 g dextrose in all", id="350 kcal are 102 g"),
    pytest.param({"kg": "34"}, (days_without_intake("16"),), "or, if by vein instead, at most 100 g dextrose in all", id="340 kcal are 100 g"),
    pytest.param({"kg": "30"}, (days_without_intake("16"),), "or, if by vein instead, at most 88 g dextrose in all", id="300 kcal are 88 g"),
    pytest.param({}, (dextrose_drip("100"),), "or, if by vein instead, 100–150 g dextrose in all", id="120 g drip already: they count in the grams"),
    pytest.param({"kg": "30"}, (propofol("5"),), "or, if by vein instead, at most 93 g dextrose in all", id="132 kcal of propofol leave 318"),
    pytest.param({}, (parenteral("30", -1),), "of it 100–150 g dextrose in all", id="by vein"),
]  # fmt: skip


@pytest.mark.parametrize(("fields", "chart", "words"), GRAMS)
def test_the_grams_of_a_start_by_vein_stay_within_the_first_days_allowance(
    fields: dict[str, str], chart: tuple[object, ...], words: str
) -> None:
    """ASPEN 2020: 100-150 g dextrose or 10-20 kcal/kg; the two can disagree, and then the lower holds."""
    said = advise(draw(5), VITAMINS, *chart, **fields).advice
    assert said.code is AdviceCode.START
    (limits,) = [b for b in said.because if b.startswith("First 24 h: ")]
    assert limits.endswith(f"; {words}.")


def test_a_start_by_tube_names_no_dextrose() -> None:
    said = advise(draw(5), VITAMINS, planned(None)).advice
    assert not any("dextrose" in b for b in said.because)


COMPARED = [
    # chart, what is said of falls that would not be seen
    pytest.param((feed("30", 20), draw(22)), "No draw of potassium, phosphate and magnesium has been taken since feeding began Wed 5 Mar 12:00: a fall would not be seen yet.", id="not drawn since the start"),
    pytest.param((feed("30", 20), draw(22), draw(5, mg=None)), "No draw of magnesium has been taken since feeding began Wed 5 Mar 12:00: a fall would not be seen yet.", id="one not drawn"),
    pytest.param((feed("30", 20), draw(5)), "There is no earlier level of potassium, phosphate and magnesium to compare with: a fall would not be seen.", id="no baseline"),
    pytest.param((feed("30", 20), draw(22), draw(5)), None, id="both"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "words"), COMPARED)
def test_why_a_fall_would_not_be_seen(chart: tuple[object, ...], words: str | None) -> None:
    found = warnings(take_in(picture(*chart), aspen(), NOW))
    assert [w for w in found if "would not be seen" in w] == ([] if words is None else [words])


STEPS = [
    # goal, what is reached from 45 mL/h
    ("1800", "87 % of the goal"),  # a step of 594: 65 mL/h
    ("1200", "the goal"),
    ("1250", "96 % of the goal"),  # 50 mL/h, rounded down
]


def test_a_step_is_to_the_goal_only_where_it_reaches_it() -> None:
    for kcal, reaches in STEPS:
        said = advise(feed("45", 40), draw(60), draw(5), goal(kcal)).advice
        assert f": a step up to {reaches}, " in said.headline, said.headline


LIMITS = [
    # chart, fields, the sentence
    pytest.param(feed("50", 20), {}, "Ordered energy is 1200 kcal/day; the first day's allowance is 900 kcal/day: 15 kcal/kg × actual weight 60 kg.", id="first day"),
    pytest.param((feed("50", 20), goal("800")), {}, "Ordered energy is 1200 kcal/day; the first day's allowance is 800 kcal/day: as charted.", id="first day, the goal is lower"),
    pytest.param((feed("90", 60), draw(80)), {}, "Ordered energy is 2160 kcal/day; the goal is 1800 kcal/day: 30 kcal/kg × actual weight 60 kg.", id="above the goal"),
    pytest.param((feed("90", 60), draw(80), goal("1700")), {}, "Ordered energy is 2160 kcal/day; the goal is 1700 kcal/day: as charted.", id="above a charted goal"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "fields", "words"), LIMITS)
def test_a_limit_is_explained_by_its_own_sum(chart: object, fields: dict[str, str], words: str) -> None:
    assert advise(chart, draw(22), draw(5), VITAMINS, **fields).advice.because[0] == words


SETTLING = [
    # phosphates since the start, what the first of them was
    pytest.param((draw(62), draw(29, p="0.65"), draw(5, p="0.95")), "a severe fall: one more draw", id="35 % down"),
    pytest.param(
        (draw(62, p="0.40"), draw(29, p="0.31"), draw(5, p="0.95")), "critical: one more draw", id="below 0.32"
    ),
]


@pytest.mark.parametrize(("drawn", "words"), SETTLING)
def test_what_has_to_settle_is_named(drawn: tuple[object, ...], words: str) -> None:
    said = advise(feed("30", 60), drawn, VITAMINS).advice
    assert said.rule == "settling"
    assert any(f", {words} without danger" in b for b in said.because)
