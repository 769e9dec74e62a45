"""What people are told beside an advice, at its edges: increases to come, doses, doubtful specimens, what to check."""

# ruff: noqa: E501 - a row is a chart, and is read across

import pytest

from andante.domain.advice import Assessment, Notice, NoticeCode, Priority, Tell
from andante.domain.picture import DataNote, EnergyOrder, IntakeKind, LabResult, OrderState, Vitamin, VitaminOrder
from andante.rules.rises import scheduled_rises
from andante.rules.situation import take_in
from pictures import (
    MG,
    NOW,
    VITAMINS,
    K,
    P,
    advise,
    aspen,
    bolus,
    collection,
    d,
    delivered,
    dextrose_drip,
    diet,
    dose,
    draw,
    feed,
    goal,
    h,
    lab,
    lab_order,
    parenteral,
    picture,
    planned,
    propofol,
    rate,
    vitamin,
)

FED = (feed("30", 60), draw(80), draw(5), VITAMINS)


def told(said: Assessment, code: str, topic: str = "") -> list[Notice]:
    return [n for n in said.notices if n.code == code and (not topic or n.topic == topic)]


def stages(*deliveries: object, **more: object) -> EnergyOrder:
    return feed(deliveries=deliveries, since=60, **more)  # type: ignore[arg-type]


RISES = [
    # orders, hours until the rise, words, kcal/day then
    pytest.param((feed("30", 60),), None, "", None, id="none"),
    pytest.param((stages(rate("30", 60), rate("40", -4)),), 4, "to 40 mL/h, 960 kcal/day", 960, id="a stage"),
    pytest.param((stages(rate("30", 60), rate("30", -4)),), None, "", None, id="a stage at the same rate"),
    pytest.param((stages(rate("30", 60), rate("20", -4)),), None, "", None, id="a stage down"),
    pytest.param((stages(rate("30", 60), rate("40", -23.9)),), 23.9, "to 40 mL/h, 960 kcal/day", 960, id="within a day"),
    pytest.param((stages(rate("30", 60), rate("40", -24)),), None, "", None, id="a day ahead"),
    pytest.param((stages(rate("30", 60), rate("40", 0)),), None, "", None, id="begins now: it is the present"),
    pytest.param((stages(rate("30", 60), rate("40", -4), rate("50", -8)),), 4, "to 40 mL/h, 960 kcal/day", 960, id="the first of two"),
    pytest.param((stages(bolus("100", 4, 60, until=-4), bolus("150", 4, -4)),), 4, "a larger amount, 900 kcal/day", 900, id="boluses"),
    pytest.param((stages(bolus("100", 4, 60, until=-4), bolus("80", 4, -4)),), None, "", None, id="smaller boluses"),
    pytest.param((stages(rate("30", 60), rate("40", -4), density=None),), 4, "to 40 mL/h", None, id="of unknown energy, faster"),
    pytest.param((stages(rate("30", 60), rate("40", -4), max_ml="600"),), 4, "to 40 mL/h, 600 kcal/day", 600, id="faster under a cap that binds"),
    pytest.param((stages(rate("30", 60), rate("40", -4)), propofol("10", 60)), 4, "to 40 mL/h, 960 kcal/day", 1224, id="beside sedation: 960 + 264"),
    pytest.param((feed("30", 60), feed("20", -3, ordered=2)), 3, "a further enteral feed order begins, 480 kcal/day", 1200, id="a further order"),
    pytest.param((feed("30", 60), feed("20", -3, ordered=2, density=None)), 3, "a further enteral feed order begins", None, id="a further order of unknown energy"),
    pytest.param((feed("30", 60), feed("20", -24, ordered=2)), None, "", None, id="a further order a day ahead"),
    pytest.param((feed("30", 60), feed("20", -3, state=OrderState.PLANNED)), None, "", None, id="a further order that nobody has signed"),
    pytest.param((feed("20", -3, ordered=2),), 3, "the enteral feed order begins, 480 kcal/day", 480, id="the first order"),
    pytest.param((feed("30", 60), feed("20", -6, ordered=2), feed("15", -3, ordered=2)), 3, "a further enteral feed order begins, 360 kcal/day", 1080, id="the nearer of two orders"),
    pytest.param((feed("30", 60, density=None), feed("20", -3, ordered=2)), 3, "a further enteral feed order begins, 480 kcal/day", None, id="what runs is not known"),
]  # fmt: skip


