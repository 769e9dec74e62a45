"""Which values count. One row is one chart; the state is what is shown, the advice is what follows from it."""

from datetime import timedelta

import pytest

from andante.domain.advice import AdviceCode, AnalyteState, Assessment
from andante.domain.picture import LabResult
from andante.domain.quantities import Analyte
from pictures import MG, NOW, K, P, advise, aspen, bmi, draw, feed, h, lab, planned, weight, with_number


def state_of(said: Assessment, analyte: Analyte) -> str:
    return next(v.state for v in said.analytes if v.analyte is analyte).value


def with_results(analyte: Analyte, *results: LabResult) -> Assessment:
    """Step due at 30 mL/h, everything else in range, and these results of one analyte beside a normal baseline."""
    others = {K: "k", P: "p", MG: "mg"}
    rest = (*draw(60), *draw(5, **{others[analyte]: None}))
    return advise(feed("30", 40), rest, *results)


# --------------------------------------------------------------------------- levels against their limits

LEVELS = [
    # analyte, level, unit, state, advice
    pytest.param(K, "2.4", "mmol/L", "critical-low", "urgent-review", id="potassium 2.4 is critical"),
    pytest.param(K, "2.5", "mmol/L", "critical-low", "urgent-review", id="potassium 2.5 exactly is critical"),
    pytest.param(K, "2.6", "mmol/L", "low", "urgent-review", id="potassium 2.6 is low (and a fall of 35 %)"),
    pytest.param(K, "3.4", "mmol/L", "low", "hold", id="potassium 3.4 is low"),
    pytest.param(K, "3.49", "mmol/L", "low", "hold", id="potassium 3.49 is low"),
    pytest.param(K, "3.5", "mmol/L", "in-range", "advance", id="potassium 3.5 exactly is in range"),
    pytest.param(K, "5.0", "mmol/L", "in-range", "advance", id="potassium 5.0 exactly is in range"),
    pytest.param(K, "5.1", "mmol/L", "high", "advance", id="potassium 5.1 is high: named, not held"),
    pytest.param(K, "5.9", "mmol/L", "high", "advance", id="potassium 5.9 is high"),
    pytest.param(K, "6.0", "mmol/L", "critical-high", "urgent-review", id="potassium 6.0 exactly is critical"),
    pytest.param(P, "0.31", "mmol/L", "critical-low", "urgent-review", id="phosphate 0.31 is critical"),
    pytest.param(P, "0.32", "mmol/L", "low", "urgent-review", id="phosphate 0.32 exactly is not critical (a fall is)"),
    pytest.param(P, "0.79", "mmol/L", "low", "hold", id="phosphate 0.79 is low"),
    pytest.param(P, "0.80", "mmol/L", "in-range", "hold", id="phosphate 0.80 is in range (but 20 % down: holds)"),
    pytest.param(P, "0.81", "mmol/L", "in-range", "advance", id="phosphate 0.81 is in range"),
    pytest.param(P, "4.5", "mg/dL", "in-range", "advance", id="phosphate 4.5 mg/dL exactly is in range"),
    pytest.param(P, "4.6", "mg/dL", "high", "advance", id="phosphate 4.6 mg/dL is high"),
    pytest.param(P, "3.50", "mmol/L", "high", "advance", id="phosphate 3.50: no published critical high"),
    pytest.param(MG, "0.9", "mg/dL", "critical-low", "urgent-review", id="magnesium 0.9 mg/dL is critical"),
    pytest.param(MG, "1.0", "mg/dL", "critical-low", "urgent-review", id="magnesium 1.0 mg/dL exactly is critical"),
    pytest.param(MG, "1.1", "mg/dL", "low", "urgent-review", id="magnesium 1.1 mg/dL is low (and a fall of 47 %)"),
    pytest.param(MG, "1.6", "mg/dL", "low", "hold", id="magnesium 1.6 mg/dL is low"),
    pytest.param(MG, "1.7", "mg/dL", "in-range", "advance", id="magnesium 1.7 mg/dL exactly is in range"),
    pytest.param(MG, "0.69", "mmol/L", "low", "hold", id="magnesium 0.69 mmol/L is low"),
    pytest.param(MG, "0.70", "mmol/L", "in-range", "advance", id="magnesium 0.70 mmol/L is in range"),
    pytest.param(MG, "1.00", "mmol/L", "in-range", "advance", id="magnesium 1.00 mmol/L exactly is in range"),
    pytest.param(MG, "1.01", "mmol/L", "high", "advance", id="magnesium 1.01 mmol/L is high"),
    pytest.param(MG, "4.4", "mg/dL", "high", "advance", id="magnesium 4.4 mg/dL is high"),
    pytest.param(MG, "4.5", "mg/dL", "critical-high", "urgent-review", id="magnesium 4.5 mg/dL exactly is critical"),
]


