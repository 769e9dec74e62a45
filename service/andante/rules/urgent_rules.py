"""Decision rule 2: danger. A critical level, a severe fall, organ dysfunction while feeding. Never more energy."""

from datetime import datetime

from andante.domain.advice import AdviceCode, Fact, Priority, Tell
from andante.domain.picture import Finding, FindingKind
from andante.domain.protocol import Number, Switch
from andante.domain.quantities import Analyte
from andante.rules.amounts import cut
from andante.rules.bands import Band
from andante.rules.beside import drip_words
from andante.rules.decision import Decision, until_next_look
from andante.rules.evidence import Reading
from andante.rules.facts import lab_facts, order_facts
from andante.rules.phrases import at, sentence, span
from andante.rules.scope_rules import organ_dysfunction, refractory_runs
from andante.rules.situation import Situation
from andante.rules.telling import (
    energy_words,
    fall_words,
    figure_words,
    level_words,
    lower_words,
    lowers,
    percent_words,
    run_words,
)
from andante.rules.trend import Grade, consecutive

_STRICTEST = ("stop", "halve", "hold")
_FLAGS = {
    FindingKind.ORGAN_DYSFUNCTION: "organ dysfunction is flagged",
    FindingKind.THIAMINE_DEFICIENCY: "thiamine deficiency is flagged",
}


def urgent_review(s: Situation) -> Decision | None:
    """Rule 2: a critical level; while feeding also a severe fall or organ dysfunction."""
    response = s.protocol.response
    answers: list[tuple[str, datetime]] = []
    because: list[str] = []
    heads: list[str] = []
    analytes: list[Analyte] = []
    readings: list[Reading] = []
    cites: list[Number | Switch] = []
    flag_facts: list[Fact] = []
    for reading in s.readings:
        danger = reading.evidence.danger
        limits = s.protocol.analytes.of(reading.analyte)
        if danger is Band.CRITICAL_LOW:
            answers.append((response.critical_low.value, trouble_since(reading, s)))
            because.append(
                f"{sentence(level_words(s, reading))}: at or beyond the critical limit. Please consider a repeat after "
                "replacement, before the next draw is due."
            )
            cites += [limits.critical_low, response.critical_low]
        elif danger is Band.CRITICAL_HIGH and limits.critical_high is not None:
            answers.append((response.critical_high.value, trouble_since(reading, s)))
            because.append(
                f"{sentence(level_words(s, reading))}: at or above the critical limit. Review replacement, other "
                "sources and renal function; a specimen problem is possible, so repeat now."
            )
            cites += [limits.critical_high, response.critical_high]
        else:
            continue
        heads.append(
            f"{reading.analyte.value} {'critically low' if danger is Band.CRITICAL_LOW else 'critically high'}"
        )
        analytes.append(reading.analyte)
        readings.append(reading)
    if s.course.feeding:
        for fall in s.falls:
            if fall.grade is Grade.SEVERE:
                answers.append((response.severe_fall.value, fall.since))
                because.append(fall_words(s, fall) + ": a severe fall, whatever the level.")
                heads.append(f"{fall.analyte.value} has fallen {percent_words(fall)}")
                analytes.append(fall.analyte)
                readings.append(s.reading(fall.analyte))
                cites += [s.protocol.fall.severe, response.severe_fall]
        for finding in organ_dysfunction(s):
            answers.append((response.organ_dysfunction.value, _flagged_since(s, finding)))
            because.append(_flag_words(finding))
            heads.append(_FLAGS[finding.kind])
            flag_facts.append(
                Fact(label=finding.kind.value, value=finding.text, when=finding.recorded, source=finding.source)
            )
            cites.append(response.organ_dysfunction)
    if not answers:
        return None
    # A danger beside a low that is difficult to correct is never answered by less than that low alone.
    for run in refractory_runs(s):
        answers.append(("halve", run.since))
        because.append(f"{run_words(run)}.")
        cites.append(s.protocol.refractory.draws)
    for reading in s.readings:
        if reading.evidence.danger is Band.LOW:
            heads.append(f"{reading.analyte.value} low")
            readings.append(reading)
    head = "; ".join(dict.fromkeys(heads))
    facts = tuple(dict.fromkeys((*lab_facts(readings), *flag_facts, *order_facts(s))))
    if not s.course.feeding:
        return Decision(
            code=AdviceCode.URGENT_REVIEW,
            rule="urgent-review",
            headline=f"Urgent medical review now: {head}; do not start feeding",
            because=(*because, *drip_words(s)),
            facts=facts,
            cites=tuple(dict.fromkeys(cites)),
            analytes=tuple(dict.fromkeys(analytes)),
            valid_until=until_next_look(s),
            priority=Priority.STAT,
            tell=Tell.PRESCRIBER,
        )
    answer, since = min(answers, key=lambda a: (_STRICTEST.index(a[0]), a[1]))
    sized, already = cut(s, answer, since)
    words = {
        "stop": "stop the feed",
        "halve": lower_words(s, sized, "halve"),
        "hold": f"keep at most {energy_words(sized)}",
    }[answer]
    if already:
        lower = lowers(s, sized)
        words = "already cut: " + (lower_words(s, sized, "bring down") if lower else f"keep {energy_words(sized)}")
    if s.new_start_at is not None and answer != "stop":
        until = at(s.new_start_at, s.picture.zone)
        words = "keep the feed off until reviewed"
        if s.course.present_kcal:
            words += f"; resumed after that and before {until}, at most {energy_words(sized)}"
    return Decision(
        code=AdviceCode.URGENT_REVIEW,
        rule="urgent-review",
        headline=f"Urgent medical review now: {head}; {words}",
        because=(*because, *_cut_sentence(already), *figure_words(s, sized)),
        sized=sized,
        facts=facts,
        cites=tuple(dict.fromkeys((*cites, s.protocol.energy.cut))),
        analytes=tuple(dict.fromkeys(analytes)),
        valid_until=until_next_look(s),
        priority=Priority.STAT,
        tell=Tell.PRESCRIBER,
    )


def _cut_sentence(already: bool) -> tuple[str, ...]:
    return ("The energy has already been cut since this began; it is kept, not cut again.",) if already else ()


def _flag_words(finding: Finding) -> str:
    said = f"{sentence(_FLAGS[finding.kind])} while feeding: {finding.text}."
    if finding.kind is FindingKind.THIAMINE_DEFICIENCY:
        said += " Please review thiamine now."
    return said


def trouble_since(reading: Reading, s: Situation) -> datetime:
    """When the present run of abnormal draws began: a cut made since then is not repeated.

    Of a result without a time, the start of the course: else it would ask for another cut at every round.
    """
    run = consecutive(reading.evidence, lambda d: d.band is not Band.IN_RANGE)
    result = reading.evidence.danger_result
    instants = [s.now]
    if run:
        instants.append(run[0].collected)
    if result is not None:
        instants.append(result.collected or result.reported or s.course.started or s.now)
    return min(instants)


def _flagged_since(s: Situation, finding: Finding) -> datetime:
    """A flag is written after what it describes: a cut made in the day before it answers the same trouble."""
    if finding.recorded is None:
        return s.course.started or s.now
    return finding.recorded - span(s.protocol.energy.step_interval.value, "h")