@pytest.mark.parametrize(("orders", "ahead", "words", "kcal"), RISES)
def test_the_first_increase_of_the_coming_day(
    orders: tuple[EnergyOrder, ...], ahead: float | None, words: str, kcal: int | None
) -> None:
    rises = scheduled_rises(take_in(picture(*orders, draw(80), draw(5)), aspen(), NOW))
    if ahead is None:
        assert rises == ()
        return
    first = rises[0]
    assert (first.when, first.words, first.kcal) == (h(-ahead), words, None if kcal is None else d(kcal))


SUMMED = [
    # orders, hours until each rise, the day's kcal from then on if nobody touches anything, which come on top
    pytest.param((stages(rate("30", 60), rate("40", -4), rate("50", -8)),), (4, 8), (960, 1200), (False, False), id="two stages of one order"),
    pytest.param((feed("30", 60), feed("20", -6, ordered=2), feed("15", -3, ordered=2)), (3, 6), (1080, 1560), (True, True), id="two further orders"),
    pytest.param((stages(rate("30", 60), rate("40", -4)), feed("20", -6, ordered=2)), (4, 6), (960, 1440), (False, True), id="a stage, then a further order"),
    pytest.param((stages(rate("30", 60), rate("20", -2), rate("40", -4)), feed("20", -3, ordered=2)), (3, 4), (1200, 1440), (True, False), id="less meanwhile is not counted on"),
    pytest.param((stages(rate("30", 60), rate("40", -4)), diet(kcal="600"), delivered("50", kind=IntakeKind.SHARE_OF_MEALS)), (4,), (1260,), (False,), id="beside what is eaten: 720 + 300, and 240 more"),
    pytest.param((stages(rate("30", 60), rate("40", -4)), diet()), (4,), (None,), (False,), id="beside a diet that states no energy the sum is not known"),
    pytest.param((feed("20", -3, ordered=2), feed("10", -5, ordered=2)), (3, 5), (480, 720), (False, False), id="two orders to begin with"),
    pytest.param((feed("30", 60), feed("20", -3, ordered=2, density=None), feed("15", -6, ordered=2)), (3, 6), (None, None), (True, True), id="one of unknown energy: the sum is not known from then on"),
]  # fmt: skip


@pytest.mark.parametrize(("orders", "ahead", "kcal", "beside"), SUMMED)
def test_increases_to_come_add_up(
    orders: tuple[EnergyOrder, ...], ahead: tuple[int, ...], kcal: tuple[int | None, ...], beside: tuple[bool, ...]
) -> None:
    rises = scheduled_rises(take_in(picture(*orders, draw(80), draw(5)), aspen(), NOW))
    assert [rise.when for rise in rises] == [h(-hours) for hours in ahead]
    assert [rise.kcal for rise in rises] == [None if value is None else d(value) for value in kcal]
    assert [rise.beside for rise in rises] == list(beside)


