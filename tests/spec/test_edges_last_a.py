"""What would change the advice, the course, what was given, drafts and results: edges that no other table reaches.

60 kg: goal 1800, first day 900, a step 594 kcal/day within 24 h; potassium 3.5-5.0, draws count for 7 days (168 h).
Limits without another source are common practice, no source.
"""

# ruff: noqa: E501 - a row is a chart, and is read across

import time
from dataclasses import replace
from datetime import datetime, timedelta
from datetime import time as clock_time
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest

from andante.domain.picture import Delivery, EnergyOrder, FindingKind, IntakeKind, OrderState
from andante.rules.bands import Band
from andante.rules.course import Course
from andante.rules.delivered import lowest_density
from andante.rules.draft import Limit, weigh
from andante.rules.energy import occurrences
from andante.rules.evidence import Evidence, may_overstate, sort_out
from andante.rules.situation import take_in
from pictures import (
    NOW,
    K,
    P,
    advise,
    aspen,
    bolus,
    d,
    delivered,
    dextrose_drip,
    diet,
    dose,
    draw,
    feed,
    finding,
    goal,
    h,
    lab,
    parenteral,
    picture,
    planned,
    propofol,
    rate,
    with_number,
)

ENDED, PAUSED, PLANNED = OrderState.ENDED, OrderState.PAUSED, OrderState.PLANNED


# --------------------------------------------------------------------------- what would change the advice

DRUG = (planned("10"), propofol("25"), draw(5))  # 660 kcal/day come with the drug, no feed runs
LATE = (feed("60", 100), draw(102, k="5.8"), draw(20, k=None))  # past the close watch, 1440 of 1800 kcal/day

CHANGES = [
    # chart, what the sentence begins with, what it ends with
    pytest.param((*DRUG, goal("600")), "less energy from drugs and fluids → ", "looked at again", id="a drug above the goal before feeding: no feed order is above it"),
    pytest.param((planned(None), finding(FindingKind.ORGAN_DYSFUNCTION, ago=None)), "potassium ≥ 3.5 and < 6 mmol/L in a firm draw, phosphate ", "magnesium ≥ 0.70 and < 1.85 mmol/L in a firm draw → start at 35 mL/h (840 kcal/day)", id="undated organ dysfunction before feeding is not of a course"),
    pytest.param((feed("30", 20), draw(22), draw(10)), "not before Thu 6 Mar 12:00 → ", "go up to 50 mL/h (1200 kcal/day)", id="drawn 14 h before the next step: 12 and 2 of grace, still fresh then"),
    pytest.param((feed("30", 20), draw(22), draw("10.01")), "potassium ≥ 3.5 and < 6 mmol/L in a firm draw after Wed 5 Mar 22:00", "go up to 50 mL/h (1200 kcal/day)", id="a moment more: all three again"),
    pytest.param((feed("30", 40), draw(62, k="3.8"), draw(10, k="3.6"), lab(K, "3.3", 3, low="3.4", provisional=True)), "potassium ≥ 3.4 and < 6 mmol/L in a firm draw after Thu 6 Mar 05:00", "go up to 50 mL/h (1200 kcal/day)", id="measured by the range of the one that shows the danger"),
    pytest.param((feed("30", 40), draw(62, k=None), lab(K, "5.0", 62, blood=True), draw(5, k=None), lab(K, "3.9", 5, blood=True)), "potassium ≥ 4.1 and < 6 mmol/L in a firm draw of whole blood after Thu 6 Mar 03:00 → ", "go up to 50 mL/h (1200 kcal/day)", id="blood gases alone: 20 % below 5.0 of them is 4.0"),
    pytest.param((LATE, lab(K, "4.6", 5)), "potassium ≥ 4.7 and < 6 mmol/L", "→ go up to 75 mL/h (1800 kcal/day)", id="4.7 is in range: the others are looked at once a day, and 20 h old is fresh"),
    pytest.param((LATE, lab(K, "4.6", 5, high="4.6")), "potassium ≥ 4.7 and < 6 mmol/L", "→ this is looked at again", id="4.7 is high by its own range: the others are wanted every 12 h again, and 20 h old is stale"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "begins", "ends"), CHANGES)
def test_what_would_change_the_advice(chart: tuple[object, ...], begins: str, ends: str) -> None:
    (sentence,) = advise(*chart).advice.would_change
    assert sentence.startswith(begins), sentence
    assert sentence.endswith(ends), sentence


# --------------------------------------------------------------------------- the course


def course(*items: object, protocol=None) -> Course:  # type: ignore[no-untyped-def]
    return take_in(picture(*items, draw(5)), protocol or aspen(), NOW).course


