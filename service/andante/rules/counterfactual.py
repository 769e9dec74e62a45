"""What would change the advice: the smallest set of chart facts that turns it into the next step up.

The answer is tried, not asserted: the facts are added to a copy of the picture and the table is asked again.
"""

from dataclasses import replace
from datetime import datetime, timedelta
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from andante.domain.advice import AdviceCode
from andante.domain.picture import LabResult, Matrix
from andante.domain.quantities import Analyte, Level
from andante.rules.bands import Band, limits_of
from andante.rules.decision import Decision
from andante.rules.evidence import Reading, recheck_due
from andante.rules.phrases import at, names, plain, span
from andante.rules.scope_rules import organ_dysfunction
from andante.rules.situation import Situation, take_in
from andante.rules.table import decide
from andante.rules.telling import energy_words
from andante.rules.trend import draws_to_settle, just_before, reference_for

_PLACES = {
    Analyte.POTASSIUM: Decimal("0.1"),
    Analyte.PHOSPHATE: Decimal("0.01"),
    Analyte.MAGNESIUM: Decimal("0.01"),
}
_LATER = timedelta(microseconds=1)
_UP = (AdviceCode.START, AdviceCode.ADVANCE)


def would_change(s: Situation, decision: Decision) -> tuple[str, ...]:
    """Sentences for the advice; empty for a patient nobody watches."""
    if decision.code.is_silent:
        return ()
    if decision.rule == "start-while-low":
        return ("A critical level, or a result that cannot be used, would hold the start.",)
    if decision.code in _UP:
        hours, fall = plain(s.protocol.energy.step_interval.value), s.protocol.fall
        quick = f"by {plain(fall.fast.value)} % within {plain(fall.fast_window.value)} h"
        return (
            f"The next step up would follow {hours} h after this change, all three again firm, recent and not low.",
            f"Any of the three low, or falling by {plain(fall.hold.value)} % or more ({quick}), would hold instead.",
        )
    if decision.code is AdviceCode.AT_GOAL:
        return ("At the goal there is no further step; any of the three low would hold.",)
    others = _other_needs(s)
    when = s.now
    if s.course.feeding and s.next_step is not None:
        when = s.next_step
    present = s.course.present_kcal
    when = max(when, *_settled_at(s))
    is_lowered = decision.sized is not None and present is not None and decision.sized.kcal < present
    if is_lowered:
        when = s.now
    labs = _lab_needs(s, when)
    words = [_lab_words(s, reading, threshold, when) for reading, threshold in labs]
    if when > s.now:
        words.append(f"not before {at(when, s.picture.zone)}")
    if is_lowered:
        # The next step counts from the lower energy, so that what the table says of the present order is no answer.
        words += others
        lower = f"the lower energy running for {plain(s.protocol.energy.step_interval.value)} h"
        return (f"{_joined([lower, *words, 'all three firm and recent then'])} → a step up from there is looked at",)
    words += others
    if not words:
        return ()
    outcome = _try(s, labs, when) if not others else None
    if outcome is not None and outcome.code in _UP:
        verb = "start at" if outcome.code is AdviceCode.START else "go up to"
        return (f"{_joined(words)} → {verb} {energy_words(outcome.sized)}",)
    return (f"{_joined(words)} → this is looked at again",)


def _settled_at(s: Situation) -> tuple[datetime, ...]:
    """From when on a draw can show that a fast fall is over: before, it would be compared with the same level."""
    window = span(s.protocol.fall.fast_window.value, "h")
    drops = [f.drop.reference.collected for f in s.falls if f.drop is not None]
    return (s.now, *(d + window + _LATER for d in drops if d is not None))


def _joined(words: list[str]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]


def _other_needs(s: Situation) -> list[str]:
    """What is missing besides draws and time."""
    needs = []
    if s.picture.incomplete:
        needs.append("a complete read of the chart")
    undated = [
        r.analyte
        for r in s.readings
        if any(a.code == "undated" and a.blocks and a.result.reported is None for a in r.evidence.unsettled)
    ]
    if undated:
        needs.append(f"a collection time for the undated {names(undated)}")
    if s.goal.kcal is None and s.body.dosing_kg is not None:
        needs.append("an energy goal that can be used")
    if s.body.dosing_kg is None and (s.goal.kcal is None or not s.course.feeding or s.course.day == 1):
        needs.append("a firm, recent weight")
    if s.course.energy_problems:
        needs.append("orders whose energy can be summed")
    if s.course.paused_since is not None:
        needs.append("the feed running again")
    if s.course.lagging(s.protocol) is not None:
        needs.append(f"delivered energy at {plain(s.protocol.energy.delivery_shortfall.value)} % of ordered or more")
    if s.course.exceeding(s.protocol) is not None:
        needs.append(f"documented energy at {plain(s.protocol.energy.delivery_excess.value)} % of ordered or less")
    if s.course.feeding and organ_dysfunction(s):
        needs.append("the flag of organ dysfunction lifted")
    for reading in s.readings:
        lacking, _ = draws_to_settle(reading.evidence, s.course, s.protocol)
        if s.course.feeding and lacking:
            draws = "one more draw" if lacking == 1 else f"{lacking} more draws"
            needs.append(f"{reading.analyte.value} without danger in {draws}")
    if not s.course.feeding and not needs and s.allowance_kcal is not None:
        if s.course.other_kcal is not None and s.course.other_kcal >= s.allowance_kcal:
            needs.append("less energy from drugs and fluids")
        elif s.vehicle is None:
            needs.append("a planned order whose energy can be summed")
    return needs