SUPPORTED = [
    # chart, notice code, priority, whether the draws before it decide
    pytest.param((stages(rate("30", 60), rate("50", -4)), draw(80), draw(5)), None, None, False, id="to what is advised: 1200"),
    pytest.param((stages(rate("30", 60), rate("51", -4)), draw(80), draw(5)), "scheduled-increase", "urgent", "more", id="past what is advised"),
    pytest.param((stages(rate("30", 60), rate("50", -4)), draw(80), draw(5, p="0.70")), "urgent", "urgent", False, id="under a hold"),
    pytest.param((stages(rate("30", 60), rate("50", -4)), draw(80), draw(39, p="0.70"), draw(27, p="0.70"), draw(3, p="0.70"), dose(P, ago=30), dose(P, ago=20)), "urgent", "urgent", False, id="under a cut"),
    pytest.param((stages(rate("20", 60), rate("30", 20), rate("50", -4)), draw(80), draw(5)), "scheduled-increase", "routine", True, id="when the step is due: 720 + 480 is within a step"),
    pytest.param((stages(rate("20", 60), rate("30", 20), rate("54.75", -4)), draw(80), draw(5)), "scheduled-increase", "routine", True, id="by exactly a step: 720 + 594"),
    pytest.param((stages(rate("20", 60), rate("30", 20), rate("54.8", -4)), draw(80), draw(5)), "scheduled-increase", "urgent", False, id="by more than a step"),
    pytest.param((stages(rate("20", 60), rate("30", 20), rate("50", -3.9)), draw(80), draw(5)), "scheduled-increase", "urgent", False, id="minutes before the step is due"),
    pytest.param((stages(rate("50", 60), rate("60", 20), rate("75", -4)), draw(80), draw(5)), "scheduled-increase", "routine", True, id="to the goal"),
    pytest.param((stages(rate("50", 60), rate("60", 20), rate("75.1", -4)), draw(80), draw(5)), "scheduled-increase", "urgent", False, id="past the goal"),
    pytest.param((stages(rate("30", 60), rate("40", -4), max_ml="600"), draw(80), draw(5, p="0.70")), "urgent", "urgent", False, id="faster under a cap that binds, under a hold"),
    pytest.param((stages(rate("20", 60), rate("30", 20)), feed("20", -6, ordered=2, density=None), draw(80), draw(5)), "scheduled-increase", "urgent", False, id="an order to come of unknown energy, when the step is due"),
    pytest.param((feed("20", -3, ordered=2), draw(5)), None, None, False, id="a start within what is advised"),
    pytest.param((feed("36", -3, ordered=2), draw(5)), "urgent", "urgent", "more", id="a start past what is advised"),
    pytest.param((feed("20", -3, ordered=2),), "urgent", "urgent", False, id="a start before any draw"),
    # The advice here is 30 to 50 mL/h, 1200 kcal, a step of 594 less its rounding: nothing fits on top of it.
    pytest.param((feed("30", 60), feed("20", -3, ordered=2), draw(80), draw(5)), "scheduled-increase", "urgent", "beside", id="a further order on top of a step"),
    pytest.param((feed("30", 60), feed("5", -3, ordered=2), draw(80), draw(5)), "scheduled-increase", "urgent", "beside", id="however small, although less than the step by itself"),
    pytest.param((feed("30", 60), feed("20", -3, ordered=2, density=None), draw(80), draw(5)), "scheduled-increase", "urgent", "unknown", id="a further order of unknown energy"),
    pytest.param((feed("30", -2, ordered=2), feed("20", -3, ordered=2), draw(5)), "urgent", "urgent", "more", id="two starts, together past what is advised"),
    pytest.param((stages(rate("30", 60), rate("45", -4), rate("55", -8)), draw(80), draw(5)), "scheduled-increase", "urgent", "more", id="the second of two stages is past what is advised"),
    pytest.param((stages(rate("20", 60), rate("30", 20), rate("45", -4), rate("55", -8)), draw(80), draw(5)), "scheduled-increase", "urgent", False, id="a step when it is due, and more soon after"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "code", "priority", "decided"), SUPPORTED)
def test_an_increase_to_come_is_told_unless_the_evidence_supports_it(
    chart: tuple[object, ...], code: str | None, priority: str | None, decided: bool | str
) -> None:
    said = advise(chart, VITAMINS)
    found = [n for n in said.notices if n.topic == "scheduled-increase"]
    if code is None:
        assert found == []
        return
    (notice,) = found
    assert (notice.code, notice.priority, notice.tell) == (code, priority, Tell.PRESCRIBER)
    headline = said.advice.headline
    why = {
        True: "The draws before then decide whether the levels allow it.",
        False: f"The present evidence does not support it: {headline}.",
        "more": f"That is more than is advised: {headline}. Please review the order before then.",
        "beside": f"It would come on top of what is advised: {headline}. Please review the order before then.",
        "unknown": f"What that comes to is not known. Advised now: {headline}. Please review the order before then.",
    }[decided]
    assert notice.text.startswith("Energy is scheduled to rise by itself ")
    assert notice.text.endswith(f"). {why}")
    assert notice.evidence
    assert {(f.label, f"({f.value})" in notice.text) for f in notice.evidence} == {("scheduled increase", True)}


def test_a_step_says_what_else_would_come_on_top_of_it() -> None:
    said = advise(feed("30", 60), feed("20", -3, ordered=2), feed("10", -5, ordered=2), draw(80), draw(5), VITAMINS)
    assert said.advice.rule == "step-up"
    found = [words for words in said.advice.because if "more than one" in words]
    assert found == [
        "Thu 6 Mar 11:00 a further enteral feed order begins, 480 kcal/day: with this step, more than one. "
        "See which of them is meant.",
        "Thu 6 Mar 13:00 a further enteral feed order begins, 240 kcal/day: with this step, more than one. "
        "See which of them is meant.",
    ]
    alone = advise(stages(rate("30", 60), rate("50", -4)), draw(80), draw(5), VITAMINS)
    assert not any("more than one" in words for words in alone.advice.because)


