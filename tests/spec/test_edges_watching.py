"""Draws to come, what would change an advice, what is named as doubtful, how fast a level fell: both sides, and the words.

A draw is due every 12 h, with 2 h of grace; one needle serves what falls due within 4 h; a dose is answered after 6 h
(potassium: 2 h); a result may lie 10 minutes ahead of the clock; 7 days are looked back.
"""

# ruff: noqa: E501 - a row is a chart, and is read across

from dataclasses import replace
from datetime import time, timedelta
from typing import Any

import pytest

from andante.domain.advice import Assessment, GapStage, Working
from andante.domain.picture import (
    Collection,
    EnergyOrder,
    FindingKind,
    IntakeKind,
    LabResult,
    OrderState,
    Vitamin,
)
from andante.domain.quantities import Analyte
from andante.rules.draft import Bound, Limit, Weighed, weigh
from andante.rules.monitoring import Gap, find_gap
from andante.rules.phrases import exact_to_20
from andante.rules.situation import Situation, take_in
from andante.rules.trend import Grade
from andante.rules.working import Sums
from pictures import (
    MG,
    NOW,
    VITAMINS,
    K,
    P,
    advise,
    aspen,
    bmi,
    bolus,
    collection,
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
    lab_order,
    nice,
    nil_by_mouth,
    parenteral,
    picture,
    planned,
    propofol,
    rate,
    vitamin,
)

FED = feed("30", 60)
LOOKBACK = 168.0


def situation(*items: object, **fields: Any) -> Situation:
    return take_in(picture(*items, **fields), aspen(), NOW)


def stages(*deliveries: object, **more: Any) -> EnergyOrder:
    return feed(deliveries=deliveries, since=60, **more)  # type: ignore[arg-type]


# --------------------------------------------------------------------------- when the next draw is due

DUE = [
    # chart beside a feed, when phosphate is due (hours ago)
    pytest.param((draw(5),), -7, id="12 h after the last"),
    pytest.param((draw(30),), 18, id="it was"),
    pytest.param((), 0, id="never drawn: now"),
    pytest.param((draw(LOOKBACK + 1),), 0, id="drawn before what is looked back to: now"),
    pytest.param((draw(5, p=None), lab(P, None, 5)), 0, id="unreadable: now"),
    pytest.param((draw(5), dose(P, ago=3)), -3, id="6 h after a dose since"),
    pytest.param((draw(5), dose(P, ago=3, ended=1)), -5, id="6 h after its end"),
    pytest.param((draw(5), dose(P, ago=0)), -6, id="a dose given now"),
    pytest.param((draw(5), dose(P, ago=-0.5)), -7, id="a dose charted for later"),
    pytest.param((draw(5), dose(P, ago=5)), -7, id="a dose at the very instant of the draw"),
    pytest.param((draw(8), dose(P, ago=8.1)), 2.1, id="a dose just before it: 6 h have passed since"),
    pytest.param((draw(5), dose(K, ago=3)), -7, id="a dose of another"),
    pytest.param((draw(3), dose(P, ago=4)), -2, id="drawn too soon after a dose"),
    pytest.param((draw(3), dose(P, ago=4), dose(P, ago=8)), -2, id="the later of two doses"),
    pytest.param((draw(3), dose(P, ago=4), dose(K, ago=1), dose(MG, ago=1)), -2, id="and doses of the others change nothing"),
    pytest.param((draw(3), dose(P, ago=4), dose(P, ago=0)), -6, id="the later of two is given now"),
    pytest.param((draw(3), dose(P, ago=4), dose(P, ago=-1)), -2, id="nor one charted for later"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "ago"), DUE)
def test_when_a_draw_is_due(chart: tuple[object, ...], ago: float) -> None:
    assert situation(FED, chart).due[P] == h(ago)


def test_a_draw_too_soon_is_awaited_whatever_else_is_not_final() -> None:
    chart = (FED, draw(20), lab(P, "1.00", 3), dose(P, ago=4), lab(P, "1.10", 2, provisional=True))
    reading = situation(*chart).reading(P)
    assert [a.code for a in reading.evidence.unsettled] == ["provisional"] or reading.awaits_recheck
    alone = situation(FED, draw(20), lab(P, "1.10", 2, provisional=True)).reading(P)
    assert not alone.awaits_recheck
    assert not situation(FED, draw(5)).reading(P).awaits_recheck


def gap(analyte: Analyte, *items: object, fed: bool = True) -> Gap | None:
    s = situation(*((FED,) if fed else (planned("30"),)), *items)
    return find_gap(s.reading(analyte), s.picture, s.protocol, s.now, due=s.due[analyte], feeding=s.course.feeding)


def stage(found: Gap | None) -> tuple[str, bool] | None:
    return None if found is None else (found.stage.value, found.ahead)


N, C, R, U = (g.value for g in (GapStage.NOT_ORDERED, GapStage.NOT_COLLECTED, GapStage.NO_RESULT, GapStage.UNUSABLE))


def taken(*analytes: Analyte, ago: float, source: str = "Specimen/1") -> Collection:
    return replace(collection(*analytes, ago=ago), source=source)


