"""The decision table, row by row: one line is one patient and what is advised.

60 kg under the default protocol: goal 1800, step 594, first day 900 kcal/day; 1 kcal/mL unless said otherwise.
"""

# ruff: noqa: E501 - a row is a patient, and is read across

from datetime import date

import pytest

from andante.domain.advice import AdviceCode, Priority, Tell
from andante.domain.picture import EnergyKind, FindingKind, Firmness, OrderState, Person, Stay
from pictures import (
    K,
    P,
    advise,
    aspen,
    days_without_intake,
    delivered,
    dextrose_drip,
    dose,
    draw,
    feed,
    finding,
    goal,
    height,
    lab,
    parenteral,
    planned,
    propofol,
    rate,
    weight,
    with_choice,
)

BEFORE = draw(62)  # all in range, drawn before feeding began
TODAY = draw(5)
FED = feed("30", 40)  # 720 kcal/day; the next step is due since 16 h

ROWS = [
    # chart, code, rule, kcal, mL/h
    # 1 not covered, not at risk, ended
    pytest.param((FED, TODAY), {"person": Person(born=date(2007, 3, 7))}, "not-covered", "not-covered", None, id="1 a day short of 18"),
    pytest.param((FED, BEFORE, TODAY), {"person": Person(born=date(2007, 3, 6))}, "advance", "step-up", 1200, id="1 18 today: covered"),
    pytest.param((FED, TODAY), {"person": Person()}, "not-covered", "not-covered", None, id="1 age not known"),
    pytest.param((FED, TODAY, finding(FindingKind.PREGNANCY)), {}, "not-covered", "not-covered", None, id="1 pregnant"),
    pytest.param((FED, TODAY, finding(FindingKind.INFANT_FORMULA)), {}, "not-covered", "not-covered", None, id="1 infant formula"),
    pytest.param((FED, TODAY), {"stay": Stay(source="E/1", in_progress=True, inpatient=False)}, "not-covered", "not-covered", None, id="1 outpatient"),
    pytest.param((FED, TODAY), {"at_risk": False, "kg": None}, "hold", "energy-not-known", None, id="1 unknown risk, tube-fed: watched"),
    pytest.param((TODAY,), {"at_risk": False}, "not-at-risk", "risk-not-shown", None, id="1 unknown risk, not fed"),
    pytest.param((FED, TODAY), {"person": Person(born=date(1960, 1, 1), deceased=True)}, "stood-down", "watch-ended", None, id="1 died"),
    pytest.param((FED, TODAY), {"stay": Stay(source="E/1", in_progress=False)}, "stood-down", "watch-ended", None, id="1 discharged"),
    # 2 urgent
    pytest.param((FED, BEFORE, draw(5, p="0.30")), {}, "urgent-review", "urgent-review", 360, id="2 phosphate 0.30: halve to 15 mL/h"),
    pytest.param((FED, BEFORE, draw(5, k="6.1")), {}, "urgent-review", "urgent-review", 720, id="2 potassium 6.1: at most as now"),
    pytest.param((FED, draw(62, p="1.40"), draw(5, p="0.95")), {}, "urgent-review", "urgent-review", 360, id="2 in range but 32 % down"),
    pytest.param((FED, BEFORE, TODAY, finding(FindingKind.ORGAN_DYSFUNCTION, ago=10)), {}, "urgent-review", "urgent-review", 360, id="2 organ dysfunction flagged while feeding"),
    pytest.param((FED, BEFORE, TODAY, finding(FindingKind.ORGAN_DYSFUNCTION, ago=None)), {}, "urgent-review", "urgent-review", 360, id="2 organ dysfunction without a date"),
    pytest.param((FED, BEFORE, TODAY, finding(FindingKind.ORGAN_DYSFUNCTION, ago=90)), {}, "advance", "step-up", 1200, id="2 organ dysfunction before feeding is no sign of it"),
    pytest.param((FED, BEFORE, TODAY, finding(FindingKind.THIAMINE_DEFICIENCY, ago=10)), {}, "urgent-review", "urgent-review", 360, id="2 thiamine deficiency while feeding"),
    pytest.param((planned(), draw(5, k="2.4")), {}, "urgent-review", "urgent-review", None, id="2 critical before feeding: no start"),
    pytest.param((planned(), draw(5, k="6.3")), {}, "urgent-review", "urgent-review", None, id="2 critically high before feeding"),
    pytest.param((FED, BEFORE, draw(5, k="6.1", p="0.30")), {}, "urgent-review", "urgent-review", 360, id="2 of two answers the stricter"),
    # 4 low
    pytest.param((FED, BEFORE, draw(5, p="0.79")), {}, "hold", "low-while-feeding", 720, id="4 phosphate 0.79"),
    pytest.param((FED, BEFORE, draw(5, k=None), lab(K, "3.4", 5, provisional=True)), {}, "hold", "low-while-feeding", 720, id="4 potassium 3.4, not final"),
    pytest.param((FED, BEFORE, draw(30, mg="0.69"), draw(5, mg=None)), {}, "hold", "low-while-feeding", 720, id="4 magnesium low in the last draw, now old"),
    pytest.param((feed("30", 10), draw(12), draw(5, p="0.79")), {}, "hold", "low-while-feeding", 720, id="4 low on day 1"),
    # 5 evidence
    pytest.param((FED, BEFORE, draw(5, p=None)), {}, "hold", "evidence-gap", 720, id="5 phosphate not drawn"),
    pytest.param((FED, BEFORE, draw(15)), {}, "hold", "evidence-gap", 720, id="5 the last draw is 15 h old"),
    pytest.param((FED, BEFORE, TODAY), {"incomplete": ("medications",)}, "hold", "incomplete-read", 720, id="5 the chart was not read completely"),
    pytest.param((FED, draw(62, k="5.0"), draw(5, k="4.0")), {}, "hold", "falling", 720, id="5 in range, 20 % down"),
    pytest.param((feed("30", 40, density=None), BEFORE, TODAY), {}, "hold", "energy-not-known", None, id="5 no energy density"),
    pytest.param((FED, BEFORE, TODAY), {"kg": None}, "hold", "energy-not-known", 720, id="5 no weight, no goal"),
    pytest.param((FED, BEFORE, TODAY, goal("1800")), {"kg": None}, "advance", "step-up", 1200, id="5 no weight, but a charted goal"),
    pytest.param((feed("30", 10), draw(12), TODAY, goal("1800")), {"kg": None}, "hold", "energy-not-known", 720, id="5 day 1 without a weight: no allowance"),
    # 6 baseline
    pytest.param((planned(),), {}, "draw-first", "baseline-gap", None, id="6 nothing drawn"),
    pytest.param((planned(), draw(5, mg=None)), {}, "draw-first", "baseline-gap", None, id="6 magnesium missing"),
    pytest.param((planned(), draw(5, p="0.6", mg=None)), {}, "draw-first", "baseline-gap", None, id="6 one missing, one low: draw first, and say the low"),
    pytest.param((planned(), TODAY), {"incomplete": ("labs",)}, "hold", "incomplete-read", None, id="6 not read completely: nobody is started"),
    # 7 low before feeding
    pytest.param((planned(), draw(5, p="0.79")), {}, "correct-first", "low-before-feeding", None, id="7 phosphate 0.79: correct first"),
    pytest.param((planned(), draw(5, k="3.4", p="0.6")), {}, "correct-first", "low-before-feeding", None, id="7 two low"),
    # 8 start
    pytest.param((planned(), TODAY), {}, "start", "ready-to-start", 840, id="8 15 kcal/kg: 900, at 35 mL/h 840"),
    pytest.param((TODAY,), {}, "start", "ready-to-start", 840, id="8 nothing ordered: a standard formula of 1 kcal/mL"),
    pytest.param((planned(), TODAY, days_without_intake("16")), {}, "start", "ready-to-start", 600, id="8 extreme: 10 kcal/kg"),
    pytest.param((planned(), draw(5, k="5.4")), {}, "start", "ready-to-start", 840, id="8 a high level does not stop a start, but is named"),
    pytest.param((planned(), TODAY), {"kg": None}, "hold", "start-not-sizeable", None, id="8 no weight"),
    pytest.param((planned(), TODAY, dextrose_drip("250")), {}, "hold", "start-not-sizeable", None, id="8 a drip fills the allowance"),
    pytest.param((planned(), TODAY, propofol(None)), {}, "hold", "start-not-sizeable", None, id="8 propofol at an unknown rate"),
    pytest.param((planned(), TODAY, feed("50", None)), {}, "hold", "start-not-sizeable", None, id="8 an active order without a start: may run already"),
    pytest.param((planned(), TODAY, goal("1.8")), {}, "hold", "start-not-sizeable", None, id="8 a goal of 1.8 kcal is a slip"),
    # 9 stay
    pytest.param((feed("30", 23.9), draw(26), TODAY), {}, "stay", "interval-open", 720, id="9 23.9 h since the last change"),
    pytest.param((feed("30", 24), draw(26), TODAY), {}, "advance", "step-up", 1200, id="10 24 h exactly since the last change"),
    pytest.param((FED, BEFORE, TODAY, delivered("400")), {}, "stay", "delivery-lags", 720, id="9 56 % delivered"),
    pytest.param((feed("30", 40, state=OrderState.PAUSED, ended=3), BEFORE, TODAY), {}, "stay", "feed-paused", 720, id="9 on hold for theatre"),
    pytest.param((feed("30", 40, state=OrderState.ENDED, ended=3), BEFORE, TODAY), {}, "stay", "feed-paused", 0, id="9 stopped 3 h ago"),
    pytest.param((feed(deliveries=(rate("30", 60), rate("35", 10)), since=60), BEFORE, TODAY), {}, "stay", "interval-open", 840, id="9 raised 10 h ago"),
    # 10 advance
    pytest.param((FED, BEFORE, TODAY), {}, "advance", "step-up", 1200, id="10 720 + 594 = 1314: 50 mL/h, 1200"),
    pytest.param((feed("55", 40), BEFORE, TODAY), {}, "advance", "step-up", 1800, id="10 1320 + 594: not past the goal of 1800"),
    pytest.param((FED, BEFORE, draw(5, k="5.4")), {}, "advance", "step-up", 1200, id="10 high: named, not held"),
    pytest.param((parenteral("40", 40, dextrose="0.6", amino_acids="0"), BEFORE, TODAY), {"kg": "35"}, "hold", "over-goal", None, id="10 parenteral above the goal"),
    pytest.param((parenteral("20", 40, dextrose="0.7", amino_acids="0"), BEFORE, TODAY, goal("2100")), {"kg": "47"}, "stay", "no-room", 1142.4, id="10 at the ceiling of glucose per minute: no room"),
    # 11 goal
    pytest.param((feed("75", 60), BEFORE, TODAY), {}, "at-goal", "at-goal", 1800, id="11 1800 of 1800"),
    pytest.param((feed("71", 60), BEFORE, TODAY), {}, "at-goal", "at-goal", 1704, id="11 within one increment (120 kcal) of the goal"),
    pytest.param((feed("70", 60), BEFORE, TODAY), {}, "advance", "step-up", 1800, id="11 a whole increment below is not at the goal"),
    # limits
    pytest.param((feed("38", 10), draw(12), TODAY), {}, "hold", "over-first-day", 840, id="over 900 on day 1: bring down"),
    pytest.param((feed("37.5", 10), draw(12), TODAY), {}, "stay", "interval-open", 900, id="900 exactly on day 1 is allowed"),
    pytest.param((feed("80", 60), BEFORE, TODAY), {}, "hold", "over-goal", 1800, id="1920 with a goal of 1800: bring down"),
    pytest.param((feed("60", 5), draw(8), draw(4, p="0.7")), {}, "hold", "low-while-feeding", 840, id="low and over the first day's allowance: both"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "fields", "code", "rule", "kcal"), ROWS)