def stages(*deliveries: object) -> EnergyOrder:
    return feed(deliveries=deliveries, since=60)  # type: ignore[arg-type]


RENEWED = (diet(60, kcal="1500", state=ENDED, ended=0), diet(0, kcal="1500"))
HALF = delivered("50", kind=IntakeKind.SHARE_OF_MEALS)

ENERGY = [
    # orders and records, feeding, in force, planned, present, ordered for the coming day
    pytest.param((stages(rate("30", 60, 5), rate("30", -3)),), True, 1, 0, 720, "not asked", id="off by its own schedule, on again in 3 h: what it ran at"),
    pytest.param((stages(rate("30", 60, 30), rate("30", -3)),), False, 0, 0, 0, 630, id="off by its own schedule for 30 h: the course ended; 21 h of the coming day"),
    pytest.param((feed("30", 60, state=PAUSED, ended=24),), False, 0, 0, 0, 0, id="put on hold 24 h ago: nothing is ordered"),
    pytest.param((feed("20", 100, state=PAUSED, ended=60), feed("30", 60, state=PAUSED, ended=5)), True, 1, 0, 720, "not asked", id="two on hold: only what ran last is what would go on"),
    pytest.param((feed("30", 0),), True, 1, 0, 720, 720, id="begins now: it runs, and is not planned"),
    pytest.param((feed("30", "-0.01", ordered=1),), False, 0, 1, 0, "not asked", id="in half a minute: planned"),
    pytest.param((feed("30", 60), feed("20", -24, ordered=2, density=None)), True, 1, 1, 720, 720, id="without density, a day ahead: not of the coming day"),
    pytest.param((feed("30", 60), feed("20", -23, ordered=2, density=None)), True, 1, 1, 720, "unknown", id="without density, within the day: its sum is not known"),
    pytest.param((feed("30", 60), *RENEWED, HALF), True, 2, 0, 1470, 1470, id="a diet renewed this moment, half of it eaten: 720 + 750"),
    pytest.param((feed("50", None), propofol("10")), False, 0, 0, 264, "not asked", id="an order without a start beside a drug: only the drug is known to run"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "feeding", "running", "plans", "present", "ordered"), ENERGY)
def test_what_runs_and_what_it_brings(chart, feeding, running, plans, present, ordered) -> None:  # type: ignore[no-untyped-def]
    found = course(*chart)
    assert (found.feeding, len(found.running), len(found.planned), found.present_kcal) == (
        feeding,
        running,
        plans,
        present,
    )
    if isinstance(ordered, int):
        assert found.ordered_kcal == ordered
    elif ordered == "unknown":
        assert found.ordered_kcal is None


def test_what_may_be_running_is_a_problem_even_while_nothing_is_known_to_run() -> None:
    words = "enteral feed: the order does not say since when, or until when, it runs"
    assert [said for said, _ in course(feed("50", None), propofol("10")).energy_problems] == [words]


def test_a_feed_off_for_a_day_is_not_summed_with_its_problems() -> None:
    """A slip in an order that ended a course is no reason to say that the present energy is not known."""
    for ago, problems in ((23.9, 1), (24, 0)):
        assert len(course(feed("30", 60, density="15", state=PAUSED, ended=ago)).energy_problems) == problems, ago


DRIPS = [
    # mL of a 5 % drip given once a day, at 4 kcal/g: kcal/day, when the energy last changed (hours ago)
    ("2.5", 60),  # 0.5 kcal
    ("2.6", 20),  # 0.52 kcal
]


@pytest.mark.parametrize(("ml", "ago"), DRIPS)
def test_half_a_kcal_of_dextrose_is_no_rise(ml: str, ago: float) -> None:
    drip = dextrose_drip("1", 20, percent="5", deliveries=(bolus(ml, 24, 20),))
    assert course(feed("30", 60), drip, protocol=with_number(aspen(), "energy.dextrose", "4")).last_change == h(ago)


UNKNOWN_BESIDE = [
    # when a sedation of unknown rate, begun with the feed, ended; it hides the sum of all, so nutrition alone is looked at
    55,  # as the feed rose
    50,
    61,  # before the feed began: the sum of all is known throughout
]


@pytest.mark.parametrize("ended", UNKNOWN_BESIDE)
def test_a_jump_is_seen_beside_a_drug_of_unknown_rate(ended: float) -> None:
    drug = propofol(None, max(60, ended + 1), state=ENDED, ended=ended)  # type: ignore[arg-type]
    found = course(stages(rate("20", 60), rate("50", 55)), drug).exposures
    assert [(e.kind, e.at) for e in found] == [("start", h(60)), ("jump", h(55))]


# --------------------------------------------------------------------------- what was given


