"""Which results count, how far a level fell, when danger has settled: both sides of every limit, ties included.

Limits of the default protocol: potassium 3.5-5.0, critical at 2.5 and 6.0; phosphate 0.81-1.45, critical below 0.32.
"""

# ruff: noqa: E501 - a row is a chart, and is read across

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from andante.domain.picture import LabResult
from andante.domain.quantities import Analyte, Level, UnknownUnit, is_mass_unit, mmol_per_l
from andante.rules.bands import WORST_FIRST, Band, band_of, worst
from andante.rules.evidence import Evidence, sort_out
from andante.rules.facts import lab_facts
from andante.rules.phrases import at, level, names, number, percent_of, plain, sentence
from andante.rules.situation import Situation, take_in
from andante.rules.telling import clear_level, doubt_words, fall_words, gap_head, gap_words, level_words
from andante.rules.trend import Grade, draws_to_settle, grade_of
from pictures import MG, NOW, K, P, aspen, d, dose, feed, h, lab, picture

FED = feed("30", 60)


def situation(*items: object, now: object = NOW) -> Situation:
    return take_in(picture(*items), aspen(), now)  # type: ignore[arg-type]


def evidence(*items: object, analyte: Analyte = K) -> Evidence:
    return sort_out(picture(*items), aspen(), analyte, NOW)


# --------------------------------------------------------------------------- bands and units

BANDS = [
    ("2.5", Band.CRITICAL_LOW), ("2.51", Band.LOW), ("3.49", Band.LOW), ("3.5", Band.IN_RANGE), ("5.0", Band.IN_RANGE),
    ("5.01", Band.HIGH), ("5.99", Band.HIGH), ("6.0", Band.CRITICAL_HIGH), ("<2.5", Band.CRITICAL_LOW), ("<=2.5", Band.CRITICAL_LOW),
    ("<2.6", Band.LOW), ("<3.5", Band.LOW), ("<=3.5", Band.UNPROVEN), (">4.0", Band.UNPROVEN), (">5.0", Band.UNPROVEN), (">=6.0", Band.CRITICAL_HIGH),
    (">6.0", Band.CRITICAL_HIGH), (">5.9", Band.UNPROVEN), (None, Band.UNREADABLE),
]  # fmt: skip


@pytest.mark.parametrize(("value", "band"), BANDS)
def test_where_a_potassium_lies(value: str | None, band: Band) -> None:
    assert band_of(lab(K, value), aspen()) is band


def test_the_worst_band_of_several_is_told() -> None:
    order = (Band.CRITICAL_LOW, Band.CRITICAL_HIGH, Band.LOW, Band.HIGH, Band.IN_RANGE, Band.UNPROVEN, Band.UNREADABLE)
    assert order == WORST_FIRST
    assert all(worst((b, a)) is a for i, a in enumerate(order) for b in order[i:])
    assert [b for b in order if b.is_low] == [Band.CRITICAL_LOW, Band.LOW]
    assert [b for b in order if b.is_critical] == [Band.CRITICAL_LOW, Band.CRITICAL_HIGH]


UNITS = [
    (K, "mmol/L", "4", "4"), (K, "umol/L", "4000", "4"), (K, "mol/m3", "4", "4"), (K, "meq/L", "4", "4"), (MG, "meq/L", "2", "1"),
    (P, "mg/dL", "3.0974", "1"), (P, "mg/L", "30.974", "1"), (P, "ug/mL", "30.974", "1"), (K, "mg/dL", "3.9098", "1"), (MG, "mg/dL", "2.4305", "1"),
]  # fmt: skip


@pytest.mark.parametrize(("analyte", "unit", "value", "mmol"), UNITS)
def test_every_unit_that_can_be_read(analyte: Analyte, unit: str, value: str, mmol: str) -> None:
    """Standard atomic weights: K 39.098, P 30.974, Mg 24.305 g/mol (IUPAC, abridged)."""
    assert mmol_per_l(analyte, d(value), unit) == d(mmol)
    assert is_mass_unit(unit) is unit.endswith(("g/dL", "g/L", "g/mL"))


