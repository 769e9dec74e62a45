"""What is said beside an advice and decides nothing: highs, small falls, what may mask a depletion, glucose."""

from datetime import datetime
from decimal import Decimal

from andante.domain.advice import AnalyteState, Fact
from andante.domain.picture import EnergyKind, FindingKind
from andante.domain.protocol import Number, Switch
from andante.rules.body import current_findings
from andante.rules.evidence import Reading
from andante.rules.phrases import at, kcal, names, plain, sentence, span
from andante.rules.situation import Situation
from andante.rules.sizing import Sized, dextrose_g_day, dextrose_g_h, glucose_rate
from andante.rules.telling import fall_words, level_words, place_words
from andante.rules.trend import Grade

_TENTH = Decimal("0.1")
_MASKING = (FindingKind.RENAL_IMPAIRMENT, FindingKind.DEHYDRATION)


def warnings(s: Situation) -> tuple[str, ...]:
    """What is said beside an advice that does not hold."""
    falling = tuple(
        f"{fall_words(s, f)}, but is still {place_words(s, f.analyte)}: a warning."
        for f in s.falls
        if f.grade is Grade.MILD
    )
    window = span(s.protocol.fall.window.value, "d")
    exposed = s.course.latest_exposure
    unknown = [r for r in s.readings if s.fall(r.analyte) is None]
    blind: list[str] = []
    if unknown and exposed is not None and s.now - exposed <= window:
        before = [r.analyte for r in unknown if _drawn_before(r, exposed)]
        lacking = [r.analyte for r in unknown if r.analyte not in before]
        if before:
            since = max(s.course.exposures, key=lambda e: e.at).kind
            begun = {"jump": "the energy jumped", "restart": "feeding was restarted"}.get(since, "feeding began")
            blind.append(
                f"No draw of {names(before)} has been taken since {begun} {at(exposed, s.picture.zone)}: "
                "a fall would not be seen yet."
            )
        if lacking:
            blind.append(f"There is no earlier level of {names(lacking)} to compare with: a fall would not be seen.")
    late = [r.analyte for r in s.readings if r not in unknown and _drawn_only_after(r, s.course.started)]
    if late and exposed is not None and s.now - exposed <= window:
        were = "was" if len(late) == 1 else "were"
        blind.append(f"{sentence(names(late))} {were} first drawn after feeding began: a fall before that is not seen.")
    return (*falling, *high_words(s), *masking_words(s), *glucose_words(s), *blind)


def _drawn_before(reading: Reading, exposed: datetime) -> bool:
    """Whether there are firm levels, but none since the exposure."""
    last = reading.evidence.last
    return last is not None and last.collected <= exposed


def _drawn_only_after(reading: Reading, started: datetime | None) -> bool:
    """Whether the earliest firm level came after feeding had begun: it is no baseline."""
    draws = reading.evidence.draws
    return started is not None and bool(draws) and draws[0].collected > started


def high_words(s: Situation) -> tuple[str, ...]:
    """A high level is never fine silently."""
    return tuple(
        f"{sentence(level_words(s, r))}: review replacement and renal function; a high level can hide depletion."
        for r in s.readings
        if r.evidence.danger.value == "high"
    )


def masking_words(s: Situation) -> tuple[str, ...]:
    """Kidneys that do not excrete, or a patient dried out, make levels look better than the stores are (MJA 2005)."""
    normal = [r.analyte for r in s.readings if r.state in (AnalyteState.IN_RANGE, AnalyteState.HIGH)]
    kinds = {f.kind for f in current_findings(s.picture, s.now)} & set(_MASKING)
    if not normal or not kinds:
        return ()
    said = " and ".join(
        sentence(k.value) if i == 0 else k.value for i, k in enumerate(k for k in _MASKING if k in kinds)
    )
    more = " Dialysis removes all three: draw again after it." if FindingKind.RENAL_IMPAIRMENT in kinds else ""
    verb = "are" if len(kinds) > 1 else "is"
    return (f"{said} {verb} coded: {names(normal)} in range or high can hide depletion.{more}",)


def masking_facts(s: Situation) -> tuple[Fact, ...]:
    return tuple(
        Fact(label=f.kind.value, value=f.text, when=f.recorded, source=f.source)
        for f in current_findings(s.picture, s.now)
        if f.kind in _MASKING
    )