def test_decision(
    chart: tuple[object, ...], fields: dict[str, object], code: str, rule: str, kcal: float | None
) -> None:
    advice = advise(chart, **fields).advice
    assert (advice.code, advice.rule) == (code, rule)
    if kcal is not None or advice.code not in (AdviceCode.HOLD,):
        assert (None if advice.kcal is None else float(advice.kcal)) == kcal


# --------------------------------------------------------------------------- urgency: what the protocol answers

ANSWERS = [
    pytest.param("critical_low", "halve", draw(5, p="0.30"), 360, id="critical low: halve"),
    pytest.param("critical_low", "stop", draw(5, p="0.30"), 0, id="critical low: stop"),
    pytest.param("critical_high", "hold", draw(5, k="6.1"), 720, id="critical high: hold"),
    pytest.param("critical_high", "halve", draw(5, k="6.1"), 360, id="critical high: halve"),
    pytest.param("critical_high", "stop", draw(5, k="6.1"), 0, id="critical high: stop"),
    pytest.param("severe_fall", "halve", draw(5, p="0.90"), 360, id="severe fall: halve"),
    pytest.param("severe_fall", "stop", draw(5, p="0.90"), 0, id="severe fall: stop"),
    pytest.param("organ_dysfunction", "stop", (TODAY, finding(FindingKind.ORGAN_DYSFUNCTION, ago=3)), 0, id="organ dysfunction: stop"),
]  # fmt: skip


