"""What would change the advice: each stated fact is added to the chart, and the stated step must happen."""

# ruff: noqa: E501 - a row is a case, and is read across

import re
from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal

import pytest

from andante.domain.advice import AdviceCode
from andante.domain.picture import Matrix, OrderState, Picture
from andante.domain.quantities import Analyte
from andante.rules import evaluate
from pictures import NOW, K, P, advise, aspen, draw, feed, goal, lab, nice, picture, planned

BEFORE = draw(62)
LEVEL = re.compile(
    r"(potassium|phosphate|magnesium) (≥|<) ([\d.]+)(?: and < [\d.]+)? mmol/L in a firm draw(?: of (whole blood|serum or plasma))?"
    r"(?: after \w{3} (\d+) (\w{3}) (\d\d:\d\d))?"
)
NOT_BEFORE = re.compile(r"not before \w{3} (\d+) (\w{3}) (\d\d:\d\d)")
OUTCOME = re.compile(r"→ (start at|go up to) (?:([\d.]+) (mL/h|mL per bolus) \()?([\d.]+) kcal/day")


def instant(day: str, month: str, clock: str) -> datetime:
    return datetime.strptime(f"{day} {month} 2025 {clock} +0000", "%d %b %Y %H:%M %z")


def applied(chart: Picture, sentence: str) -> tuple[Picture, datetime]:
    """The chart with the facts of the sentence in it, and the instant it speaks of."""
    found = NOT_BEFORE.search(sentence)
    when = instant(*found.groups()) if found else NOW
    added = []
    for analyte, sign, value, matrix, day, month, clock in LEVEL.findall(sentence):
        after = instant(day, month, clock) + timedelta(minutes=1) if day else when
        level = Decimal(value) - Decimal("0.1") if sign == "<" else Decimal(value)
        kind = Matrix(matrix) if matrix else Matrix.SERUM_PLASMA
        own = [r.range_low for r in chart.results if r.analyte == analyte and r.range_low is not None]
        drawn = max(after, when - timedelta(hours=1))
        # By the same laboratory, whose range is that of the results before.
        added.append(
            replace(
                lab(Analyte(analyte), str(level), 0), collected=drawn, matrix=kind, range_low=own[0] if own else None
            )
        )
    return replace(chart, results=(*chart.results, *added)), when


STEPS = [
    # chart, protocol
    pytest.param((feed("30", 40), BEFORE, draw(5, p="0.78")), aspen, id="phosphate low"),
    pytest.param((feed("30", 40), draw(62, p="0.85"), draw(5, p="0.75", k="3.4")), nice, id="two low under NICE"),
    pytest.param((feed("30", 40), draw(62, k="5.0"), draw(5, k="3.9")), aspen, id="potassium 22 % down, in range"),
    pytest.param((feed("30", 40), draw(62, p="1.90"), draw(5, p="1.45")), aspen, id="24 % down from a high baseline"),
    pytest.param((feed("30", 40), BEFORE, draw(20)), aspen, id="stale"),
    pytest.param((feed("30", 40), BEFORE, draw(5, mg=None)), aspen, id="magnesium not drawn"),
    pytest.param((feed("30", 40), BEFORE, draw(5, k=None), lab(K, "4.4", 5, haemolysed=True)), aspen, id="haemolysed"),
    pytest.param((feed("30", 40), BEFORE, draw(5, k=None), lab(K, None, 5)), aspen, id="unreadable"),
    pytest.param(
        (feed("30", 40), BEFORE, draw(5, k=None), lab(K, "3.2", 5, low="3.4")), aspen, id="low by its own range"
    ),
    pytest.param((feed("30", 20), draw(22), draw(5)), aspen, id="the interval is open for 4 h"),
    pytest.param((feed("30", 5), draw(8), draw(2)), aspen, id="the interval is open for 19 h: the draws will be stale"),
    pytest.param((feed("30", 5), draw(8), draw(2, p="0.7")), aspen, id="low and the interval open"),
    pytest.param(
        (feed("30", 40), draw(62, k="5.0"), draw(14, k="3.7"), draw(3, k=None), lab(K, "3.9", 3, blood=True)),
        aspen,
        id="a fall in serum, and a later blood gas",
    ),
    pytest.param((planned(None), draw(5, p="0.7")), aspen, id="low before feeding"),
    pytest.param((planned(None),), aspen, id="nothing drawn before feeding"),
    pytest.param((planned(None), draw(30)), nice, id="an old baseline"),
]