@pytest.mark.parametrize(("analyte", "unit"), [(P, "meq/L"), (K, "mg"), (K, "")])
def test_any_other_unit_is_unreadable(analyte: Analyte, unit: str) -> None:
    with pytest.raises(UnknownUnit, match=f"^'{unit}' is not a unit {analyte} can be read in$"):
        mmol_per_l(analyte, d(1), unit)


COMPARED = [("<", "<"), ("<=", "<="), (">", ">"), (">=", ">=")]


@pytest.mark.parametrize(("sign", "shown"), COMPARED)
def test_a_comparator_is_kept_as_it_was_written(sign: str, shown: str) -> None:
    found = Level.compared(sign, d(4))
    assert (found.comparator, found.value, found.is_exact) == (shown, 4, False)
    proven = (
        found.surely_below(d(4)),
        found.surely_at_most(d(4)),
        found.surely_above(d(4)),
        found.surely_at_least(d(4)),
    )
    assert proven == (sign == "<", sign[0] == "<", sign == ">", sign[0] == ">")


def test_a_plain_value_has_no_comparator_and_other_signs_prove_nothing() -> None:
    assert (Level.exact(d(4)).comparator, Level.exact(d(4)).is_exact) == ("", True)
    with pytest.raises(ValueError, match=r"^comparator '~' proves neither a low nor a high level$"):
        Level.compared("~", d(4))


# --------------------------------------------------------------------------- which result counts


TELLING = [
    # results of potassium, the draw's band, the lowest, the one that shows the band
    ((lab(K, "4.0", 5), lab(K, "4.4", 5)), Band.IN_RANGE, "4.0 mmol/L", "4.0 mmol/L"),
    ((lab(K, "4.4", 5), lab(K, "4.0", 5)), Band.IN_RANGE, "4.0 mmol/L", "4.0 mmol/L"),
    ((lab(K, "4.0", 5), lab(K, "5.6", 5)), Band.HIGH, "4.0 mmol/L", "5.6 mmol/L"),
    ((lab(K, "5.8", 5), lab(K, "5.6", 5), lab(K, "4.0", 5)), Band.HIGH, "4.0 mmol/L", "5.6 mmol/L"),
    ((lab(K, "3.4", 5), lab(K, "5.6", 5)), Band.LOW, "3.4 mmol/L", "3.4 mmol/L"),
]  # fmt: skip


@pytest.mark.parametrize(("results", "band", "lowest", "telling"), TELLING)
def test_of_two_results_of_one_draw_the_lower_counts_and_the_worse_is_told(
    results: tuple[LabResult, ...], band: Band, lowest: str, telling: str
) -> None:
    (found,) = evidence(*results).draws
    assert (found.band, found.lowest.written, found.telling.written) == (band, lowest, telling)
    assert found.value == found.lowest.level.low  # type: ignore[union-attr]


def test_of_two_equal_results_the_reference_decides() -> None:
    """So that the order of arrival cannot matter."""
    first, second = lab(K, "4.0", 5, source="Observation/a"), lab(K, "4.0", 5, source="Observation/b")
    for results in ((first, second), (second, first)):
        (found,) = evidence(*results).draws
        assert (found.lowest.source, found.telling.source) == ("Observation/a", "Observation/a")
        assert [r.source for r in found.results] == ["Observation/a", "Observation/b"]


def test_of_two_equal_dangers_the_reference_decides() -> None:
    for order in ("ab", "ba"):
        results = [lab(K, "3.3", 5, provisional=True, source=f"Observation/{name}") for name in order]
        assert evidence(*results).danger_result.source == "Observation/a"  # type: ignore[union-attr]


def test_the_lower_of_two_dangers_of_one_band_is_shown() -> None:
    results = (
        lab(K, "3.3", 5, provisional=True, source="Observation/a"),
        lab(K, "3.1", 5, provisional=True, source="Observation/b"),
    )
    assert evidence(*results).danger_result.written == "3.1 mmol/L"  # type: ignore[union-attr]


