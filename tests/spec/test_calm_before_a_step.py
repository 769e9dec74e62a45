"""What must be calm before the energy rises: replacement, danger just past, jumps, diets, drips and pauses."""

# ruff: noqa: E501 - a row is a case, and is read across

from datetime import timedelta
from decimal import Decimal

import pytest

from andante.domain.advice import AnalyteState, NoticeCode
from andante.domain.picture import EnergyKind, EnergyOrder, IntakeKind, OrderState
from andante.domain.quantities import Analyte
from pictures import MG, K, P, advise, delivered, dextrose_drip, dose, draw, feed, h, height, lab, planned

BEFORE = draw(62)

# A draw during a replacement dose, or before it has spread, overstates: magnesium and phosphate 6 h, potassium 2 h.
RECHECK = [
    # analyte, dose given h ago, dose ended h ago, advice
    pytest.param(P, 8, 6, "hold", id="phosphate drawn 1 h after the end of the dose: not firm"),
    pytest.param(P, 12, 11, "advance", id="phosphate drawn 6 h after the end of the dose: firm"),
    pytest.param(P, 12, 10.9, "hold", id="phosphate drawn 5.9 h after the end of the dose: not firm"),
    pytest.param(P, 6, 4, "hold", id="phosphate drawn while the dose ran: not firm"),
    pytest.param(K, 8, 7, "advance", id="potassium drawn 2 h after the end of the dose: firm"),
    pytest.param(K, 8, 6.9, "hold", id="potassium drawn 1.9 h after the end of the dose: not firm"),
    pytest.param(MG, 12, 11, "advance", id="magnesium drawn 6 h after the end of the dose: firm"),
    pytest.param(MG, 12, 10.9, "hold", id="magnesium drawn 5.9 h after the end of the dose: not firm"),
    pytest.param(P, 4, 3, "advance", id="a dose after the draw does not touch it"),
]


@pytest.mark.parametrize(("analyte", "given", "ended", "code"), RECHECK)
def test_a_draw_too_soon_after_replacement_may_hold_but_not_advance(analyte, given, ended, code) -> None:  # type: ignore[no-untyped-def]
    said = advise(feed("30", 40), BEFORE, draw(5), dose(analyte, ago=given, ended=ended))
    assert said.advice.code == code
    if code == "hold":
        view = next(v for v in said.analytes if v.analyte is analyte)
        assert view.state is AnalyteState.PROVISIONAL
        assert not [n for n in said.notices if n.code is NoticeCode.LAB_GAP and n.stage == "unusable"]


RECHECK_H = {K: 2, P: 6}
RUNNING = [
    # analyte, dose begun h ago and charted as still running, advice
    pytest.param(K, 8, "hold", id="potassium drawn 3 h after the start of a dose that still runs"),
    pytest.param(K, 30.9, "hold", id="drawn 1.9 h after the 24 h that a dose can take"),
    pytest.param(K, 31, "advance", id="drawn 2 h after them: a maintenance drip, or never closed"),
    pytest.param(K, 4, "advance", id="begun after the draw"),
    pytest.param(P, 8, "hold", id="phosphate drawn during a dose that still runs"),
]


@pytest.mark.parametrize(("analyte", "given", "code"), RUNNING)
def test_a_draw_during_a_dose_that_still_runs_may_hold_but_not_advance(
    analyte: Analyte, given: float, code: str
) -> None:
    said = advise(feed("30", 40), BEFORE, draw(5), dose(analyte, ago=given, running=True))
    assert said.advice.code == code
    if code == "hold":
        text = (
            f"drawn during a replacement dose that is charted as running, or within {RECHECK_H[analyte]} h of its end"
        )
        assert [q.text for q in said.data_quality if q.code == "after-replacement" and text in q.text]
        assert text in said.advice.because[0]


