"""How a situation is told: levels, gaps, falls and energies in words. Absolute times only."""

from decimal import Decimal

from andante.domain.advice import AnalyteState
from andante.domain.picture import LabResult
from andante.domain.quantities import Analyte
from andante.rules.bands import Band, band_of, limits_of
from andante.rules.evidence import Reading
from andante.rules.phrases import at, kcal, level, named_once, names, number, plain, sentence
from andante.rules.situation import Situation
from andante.rules.sizing import Sized
from andante.rules.trend import Drop, Fall, LowRun

_TENTH = Decimal("0.1")
_HOURS_OF_A_DAY = 24
_RAISED_BY_HAEMOLYSIS = (Analyte.POTASSIUM, Analyte.PHOSPHATE)
_HAEMOLYSIS = ("haemoly", "hemoly")  # in the words of the coded condition, or in the remark that is quoted


def energy_words(sized: Sized | None) -> str:
    """`40 mL/h (960 kcal/day)`, as far as known; feed and other energy apart where both bring some.

    A rate that is not meant for the whole day says for how much of it: run for longer it would be far more energy.
    """
    if sized is None:
        return "the present energy (not known in kcal)"
    amount = _amount_words(sized)
    of = f" of the {sized.of}" if sized.of else ""
    if sized.rate_ml_h is not None:
        part = sized.times is not None and sized.times < _HOURS_OF_A_DAY
        over = f" over {plain(sized.times, _TENTH)} h a day" if part and sized.times is not None else ""
        return f"{plain(sized.rate_ml_h, _TENTH)} mL/h{over}{of} ({amount})"
    if sized.bolus_ml is not None:
        count = f", {plain(sized.times, _TENTH)} a day" if sized.times is not None else ""
        return f"{plain(sized.bolus_ml)} mL per bolus{count}{of} ({amount})"
    return amount


def _amount_words(sized: Sized) -> str:
    """`960 kcal/day`; feed and other energy apart where both bring some."""
    amount = kcal(sized.kcal)
    if sized.feed_kcal is not None and sized.kcal - sized.feed_kcal >= 1:
        return f"{plain(sized.feed_kcal)} kcal + {plain(sized.kcal - sized.feed_kcal)} from elsewhere = {amount}"
    return amount


def lower_words(s: Situation, sized: Sized | None, verb: str) -> str:
    """`halve from 60 to 30 mL/h …`; that the feed stops, where nothing of it is left."""
    if sized is not None and sized.feed_kcal is not None and sized.feed_kcal <= 0:
        rest = sized.kcal - sized.feed_kcal
        if rest < 1:
            return f"stop the feed ({_amount_words(sized)})"
        kinds = dict.fromkeys(o.kind.value for o in s.course.others)
        what = f", from {' and '.join(kinds)}" if kinds else ""
        return f"stop the feed, and review the {plain(rest)} kcal/day that remain{what}"
    is_amount = sized is not None and (sized.rate_ml_h is not None or sized.bolus_ml is not None)
    now = rate_words(s) if is_amount else ""
    return f"{verb} {f'from {now} ' if now else ''}to {energy_words(sized)}"


def rate_words(s: Situation) -> str:
    """What runs now, for `from … to …`: `25`, or empty where it is not one rate or bolus.

    Empty under a cap too: what changes there is the day's volume, and `from 60 to 1470 kcal/day` would mix the two.
    """
    vehicle = s.vehicle
    if vehicle is None or vehicle.capped or not s.course.feeding:
        return ""
    amount = vehicle.bolus if vehicle.boluses else vehicle.rate
    return plain(amount, _TENTH) if amount is not None else ""


def bound_words(sized: Sized | None) -> tuple[str, ...]:
    """What rounded, bounded or brought down the energy, a sentence each."""
    return tuple(f"{sentence(words)}." for words in sized.said) if sized is not None else ()


def figure_words(s: Situation, sized: Sized | None) -> tuple[str, ...]:
    """The advised energy per kg, and the volume of a day."""
    if sized is None or s.body.dosing_kg is None or sized.kcal <= 0:
        return ()
    words = f"{kcal(sized.kcal)} is {plain(sized.kcal / s.body.dosing_kg, _TENTH)} kcal/kg"
    if sized.ml_day:
        words += f"; the feed is {plain(sized.ml_day)} mL a day"
    return (words + ".",)