@pytest.mark.parametrize(("switch", "answer", "drawn", "kcal"), ANSWERS)
def test_the_protocol_says_what_answers_a_danger(
    switch: str, answer: str, drawn: tuple[object, ...], kcal: int
) -> None:
    said = advise(FED, draw(62, p="1.40"), drawn, protocol=with_choice(aspen(), switch, answer))
    assert (said.advice.code, said.advice.kcal) == ("urgent-review", kcal)
    assert (said.advice.priority, said.advice.tell) == (Priority.STAT, Tell.PRESCRIBER)
    assert any(n.code == "urgent" and n.tell is Tell.PRESCRIBER for n in said.notices)


# --------------------------------------------------------------------------- difficult to correct

LOW = [draw(ago, p=v) for ago, v in ((50, "0.70"), (38, "0.65"), (26, "0.66"), (14, "0.62"), (3, "0.63"))]
FED60 = feed("40", 60)
NORMAL = draw(62, p="0.85")
REFRACTORY = [
    # draws, doses, code
    pytest.param(LOW, (dose(P, ago=40), dose(P, ago=20)), "halve", id="5 low draws over 47 h, 2 doses answered"),
    pytest.param(LOW, (dose(P, ago=40),), "hold", id="only one dose"),
    pytest.param(LOW, (dose(K, ago=40), dose(K, ago=20)), "hold", id="doses of another electrolyte"),
    pytest.param(LOW, (dose(P, ago=40), dose(P, ago=1)), "hold", id="a dose after the last draw is not answered yet"),
    pytest.param(LOW, (dose(P, ago=40), dose(P, ago=55)), "hold", id="a dose before the first low draw does not count"),
    pytest.param((draw(27, p="0.66"), draw(14, p="0.62"), draw(3, p="0.63")), (dose(P, ago=20), dose(P, ago=10)), "halve", id="3 draws over 24 h exactly"),
    pytest.param((draw(26.9, p="0.66"), draw(14, p="0.62"), draw(3, p="0.63")), (dose(P, ago=20), dose(P, ago=10)), "hold", id="3 draws over just under 24 h, not falling"),
    pytest.param((draw(30, p="0.62"), draw(3, p="0.63")), (dose(P, ago=20), dose(P, ago=10)), "hold", id="2 draws, not falling"),
    pytest.param((draw(14, p="0.66"), draw(3, p="0.60")), (dose(P, ago=13), dose(P, ago=8)), "halve", id="2 draws, still falling despite 2 doses"),
    pytest.param((*LOW[:3], draw(14, p="0.82"), draw(3, p="0.70")), (dose(P, ago=40), dose(P, ago=30)), "hold", id="a normal draw between: the run begins again"),
]  # fmt: skip


