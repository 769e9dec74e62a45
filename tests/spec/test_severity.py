"""How far a level has fallen since feeding began, and what each grade leads to."""

import pytest

from andante.domain.advice import AdviceCode, Assessment
from andante.domain.picture import OrderState
from andante.domain.quantities import Analyte
from pictures import K, P, advise, bolus, dextrose_drip, draw, feed, lab, rate


def fall(said: Assessment, analyte: Analyte = K) -> str | None:
    value = next(v for v in said.analytes if v.analyte is analyte).fall_percent
    return None if value is None else f"{value.normalize():f}"


# The baseline is 5.0 mmol/L of potassium, drawn 2 h before feeding; the step is due.
GRADES = [
    pytest.param("4.9", "2", "advance", "step-up", id="2 %: no grade"),
    pytest.param("4.55", "9", "advance", "step-up", id="9 %: no grade"),
    pytest.param("4.5", "10", "advance", "step-up", id="10 % exactly: mild, a warning"),
    pytest.param("4.05", "19", "advance", "step-up", id="19 %: mild"),
    pytest.param("4.0", "20", "hold", "falling", id="20 % exactly: moderate, holds inside the range"),
    pytest.param("3.55", "29", "hold", "falling", id="29 %: moderate"),
    pytest.param("3.5", "30", "hold", "falling", id="30 % exactly: still moderate by ASPEN"),
    pytest.param("3.49", "30.2", "urgent-review", "urgent-review", id="just over 30 %: severe, whatever the level"),
]


@pytest.mark.parametrize(("level", "percent", "code", "rule"), GRADES)
def test_a_fall_is_graded_from_the_baseline(level: str, percent: str, code: str, rule: str) -> None:
    said = advise(feed("30", 40), draw(42, k="5.0"), draw(5, k=level))
    assert fall(said) == percent
    assert (said.advice.code, said.advice.rule) == (code, rule)


def test_a_mild_fall_inside_the_range_is_said_as_a_warning() -> None:
    said = advise(feed("30", 40), draw(42, k="5.0"), draw(5, k="4.4"))
    words = (
        "Potassium has fallen 12 % from 5.0 mmol/L (Tue 4 Mar 14:00) to 4.4 mmol/L (Thu 6 Mar 03:00), "
        "but is still inside the range: a warning."
    )
    assert words in said.advice.because


FAST = [
    # level 12 h before the last, the last, h between, rule
    pytest.param("4.9", "4.17", 12, "step-up", id="14.9 % from one draw to the next: a warning"),
    pytest.param("5.0", "4.25", 12, "falling", id="15 % exactly from one draw to the next: too fast, holds"),
    pytest.param("5.0", "4.25", 14, "falling", id="15 % within 14 h exactly holds"),
    pytest.param("5.0", "4.25", 14.1, "step-up", id="15 % over 14.1 h is slow enough"),
]


@pytest.mark.parametrize(("before", "last", "between", "rule"), FAST)
def test_a_fall_from_one_draw_to_the_next_may_be_too_fast_to_go_on(
    before: str, last: str, between: float, rule: str
) -> None:
    """ASPEN 2020 answers levels that are "dropping precipitously" (from memory); the number is common practice."""
    said = advise(feed("30", 40), draw(60, k="4.6"), draw(5 + between, k=before), draw(5, k=last))
    assert said.advice.rule == rule


def test_a_fast_fall_says_from_what_and_when_and_what_would_settle_it() -> None:
    said = advise(feed("30", 40), draw(60, k="4.6"), draw(17, k="5.0"), draw(5, k="4.2"))
    assert said.advice.headline.endswith("potassium falling fast, still inside the range")
    assert said.advice.because[0] == (
        "Potassium has fallen 16 % from 5.0 mmol/L (Wed 5 Mar 15:00) to 4.2 mmol/L (Thu 6 Mar 03:00), fast: "
        "a mild fall."
    )
    cited = {c.path for r in said.derivation if r.rule == "falling" for c in r.cites}
    assert cited >= {"fall.fast", "fall.fast_window"}