AHEAD = [
    # what is ordered or taken beside a draw of 8 h ago (due in 4 h), the gap ahead
    pytest.param((), (N, True), id="nothing"),
    pytest.param((lab_order(planned=(-4,)),), None, id="when due"),
    pytest.param((lab_order(planned=(0,)),), None, id="4 h before: one needle"),
    pytest.param((lab_order(planned=(0.1,)),), (N, True), id="earlier than one needle"),
    pytest.param((lab_order(planned=(-6,)),), None, id="within the grace"),
    pytest.param((lab_order(planned=(-6.1,)),), (N, True), id="after the grace"),
    pytest.param((lab_order(K, MG, planned=(-4,)),), (N, True), id="of the others"),
    pytest.param((lab_order(planned=(-4,), ended=True),), (N, True), id="no longer in force"),
    pytest.param((lab_order(authored=6),), None, id="at once, and not yet drawn"),
    pytest.param((lab_order(authored=9),), (N, True), id="at once, before the last draw"),
    pytest.param((lab_order(authored=8),), (N, True), id="at once, as it was drawn"),
    pytest.param((lab_order(authored=-4),), None, id="written for when it is due"),
    pytest.param((lab_order(authored=-7),), (N, True), id="written for later"),
    pytest.param((lab_order(first=20, every=12),), None, id="a series: in 4 h"),
    pytest.param((lab_order(first=20, every=12, until=1),), (N, True), id="a series that has ended"),
    pytest.param((lab_order(first=20, every=12, until=-4),), None, id="a series whose last draw it is"),
    pytest.param((lab_order(first=20, every=12, until=-3.9),), (N, True), id="a series that ends minutes before"),
    pytest.param((lab_order(first=-7, every=12),), (N, True), id="a series that begins too late"),
    pytest.param((lab_order(first=-18, every=12),), (N, True), id="a series that begins later still"),
    pytest.param((lab_order(first=-6, every=12),), None, id="a series that begins within the grace"),
    pytest.param((lab_order(authored=-6),), None, id="written for the end of the grace"),
    pytest.param((lab_order(first=60, daily_at=(time(12),)),), None, id="daily at noon"),
    pytest.param((lab_order(first=60, daily_at=(time(6), time(15))),), (N, True), id="daily at other hours"),
    pytest.param((lab_order(first=60, daily_at=(time(12),), until=-3.9),), (N, True), id="daily at noon, ended minutes before"),
    pytest.param((lab_order(first=60, daily_at=(time(12),), until=-4),), None, id="daily at noon, this the last time"),
    pytest.param((lab_order(first=-5, daily_at=(time(12),)),), (N, True), id="daily at noon, from the afternoon on"),
    pytest.param((lab_order(first=10, every=0, authored=10),), (N, True), id="a series without an interval, written before the draw"),
    pytest.param((taken(ago=0),), None, id="a specimen taken now"),
    pytest.param((taken(ago=0.1),), (N, True), id="taken too early for what is due"),
    pytest.param((taken(ago=0), lab(P, "1.00", 30, specimen="Specimen/1")), (N, True), id="taken, and answered by an older result of it"),
    pytest.param((taken(K, MG, ago=0),), (N, True), id="taken for the others"),
]  # fmt: skip


@pytest.mark.parametrize(("items", "wanted"), AHEAD)
def test_what_is_due_ahead_is_looked_for(items: tuple[object, ...], wanted: tuple[str, bool] | None) -> None:
    assert stage(gap(P, draw(80), draw(8), *items)) == wanted


def test_what_is_due_later_than_the_night_watch_looks_is_no_gap() -> None:
    assert stage(gap(P, draw(80), draw(0))) == (N, True)  # in 12 h exactly
    assert gap(P, draw(80), lab(P, "1.00", -0.1)) is None


LATE = [
    # what is charted beside a draw of 20 h ago (due 8 h ago), the stage that failed
    pytest.param((), N, id="nothing"),
    pytest.param((lab_order(planned=(3,)),), C, id="ordered, not collected"),
    pytest.param((lab_order(planned=(-4,)),), C, id="ordered for within one needle"),
    pytest.param((lab_order(planned=(-4.1,)),), N, id="ordered for later"),
    pytest.param((lab_order(planned=(20,)),), N, id="ordered for the last draw"),
    pytest.param((lab_order(K, planned=(3,)),), N, id="ordered for another"),
    pytest.param((taken(ago=5),), R, id="taken, no result"),
    pytest.param((taken(ago=0),), R, id="taken now"),
    pytest.param((taken(ago=-1),), N, id="to be taken"),
    pytest.param((taken(ago=20),), N, id="of the last draw"),
    pytest.param((taken(ago=21),), N, id="before it"),
    pytest.param((taken(K, ago=5),), N, id="of another"),
    pytest.param((taken(ago=5), lab(P, None, 4.5)), U, id="its result cannot be used"),
    pytest.param((lab(P, None, 3),), U, id="a result that cannot be used"),
    pytest.param((lab(P, "0.60", 3, provisional=True),), R, id="a low that is not final"),
    pytest.param((lab(P, "1.00", 3, provisional=True),), R, id="a level that is not final"),
    pytest.param((lab(P, "1.00", None, reported=h(2)),), U, id="of no date: it cannot be used, though it says nothing against feeding"),
    pytest.param((lab(P, "1.00", -5),), U, id="from the future"),
    pytest.param((lab(P, None, 3), lab(P, "0.60", 3, provisional=True)), U, id="one unreadable, one not final"),
    pytest.param((lab(P, None, 30),), N, id="unreadable, and older than the last"),
]  # fmt: skip


@pytest.mark.parametrize(("items", "wanted"), LATE)
def test_the_stage_that_failed(items: tuple[object, ...], wanted: str) -> None:
    assert stage(gap(P, draw(80), draw(20), *items)) == (wanted, False)