@pytest.mark.parametrize(("analyte", "level", "unit", "state", "advice"), LEVELS)
def test_a_level_is_judged_by_its_limits(analyte: Analyte, level: str, unit: str, state: str, advice: str) -> None:
    said = with_results(analyte, lab(analyte, level, 5, unit=unit))
    assert state_of(said, analyte) == state
    assert said.advice.code == advice


# --------------------------------------------------------------------------- the laboratory's own range

OWN_RANGE = [
    # analyte, level, own low, own high, state, note expected
    pytest.param(K, "5.4", "3.5", "5.5", "in-range", False, id="potassium 5.4 is normal by its own 3.5-5.5"),
    pytest.param(K, "5.6", "3.5", "5.5", "high", False, id="potassium 5.6 is high by its own 3.5-5.5"),
    pytest.param(K, "3.4", "3.3", "5.0", "in-range", False, id="potassium 3.4 is normal by its own 3.3"),
    pytest.param(K, "3.2", "3.0", None, "in-range", False, id="an own lower limit of 3.0 is just believed"),
    pytest.param(K, "3.2", "2.9", None, "low", True, id="an own lower limit of 2.9 is a slip: the protocol's counts"),
    pytest.param(K, "3.9", "4.0", None, "low", False, id="an own lower limit of 4.0 is just believed"),
    pytest.param(K, "3.9", "4.1", None, "in-range", True, id="an own lower limit of 4.1 is a slip"),
    pytest.param(K, "4.6", None, "4.5", "high", False, id="an own upper limit of 4.5 is just believed"),
    pytest.param(K, "4.6", None, "4.4", "in-range", True, id="an own upper limit of 4.4 is a slip"),
    pytest.param(K, "5.9", None, "6.0", "in-range", False, id="an own upper limit of 6.0 is just believed"),
    pytest.param(K, "5.9", None, "6.1", "high", True, id="an own upper limit of 6.1 is a slip"),
    pytest.param(P, "0.85", "0.87", "1.45", "low", False, id="phosphate 0.85 is low by its own 0.87"),
    pytest.param(P, "0.70", "0.60", None, "in-range", False, id="an own phosphate limit of 0.60 is just believed"),
    pytest.param(P, "0.70", "0.59", None, "low", True, id="an own phosphate limit of 0.59 is a slip"),
    pytest.param(P, "0.99", "1.00", None, "low", False, id="an own phosphate limit of 1.00 is just believed"),
    pytest.param(P, "0.99", "1.01", None, "in-range", True, id="an own phosphate limit of 1.01 is a slip"),
    pytest.param(P, "1.21", None, "1.20", "high", False, id="an own upper phosphate limit of 1.20 is just believed"),
    pytest.param(P, "1.21", None, "1.19", "in-range", True, id="an own upper phosphate limit of 1.19 is a slip"),
    pytest.param(
        P, "1.79", None, "1.80", "in-range", False, id="an own upper phosphate limit of 1.80 is just believed"
    ),
    pytest.param(P, "1.79", None, "1.81", "high", True, id="an own upper phosphate limit of 1.81 is a slip"),
    pytest.param(MG, "0.68", "0.55", None, "in-range", False, id="an own magnesium limit of 0.55 is just believed"),
    pytest.param(MG, "0.68", "0.54", None, "low", True, id="an own magnesium limit of 0.54 is a slip"),
    pytest.param(MG, "0.84", "0.85", None, "low", False, id="an own magnesium limit of 0.85 is just believed"),
    pytest.param(MG, "0.84", "0.86", None, "in-range", True, id="an own magnesium limit of 0.86 is a slip"),
    pytest.param(MG, "0.95", None, "0.90", "high", False, id="an own upper magnesium limit of 0.90 is just believed"),
    pytest.param(MG, "0.95", None, "0.89", "in-range", True, id="an own upper magnesium limit of 0.89 is a slip"),
    pytest.param(
        MG, "1.39", None, "1.40", "in-range", False, id="an own upper magnesium limit of 1.40 is just believed"
    ),
    pytest.param(MG, "1.39", None, "1.41", "high", True, id="an own upper magnesium limit of 1.41 is a slip"),
]


