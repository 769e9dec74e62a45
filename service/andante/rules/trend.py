"""How levels move: percent fall from the baseline, and lows that are difficult to correct."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from decimal import Decimal
from enum import IntEnum

from andante.domain.picture import LabResult, Matrix, ReplacementDose
from andante.domain.protocol import Protocol
from andante.domain.quantities import Analyte
from andante.rules.course import Course
from andante.rules.evidence import Draw, Evidence
from andante.rules.phrases import percent_of, span


class Grade(IntEnum):
    """Severity of a fall, as the protocol bands it."""

    NONE = 0
    MILD = 1
    MODERATE = 2
    SEVERE = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Drop:
    """A fall from one draw to a later one close after it, as fast as the protocol holds for."""

    percent: Decimal
    reference: LabResult
    current: LabResult


@dataclass(frozen=True, slots=True, kw_only=True)
class Fall:
    """The fall of one analyte inside the protocol's window after an exposure. `percent` is never negative.

    `holds`: far enough, or fast enough (`drop`), to hold even inside the range.
    """

    analyte: Analyte
    percent: Decimal
    grade: Grade
    holds: bool
    reference: LabResult
    current: LabResult
    drop: Drop | None
    since: datetime  # of a severe fall, the first of the consecutive draws that showed it; else the draw itself


@dataclass(frozen=True, slots=True, kw_only=True)
class LowRun:
    """Consecutive low firm draws of one analyte up to the last one, and the replacement documented since."""

    analyte: Analyte
    draws: tuple[Draw, ...]
    doses: tuple[ReplacementDose, ...]
    is_refractory: bool

    @property
    def since(self) -> datetime:
        return self.draws[0].collected


def fall_of(evidence: Evidence, course: Course, protocol: Protocol, now: datetime) -> Fall | None:
    """The largest fall now, from the highest of the baseline and any firm level since; None where not defined.

    Measured to every result that may show the present level: the last firm one of each matrix, since a blood gas does
    not undo what serum showed, and set-aside ones that are not older.
    """
    current = _current(evidence)
    found = [f for c in current if (f := _fall_to(c, evidence, course, protocol, now)) is not None]
    drops = [d for c in current if (d := _drop_to(c, evidence, course, protocol, now)) is not None]
    fastest = max(drops, key=lambda d: (d.percent, d.current.source), default=None)
    if found:
        furthest = max(found, key=lambda f: (f.percent, f.current.source))
        return furthest if fastest is None else replace(furthest, holds=True, drop=fastest)
    return _only_fast(evidence.analyte, fastest, protocol, now) if fastest is not None else None


def _fall_to(current: LabResult, evidence: Evidence, course: Course, protocol: Protocol, now: datetime) -> Fall | None:
    # As with every danger, the newest instant that the collection time can mean.
    when = min(current.latest or now, now)
    found = _fall_at(current, evidence, course, protocol, when=when)
    if found is None:
        return None
    percent, reference = found
    grade = grade_of(percent, protocol)
    if current.collected is None or current.collected > when:
        grade = min(grade, Grade.MODERATE)  # not placed in time: it may hold, but nobody is called for it
    since = when
    for draw in reversed(evidence.draws) if grade is Grade.SEVERE else ():
        levels = [r for r in draw.results if r.matrix is current.matrix]
        if not levels or draw.collected >= when:
            continue
        lowest = min(levels, key=lambda r: (_upper(r) or Decimal(0), r.source))
        earlier = _fall_at(lowest, evidence, course, protocol, when=draw.collected)
        if earlier is None or grade_of(earlier[0], protocol) < grade:
            break
        since = draw.collected
    return Fall(
        analyte=evidence.analyte,
        percent=percent,
        grade=grade,
        holds=percent >= protocol.fall.hold.value,
        reference=reference,
        current=current,
        drop=None,
        since=since,
    )


def _drop_to(current: LabResult, evidence: Evidence, course: Course, protocol: Protocol, now: datetime) -> Drop | None:
    """The largest fall to `current` from a draw shortly before it that holds for its speed."""
    when, to = min(current.latest or now, now), _upper(current)
    recent = just_before(evidence, course, protocol, matrix=current.matrix, when=when)
    if to is None or not recent:
        return None
    highest = max(recent, key=lambda r: (_lower(r), r.source))
    percent = percent_of(_lower(highest) - to, _lower(highest))
    if percent < protocol.fall.fast.value:
        return None
    return Drop(percent=percent, reference=highest, current=current)


def _only_fast(analyte: Analyte, drop: Drop, protocol: Protocol, now: datetime) -> Fall:
    """A fast fall outside the window after an exposure: it holds, but is no severe fall by the published definition."""
    return Fall(
        analyte=analyte,
        percent=drop.percent,
        grade=min(grade_of(drop.percent, protocol), Grade.MODERATE),
        holds=True,
        reference=drop.reference,
        current=drop.current,
        drop=drop,
        since=min(drop.current.latest or now, now),
    )


def grade_of(percent: Decimal, protocol: Protocol) -> Grade:
    if percent > protocol.fall.severe.value:
        return Grade.SEVERE
    if percent >= protocol.fall.moderate.value:
        return Grade.MODERATE
    if percent >= protocol.fall.mild.value:
        return Grade.MILD
    return Grade.NONE


def _current(evidence: Evidence) -> list[LabResult]:
    found = list(evidence.credible)
    for matrix in Matrix:
        of_matrix = [r for d in evidence.draws for r in d.results if r.matrix is matrix]
        found += [r for r in of_matrix if r.collected == of_matrix[-1].collected]
    return list(dict.fromkeys(found))


def _upper(result: LabResult) -> Decimal | None:
    return result.level.high if result.level else None


def _fall_at(
    current: LabResult, evidence: Evidence, course: Course, protocol: Protocol, *, when: datetime
) -> tuple[Decimal, LabResult] | None:
    to = _upper(current)
    if to is None:
        return None
    reference = reference_for(evidence, course, protocol, matrix=current.matrix, when=when)
    if reference is None:
        return None
    return max(Decimal(0), percent_of(_lower(reference) - to, _lower(reference))), reference


def reference_for(
    evidence: Evidence, course: Course, protocol: Protocol, *, matrix: Matrix, when: datetime
) -> LabResult | None:
    """The level a draw at `when` is compared with: the highest of the baseline and any firm level since.

    None where no exposure's window covers the draw, or nothing comparable was drawn.
    """
    references = references_for(evidence, course, protocol, matrix=matrix, when=when)
    return max(references, key=lambda r: (_lower(r), r.source)) if references else None


def references_for(
    evidence: Evidence, course: Course, protocol: Protocol, *, matrix: Matrix, when: datetime
) -> list[LabResult]:
    """The comparable levels before a draw at `when`: the baseline of each exposure, and all since."""
    window = span(protocol.fall.window.value, "d")
    oldest = span(protocol.evidence.lookback.value, "d")
    references: list[LabResult] = []
    for exposure in course.exposures:
        if not exposure.at < when <= exposure.at + window:
            continue
        comparable = [
            r
            for draw in evidence.draws
            for r in draw.results
            # A serum level and a whole-blood level differ by method: no fall is taken across the two.
            if r.matrix is matrix and draw.collected < when and _lower(r) > 0
        ]
        before = [r for r in comparable if r.collected and timedelta(0) <= exposure.at - r.collected <= oldest]
        if before:
            newest = max(r.collected for r in before if r.collected)
            references += [r for r in before if r.collected == newest]
        references += [r for r in comparable if r.collected and exposure.at < r.collected]
    return references


def just_before(
    evidence: Evidence, course: Course, protocol: Protocol, *, matrix: Matrix, when: datetime
) -> list[LabResult]:
    """The comparable levels from which a fall to a draw at `when` may be a fast one: of the hours before it, while fed.

    However long ago the course began: a level that drops that fast is going somewhere.
    """
    if course.started is None or when <= course.started:
        return []
    window = span(protocol.fall.fast_window.value, "h")
    return [
        r
        for draw in evidence.draws
        for r in draw.results
        if r.matrix is matrix and _lower(r) > 0 and timedelta(0) < when - draw.collected <= window
    ]


def _lower(result: LabResult) -> Decimal:
    return result.level.low if result.level and result.level.low is not None else Decimal(0)


def low_run(
    evidence: Evidence, replacements: tuple[ReplacementDose, ...], protocol: Protocol, now: datetime
) -> LowRun | None:
    """The present run of low draws, judged against the protocol's "difficult to correct"."""
    draws = consecutive(evidence, lambda d: d.band.is_low)
    if not draws:
        return None
    # A dose given after the last draw has not been answered yet: it says nothing about correction.
    first, last = draws[0].collected, min(draws[-1].collected, now)
    doses = tuple(r for r in replacements if evidence.analyte in r.analytes and first <= r.given < last)
    rule = protocol.refractory
    long = len(draws) >= rule.draws.value and draws[-1].collected - draws[0].collected >= span(rule.span.value, "h")
    falling = len(draws) > 1 and draws[-1].value < draws[-2].value
    return LowRun(
        analyte=evidence.analyte,
        draws=draws,
        doses=doses,
        is_refractory=len(doses) >= rule.doses.value and (long or falling),
    )