def keep_words(s: Situation, sized: Sized | None) -> str:
    """`Hold at 25 mL/h …`, or what it must come down to where more than that runs."""
    if off := paused_words(s, sized):
        return off
    if lowers(s, sized):
        return sentence(lower_words(s, sized, "bring down"))
    return f"Hold at {energy_words(sized)}"


def lowers(s: Situation, sized: Sized | None) -> bool:
    """Whether it is less than what runs now. Of a feed that is off there is nothing to bring down."""
    present = s.course.present_kcal
    return s.new_start_at is None and sized is not None and present is not None and sized.kcal < present


def paused_words(s: Situation, sized: Sized | None) -> str:
    """What is said of a feed that is off: until when its old rate may still be meant. Empty while it runs.

    Of an order that was ended the rate is not known any more, and none is told.
    """
    if s.new_start_at is None:
        return ""
    most = f"at most {energy_words(sized)}" if s.course.present_kcal else "not above what ran before"
    return f"The feed is off; when it resumes before {at(s.new_start_at, s.picture.zone)}, {most}"


def level_words(s: Situation, reading: Reading) -> str:
    """`phosphate 0.52 mmol/L, low (drawn Tue 5 Mar 05:00)`."""
    result = reading.evidence.danger_result or reading.shown
    if result is None or result.level is None or result.level.value is None:
        return f"{reading.analyte.value} {reading.state.value}"
    written = f"{result.level.comparator}{clear_level(s, result, result.level.value)}"
    band = reading.evidence.danger
    word = {
        Band.CRITICAL_LOW: "critically low",
        Band.LOW: "low",
        Band.CRITICAL_HIGH: "critically high",
        Band.HIGH: "high",
    }.get(band, reading.state.value.replace("-", " "))
    firm = "" if any(result in d.results for d in reading.evidence.draws) else ", not firm"
    return f"{reading.analyte.value} {written}, {word}{firm} ({drawn_words(s, result)}{doubt_words(s, result)})"


def clear_level(s: Situation, result: LabResult, value: Decimal) -> str:
    """The level to the usual places, or to as many more as keep it on its own side of every limit: 3.46, not 3.5."""
    limits = s.protocol.analytes.of(result.analyte)
    critical = (limits.critical_low.value, *((limits.critical_high.value,) if limits.critical_high else ()))
    marks = (*limits_of(result, s.protocol)[:2], *critical)
    return level(result.analyte, value, apart_from=marks)


def doubt_words(s: Situation, result: LabResult) -> str:
    """`; haemolysed specimen: it may be lower still`: cells that burst add potassium and phosphate, so a low is lower.

    Of any other doubt about the specimen only its name.
    """
    problem = result.specimen_problem
    if problem is None:
        return ""
    raised = result.analyte in _RAISED_BY_HAEMOLYSIS and any(word in problem.casefold() for word in _HAEMOLYSIS)
    still = raised and band_of(result, s.protocol).is_low
    return f"; {problem}: it may be lower still" if still else f"; {problem}"


