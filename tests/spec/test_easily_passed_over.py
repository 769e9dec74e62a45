"""What is easily passed over: glucose before the first feed, past danger, protein alone, orders and doses, no baseline.

60 kg. A drip of 100 g glucose a day is what a first day by vein may bring (ASPEN 2020: 100 to 150 g); that it lowers
the three electrolytes as a feed does: ASPEN 2020 counts intravenous dextrose among the calories of a start.
"""

# ruff: noqa: E501 - a row is a case, and is read across

import pytest

from andante.domain.advice import NoticeCode
from andante.domain.picture import EnergyOrder, OrderState, ReplacementOrder
from andante.present.as_text import advice_name
from pictures import K, P, advise, dextrose_drip, dose, draw, feed, goal, h, parenteral, planned, propofol, rate

SAID = "Glucose by vein already brings {} g a day"
DRIPS = [
    # drip in mL/h of 5 %, levels, advice, grams told
    pytest.param("84", draw(5), "start", "101", id="a start: 101 g"),
    pytest.param("83", draw(5), "start", None, id="99.6 g are not told"),
    pytest.param("84", draw(5, p="0.70"), "correct-first", "101", id="a low before feeding"),
    pytest.param("84", draw(5, k="2.4"), "urgent-review", "101", id="a critical level before feeding"),
    pytest.param("84", draw(5, mg=None), "draw-first", "101", id="a level missing before feeding"),
]


@pytest.mark.parametrize(("ml_h", "levels", "code", "grams"), DRIPS)
def test_glucose_that_runs_before_the_first_feed_is_told(
    ml_h: str, levels: object, code: str, grams: str | None
) -> None:
    advice = advise(dextrose_drip(ml_h, 20), planned("30"), goal("3000"), levels).advice
    assert advice.code == code
    told = [line for line in advice.because if line.startswith(SAID.format(grams or "").split(" g ")[0])]
    assert bool(told) is (grams is not None), advice.because
    assert all(SAID.format(grams) in line and "thiamine" in line for line in told)


def test_beside_a_feed_the_drip_is_in_the_sums_and_not_told_so() -> None:
    advice = advise(dextrose_drip("84", 20), feed("20", 40), goal("3000"), draw(62), draw(5)).advice
    assert not any(SAID.split("{}")[0] in line for line in advice.because)


CRITICAL = [
    # a critical potassium h ago, whether a start names it
    pytest.param(100, True, id="100 h ago"),
    pytest.param(120, True, id="5 days ago exactly"),
    pytest.param(120.1, False, id="longer ago"),
]


@pytest.mark.parametrize(("ago", "told"), CRITICAL)
def test_a_start_names_a_critical_level_of_the_days_before(ago: float, told: bool) -> None:
    advice = advise(planned("30"), draw(ago, k="2.4"), draw(20), draw(5)).advice
    assert advice.code == "start"
    assert any("Potassium was 2.4 mmol/L, critical" in line for line in advice.because) is told


def test_amino_acids_alone_are_not_sized_to_the_energy_of_a_start() -> None:
    """720 kcal/day of a 10 % solution of amino acids would be 180 g protein."""
    alone = parenteral("30", dextrose="0", amino_acids="0.1", state=OrderState.PLANNED)
    advice = advise(alone, draw(5)).advice
    assert (advice.code, advice.rule, advice.rate_ml_h) == ("hold", "start-not-sizeable", None)
    assert "complete the order first" in advice.because[0]


BESIDE = [
    # beside amino acids at 30 mL/h, the rate that is advised
    pytest.param(None, None, id="nothing: an energy, no rate"),
    pytest.param(feed("30", 60), "50", id="a tube feed: its rate"),
    pytest.param(parenteral("20", 60), "50", id="a bag with dextrose: its rate"),
    pytest.param(parenteral("20", 60, dextrose="0", lipid="0.02"), "85", id="a bag with lipid: its rate"),
]


@pytest.mark.parametrize(("beside", "rate"), BESIDE)
def test_a_step_is_not_taken_with_amino_acids_alone(beside: EnergyOrder | None, rate: str | None) -> None:
    alone = parenteral("30", 60, dextrose="0", amino_acids="0.1")
    advice = advise(alone, *([beside] if beside else []), draw(62), draw(5)).advice
    assert advice.code == "advance"
    assert (None if advice.rate_ml_h is None else str(advice.rate_ml_h)) == rate


def test_an_order_for_replacement_in_force_keeps_the_watch() -> None:
    """Whether it is given is not documented: in range "without replacement" is not shown."""
    calm = (draw(400), feed("75", 145), *(draw(ago) for ago in (75, 51, 27, 3)))
    assert advise(*calm).advice.code == "stood-down"
    for analyte in (K, P):
        order = ReplacementOrder(analytes=frozenset({analyte}), start=h(100), source="MedicationRequest/1")
        assert advise(*calm, order).advice.code == "at-goal"
    over = ReplacementOrder(analytes=frozenset({K}), start=h(100), end=h(50), source="MedicationRequest/1")
    to_come = ReplacementOrder(analytes=frozenset({K}), start=h(-1), source="MedicationRequest/1")
    assert advise(*calm, over, to_come).advice.code == "stood-down"