def test_a_fast_fall_from_a_level_after_the_baseline_holds_although_the_fall_since_the_start_is_small() -> None:
    said = advise(feed("30", 40), draw(60, k="4.3"), draw(17, k="5.0"), draw(5, k="4.25"))
    assert said.advice.rule == "falling"


def test_a_fast_fall_before_feeding_holds_nothing() -> None:
    """Only a fall after energy came counts: before it, other causes are looked for."""
    assert advise(draw(17, k="5.0"), draw(5, k="4.2")).advice.code is AdviceCode.START


def test_the_worst_analyte_decides() -> None:
    said = advise(feed("30", 40), draw(42, p="1.40"), draw(5, k="3.9", p="0.90"))
    assert said.advice.code is AdviceCode.URGENT_REVIEW
    assert "phosphate has fallen 36 %" in said.advice.headline


REFERENCES = [
    # draws of potassium as (level, hours ago); feeding began 40 h ago; percent
    pytest.param((("5.0", 60), ("4.4", 42), ("4.0", 5)), "9", id="the last draw before feeding, not an earlier one"),
    pytest.param((("4.4", 42), ("5.0", 20), ("4.0", 5)), "20", id="the highest since, when it is above the baseline"),
    pytest.param((("4.4", 42), ("3.9", 20), ("4.2", 5)), "5", id="a recovery is measured from the baseline"),
    pytest.param((("5.0", 220), ("4.0", 5)), None, id="a baseline more than 7 days before feeding is none"),
    pytest.param((("4.0", 5),), None, id="nothing to compare with"),
    pytest.param((("3.6", 42), ("4.4", 5)), "0", id="a rise is no fall"),
]


@pytest.mark.parametrize(("draws", "percent"), REFERENCES)
def test_what_a_fall_is_measured_from(draws: tuple[tuple[str, float], ...], percent: str | None) -> None:
    said = advise(feed("30", 40), draw(42, k=None), draw(5, k=None), tuple(lab(K, v, ago) for v, ago in draws))
    found = fall(said)
    assert found is percent if percent is None else found is not None and round(float(found)) == round(float(percent))


def test_when_nothing_can_be_compared_the_advice_says_that_a_fall_would_not_be_seen() -> None:
    said = advise(feed("30", 40), draw(42, k=None), draw(5))
    assert any("no earlier level of potassium to compare with" in b for b in said.advice.because)


WINDOW = [
    pytest.param(119, "20", id="within 5 days of the start"),
    pytest.param(124, "20", id="drawn within the 5 days, now just beyond"),
    pytest.param(130, None, id="drawn more than 5 days after the start: outside the window"),
]


@pytest.mark.parametrize(("started", "percent"), WINDOW)
def test_a_fall_counts_within_five_days_of_the_start(started: float, percent: str | None) -> None:
    said = advise(feed("30", started), draw(started + 2, k="5.0"), draw(5, k="4.0"))
    assert fall(said) == percent


EXPOSURES = [
    pytest.param(
        (feed("40", 190, state=OrderState.ENDED, ended=60), feed("30", 30)),
        "20",
        id="a restart after 30 h opens a new window",
    ),
    pytest.param(
        (feed("40", 190, state=OrderState.ENDED, ended=40), feed("40", 30)), None, id="a pause of 10 h opens none"
    ),
    pytest.param(
        (feed(deliveries=(rate("20", 190), rate("60", 30)), since=190),), "20", id="a jump of 40 mL/h opens one"
    ),
    pytest.param(
        (feed(deliveries=(rate("20", 190), rate("44", 30)), since=190),), None, id="a rise within the step does not"
    ),
    pytest.param(
        (feed(deliveries=(rate("20", 190), rate("40", 36), rate("60", 30)), since=190),),
        "20",
        id="two rises within a day that add up to more than a step are a jump",
    ),
]


