"""A low level before feeding: the two protocols part here. Once feeding, a low level holds under both."""

# ruff: noqa: E501 - a row is a chart, and is read across

import pytest

from andante.domain.advice import AdviceCode
from pictures import VITAMINS, P, advise, aspen, bmi, dextrose_drip, dose, draw, feed, lab, nice, planned, with_choice

LOW = draw(5, p="0.60")
ROWS = [
    pytest.param(aspen, planned(None), LOW, "correct-first", "low-before-feeding", None, id="ASPEN: correct first"),
    pytest.param(
        nice, planned(None), LOW, "start", "start-while-low", 240, id="NICE: start at 5 kcal/kg (300): 10 mL/h, 240"
    ),
    pytest.param(nice, planned(None), draw(5), "start", "ready-to-start", 600, id="NICE: nothing low, 10 kcal/kg"),
    pytest.param(
        nice, planned(None), draw(5, p="0.31"), "urgent-review", "urgent-review", None, id="NICE: critical: no start"
    ),
    pytest.param(
        nice,
        planned(None),
        (LOW, dose(P, ago=6)),
        "correct-first",
        "low-before-feeding",
        None,
        id="NICE: low 1 h after a replacement dose: it may be lower still",
    ),
    pytest.param(
        nice,
        planned(None),
        (LOW, dose(P, ago=11)),
        "start",
        "start-while-low",
        240,
        id="NICE: low once the dose has spread",
    ),
    pytest.param(
        nice, planned(None), draw(5, p="0.60", k=None), "draw-first", "baseline-gap", None, id="NICE: one missing"
    ),
    pytest.param(
        nice, planned(None), draw(25, p="0.60"), "draw-first", "baseline-gap", None, id="NICE: low, but too old"
    ),
    pytest.param(
        nice,
        planned(None),
        (LOW, lab(P, None, 3)),
        "correct-first",
        "low-before-feeding",
        None,
        id="NICE: low, newer unreadable",
    ),
    pytest.param(
        nice,
        planned(None),
        (draw(5, p=None), lab(P, "0.60", 5, provisional=True)),
        "draw-first",
        "baseline-gap",
        None,
        id="NICE: low, but not final",
    ),
    pytest.param(
        nice, planned(None, density=None), LOW, "correct-first", "low-before-feeding", None, id="NICE: cannot be sized"
    ),
    pytest.param(
        aspen, feed("25", 40), (draw(62), LOW), "urgent-review", "urgent-review", 240, id="ASPEN, feeding: 40 % down"
    ),
    pytest.param(
        aspen,
        feed("25", 40),
        (draw(62, p="0.85"), draw(5, p="0.75")),
        "hold",
        "low-while-feeding",
        600,
        id="ASPEN, feeding: hold",
    ),
    pytest.param(
        nice,
        feed("25", 40),
        (draw(62, p="0.85"), draw(5, p="0.75")),
        "hold",
        "low-while-feeding",
        600,
        id="NICE, feeding: hold",
    ),
]


@pytest.mark.parametrize(("protocol", "order", "drawn", "code", "rule", "kcal"), ROWS)
def test_low_level(protocol, order: object, drawn: object, code: str, rule: str, kcal: int | None) -> None:  # type: ignore[no-untyped-def]
    advice = advise(order, drawn, protocol=protocol()).advice
    assert (advice.code, advice.rule, advice.kcal) == (code, rule, kcal)


def test_a_start_while_low_comes_with_the_replacement_notice() -> None:
    said = advise(planned(None), LOW, protocol=nice())
    assert any(n.code == "replacement" and n.analytes == (P,) for n in said.notices)
    assert "once replacement runs" in said.advice.headline


def test_a_low_level_that_may_be_lower_still_is_said_to_be() -> None:
    because = " ".join(advise(planned(None), LOW, dose(P, ago=6), protocol=nice()).advice.because)
    assert "Phosphate was drawn too soon after a replacement dose: it may be lower still." in because


def test_only_the_switch_makes_the_difference() -> None:
    switched = with_choice(aspen(), "low_before_feeding", "start-lowest")
    advice = advise(planned(None), LOW, protocol=switched).advice
    assert (advice.code, advice.kcal) == (AdviceCode.START, 600)  # ASPEN's lowest: 10 kcal/kg


def test_the_lowest_start_is_never_above_the_extreme_tiers() -> None:
    advice = advise(planned(None), LOW, bmi("13"), protocol=nice()).advice
    assert advice.kcal == 240


CORRECT = "Not yet: phosphate to be corrected before feeding starts"
ALLOWS = "This protocol would start very low while replacement runs, but not"
REASONS = [
    # NICE CG32 does not ask for levels in range before feeding: what is told is what stands against the start
    pytest.param(aspen, planned(None), LOW, CORRECT, "All three are to be in range before feeding starts.", id="ASPEN"),
    pytest.param(
        nice,
        planned(None),
        (LOW, dextrose_drip("100")),
        "Not yet: phosphate low, and no room in the lowest allowance",
        f"{ALLOWS} now. Energy from drugs and fluids (480 kcal/day) leaves no room in the lowest allowance of 300 kcal/day.",
        id="NICE: a drip fills the allowance",
    ),
    pytest.param(
        nice,
        planned(None),
        (LOW, lab(P, None, 3)),
        "Not yet: phosphate low, and a result is in doubt",
        f"{ALLOWS} while a result of the three is in doubt.",
        id="NICE: in doubt",
    ),
    pytest.param(
        nice,
        planned(None, density=None),
        LOW,
        "Not yet: phosphate low, and the planned order cannot be worked out",
        f"{ALLOWS} now. The planned order cannot be put into one rate or bolus of known energy: complete the order first.",
        id="NICE: cannot be sized",
    ),
]


@pytest.mark.parametrize(("protocol", "order", "drawn", "headline", "why"), REASONS)
def test_the_reason_against_a_start_is_the_true_one(
    protocol, order: object, drawn: object, headline: str, why: str
) -> None:  # type: ignore[no-untyped-def]
    advice = advise(order, drawn, VITAMINS, protocol=protocol()).advice
    assert (advice.code, advice.headline) == ("correct-first", headline)
    assert why in advice.because


def test_no_weight_is_the_reason_where_there_is_none() -> None:
    advice = advise(planned(None), LOW, VITAMINS, protocol=nice(), kg=None).advice
    assert advice.headline == "Not yet: phosphate low, and the dosing weight is not known"
    assert any("The lowest allowance cannot be worked out: " in words for words in advice.because)
