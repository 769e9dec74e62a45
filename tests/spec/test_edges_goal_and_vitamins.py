"""The energy goal and the vitamins at their edges: both sides of every limit, and what is said.

60 kg: 30 kcal/kg is 1800 kcal/day. A course that began 40 h ago wants thiamine until 128 h from now.
"""

# ruff: noqa: E501 - a row is a chart, and is read across

import pytest

from andante.domain.picture import EnergyGoal, OrderState, Vitamin, VitaminDose, VitaminOrder
from andante.rules.micronutrients import VitaminGap, vitamin_gaps
from andante.rules.situation import Situation, take_in
from pictures import NOW, advise, aspen, d, draw, feed, goal, h, picture, planned, vitamin, weight

THIAMINE, MULTIVITAMIN = Vitamin.THIAMINE, Vitamin.MULTIVITAMIN
MOST = aspen().energy.goal_max.value  # kcal/kg
LEAST = aspen().response.lowest_start.value


def situation(*items: object, **fields: object) -> Situation:
    return take_in(picture(*items, **fields), aspen(), NOW)


GOALS = [
    # stated goals, kcal/day, why the last is not used
    pytest.param((), 1800, None, id="none stated: worked out"),
    pytest.param((goal("1500"),), 1500, None, id="stated"),
    pytest.param((goal("1500", 30), goal("1600", 20)), 1600, None, id="the last one"),
    pytest.param((goal("1600", 20), goal("1500", 30)), 1600, None, id="in whatever order"),
    pytest.param((goal("1500", 0),), 1500, None, id="stated now"),
    pytest.param((goal("1500", -1),), 1800, None, id="stated for later"),
    pytest.param((goal("1500", None),), 1500, None, id="of no date"),
    pytest.param((goal("1500", None), goal("1600", 500)), 1600, None, id="a date goes before none"),
    pytest.param((goal(str(MOST * 60)),), int(MOST * 60), None, id="the most per kg exactly"),
    pytest.param((goal(str(MOST * 60 + 1)),), 1800, f"the charted goal of {MOST * 60 + 1} kcal/day is above {MOST} kcal/kg", id="above it"),
    pytest.param((goal(str(LEAST * 60)),), int(LEAST * 60), None, id="the lowest start exactly"),
    pytest.param((goal(str(LEAST * 60 - 1)),), None, f"the charted goal of {LEAST * 60 - 1} kcal/day is below even the lowest start of {LEAST} kcal/kg", id="below it: neither fed towards nor cut down to"),
    pytest.param((goal("0"),), 1800, "the charted goal is not a positive number", id="zero"),
    pytest.param((goal("-100"),), 1800, "the charted goal is not a positive number", id="negative"),
    pytest.param((goal(None),), 1800, "the charted goal cannot be read", id="unreadable"),
    pytest.param((goal(None, problem="it is written in kJ"),), 1800, "it is written in kJ", id="unreadable, as the reader says"),
    pytest.param((goal("1500", 30), goal(None, 20)), 1500, "the charted goal cannot be read", id="a lower readable one before it bounds"),
    pytest.param((goal("1900", 30), goal(None, 20)), 1800, "the charted goal cannot be read", id="a higher one does not"),
    pytest.param((goal("1800", 30), goal(None, 20)), 1800, "the charted goal cannot be read", id="an equal one changes nothing"),
]  # fmt: skip


@pytest.mark.parametrize(("goals", "kcal", "why"), GOALS)
def test_which_goal_counts(goals: tuple[EnergyGoal, ...], kcal: int | None, why: str | None) -> None:
    found = situation(*goals).goal
    assert (found.kcal, found.problem) == (None if kcal is None else d(kcal), why)
    charted = goals and kcal in {g.kcal_day for g in goals} and kcal != 1800
    assert found.is_computed is (kcal is not None and not charted)
    if charted:
        assert found.said == f"goal {kcal} kcal/day as charted"
        assert [(f.label, f.value) for f in found.facts] == [("energy goal", f"{kcal} kcal/day")]
    elif kcal is not None:
        assert found.said == "goal 1800 kcal/day = 30 kcal/kg × actual weight 60 kg"
        assert [f.label for f in found.facts] == ["weight"]
    else:
        assert found.said == "the energy goal is not known"


def test_of_two_goals_of_one_instant_the_lower_counts() -> None:
    assert situation(goal("1500", 30), goal("1600", 30)).goal.kcal == 1500
    assert situation(goal("1600", 30), goal("1500", 30)).goal.kcal == 1500


def test_without_a_weight_only_a_stated_goal_is_known() -> None:
    assert (situation(kg=None).goal.kcal, situation(kg=None).goal.problem) == (None, "no usable weight is charted")
    assert situation(goal("9000"), kg=None).goal.kcal == 9000  # nothing to measure it by; the first day still waits
    assert situation(goal(None), kg=None).goal.problem == "the charted goal cannot be read"


