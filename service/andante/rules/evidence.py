"""Which results count: firm, fresh, plausible, in or out of range. Nothing that is set aside disappears.

The direction of error is chosen so that a doubt can hold and never advance: a result counts as a danger by the
newest instant its collection time can mean, and as evidence for feeding by the oldest.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

from andante.domain.advice import AnalyteState
from andante.domain.picture import Firmness, LabResult, Picture, ReplacementDose
from andante.domain.protocol import Protocol
from andante.domain.quantities import Analyte
from andante.rules.bands import WORST_FIRST, Band, band_of, is_implausible, worst
from andante.rules.phrases import span

# Set aside as evidence for feeding, still a sign of danger.
_CREDIBLE = ("provisional", "future", "undated", "specimen", "unproven", "after-replacement")
# What they show may yet be true, so the value is shown; it is not evidence for feeding.
_DOUBTFUL = ("specimen", "after-replacement")


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAside:
    """A result that was not used as firm evidence, and why. `blocks` says whether it stops advancing."""

    result: LabResult
    code: str
    text: str
    blocks: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Draw:
    """The firm results of one analyte in one blood collection. `value` is the lowest of them.

    `band` is the worst of their bands and `telling` the result that shows it: of 4.0 and 5.6, the 5.6 is the high one.
    """

    collected: datetime
    results: tuple[LabResult, ...]
    band: Band
    lowest: LabResult
    telling: LabResult

    @property
    def value(self) -> Decimal:
        value = self.lowest.level.value if self.lowest.level else None
        if value is None:
            raise ValueError("a firm draw has a level")
        return value


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """All results of one analyte, sorted out. `draws` oldest first."""

    analyte: Analyte
    draws: tuple[Draw, ...]
    set_aside: tuple[SetAside, ...]
    unsettled: tuple[SetAside, ...]  # not older than the last firm draw: they may hold
    newest: tuple[LabResult, ...]  # firm results that may be the last: a date without a time can mean its evening
    band: Band | None  # the worst of theirs
    telling: LabResult | None  # the one that shows it
    danger: Band  # worst credible band now: firm or provisional, fresh or not
    danger_result: LabResult | None

    @property
    def last(self) -> Draw | None:
        return self.draws[-1] if self.draws else None

    def last_drawn(self, now: datetime) -> datetime | None:
        """When a result of it, usable or not, was last drawn."""
        times = [d.collected for d in self.draws]
        times += [a.result.collected for a in self.set_aside if a.result.collected and a.result.collected <= now]
        return max(times, default=None)

    @property
    def credible(self) -> tuple[LabResult, ...]:
        """What may show where the level is now: the newest firm results, and set-aside ones that may still be true."""
        return (*self.newest, *(a.result for a in self.unsettled if a.code in _CREDIBLE))


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """Where one analyte stands now."""

    evidence: Evidence
    state: AnalyteState
    shown: LabResult | None  # the result the state is about
    fresh_until: datetime | None  # when the last firm draw stops being fresh enough to advance on

    @property
    def analyte(self) -> Analyte:
        return self.evidence.analyte

    @property
    def may_advance(self) -> bool:
        """Firm, fresh, undisputed and not low. Critical highs never."""
        return (
            self.state in (AnalyteState.IN_RANGE, AnalyteState.HIGH)
            and not self.evidence.danger.is_low
            and not self.evidence.danger.is_critical
        )

    @property
    def awaits_recheck(self) -> bool:
        """Nothing is wrong but the time of the draw: it was taken too soon after a replacement dose."""
        blocking = [a for a in self.evidence.unsettled if a.blocks]
        return bool(blocking) and all(a.code == "after-replacement" for a in blocking)

    @property
    def is_disputed(self) -> bool:
        """A result as new as the last firm one cannot be used: it may hide something worse."""
        return any(a.blocks for a in self.evidence.unsettled)

    @property
    def lacks_evidence(self) -> bool:
        return self.state in (
            AnalyteState.MISSING,
            AnalyteState.STALE,
            AnalyteState.UNREADABLE,
            AnalyteState.PROVISIONAL,
        )


def sort_out(picture: Picture, protocol: Protocol, analyte: Analyte, now: datetime) -> Evidence:
    """Apply the evidence rules to every result of one analyte."""
    skew = span(protocol.evidence.future_skew.value, "min")
    oldest = now - span(protocol.evidence.lookback.value, "d")
    firm: list[LabResult] = []
    aside: list[SetAside] = []
    for result in picture.results:
        if result.analyte is analyte:
            reason = _why_not_firm(result, protocol, now, skew) or _too_soon(result, picture, protocol)
            if reason is None:
                firm.append(result)
            else:
                code, text = reason
                aside.append(SetAside(result=result, code=code, text=text, blocks=_blocks(result, code, protocol)))
    draws = _group(firm, protocol)
    recent = [draw for draw in draws if draw.collected >= oldest]
    last = recent[-1].collected if recent else None
    unsettled = tuple(a for a in aside if _may_be_newer(a.result, last, oldest))
    newest = tuple(
        r for d in recent for r in d.results if last is not None and r.latest is not None and r.latest >= last
    )
    firm_signs = [(band_of(r, protocol), r) for r in newest]
    band, telling = _worst_of(firm_signs)
    signs = [(_credible_band(a, protocol), a.result) for a in unsettled if a.code in _CREDIBLE]
    danger, danger_result = _worst_of([s for s in (*firm_signs, *signs) if s[0].is_low or s[0].is_critical])
    if danger is None:
        danger, danger_result = (Band.HIGH, telling) if band is Band.HIGH else (Band.IN_RANGE, None)
    return Evidence(
        analyte=analyte,
        draws=tuple(draws),
        set_aside=tuple(aside),
        unsettled=unsettled,
        newest=newest,
        band=band,
        telling=telling,
        danger=danger,
        danger_result=danger_result,
    )


def _worst_of(signs: list[tuple[Band, LabResult]]) -> tuple[Band | None, LabResult | None]:
    return min(signs, key=lambda s: _danger_key(s[0], s[1])) if signs else (None, None)


def _danger_key(band: Band, result: LabResult) -> tuple[int, Decimal, str]:
    value = result.level.value if result.level and result.level.value is not None else Decimal(0)
    return WORST_FIRST.index(band), value, result.source


def _why_not_firm(result: LabResult, protocol: Protocol, now: datetime, skew: timedelta) -> tuple[str, str] | None:
    """The reason a result is set aside, as (code, words), or None when it is firm."""
    if result.level is None:
        return "unreadable", result.problem or "the value cannot be read"
    if is_implausible(result, protocol):
        return "implausible", f"{result.written} is outside what is plausible; repeat the draw"
    if result.collected is None:
        return "undated", "it states no collection time, so it cannot be placed in time"
    if result.collected > now + skew:
        return "future", "its collection time lies in the future"
    band = band_of(result, protocol)
    if result.specimen_problem and not band.is_low:
        # Haemolysis raises potassium (and phosphate): a normal or high value may hide a low one, a low one is low.
        return (
            "specimen",
            f"the specimen is in doubt ({result.specimen_problem}): a level that is not low is not firm",
        )
    if result.firmness is not Firmness.FIRM:
        return "provisional", "the result is not final"
    if result.problem:
        return "unreadable", result.problem
    if band is Band.UNPROVEN:
        return "unproven", f"{result.written} leaves open whether the level is dangerous"
    return None


def _too_soon(result: LabResult, picture: Picture, protocol: Protocol) -> tuple[str, str] | None:
    """Why a level that is not low is not firm, if it may overstate. A low one is low whenever it was drawn."""
    if band_of(result, protocol).is_low or not may_overstate(result, picture, protocol):
        return None
    recheck = f"{protocol.analytes.of(result.analyte).recheck.value.normalize():f} h"
    if any(dose.running for dose in _not_spread(result, picture, protocol)):
        text = f"drawn during a replacement dose that is charted as running, or within {recheck} of its end"
    else:
        text = f"drawn within {recheck} of a replacement dose"
    return "after-replacement", f"{text}: not low, but not firm"


def may_overstate(result: LabResult, picture: Picture, protocol: Protocol) -> bool:
    """Whether a result may have been drawn during or just after a replacement dose, before it has spread.

    A date without a time can mean any instant of its day.
    """
    return bool(_not_spread(result, picture, protocol))


def _not_spread(result: LabResult, picture: Picture, protocol: Protocol) -> list[ReplacementDose]:
    """The doses during or just after which it may have been drawn."""
    oldest, newest = result.collected, result.latest
    if oldest is None or newest is None:
        return []
    return [
        dose
        for dose in picture.replacements
        if result.analyte in dose.analytes
        and dose.given < newest
        and oldest < recheck_due(dose, result.analyte, protocol)
    ]


def recheck_due(dose: ReplacementDose, analyte: Analyte, protocol: Protocol) -> datetime:
    """From when on a draw tells what a replacement dose has left; of one still running, at the latest."""
    return latest_end(dose, protocol) + span(protocol.analytes.of(analyte).recheck.value, "h")


def latest_end(dose: ReplacementDose, protocol: Protocol) -> datetime:
    if dose.ended is None and dose.running:
        return dose.given + span(protocol.evidence.infusion_longest.value, "h")
    return dose.ended or dose.given


def _blocks(result: LabResult, code: str, protocol: Protocol) -> bool:
    """Whether a set-aside result, if not older than the last firm draw, stops advancing.

    A provisional, undated or future result that is clearly not low says nothing against feeding; anything else may
    hide a low level.
    """
    if code in ("provisional", "undated", "future"):
        return band_of(result, protocol) not in (Band.IN_RANGE, Band.HIGH)
    return True


def _credible_band(aside: SetAside, protocol: Protocol) -> Band:
    """The danger a set-aside result still shows. A doubtful specimen's high is not believed."""
    band = band_of(aside.result, protocol)
    if aside.code == "specimen":
        return Band.IN_RANGE
    return band