@pytest.mark.parametrize(("draws", "doses", "code"), REFRACTORY)
def test_low_despite_replacement_is_halved(draws: object, doses: object, code: str) -> None:
    advice = advise(FED60, NORMAL, tuple(draws), doses).advice  # type: ignore[arg-type]
    assert advice.code == code
    assert advice.kcal == (480 if code == "halve" else 960)


DOSES = (dose(P, ago=40), dose(P, ago=20))


def test_after_the_cut_the_energy_is_kept_not_cut_again() -> None:
    halved = (feed("40", 60, state=OrderState.ENDED, ended=20), feed("20", 20))
    advice = advise(halved, NORMAL, tuple(LOW), DOSES).advice
    assert (advice.code, advice.rule, advice.kcal) == ("hold", "low-while-feeding", 480)


def test_after_the_cut_a_normal_level_resumes_by_steps() -> None:
    halved = (feed("40", 60, state=OrderState.ENDED, ended=26), feed("20", 26))
    advice = advise(halved, NORMAL, tuple(LOW[:-1]), draw(3, p="0.85"), DOSES).advice
    assert (advice.code, advice.kcal) == ("advance", 960)


def test_a_cut_is_repeated_when_the_energy_was_raised_again() -> None:
    raised = feed(deliveries=(rate("40", 60), rate("20", 30), rate("38", 10)), since=60)
    advice = advise(raised, NORMAL, tuple(LOW), DOSES).advice
    assert (advice.code, advice.rate_ml_h) == ("halve", 15)