# --------------------------------------------------------------------------- replacement

DOSES = [
    # doses of phosphate, how the notice counts them
    ((), "no replacement dose is documented"),
    ((dose(P, ago=10),), "1 replacement dose is documented, the last Wed 5 Mar 22:00 (phosphate)"),
    ((dose(P, ago=10), dose(P, ago=20)), "2 replacement doses are documented, the last Wed 5 Mar 22:00 (phosphate)"),
    ((dose(P, ago=20), dose(K, P, ago=10)), "2 replacement doses are documented, the last Wed 5 Mar 22:00 (potassium and phosphate)"),
    ((dose(P, ago=0),), "1 replacement dose is documented, the last Thu 6 Mar 08:00 (phosphate)"),
    ((dose(P, ago=-1),), "no replacement dose is documented"),  # planned
    ((dose(K, ago=10),), "no replacement dose is documented"),
]  # fmt: skip


@pytest.mark.parametrize(("doses", "words"), DOSES)
def test_the_doses_that_are_documented_are_counted(doses: tuple[object, ...], words: str) -> None:
    (notice,) = told(
        advise(feed("30", 60), draw(80), draw(14, p="0.70"), draw(3, p="0.70"), doses), "replacement", "low"
    )
    assert notice.text.endswith(f"; {words}.")
    assert [f.label for f in notice.evidence].count("replacement dose") == (0 if words.startswith("no") else len(doses))


HIGHS = [
    # potassium, doses, priority
    ("5.4", (), Priority.ROUTINE),
    ("5.4", (dose(K, ago=23.9),), Priority.URGENT),
    ("5.4", (dose(K, ago=24),), Priority.ROUTINE),
    ("5.4", (dose(P, ago=10),), Priority.ROUTINE),
    ("5.4", (dose(K, ago=0),), Priority.URGENT),
    ("5.4", (dose(K, ago=-1),), Priority.ROUTINE),
    ("6.0", (), Priority.URGENT),
]


WAITS = [
    # what came after a potassium of 3.2 drawn 25 h ago, the sentence at the end of the notice about the low
    pytest.param((lab(K, "6.4", 3, haemolysed=True),), "A newer potassium in doubt reads 6.4 mmol/L (drawn Thu 6 Mar 05:00; haemolysed): please get the repeat before replacing.", id="a haemolysed high"),
    pytest.param((lab(K, "5.1", 3, haemolysed=True),), "A newer potassium in doubt reads 5.1 mmol/L (drawn Thu 6 Mar 05:00; haemolysed): please get the repeat before replacing.", id="not critical"),
    pytest.param((lab(K, "5.6", 9, haemolysed=True), lab(K, "6.4", 3, haemolysed=True)), "A newer potassium in doubt reads 6.4 mmol/L (drawn Thu 6 Mar 05:00; haemolysed): please get the repeat before replacing.", id="the newer of two"),
    pytest.param((lab(K, "5.6", 3, provisional=True),), "A newer potassium in doubt reads 5.6 mmol/L (drawn Thu 6 Mar 05:00): please get the repeat before replacing.", id="not final"),
    pytest.param((lab(K, "5.0", 3, haemolysed=True),), None, id="in range"),
    pytest.param((lab(K, "45", 3),), None, id="implausible: that delays nothing"),
    pytest.param((lab(K, "6.4", 25, haemolysed=True),), None, id="of the same draw"),
    pytest.param((lab(K, "6.4", 26, haemolysed=True),), None, id="older"),
    pytest.param((lab(P, "1.60", 3, haemolysed=True),), None, id="of another analyte"),
]  # fmt: skip