def _may_be_newer(result: LabResult, last: datetime | None, oldest: datetime) -> bool:
    """Whether a set-aside result may be as new as the last firm draw. Unknown counts as yes: the safer direction."""
    newest = result.latest
    if newest is None:
        newest = result.reported
    if newest is None:
        return True
    return newest >= oldest and (last is None or newest >= last)


def _group(firm: list[LabResult], protocol: Protocol) -> list[Draw]:
    """Firm results by draw, oldest first. Results of one collection instant are one draw."""
    groups: dict[datetime, list[LabResult]] = {}
    for result in sorted(firm, key=_order):
        if result.collected is not None:
            groups.setdefault(result.collected, []).append(result)
    draws = []
    for collected, results in groups.items():
        bands = {id(r): band_of(r, protocol) for r in results}
        band = worst(bands.values())
        draws.append(
            Draw(
                collected=collected,
                results=tuple(results),
                band=band,
                lowest=min(results, key=_by_level),
                telling=min((r for r in results if bands[id(r)] is band), key=_by_level),
            )
        )
    return sorted(draws, key=lambda d: d.collected)


def _order(result: LabResult) -> tuple[float, str]:
    return (result.collected.timestamp() if result.collected else 0.0, result.source)


def _by_level(result: LabResult) -> tuple[Decimal, str]:
    value = result.level.value if result.level else None
    return (value if value is not None else Decimal(0), result.source)