def _lab_needs(s: Situation, when: datetime) -> list[tuple[Reading, Decimal]]:
    """The analytes that need a new draw by `when`, with the level each must reach, mmol/L."""
    needs = []
    for reading in s.readings:
        fall = s.fall(reading.analyte)
        stale_then = reading.fresh_until is None or reading.fresh_until < when
        if reading.may_advance and not stale_then and not (fall and fall.holds):
            continue
        needs.append((reading, _threshold(s, reading, when)))
    return needs


def _like(s: Situation, reading: Reading) -> LabResult | None:
    """The result that the next one would be compared with: of the same matrix and laboratory range."""
    fall = s.fall(reading.analyte)
    if fall is not None and fall.holds:
        return fall.current
    return reading.evidence.danger_result or reading.evidence.telling


def _threshold(s: Situation, reading: Reading, when: datetime) -> Decimal:
    """The lowest level, to the places reported, that is in range and not a fall that holds."""
    like = _like(s, reading)
    low = limits_of(like, s.protocol)[0] if like else s.protocol.analytes.of(reading.analyte).low.value
    matrix = like.matrix if like else Matrix.SERUM_PLASMA
    reference = reference_for(reading.evidence, s.course, s.protocol, matrix=matrix, when=when + _LATER)
    place = _PLACES[reading.analyte]
    rule = s.protocol.fall
    recent = just_before(reading.evidence, s.course, s.protocol, matrix=matrix, when=when + _LATER)
    bounds = [(reference, rule.hold.value), *((r, rule.fast.value) for r in recent)]
    for result, share in bounds:
        if result is not None and result.level is not None and result.level.low is not None:
            holds_at = result.level.low * (1 - share / 100)
            if low <= holds_at:
                # A fall of exactly the holding share holds, so the level must be above it.
                low = holds_at.quantize(place, rounding=ROUND_FLOOR) + place
    fall = s.fall(reading.analyte)
    if fall is not None and fall.drop is not None and fall.drop.current.level is not None:
        low = max(low, fall.drop.current.level.high or low)  # one that fell further has not settled
    return low.quantize(place, rounding=ROUND_CEILING)


def _lab_words(s: Situation, reading: Reading, threshold: Decimal, when: datetime) -> str:
    limits = s.protocol.analytes.of(reading.analyte)
    if reading.evidence.danger is Band.CRITICAL_HIGH and limits.critical_high is not None:
        bound = f"< {plain(limits.critical_high.value, _PLACES[reading.analyte])}"
    else:
        bound = f"≥ {format(threshold, 'f')}"
        if limits.critical_high is not None:
            bound += f" and < {plain(limits.critical_high.value, _PLACES[reading.analyte])}"
    like = _like(s, reading)
    last = reading.evidence.last
    known = (last.collected if last else None, like.latest if like else None)
    doubtful = (a.result.latest or a.result.reported for a in reading.evidence.unsettled)
    # Not so early that it would be stale again at a step to come. Of a step due now, nothing that moves with the clock.
    then = when - s.max_age if when > s.now else None
    doses = [d for d in s.picture.replacements if reading.analyte in d.analytes and d.given <= s.now]
    spread = (recheck_due(d, reading.analyte, s.protocol) for d in doses)
    instants = [i for i in (*known, *doubtful, then, *spread) if i is not None]
    after = f" after {at(max(instants), s.picture.zone)}" if instants else ""
    kinds = {r.matrix for d in reading.evidence.draws for r in d.results}
    matrix = f" of {like.matrix.value}" if like is not None and kinds - {Matrix.SERUM_PLASMA} else ""
    return f"{reading.analyte.value} {bound} mmol/L in a firm draw{matrix}{after}"


def _try(s: Situation, labs: list[tuple[Reading, Decimal]], when: datetime) -> Decision | None:
    """Ask the table again with the new draws in the picture."""
    new = tuple(
        LabResult(
            analyte=reading.analyte,
            level=Level.exact(threshold),
            written=f"{format(threshold, 'f')} mmol/L",
            collected=when,
            source="",
            matrix=like.matrix if like else Matrix.SERUM_PLASMA,
            range_low=like.range_low if like else None,
            range_high=like.range_high if like else None,
        )
        for reading, threshold in labs
        for like in (_like(s, reading),)
    )
    return decide(take_in(replace(s.picture, results=(*s.picture.results, *new)), s.protocol, when))
