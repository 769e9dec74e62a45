"""When the watch ends: day 7 or later, at the goal, all in range for 48 h without replacement."""

# ruff: noqa: E501 - a row is a case, and is read across

import pytest

from andante.domain.picture import OrderState
from pictures import K, P, advise, dose, draw, feed, goal, lab, rate

DAILY = tuple(draw(ago) for ago in (75, 51, 27, 3))
BASE = draw(400)
ROWS = [
    # orders and chart, code
    pytest.param((feed("75", 145), DAILY), "stood-down", id="day 7, at goal, in range for 72 h"),
    pytest.param((feed("75", 144), DAILY), "stood-down", id="day 7 exactly"),
    pytest.param((feed("75", 143.9), DAILY), "at-goal", id="still day 6"),
    pytest.param((feed("70", 145), DAILY), "advance", id="not at the goal"),
    pytest.param((feed("75", 145), draw(60, k="3.4"), draw(51), draw(3)), "stood-down", id="in range for 48 h exactly"),
    pytest.param((feed("75", 145), draw(60, k="3.4"), draw(50.9), draw(27), draw(3)), "at-goal", id="in range for just under 48 h"),
    pytest.param((feed("75", 145), DAILY[:-1], draw(3, k="5.4")), "at-goal", id="one high is not in range"),
    pytest.param((feed("75", 145), DAILY, dose(K, ago=47.9)), "at-goal", id="a replacement within 48 h"),
    pytest.param((feed("75", 145), DAILY, dose(K, ago=48)), "stood-down", id="a replacement 48 h ago"),
    pytest.param((feed("75", 145), DAILY, dose(K, ago=60, ended=48)), "stood-down", id="one that ended 48 h ago"),
    pytest.param((feed("75", 145), DAILY, dose(K, ago=60, ended=47.9)), "at-goal", id="one that ended within 48 h"),
    pytest.param((feed("75", 145), DAILY, dose(K, ago=100, running=True)), "at-goal", id="one that still runs, however long ago it began"),
    pytest.param((feed("75", 145), DAILY, lab(P, "0.7", 1, provisional=True)), "hold", id="a newer preliminary low"),
    pytest.param((feed("75", 145), DAILY, lab(P, "1.0", 1, provisional=True)), "at-goal", id="a newer result is not final"),
    pytest.param((feed("75", 145, state=OrderState.PAUSED, ended=3), DAILY), "stay", id="the feed is on hold"),
    pytest.param((feed(deliveries=(rate("60", 200), rate("75", 47.9)), since=200), DAILY), "at-goal", id="at goal for just under 48 h"),
    pytest.param((feed(deliveries=(rate("60", 200), rate("75", 48)), since=200), DAILY), "stood-down", id="at goal for 48 h"),
    pytest.param((feed("75", 145), draw(140), draw(120), draw(90)), "hold", id="in range for 50 h, then nothing: not on old evidence"),
    pytest.param((feed("75", 260), draw(250), draw(180), draw(110), draw(95)), "stood-down", id="fresh on day 7: draws may cease after"),
    pytest.param((feed(deliveries=(rate("20", 200), rate("75", 71)), since=200), DAILY), "at-goal", id="a jump 71 h ago"),
    pytest.param((feed(deliveries=(rate("20", 200), rate("75", 72)), since=200), DAILY), "stood-down", id="a jump 72 h ago"),
    pytest.param((feed("90", 145), DAILY), "hold", id="above the goal"),
    pytest.param((feed("75", 145), DAILY, goal("1793")), "stood-down", id="a few kcal above the goal"),
    pytest.param((feed("75", 200), DAILY, draw(1, p="0.7")), "hold", id="a late low resumes the watch"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "code"), ROWS)
def test_stand_down(chart: tuple[object, ...], code: str) -> None:
    assert advise(BASE, chart).advice.code == code


def test_an_incomplete_read_ends_no_watch() -> None:
    assert advise(BASE, feed("75", 145), DAILY, incomplete=("medications",)).advice.code == "hold"
