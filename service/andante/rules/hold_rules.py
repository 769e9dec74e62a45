"""Decision rules 3 to 5 while feeding: lows, and evidence that is not there. None of them ever feeds more."""

from andante.domain.advice import AdviceCode, Fact, Priority, Tell
from andante.domain.protocol import Number
from andante.rules.amounts import cut, keep_present
from andante.rules.decision import Decision, until_next_look
from andante.rules.facts import lab_facts, order_facts
from andante.rules.phrases import names, sentence
from andante.rules.scope_rules import refractory_runs
from andante.rules.situation import Situation
from andante.rules.telling import (
    bound_words,
    draw_words,
    fall_words,
    figure_words,
    gap_head,
    gap_words,
    keep_words,
    level_words,
    lower_words,
    place_words,
    recheck_words,
    run_words,
)
from andante.rules.trend import Fall, Grade


def difficult_to_correct(s: Situation) -> Decision | None:
    """Rule 3: low for long or despite replacement."""
    runs = refractory_runs(s)
    if not runs:
        return None
    sized, already = cut(s, "halve", min(r.since for r in runs))
    if already:
        return None  # the cut was made: rule 4 holds it there
    rule = s.protocol.refractory
    readings = [s.reading(r.analyte) for r in runs]
    because = tuple(f"{run_words(r)}." for r in runs)
    doses = tuple(dict.fromkeys(d.source for r in runs for d in r.doses))
    return Decision(
        code=AdviceCode.HALVE,
        rule="difficult-to-correct",
        headline=f"{sentence(lower_words(s, sized, 'halve'))}: "
        f"{names(r.analyte for r in runs)} low despite replacement",
        because=(*because, *(f"{sentence(level_words(s, r))}." for r in readings), *figure_words(s, sized)),
        sized=sized,
        facts=(*lab_facts(readings), *order_facts(s), *_dose_facts(s, doses)),
        cites=(rule.draws, rule.span, rule.doses, s.protocol.energy.cut),
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
    sized = keep_present(s, in_doubt=True)
    others = [r for r in s.readings if r not in low and not r.may_advance]
    because = [f"{sentence(level_words(s, r))}." for r in low]
    falls = [s.fall(r.analyte) for r in low]
    because += [f"{fall_words(s, f, level_told=True)}." for f in falls if f is not None and f.grade is not Grade.NONE]
    because.append("While any of the three is low, no more energy than now; replacement is to be reviewed.")
    if others:
        because.append(f"Also {gap_words(s, others)}; {draw_words(others)}.")
    because += recheck_words(s)
    return Decision(
        code=AdviceCode.HOLD,
        rule="low-while-feeding",
        headline=f"{keep_words(s, sized)}: {names(r.analyte for r in low)} low",
        because=(*because, *bound_words(sized)),
        sized=sized,
        facts=(*lab_facts(low), *order_facts(s)),
        cites=tuple(s.protocol.analytes.of(r.analyte).low for r in low),
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
    sized = keep_present(s, in_doubt=True)
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
        because=(*because, *bound_words(sized)),
        sized=sized,
        facts=(*lab_facts(gaps), *order_facts(s)),
        cites=(s.protocol.monitoring.early_interval, rule.freshness_grace),
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
    sized = keep_present(s, in_doubt=True)
    where = " and ".join(dict.fromkeys(place_words(s, f.analyte) for f in falls))
    return Decision(
        code=AdviceCode.HOLD,
        rule="falling",
        headline=f"{keep_words(s, sized)}: {names(f.analyte for f in falls)} falling"
        f"{' fast' if any(f.drop for f in falls) else ''}, still {where}",
        because=(
            *(f"{fall_words(s, f)}: {_grade_words(f)}." for f in falls),
            "A level that falls is a warning before it is low; energy stays until it settles.",
            *bound_words(sized),
        ),
        sized=sized,
        facts=(*lab_facts(s.reading(f.analyte) for f in falls), *order_facts(s)),
        cites=_fall_cites(s, falls),
        valid_until=until_next_look(s),
        priority=Priority.URGENT,
    )


def _grade_words(fall: Fall) -> str:
    grade = fall.grade.name.lower()
    return "too fast to go on" if fall.grade is Grade.NONE else f"a {grade} fall"


def _fall_cites(s: Situation, falls: list[Fall]) -> tuple[Number, ...]:
    rule = s.protocol.fall
    fast = (rule.fast, rule.fast_window) if any(f.drop for f in falls) else ()
    return (rule.hold, rule.window, *fast)


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
    sized = keep_present(s, in_doubt=True)
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
