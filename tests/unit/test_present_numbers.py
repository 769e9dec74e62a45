"""Rounding and cleaning happen where things are shown, and nowhere before."""

from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest

from andante.domain.quantities import Analyte, mmol_per_l
from andante.present.as_json import encode
from andante.present.shown import day_time, instant, number, plain, words

NUMBERS = [
    # as computed, as shown in JSON
    ("0.80", "0.80"),  # as the laboratory wrote it
    ("4", "4"),
    ("0.6994445587327710347665089488", "0.699"),
    ("0.8004", "0.8"),
    ("1199.9999", "1200"),
    ("1E+3", "1000"),
    ("0.00000", "0"),
    ("-0.0004", "0"),
    ("12345678901234567890.12345", "12345678901234567890.123"),
]


@pytest.mark.parametrize(("computed", "shown"), NUMBERS)
def test_a_number_is_shown_with_at_most_three_decimals(computed: str, shown: str) -> None:
    assert encode(number(Decimal(computed))).decode() == shown


def test_nothing_is_shown_for_nothing() -> None:
    assert number(None) is None
    assert words(None) == "not known"
    assert day_time(None, UTC) == "not known"
    assert instant(None, UTC) is None


def test_a_low_level_never_looks_like_its_limit_by_rounding() -> None:
    """2.47 mg/dL of phosphate is below 0.80 mmol/L, and two decimals would hide it."""
    level = mmol_per_l(Analyte.PHOSPHATE, Decimal("2.47"), "mg/dL")
    assert level < Decimal("0.80")
    shown = number(level)
    assert shown is not None
    assert shown < Decimal("0.80")


def test_an_instant_carries_the_hospitals_offset() -> None:
    when = datetime(2031, 7, 1, 4, 30, 15, 999, tzinfo=UTC)
    assert instant(when, ZoneInfo("Europe/Vienna")) == "2031-07-01T06:30:15+02:00"
    assert instant(when, timezone(timedelta(hours=-5))) == "2031-06-30T23:30:15-05:00"
    assert day_time(when, ZoneInfo("Europe/Vienna")) == "1 Jul 06:30"


HOSTILE = [
    ("phosphate\x1b[2J\x1b[31m low", "phosphate[2J[31m low"),
    ("line one\nline two\r\tthree", "line one line two three"),
    ("abc\u202etxt.exe", "abctxt.exe"),
    ("zero\u200bwidth", "zerowidth"),
    ("a" * 3000, "a" * 1999 + "…"),
    ("Sjögren 人 °C µg ≥", "Sjögren 人 °C µg ≥"),
]


@pytest.mark.parametrize(("written", "shown"), HOSTILE)
def test_text_of_a_chart_cannot_rewrite_what_is_shown(written: str, shown: str) -> None:
    assert plain(written) == shown