def recheck_words(s: Situation) -> tuple[str, ...]:
    """What was drawn too soon after a replacement dose, and from when on a draw tells."""
    words = []
    for reading in s.readings:
        newest = [a.result for a in reading.evidence.unsettled if a.code == "after-replacement"]
        if newest:
            written = max(newest, key=lambda r: (r.collected.timestamp() if r.collected else 0.0, r.source)).written
            what = f"{sentence(reading.analyte.value)} {written}"
            if any(d.running and reading.analyte in d.analytes for d in s.picture.replacements):
                recheck = s.protocol.analytes.of(reading.analyte).recheck
                words.append(
                    f"{what} was drawn while a replacement dose was charted as running: a draw from "
                    f"{number(recheck.value)} h after its end on tells."
                )
            else:
                words.append(
                    f"{what} was drawn too soon after a replacement dose to be firm; "
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


_LACK = {
    AnalyteState.MISSING: "no result",
    AnalyteState.STALE: "no recent result",
    AnalyteState.UNREADABLE: "a result that cannot be used",
    AnalyteState.PROVISIONAL: "no firm result",
}
_LACK_OF = {**_LACK, AnalyteState.UNREADABLE: "no usable result"}


def gap_words(s: Situation, readings: list[Reading]) -> str:
    """What is wrong with each, for example `phosphate: no recent result (last drawn Mon 4 Mar 05:00)`."""
    parts = []
    for reading in readings:
        words = f"{reading.analyte.value}: {_LACK.get(reading.state, reading.state.value)}"
        blocking = [a for a in reading.evidence.unsettled if a.result is reading.shown]
        if blocking:
            words += f" ({named_once(blocking[0].result.written, blocking[0].text)})"
        elif reading.shown is not None and reading.shown.collected is not None:
            words += f" (last drawn {at(reading.shown.collected, s.picture.zone)})"
        parts.append(words)
    return "; ".join(parts)


def gap_head(readings: list[Reading]) -> str:
    """The same for a headline: `no recent result of phosphate, no firm result of magnesium`."""
    kinds = dict.fromkeys(r.state for r in readings)
    return ", ".join(
        f"{_LACK_OF.get(kind, kind.value)} of {names(r.analyte for r in readings if r.state is kind)}" for kind in kinds
    )


def draw_words(readings: list[Reading]) -> str:
    return f"a firm draw of {names(r.analyte for r in readings)} is needed"


def percent_words(fall: Fall | Drop) -> str:
    """`24 %`; a tenth where rounding would put it on a whole ten; `at least` where the level is only bounded."""
    whole = plain(fall.percent)
    shown = plain(fall.percent, _TENTH) if whole.endswith(("0", "5")) else whole
    bounded = fall.current.level is not None and not fall.current.level.is_exact
    return f"{'at least ' if bounded else ''}{shown} %"


def fall_words(s: Situation, fall: Fall, *, level_told: bool = False) -> str:
    """How far it fell, from what, and how fast where that holds: the times say over how long.

    `level_told`: the level was told just before, and any doubt about its specimen with it.
    """
    words = f"{sentence(fall.analyte.value)} has fallen {percent_words(fall)} {_from_to(s, fall)}"
    drop = fall.drop
    if drop is not None and (drop.reference, drop.current) != (fall.reference, fall.current):
        words += f", part of it fast: {percent_words(drop)} {_from_to(s, drop)}"
    elif drop is not None:
        words += ", fast"
    _, high, _ = limits_of(fall.reference, s.protocol)
    if fall.reference.level is not None and fall.reference.level.surely_above(high):
        words += " (the starting level was above its range: treatment or the kidney may be the cause)"
    doubt = "" if level_told else doubt_words(s, fall.current).removeprefix("; ")
    return f"{words} ({doubt})" if doubt else words


def place_words(s: Situation, analyte: Analyte) -> str:
    """Where a falling level still is."""
    return "above its range" if s.reading(analyte).state is AnalyteState.HIGH else "inside the range"


def run_words(run: LowRun) -> str:
    """`Phosphate has been low in 4 draws running although 2 replacement doses are documented: difficult …`."""
    return (
        f"{sentence(run.analyte.value)} has been low in {len(run.draws)} draws running although {len(run.doses)} "
        "replacement doses are documented: difficult to correct"
    )


def _from_to(s: Situation, fall: Fall | Drop) -> str:
    """`from 1.20 mmol/L (Mon 24 Mar 05:00) to 0.90 mmol/L (Tue 25 Mar 05:00)`."""
    ends = [
        f"{_in_mmol(s, r)} ({at(r.collected, s.picture.zone)})" if r.collected is not None else _in_mmol(s, r)
        for r in (fall.reference, fall.current)
    ]
    return f"from {ends[0]} to {ends[1]}"


def _in_mmol(s: Situation, result: LabResult) -> str:
    """Both ends of a fall in one unit; what the laboratory wrote in brackets where it is another."""
    value = result.level.value if result.level is not None else None
    if result.level is None or value is None or "mmol" in result.written:
        return result.written
    return f"{result.level.comparator}{clear_level(s, result, value)} [{result.written}]"