# --------------------------------------------------------------------------- charts a sceptic would try

HARD = [
    # chart, fields, code, kcal, words in the advice
    pytest.param((feed("40", 60, state=OrderState.ENDED, ended=12), feed("40", 12.5), BEFORE, TODAY), {}, "advance", 1440, "", id="two bags overlap for half an hour: no change, no jump"),
    pytest.param((feed("40", 60, state=OrderState.ENDED, ended=12), feed("40", 12.99), BEFORE, TODAY), {}, "advance", 1440, "", id="two bags that overlap for 59 min are one feed"),
    pytest.param((feed("40", 60, state=OrderState.ENDED, ended=12), feed("40", 13), BEFORE, TODAY), {}, "stay", 960, "more than one step", id="two bags that overlap for an hour are two feeds"),
    pytest.param((feed("40", 60, state=OrderState.ENDED, ended=2), feed("40", 2.2), BEFORE, draw(14, p="0.65"), draw(5, p="0.60")), {}, "urgent-review", 480, "halve from 40 to 20 mL/h", id="an overlap of bags does not pass for a cut"),
    pytest.param((feed("40", 60), feed("40", 20), BEFORE, TODAY), {}, "hold", 1440, "", id="two feeds at once for 20 h: both count, brought down to a step above the one"),
    pytest.param((feed("40", 72, ordered=2), draw(90), TODAY), {}, "stay", 960, "", id="back-dated by 70 h: the interval counts from when it was written"),
    pytest.param((feed("40", 90, state=OrderState.ENDED, ended=30), feed("40", 30, ordered=29), draw(92), TODAY), {}, "advance", 1440, "", id="renewed at the same rate, entered an hour late: no change"),
    pytest.param((feed("20", 60, state=OrderState.ENDED, ended=20), feed("40", 20, state=OrderState.ENDED, ended=8), feed("60", 8), BEFORE, TODAY), {}, "stay", 1440, "", id="replaced twice within a day"),
    pytest.param((feed("70", 200, state=OrderState.ENDED, ended=40), feed("70", 8), draw(12), TODAY), {}, "hold", 840, "first day", id="restarted at the old rate after 32 h: day 1 again"),
    pytest.param((feed("70", 200, state=OrderState.ENDED, ended=31.9), feed("70", 8), draw(12), TODAY), {}, "advance", 1800, "", id="restarted after 23.9 h: the same course, the same energy"),
    pytest.param((feed("70", 200, state=OrderState.ENDED, ended=32), feed("70", 8), draw(12), TODAY), {}, "hold", 840, "first day", id="restarted after 24 h exactly: a new exposure"),
    pytest.param((feed("70", 200, state=OrderState.ENDED, ended=24), TODAY), {}, "start", 840, "earlier course", id="stopped for a day: a new start"),
    pytest.param((feed("50", 40), propofol("20"), BEFORE, TODAY), {}, "at-goal", 1728, "", id="propofol on: the goal is reached with it"),
    pytest.param((feed("50", 40), propofol("20", state=OrderState.ENDED, ended=2), BEFORE, TODAY), {}, "advance", 1680, "", id="propofol off: the feed makes up for it by steps"),
    pytest.param((feed("60", 40), propofol("60"), BEFORE, TODAY), {}, "hold", 1584, "above the goal", id="propofol over the goal: the feed gives way"),
    pytest.param((feed("60", 40), propofol("80"), BEFORE, TODAY), {}, "hold", 2112, "Stop the feed, and review the 2112 kcal/day that remain, from lipid-based sedation", id="propofol alone is above the goal: no feed, and its energy is said"),
    pytest.param((planned(None), TODAY, goal("700")), {}, "start", 600, "", id="a goal below the first day's allowance"),
    pytest.param((planned(None), TODAY, height("165")), {"kg": "140"}, "start", 1080, "adjusted weight 77.7 kg", id="obese: adjusted weight"),
    pytest.param((feed(None, 60, kind=EnergyKind.ORAL_DIET, density=None), BEFORE, TODAY), {}, "hold", None, "states no energy", id="oral diet only: the energy is not known"),
    pytest.param((feed(None, 60, kind=EnergyKind.ORAL_DIET, density=None, nil_by_mouth=True), TODAY), {}, "start", 840, "", id="nil by mouth is no feed"),
    pytest.param((planned(None), TODAY, dextrose_drip("100")), {}, "start", 888, "408 kcal/day already", id="a dextrose drip before feeding is subtracted"),
    pytest.param((feed("30", 40), BEFORE, TODAY, goal("1.8")), {}, "hold", 720, "below even the lowest start", id="a goal of 1.8 kcal: neither fed towards nor cut down to"),
    pytest.param((feed("50", 40), BEFORE, TODAY, goal("1300", 50), goal(None, 30)), {}, "at-goal", 1200, "", id="an unreadable newer goal makes no room above the readable one"),
    pytest.param((feed("50", 40), BEFORE, TODAY, goal("9999")), {}, "advance", 1680, "", id="a goal of 9999 is a slip: the protocol's"),
    pytest.param((feed("35", 40, state=OrderState.PAUSED, ended=5), BEFORE, draw(5, p="0.6")), {}, "urgent-review", 360, "", id="a severe fall while the feed is on hold"),
    pytest.param((feed("74.9", 60), BEFORE, TODAY, goal("1793")), {}, "hold", 1680, "", id="a few kcal over the goal: brought down"),
    pytest.param((feed("30", 40, state=OrderState.PAUSED), TODAY), {}, "hold", None, "may be", id="paused, since when is not said: no new start"),
    pytest.param((feed("20", 40), parenteral("80", 40), BEFORE, TODAY, goal("1200")), {}, "hold", 1200, "", id="parenteral alone is above the goal: all feeds together"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "fields", "code", "kcal", "words"), HARD)
