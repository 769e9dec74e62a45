"""Ten days of rounds in the fictional hospital: each says what a clinician expects of it, and why."""

import pytest
from _pytest.mark import ParameterSet
from stories import FIXTURES, Row, all_rows, assess, hospital, notice_key, number

from andante.protocol_files import load


def _cases() -> list[ParameterSet]:
    return [pytest.param(row, id=str(row)) for row in all_rows()]


@pytest.mark.parametrize("row", _cases())
def test_a_round_says_what_the_clinician_expects(row: Row) -> None:
    found = assess(row.story, hospital().instant(row.at))
    advice = found.advice
    notices = " ".join(sorted(notice_key(notice) for notice in found.notices))
    said = {
        "advice": advice.code.value,
        "kcal": number(advice.kcal),
        "rate_ml_h": number(advice.rate_ml_h),
        "notices": notices,
    }
    wanted = {
        "advice": row.advice,
        "kcal": row.kcal,
        "rate_ml_h": row.rate_ml_h,
        "notices": row.notices,
    }
    reasons = "\n  ".join((f"{advice.rule}: {advice.headline}", *advice.because, *(n.text for n in found.notices)))
    assert said == wanted, f"{row}\nexpected because: {row.why}\nthe program says:\n  {reasons}"


def test_the_parenteral_start_is_told_in_grams_of_dextrose_and_stays_under_the_ceiling() -> None:
    story = FIXTURES / "patients" / "parenteral"
    start = assess(story, hospital().instant("d1 06:30")).advice
    assert number(start.dextrose_g) == "105"  # 35 mL/h × 24 h × 0.125 g/mL
    last = assess(story, hospital().instant("d4 20:00")).advice
    assert number(last.dextrose_g) == "210"  # 70 mL/h: 2.8 mg/kg/min in 52 kg


@pytest.mark.parametrize(
    ("at", "advice"),
    [
        pytest.param(
            "d1 08:00", "not-at-risk", id="seven days nil by mouth exactly: moderate, and one moderate is not enough"
        ),
        pytest.param("d1 08:01", "draw-first", id="more than seven: severe"),
    ],
)
def test_orders_for_nil_by_mouth_make_the_risk_on_the_day_they_say(at: str, advice: str) -> None:
    story = FIXTURES / "patients" / "starved-in-hospital"
    assert assess(story, hospital().instant(at)).advice.code.value == advice


@pytest.mark.parametrize(
    ("at", "level"),
    [
        pytest.param("d3 06:30", "0.88", id="at the round: yesterday evening's"),
        pytest.param("d3 11:19", "0.88", id="a minute before the report"),
        pytest.param("d3 11:20", "0.74", id="with the report: the draw of 05:00"),
    ],
)
def test_a_round_sees_only_what_was_known_by_then(at: str, level: str) -> None:
    found = assess(FIXTURES / "patients" / "late-results-night-move", hospital().instant(at))
    (shown,) = [view.value for view in found.analytes if view.analyte.value == "phosphate"]
    assert number(shown) == level


def test_the_story_of_the_other_guideline_is_corrected_first_under_the_default() -> None:
    story = FIXTURES / "patients" / "nice-start-while-low"
    now = hospital().instant("d1 06:30")
    assert assess(story, now).advice.code.value == "start"
    assert assess(story, now, protocol=load("aspen-2020")).advice.code.value == "correct-first"


def test_the_course_goes_on_from_the_vein_to_the_tube_to_the_mouth() -> None:
    story = FIXTURES / "patients" / "vein-to-tube-to-mouth"
    hung = hospital().instant("d1 18:00")
    for at in ("d1 20:00", "d3 20:00", "d4 20:00", "d6 20:00", "d8 20:00", "d10 20:00"):
        feeding = assess(story, hospital().instant(at)).feeding
        assert feeding.started == hung, at


def test_the_second_bag_is_no_jump_and_the_step_to_the_ceiling_stays_under_it() -> None:
    bags = assess(FIXTURES / "patients" / "vein-to-tube-to-mouth", hospital().instant("d3 20:00")).advice
    assert "more than one step" not in " ".join(bags.because)
    glucose = assess(FIXTURES / "patients" / "glucose-near-the-ceiling", hospital().instant("d5 20:00")).advice
    assert any("Bounded by the glucose infusion rate of 5 mg/kg/min" in b for b in glucose.because)