def test_a_result_answers_its_specimen_by_reference_or_by_the_hour() -> None:
    """The result states another collection time: its reference tells."""
    linked = lab(P, "1.00", 30, specimen="Specimen/1")
    assert stage(gap(P, draw(80), draw(20), linked, taken(ago=5))) == (N, False)
    assert stage(gap(P, draw(80), draw(20), linked, taken(ago=5, source="Specimen/2"))) == (R, False)
    near = lab(P, "12", 4)  # implausible, drawn within the hour
    assert stage(gap(K, draw(80), draw(20, k=None), lab(K, "4.0", 20), taken(ago=5))) == (R, False)
    assert stage(gap(P, draw(80), draw(20), near, taken(ago=5))) == (U, False)


def test_a_level_that_holds_and_is_overdue_after_a_dose_is_not_called_unusable_for_another_of_no_date() -> None:
    chart = (draw(80), draw(10), dose(P, ago=9), lab(P, "1.00", None, reported=h(5)))
    assert stage(gap(P, *chart)) == (N, False)
    assert situation(FED, *chart).reading(P).state == "in-range"


BEFORE = [
    # what is ordered beside a baseline of 30 h ago, before feeding: the gap
    pytest.param((), (N, False), id="nothing"),
    pytest.param((lab_order(planned=(-2,)),), None, id="in two hours: the start waits for it"),
    pytest.param((lab_order(planned=(-12,)),), None, id="as far ahead as the night watch looks"),
    pytest.param((lab_order(planned=(-12.1,)),), (N, False), id="later"),
    pytest.param((lab_order(planned=(2,)),), (C, False), id="two hours ago"),
    pytest.param((lab_order(planned=(0,)),), (C, False), id="now"),
    pytest.param((lab_order(planned=(31, -2)),), None, id="the first of two was the last draw"),
    pytest.param((lab_order(planned=(31,)), lab_order(planned=(-2,))), None, id="another order's was"),
    pytest.param((lab_order(planned=(2,)), lab_order(planned=(-2,))), (C, False), id="one was missed"),
    pytest.param((lab_order(K, planned=(-2,)),), (N, False), id="of another"),
]  # fmt: skip


@pytest.mark.parametrize(("items", "wanted"), BEFORE)
def test_before_feeding_a_draw_to_come_is_no_gap(items: tuple[object, ...], wanted: tuple[str, bool] | None) -> None:
    assert stage(gap(P, draw(30), *items, fed=False)) == wanted


def test_never_drawn_and_to_be_drawn_is_no_gap_before_feeding() -> None:
    assert gap(P, lab_order(planned=(-2,)), fed=False) is None
    assert stage(gap(P, lab(P, None, 3), lab_order(planned=(-2,)), fed=False)) == (U, False)


# --------------------------------------------------------------------------- what would change the advice


def changes(*items: object, **fields: Any) -> str:
    return " ".join(advise(*items, VITAMINS, **fields).advice.would_change)


FED_LOW = (draw(80), draw(20), draw(5, p="0.70"))

NEEDS = [
    # chart, words, whether they are among what would change the advice
    pytest.param((feed("30", 40), goal("1800"), *FED_LOW), {"kg": None}, "a firm, recent weight", False, id="day 2 with a stated goal needs no weight"),
    pytest.param((feed("30", 10), goal("1800"), draw(12), draw(5, p="0.70")), {"kg": None}, "a firm, recent weight", True, id="day 1 does"),
    pytest.param((feed("30", 40), *FED_LOW), {"kg": None}, "a firm, recent weight", True, id="and so does a goal that is not stated"),
    pytest.param((planned("30"), goal("1800"), draw(5, p="0.70")), {"kg": None}, "a firm, recent weight", True, id="and a start"),
    pytest.param((feed("30", 40), *FED_LOW), {}, "a firm, recent weight", False, id="it is there"),
    pytest.param((feed("30", 40), goal("1.8"), *FED_LOW), {}, "an energy goal that can be used", True, id="a goal that is a slip"),
    pytest.param((feed("30", 40), goal("1.8"), *FED_LOW), {"kg": None}, "an energy goal that can be used", False, id="without a weight nothing says that it is one"),
    pytest.param((feed("30", 40), *FED_LOW, delivered("900")), {}, "documented energy at 120 % of ordered or less", True, id="far more was given than ordered"),
    pytest.param((feed("30", 40), *FED_LOW, delivered("300")), {}, "delivered energy at 75 % of ordered or more", True, id="far less"),
    pytest.param((feed("30", 40), *FED_LOW, delivered("700")), {}, "% of ordered", False, id="as ordered"),
    pytest.param((feed("30", 40, state=OrderState.PAUSED, ended=5), *FED_LOW), {}, "the feed running again", True, id="off"),
    pytest.param((feed("30", 40, density=None), *FED_LOW), {}, "orders whose energy can be summed", True, id="of unknown density"),
    pytest.param((feed("30", 40), *FED_LOW, lab(K, "3.0", None)), {}, "a collection time for the undated potassium", True, id="a low of no date"),
    pytest.param((feed("30", 40), *FED_LOW, lab(K, "4.0", None)), {}, "a collection time for the undated", False, id="a normal one of no date holds nothing up"),
    pytest.param((feed("30", 40), *FED_LOW, lab(K, "3.0", None, reported=h(3))), {}, "a collection time for the undated", False, id="a low of no date, but reported: a new draw answers it"),
    pytest.param((feed("30", 40), *FED_LOW), {"incomplete": ("Observation",)}, "a complete read of the chart", True, id="read in part"),
    pytest.param((feed("30", 40), *FED_LOW, finding(FindingKind.ORGAN_DYSFUNCTION, ago=2)), {}, "the flag of organ dysfunction lifted", True, id="a flag"),
    pytest.param((planned("30"), propofol("30"), goal("792"), draw(5)), {}, "less energy from drugs and fluids", True, id="sedation brings the allowance exactly"),
    pytest.param((planned("30"), propofol("25"), goal("792"), draw(5, p="0.70")), {}, "less energy from drugs and fluids", False, id="it brings less"),
    pytest.param((feed("10", 40), propofol("40", 60), *FED_LOW), {}, "less energy from drugs and fluids", False, id="while feeding sedation is no reason to wait"),
    pytest.param((planned("30", density=None), draw(5)), {}, "a planned order whose energy can be summed", True, id="a plan of unknown density"),
    pytest.param((feed("30", 60), draw(80), draw(20, p="0.30"), draw(3, p="0.95")), {}, "phosphate without danger in one more draw", True, id="one good draw after a critical one"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "fields", "words", "said"), NEEDS)