@pytest.mark.parametrize(("analyte", "level", "low", "high", "state", "noted"), OWN_RANGE)
def test_a_result_is_judged_by_its_own_range_where_that_can_be_meant(
    analyte: Analyte, level: str, low: str | None, high: str | None, state: str, noted: bool
) -> None:
    said = with_results(analyte, lab(analyte, level, 5, low=low, high=high))
    assert state_of(said, analyte) == state
    assert ("reference-range" in {q.code for q in said.data_quality}) is noted


def test_no_printed_range_makes_a_critical_level_look_less_than_it_is() -> None:
    said = with_results(K, lab(K, "2.5", 5, low="3.0"))
    assert said.advice.code is AdviceCode.URGENT_REVIEW


# --------------------------------------------------------------------------- comparators are intervals

COMPARATORS = [
    pytest.param(P, "<0.3", "mmol/L", "critical-low", id="phosphate <0.3 is critically low"),
    pytest.param(P, "<0.7", "mg/dL", "critical-low", id="phosphate <0.7 mg/dL is critically low (published case 10)"),
    pytest.param(P, "<0.80", "mmol/L", "low", id="phosphate <0.80 is low"),
    pytest.param(P, "<=0.80", "mmol/L", "unreadable", id="phosphate <=0.80 leaves open whether it is low"),
    pytest.param(P, "<1.0", "mmol/L", "unreadable", id="phosphate <1.0 leaves open whether it is low"),
    pytest.param(P, ">1.0", "mmol/L", "in-range", id="phosphate >1.0 is not low"),
    pytest.param(P, ">0.5", "mmol/L", "unreadable", id="phosphate >0.5 proves nothing"),
    pytest.param(K, ">4.0", "mmol/L", "unreadable", id="potassium >4.0 may be dangerously high"),
    pytest.param(K, ">=6.0", "mmol/L", "critical-high", id="potassium >=6.0 is critically high"),
    pytest.param(K, "<2.6", "mmol/L", "low", id="potassium <2.6 is low; critical is not proven"),
    pytest.param(K, "<=2.5", "mmol/L", "critical-low", id="potassium <=2.5 is critically low"),
]


@pytest.mark.parametrize(("analyte", "level", "unit", "state"), COMPARATORS)
def test_a_comparator_proves_only_what_it_says(analyte: Analyte, level: str, unit: str, state: str) -> None:
    said = with_results(analyte, lab(analyte, level, 5, unit=unit))
    assert state_of(said, analyte) == state
    assert (said.advice.code is AdviceCode.ADVANCE) is (state == "in-range")


# --------------------------------------------------------------------------- implausible values

IMPLAUSIBLE = [
    pytest.param(K, "0.99", id="potassium 0.99"),
    pytest.param(K, "12.1", id="potassium 12.1"),
    pytest.param(K, "45", id="potassium 45: a slip of the decimal point"),
    pytest.param(P, "0.049", id="phosphate 0.049"),
    pytest.param(P, "6.1", id="phosphate 6.1"),
    pytest.param(MG, "0.09", id="magnesium 0.09"),
    pytest.param(MG, "6.1", id="magnesium 6.1"),
    pytest.param(MG, "1E+30", id="magnesium 1E+30"),
    pytest.param(K, "1E-30", id="potassium 1E-30"),
]