@pytest.mark.parametrize(("orders", "percent"), EXPOSURES)
def test_a_restart_or_a_jump_of_energy_opens_a_new_window(orders: tuple[object, ...], percent: str | None) -> None:
    said = advise(orders, draw(62, k="5.0"), draw(32, k="5.0"), draw(5, k="4.0"))
    assert fall(said) == percent


MATRICES = [
    # (level, hours ago, whole blood), fall, code
    pytest.param((("5.0", 42, False), ("3.6", 5, True)), None, "advance", id="serum, then blood gas: no fall is taken"),
    pytest.param((("5.0", 42, True), ("4.0", 5, True)), "20", "hold", id="blood gas to blood gas"),
    pytest.param(
        (("5.0", 42, False), ("3.8", 14, False), ("4.2", 5, True)),
        "24",
        "hold",
        id="a later blood gas does not undo a fall in serum",
    ),
    pytest.param(
        (("5.0", 42, False), ("4.6", 42, True), ("3.9", 5, False), ("3.8", 5, True)),
        "22",
        "hold",
        id="both drawn at once: the larger fall counts",
    ),
]


@pytest.mark.parametrize(("draws", "percent", "code"), MATRICES)
def test_a_fall_is_never_taken_across_serum_and_whole_blood(
    draws: tuple[tuple[str, float, bool], ...], percent: str | None, code: str
) -> None:
    results = tuple(lab(K, level, ago, blood=blood) for level, ago, blood in draws)
    said = advise(feed("30", 40), draw(42, k=None), draw(5, k=None), results)
    assert (fall(said), said.advice.code) == (percent, code)


DOUBTFUL = [
    pytest.param(lab(P, "0.85", 3, provisional=True), "urgent-review", id="not final"),
    pytest.param(lab(P, "0.85", 3, haemolysed=True), "urgent-review", id="haemolysed: the true level is no higher"),
    pytest.param(lab(P, "<0.85", 3), "urgent-review", id="below a bound"),
    pytest.param(lab(P, "0.85", None), "hold", id="without a time: holds, calls nobody"),
    pytest.param(lab(P, "0.85", -2), "hold", id="of the future: holds, calls nobody"),
]


@pytest.mark.parametrize(("result", "code"), DOUBTFUL)
def test_a_doubtful_result_may_show_a_severe_fall(result: object, code: str) -> None:
    """From 1.40 to 0.85 mmol/L, 39 %, beside an older firm draw that has hardly moved."""
    said = advise(feed("30", 40), draw(42, p="1.40"), draw(5, p="1.35"), result)
    assert said.advice.code == code


def test_a_fall_below_its_limit_is_no_grade_before_feeding() -> None:
    assert fall(advise(draw(42, k="5.0"), draw(5, k="3.6"))) is None


def test_a_bolus_feed_starts_a_course_like_any_other() -> None:
    said = advise(feed(deliveries=(bolus("120", 4),)), draw(42, k="5.0"), draw(5, k="4.0"))
    assert fall(said) == "20"


SWAPS = [
    # feed raised from 20 to 50 mL/h (+720 kcal, more than the step of 594) 30 h ago; a drip of 408 kcal beside it
    pytest.param((), "20", id="the feed alone: a jump"),
    pytest.param(
        (dextrose_drip("100", 190, state=OrderState.ENDED, ended=30),), None, id="in exchange for a drip: none"
    ),
    pytest.param((dextrose_drip("100", 190),), "20", id="with the drip running on: a jump"),
]


@pytest.mark.parametrize(("drip", "percent"), SWAPS)
def test_a_jump_is_one_of_all_energy(drip: tuple[object, ...], percent: str | None) -> None:
    order = feed(deliveries=(rate("20", 190), rate("50", 30)), since=190)
    assert fall(advise(order, drip, draw(32, k="5.0"), draw(5, k="4.0"))) == percent