SET_ASIDE = [
    # a result of potassium, its code, its words
    (lab(K, None, 5), "unreadable", "the unit is missing"),
    (lab(K, None, 5, problem=None), "unreadable", "the value cannot be read"),
    (lab(K, "4.0", 5, problem="two units"), "unreadable", "two units"),
    (lab(K, "12.1", 5), "implausible", "12.1 mmol/L is outside what is plausible; repeat the draw"),
    (lab(K, "4.0", None), "undated", "it states no collection time, so it cannot be placed in time"),
    (lab(K, "4.0", -0.51), "future", "its collection time lies in the future"),
    (lab(K, "4.0", 5, haemolysed=True), "specimen", "the specimen is in doubt (haemolysed): a level that is not low is not firm"),
    (lab(K, "4.0", 5, provisional=True), "provisional", "the result is not final"),
    (lab(K, ">4.0", 5), "unproven", ">4.0 mmol/L leaves open whether the level is dangerous"),
]  # fmt: skip


@pytest.mark.parametrize(("result", "code", "words"), SET_ASIDE)
def test_a_result_that_is_set_aside_says_why(result: LabResult, code: str, words: str) -> None:
    found = evidence(result)
    assert [(a.code, a.text) for a in found.set_aside] == [(code, words)]
    assert (found.draws, found.last, found.band) == ((), None, None)


def test_a_low_level_of_a_doubtful_specimen_is_firm_and_a_clock_may_be_a_little_fast() -> None:
    skew = aspen().evidence.future_skew.value  # minutes
    assert evidence(lab(K, "3.4", 5, haemolysed=True)).band is Band.LOW
    assert evidence(lab(K, "4.0", -float(skew) / 60)).band is Band.IN_RANGE
    assert [a.code for a in evidence(lab(K, "4.0", -float(skew) / 60 - 0.01)).set_aside] == ["future"]


LAST_DRAWN = [
    # results of potassium, when one was last drawn (hours ago)
    ((), None),
    ((lab(K, "4.0", 8),), 8),
    ((lab(K, "4.0", 8), lab(K, None, 5)), 5),
    ((lab(K, "4.0", 8), lab(K, "4.0", None)), 8),
    ((lab(K, "4.0", 8), lab(K, "4.0", -3)), 8),  # not yet drawn
    ((lab(K, None, 0),), 0),
]


@pytest.mark.parametrize(("results", "ago"), LAST_DRAWN)
def test_when_it_was_last_drawn_usable_or_not(results: tuple[LabResult, ...], ago: float | None) -> None:
    assert evidence(*results).last_drawn(NOW) == (None if ago is None else h(ago))


LOOKBACK = float(aspen().evidence.lookback.value) * 24

OLD = [
    # results of potassium, state, unsettled
    ((lab(K, "4.0", LOOKBACK),), "stale", 0),
    ((lab(K, "4.0", LOOKBACK + 0.1),), "missing", 0),
    ((lab(K, "3.0", LOOKBACK + 0.1),), "missing", 0),
    ((lab(K, None, LOOKBACK),), "unreadable", 1),
    ((lab(K, None, LOOKBACK + 0.1),), "missing", 0),
    ((lab(K, None, 5), lab(K, "4.0", 5)), "unreadable", 1),  # as new as the firm one
    ((lab(K, None, 5.1), lab(K, "4.0", 5)), "in-range", 0),
    ((lab(K, None, None, reported=h(5)), lab(K, "4.0", 5)), "unreadable", 1),
    ((lab(K, None, None, reported=h(5.1)), lab(K, "4.0", 5)), "in-range", 0),
    ((lab(K, None, None), lab(K, "4.0", 5)), "unreadable", 1),  # of no known time: the safer direction
    ((lab(K, "4.0", 14),), "in-range", 0),  # 12 h and 2 h of grace
    ((lab(K, "4.0", 14.01),), "stale", 0),
    ((lab(K, "3.4", 14.01),), "stale", 0),
    ((lab(K, "6.0", 14), lab(K, "4.0", 3, provisional=True)), "critical-high", 1),
    ((lab(K, "6.0", 5), lab(K, None, 3)), "critical-high", 1),
    ((lab(K, "5.6", 5), lab(K, None, 3)), "unreadable", 1),
]  # fmt: skip