def test_what_is_missing_is_named(chart: tuple[object, ...], fields: dict[str, Any], words: str, said: bool) -> None:
    found = changes(*chart, **fields)
    assert (words in found) is said, found


LEVELS = [
    # draws beside a feed, what the next draw must show
    pytest.param((draw(80, p="0.90"), draw(5, p="0.70")), "phosphate ≥ 0.80 mmol/L in a firm draw after Thu 6 Mar 03:00", id="in range"),
    pytest.param((draw(80, p="0.90"), draw(5, p=None), lab(P, "0.70", 5, low="0.804", high="1.45")), "phosphate ≥ 0.81 mmol/L in a firm draw after Thu 6 Mar 03:00", id="its own limit, rounded up to what is reported"),
    pytest.param((draw(80), draw(5, k="3.3")), "potassium ≥ 3.5 and < 6 mmol/L in a firm draw after Thu 6 Mar 03:00", id="not critically high either"),
    pytest.param((draw(80), draw(5, mg="0.60")), "magnesium ≥ 0.70 and < 1.85 mmol/L in a firm draw after Thu 6 Mar 03:00", id="magnesium"),
    pytest.param((draw(80, p="1.40"), draw(10, p="1.00"), lab(P, "1.20", 3, blood=True)), "phosphate ≥ 1.13 mmol/L in a firm draw of serum or plasma after Thu 6 Mar 05:00", id="compared with serum, after the last draw of any kind"),
    pytest.param((draw(80, p="1.40"), draw(3, p="1.00")), "phosphate ≥ 1.13 mmol/L in a firm draw after Thu 6 Mar 05:00", id="less than a fifth below the baseline"),
    pytest.param((draw(80, p="0.90"), draw(5, p="0.70"), dose(P, ago=2)), "phosphate ≥ 0.80 mmol/L in a firm draw after Thu 6 Mar 12:00", id="once a dose has spread"),
    pytest.param((draw(80, p="0.90"), draw(5, p="0.70"), dose(P, ago=0)), "phosphate ≥ 0.80 mmol/L in a firm draw after Thu 6 Mar 14:00", id="a dose given now"),
    pytest.param((draw(80, p="0.90"), draw(5, p="0.70"), dose(P, ago=-3)), "phosphate ≥ 0.80 mmol/L in a firm draw after Thu 6 Mar 03:00", id="a dose charted for later"),
    pytest.param((draw(80, p="0.90"), draw(5, p="0.70"), dose(K, ago=2)), "phosphate ≥ 0.80 mmol/L in a firm draw after Thu 6 Mar 03:00", id="a dose of another"),
    pytest.param((draw(80), draw(3, k="6.2")), "potassium < 6 mmol/L in a firm draw after Thu 6 Mar 05:00", id="critically high"),
]  # fmt: skip


@pytest.mark.parametrize(("draws", "words"), LEVELS)
def test_what_the_next_draw_must_show(draws: tuple[object, ...], words: str) -> None:
    assert words in changes(feed("30", 60), *draws), changes(feed("30", 60), *draws)


# --------------------------------------------------------------------------- what is named as doubtful


def notes(code: str, *items: object) -> list[str]:
    said = advise(FED, draw(80), draw(5), *items)
    return [n.text for n in said.data_quality if n.code == code]


DOUBTFUL = [
    # a result, code, whether it is named
    (lab(P, None, 5), "unreadable", True),
    (lab(P, None, LOOKBACK), "unreadable", True),
    (lab(P, None, LOOKBACK + 0.1), "unreadable", False),
    (lab(P, "1.00", None, reported=h(5)), "undated", True),
    (lab(P, "1.00", None, reported=h(LOOKBACK + 0.1)), "undated", False),
    (lab(P, "1.00", None), "undated", True),
    (lab(P, None, LOOKBACK + 20, collected_latest=h(LOOKBACK - 1), reported=h(LOOKBACK + 20)), "unreadable", True),
    (lab(K, "4.0", 6, low="1.0", high="5.0"), "reference-range", True),
    (lab(K, "4.0", LOOKBACK, low="1.0", high="5.0"), "reference-range", True),
    (lab(K, "4.0", LOOKBACK + 0.1, low="1.0", high="5.0"), "reference-range", False),
    (lab(K, "4.1", 5), "disagreement", True),
    (lab(K, "4.04", 5), "disagreement", False),  # as it is reported the same
    (lab(K, "4.4", 5, blood=True), "disagreement", False),  # another method
    (lab(K, "4.4", 80), "disagreement", True),
]  # fmt: skip


