"""The derivation: what was worked out, in order, each line with its values, times, sources and protocol entries."""

from dataclasses import replace
from datetime import datetime

from andante.domain.advice import Fact, Reason
from andante.domain.picture import EnergyKind, LabResult, OrderState
from andante.domain.protocol import Number
from andante.rules.bands import limits_of
from andante.rules.decision import Decision
from andante.rules.facts import delivered_facts, dose_facts, eaten_facts, energy_facts, lab_fact
from andante.rules.micronutrients import vitamin_gaps
from andante.rules.notices import find_gaps
from andante.rules.phrases import at, kcal, level, named_once, names, plain, sentence, span
from andante.rules.situation import Situation
from andante.rules.telling import fall_words, level_words
from andante.rules.trend import Grade
from andante.rules.working import Sums, workings


def derive(s: Situation, decision: Decision) -> tuple[Reason, ...]:
    """The whole argument, each line with the sums behind its sentence."""
    sums = Sums(workings(s, decision))
    return tuple(replace(r, working=(*r.working, *sums.behind(r.sentence))) for r in _lines(s, decision))


def _lines(s: Situation, decision: Decision) -> tuple[Reason, ...]:
    return (
        *_risk(s),
        _goal(s),
        _course(s),
        *_readings(s),
        *_falls(s),
        *_runs(s),
        Reason(
            rule=decision.rule,
            sentence=f"{decision.headline}. {' '.join(decision.because)}",
            facts=decision.facts,
            cites=decision.cites,
        ),
        *_gaps(s),
        *_vitamins(s),
    )


def _risk(s: Situation) -> tuple[Reason, ...]:
    lines = [
        Reason(
            rule=f"risk.{c.id}",
            sentence=f"{sentence(c.text)}: {c.state.replace('-', ' ')}"
            + (f" ({c.level})" if c.level else "")
            + (f"; would be settled by {c.would_settle}" if c.would_settle else "")
            + ".",
            facts=c.facts,
            cites=c.cites,
            working=c.working,
        )
        for c in s.risk.criteria
    ]
    who = " by a clinician's own entry" if s.risk.by_clinician else ""
    lowest = "; lowest start" if s.risk.extreme else ""
    entries = tuple(
        Fact(label="risk entry", value=e.tier, when=e.recorded, source=e.source) for e in s.picture.risk_entries
    )
    lines.append(Reason(rule="risk.tier", sentence=f"Risk tier: {s.risk.tier.value}{who}{lowest}.", facts=entries))
    return tuple(lines)


def _goal(s: Situation) -> Reason:
    energy = s.protocol.energy
    first_day = energy.initial_extreme if s.risk.extreme else energy.initial
    cites = [energy.goal, first_day, energy.step]
    words = f"{sentence(s.goal.said)}."
    if s.goal.problem:
        words += f" {sentence(s.goal.problem)}."
        cites += [energy.goal_max, s.protocol.response.lowest_start]
    if s.step_kcal is not None:
        words += f" A step is {kcal(s.step_kcal)} ({plain(energy.step.value)} % of the goal)."
    if s.allowance_kcal is not None:
        words += f" The first 24 h allow at most {kcal(s.allowance_kcal)}."
    if s.body.adjusted is not None:
        cites += [energy.obesity_bmi, energy.adjusted_weight_share, energy.ideal_weight_per_inch]
        cites += [energy.ideal_weight_height, energy.ideal_weight_male, energy.ideal_weight_female]
    if s.body.dosing_kg is None:
        cites += [s.protocol.evidence.weight_max_age, s.protocol.evidence.weight_without_height]
    return Reason(
        rule="energy.goal", sentence=words, facts=(*s.goal.facts, *s.body.facts), cites=tuple(dict.fromkeys(cites))
    )


def _course(s: Situation) -> Reason:
    course, zone = s.course, s.picture.zone
    if course.started is None:
        words = "Feeding has not begun."
        if course.earlier_course:
            words = "No feed is running; an earlier course of this stay has ended."
    else:
        words = f"Feeding began {at(course.started, zone)}; feeding day {course.day}."
        if course.paused_since is not None:
            words += f" On hold since {at(course.paused_since, zone)}."
        if course.last_change is not None:
            words += f" Energy last changed {at(course.last_change, zone)}."
        jumps = [e.at for e in course.exposures if e.kind == "jump"]
        if jumps:
            words += f" A rise of more than a step {at(max(jumps), zone)} counts as a new exposure."
    for label, value in (
        ("present", course.present_kcal),
        ("other energy", course.other_kcal),
        ("delivered", course.delivered.kcal_day if course.delivered is not None else None),
    ):
        if value:
            words += f" {sentence(label)} {kcal(value)}."
    shaping = [o for o in s.picture.energy_orders if o.state is not OrderState.PLANNED or not course.feeding]
    return Reason(
        rule="course",
        sentence=words,
        facts=(
            *energy_facts(shaping, s),
            *delivered_facts(s, course.accounts.newest, course.accounts.least, course.accounts.most),
            *eaten_facts(s),
        ),
        cites=_energy_cites(s, {o.kind for o in shaping}),
    )