def test_the_usual_draws_go_on_while_a_dose_runs() -> None:
    """When it will end is not known: the next draw is due 12 h after the last, not a day later."""
    said = advise(feed("30", 40), BEFORE, draw(5), dose(K, ago=8, running=True))
    assert {v.next_due for v in said.analytes} == {h(-7)}


def test_a_draw_too_soon_after_replacement_does_not_start_a_feed_either() -> None:
    assert advise(planned(None), draw(5), dose(MG, ago=8, ended=6)).advice.code == "draw-first"


# Drawn on this day, at an hour nobody wrote down: it may have been just after the dose.
ONLY_A_DATE = [
    # dose given h ago, dose ended h ago, advice
    pytest.param(4, 3, "hold", id="a dose on the same day: the draw may have followed it"),
    pytest.param(12, 10, "hold", id="a dose of the evening before, spread only after midnight"),
    pytest.param(16, 14, "advance", id="a dose that had spread before the day began"),
]


@pytest.mark.parametrize(("given", "ended", "code"), ONLY_A_DATE)
def test_a_draw_with_only_a_date_may_have_been_too_soon(given: float, ended: float, code: str) -> None:
    on_this_day = lab(P, "1.0", None, collected=h(8), collected_latest=h(-15.9))
    said = advise(feed("30", 40), BEFORE, draw(5, p=None), on_this_day, dose(P, ago=given, ended=ended))
    assert said.advice.code == code


def test_a_low_level_counts_whenever_it_was_drawn() -> None:
    said = advise(feed("30", 40), BEFORE, draw(5, p="0.70"), dose(P, ago=7, ended=6))
    assert said.advice.rule == "low-while-feeding"


# After a critical level or a severe fall two draws running without danger come before the next step.
SETTLE = [
    # draws (h ago, potassium, phosphate), rule
    pytest.param(((62, "4.0", "1.00"), (29, "4.0", "0.30"), (5, "4.0", "0.95")), "settling", id="one draw after a critical phosphate"),
    pytest.param(((62, "4.0", "1.00"), (29, "4.0", "0.30"), (17, "4.0", "0.95"), (5, "4.0", "0.95")), "step-up", id="two draws after a critical phosphate"),
    pytest.param(((62, "4.0", "1.00"), (29, "4.0", "0.65"), (5, "4.0", "0.95")), "settling", id="one draw after a severe fall"),
    pytest.param(((62, "4.0", "1.00"), (29, "6.1", "1.00"), (5, "5.2", "1.00")), "settling", id="one draw after a critical high potassium"),
    pytest.param(((62, "4.0", "1.00"), (29, "4.0", "0.75"), (5, "4.0", "0.95")), "step-up", id="a plain low settles with one"),
    pytest.param(((62, "4.0", "0.30"), (50, "4.0", "0.90"), (5, "4.0", "0.90")), "step-up", id="a critical level before feeding is past"),
]  # fmt: skip


@pytest.mark.parametrize(("draws", "rule"), SETTLE)
def test_one_good_draw_after_danger_is_not_yet_calm(draws, rule) -> None:  # type: ignore[no-untyped-def]
    said = advise(feed("30", 40), *(draw(ago, k=k, p=p) for ago, k, p in draws))
    assert said.advice.rule == rule
    if rule == "settling":
        assert "without danger in one more draw" in said.advice.would_change[0]


def jumped(hours: float, to: str) -> tuple[EnergyOrder, ...]:
    return (
        feed("30", 60, state=OrderState.ENDED, ended=hours),
        feed(to, hours),
    )


JUMP = [
    # rate after the rise (720 before, step 594), h since, rule, words
    pytest.param("54", 5, "interval-open", "", id="a rise of 576, within a step"),
    pytest.param("55", 5, "jumped", "from 720 kcal/day to 1320 kcal/day", id="a rise of 600, more than a step"),
    pytest.param("55", 23.9, "jumped", "more than one step", id="still within the step interval"),
    pytest.param("55", 24, "step-up", "", id="a step interval later the level stands"),
]