@pytest.mark.parametrize(("result", "code", "named"), DOUBTFUL)
def test_a_doubtful_result_is_named_while_it_matters(result: LabResult, code: str, named: bool) -> None:
    assert bool(notes(code, result)) is named


def test_an_old_disagreement_is_named_no_more() -> None:
    old = (lab(K, "4.4", LOOKBACK + 1), lab(K, "4.0", LOOKBACK + 1))
    assert notes("disagreement", *old) == []
    assert notes("disagreement", lab(K, "4.1", 5)) == [
        "potassium: results of one draw disagree (4.0 mmol/L, 4.1 mmol/L); the lower counts"
    ]


def test_notes_name_their_resource() -> None:
    ended = feed("10", 90, state=OrderState.ENDED)
    said = advise(FED, ended, draw(80), draw(5))
    assert [(n.text, n.source) for n in said.data_quality if n.code == "end-unknown"] == [
        ("enteral feed: ended, but the chart does not say when", ended.source)
    ]


def test_an_assessment_says_by_which_protocol() -> None:
    said: Assessment = advise(FED, draw(5), versions=("Observation/1/_history/3",))
    assert said.versions == ("Observation/1/_history/3",)
    protocol = aspen()
    assert (said.protocol_id, said.protocol_version, said.protocol_hash, said.overlay) == (
        protocol.id,
        protocol.version,
        protocol.hash,
        protocol.overlay,
    )
    assert (said.patient, said.encounter, said.ward, said.bed, said.now) == (
        "Patient/anna-beispiel",
        "Encounter/e1/_history/1",
        "Linden",
        "4",
        NOW,
    )


def test_a_clock_may_be_ten_minutes_fast_and_no_more() -> None:
    def state(minutes: float) -> str:
        result = replace(lab(P, "1.00", 5), collected=NOW + timedelta(minutes=minutes))
        return situation(FED, draw(5, p=None), result).reading(P).state

    assert (state(10), state(10.01)) == ("in-range", "missing")


FACTS = [
    # dose of phosphate, whether it is a fact of the level
    (dose(P, ago=5), True),
    (dose(P, ago=0), True),
    (dose(P, ago=-0.1), False),
    (dose(P, ago=LOOKBACK), True),
    (dose(P, ago=LOOKBACK + 0.1), False),
    (dose(K, ago=5), False),
]


@pytest.mark.parametrize(("given", "told"), FACTS)
def test_a_dose_that_may_still_act_is_a_fact_of_the_level(given: object, told: bool) -> None:
    said = advise(FED, draw(80), draw(2), given)
    (reason,) = [r for r in said.derivation if r.rule == "evidence.phosphate"]
    assert any(f.label == "phosphate replacement" for f in reason.facts) is told


def test_the_doses_of_a_level_are_told_in_the_order_of_their_times() -> None:
    said = advise(FED, draw(80), draw(2), dose(P, ago=9), dose(P, ago=20))
    (reason,) = [r for r in said.derivation if r.rule == "evidence.phosphate"]
    assert [f.when for f in reason.facts if f.label == "phosphate replacement"] == [h(20), h(9)]


WRITTEN = [
    (feed("30", 60, instruction="x" * 300), f"instruction: {'x' * 300}", True),
    (feed("30", 60, instruction="x" * 301), f"instruction: {'x' * 300}… (longer in the chart)", True),
    (stages(bolus("100", 4, 60)), "100 mL every 4 h (6 times a day) from Mon 3 Mar 20:00", True),
    (stages(bolus("100", 5, 60)), "100 mL every 5 h from Mon 3 Mar 20:00", True),
    (feed("30", 60, ended=5), "until", False),  # in force: an instant of an earlier pause is no end
    (feed("30", 60, state=OrderState.PAUSED, ended=5), "until Thu 6 Mar 03:00", True),
    (stages(*(rate("30", 60 - n) for n in range(12))), "more stages in the chart", False),
    (stages(*(rate("30", 60 - n) for n in range(13))), "1 more stages in the chart", True),
]


@pytest.mark.parametrize(("order", "words", "told"), WRITTEN)
def test_an_order_is_a_fact_as_it_stands(order: EnergyOrder, words: str, told: bool) -> None:
    said = advise(order, draw(80), draw(5))
    facts = [f.value for r in said.derivation if r.rule == "course" for f in r.facts if f.label == "enteral feed"]
    assert any(f.endswith(words) or words in f for f in facts) is told, facts


def test_a_result_of_which_nothing_was_written_says_so() -> None:
    because = advise(FED, draw(80), draw(5, k=None), lab(K, None, 3, written="")).advice.because
    assert because[0].startswith("Potassium: a result that cannot be used (no value: the unit is missing).")


def test_a_flag_before_feeding_is_no_sign_of_refeeding() -> None:
    chart = (planned("30"), draw(5), VITAMINS)
    assert advise(*chart, finding(FindingKind.ORGAN_DYSFUNCTION, ago=None)).advice.rule == "ready-to-start"


def test_a_step_that_is_due_now_waits_for_nothing_but_the_levels() -> None:
    chart = (stages(rate("20", 60), rate("30", 24)), draw(80), draw(30, p="0.30"), draw(5, p="0.95"), VITAMINS)
    advice = advise(*chart).advice
    assert (advice.rule, advice.valid_until) == ("settling", h(5 - 14))
    early = advise(stages(rate("20", 60), rate("30", 23)), *chart[1:]).advice
    assert (early.rule, early.valid_until) == ("settling", h(-1))


# --------------------------------------------------------------------------- said beside