@pytest.mark.parametrize(("analyte", "level"), IMPLAUSIBLE)
def test_an_implausible_value_is_set_aside_and_a_repeat_is_asked_for(analyte: Analyte, level: str) -> None:
    said = with_results(analyte, lab(analyte, {K: "4.0", P: "1.0", MG: "0.85"}[analyte], 9), lab(analyte, level, 5))
    assert said.advice.code is AdviceCode.HOLD
    assert state_of(said, analyte) == "unreadable"
    assert "implausible" in {q.code for q in said.data_quality}
    assert any(n.stage == "unusable" and n.tell == "nurse" and analyte in n.analytes for n in said.notices)


PLAUSIBLE = [
    pytest.param(K, "1.0", "critical-low", id="potassium 1.0 is believed"),
    pytest.param(K, "12.0", "critical-high", id="potassium 12.0 is believed"),
    pytest.param(P, "0.05", "critical-low", id="phosphate 0.05 is believed"),
    pytest.param(P, "6.0", "high", id="phosphate 6.0 is believed"),
    pytest.param(MG, "0.1", "critical-low", id="magnesium 0.1 is believed"),
    pytest.param(MG, "6.0", "critical-high", id="magnesium 6.0 is believed"),
]


@pytest.mark.parametrize(("analyte", "level", "state"), PLAUSIBLE)
def test_a_value_on_the_bound_of_what_can_be_is_believed(analyte: Analyte, level: str, state: str) -> None:
    assert state_of(with_results(analyte, lab(analyte, level, 5)), analyte) == state


# --------------------------------------------------------------------------- firm, provisional, doubtful, unreadable

FIRMNESS = [
    # results of potassium, state, advice
    pytest.param((lab(K, "4.0", 5),), "in-range", "advance", id="final and in range advances"),
    pytest.param((lab(K, "4.0", 5, provisional=True),), "provisional", "hold", id="only preliminary: holds"),
    pytest.param((lab(K, "3.2", 5, provisional=True),), "provisional", "hold", id="preliminary and low: holds"),
    pytest.param((lab(K, "2.4", 5, provisional=True),), "provisional", "urgent-review", id="preliminary and critical"),
    pytest.param(
        (lab(K, "4.0", 9), lab(K, "3.2", 5, provisional=True)),
        "provisional",
        "hold",
        id="a newer preliminary low holds",
    ),
    pytest.param(
        (lab(K, "4.0", 5), lab(K, "3.2", 9, provisional=True)),
        "in-range",
        "advance",
        id="an older preliminary low is past",
    ),
    pytest.param(
        (lab(K, "4.0", 9), lab(K, "4.1", 5, provisional=True)),
        "in-range",
        "advance",
        id="a newer preliminary normal says nothing against a firm fresh one",
    ),
    pytest.param((lab(K, None, 5),), "unreadable", "hold", id="unreadable: holds"),
    pytest.param((lab(K, "4.0", 9), lab(K, None, 5)), "unreadable", "hold", id="a newer unreadable one may hide a low"),
    pytest.param((lab(K, "4.0", 5), lab(K, None, 9)), "in-range", "advance", id="an older unreadable one is past"),
    pytest.param((lab(K, "4.2", 5, haemolysed=True),), "provisional", "hold", id="haemolysed and normal: not firm"),
    pytest.param((lab(K, "5.4", 5, haemolysed=True),), "provisional", "hold", id="haemolysed and high: not firm"),
    pytest.param(
        (lab(K, "6.8", 5, haemolysed=True),), "provisional", "hold", id="haemolysed and very high: not believed"
    ),
    pytest.param((lab(K, "3.2", 5, haemolysed=True),), "low", "hold", id="haemolysed and low: low all the same"),
    pytest.param(
        (lab(K, "2.4", 5, haemolysed=True),), "critical-low", "urgent-review", id="haemolysed and critically low"
    ),
    pytest.param((lab(K, "4.0", 5), lab(K, "3.3", 5)), "low", "hold", id="two results of one draw: the lower counts"),
    pytest.param(
        (lab(K, "4.0", 5), lab(K, "5.6", 5)), "high", "advance", id="4.0 and 5.6 of one draw: the high is named"
    ),
]