def glucose_words(s: Situation) -> tuple[str, ...]:
    """Glucose by vein above the ceiling, from all infusions together."""
    ceiling = s.protocol.energy.glucose_rate_ceiling.value
    running = present_glucose(s)
    if running is None or running <= ceiling:
        return ()
    return (
        f"Glucose runs by vein at {plain(running, _TENTH)} mg/kg/min, above the ceiling of {plain(ceiling, _TENTH)}: "
        "review the infusions.",
    )


def drip_words(s: Situation) -> tuple[str, ...]:
    """Before feeding: as much glucose by vein as a first day by vein allows drives levels down as a feed does."""
    grams = dextrose_g_day(s.course.others, s.now, s.protocol.energy, s.picture)
    if grams < s.protocol.energy.initial_dextrose_low.value:
        return ()
    return (
        f"Glucose by vein already brings {plain(grams)} g a day: it lowers potassium, phosphate and magnesium as a "
        "feed does. Please review the drip, with thiamine and close draws.",
    )


def past_danger_words(s: Situation) -> tuple[str, ...]:
    """Critical levels of the days before a start: they are over, and not to be forgotten."""
    since = s.now - span(s.protocol.fall.window.value, "d")
    found = []
    for reading in s.readings:
        critical = [d for d in reading.evidence.draws if d.band.is_critical and d.collected >= since]
        if critical:
            last, name = critical[-1], reading.analyte.value
            found.append(f"{name} was {last.telling.written}, critical, {at(last.collected, s.picture.zone)}")
    if not found:
        return ()
    return (f"{sentence('; '.join(found))}: please draw again soon after the start.",)


def present_glucose(s: Situation) -> Decimal | None:
    """mg/kg/min from everything that runs by vein; None without a weight, or while the feed is off."""
    if s.body.dosing_kg is None or s.course.paused_since is not None:
        return None
    grams = dextrose_g_h((*s.course.running, *s.course.others), s.now, s.protocol.energy, s.picture)
    return glucose_rate(grams, s.body.dosing_kg)


def content_words(s: Situation, sized: Sized | None) -> tuple[str, ...]:
    """What a parenteral rate holds a day. Protein and fluid are shown, not steered."""
    vehicle = s.vehicle
    order = vehicle.order if vehicle is not None else None
    if sized is None or sized.rate_ml_h is None or sized.ml_day is None or order is None or order.composition is None:
        return ()
    if order.kind is not EnergyKind.PARENTERAL or vehicle is None:
        return ()
    mix, ml = order.composition, sized.ml_day
    parts = [
        f"{plain(amount * ml)} g {name}"
        for name, amount in (
            ("dextrose", mix.dextrose_g_ml),
            ("amino acids", mix.amino_acids_g_ml),
            ("lipid", mix.lipid_g_ml),
        )
        if amount
    ]
    words = f"It holds {', '.join(parts)} a day"
    if s.body.dosing_kg is not None and mix.dextrose_g_ml:
        grams = sized.rate_ml_h * mix.dextrose_g_ml + vehicle.fixed_dextrose_g_h
        beside = ", what runs beside it included" if vehicle.fixed_dextrose_g_h else ""
        words += f"; glucose {plain(glucose_rate(grams, s.body.dosing_kg), _TENTH)} mg/kg/min{beside}"
    return (words + ".",)


def watching_words(s: Situation) -> tuple[str, ...]:
    """What to watch after a start, as the protocol says it."""
    rule = s.protocol.monitoring
    words = (
        f"Vital signs every {plain(rule.vital_signs.value)} h for the first {plain(rule.vital_signs_window.value)} h; "
        "weight and fluid balance daily"
    )
    if rule.heart_rhythm.value == "in-the-lowest-start-tier" and s.risk.extreme:
        words += "; heart rhythm continuously, as for everyone in the lowest start tier"
    else:
        words += "; heart rhythm if unstable or at risk of an arrhythmia"
    return (words + ".",)


def watching_cites(s: Situation) -> tuple[Number | Switch, ...]:
    rule = s.protocol.monitoring
    return (rule.vital_signs, rule.vital_signs_window, rule.heart_rhythm)


def other_energy_words(s: Situation) -> tuple[str, ...]:
    """Energy of drugs, fluids and meals, which the sum of a step already holds."""
    words = [f"{kcal(s.course.other_kcal)} of it come from drugs or fluids."] if s.course.other_kcal else []
    if s.course.eaten_kcal:
        first, last = s.course.eaten_by[0], s.course.eaten_by[-1]
        period = f"from {at(first.start, s.picture.zone)} to {at(last.end, s.picture.zone)}"
        words.append(f"{kcal(s.course.eaten_kcal)} of it are eaten, by what was documented {period}.")
    return tuple(words)