def beside(*items: object, **fields: Any) -> tuple[str, ...]:
    return advise(*items, VITAMINS, **fields).advice.because


def test_no_earlier_level_is_said_for_five_days_after_an_exposure() -> None:
    words = "There is no earlier level of potassium, phosphate and magnesium to compare with: a fall would not be seen."
    assert words in beside(feed("30", 120), draw(5))
    assert words not in beside(feed("30", 120.1), draw(5))
    assert words not in beside(feed("30", 60), draw(80), draw(5))


def test_the_heart_is_watched_where_the_protocol_says_so() -> None:
    lowest = beside(planned("10"), draw(5), bmi("13"), protocol=nice())
    assert any(b.endswith("; heart rhythm continuously, as for everyone in the lowest start tier.") for b in lowest)
    usual = beside(planned("30"), draw(5))
    assert any(b.endswith("; heart rhythm if unstable or at risk of an arrhythmia.") for b in usual)


def test_a_mask_is_said_only_of_levels_that_look_normal() -> None:
    kidney = finding(FindingKind.RENAL_IMPAIRMENT)
    assert any(
        "is coded: potassium, phosphate and magnesium in range or high can hide depletion." in b
        for b in beside(FED, draw(80), draw(5), kidney)
    )
    assert not any("can hide depletion." in b and "coded" in b for b in beside(FED, kidney))


# --------------------------------------------------------------------------- falls and cuts

FAST = [
    # two matrices of potassium: serum 12 h and 3 h ago, blood 12 h and 3 h ago; which is told, percent
    (("4.8", "3.9"), ("4.9", "3.8"), "4.9", 22),
    (("4.9", "3.8"), ("4.8", "3.9"), "4.9", 22),
    (("4.8", "3.9"), ("4.8", "4.7"), "4.8", 19),
]  # fmt: skip


@pytest.mark.parametrize(("serum", "blood", "top", "percent"), FAST)
def test_the_furthest_of_two_fast_falls_is_told(
    serum: tuple[str, str], blood: tuple[str, str], top: str, percent: int
) -> None:
    fall = situation(
        feed("30", 200), lab(K, serum[0], 12), lab(K, serum[1], 3), lab(K, blood[0], 12, blood=True), lab(K, blood[1], 3, blood=True)
    ).fall(K)  # fmt: skip
    assert fall is not None
    assert fall.drop is not None
    assert (fall.drop.reference.written, round(fall.percent), fall.grade, fall.holds) == (
        f"{top} mmol/L",
        percent,
        fall.grade,
        True,
    )


QUICK = [
    # potassiums before one of 3.9 drawn 3 h ago, how fast it fell
    ((lab(K, "4.8", 10), lab(K, "4.2", 13)), 19),  # from the highest
    ((lab(K, "4.2", 13), lab(K, "4.8", 10)), 19),
    ((lab(K, "4.8", 17),), 19),  # within 14 h exactly
    ((lab(K, "4.8", 17.1),), None),
    ((lab(K, "4.8", 12, blood=True),), None),  # another method
    ((lab(K, "4.5", 12),), None),  # 13 %
    ((lab(K, "4.59", 12),), 15),
]


@pytest.mark.parametrize(("before", "percent"), QUICK)
def test_a_fast_fall_is_one_of_hours(before: tuple[LabResult, ...], percent: int | None) -> None:
    fall = situation(feed("30", 300), *before, lab(K, "3.9", 3)).fall(K)
    assert (fall.drop and round(fall.drop.percent) if fall else None) == percent


def test_the_level_a_course_began_with_is_no_danger_in_it() -> None:
    chart = (lab(P, "0.30", 60), draw(20, p="0.90"), draw(5, p="0.92"))
    assert advise(FED, draw(80), chart, VITAMINS).advice.rule == "step-up"
    assert advise(FED, draw(80), lab(P, "0.30", 20.1), draw(5, p="0.92"), VITAMINS).advice.rule == "settling"


def test_a_low_that_falls_further_is_difficult_to_correct_before_a_day_is_over() -> None:
    lows = (draw(22, p="0.78"), draw(12, p="0.76"), draw(3, p="0.70"))
    doses = (dose(P, ago=20), dose(P, ago=10))
    assert advise(FED, draw(80, p="0.90"), lows, doses, VITAMINS).advice.rule == "difficult-to-correct"
    rising = (draw(22, p="0.70"), draw(12, p="0.66"), draw(3, p="0.70"))
    assert advise(FED, draw(80, p="0.90"), rising, doses, VITAMINS).advice.rule == "low-while-feeding"


WIDER = [
    # chart of a fed patient all in range, when potassium is due (hours ago)
    ((feed("75", 72), draw(80), draw(5)), -19),  # every 24 h from the third day on
    ((feed("75", 71.9), draw(80), draw(5)), -7),
    ((feed("55", 100), draw(110), draw(5)), -7),  # less than three quarters of the goal
    ((feed("56.25", 100), draw(110), draw(5)), -19),
    ((feed("75", 100), draw(110), draw(5), lab(P, None, 3)), -7),  # one of them is in doubt
    ((feed("75", 100), draw(110), draw(5, mg="1.1")), -7),  # one of them is high
    ((feed("75", 100), draw(110), draw(5), lab(P, "1.00", 3, provisional=True)), -19),  # not final, and in range
]


@pytest.mark.parametrize(("chart", "ago"), WIDER)
def test_draws_are_wider_apart_once_levels_and_energy_are_right(chart: tuple[object, ...], ago: float) -> None:
    assert situation(*chart).due[K] == h(ago)


