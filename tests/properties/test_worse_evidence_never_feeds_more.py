"""Invariant 3: making one piece of evidence worse never makes the advice more generous.

"More generous" compares the energy advised now: none (draw, correct, hold before feeding) < some kcal/day; more kcal
is more generous. At the same energy ADVANCE and START are more generous than every other code. Advice that says
nothing (not covered, not at risk, stood down) is compared as keeping the present energy.

What is not a violation, and is therefore kept out of the changes below:
- ageing, losing or doubting a LOW, CRITICAL or FALLING result: the danger it showed is no longer shown. The advice may
  go from a cut to a hold, never to more than the present energy (`test_..._never_advances`).
- ageing a draw past an earlier one, which then becomes the last: that is another chart, not older evidence.
- ageing the baseline beyond the lookback, so that nothing is left to measure a fall from: the level alone decides, and
  the advice says that a fall would not be seen.
- losing the weight: the limits it gave (goal, first day) are lost with it, so that an excess is held, not brought down.
- lowering a HIGH level into its range, or a baseline: nearer to normal is not worse, and a lower baseline is a smaller
  fall.
"""

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

from generated import ordinary
from hypothesis import assume, given
from hypothesis import strategies as st

from andante.domain.advice import AdviceCode
from andante.domain.picture import Firmness, LabResult, Picture
from andante.domain.protocol import Protocol
from andante.domain.quantities import Analyte, Level
from andante.rules import evaluate
from andante.rules.canonical import settle
from andante.rules.evidence import Band, band_of
from andante.rules.situation import take_in
from pictures import ALL, NOW, aspen, nice, weight

UP = (AdviceCode.ADVANCE, AdviceCode.START)


def generosity(chart: Picture, protocol: Protocol) -> tuple[Decimal, bool]:
    advice = evaluate(chart, protocol, NOW).advice
    kcal = advice.kcal
    if kcal is None and (advice.code.is_silent or take_in(settle(chart), protocol, NOW).course.feeding):
        kcal = take_in(settle(chart), protocol, NOW).course.present_kcal
    return (Decimal(-1) if kcal is None else kcal), advice.code in UP


def last_of(chart: Picture, analyte: Analyte) -> LabResult | None:
    dated = [r for r in chart.results if r.analyte is analyte and r.collected is not None and r.collected <= NOW]
    return max(dated, key=lambda r: (r.collected, r.source)) if dated else None  # type: ignore[arg-type, return-value]


def changed(chart: Picture, old: LabResult, new: LabResult) -> Picture:
    return replace(chart, results=tuple(new if r is old else r for r in chart.results))


def doubt(result: LabResult, how: str) -> LabResult:
    match how:
        case "not final":
            return replace(result, firmness=Firmness.PROVISIONAL)
        case "unreadable":
            return replace(result, level=None, problem="the unit is missing")
        case "haemolysed":
            return replace(result, specimen_problem="haemolysed")
        case "undated":
            return replace(result, collected=None, collected_latest=None)
        case "a date without a time":
            assert result.collected is not None
            midnight = result.collected.replace(hour=0, minute=0)
            return replace(result, collected=midnight, collected_latest=midnight + timedelta(hours=23, minutes=59))
    raise AssertionError(how)


HOW = ("not final", "unreadable", "haemolysed", "undated", "a date without a time")


@given(ordinary(), st.sampled_from(ALL), st.sampled_from(HOW), st.sampled_from((aspen, nice)))
def test_doubting_an_in_range_result_never_feeds_more(chart: Picture, analyte: Analyte, how: str, which) -> None:  # type: ignore[no-untyped-def]
    protocol = which()
    result = last_of(chart, analyte)
    assume(result is not None and band_of(result, protocol) is Band.IN_RANGE)
    fall = take_in(settle(chart), protocol, NOW).fall(analyte)
    assume(fall is None or not fall.holds)
    assert generosity(changed(chart, result, doubt(result, how)), protocol) <= generosity(chart, protocol)  # type: ignore[arg-type]


@given(ordinary(), st.sampled_from(ALL), st.sampled_from(HOW), st.sampled_from((aspen, nice)))
def test_doubting_a_dangerous_result_never_advances(chart: Picture, analyte: Analyte, how: str, which) -> None:  # type: ignore[no-untyped-def]
    protocol = which()
    result = last_of(chart, analyte)
    assume(result is not None)
    assert result is not None
    # Reported before it was drawn: without the false time of the draw, its report tells that it is the older one.
    assume(result.reported is None or result.collected is None or result.reported >= result.collected)
    s = take_in(settle(chart), protocol, NOW)
    assume(not s.reading(analyte).may_advance)
    before = evaluate(chart, protocol, NOW).advice
    assume(before.code not in UP)
    after = evaluate(changed(chart, result, doubt(result, how)), protocol, NOW).advice  # type: ignore[arg-type]
    assert after.code not in UP
    if after.kcal is not None and s.course.present_kcal is not None:
        assert after.kcal <= s.course.present_kcal