ORDERED = [
    # beside a phosphate of 0.70, what the notice says of doses
    pytest.param((), "no replacement dose is documented.", id="neither dose nor order"),
    pytest.param((ReplacementOrder(analytes=frozenset({P}), start=h(9)),), "no replacement dose is documented, though an order for it is in force: see whether it was given.", id="ordered"),
    pytest.param((ReplacementOrder(analytes=frozenset({K}), start=h(9)),), "no replacement dose is documented.", id="another is ordered"),
    pytest.param((ReplacementOrder(analytes=frozenset({P}), start=h(9), end=h(1)),), "no replacement dose is documented.", id="the order has ended"),
    pytest.param((ReplacementOrder(analytes=frozenset({P}), start=h(9)), dose(P, ago=4)), "1 replacement dose is documented, the last Thu 6 Mar 04:00 (phosphate).", id="ordered and given"),
    pytest.param((dose(P, ago=4, running=True),), "1 replacement dose is documented, the last Thu 6 Mar 04:00 (phosphate, charted as running).", id="running"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "says"), ORDERED)
def test_a_notice_of_a_low_tells_an_order_from_a_dose(chart: tuple[object, ...], says: str) -> None:
    said = advise(feed("30", 40), draw(62), draw(5, p="0.70"), chart)
    [notice] = [n for n in said.notices if n.code is NoticeCode.REPLACEMENT]
    assert notice.text.endswith(says), notice.text


FIRST_DRAWN = [
    # draws h ago beside a feed of 40 h, what is said of a baseline
    pytest.param((draw(62), draw(14), draw(5)), None, id="a baseline"),
    pytest.param((draw(14), draw(5)), "Potassium, phosphate and magnesium were first drawn after feeding began", id="the first after 26 h of feeding"),
    pytest.param((draw(40), draw(14), draw(5)), None, id="drawn as feeding began"),
    pytest.param((draw(62, p=None), draw(14), draw(5)), "Phosphate was first drawn after feeding began", id="phosphate alone"),
]  # fmt: skip


def test_a_baseline_is_missed_for_as_long_as_falls_count() -> None:
    """Five days from the start."""
    for began, told in ((120, True), (120.1, False)):
        because = advise(feed("30", began), draw(14), draw(5)).advice.because
        assert any("first drawn after feeding began" in line for line in because) is told


def test_a_draw_at_the_instant_of_a_jump_shows_nothing_of_it() -> None:
    jumped = feed(deliveries=(rate("30", 200), rate("60", 5)), since=200)
    because = advise(jumped, draw(210), draw(5)).advice.because
    assert any("has been taken since the energy jumped Thu 6 Mar 03:00" in line for line in because), because


@pytest.mark.parametrize(("draws", "says"), FIRST_DRAWN)
def test_a_level_first_drawn_on_a_feed_is_no_baseline(draws: tuple[object, ...], says: str | None) -> None:
    because = advise(feed("30", 40), draws).advice.because
    told = [line for line in because if "first drawn after feeding began" in line]
    assert [line.split(":")[0] for line in told] == ([says] if says else [])


OFF = [
    # levels beside a feed whose order was ended 3 h ago, the first line
    pytest.param(draw(5, p="0.70"), "The feed is off; when it resumes before Fri 7 Mar 05:00, not above what ran before: phosphate low", id="low"),
    pytest.param(draw(5), "The feed is off; when it resumes before Fri 7 Mar 05:00, not above what ran before: the feed has been off since Thu 6 Mar 05:00", id="all in range"),
    pytest.param(draw(5, k="2.4"), "keep the feed off until reviewed", id="critical"),
]  # fmt: skip


@pytest.mark.parametrize(("levels", "says"), OFF)
def test_of_an_order_that_was_ended_no_rate_of_nothing_is_told(levels: object, says: str) -> None:
    head = advise(feed("30", 40, state=OrderState.ENDED, ended=3), draw(62), levels).advice.headline
    assert head.endswith(says)
    assert "0 kcal" not in head


UNDER_A_DOSE = [
    # a potassium dose beside a high potassium, priority of the notice
    pytest.param((), "routine", id="none documented"),
    pytest.param((dose(K, ago=23.9),), "urgent", id="given within a day"),
    pytest.param((dose(K, ago=24),), "routine", id="given a day ago"),
    pytest.param((dose(K, ago=30, running=True),), "urgent", id="begun longer ago, and still running"),
    pytest.param((dose(P, ago=30, running=True),), "routine", id="another electrolyte runs"),
]


@pytest.mark.parametrize(("doses", "priority"), UNDER_A_DOSE)
def test_a_high_level_under_its_own_replacement_is_urgent(doses: tuple[object, ...], priority: str) -> None:
    said = advise(feed("30", 40), draw(62), draw(1, k="5.6"), doses)
    [notice] = [n for n in said.notices if n.code is NoticeCode.REPLACEMENT]
    assert notice.priority == priority


LOWERS = [
    # chart, whether less than what runs is advised
    pytest.param((feed("60", 60), propofol("60", 60)), True, id="the feed stops, and what remains is named"),
    pytest.param((feed("80", 60),), True, id="above the goal"),
    pytest.param((feed("75", 60),), False, id="at the goal"),
    pytest.param((feed("30", 60),), False, id="a step up"),
    pytest.param((feed("80", 60, state=OrderState.PAUSED, ended=3),), False, id="off: there is nothing to bring down"),
]


@pytest.mark.parametrize(("chart", "lowers"), LOWERS)
def test_an_advice_knows_whether_it_feeds_less(chart: tuple[object, ...], lowers: bool) -> None:
    advice = advise(chart, draw(80), draw(5)).advice
    assert advice.lowers is lowers
    assert (advice_name(advice) == "Bring down") is lowers
