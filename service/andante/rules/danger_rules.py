"""Decision rules 2 to 5 while feeding: danger, lows, and evidence that is not there. None of them ever feeds more."""

from datetime import datetime
from decimal import Decimal

from andante.domain.advice import AdviceCode, Fact, Priority, Tell
from andante.domain.picture import Finding, FindingKind
from andante.domain.protocol import Number, Switch
from andante.domain.quantities import Analyte
from andante.rules.body import current_findings
from andante.rules.decision import (
    Decision,
    cut,
    draw_words,
    energy_words,
    figure_words,
    gap_head,
    gap_words,
    keep_present,
    keep_words,
    lab_facts,
    level_words,
    order_facts,
    rate_words,
    recheck_words,
    until_next_look,
)
from andante.rules.evidence import Band, Reading
from andante.rules.phrases import names, plain, sentence, span
from andante.rules.situation import Situation
from andante.rules.trend import Fall, Grade, consecutive

_TENTH = Decimal("0.1")
_STRICTEST = ("stop", "halve", "hold")


def urgent_review(s: Situation) -> Decision | None:
    """Rule 2: a critical level; while feeding also a severe fall or organ dysfunction."""
    response = s.protocol.response
    answers: list[tuple[Switch, datetime]] = []
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
            answers.append((response.critical_low, trouble_since(reading, s)))
            because.append(f"{sentence(level_words(s, reading))}: at or beyond the critical limit.")
            cites += [limits.critical_low, response.critical_low]
        elif danger is Band.CRITICAL_HIGH and limits.critical_high is not None:
            answers.append((response.critical_high, trouble_since(reading, s)))
            because.append(
                f"{sentence(level_words(s, reading))}: at or above the critical limit. Review replacement, other "
                "sources and renal function; a specimen problem is possible, so repeat."
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
                answers.append((response.severe_fall, fall.since))
                because.append(fall_words(fall) + ": a severe fall, whatever the level.")
                heads.append(f"{fall.analyte.value} has fallen {percent_words(fall)}")
                analytes.append(fall.analyte)
                readings.append(s.reading(fall.analyte))
                cites += [s.protocol.fall.severe, response.severe_fall]
        for finding in organ_dysfunction(s):
            answers.append((response.organ_dysfunction, _flagged_since(s, finding)))
            because.append(f"Organ dysfunction is flagged while feeding: {finding.text}.")
            heads.append("organ dysfunction is flagged")
            flag_facts.append(
                Fact(label=finding.kind.value, value=finding.text, when=finding.recorded, source=finding.source)
            )
            cites.append(response.organ_dysfunction)
    if not answers:
        return None
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
            because=tuple(because),
            facts=facts,
            cites=tuple(dict.fromkeys(cites)),
            analytes=tuple(dict.fromkeys(analytes)),
            valid_until=until_next_look(s),
            priority=Priority.STAT,
            tell=Tell.PRESCRIBER,
        )
    answer, since = min(answers, key=lambda a: (_STRICTEST.index(a[0].value), a[1]))
    sized, already = cut(s, answer.value, since)
    now = rate_words(s)
    action = {
        "stop": "stop the feed",
        "halve": f"halve {f'from {now} ' if now else ''}to",
        "hold": "keep at most",
    }[answer.value]
    words = action if answer.value == "stop" else f"{action} {energy_words(sized)}"
    if already:
        words = f"already cut: keep {energy_words(sized)}"
    if s.course.paused_since is not None and answer.value != "stop":
        words = f"the feed is off; when it resumes, at most {energy_words(sized)}"
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


def organ_dysfunction(s: Situation) -> list[Finding]:
    """Flags that fall in a course: recorded since it began, or undated (the safer direction)."""
    started = s.course.started
    kinds = (FindingKind.ORGAN_DYSFUNCTION, FindingKind.THIAMINE_DEFICIENCY)
    return [
        f
        for f in current_findings(s.picture, s.now)
        if f.kind in kinds and (f.recorded is None or (started is not None and f.recorded >= started))
    ]


def percent_words(fall: Fall) -> str:
    """`24 %`; a tenth where rounding would put it on a whole ten; `at least` where the level is only bounded."""
    whole = plain(fall.percent)
    shown = plain(fall.percent, _TENTH) if whole.endswith("0") else whole
    bounded = fall.current.level is not None and not fall.current.level.is_exact
    return f"{'at least ' if bounded else ''}{shown} %"


def fall_words(fall: Fall) -> str:
    reference = fall.reference.written
    words = (
        f"{sentence(fall.analyte.value)} has fallen {percent_words(fall)} from {reference} to {fall.current.written}"
    )
    high = fall.reference.range_high
    if high is not None and fall.reference.level is not None and fall.reference.level.surely_above(high):
        words += " (the starting level was above its range: treatment or the kidney may be the cause)"
    return words


