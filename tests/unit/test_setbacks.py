"""How long a patient whose record fails is left alone, as a table. The times are ours; nothing clinical is in them."""

from datetime import UTC, datetime, timedelta

import pytest

from andante.assess import Outcome
from andante.changed.setbacks import Setbacks
from andante.state.snapshot import Setback

NOW = datetime(2031, 3, 27, 6, 30, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def failed(patient: str) -> Outcome:
    return Outcome(patient=f"Patient/{patient}", problem="a defect of ours (ZeroDivisionError)")


def not_whole(patient: str) -> Outcome:
    return Outcome(patient=f"Patient/{patient}", incomplete=("Observation",))


def well(patient: str) -> Outcome:
    return Outcome(patient=f"Patient/{patient}")


# failures running, minutes it is then left alone
WAITS = [(1, 5), (2, 10), (3, 20), (4, 40), (5, 60), (6, 60), (50, 60)]


@pytest.mark.parametrize(("failures", "minutes"), WAITS)
def test_the_wait_grows_and_ends_at_an_hour(failures: int, minutes: int) -> None:
    setbacks, now = Setbacks(), NOW
    for _ in range(failures):
        setbacks.note([failed("wren")], watched=100, now=now)
    assert setbacks.failing["wren"].failures == failures
    assert setbacks.rests("wren", now)
    assert setbacks.rests("wren", now + minutes * MINUTE - timedelta(seconds=1))
    assert not setbacks.rests("wren", now + minutes * MINUTE)
    assert not setbacks.rests("dunnock", now)


def test_one_that_is_read_whole_again_is_forgotten() -> None:
    setbacks = Setbacks()
    setbacks.note([failed("wren"), not_whole("dunnock")], watched=100, now=NOW)
    assert sorted(setbacks.failing) == ["dunnock", "wren"]
    setbacks.note([well("wren")], watched=100, now=NOW)
    assert sorted(setbacks.failing) == ["dunnock"]
    setbacks.keep_only(["wren"])  # the other has gone home
    assert not setbacks.failing


# how many of how many fail, whether each is then left alone: beyond a few and a tenth, the trouble is nobody's own
SHARES = [(1, 1, True), (5, 5, True), (6, 6, False), (6, 59, False), (6, 60, True), (10, 100, True), (11, 100, False)]


@pytest.mark.parametrize(("failing", "watched", "rest"), SHARES)
def test_where_many_fail_at_once_nobody_is_left_alone(failing: int, watched: int, rest: bool) -> None:
    setbacks = Setbacks()
    setbacks.note([failed(f"p{number}") for number in range(failing)], watched=watched, now=NOW)
    assert [setbacks.rests(f"p{number}", NOW) for number in range(failing)] == [rest] * failing


def test_something_new_ends_the_wait_and_not_the_count() -> None:
    setbacks = Setbacks()
    setbacks.note([failed("wren"), failed("dunnock")], watched=100, now=NOW)
    setbacks.wake(["wren", "nobody"])
    assert [setbacks.rests(name, NOW) for name in ("wren", "dunnock")] == [False, True]
    setbacks.wake(None)
    assert not setbacks.rests("dunnock", NOW)
    setbacks.note([failed("wren")], watched=100, now=NOW)
    assert setbacks.failing["wren"].failures == 2


# what an earlier process kept: last failure and next try, in minutes from now; whether it is believed
KEPT = [(-5, 5, True), (-90, -30, True), (0, 60, True), (5, 10, False), (-5, 61, False), (60 * 24 * 30, 60, False)]


@pytest.mark.parametrize(("last", "again", "believed"), KEPT)
def test_a_kept_wait_that_a_wrong_clock_made_is_not_believed(last: int, again: int, believed: bool) -> None:
    setbacks = Setbacks()
    kept = Setback(patient="wren", failures=3, last=NOW + last * MINUTE, again=NOW + again * MINUTE)
    setbacks.restore([kept], now=NOW)
    assert ("wren" in setbacks.failing) is believed
    assert setbacks.rests("wren", NOW) is (believed and again > 0)


def test_a_clock_set_back_makes_nobody_wait() -> None:
    setbacks = Setbacks()
    setbacks.note([failed("wren")], watched=100, now=NOW)
    assert not setbacks.rests("wren", NOW - MINUTE)


def test_one_that_is_left_alone_stays_named_with_the_reason() -> None:
    setbacks = Setbacks()
    for _ in range(2):
        setbacks.note([not_whole("wren")], watched=100, now=NOW)
    told = setbacks.resting("wren", UTC)
    assert (told.patient, told.whole, told.assessment) == ("Patient/wren", False, None)
    assert told.problem == "failed 2 times running, to be tried again at 06:40 (not read whole: Observation)"