EXCEEDING = [
    # chart, the share of the order that the largest account shows
    ((feed("30", 60), delivered("1200")), 167),  # of 720
    ((feed("30", 60), diet(60), delivered("1200")), 167),  # by volume: no meal explains it
    ((feed("30", 60), diet(60), delivered("1200", kind=IntakeKind.ENERGY)), None),  # by food records: it was eaten
    ((feed("30", 60), delivered("1200", kind=IntakeKind.ENERGY)), 167),
    ((feed("30", 60), delivered("864")), None),  # 120 % exactly
]


@pytest.mark.parametrize(("chart", "percent"), EXCEEDING)
def test_more_given_than_ordered(chart: tuple[object, ...], percent: int | None) -> None:
    found = course(*chart).exceeding(aspen())
    assert (found and found.percent and round(found.percent)) == percent


def test_a_record_of_no_length_is_no_record_of_a_rate() -> None:
    """A volume noted for an instant lasts no time: it would make the hours before it look fuller."""
    hours_before, instant, second = (
        delivered(ml, start=a, end=b) for ml, a, b in (("700", 24, 1), ("300", 0, 0), ("300", 1, 0))
    )
    for records, ml in (((hours_before,), 700), ((hours_before, instant), 700), ((hours_before, second), 1000)):
        newest = course(feed("30", 60), *records).accounts.newest
        assert newest is not None
        assert newest.amount == ml


TUBES = [
    # orders, kcal/mL of what went down the tube
    ((feed("30", 60), parenteral("30", 60)), "1.0"),  # 0.71 by vein is not in the tube
    ((feed("30", 60, density="1.5"), propofol("10", 60)), "1.5"),
    ((feed("30", 60), feed("30", 60, density="1.5")), "1.0"),
    ((parenteral("30", 60),), None),
]


@pytest.mark.parametrize(("orders", "density"), TUBES)
def test_the_density_of_a_volume_is_that_of_the_tube(orders: tuple[EnergyOrder, ...], density: str | None) -> None:
    assert lowest_density(orders, h(24), h(0), aspen().energy) == (None if density is None else d(density))


# --------------------------------------------------------------------------- drafts


MIXTURES = [
    # mL/h of a 25 % mixture, the limits that dextrose sets, kcal/day
    ("150", {Limit.DEXTROSE: 630, Limit.GLUCOSE_RATE: d("1814.4")}),
    ("25", {}),  # 150 g a day exactly, 1.7 mg/kg/min
    ("25.1", {Limit.DEXTROSE: 630}),
]


@pytest.mark.parametrize(("ml_h", "limits"), MIXTURES)
@pytest.mark.parametrize("ago", [1, 0, -2], ids=["from an hour ago", "from now", "in two hours"])
def test_a_draft_by_vein_is_held_to_dextrose_whenever_it_begins(
    ml_h: str, limits: dict[Limit, Decimal], ago: float
) -> None:
    """Its administration states no start of its own: the order's counts."""
    order = parenteral(None, state=PLANNED, ordered=ago, deliveries=(Delivery(rate_ml_h=d(ml_h)),), dextrose="0.25")
    found = weigh(picture(draw(4)), aspen(), NOW, drafts=(order,))
    assert found is not None
    told = {b.limit: round(b.kcal, 6) for b in found.bounds if b.limit in (Limit.DEXTROSE, Limit.GLUCOSE_RATE)}
    assert told == limits


# --------------------------------------------------------------------------- times of day