@pytest.mark.parametrize(("to", "hours", "rule", "words"), JUMP)
def test_a_rise_of_more_than_a_step_is_said(to: str, hours: float, rule: str, words: str) -> None:
    said = advise(jumped(hours, to), draw(70), draw(4)).advice
    assert said.rule == rule
    assert words in " ".join(said.because)


def diet(since: float) -> EnergyOrder:
    return feed(None, since, density=None, kind=EnergyKind.ORAL_DIET)


def test_the_first_tube_feed_after_a_diet_is_a_start_with_its_first_day_allowance() -> None:
    eating = (diet(30), delivered("300", kind=IntakeKind.ENERGY))
    said = advise(eating, feed("50", 10), draw(34), draw(4))
    assert said.feeding.day == 1
    assert said.advice.rule == "over-first-day"
    assert said.advice.kcal is not None
    assert said.advice.kcal <= Decimal(900)


def test_a_diet_alone_states_no_energy_until_what_was_eaten_is_recorded() -> None:
    said = advise(diet(40), BEFORE, draw(5)).advice
    assert said.rule == "energy-not-known"
    assert "record what is eaten over 24 h" in said.because[0]
    eaten = advise(diet(40), BEFORE, draw(5), delivered("700", kind=IntakeKind.ENERGY))
    assert eaten.feeding.ordered_kcal == 700
    assert eaten.advice.code == "advance"


def test_a_diet_beside_a_feed_counts_what_was_eaten() -> None:
    said = advise(diet(60), feed("30", 40), BEFORE, draw(5), delivered("1000", kind=IntakeKind.ENERGY))
    assert said.feeding.ordered_kcal == 1000
    assert said.advice.kcal is not None
    assert said.advice.kcal <= 1000 + Decimal("0.33") * 1800


def test_a_new_glucose_drip_waits_out_the_step_interval_like_a_step() -> None:
    said = advise(feed("30", 40), dextrose_drip("50", 10), BEFORE, draw(5)).advice
    assert said.rule == "interval-open"


def test_a_paused_feed_says_that_nothing_runs_and_when_it_becomes_a_new_start() -> None:
    said = advise(feed("30", 40, state=OrderState.PAUSED, ended=10), BEFORE, draw(5)).advice
    assert said.rule == "feed-paused"
    assert said.headline.startswith("The feed is off; when it resumes before Thu 6 Mar 22:00, at most 30 mL/h")
    assert said.valid_until is not None
    assert said.valid_until <= h(10) + timedelta(hours=24)
    assert "after that it is a new start, at most 900 kcal/day" in said.because[0]


HEAVY = [
    # kg, other measurements, advice
    pytest.param("90", (), "start", id="90 kg exactly without a height: the actual weight"),
    pytest.param("90.1", (), "hold", id="90.1 kg without a height: obesity cannot be told"),
    pytest.param("140", (height("165"),), "start", id="140 kg with a height: adjusted"),
]


@pytest.mark.parametrize(("kg", "more", "code"), HEAVY)
def test_a_heavy_patient_needs_a_height_before_any_sum(kg, more, code) -> None:  # type: ignore[no-untyped-def]
    said = advise(planned(None), draw(5), *more, kg=kg)
    assert said.advice.code == code


def test_a_start_says_that_thiamine_comes_first() -> None:
    said = advise(planned(None), draw(5)).advice
    assert said.headline.endswith("once thiamine has been given")


def test_a_high_level_of_a_haemolysed_specimen_is_told_to_the_prescriber_as_unproven() -> None:
    said = advise(feed("30", 40), BEFORE, draw(5, k=None), lab(K, "6.8", 5, haemolysed=True))
    assert said.advice.code == "hold"
    (urgent,) = [n for n in said.notices if n.code is NoticeCode.URGENT]
    assert (urgent.tell, urgent.analytes) == ("prescriber", (K,))
    assert "may be truly high" in urgent.text