@pytest.mark.parametrize(("results", "state", "unsettled"), OLD)
def test_how_old_and_how_disputed_a_level_may_be(results: tuple[LabResult, ...], state: str, unsettled: int) -> None:
    reading = situation(FED, results).reading(K)
    assert (reading.state, len(reading.evidence.unsettled)) == (state, unsettled)


def test_the_newest_of_two_that_cannot_be_used_is_shown() -> None:
    older, newer = lab(K, None, 6, source="Observation/b"), lab(K, None, 5, source="Observation/a")
    assert situation(FED, older, newer).reading(K).shown == newer
    undated = lab(K, None, None, source="Observation/0")
    assert situation(FED, newer, undated).reading(K).shown == undated  # it may be newer than anything
    reported = lab(K, None, None, reported=h(4), source="Observation/0")
    assert situation(FED, newer, reported).reading(K).shown == reported
    tie = lab(K, None, 5, source="Observation/c")
    assert situation(FED, newer, tie).reading(K).shown == tie


@pytest.mark.parametrize("danger", [Band.LOW, Band.CRITICAL_LOW, Band.CRITICAL_HIGH])
def test_a_sign_of_danger_stops_the_advance_whatever_the_state_says(danger: Band) -> None:
    """The table holds before it is asked; this is the second lock."""
    calm = situation(FED, lab(K, "4.0", 80), lab(K, "4.0", 5)).reading(K)
    assert calm.may_advance
    assert not replace(calm, evidence=replace(calm.evidence, danger=danger)).may_advance


# --------------------------------------------------------------------------- falls

GRADES = [
    ("9.99", "NONE"),
    ("10", "MILD"),
    ("19.99", "MILD"),
    ("20", "MODERATE"),
    ("30", "MODERATE"),
    ("30.01", "SEVERE"),
]


@pytest.mark.parametrize(("percent", "grade"), GRADES)
def test_a_fall_is_graded_on_both_sides_of_its_limits(percent: str, grade: str) -> None:
    """ASPEN 2020: 10-20, 20-30, > 30 %; 20 % exactly counts up, 30 % exactly is moderate (common practice)."""
    assert grade_of(d(percent), aspen()) is Grade[grade]


REFERENCES = [
    # draws of phosphate beside one of 1.00 drawn 3 h ago, feed, the percent it fell
    pytest.param((lab(P, "1.25", 60),), FED, "20", id="drawn at the very start: a baseline"),
    pytest.param((lab(P, "1.25", 61), lab(P, "1.20", 59)), FED, "20", id="the higher of the baseline and what came since"),
    pytest.param((lab(P, "1.25", 80), lab(P, "1.10", 61)), FED, "9.09", id="the newest before the start is the baseline"),
    pytest.param((lab(P, "1.25", 61), lab(P, "1.20", 61)), FED, "20", id="of two of one instant the higher"),
    pytest.param((lab(P, "1.25", 60 + LOOKBACK),), FED, "20", id="as old as looked back to"),
    pytest.param((lab(P, "1.25", 60.1 + LOOKBACK),), FED, None, id="older"),
    pytest.param((lab(P, "1.25", 61, blood=True),), FED, None, id="another matrix"),
    pytest.param((lab(P, "<1.25", 61),), FED, None, id="no lower bound to fall from"),
    pytest.param((lab(P, ">=1.25", 61),), FED, "20", id="at least 1.25"),
    pytest.param((lab(P, "1.25", 125),), feed("30", 123), "20", id="five days after the start exactly"),
    pytest.param((lab(P, "1.25", 125),), feed("30", 123.1), None, id="minutes later"),
    pytest.param((lab(P, "1.25", 30),), feed("30", 200), None, id="long after the start"),
    pytest.param((lab(P, "0.90", 61),), FED, "0", id="a rise is no fall"),
]  # fmt: skip