def _energy_cites(s: Situation, kinds: set[EnergyKind]) -> tuple[Number, ...]:
    """The energy of what the orders hold, where the order itself states none."""
    energy = s.protocol.energy
    cites: list[Number] = []
    if kinds & {EnergyKind.PARENTERAL, EnergyKind.IV_DEXTROSE}:
        cites += [energy.dextrose, energy.amino_acids, energy.lipid_admixture]
        cites += [energy.lipid_emulsion_10, energy.lipid_emulsion_20, energy.lipid_emulsion_30]
    if EnergyKind.LIPID_SEDATION in kinds:
        cites.append(energy.lipid_sedation)
    if EnergyKind.CITRATE in kinds:
        cites.append(energy.citrate)
    return tuple(cites)


def _readings(s: Situation) -> tuple[Reason, ...]:
    lines = []
    for reading in s.readings:
        limits = s.protocol.analytes.of(reading.analyte)
        words = f"{sentence(level_words(s, reading))}; state {reading.state.value}."
        last = reading.evidence.last
        telling = reading.evidence.telling
        is_own = False
        if last is not None and telling is not None:
            low, high, note = limits_of(telling, s.protocol)
            is_own = telling.range_low is not None and telling.range_high is not None and note is None
            own = "its own range" if is_own else "the protocol's range"
            words += f" Judged by {own}, {level(reading.analyte, low)} to {level(reading.analyte, high)}."
            if reading.fresh_until is not None:
                words += f" Fresh until {_until(s, reading.fresh_until)}."
        fact = lab_fact(reading)
        asides = tuple(
            Fact(
                label="set aside",
                value=named_once(a.result.written, a.text),
                when=a.result.collected,
                source=a.result.source,
            )
            for a in sorted(reading.evidence.set_aside, key=lambda a: (a.code, a.result.source))
        )
        lines.append(
            Reason(
                rule=f"evidence.{reading.analyte.value}",
                sentence=words,
                facts=(
                    *((fact,) if fact else ()),
                    *_range_fact(telling, is_own),
                    *asides,
                    *dose_facts(s, reading.analyte),
                ),
                cites=(*(() if is_own else (limits.low, limits.high)), *_freshness_cites(s), limits.recheck),
            )
        )
    return tuple(lines)


def _range_fact(telling: LabResult | None, is_own: bool) -> tuple[Fact, ...]:
    if telling is None or not is_own or telling.range_low is None or telling.range_high is None:
        return ()
    low, high = level(telling.analyte, telling.range_low), level(telling.analyte, telling.range_high)
    return (Fact(label="its own range", value=f"{low} to {high}", when=telling.collected, source=telling.source),)


def _freshness_cites(s: Situation) -> tuple[Number, ...]:
    if not s.course.feeding:
        return (s.protocol.evidence.baseline_max_age,)
    rule = s.protocol.monitoring
    close = s.every == span(rule.early_interval.value, "h")
    return (rule.early_interval if close else rule.late_interval, s.protocol.evidence.freshness_grace)


def _until(s: Situation, instant: datetime) -> str:
    return at(instant, s.picture.zone)


def _falls(s: Situation) -> tuple[Reason, ...]:
    rule = s.protocol.fall
    return tuple(
        Reason(
            rule=f"fall.{f.analyte.value}",
            sentence=f"{fall_words(s, f)}: {f.grade.name.lower()}.",
            facts=(
                Fact(
                    label="from",
                    value=f.reference.written,
                    when=f.reference.collected,
                    source=f.reference.source,
                ),
                Fact(label="to", value=f.current.written, when=f.current.collected, source=f.current.source),
                *(
                    Fact(label="fast fall", value=r.written, when=r.collected, source=r.source)
                    for r in ((f.drop.reference, f.drop.current) if f.drop else ())
                ),
            ),
            cites=(rule.mild, rule.moderate, rule.severe, rule.window, rule.fast, rule.fast_window),
        )
        for f in s.falls
        if f.grade is not Grade.NONE
    )


def _runs(s: Situation) -> tuple[Reason, ...]:
    rule = s.protocol.refractory
    return tuple(
        Reason(
            rule=f"low-run.{r.analyte.value}",
            sentence=f"{sentence(r.analyte.value)} low in {len(r.draws)} draws running since "
            f"{at(r.since, s.picture.zone)}, {len(r.doses)} replacement doses documented since"
            + (": difficult to correct." if r.is_refractory else "."),
            facts=tuple(
                Fact(label=r.analyte.value, value=d.lowest.written, when=d.collected, source=d.lowest.source)
                for d in r.draws
            ),
            cites=(rule.draws, rule.span, rule.doses),
        )
        for r in s.runs
    )


def _gaps(s: Situation) -> tuple[Reason, ...]:
    return tuple(
        Reason(
            rule="gap-ahead" if g.ahead else "gap",
            sentence=f"{sentence(names([g.analyte]))}: {'draw to come' if g.ahead else 'draw lacking'}, "
            f"stage {g.stage.value}" + (f", due {at(g.due, s.picture.zone)}" if g.due else "") + ".",
            facts=g.facts,
            cites=(s.protocol.monitoring.early_interval, s.protocol.monitoring.early_window),
        )
        for g in find_gaps(s)
    )


def _vitamins(s: Situation) -> tuple[Reason, ...]:
    return tuple(
        Reason(
            rule=f"vitamin.{g.vitamin.value}",
            sentence=f"{sentence(g.text)}.",
            facts=g.facts,
            cites=g.cites,
        )
        for g in vitamin_gaps(s.picture, s.course, s.protocol, s.now)
    )