@pytest.mark.parametrize(("items", "protocol"), STEPS)
def test_the_stated_facts_bring_the_stated_step(items: tuple[object, ...], protocol) -> None:  # type: ignore[no-untyped-def]
    chart = picture(items)
    said = evaluate(chart, protocol(), NOW).advice
    assert said.code not in (AdviceCode.ADVANCE, AdviceCode.START)
    (sentence,) = said.would_change
    outcome = OUTCOME.search(sentence)
    assert outcome is not None, sentence
    changed, when = applied(chart, sentence)
    after = evaluate(changed, protocol(), when).advice
    assert after.code == {"start at": "start", "go up to": "advance"}[outcome[1]], sentence
    assert round(after.kcal or Decimal(0)) == Decimal(outcome[4])


@pytest.mark.parametrize(("items", "protocol"), STEPS)
def test_a_level_just_below_the_stated_one_does_not(items: tuple[object, ...], protocol) -> None:  # type: ignore[no-untyped-def]
    chart = picture(items)
    (sentence,) = evaluate(chart, protocol(), NOW).advice.would_change
    if "≥" not in sentence:  # only time, or an upper limit, is named
        assert "not before" in sentence or "<" in sentence
        return
    lower = LEVEL.sub(one_step_lower, sentence)
    changed, when = applied(chart, lower)
    after = evaluate(changed, protocol(), when).advice
    assert after.code not in (AdviceCode.ADVANCE, AdviceCode.START) or after.rule == "start-while-low"


def one_step_lower(found: re.Match[str]) -> str:
    place = "0.1" if found[1] == "potassium" else "0.01"
    return found[0].replace(found[3], str(Decimal(found[3]) - Decimal(place)))


OTHER = [
    pytest.param((feed("30", 40), BEFORE, draw(5, k="6.2")), {}, "potassium without danger in 2 more draws", id="potassium critically high"),
    pytest.param((feed("30", 40), BEFORE, draw(5)), {"kg": None}, "a firm, recent weight", id="no weight"),
    pytest.param((feed("30", 40, density=None), BEFORE, draw(5)), {}, "orders whose energy can be summed", id="no density"),
    pytest.param((feed("30", 40), BEFORE, draw(5)), {"incomplete": ("x",)}, "a complete read of the chart", id="incomplete"),
    pytest.param((feed("30", 40, state=OrderState.PAUSED, ended=2), BEFORE, draw(5)), {}, "the feed running again", id="paused"),
    pytest.param((feed("90", 60), BEFORE, draw(5)), {}, "the lower energy running for 24 h", id="above the goal"),
    pytest.param((feed("30", 40), BEFORE, draw(5, p="0.3")), {}, "the lower energy running for 24 h", id="to be halved"),
    pytest.param((feed("30", 40), BEFORE, draw(5), goal("1.8")), {}, "an energy goal that can be used", id="a goal that is a slip"),
    pytest.param((feed("30", 40), BEFORE, draw(5), lab(P, "0.7", None)), {}, "a collection time for the undated phosphate", id="undated"),
]  # fmt: skip


@pytest.mark.parametrize(("items", "fields", "words"), OTHER)
def test_what_is_missing_besides_draws_is_named(
    items: tuple[object, ...], fields: dict[str, object], words: str
) -> None:
    (sentence,) = advise(items, **fields).advice.would_change
    assert words in sentence
    assert "go up to" not in sentence


def test_the_sentence_does_not_change_with_the_clock() -> None:
    """Otherwise a suggestion that stands would be rewritten at every round."""
    for items in (
        (feed("30", 40), BEFORE, draw(5, p="0.70")),
        (feed("30", 40), BEFORE, draw(5, p="0.30")),
        (feed("30", 5), draw(8), draw(2)),
    ):
        chart = picture(items)
        one, two = (evaluate(chart, aspen(), NOW + timedelta(minutes=m)).advice.would_change for m in (0, 20))
        assert one == two


def test_nobody_is_told_what_would_change_for_a_patient_nobody_watches() -> None:
    assert advise(at_risk=False).advice.would_change == ()