@pytest.mark.parametrize(("results", "state", "advice"), FIRMNESS)
def test_only_firm_evidence_advances_and_any_credible_danger_holds(
    results: tuple[LabResult, ...], state: str, advice: str
) -> None:
    said = with_results(K, *results)
    assert state_of(said, K) == state
    assert said.advice.code == advice


def test_of_two_results_of_one_draw_the_high_one_is_named_as_high() -> None:
    said = with_results(K, lab(K, "4.0", 5), lab(K, "5.6", 5))
    assert any(s.startswith("Potassium 5.6 mmol/L, high") for s in said.advice.because)
    assert "disagreement" in {q.code for q in said.data_quality}


def test_the_same_level_in_two_units_is_no_disagreement() -> None:
    said = with_results(P, lab(P, "3.1", 5, unit="mg/dL"), lab(P, "1.0008", 5))
    assert "disagreement" not in {q.code for q in said.data_quality}


def test_a_low_by_one_laboratory_and_normal_by_another_is_low() -> None:
    said = with_results(K, lab(K, "3.4", 5, low="3.3"), lab(K, "3.4", 5, low="3.5"))
    assert state_of(said, K) == "low"


# --------------------------------------------------------------------------- time

FRESHNESS = [
    # hours since the draw, state: the interval is 12 h in the first 72 h of a course, with 2 h of grace
    pytest.param(13.9, "in-range", "advance", id="13.9 h old is fresh"),
    pytest.param(14, "in-range", "advance", id="14 h old exactly is fresh"),
    pytest.param(14.1, "stale", "hold", id="14.1 h old is stale"),
    pytest.param(60, "stale", "hold", id="60 h old is stale"),
    pytest.param(167, "stale", "hold", id="just inside 7 days is stale"),
    pytest.param(169, "missing", "hold", id="older than 7 days counts as missing"),
]


@pytest.mark.parametrize(("ago", "state", "advice"), FRESHNESS)
def test_evidence_has_to_be_fresh_to_advance(ago: float, state: str, advice: str) -> None:
    said = advise(feed("30", 40), draw(5, k=None), draw(200, k=None), lab(K, "4.0", ago))
    assert state_of(said, K) == state
    assert said.advice.code == advice


BASELINES = [
    pytest.param(23.9, "start", id="a baseline of 23.9 h is recent enough"),
    pytest.param(24, "start", id="a baseline of 24 h exactly is recent enough"),
    pytest.param(24.1, "draw-first", id="a baseline of 24.1 h is too old"),
]


@pytest.mark.parametrize(("ago", "advice"), BASELINES)
def test_a_start_needs_a_baseline_within_a_day(ago: float, advice: str) -> None:
    assert advise(planned(), draw(ago)).advice.code == advice


TIMES = [
    # results of potassium, state, advice
    pytest.param((lab(K, "4.0", -0.1),), "in-range", "advance", id="6 min ahead: clocks differ"),
    pytest.param(
        (lab(K, "4.0", 9), lab(K, "4.4", -1)), "in-range", "advance", id="an hour ahead and normal: set aside"
    ),
    pytest.param((lab(K, "4.4", -1),), "stale", "hold", id="only an old one and one of the future: stale"),
    pytest.param((lab(K, "4.0", 9), lab(K, "3.2", -1)), "unreadable", "hold", id="a low of the future still holds"),
    pytest.param(
        (lab(K, "4.0", 9), lab(K, "3.2", None)), "unreadable", "hold", id="a low without a time may be the last"
    ),
    pytest.param(
        (lab(K, "4.0", 9), lab(K, "3.2", None, reported=h(20))),
        "in-range",
        "advance",
        id="a low without a time but reported before the last draw is past",
    ),
    pytest.param((lab(K, "4.0", None),), "provisional", "hold", id="a normal without a time is no fresh evidence"),
]