def difficult_to_correct(s: Situation) -> Decision | None:
    """Rule 3: low for long or despite replacement."""
    if not s.course.feeding:
        return None
    runs = [r for r in s.runs if r.is_refractory and s.reading(r.analyte).evidence.danger.is_low]
    if not runs:
        return None
    sized, already = cut(s, "halve", min(r.since for r in runs))
    if already:
        return None  # the cut was made: rule 4 holds it there
    rule = s.protocol.refractory
    now = rate_words(s)
    readings = [s.reading(r.analyte) for r in runs]
    because = tuple(
        f"{sentence(r.analyte.value)} has been low in {len(r.draws)} draws running although {len(r.doses)} replacement "
        "doses are documented: difficult to correct."
        for r in runs
    )
    doses = tuple(dict.fromkeys(d.source for r in runs for d in r.doses))
    return Decision(
        code=AdviceCode.HALVE,
        rule="difficult-to-correct",
        headline=f"Halve {f'from {now} ' if now else ''}to {energy_words(sized)}: "
        f"{names(r.analyte for r in runs)} low despite replacement",
        because=(*because, *(f"{sentence(level_words(s, r))}." for r in readings), *figure_words(s, sized)),
        sized=sized,
        facts=(*lab_facts(readings), *order_facts(s), *_dose_facts(s, doses)),
        cites=(rule.draws, rule.span, rule.doses, s.protocol.energy.cut),
        analytes=tuple(r.analyte for r in runs),
        valid_until=until_next_look(s),
        priority=Priority.URGENT,
        tell=Tell.PRESCRIBER,
    )


def _dose_facts(s: Situation, sources: tuple[str, ...]) -> tuple[Fact, ...]:
    return tuple(
        Fact(label="replacement dose", value=d.text or names(d.analytes), when=d.given, source=d.source)
        for d in s.picture.replacements
        if d.source in sources
    )


def low_while_feeding(s: Situation) -> Decision | None:
    """Rule 4: any analyte low or provisionally low: hold."""
    if not s.course.feeding:
        return None
    low = [r for r in s.readings if r.evidence.danger.is_low]
    if not low:
        return None
    sized = keep_present(s)
    others = [r for r in s.readings if r not in low and not r.may_advance]
    because = [f"{sentence(level_words(s, r))}." for r in low]
    because.append("While any of the three is low, no more energy than now; replacement is to be reviewed.")
    if others:
        because.append(f"Also {gap_words(s, others)}; {draw_words(others)}.")
    because += recheck_words(s)
    return Decision(
        code=AdviceCode.HOLD,
        rule="low-while-feeding",
        headline=f"{keep_words(s, sized)}: {names(r.analyte for r in low)} low",
        because=(*because, *(sized.said if sized else ())),
        sized=sized,
        facts=(*lab_facts(low), *order_facts(s)),
        cites=tuple(s.protocol.analytes.of(r.analyte).low for r in low),
        analytes=tuple(r.analyte for r in low),
        valid_until=until_next_look(s),
        priority=Priority.URGENT,
    )


def gap_while_feeding(s: Situation) -> Decision | None:
    """Rule 5: any analyte missing, stale, unreadable or not firm, or a chart that was not read completely: hold."""
    if not s.course.feeding:
        return None
    gaps = [r for r in s.readings if not r.may_advance]
    if not gaps and not s.picture.incomplete:
        return None
    sized = keep_present(s)
    because = []
    if gaps:
        because.append(f"{sentence(gap_words(s, gaps))}. Before any increase {draw_words(gaps)}.")
    if s.picture.incomplete:
        because.append("The chart could not be read completely: " + ", ".join(s.picture.incomplete) + ".")
    head = gap_head(gaps) if gaps else "the chart could not be read completely"
    rule = s.protocol.evidence
    return Decision(
        code=AdviceCode.HOLD,
        rule="evidence-gap" if gaps else "incomplete-read",
        headline=f"{keep_words(s, sized)}: {head}",
        because=(*because, *(sized.said if sized else ())),
        sized=sized,
        facts=(*lab_facts(gaps), *order_facts(s)),
        cites=(s.protocol.monitoring.early_interval, rule.freshness_grace),
        analytes=tuple(r.analyte for r in gaps),
        valid_until=until_next_look(s),
        priority=Priority.URGENT,
    )


def falling_while_feeding(s: Situation) -> Decision | None:
    """A fall past the protocol's threshold holds, even inside the range."""
    if not s.course.feeding:
        return None
    falls = [f for f in s.falls if f.holds]
    if not falls:
        return None
    sized = keep_present(s)
    return Decision(
        code=AdviceCode.HOLD,
        rule="falling",
        headline=f"{keep_words(s, sized)}: {names(f.analyte for f in falls)} falling, still inside the range",
        because=(
            *(f"{fall_words(f)}: a {f.grade.name.lower()} fall." for f in falls),
            "A falling normal level is a warning; energy stays until it settles.",
            *(sized.said if sized else ()),
        ),
        sized=sized,
        facts=(*lab_facts(s.reading(f.analyte) for f in falls), *order_facts(s)),
        cites=(s.protocol.fall.hold, s.protocol.fall.window),
        analytes=tuple(f.analyte for f in falls),
        valid_until=until_next_look(s),
        priority=Priority.URGENT,
    )


def energy_not_known(s: Situation) -> Decision | None:
    """The present energy or the goal cannot be worked out: nothing to add a step to, so hold."""
    if not s.course.feeding:
        return None
    because: list[str] = []
    if s.course.present_kcal is None:
        because += [f"The energy now running cannot be worked out ({words})." for words, _ in s.course.energy_problems]
    if s.goal.kcal is None:
        because.append(f"The energy goal is not known: {s.goal.problem}.")
    if s.allowance_kcal is None and s.course.day == 1:
        because.append(f"The first day's allowance is not known: {s.body.said}.")
    if not because:
        return None
    sized = keep_present(s)
    return Decision(
        code=AdviceCode.HOLD,
        rule="energy-not-known",
        headline=f"{keep_words(s, sized)}: the sums for a step cannot be done",
        because=tuple(because),
        sized=sized,
        facts=order_facts(s),
        valid_until=until_next_look(s),
        priority=Priority.URGENT,
    )