@pytest.mark.parametrize(("others", "order", "percent"), REFERENCES)
def test_what_a_level_is_compared_with(others: tuple[LabResult, ...], order: object, percent: str | None) -> None:
    fall = situation(order, *others, lab(P, "1.00", 3)).fall(P)
    assert (None if fall is None else round(fall.percent, 2)) == (None if percent is None else d(percent))


def test_a_severe_fall_counts_since_the_first_of_the_draws_that_showed_it() -> None:
    chart = (FED, lab(P, "1.40", 61), lab(P, "0.95", 40), lab(P, "0.94", 20), lab(P, "0.93", 3))
    assert situation(*chart).fall(P).since == h(40)  # type: ignore[union-attr]
    broken = (FED, lab(P, "1.40", 61), lab(P, "0.95", 40), lab(P, "1.10", 20), lab(P, "0.93", 3))
    assert situation(*broken).fall(P).since == h(3)  # type: ignore[union-attr]
    other = (FED, lab(P, "1.40", 61), lab(P, "0.95", 40), lab(P, "0.5", 20, blood=True), lab(P, "0.93", 3))
    assert situation(*other).fall(P).since == h(40)  # type: ignore[union-attr]
    two = (FED, lab(P, "1.40", 61), lab(P, "1.30", 40), lab(P, "0.95", 40), lab(P, "0.93", 3))
    assert situation(*two).fall(P).since == h(40)  # type: ignore[union-attr]


SETTLED = [
    # phosphates since the start, how many more draws are wanted, after which level
    ((), 0, None),
    ((lab(P, "1.00", 20),), 0, None),
    ((lab(P, "0.30", 20),), 2, "0.30"),
    ((lab(P, "0.30", 20), lab(P, "0.95", 10)), 1, "0.30"),
    ((lab(P, "0.30", 30), lab(P, "0.95", 20), lab(P, "0.95", 10)), 0, None),
    ((lab(P, "0.30", 30), lab(P, "0.70", 20), lab(P, "0.95", 10)), 1, "0.30"),  # a low is not calm
    ((lab(P, "0.30", 30), lab(P, "0.95", 20), lab(P, "0.70", 10)), 2, "0.30"),  # and ends a calm that came before
    ((lab(P, "0.30", 40), lab(P, "0.30", 30), lab(P, "0.95", 20)), 1, "0.30"),
    ((lab(P, "0.69", 20),), 2, "0.69"),  # 31 % below the baseline of 1.00
    ((lab(P, "0.70", 20),), 0, None),  # 30 % exactly is moderate
    ((lab(P, "0.30", 60),), 0, None),  # drawn at the start: before this course
    ((lab(P, "0.30", 59.9),), 2, "0.30"),
]  # fmt: skip


@pytest.mark.parametrize(("results", "lacking", "after"), SETTLED)
def test_how_many_calm_draws_are_wanted_after_a_danger(
    results: tuple[LabResult, ...], lacking: int, after: str | None
) -> None:
    s = situation(FED, lab(P, "1.00", 80), *results)
    count, found = draws_to_settle(s.reading(P).evidence, s.course, s.protocol)
    assert count == lacking
    assert (found.telling.written.split()[0] if found else None) == after


