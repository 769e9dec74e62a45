"""What a clinician reads: the order of the lines, numbers without junk, instants that stay what they are."""

import locale
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from andante.domain.advice import AdviceCode
from andante.wording import (
    ASKS_FOR_REVIEW,
    CAUTION,
    advice_line,
    advice_text,
    decimal_text,
    instant_text,
    notice_line,
    notice_text,
)
from builders import NOW, a_fact, a_notice, an_advice, an_assessment

VIENNA = ZoneInfo("Europe/Vienna")


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("60", "60"),
        ("60.00", "60"),
        ("0.80", "0.8"),
        ("1.2E+3", "1200"),
        ("0.05", "0.05"),
        ("1200.0", "1200"),
        ("100", "100"),
        ("0", "0"),
        ("-0.0", "0"),
        ("0E-9", "0"),
    ],
)
def test_numbers_come_without_junk(value: str, text: str) -> None:
    assert decimal_text(Decimal(value)) == text


@given(st.decimals(allow_nan=False, allow_infinity=False, places=6, min_value=-(10**9), max_value=10**9))
def test_no_digit_of_a_number_is_lost(value: Decimal) -> None:
    assert Decimal(decimal_text(value)) == value


def test_instants_are_in_the_hospitals_zone() -> None:
    assert instant_text(datetime(2026, 11, 25, 5, 30, tzinfo=UTC), VIENNA) == "Wed 25 Nov 2026 06:30"


def test_the_hour_that_a_clock_change_repeats_is_told_apart() -> None:
    summer = instant_text(datetime(2026, 10, 25, 0, 30, tzinfo=UTC), VIENNA)
    winter = instant_text(datetime(2026, 10, 25, 1, 30, tzinfo=UTC), VIENNA)
    assert (summer, winter) == ("Sun 25 Oct 2026 02:30 CEST", "Sun 25 Oct 2026 02:30 CET")


def test_an_instant_reads_the_same_under_every_locale() -> None:
    before = locale.setlocale(locale.LC_TIME)
    try:
        for name in ("de_AT.UTF-8", "fr_FR.UTF-8", "C"):
            try:
                locale.setlocale(locale.LC_TIME, name)
            except locale.Error:
                continue
            assert instant_text(NOW, UTC) == "Wed 25 Nov 2026 06:30"
    finally:
        locale.setlocale(locale.LC_TIME, before)


def test_an_advice_says_what_then_why_then_on_what_then_what_would_change_it_then_the_caution() -> None:
    assessment = an_assessment(
        an_advice(
            AdviceCode.HOLD,
            headline="Hold at 40 mL/h (960 kcal/day): phosphate low",
            because=("Phosphate 0.62 mmol/L, low.", "Potassium and magnesium are in range."),
        )
    )
    assert advice_text(assessment, UTC).split("\n") == [
        "Hold at 40 mL/h (960 kcal/day): phosphate low",
        "Phosphate 0.62 mmol/L, low.",
        "Potassium and magnesium are in range.",
        "In figures: 960 kcal/day in all, 40 mL/h of the feed.",
        "",
        "Evidence:",
        "- phosphate: 0.62 mmol/L, Wed 25 Nov 2026 05:10",
        "",
        "What would change this:",
        "- phosphate 0.80 mmol/L or more in a firm draw",
        "",
        "Protocol: aspen-2020 1.0.0, rule low-while-feeding.",
        "",
        CAUTION,
    ]


def test_figures_are_never_rounded_up() -> None:
    advice = an_advice(kcal="1333.39", rate_ml_h=Decimal("55.99"))
    assert "In figures: 1333.3 kcal/day in all, 55.9 mL/h of the feed." in advice_text(an_assessment(advice))


def test_a_sites_own_numbers_are_shown_on_each_advice() -> None:
    assessment = replace(an_assessment(), overlay=("step: 25 % instead of 33 %",))
    assert "Local numbers in force:\n- step: 25 % instead of 33 %" in advice_text(assessment)


def test_a_text_does_not_change_because_time_passes() -> None:
    now, later = an_assessment(), an_assessment(now=NOW + timedelta(hours=7, minutes=13))
    moved = replace(later, advice=replace(later.advice, valid_until=NOW + timedelta(days=2)))
    assert advice_text(now) == advice_text(moved)
    assert notice_text(a_notice(), now) == notice_text(a_notice(), later)


def test_a_line_for_a_list_says_where_the_patient_lies() -> None:
    assert advice_line(an_assessment(an_advice(headline="Hold"))) == "Ward 3, bed 12: Hold"
    assert advice_line(an_assessment(an_advice(headline="Hold"), bed="Bed 7")) == "Ward 3, Bed 7: Hold"
    assert advice_line(an_assessment(an_advice(headline="Hold"), ward="", bed="")) == "Hold"
    assert notice_line(a_notice(text="No draw.\nMore."), an_assessment()) == "Ward 3, bed 12: No draw."


def test_a_notice_says_that_it_asks_for_review_and_orders_nothing() -> None:
    text = notice_text(a_notice(evidence=(a_fact(),)), an_assessment())
    assert ASKS_FOR_REVIEW in text
    assert CAUTION in text
    assert "- phosphate: 0.62 mmol/L" in text


def test_free_text_of_a_chart_cannot_rewrite_what_is_shown() -> None:
    sneaky = a_fact(label="formula", value="A\x1b[2J\u202eB\x00C")
    text = advice_text(an_assessment(evidence=(sneaky,)))
    assert "formula: A[2JBC" in text
    assert not any(sign in text for sign in "\x1b\u202e\x00")


def test_the_caution_says_what_it_must() -> None:
    for words in (
        "licensed clinicians",
        "local protocol",
        "judgement",
        "Verify against the chart",
        "Nothing has been ordered",
    ):
        assert words in CAUTION