def test_hard_chart(
    chart: tuple[object, ...], fields: dict[str, object], code: str, kcal: float | None, words: str
) -> None:
    advice = advise(chart, **fields).advice
    assert advice.code == code
    assert (None if advice.kcal is None else float(advice.kcal)) == kcal
    assert words in f"{advice.headline} {' '.join(advice.because)}"


def test_two_feeds_at_once_are_named() -> None:
    said = advise(feed("20", 60), feed("20", 20), BEFORE, TODAY)
    assert "overlapping-orders" in {q.code for q in said.data_quality}


def test_a_few_kcal_over_the_goal_are_no_urgent_matter() -> None:
    just = advise(feed("75", 60), BEFORE, TODAY, goal("1793")).advice
    far = advise(feed("85", 60), BEFORE, TODAY, goal("1793")).advice
    assert (just.rule, just.priority) == ("over-goal", Priority.ROUTINE)
    assert (far.rule, far.priority) == ("over-goal", Priority.URGENT)


def test_a_low_level_says_so_to_the_team_and_never_orders() -> None:
    said = advise(FED, BEFORE, draw(5, p="0.70"))
    note = next(n for n in said.notices if n.code == "replacement")
    assert note.tell is Tell.PRESCRIBER
    assert note.text.startswith("Please review replacement: phosphate 0.70 mmol/L, low")
    assert note.analytes == (P,)