@pytest.mark.parametrize("server", ["UTC", "Pacific/Kiritimati", "Pacific/Pago_Pago"])
def test_the_clock_of_the_server_says_nothing_about_a_time_of_day(server: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Pago Pago is 11 h behind UTC, Kiritimati 14 h ahead: two dates apart around midnight (IANA time zone database)."""
    zone = ZoneInfo("Pacific/Pago_Pago")
    opens = datetime(2025, 3, 5, 23, 30, tzinfo=zone)
    given = Delivery(rate_ml_h=d(60), duration=timedelta(minutes=15), times_of_day=(clock_time(23, 45),))
    with monkeypatch.context() as patch:
        patch.setenv("TZ", server)
        time.tzset()
        found = list(occurrences(given, start=h(60), end=None, window=(opens, opens + timedelta(hours=1)), zone=zone))
    time.tzset()
    assert found == [datetime(2025, 3, 5, 23, 45, tzinfo=zone)]


# --------------------------------------------------------------------------- notes on the data


def notes(code: str, *items: object) -> list[str]:
    return [n.text for n in advise(feed("30", 40), draw(62), *items).data_quality if n.code == code]


DISAGREE = "potassium: results of one draw disagree ({}); the lower counts"

ONE_DRAW = [
    # results, the note
    pytest.param((lab(K, "4.0", 168), lab(K, "4.5", 168)), [DISAGREE.format("4.0 mmol/L, 4.5 mmol/L")], id="7 days ago"),
    pytest.param((lab(K, "4.0", "168.01"), lab(K, "4.5", "168.01")), [], id="longer ago"),  # type: ignore[arg-type]
    pytest.param((lab(K, "4.0", 5), lab(K, "4.5", 5, blood=True)), [], id="serum and blood differ by method"),
    pytest.param((lab(K, "4.0", 5), lab(K, "4.5", 5), lab(K, "4.0", 5, blood=True)), [DISAGREE.format("4.0 mmol/L, 4.0 mmol/L, 4.5 mmol/L")], id="two of serum differ, and blood is as the lower"),
    pytest.param((lab(K, "4.0", 5), lab(K, "4.0", 5, blood=True)), [], id="alike"),
]  # fmt: skip


@pytest.mark.parametrize(("results", "said"), ONE_DRAW)
def test_results_of_one_draw_that_disagree_are_noted(results: tuple[object, ...], said: list[str]) -> None:
    assert notes("disagreement", *results) == said


def test_notes_on_one_panel_come_in_the_order_of_their_words() -> None:
    """A panel is one Observation with a component for each analyte: the same code and the same reference."""
    panel = [replace(lab(a, None, 5), source="Observation/panel/_history/1") for a in (K, P)]
    assert notes("unreadable", *panel) == [
        "phosphate: unreadable: the unit is missing",
        "potassium: unreadable: the unit is missing",
    ]


# --------------------------------------------------------------------------- which results count


def evidence(*items: object) -> Evidence:
    return sort_out(picture(*items), aspen(), K, NOW)


AGES = [
    # hours ago of a potassium of 2.3, whether it is a danger now
    (168, Band.CRITICAL_LOW),  # 7 days
    ("168.01", Band.IN_RANGE),
    (300, Band.IN_RANGE),
]


@pytest.mark.parametrize(("ago", "danger"), AGES)
def test_a_level_older_than_is_looked_back_to_is_no_danger_now(ago: float, danger: Band) -> None:
    found = evidence(lab(K, "2.3", ago))
    assert (found.danger, len(found.newest)) == (danger, 1 if danger.is_low else 0)
    assert len(found.draws) == 1  # it stays among the draws, to be compared with


def test_a_fall_is_measured_to_a_result_of_the_day_without_a_time() -> None:
    """A date alone can mean the evening: the draw of 05:00 is not surely the newer one."""
    day = replace(lab(P, "0.82", 8), collected_latest=h("-15.99"))
    chart = (feed("30", 40), lab(P, "1.10", 62), lab(P, "1.05", 3))
    for more, percent in (((), d("4.5")), ((day,), d("25.5"))):
        fall = take_in(picture(*chart, *more), aspen(), NOW).fall(P)
        assert fall is not None
        assert round(fall.percent, 1) == percent


DOSES = [
    # hours ago: the draw, the dose; whether the level may overstate what is left (potassium: 2 h to recheck)
    (5, 5, False),  # drawn as the dose began
    ("4.99", 5, True),
    ("3.01", 5, True),
    (3, 5, False),
]


@pytest.mark.parametrize(("drawn", "given", "overstates"), DOSES)
def test_from_a_dose_until_its_recheck_a_level_may_overstate(drawn: float, given: float, overstates: bool) -> None:
    assert may_overstate(lab(K, "4.0", drawn), picture(dose(K, ago=given)), aspen()) is overstates


NOT_FINAL = [
    ("3.4", True),
    ("3.5", False),
    ("5.0", False),
    ("5.1", False),
    ("5.9", False),
    ("6.0", True),
    (">4.0", True),
]


@pytest.mark.parametrize(("value", "blocks"), NOT_FINAL)
def test_a_result_that_is_not_final_stops_a_step_unless_it_is_clearly_not_dangerous(value: str, blocks: bool) -> None:
    for result in (lab(K, value, 3, provisional=True), lab(K, value, None, reported=h(3))):
        assert [a.blocks for a in evidence(lab(K, "4.0", 10), result).set_aside] == [blocks]


def test_of_several_undated_results_the_one_reported_last_is_shown() -> None:
    older, newer = (lab(K, None, None, reported=h(ago)) for ago in (9, 3))
    for first, second in ((older, newer), (newer, older)):
        one, two = replace(first, source="Observation/1/_history/1"), replace(second, source="Observation/2/_history/1")
        shown = take_in(picture(one, two), aspen(), NOW).reading(K).shown
        assert shown is not None
        assert shown.reported == h(3)