@pytest.mark.parametrize(("newer", "words"), WAITS)
def test_replacement_of_a_low_waits_for_the_repeat_of_a_newer_high_in_doubt(
    newer: tuple[LabResult, ...], words: str | None
) -> None:
    (notice,) = told(advise(feed("30", 60), draw(80), draw(25, k="3.2"), newer), "replacement", "low")
    start = "Please review replacement: potassium 3.2 mmol/L, low (drawn Wed 5 Mar 07:00); no replacement dose is documented."
    assert notice.text == (start if words is None else f"{start} {words}")
    assert (notice.priority, notice.analytes) == (Priority.URGENT, (K,))
    assert (newer[-1].source in [f.source for f in notice.evidence]) is (words is not None)


CHECKED = [
    # doses, what the notice about a high potassium says of them
    ((), "."),
    ((dose(K, ago=10),), ". 1 replacement dose is documented, the last Wed 5 Mar 22:00 (potassium): please check whether it should go on."),
    ((dose(K, ago=30), dose(K, ago=10)), ". 2 replacement doses are documented, the last Wed 5 Mar 22:00 (potassium): please check whether it should go on."),
    ((dose(P, ago=10),), "."),
    ((dose(K, ago=-1),), "."),  # planned
]  # fmt: skip


@pytest.mark.parametrize(("doses", "words"), CHECKED)
def test_a_high_names_the_doses_that_may_have_made_it(doses: tuple[object, ...], words: str) -> None:
    (notice,) = told(advise(feed("30", 60), draw(80), draw(3, k="5.4"), doses), "replacement", "high")
    assert notice.text == (
        "Please review replacement and renal function: potassium 5.4 mmol/L, high (drawn Thu 6 Mar 05:00)"
        f"{words} A high level can hide depletion."
    )
    assert [f.label for f in notice.evidence].count("replacement dose") == (len(doses) if len(words) > 1 else 0)


@pytest.mark.parametrize(("level", "doses", "priority"), HIGHS)
def test_a_high_after_a_dose_or_a_critical_one_presses(
    level: str, doses: tuple[object, ...], priority: Priority
) -> None:
    (notice,) = told(advise(feed("30", 60), draw(80), draw(3, k=level), doses), "replacement", "high")
    assert notice.priority is priority
    assert notice.text.endswith(". A high level can hide depletion.")


def test_a_critically_low_level_presses_more_than_a_low_one() -> None:
    low, critical = (
        told(advise(feed("30", 60), draw(80), draw(3, p=p)), "replacement", "low")[0] for p in ("0.70", "0.30")
    )
    assert (low.priority, critical.priority) == (Priority.URGENT, Priority.STAT)


def test_a_high_of_a_doubtful_specimen_that_would_be_critical_is_told_and_not_believed() -> None:
    result = lab(K, "6.0", 5, haemolysed=True)
    (notice,) = told(advise(feed("30", 40), draw(62), draw(5, k=None), result), "urgent")
    assert (notice.topic, notice.tell, notice.priority, notice.analytes) == (
        "doubtful-potassium",
        Tell.PRESCRIBER,
        Priority.URGENT,
        (K,),
    )
    assert notice.text == (
        "Potassium 6.0 mmol/L from a doubtful specimen (haemolysed): unproven, but it may be truly high. Please consider "
        "an urgent repeat."
    )
    assert [(f.label, f.value, f.when, f.source) for f in notice.evidence] == [
        ("potassium", "6.0 mmol/L", h(5), result.source)
    ]
    below = lab(K, "5.9", 5, haemolysed=True)
    assert told(advise(feed("30", 40), draw(62), draw(5, k=None), below), "urgent") == []


# --------------------------------------------------------------------------- draws

GAPS = [
    # chart beside a feed of 60 h, the texts of the lab gaps
    pytest.param((), ["Potassium, phosphate and magnesium: no draw is ordered. One draw can answer all."], id="never drawn"),
    pytest.param((draw(20),), ["Potassium, phosphate and magnesium (due Thu 6 Mar 00:00): no draw is ordered. One draw can answer all."], id="stale"),
    pytest.param((draw(20), lab_order(planned=(3,))), ["Potassium, phosphate and magnesium (due Thu 6 Mar 00:00): a draw is ordered but not collected."], id="not collected"),
    pytest.param((draw(20), collection(ago=5)), ["Potassium, phosphate and magnesium (due Thu 6 Mar 00:00): a specimen was taken but no final result is in."], id="no result"),
    pytest.param((draw(20), lab(P, None, 3)), ["Potassium and magnesium (due Thu 6 Mar 00:00): no draw is ordered. One draw can answer all.",
                 "Phosphate: a result came but cannot be used; please put the result right, or say that the draw must be repeated. unreadable: the unit is missing."], id="unusable"),
    pytest.param((draw(5, p=None), draw(20, k=None, mg=None)), ["Phosphate (due Thu 6 Mar 00:00): no draw is ordered.",
                 "Potassium and magnesium will be due Thu 6 Mar 15:00 and no draw is ordered. Please consider one draw."], id="one late, two ahead"),
    pytest.param((draw(18, k=None), draw(20, p=None, mg=None)), ["Potassium, phosphate and magnesium (due potassium Thu 6 Mar 00:00, phosphate and magnesium Thu 6 Mar 02:00): no draw is ordered. One draw can answer all."], id="due at two hours"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "texts"), GAPS)