def test_a_high_level_never_asks_for_more_replacement() -> None:
    said = advise(FED, BEFORE, draw(5, k="5.6"))
    note = next(n for n in said.notices if n.code == "replacement")
    assert note.topic == "high"
    assert "renal function" in note.text


STATED = [pytest.param("2700", "advance", id="45 kcal/kg exactly is believed"), pytest.param("2701", "at-goal", id="above 45 kcal/kg is a slip")]  # fmt: skip


@pytest.mark.parametrize(("kcal", "code"), STATED)
def test_a_stated_goal_is_believed_up_to_a_limit(kcal: str, code: str) -> None:
    """At 1800 kcal/day: below a goal of 2700, at the protocol's own goal of 1800."""
    assert advise(feed("75", 60), BEFORE, TODAY, goal(kcal)).advice.code == code


def test_an_uncertain_newer_weight_counts_only_when_it_is_lower() -> None:
    lower = advise(planned(None), TODAY, weight("50", 2, firmness=Firmness.PROVISIONAL)).advice
    higher = advise(planned(None), TODAY, weight("90", 2, firmness=Firmness.PROVISIONAL)).advice
    assert (lower.kcal, higher.kcal) == (720, 840)


def test_a_flag_written_after_the_cut_for_the_same_trouble_asks_for_no_second_cut() -> None:
    cut = feed(deliveries=(rate("30", 40), rate("15", 12)), since=40)
    flag = finding(FindingKind.ORGAN_DYSFUNCTION, ago=11)
    assert advise(cut, BEFORE, TODAY, flag).advice.kcal == 360
    new = finding(FindingKind.ORGAN_DYSFUNCTION, ago=2)
    long_ago = feed(deliveries=(rate("30", 60), rate("15", 40)), since=60)
    assert advise(long_ago, draw(62), TODAY, new).advice.kcal == 120  # a new trouble: 180, at 5 mL/h 120


@pytest.mark.parametrize("undated", [finding(FindingKind.ORGAN_DYSFUNCTION, ago=None), lab(P, "0.30", None)])
def test_a_danger_without_a_time_does_not_cut_again_at_every_round(undated: object) -> None:
    before = advise(FED, BEFORE, TODAY, undated).advice
    after = advise(feed(deliveries=(rate("30", 40), rate("15", 1)), since=40), BEFORE, TODAY, undated).advice
    assert (before.code, before.kcal, after.code, after.kcal) == ("urgent-review", 360, "urgent-review", 360)