@pytest.mark.parametrize(("results", "state", "advice"), TIMES)
def test_a_result_belongs_to_its_collection_time(results: tuple[LabResult, ...], state: str, advice: str) -> None:
    said = with_results(K, *results)
    assert state_of(said, K) == state
    assert said.advice.code == advice


FUTURE = [
    pytest.param(9.9, True, id="9.9 min ahead"),
    pytest.param(10, True, id="10 min"),
    pytest.param(10.1, False, id="10.1 min"),
]


@pytest.mark.parametrize(("minutes", "counts"), FUTURE)
def test_clocks_may_differ_by_ten_minutes(minutes: float, counts: bool) -> None:
    said = with_results(K, lab(K, "4.0", 5, collected=NOW + timedelta(minutes=minutes)))
    assert (said.advice.code is AdviceCode.ADVANCE) is counts


def test_a_date_without_a_time_is_old_as_evidence_and_new_as_danger() -> None:
    """Drawn some time between 00:00 and 16:00 of this day; the last timed draw was at 03:00."""
    evening = {"collected": h(8), "collected_latest": h(-8)}
    low = with_results(P, lab(P, "1.00", 5), lab(P, "0.79", None, **evening))
    assert (state_of(low, P), low.advice.code) == ("low", AdviceCode.HOLD)
    normal = advise(
        feed("30", 40), draw(60), draw(5, p=None), lab(P, "1.0", None, collected=h(20), collected_latest=h(-4))
    )
    assert state_of(normal, P) == "stale"


def test_nothing_that_is_set_aside_disappears() -> None:
    odd = (
        lab(K, "45", 5),
        lab(K, None, 5),
        lab(K, "4.0", None),
        lab(K, "4.0", -2),
        lab(K, "4.1", 5, haemolysed=True),
        lab(K, "4.2", 5, provisional=True),
        lab(K, "<4.0", 5),
    )
    said = with_results(K, lab(K, "4.0", 9), *odd)
    named = {fact.source for reason in said.derivation for fact in reason.facts}
    assert {r.source for r in odd} <= named
    codes = {q.code for q in said.data_quality}
    assert codes >= {"implausible", "unreadable", "undated", "future", "specimen", "provisional", "unproven"}


# --------------------------------------------------------------------------- bounds of weight and height

WEIGHTS = [
    pytest.param("19.9", "hold", id="19.9 kg is a slip in an adult"),
    pytest.param("20", "start", id="20 kg is believed"),
    pytest.param("350", "start", id="350 kg is believed"),
    pytest.param("350.1", "hold", id="350.1 kg is a slip"),
]


@pytest.mark.parametrize(("kg", "advice"), WEIGHTS)
def test_a_weight_outside_what_can_be_is_not_used(kg: str, advice: str) -> None:
    assert advise(planned(), draw(5), bmi("20"), kg=kg).advice.code == advice


WEIGHT_AGES = [
    pytest.param(719, "start", id="a weight of just under 30 days is used"),
    pytest.param(720, "start", id="a weight of 30 days exactly is used"),
    pytest.param(721, "hold", id="a weight of more than 30 days is not"),
]


@pytest.mark.parametrize(("ago", "advice"), WEIGHT_AGES)
def test_an_old_weight_is_not_used_for_sums(ago: float, advice: str) -> None:
    assert advise(planned(), draw(5), weight("60", ago), kg=None).advice.code == advice


def test_the_numbers_come_from_the_protocol() -> None:
    stricter = with_number(aspen(), "evidence.freshness_grace", "0")
    assert advise(feed("30", 40), draw(60), draw(13), protocol=stricter).advice.code is AdviceCode.HOLD
    assert advise(feed("30", 40), draw(60), draw(13)).advice.code is AdviceCode.ADVANCE


def test_every_state_of_an_analyte_is_reached() -> None:
    named = {p.values[3] for p in LEVELS} | {p.values[1] for p in (*FIRMNESS, *FRESHNESS)}  # type: ignore[index]
    assert named == {s.value for s in AnalyteState}