def draws_to_settle(evidence: Evidence, course: Course, protocol: Protocol) -> tuple[int, Draw | None]:
    """How many more draws without danger are wanted before a step, after a critical level or a severe fall.

    With the last dangerous draw of this course; (0, None) where there was none.
    """
    # No level at or above this can be a severe fall from anything drawn: asking in full is slow on a long chart.
    peak = max((_lower(r) for draw in evidence.draws for r in draw.results), default=Decimal(0))
    severe_below = peak * (1 - protocol.fall.severe.value / 100)
    calm, running = 0, True
    for draw in reversed(evidence.draws):
        if course.started is None or draw.collected <= course.started:
            break
        suspect = draw.value < severe_below
        fall = _fall_at(draw.lowest, evidence, course, protocol, when=draw.collected) if suspect else None
        severe = fall is not None and grade_of(fall[0], protocol) is Grade.SEVERE
        if draw.band.is_critical or severe:
            return max(0, int(protocol.response.settle_draws.value) - calm), draw
        running = running and not draw.band.is_low
        calm += running
        if calm >= protocol.response.settle_draws.value:
            break
    return 0, None


def consecutive(evidence: Evidence, wanted: Callable[[Draw], bool]) -> tuple[Draw, ...]:
    """The unbroken run of draws up to the last one that are as wanted, oldest first."""
    run: list[Draw] = []
    for draw in reversed(evidence.draws):
        if not wanted(draw):
            break
        run.append(draw)
    return tuple(reversed(run))
