"""How levels move: percent fall from the baseline, and lows that are difficult to correct."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from enum import IntEnum

from andante.domain.picture import LabResult, Matrix, ReplacementDose
from andante.domain.protocol import Protocol
from andante.domain.quantities import Analyte
from andante.rules.course import Course
from andante.rules.evidence import Draw, Evidence
from andante.rules.phrases import span


class Grade(IntEnum):
    """Severity of a fall, as the protocol bands it."""

    NONE = 0
    MILD = 1
    MODERATE = 2
    SEVERE = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Fall:
    """The fall of one analyte inside the protocol's window after an exposure. `percent` is never negative."""

    analyte: Analyte
    percent: Decimal
    grade: Grade
    holds: bool
    reference: LabResult
    current: LabResult
    since: datetime  # first of the consecutive draws that already showed this grade


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


def fall_of(evidence: Evidence, course: Course, protocol: Protocol) -> Fall | None:
    """The fall now, from the highest of the baseline and any firm level since; None where it is not defined."""
    current = _current(evidence)
    if current is None or current.collected is None:
        return None
    found = _fall_at(current, evidence, course, protocol)
    if found is None:
        return None
    percent, reference = found
    grade = grade_of(percent, protocol)
    since = current.collected
    for draw in reversed(evidence.draws):
        earlier = _fall_at(draw.lowest, evidence, course, protocol)
        if earlier is None or grade_of(earlier[0], protocol) < grade:
            if draw.collected < current.collected:
                break
            continue
        since = min(since, draw.collected)
    return Fall(
        analyte=evidence.analyte,
        percent=percent,
        grade=grade,
        holds=percent >= protocol.fall.hold.value,
        reference=reference,
        current=current,
        since=since,
    )


def grade_of(percent: Decimal, protocol: Protocol) -> Grade:
    if percent > protocol.fall.severe.value:
        return Grade.SEVERE
    if percent >= protocol.fall.moderate.value:
        return Grade.MODERATE
    if percent >= protocol.fall.mild.value:
        return Grade.MILD
    return Grade.NONE


def _current(evidence: Evidence) -> LabResult | None:
    """The result the fall is measured to: the last firm one, or a lower provisional one that is not older."""
    candidates = [a.result for a in evidence.unsettled if a.code == "provisional" and a.result.collected is not None]
    if evidence.last is not None:
        candidates.append(evidence.last.lowest)
    readable = [c for c in candidates if c.level is not None and _upper(c) is not None]
    return min(readable, key=lambda c: (_upper(c) or Decimal(0), c.source)) if readable else None


def _upper(result: LabResult) -> Decimal | None:
    return result.level.high if result.level else None


def _fall_at(
    current: LabResult, evidence: Evidence, course: Course, protocol: Protocol
) -> tuple[Decimal, LabResult] | None:
    to, when = _upper(current), current.collected
    if to is None or when is None:
        return None
    reference = reference_for(evidence, course, protocol, matrix=current.matrix, when=when)
    if reference is None:
        return None
    return max(Decimal(0), (_lower(reference) - to) / _lower(reference) * 100), reference


def reference_for(
    evidence: Evidence, course: Course, protocol: Protocol, *, matrix: Matrix, when: datetime
) -> LabResult | None:
    """The level a draw at `when` is compared with: the highest of the baseline and any firm level since.

    None where no exposure's window covers the draw, or nothing comparable was drawn.
    """
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
        before = [r for r in comparable if r.collected and exposure.at - oldest <= r.collected <= exposure.at]
        if before:
            newest = max(r.collected for r in before if r.collected)
            references += [r for r in before if r.collected == newest]
        references += [r for r in comparable if r.collected and exposure.at < r.collected]
    return max(references, key=lambda r: (_lower(r), r.source)) if references else None


def _lower(result: LabResult) -> Decimal:
    return result.level.low if result.level and result.level.low is not None else Decimal(0)


def low_run(
    evidence: Evidence, replacements: tuple[ReplacementDose, ...], protocol: Protocol, now: datetime
) -> LowRun | None:
    """The present run of low draws, judged against the protocol's "difficult to correct"."""
    draws = consecutive(evidence, lambda d: d.band.is_low)
    if not draws:
        return None
    doses = tuple(r for r in replacements if evidence.analyte in r.analytes and draws[0].collected <= r.given <= now)
    rule = protocol.refractory
    long = len(draws) >= rule.draws.value and draws[-1].collected - draws[0].collected >= span(rule.span.value, "h")
    falling = len(draws) > 1 and draws[-1].value < draws[-2].value
    return LowRun(
        analyte=evidence.analyte,
        draws=draws,
        doses=doses,
        is_refractory=len(doses) >= rule.doses.value and (long or falling),
    )


def consecutive(evidence: Evidence, wanted: Callable[[Draw], bool]) -> tuple[Draw, ...]:
    """The unbroken run of draws up to the last one that are as wanted, oldest first."""
    run: list[Draw] = []
    for draw in reversed(evidence.draws):
        if not wanted(draw):
            break
        run.append(draw)
    return tuple(reversed(run))