def read_analyte(evidence: Evidence, *, now: datetime, max_age: timedelta, lookback: timedelta) -> Reading:
    """The state of one analyte, given how old a draw may be to count as fresh."""
    last = evidence.last
    if last is not None and last.collected < now - lookback:
        last = None
    fresh_until = last.collected + max_age if last else None
    fresh = fresh_until is not None and now <= fresh_until
    blocking = [a for a in evidence.unsettled if a.blocks]
    pending = [a for a in evidence.unsettled if a.code in ("provisional", "undated")]
    band = evidence.band

    def reading(state: AnalyteState, shown: LabResult | None) -> Reading:
        return Reading(evidence=evidence, state=state, shown=shown, fresh_until=fresh_until)

    if fresh and band is not None and (band.is_low or band.is_critical):
        return reading(AnalyteState(band.value), evidence.telling)
    low_sign = [a for a in blocking if a.code == "provisional"]
    if low_sign:
        return reading(AnalyteState.PROVISIONAL, _newest(low_sign))
    unreadable = [a for a in blocking if a.code not in _DOUBTFUL]
    if unreadable:
        return reading(AnalyteState.UNREADABLE, _newest(unreadable))
    if blocking:
        return reading(AnalyteState.PROVISIONAL, _newest(blocking))
    if fresh and band is not None:
        return reading(AnalyteState(band.value), evidence.telling)
    if pending:
        return reading(AnalyteState.PROVISIONAL, _newest(pending))
    if last:
        return reading(AnalyteState.STALE, last.lowest)
    return reading(AnalyteState.MISSING, None)


def _newest(asides: list[SetAside]) -> LabResult:
    def key(aside: SetAside) -> tuple[float, str]:
        instant = aside.result.latest or aside.result.reported
        return (instant.timestamp() if instant else float("inf"), aside.result.source)

    return max(asides, key=key).result