PLACED = [
    # the last phosphate after a baseline of 1.40, the grade of its fall
    (lab(P, "0.90", 3), Grade.SEVERE),
    (lab(P, "0.90", 20, collected_latest=h(-4)), Grade.SEVERE),  # a date without a time
    (lab(P, "0.90", -5), Grade.MODERATE),  # in the future: it may hold, but nobody is called for it
    (lab(P, "0.90", None), Grade.MODERATE),  # without any time
]


@pytest.mark.parametrize(("result", "grade"), PLACED)
def test_a_severe_fall_is_placed_in_time(result: LabResult, grade: Grade) -> None:
    fall = situation(FED, draw(62, p="1.40"), draw(30, p="1.35"), result).fall(P)
    assert fall is not None
    assert (fall.grade, fall.holds) == (grade, True)


# --------------------------------------------------------------------------- vitamins, increases, figures


def test_three_orders_in_a_row_are_one_course_of_thiamine() -> None:
    chain = (
        vitamin(Vitamin.THIAMINE, "100", end=-24), vitamin(Vitamin.THIAMINE, "100", start=-30, end=-70),
        vitamin(Vitamin.THIAMINE, "100", start=-80, end=-120),
    )  # fmt: skip
    for orders in (chain, chain[::-1]):
        said = advise(feed("30", 40), draw(62), draw(5), orders, vitamin(Vitamin.MULTIVITAMIN))
        assert not [n for n in said.notices if n.code == "micronutrient"]


def test_an_order_to_come_is_told_by_what_it_begins_with() -> None:
    order = feed(deliveries=(rate("20", -3), rate("40", -9)), since=-3, ordered=2)
    said = advise(FED, order, draw(80), draw(5, p="0.70"), VITAMINS)
    (text,) = [n.text for n in said.notices if n.topic == "scheduled-increase"]
    assert "a further enteral feed order begins, 480 kcal/day" in text


def test_of_two_increases_at_one_instant_the_reference_decides() -> None:
    first, second = (feed(r, -3, ordered=2, source=f"NutritionOrder/{n}") for r, n in (("20", "a"), ("10", "b")))
    for orders in ((first, second), (second, first)):
        said = advise(FED, *orders, draw(80), draw(5, p="0.70"), VITAMINS)
        (text,) = [n.text for n in said.notices if n.topic == "scheduled-increase"]
        assert "480 kcal/day" in text


def test_half_of_the_last_place_goes_up() -> None:
    assert exact_to_20(d("1.00000000000000000005")) == d("1.0000000000000000001")
    assert exact_to_20(d("1.00000000000000000004")) == 1


BEHIND = [
    # a sentence, results of sums, which of them stand in it
    ("It fell 3 %.", ("3 %",), ("3 %",)),
    ("It fell 33 %.", ("3 %",), ()),
    ("It fell 3.3 %.", ("3 %",), ()),
    ("It fell 33 %, then 3 %.", ("3 %",), ("3 %",)),
    ("It fell 3 %, then 33 %.", ("3 %",), ("3 %",)),
    ("It fell 33 %, then 3 %, then 33 %.", ("3 %",), ("3 %",)),
    ("3 % of 33", ("3 %",), ("3 %",)),
    ("It fell 4 %.", ("3 %",), ()),
]


@pytest.mark.parametrize(("sentence", "results", "found"), BEHIND)
def test_a_sum_stands_behind_the_sentence_that_holds_its_result(
    sentence: str, results: tuple[str, ...], found: tuple[str, ...]
) -> None:
    lines = tuple(Working(result=r, terms="1 + 2") for r in results)
    assert tuple(w.result for w in Sums(lines).behind(sentence)) == found


def test_a_sum_brings_the_sums_that_it_builds_on() -> None:
    lines = (
        Working(result="2 mL", terms="1 mL × 2"),
        Working(result="6 kcal", terms="2 mL × 3 kcal/mL"),
        Working(result="9 g", terms="3 g × 3"),
    )
    assert Sums(lines).behind("It brings 6 kcal.") == lines[:2]


# --------------------------------------------------------------------------- drafts by vein

CALM = (draw(160), draw(4))
E, F, S, G, DX, GR = Limit.EVIDENCE, Limit.FIRST_DAY, Limit.STEP, Limit.GOAL, Limit.DEXTROSE, Limit.GLUCOSE_RATE


def weighed(*items: object, draft: EnergyOrder, **fields: Any) -> Weighed:
    found = weigh(picture(*items, **fields), aspen(), NOW, drafts=(draft,))
    assert found is not None
    return found


def drip(ml_h: str, percent: str = "10", **more: Any) -> EnergyOrder:
    return dextrose_drip(ml_h, 1, percent=percent, state=OrderState.PLANNED, **more)


