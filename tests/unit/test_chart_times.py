"""FHIR dates and times: what each can mean, and what is refused."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from andante.chart.times import parse_fhir_time

ZURICH = ZoneInfo("Europe/Zurich")
MICRO = timedelta(microseconds=1)


def midnight(year: int, month: int, day: int) -> datetime:
    return datetime(year, month, day, tzinfo=ZURICH)


@pytest.mark.parametrize(
    ("text", "instant"),
    [
        ("2026-03-02T06:00:00Z", datetime(2026, 3, 2, 6, tzinfo=UTC)),
        ("2026-03-02T06:00:00+01:00", datetime(2026, 3, 2, 5, tzinfo=UTC)),
        ("2026-03-02T06:00:00-03:30", datetime(2026, 3, 2, 9, 30, tzinfo=UTC)),
        ("2026-03-02T06:00:00.5Z", datetime(2026, 3, 2, 6, 0, 0, 500_000, tzinfo=UTC)),
        ("2026-03-02T06:00:00.123456789Z", datetime(2026, 3, 2, 6, 0, 0, 123_456, tzinfo=UTC)),
        ("2026-03-02T00:00:00+14:00", datetime(2026, 3, 1, 10, tzinfo=UTC)),
    ],
)
def test_a_full_time_names_one_instant(text: str, instant: datetime) -> None:
    assert parse_fhir_time(text, ZURICH) == (instant, instant, True)


@pytest.mark.parametrize(
    ("text", "start", "after"),
    [
        ("2026", midnight(2026, 1, 1), midnight(2027, 1, 1)),
        ("2026-02", midnight(2026, 2, 1), midnight(2026, 3, 1)),
        ("2026-12", midnight(2026, 12, 1), midnight(2027, 1, 1)),
        ("2024-02-29", midnight(2024, 2, 29), midnight(2024, 3, 1)),
        ("2026-03-29", midnight(2026, 3, 29), midnight(2026, 3, 30)),  # 23 hours long in Zurich
        ("2026-10-25", midnight(2026, 10, 25), midnight(2026, 10, 26)),  # 25 hours long
    ],
)
def test_a_partial_date_is_the_interval_it_can_mean_in_the_hospitals_zone(
    text: str, start: datetime, after: datetime
) -> None:
    time = parse_fhir_time(text, ZURICH)
    assert time.earliest == start
    assert time.latest.astimezone(UTC) == after.astimezone(UTC) - MICRO
    assert not time.precise


@pytest.mark.parametrize(
    "text",
    [
        "",
        "2026-03-02T06:00:00",  # no zone
        "2026-03-02T06:00Z",  # no seconds
        "2026-03-02T24:00:00Z",
        "2026-03-02T23:59:60Z",  # leap second
        "2026-03-02T06:60:00Z",
        "2026-03-02 06:00:00Z",
        "2026-03-02t06:00:00z",
        "2026-03-02T06:00:00+15:00",
        "2026-03-02T06:00:00+0100",
        "2026-03-02T06:00:00Z ",
        "2026-02-29",
        "2026-02-30T06:00:00Z",
        "2026-13",
        "2026-00",
        "2026-3-2",
        "26-03-02",
        "20260302",
        "0000",
        "0001-01-01T00:00:00+14:00",
        "9999-12-31",
        "٢٠٢٦",
        "2026-٠٣-02T06:00:00Z",
        "2026-W10",
        "yesterday",
        "2026-03-02T06:00:00Z" * 50,
    ],
)
def test_anything_else_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r".+"):
        parse_fhir_time(text, ZURICH)
