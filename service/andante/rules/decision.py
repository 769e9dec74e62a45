"""What a rule of the decision table answers, and the energy it may advise."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal

from andante.domain.advice import AdviceCode, AnalyteState, Fact, Priority, Tell
from andante.domain.picture import LabResult
from andante.domain.protocol import Number, Switch
from andante.domain.quantities import Analyte
from andante.rules.evidence import Band, Reading
from andante.rules.phrases import at, kcal, level, names, plain, sentence, span
from andante.rules.situation import Situation
from andante.rules.sizing import Sized, describe, size

_TENTH = Decimal("0.1")


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """`because[0]` is the sentence of the rule. `analytes` are those the decision rests on."""

    code: AdviceCode
    rule: str
    headline: str
    because: tuple[str, ...]
    sized: Sized | None = None
    facts: tuple[Fact, ...] = ()
    cites: tuple[Number | Switch, ...] = ()
    analytes: tuple[Analyte, ...] = ()
    valid_until: datetime | None = None
    priority: Priority = Priority.ROUTINE
    tell: Tell = Tell.DIETITIAN


def keep_present(s: Situation) -> Sized | None:
    """The present energy, brought down to the goal, or on the first day to the allowance, where it is above."""
    present = s.course.present_kcal
    if present is None:
        return None
    limits = [s.goal.kcal]
    if s.course.day == 1:
        limits.append(s.allowance_kcal)
    limit = min((v for v in limits if v is not None), default=None)
    if limit is not None and present > limit:
        sized = bring_down(s, limit)
        return replace(sized, said=(f"brought down from {kcal(present)}, which is above {kcal(limit)}", *sized.said))
    if s.vehicle is not None:
        amount = s.vehicle.bolus if s.vehicle.boluses else s.vehicle.rate
        if amount is not None:
            return replace(describe(amount, s.vehicle), kcal=present)
    return Sized(kcal=present)


def bring_down(s: Situation, target: Decimal) -> Sized:
    """At most `target` kcal/day. What drugs and fluids bring is not the feed's to lower, so it stays."""
    floor = max(target, s.course.other_kcal or Decimal(0))
    vehicle = s.vehicle
    if vehicle is None:
        return Sized(kcal=floor)
    if vehicle.fixed_kcal > floor:
        return Sized(kcal=floor, said=("several feeds together; stopping one of them is not enough",))
    return size(target, vehicle, s.protocol) or describe(Decimal(0), vehicle)


def cut(s: Situation, answer: str, since: datetime) -> tuple[Sized | None, bool]:
    """The energy after a cut (`halve`), a stop or a hold, and whether it was already cut since the trouble began.

    Cutting again at every round would starve the patient: once the energy has come down by the protocol's share
    since `since`, it is kept.
    """
    present = s.course.present_kcal
    if present is None or answer == "hold":
        return keep_present(s), False
    share = s.protocol.energy.cut.value / 100
    peak = _peak_since(s, since)
    feed = present - (s.course.other_kcal or Decimal(0))
    if answer == "halve" and peak is not None and feed <= peak * (1 - share):
        return keep_present(s), True
    target = Decimal(0) if answer == "stop" else present * (1 - share)
    limits = [target, s.goal.kcal, s.allowance_kcal if s.course.day == 1 else None]
    return bring_down(s, min(v for v in limits if v is not None)), False


def _peak_since(s: Situation, since: datetime) -> Decimal | None:
    """The highest nutrition known to be in force from `since` on: more can only have been cut by more."""
    history = s.course.history
    ends = [*(h.start for h in history[1:]), s.now]
    known = [h.kcal for h, until in zip(history, ends, strict=True) if until > since and h.kcal is not None]
    return max(known, default=None)


def energy_words(sized: Sized | None) -> str:
    """`40 mL/h (960 kcal/day)`, as far as known; feed and other energy apart where both bring some."""
    if sized is None:
        return "the present energy (not known in kcal)"
    amount = kcal(sized.kcal)
    if sized.feed_kcal is not None and sized.kcal - sized.feed_kcal >= 1:
        amount = f"{plain(sized.feed_kcal)} kcal + {plain(sized.kcal - sized.feed_kcal)} from elsewhere = {amount}"
    if sized.rate_ml_h is not None:
        return f"{plain(sized.rate_ml_h, _TENTH)} mL/h ({amount})"
    if sized.bolus_ml is not None:
        return f"{plain(sized.bolus_ml)} mL per bolus ({amount})"
    return amount


def rate_words(s: Situation) -> str:
    """What runs now, for `from … to …`: `25`, or empty where it is not one rate or bolus."""
    vehicle = s.vehicle
    if vehicle is None or not s.course.feeding:
        return ""
    amount = vehicle.bolus if vehicle.boluses else vehicle.rate
    return plain(amount, _TENTH) if amount is not None else ""


def figure_words(s: Situation, sized: Sized | None) -> tuple[str, ...]:
    """The advised energy per kg, and the volume of a day."""
    if sized is None or s.body.dosing_kg is None or sized.kcal <= 0:
        return ()
    words = f"{kcal(sized.kcal)} is {plain(sized.kcal / s.body.dosing_kg, _TENTH)} kcal/kg"
    if sized.ml_day is not None:
        words += f"; the feed is {plain(sized.ml_day)} mL a day"
    return (words + ".",)


