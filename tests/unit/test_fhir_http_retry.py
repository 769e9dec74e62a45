"""When a read is tried again, and how long after."""

from datetime import UTC, datetime

import pytest

from andante.fhir_http.retry import RetryPolicy, RetryPool, retry_after_s

NOW = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
POLICY = RetryPolicy(attempts=5, first_delay_s=1.0, longest_delay_s=10.0)


@pytest.mark.parametrize(
    ("attempt", "dice", "asked_s", "expected"),
    [
        (1, 0.0, None, 0.5),  # half of the step is fixed, half is dice
        (1, 1.0, None, 1.0),
        (2, 1.0, None, 2.0),
        (4, 1.0, None, 8.0),
        (5, 1.0, None, 10.0),  # capped
        (1, 0.0, 3.0, 3.0),  # the server's wish, without dice
        (1, 0.0, 3600.0, 10.0),  # capped too
        (1, 0.0, -5.0, 0.0),  # a date already past
    ],
)
def test_the_delay_doubles_under_a_cap_and_yields_to_the_server(
    attempt: int, dice: float, asked_s: float | None, expected: float
) -> None:
    assert POLICY.delay_s(attempt, dice=dice, asked_s=asked_s) == expected


@pytest.mark.parametrize(
    ("header", "expected"),
    [
        ("120", 120.0),
        (" 0 ", 0.0),
        ("Mon, 02 Mar 2026 06:00:30 GMT", 30.0),
        ("Mon, 02 Mar 2026 05:59:00 GMT", -60.0),
        (None, None),
        ("", None),
        ("soon", None),
        ("-3", None),
        ("٣", None),
        ("Mon, 99 Foo 2026", None),
    ],
)
def test_retry_after_is_read_as_seconds_or_as_http_date(header: str | None, expected: float | None) -> None:
    assert retry_after_s(header, NOW) == expected


def test_the_pool_of_retries_runs_dry_and_success_refills_it() -> None:
    pool = RetryPool(2)
    assert [pool.take(), pool.take(), pool.take()] == [True, True, False]
    pool.give_back()
    assert [pool.take(), pool.take()] == [True, False]
    for _ in range(5):
        pool.give_back()
    assert pool.left == 2