RUNS = [
    # phosphates, doses, in a run of low draws, difficult to correct
    ((lab(P, "0.70", 27), lab(P, "0.70", 15), lab(P, "0.70", 3)), (20, 10), 3, True),
    ((lab(P, "0.70", 26.9), lab(P, "0.70", 15), lab(P, "0.70", 3)), (20, 10), 3, False),  # under a day
    ((lab(P, "0.70", 27), lab(P, "0.70", 3)), (20, 10), 2, False),  # two draws, not falling
    ((lab(P, "0.70", 27), lab(P, "0.69", 3)), (20, 10), 2, True),  # still falling
    ((lab(P, "0.70", 27), lab(P, "0.70", 15), lab(P, "0.70", 3)), (20,), 3, False),  # one dose
    ((lab(P, "0.70", 27), lab(P, "0.70", 15), lab(P, "0.70", 3)), (27, 10), 3, True),  # the first with the first low draw
    ((lab(P, "0.70", 27), lab(P, "0.70", 15), lab(P, "0.70", 3)), (27.1, 10), 3, False),
    ((lab(P, "0.70", 27), lab(P, "0.70", 15), lab(P, "0.70", 3)), (20, 3), 3, False),  # not answered yet
    ((lab(P, "0.70", 27), lab(P, "0.95", 15), lab(P, "0.70", 3)), (26, 10), 1, False),
]  # fmt: skip


@pytest.mark.parametrize(("results", "doses", "draws", "refractory"), RUNS)
def test_low_for_long_despite_replacement(
    results: tuple[LabResult, ...], doses: tuple[float, ...], draws: int, refractory: bool
) -> None:
    (run,) = situation(FED, lab(P, "1.00", 80), *results, *(dose(P, ago=ago) for ago in doses)).runs
    assert (len(run.draws), run.is_refractory, run.since) == (draws, refractory, results[-draws].collected)


# --------------------------------------------------------------------------- numbers in words

PLAIN = [("1.5", "1", "2"), ("2.5", "1", "3"), ("2.49", "1", "2"), ("10", "1", "10"), ("0.05", "0.1", "0.1"), ("1E+16", "1", "1.000E+16"), ("1E+15", "1", "1000000000000000"), ("-0.5", "0.1", "-0.5")]  # fmt: skip


@pytest.mark.parametrize(("value", "places", "text"), PLAIN)
def test_a_number_is_rounded_half_up_without_an_exponent(value: str, places: str, text: str) -> None:
    assert plain(d(value), d(places)) == text


def test_levels_have_the_places_of_the_trade() -> None:
    assert [level(a, d("1.005")) for a in (K, P, MG)] == ["1.0 mmol/L", "1.01 mmol/L", "1.01 mmol/L"]
    assert level(K, d("1E+16")) == "1.000E+16 mmol/L"
    assert level(K, d("1E+15")) == "1000000000000000.0 mmol/L"
    assert (number(d("1.234567")), percent_of(d(1), d(3))) == ("1.23457", d("33.333333333333333333"))


def test_every_month_and_day_has_its_english_name_on_every_machine() -> None:
    months = [at(NOW.replace(month=m, day=1), NOW.tzinfo).split()[2] for m in range(1, 13)]  # type: ignore[arg-type]
    days = [at(h(-24 * n), NOW.tzinfo).split()[0] for n in range(7)]  # type: ignore[arg-type]
    assert months == ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
    assert days == ["Thu", "Fri", "Sat", "Sun", "Mon", "Tue", "Wed"]
    assert at(NOW, ZoneInfo("Europe/Berlin")) == "Thu 6 Mar 09:00"


def test_names_in_the_usual_order() -> None:
    assert [names(x) for x in ((MG,), (MG, K), (MG, P, K))] == [
        "magnesium",
        "potassium and magnesium",
        "potassium, phosphate and magnesium",
    ]
    assert sentence("as it is, K too") == "As it is, K too"


DOUBTS = [
    # a result, what is said beside its level
    (lab(K, "3.2", 5, haemolysed=True), "; haemolysed: it may be lower still"),
    (lab(P, "0.70", 5, specimen_problem="haemolysed specimen"), "; haemolysed specimen: it may be lower still"),
    (lab(K, "3.2", 5, specimen_problem='specimen in doubt: a remark contains "hemolyz"'), '; specimen in doubt: a remark contains "hemolyz": it may be lower still'),
    (lab(MG, "0.50", 5, haemolysed=True), "; haemolysed"),
    (lab(K, "3.2", 5, specimen_problem="contaminated specimen"), "; contaminated specimen"),
    (lab(K, "4.0", 5, haemolysed=True), "; haemolysed"),
    (lab(K, "3.2", 5), ""),
]  # fmt: skip