def test_a_gap_says_since_when_and_at_which_stage(chart: tuple[object, ...], texts: list[str]) -> None:
    said = advise(feed("30", 60), *chart, VITAMINS)
    assert [n.text for n in said.notices if n.code in ("lab-gap", "lab-gap-ahead")] == texts


# --------------------------------------------------------------------------- vitamins and what to check

THIAMINE = [
    # thiamine orders, how pressing
    ((), Priority.URGENT),
    ((vitamin(Vitamin.THIAMINE, "50"),), Priority.URGENT),
    ((vitamin(Vitamin.THIAMINE),), Priority.URGENT),
    ((vitamin(Vitamin.THIAMINE, "200", end=-24),), Priority.ROUTINE),
]


@pytest.mark.parametrize(("orders", "priority"), THIAMINE)
def test_thiamine_that_is_not_given_presses_and_an_early_end_can_wait(
    orders: tuple[VitaminOrder, ...], priority: Priority
) -> None:
    (notice,) = told(advise(feed("30", 40), draw(62), draw(5), orders, vitamin(Vitamin.MULTIVITAMIN)), "micronutrient")
    assert notice.priority is priority


def test_a_missing_multivitamin_can_wait() -> None:
    (notice,) = told(advise(feed("30", 40), draw(62), draw(5), vitamin(Vitamin.THIAMINE, "200")), "micronutrient")
    assert (notice.topic, notice.priority) == ("multivitamin-missing", Priority.ROUTINE)


def note(code: str, text: str) -> DataNote:
    return DataNote(code=code, text=text, source=f"Observation/{code}/_history/1")


CHECKS = [
    # chart, what to check
    pytest.param(FED, {}, None, id="nothing"),
    pytest.param((*FED, goal(None)), {}, "the charted goal cannot be read", id="a goal that cannot be read"),
    pytest.param(FED, {"kg": None}, "no usable weight is charted", id="no weight"),
    pytest.param((*FED, goal(None)), {"kg": None}, "the charted goal cannot be read", id="neither: the goal's words"),
    pytest.param(FED, {"notes": (note("uncoded-analyte", "a result named K+ has no code"),)}, "Observation/uncoded-analyte: a result named K+ has no code", id="an uncoded analyte"),
    pytest.param(FED, {"notes": (note("other", "something else"),)}, None, id="another note is no notice"),
    pytest.param((feed("30", 60, density=None), *FED[1:]), {}, "enteral feed: the order states no energy density", id="no density"),
    pytest.param((feed("30", 60, density=None), *FED[1:]), {"kg": None}, "enteral feed: the order states no energy density; no usable weight is charted", id="two things"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "fields", "words"), CHECKS)
def test_what_only_the_dietitian_can_settle(
    chart: tuple[object, ...], fields: dict[str, object], words: str | None
) -> None:
    found = told(advise(chart, **fields), NoticeCode.DATA_QUALITY)
    assert [n.text for n in found] == ([] if words is None else [f"Please check the chart: {words}."])
    assert all((n.tell, n.priority) == (Tell.DIETITIAN, Priority.ROUTINE) for n in found)
    assert all(f.source and f.value in n.text for n in found for f in n.evidence)


def test_the_goal_and_the_weight_have_no_one_source_to_check() -> None:
    (notice,) = told(advise(*FED, kg=None), "data-quality")
    assert notice.evidence == ()


def test_nothing_is_told_of_somebody_whom_nobody_watches() -> None:
    assert advise(feed("75", 200), *(draw(ago) for ago in (210, 100, 76, 52, 28, 4))).notices == ()