ALLOWANCES = [
    # kg, goal, the first day's allowance, the lowest start
    ("60", None, 900, int(LEAST * 60)),
    ("60", "800", 800, int(LEAST * 60)),  # never above the goal
    ("60", "900", 900, int(LEAST * 60)),
    ("40", None, 600, int(LEAST * 40)),
]


@pytest.mark.parametrize(("kg", "target", "first_day", "lowest"), ALLOWANCES)
def test_the_first_days_allowance_is_at_most_the_goal(kg: str, target: str | None, first_day: int, lowest: int) -> None:
    s = situation(*((goal(target),) if target else ()), kg=kg)
    assert (s.allowance_kcal, s.lowest_kcal) == (first_day, lowest)


def test_the_advice_holds_as_long_as_the_first_of_the_three_is_fresh() -> None:
    s = situation(feed("30", 60), draw(5, p=None), draw(7, k=None, mg=None))
    assert s.evidence_expires == h(7 - 14)  # every 12 h, and 2 h of grace
    assert situation(feed("30", 60), draw(5, p=None)).evidence_expires is None


# --------------------------------------------------------------------------- vitamins


def gap(which: Vitamin, *items: object, fed: float | None = 40, **fields: object) -> VitaminGap | None:
    feeds = (feed("30", fed),) if fed is not None else (planned("30"),)
    s = situation(*feeds, *items, **fields)
    return next((g for g in vitamin_gaps(s.picture, s.course, s.protocol, s.now) if g.vitamin is which), None)


WANTED = "wanted 100 mg daily for 7 days"

THIAMINES = [
    # thiamine orders, state, words
    pytest.param((vitamin(THIAMINE, "100"),), None, None, id="100 mg"),
    pytest.param((vitamin(THIAMINE, "99"),), "too-low", f"thiamine runs at 99 mg a day; {WANTED}", id="99 mg"),
    pytest.param((vitamin(THIAMINE, "50"), vitamin(THIAMINE, "50")), None, None, id="twice 50 mg"),
    pytest.param((vitamin(THIAMINE),), "unreadable", f"the thiamine order states no readable daily dose; {WANTED}", id="no dose"),
    pytest.param((vitamin(THIAMINE), vitamin(THIAMINE, "100")), None, None, id="enough without the one that states no dose"),
    pytest.param((), "missing", f"no thiamine order is running; {WANTED}, from the first feed", id="none"),
    pytest.param((vitamin(MULTIVITAMIN),), "missing", f"no thiamine order is running; {WANTED}, from the first feed", id="another vitamin"),
    pytest.param((vitamin(THIAMINE, "100", start=-23.9),), None, None, id="begins within the day"),
    pytest.param((vitamin(THIAMINE, "100", start=-24),), "missing", f"no thiamine order is running; {WANTED}, from the first feed", id="begins a day from now"),
    pytest.param((vitamin(THIAMINE, "100", end=0),), "missing", f"no thiamine order is running; {WANTED}, from the first feed", id="ends now"),
    pytest.param((vitamin(THIAMINE, "100", end=-104),), None, None, id="the last daily dose covers its day: 104 h is enough"),
    pytest.param((vitamin(THIAMINE, "100", end=-103.9),), "ending-early", f"thiamine ends Mon 10 Mar 15:54; {WANTED}, until Tue 11 Mar 16:00", id="minutes less"),
    pytest.param((vitamin(THIAMINE, "100", end=-24), vitamin(THIAMINE, "100", start=-48)), None, None, id="another takes over within a day"),
    pytest.param((vitamin(THIAMINE, "100", end=-24), vitamin(THIAMINE, "100", start=-48.1)), "ending-early", f"thiamine ends Fri 7 Mar 08:00; {WANTED}, until Tue 11 Mar 16:00", id="too late"),
    pytest.param((vitamin(THIAMINE, "100", end=-24), vitamin(MULTIVITAMIN, start=-30)), "ending-early", f"thiamine ends Fri 7 Mar 08:00; {WANTED}, until Tue 11 Mar 16:00", id="another vitamin takes nothing over"),
    pytest.param((vitamin(THIAMINE, "100", end=-24), VitaminOrder(vitamin=THIAMINE, state=OrderState.PLANNED, start=h(-24))), "ending-early", f"thiamine ends Fri 7 Mar 08:00; {WANTED}, until Tue 11 Mar 16:00", id="a plan takes nothing over"),
    pytest.param((VitaminOrder(vitamin=THIAMINE, state=OrderState.ENDED, daily_mg=d(100), start=h(50)),), "missing", f"no thiamine order is running; {WANTED}, from the first feed", id="ended"),
]  # fmt: skip