@pytest.mark.parametrize(("result", "words"), DOUBTS)
def test_a_low_of_a_haemolysed_specimen_may_be_lower_still(result: LabResult, words: str) -> None:
    """Cells that burst release potassium and phosphate: trade knowledge, no source."""
    s = situation(FED, result)
    assert doubt_words(s, result) == words
    assert level_words(s, s.reading(result.analyte)).endswith(f" (drawn Thu 6 Mar 03:00{words})")
    (fact,) = lab_facts([s.reading(result.analyte)])
    assert fact.value.endswith(f"; {result.specimen_problem})" if words else " (low)")


def test_a_fall_to_a_haemolysed_level_says_so_where_the_level_is_not_told_by_itself() -> None:
    s = situation(FED, lab(K, "4.0", 61), lab(K, "2.7", 3, haemolysed=True))
    (fall,) = s.falls
    assert fall_words(s, fall).endswith("(haemolysed: it may be lower still)")
    assert "haemolysed" not in fall_words(s, fall, level_told=True)


CLEAR = [
    # a result, its level as told: never on the other side of a limit
    (lab(K, "3.46"), "3.46 mmol/L"),
    (lab(K, "3.44"), "3.4 mmol/L"),
    (lab(K, "3.5"), "3.5 mmol/L"),
    (lab(K, "3.54"), "3.54 mmol/L"),  # in range, but 3.5 would look as if it lay on the limit
    (lab(K, "3.499"), "3.499 mmol/L"),
    (lab(K, "2.54"), "2.54 mmol/L"),
    (lab(K, "5.96"), "5.96 mmol/L"),
    (lab(K, "5.04"), "5.04 mmol/L"),
    (lab(P, "2.47", unit="mg/dL"), "0.797 mmol/L"),
    (lab(P, "0.3196"), "0.3196 mmol/L"),
    (lab(K, "3.3", low="3.26"), "3.3 mmol/L"),
]  # fmt: skip


@pytest.mark.parametrize(("result", "words"), CLEAR)
def test_a_level_is_told_to_as_many_places_as_keep_it_on_its_side_of_every_limit(result: LabResult, words: str) -> None:
    s = situation(FED, result)
    assert result.level is not None
    assert result.level.value is not None
    assert clear_level(s, result, result.level.value) == words
    assert f" {words}, " in level_words(s, s.reading(result.analyte))


def test_both_ends_of_a_fall_are_in_one_unit() -> None:
    s = situation(FED, lab(P, "3.3", 61, unit="mg/dL"), lab(P, "0.75", 3))
    (fall,) = s.falls
    assert "from 1.07 mmol/L [3.3 mg/dL] (Mon 3 Mar 19:00) to 0.75 mmol/L (Thu 6 Mar 05:00)" in fall_words(s, fall)
    s = situation(FED, lab(K, "4.4", 61, unit="meq/L"), lab(K, "3.6", 3))
    (fall,) = s.falls
    assert "from 4.4 mmol/L [4.4 meq/L] (" in fall_words(s, fall)


UNUSABLE = [
    # results of potassium, what is said in the headline, and what of the level
    ((lab(K, "45", 3),), "no usable result of potassium", "potassium: a result that cannot be used (45 mmol/L is outside what is plausible; repeat the draw)"),
    ((lab(K, None, 3),), "no usable result of potassium", "potassium: a result that cannot be used (unreadable: the unit is missing)"),
    ((), "no result of potassium", "potassium: no result"),
]  # fmt: skip


@pytest.mark.parametrize(("results", "head", "words"), UNUSABLE)
def test_what_is_wrong_with_a_level_is_one_readable_sentence(
    results: tuple[LabResult, ...], head: str, words: str
) -> None:
    s = situation(FED, results)
    assert (gap_head([s.reading(K)]), gap_words(s, [s.reading(K)])) == (head, words)