@given(ordinary(), st.sampled_from(ALL), st.sampled_from((0.2, 1, 6, 20)), st.sampled_from((aspen, nice)))
def test_an_older_in_range_result_never_feeds_more(chart: Picture, analyte: Analyte, hours: float, which) -> None:  # type: ignore[no-untyped-def]
    protocol = which()
    result = last_of(chart, analyte)
    assume(result is not None and band_of(result, protocol) is Band.IN_RANGE)
    assert result is not None
    assert result.collected is not None
    fall = take_in(settle(chart), protocol, NOW).fall(analyte)
    assume(fall is None or not fall.holds)
    older = result.collected - timedelta(hours=hours)
    others = [r.latest for r in chart.results if r.analyte is analyte and r is not result and r.latest is not None]
    assume(all(o < older or o > result.collected for o in others))
    exposures = take_in(settle(chart), protocol, NOW).course.exposures
    assume(not any(older <= e.at < result.collected for e in exposures))  # else it becomes another baseline
    doses = [d for d in chart.replacements if analyte in d.analytes]
    assume(not any(older <= d.given < result.collected for d in doses))  # else it is no longer drawn too soon after it
    assert generosity(changed(chart, result, replace(result, collected=older)), protocol) <= generosity(chart, protocol)


@given(
    ordinary(), st.sampled_from(ALL), st.sampled_from(("0.98", "0.9", "0.75", "0.5")), st.sampled_from((aspen, nice))
)
def test_a_lower_level_never_feeds_more(chart: Picture, analyte: Analyte, share: str, which) -> None:  # type: ignore[no-untyped-def]
    protocol = which()
    result = last_of(chart, analyte)
    assume(result is not None and result.level is not None and result.level.is_exact)
    assert result is not None
    assert result.level is not None
    assert result.level.low is not None
    assume(band_of(result, protocol) not in (Band.HIGH, Band.CRITICAL_HIGH))
    limits = protocol.analytes.of(analyte)
    new = result.level.low * Decimal(share)
    assume(new >= limits.plausible_min.value)
    lower = replace(result, level=Level.exact(new))
    assert generosity(changed(chart, result, lower), protocol) <= generosity(chart, protocol)


@given(ordinary(), st.sampled_from(ALL), st.sampled_from((aspen, nice)))
def test_losing_every_result_of_an_analyte_never_advances(chart: Picture, analyte: Analyte, which) -> None:  # type: ignore[no-untyped-def]
    protocol = which()
    without = replace(chart, results=tuple(r for r in chart.results if r.analyte is not analyte))
    assert evaluate(without, protocol, NOW).advice.code not in UP


@given(ordinary(), st.sampled_from((aspen, nice)))
def test_a_chart_that_was_not_read_completely_never_advances(chart: Picture, which) -> None:  # type: ignore[no-untyped-def]
    protocol = which()
    broken = replace(chart, incomplete=("medication administrations",))
    assert evaluate(broken, protocol, NOW).advice.code not in (*UP, AdviceCode.STOOD_DOWN)


@given(ordinary(), st.sampled_from((aspen, nice)))
def test_a_weight_that_is_lost_never_advances(chart: Picture, which) -> None:  # type: ignore[no-untyped-def]
    protocol = which()
    doubted = replace(chart, measurements=(), goals=())
    after = evaluate(doubted, protocol, NOW).advice
    present = take_in(settle(chart), protocol, NOW).course.present_kcal
    assert after.code not in UP
    assert after.kcal is None or present is None or after.kcal <= present


@given(ordinary(), st.sampled_from(("80", "60", "45", "20.1")), st.sampled_from((aspen, nice)))
def test_a_newer_weight_that_is_not_final_never_feeds_more(chart: Picture, kg: str, which) -> None:  # type: ignore[no-untyped-def]
    protocol = which()
    assume(chart.measurements)
    newer = weight(kg, 1, firmness=Firmness.PROVISIONAL)
    doubted = replace(chart, measurements=(*chart.measurements, newer))
    before, after = (evaluate(c, protocol, NOW).advice for c in (chart, doubted))
    assume(after.kcal is not None and before.kcal is not None)
    assert generosity(doubted, protocol) <= generosity(chart, protocol)