def keep_words(s: Situation, sized: Sized | None) -> str:
    """`Hold at 25 mL/h …`, or what it must come down to where more than that runs."""
    present = s.course.present_kcal
    if s.course.paused_since is not None:
        return f"The feed is off; when it resumes, at most {energy_words(sized)}"
    if sized is not None and present is not None and sized.kcal < present:
        now = rate_words(s)
        return f"Bring down {f'from {now} ' if now else ''}to {energy_words(sized)}"
    return f"Hold at {energy_words(sized)}"


def level_words(s: Situation, reading: Reading) -> str:
    """`phosphate 0.52 mmol/L, low (drawn Tue 5 Mar 05:00)`."""
    result = reading.evidence.danger_result or reading.shown
    if result is None or result.level is None or result.level.value is None:
        return f"{reading.analyte.value} {reading.state.value}"
    written = level(reading.analyte, result.level.value)
    written = f"{result.level.comparator}{written}"
    band = reading.evidence.danger
    word = {
        Band.CRITICAL_LOW: "critically low",
        Band.LOW: "low",
        Band.CRITICAL_HIGH: "critically high",
        Band.HIGH: "high",
    }.get(band, reading.state.value.replace("-", " "))
    firm = "" if any(result in d.results for d in reading.evidence.draws) else ", not firm"
    return f"{reading.analyte.value} {written}, {word}{firm} ({drawn_words(s, result)})"


def recheck_words(s: Situation) -> tuple[str, ...]:
    """What was drawn too soon after a replacement dose, and from when on a draw tells."""
    words = []
    for reading in s.readings:
        newest = [a.result for a in reading.evidence.unsettled if a.code == "after-replacement"]
        if newest:
            written = max(newest, key=lambda r: (r.collected.timestamp() if r.collected else 0.0, r.source)).written
            words.append(
                f"{sentence(reading.analyte.value)} {written} was drawn too soon after a replacement dose to be firm; "
                f"a draw from {at(s.due[reading.analyte], s.picture.zone)} on tells."
            )
    return tuple(words)


def drawn_words(s: Situation, result: LabResult) -> str:
    """`drawn Tue 5 Mar 05:00`; a date without a time is not given one."""
    if result.collected is None:
        return "collection time not stated"
    if result.collected_latest is not None and result.collected_latest > result.collected:
        first, last = at(result.collected, s.picture.zone), at(result.collected_latest, s.picture.zone)
        return f"drawn between {first} and {last}"
    return f"drawn {at(result.collected, s.picture.zone)}"


def lab_fact(reading: Reading) -> Fact | None:
    result = reading.evidence.danger_result or reading.shown
    if result is None:
        return None
    return Fact(
        label=reading.analyte.value,
        value=f"{result.written} ({reading.state.value})",
        when=result.collected,
        source=result.source,
    )


def lab_facts(readings: Iterable[Reading]) -> tuple[Fact, ...]:
    return tuple(f for f in (lab_fact(r) for r in readings) if f is not None)


def order_facts(s: Situation) -> tuple[Fact, ...]:
    return tuple(
        Fact(label=o.kind.value, value=o.state.value, when=o.ordered, source=o.source)
        for o in (*s.course.running, *s.course.others)
    )


_LACK = {
    AnalyteState.MISSING: "no result",
    AnalyteState.STALE: "no recent result",
    AnalyteState.UNREADABLE: "a result that cannot be used",
    AnalyteState.PROVISIONAL: "no firm result",
}


def gap_words(s: Situation, readings: list[Reading]) -> str:
    """What is wrong with each, for example `phosphate: no recent result (last drawn Mon 4 Mar 05:00)`."""
    parts = []
    for reading in readings:
        words = f"{reading.analyte.value}: {_LACK.get(reading.state, reading.state.value)}"
        blocking = [a for a in reading.evidence.unsettled if a.result is reading.shown]
        if blocking:
            words += f" ({blocking[0].result.written or 'no value'}: {blocking[0].text})"
        elif reading.shown is not None and reading.shown.collected is not None:
            words += f" (last drawn {at(reading.shown.collected, s.picture.zone)})"
        parts.append(words)
    return "; ".join(parts)


def gap_head(readings: list[Reading]) -> str:
    """The same for a headline: `no recent result of phosphate, no firm result of magnesium`."""
    kinds = dict.fromkeys(r.state for r in readings)
    return ", ".join(
        f"{_LACK.get(kind, kind.value)} of {names(r.analyte for r in readings if r.state is kind)}" for kind in kinds
    )


def draw_words(readings: list[Reading]) -> str:
    return f"a firm draw of {names(r.analyte for r in readings)} is needed"


def until_next_look(s: Situation) -> datetime:
    """The end of the present monitoring block: an instant that does not move with every round."""
    upcoming = [d for d in s.due.values() if d > s.now]
    if upcoming:
        return min(upcoming)
    anchor = s.course.started or s.now.astimezone(s.picture.zone).replace(hour=0, minute=0, second=0, microsecond=0)
    block = span(s.protocol.monitoring.early_interval.value, "h")
    return anchor + block * ((s.now - anchor) // block + 1)


def soonest(*instants: datetime | None) -> datetime | None:
    return min((i for i in instants if i is not None), default=None)