VEIN = [
    # chart, draft, the bounds of dextrose: 150 g on the first day, 18 g/h for 60 kg
    pytest.param((draw(4),), drip("62.5"), [], id="150 g exactly"),
    pytest.param((draw(4),), drip("100"), [(DX, 510)], id="240 g: 816 kcal × 150 / 240"),
    pytest.param((draw(4),), drip("200"), [(DX, 510), (GR, d("1468.8"))], id="20 g/h too: 1632 kcal × 18 / 20"),
    pytest.param((CALM, feed("30", 20), dextrose_drip("20", 20, percent="10")), drip("60"), [(DX, 1230)], id="day 1, beside a drip of 48 g: 883.2 + 489.6 × 102 / 144"),
    pytest.param((CALM, feed("30", 24), dextrose_drip("20", 24, percent="10")), drip("60"), [], id="day 2"),
    pytest.param((CALM, feed("30", 60), dextrose_drip("50", 60, percent="10")), drip("140"), [(GR, d("2188.8"))], id="5 g/h beside 14: 1128 + 1142.4 × 13 / 14"),
    pytest.param((CALM, feed("30", 60), dextrose_drip("40", 60, percent="10")), drip("140"), [], id="4 g/h beside 14: at the ceiling"),
    pytest.param((CALM, feed("30", 60), parenteral("20", 60)), drip("160"), [(GR, d("2284.8"))], id="a bag beside it: 3 g/h"),
    pytest.param((draw(4), dextrose_drip("100", 20, percent="10")), planned("10"), [], id="a feed by tube holds none, whatever runs by vein"),
    pytest.param((draw(4), dextrose_drip("62.5", 20, percent="10")), drip("0.2"), [(DX, 510)], id="half a gram more than the day's"),
    pytest.param((draw(4),), drip("0", deliveries=(rate("200", 30, 20), rate("10", 20))), [], id="a stage that is over"),
    pytest.param((draw(4),), drip("0", deliveries=(rate("10", 0), rate("200", -6))), [(DX, 510), (GR, d("1468.8"))], id="a stage to come"),
    pytest.param((CALM, feed("30", 60, density=None), goal("1800")), drip("200"), [(GR, d("1468.8"))], id="what runs is not known"),
    pytest.param((draw(4),), drip("0", deliveries=(bolus("250", 6, 0),)), [], id="four times 250 mL: 100 g, 4.2 g/h"),
    pytest.param((CALM, feed("30", 60), dextrose_drip("0", 60, percent="10", deliveries=(bolus("250", 6, 60),))), drip("140"), [(GR, d("2188.8"))], id="beside such a one: 13.8 of 14 g/h are left"),
    pytest.param((draw(4),), drip("200", problem="it is on two forms"), [], id="one that cannot be summed"),
    pytest.param((draw(4), goal("1800")), drip("200"), [(DX, 510)], id="no weight, no ceiling"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "draft", "bounds"), VEIN)
def test_what_dextrose_leaves_of_a_draft(
    chart: tuple[object, ...], draft: EnergyOrder, bounds: list[tuple[Limit, Any]]
) -> None:
    fields = {"kg": None} if len(chart) == 2 and bounds == [(DX, 510)] and isinstance(chart[1], type(goal("1"))) else {}
    found = [b for b in weighed(*chart, draft=draft, **fields).bounds if b.limit in (DX, GR)]
    assert found == [Bound(limit=limit, kcal=d(kcal)) for limit, kcal in bounds]


def test_a_draft_that_states_no_start_is_not_summed() -> None:
    nowhere = feed("30", None, state=OrderState.PLANNED)
    found = weighed(CALM, FED, feed("10", -1, ordered=2), draft=nowhere)
    assert (found.brings, found.beside, found.is_within) == (None, None, False)
    assert found.problems == ("enteral feed: the order states no start",)


def test_a_draft_of_nothing_brings_nothing() -> None:
    nil = nil_by_mouth(1, state=OrderState.PLANNED)
    found = weighed(CALM, FED, feed("10", -1, ordered=2), draft=nil)
    assert (found.brings, found.beside, found.passed, found.problems) == (0, 960, (), ())


def test_what_a_draft_could_stand_in_for_counts_as_it_runs_now() -> None:
    found = weighed(CALM, stages(rate("30", 60), rate("40", -12)), draft=planned("40"))
    assert (found.runs, found.beside, found.instead) == (720, 1680, 960)


SMALL = [
    # stages of a draft, brings, rises later
    ((bolus("1", 24, 0),), 1, ""),
    ((bolus("100", 24, 0, until=-24), bolus("100.5", 24, -24)), 100, ""),  # half a kcal is no rise
    ((bolus("100", 24, 0, until=-24), bolus("100.6", 24, -24)), 100, "to 101 kcal/day Fri 7 Mar 08:00"),
    ((rate("50", 20, 10), rate("30", 10)), 720, ""),  # more, and over
    ((rate("30", 5), rate("40", -30)), 720, "to 960 kcal/day Fri 7 Mar 14:00"),
]


@pytest.mark.parametrize(("deliveries", "brings", "later"), SMALL)
def test_small_rises_and_stages_that_are_over(deliveries: tuple[object, ...], brings: int, later: str) -> None:
    found = weighed(draw(4), draft=feed(deliveries=deliveries, since=1, state=OrderState.PLANNED))  # type: ignore[arg-type]
    assert (found.brings, found.rises_later, found.problems) == (brings, later, ())


# --------------------------------------------------------------------------- the end of the watch

DOWN = [
    # a feed of day 7, last draw (hours ago), rule
    pytest.param((feed("75", 145), draw(150), draw(100), draw(27)), "stand-down", id="fresh until day 7 began"),
    pytest.param((feed("75", 145), draw(150), draw(100), draw(27.1)), "evidence-gap", id="minutes short of it"),
    pytest.param((feed("75", 200), diet(200, kcal="1200"), delivered("5", kind=IntakeKind.SHARE_OF_MEALS), draw(210), draw(100), draw(52), draw(28), draw(4)), "stand-down", id="the feed alone reaches the goal: earlier meals do not matter"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "rule"), DOWN)
def test_the_watch_ends_on_what_was_seen(chart: tuple[object, ...], rule: str) -> None:
    assert advise(chart, VITAMINS).advice.rule == rule
