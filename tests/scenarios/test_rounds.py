"""Ten days of rounds in the fictional hospital: each says what a clinician expects of it, and why."""

import pytest
from _pytest.mark import ParameterSet
from stories import FIXTURES, Row, all_rows, assess, hospital, notice_key, number


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