def test_delivery_that_lags_is_told_with_its_records() -> None:
    said = advise(*FED, delivered("350"), planned("30"), lab(MG, "0.85", 5), delivered("10", kind=IntakeKind.ALL_FLUID))
    assert said.advice.rule == "delivery-lags"
    assert any(f.value.startswith("350 mL over 24 h") for r in said.derivation for f in r.facts)


# --------------------------------------------------------------------------- a high level, and less since

SINCE = [
    # the newest of phosphate, which groups of analytes the prescriber hears of as high
    pytest.param((draw(80, p="1.60"), draw(3, p="1.60")), ["phosphate"], id="still high"),
    pytest.param((draw(80, p="1.60"), draw(3, p=None)), ["phosphate"], id="nothing newer"),
    pytest.param((draw(80, p="1.60"), lab(P, "<1.2", 3), draw(3, p=None)), ["phosphate"], id="a bound that shows no severe fall: 25 %"),
    pytest.param((draw(80, p="1.60"), lab(P, "<0.9", 3), draw(3, p=None)), [], id="a bound that shows a severe fall: nobody should take phosphate away"),
    pytest.param((draw(80, p="1.60", k="5.4"), lab(P, "<0.9", 3), draw(3, p=None, k="5.4")), ["potassium"], id="another one is"),
]  # fmt: skip


@pytest.mark.parametrize(("draws", "high"), SINCE)
def test_a_level_is_told_as_high_until_a_newer_result_shows_a_severe_fall(
    draws: tuple[object, ...], high: list[str]
) -> None:
    notices = told(advise(feed("30", 60), draws, VITAMINS), "replacement", "high")
    assert [analyte.value for notice in notices for analyte in notice.analytes] == high


def test_doses_that_could_not_be_read_are_not_said_to_be_missing() -> None:
    low = (feed("30", 60), draw(80), draw(5, p="0.70"), VITAMINS)
    (whole,) = told(advise(*low), "replacement", "low")
    (half,) = told(advise(*low, incomplete=("MedicationAdministration",)), "replacement", "low")
    assert whole.text.endswith("; no replacement dose is documented.")
    assert half.text.endswith("; no replacement dose is documented in what could be read of the chart.")


# --------------------------------------------------------------------------- at goal, and how it came there


def test_a_jump_to_the_goal_is_told_as_any_other() -> None:
    jumped = advise(stages(rate("40", 60), rate("75", 6)), draw(80), draw(3), VITAMINS).advice
    assert (jumped.rule, jumped.priority) == ("at-goal", Priority.URGENT)
    assert jumped.headline.endswith(": energy rose by more than a step Thu 6 Mar 02:00")
    assert any(
        "rose from 960 kcal/day to 1800 kcal/day" in words and "Was it meant?" in words for words in jumped.because
    )
    long_ago = advise(stages(rate("40", 90), rate("75", 30)), draw(100), draw(3), VITAMINS).advice
    assert (long_ago.rule, long_ago.priority) == ("at-goal", Priority.ROUTINE)
    assert not any("Was it meant?" in words for words in long_ago.because)


def test_at_goal_by_order_alone_is_said_in_the_first_line() -> None:
    said = advise(feed("75", 110), draw(130), draw(5), VITAMINS, delivered("900")).advice
    assert said.headline == "At goal: keep 75 mL/h (1800 kcal/day), as ordered; 50 % of it was delivered"


def test_levels_that_fall_in_and_above_their_ranges_are_both_said() -> None:
    said = advise(feed("30", 60), draw(80, p="2.00", k="5.0"), draw(3, p="1.55", k="3.9"), VITAMINS).advice
    assert said.headline.endswith(": potassium and phosphate falling, still inside the range and above its range")


def test_what_runs_beside_the_feed_and_fills_the_glucose_ceiling_is_not_paid_for_by_the_feed_alone() -> None:
    """200 mL/h of 10 % alone are 5.6 mg/kg/min at 60 kg; 1632 kcal leave 168 for the feed: 9.8 mL/h of 0.71 kcal/mL."""
    beside = dextrose_drip("200", 60, percent="10")
    said = advise(parenteral("60", 60, dextrose="0.15"), beside, draw(80), draw(5), VITAMINS).advice
    assert (said.rule, said.rate_ml_h) == ("over-goal", d(5))
    assert any("above the ceiling of 5: review the infusions" in words for words in said.because)