@pytest.mark.parametrize(("orders", "state", "words"), THIAMINES)
def test_thiamine_as_the_protocol_wants_it(
    orders: tuple[VitaminOrder, ...], state: str | None, words: str | None
) -> None:
    found = gap(THIAMINE, *orders)
    assert (found.state if found else None, found.text if found else None) == (state, words)


def test_thiamine_is_wanted_for_seven_days_from_the_first_feed() -> None:
    assert gap(THIAMINE, fed=7 * 24 - 0.1) is not None
    assert gap(THIAMINE, fed=7 * 24) is None


def test_a_multivitamin_is_wanted_for_ten_days_once_feeding_has_begun() -> None:
    found = gap(MULTIVITAMIN, fed=10 * 24 - 0.1)
    assert found is not None
    assert found.text == "no multivitamin order is running; wanted daily for 10 days, from the first feed"
    assert gap(MULTIVITAMIN, fed=10 * 24) is None
    assert gap(MULTIVITAMIN, fed=None) is None


DOUBT = " (a dose was given within the last day, but no order continues it)"

DOSES = [
    # a dose, whether it is said
    (VitaminDose(vitamin=THIAMINE, given=h(23.9)), True),
    (VitaminDose(vitamin=THIAMINE, given=h(24)), False),
    (VitaminDose(vitamin=THIAMINE, given=h(0)), True),
    (VitaminDose(vitamin=THIAMINE, given=h(-1)), False),
    (VitaminDose(vitamin=MULTIVITAMIN, given=h(5)), False),
]


@pytest.mark.parametrize(("dose", "said"), DOSES)
def test_a_dose_without_an_order_is_said_and_does_not_close_the_gap(dose: VitaminDose, said: bool) -> None:
    found = gap(THIAMINE, vitamin_doses=(dose,))
    assert found is not None
    assert found.text == f"no thiamine order is running; {WANTED}, from the first feed{DOUBT if said else ''}"


def test_before_the_first_feed_thiamine_has_to_come_by_the_next_look() -> None:
    assert gap(THIAMINE, vitamin(THIAMINE, "100", start=-11.9), fed=None) is None
    found = gap(THIAMINE, vitamin(THIAMINE, "100", start=-12), fed=None)
    assert found is not None
    assert found.text == f"no thiamine order is running; {WANTED}, before the first feed"


def test_the_orders_are_told_with_their_doses_and_ends_in_the_zone_of_the_hospital() -> None:
    found = gap(THIAMINE, vitamin(THIAMINE, "50", end=-24), vitamin(THIAMINE))
    assert found is not None
    assert [f.value for f in found.facts] == ["50 mg/day until Fri 7 Mar 08:00", "running"]
    assert [f.label for f in found.facts] == ["thiamine order", "thiamine order"]


# --------------------------------------------------------------------------- holds that say why

UNKNOWN = [
    # chart, fields, why the sums cannot be done
    ((feed("30", 40, density=None),), {}, ("The energy now running cannot be worked out (enteral feed: the order states no energy density).",)),
    ((feed("30", 40),), {"kg": None}, ("The energy goal is not known: no usable weight is charted.",)),
    ((feed("30", 10), goal("1800")), {"kg": None}, ("The first day's allowance is not known: no usable weight is charted.",)),
    ((feed("30", 40), goal("1.8")), {}, (f"The energy goal is not known: the charted goal of 2 kcal/day is below even the lowest start of {LEAST} kcal/kg.",)),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "fields", "because"), UNKNOWN)
def test_what_cannot_be_summed_holds_and_says_what(
    chart: tuple[object, ...], fields: dict[str, object], because: tuple[str, ...]
) -> None:
    advice = advise(chart, draw(62), draw(12), draw(5), **fields).advice
    assert (advice.rule, advice.because) == ("energy-not-known", because)


def test_day_two_needs_no_allowance() -> None:
    assert advise(feed("30", 40), goal("1800"), draw(62), draw(5), kg=None).advice.rule == "step-up"


PAUSED = [
    (("60",), "after that it is a new start, at most 900 kcal/day in its first 24 h."),
    ((None,), "after that it is a new start."),
]


@pytest.mark.parametrize(("kg", "words"), PAUSED)
def test_a_paused_feed_says_how_much_a_new_start_allows(kg: tuple[str | None], words: str) -> None:
    advice = advise(feed("40", 60, state=OrderState.PAUSED, ended=5), goal("1800"), draw(80), draw(5), kg=kg[0]).advice
    assert advice.rule == "feed-paused"
    assert advice.because[0].endswith(words)


def test_a_light_patient_of_no_height_still_has_a_goal() -> None:
    assert situation(weight("50", 5), kg=None).goal.kcal == 1500
