"""Requests that a person be told something. They ask for review and order nothing."""

from collections import defaultdict
from datetime import datetime
from decimal import Decimal

from andante.domain.advice import AdviceCode, Fact, GapStage, Notice, NoticeCode, Priority, Tell, with_subject
from andante.domain.picture import LabResult, ReplacementDose, Vitamin
from andante.domain.quantities import Analyte
from andante.rules.bands import Band, band_of
from andante.rules.decision import Decision
from andante.rules.energy import DAY
from andante.rules.evidence import Reading
from andante.rules.facts import lab_facts, written_words
from andante.rules.micronutrients import VitaminGap, vitamin_gaps
from andante.rules.monitoring import Gap, find_gap
from andante.rules.phrases import at, names, sentence
from andante.rules.rises import scheduled_rises
from andante.rules.situation import Situation
from andante.rules.telling import doubt_words, drawn_words, level_words
from andante.rules.trend import Grade

_STAGE_WORDS = {
    GapStage.NOT_ORDERED: "no draw is ordered",
    GapStage.NOT_COLLECTED: "a draw is ordered but not collected",
    GapStage.NO_RESULT: "a specimen was taken but no final result is in",
    GapStage.UNUSABLE: "a result came but cannot be used",
}
_UNUSABLE_REMEDY = {
    Tell.NURSE: "repeat the draw",
    Tell.LABORATORY: "please put the result right, or say that the draw must be repeated",
}
_MAY_BE_TRUE = ("specimen", "provisional", "after-replacement")  # set aside, but 45 mmol/L is not among them
_HOLDING = (AdviceCode.HOLD, AdviceCode.HALVE, AdviceCode.URGENT_REVIEW)


def find_gaps(s: Situation) -> tuple[Gap, ...]:
    found = (
        find_gap(r, s.picture, s.protocol, s.now, due=s.due[r.analyte], feeding=s.course.feeding) for r in s.readings
    )
    return tuple(g for g in found if g is not None)


def give_notice(s: Situation, decision: Decision) -> tuple[Notice, ...]:
    """Every notice that goes with the decision; none for a patient nobody watches."""
    if decision.code.is_silent:
        return ()
    return (
        *_urgent(decision),
        *_doubtful_high(s),
        *_scheduled_increase(s, decision),
        *_replacement(s),
        *_lab_gaps(s),
        *_micronutrients(s),
        *_data_quality(s),
    )


def _urgent(decision: Decision) -> tuple[Notice, ...]:
    if decision.code is not AdviceCode.URGENT_REVIEW:
        return ()
    return (
        Notice(
            code=NoticeCode.URGENT,
            text="\n".join((decision.headline, *decision.because)),
            tell=Tell.PRESCRIBER,
            priority=Priority.STAT,
            analytes=decision.analytes,
            evidence=decision.facts,
        ),
    )


def _replacement(s: Situation) -> tuple[Notice, ...]:
    found = []
    low = [r for r in s.readings if r.evidence.danger.is_low]
    if low:
        doses, ordered = _doses(s, low), _ordered(s, low)
        given = _dose_words(s, doses)
        if ordered and not doses:
            given += ", though an order for it is in force: see whether it was given"
        critical = any(r.evidence.danger is Band.CRITICAL_LOW for r in low)
        words = "; ".join(level_words(s, r) for r in low)
        doubtful = [result for r in low if (result := _high_in_doubt(s, r)) is not None]
        waits = "".join(f" {_wait_words(s, result)}" for result in doubtful)
        found.append(
            Notice(
                code=NoticeCode.REPLACEMENT,
                topic="low",
                text=f"Please review replacement: {words}; {given}.{waits}",
                tell=Tell.PRESCRIBER,
                priority=Priority.STAT if critical else Priority.URGENT,
                analytes=tuple(r.analyte for r in low),
                evidence=(*lab_facts(low), *(_result_fact(result) for result in doubtful), *doses, *ordered),
            )
        )
    high = [r for r in s.readings if r.evidence.danger in (Band.HIGH, Band.CRITICAL_HIGH) and not _has_fallen(s, r)]
    if high:
        doses = _doses(s, high)
        pressing = any(r.evidence.danger is Band.CRITICAL_HIGH for r in high) or any(
            d.running or s.now - d.given < DAY for d in _given(s, high)
        )
        words = "; ".join(level_words(s, r) for r in high)
        given = f" {sentence(_dose_words(s, doses))}: please check whether it should go on." if doses else ""
        found.append(
            Notice(
                code=NoticeCode.REPLACEMENT,
                topic="high",
                text=f"Please review replacement and renal function: {words}.{given} A high level can hide depletion.",
                tell=Tell.PRESCRIBER,
                priority=Priority.URGENT if pressing else Priority.ROUTINE,
                analytes=tuple(r.analyte for r in high),
                evidence=(*lab_facts(high), *doses),
            )
        )
    return tuple(found)


def _doses(s: Situation, readings: list[Reading]) -> list[Fact]:
    """The replacement doses of any of them that the chart documents until now, oldest first."""
    doses = (
        Fact(
            label="replacement dose",
            value=(d.text or names(d.analytes)) + (", charted as running" if d.running else ""),
            when=d.given,
            source=d.source,
        )
        for d in _given(s, readings)
    )
    return sorted(doses, key=lambda f: (f.when.timestamp() if f.when else 0.0, f.source))


def _given(s: Situation, readings: list[Reading]) -> list[ReplacementDose]:
    return [d for d in s.picture.replacements if d.given <= s.now and any(r.analyte in d.analytes for r in readings)]


def _ordered(s: Situation, readings: list[Reading]) -> list[Fact]:
    """The orders in force for replacement of any of them."""
    found = [
        Fact(label="replacement order", value=o.text or names(o.analytes), when=o.start, source=o.source)
        for o in s.picture.replacement_orders
        if o.runs(s.now) and any(r.analyte in o.analytes for r in readings)
    ]
    return sorted(found, key=lambda f: f.source)


def _high_in_doubt(s: Situation, low: Reading) -> LabResult | None:
    """The last result in doubt that reads high, where it is newer than the low one."""
    told = low.evidence.danger_result
    newer = [
        (a.result.collected, a.result.source, a.result)
        for a in low.evidence.unsettled
        if a.code in _MAY_BE_TRUE
        and a.result.collected is not None
        and band_of(a.result, s.protocol) in (Band.HIGH, Band.CRITICAL_HIGH)
        and (told is None or told.collected is None or a.result.collected > told.collected)
    ]
    return max(newer, key=lambda n: n[:2])[2] if newer else None


def _wait_words(s: Situation, result: LabResult) -> str:
    """Unproven, but if it is true, replacing would be the greater harm."""
    return (
        f"A newer {result.analyte.value} in doubt reads {written_words(result)} "
        f"({drawn_words(s, result)}{doubt_words(s, result)}): please get the repeat before replacing."
    )


def _has_fallen(s: Situation, reading: Reading) -> bool:
    """Whether a newer result, firm or not, shows a severe fall: nothing should be taken away for the high level."""
    fall = s.fall(reading.analyte)
    return fall is not None and fall.grade is Grade.SEVERE


def _dose_words(s: Situation, doses: list[Fact]) -> str:
    """How many doses the chart documents, and the last one with its time."""
    if not doses:
        read = " in what could be read of the chart" if s.picture.incomplete else ""
        return f"no replacement dose is documented{read}"
    last = doses[-1]
    when = f" {at(last.when, s.picture.zone)}" if last.when else ""
    count = "1 replacement dose is" if len(doses) == 1 else f"{len(doses)} replacement doses are"
    return f"{count} documented, the last{when} ({last.value})"


def _doubtful_high(s: Situation) -> tuple[Notice, ...]:
    """A high level of a doubtful specimen that would be critical if true: not believed, not passed over either."""
    found = []
    for reading in s.readings:
        for aside in reading.evidence.unsettled:
            if aside.code == "specimen" and band_of(aside.result, s.protocol) is Band.CRITICAL_HIGH:
                found.append((reading.analyte, aside.result, aside.result.specimen_problem))
    return tuple(
        Notice(
            code=NoticeCode.URGENT,
            topic=f"doubtful-{analyte.value}",
            text=f"{sentence(analyte.value)} {result.written} from a doubtful specimen ({problem}): unproven, but it "
            "may be truly high. Please consider an urgent repeat.",
            tell=Tell.PRESCRIBER,
            priority=Priority.URGENT,
            analytes=(analyte,),
            evidence=(_result_fact(result),),
        )
        for analyte, result, problem in found
    )


def _result_fact(result: LabResult) -> Fact:
    return Fact(label=result.analyte.value, value=result.written, when=result.collected, source=result.source)


def _lab_gaps(s: Situation) -> tuple[Notice, ...]:
    groups: dict[tuple[bool, GapStage, Tell], list[Gap]] = defaultdict(list)
    for gap in find_gaps(s):
        groups[gap.ahead, gap.stage, gap.tell].append(gap)
    return tuple(_gap_notice(s, groups[key]) for key in sorted(groups))


def _gap_notice(s: Situation, gaps: list[Gap]) -> Notice:
    first = gaps[0]
    analytes = tuple(g.analyte for g in gaps)
    if first.ahead:
        text = f"{_due_words(s, gaps)} and no draw is ordered. Please consider one draw."
    else:
        dues = _dues(s, [g for g in gaps if g.due is not None])
        since = f" (due {dues})" if dues else ""
        remedy = f"; {_UNUSABLE_REMEDY[first.tell]}" if first.stage is GapStage.UNUSABLE else ""
        text = f"{sentence(names(analytes))}{since}: {_STAGE_WORDS[first.stage]}{remedy}."
        details = [f.value for g in gaps for f in g.facts if first.stage is GapStage.UNUSABLE]
        if details:
            text += " " + "; ".join(details) + "."
        if first.stage is GapStage.NOT_ORDERED and len(gaps) > 1:
            text += " One draw can answer all."
    return Notice(
        code=NoticeCode.LAB_GAP_AHEAD if first.ahead else NoticeCode.LAB_GAP,
        text=text,
        tell=first.tell,
        priority=Priority.ROUTINE if first.ahead else Priority.URGENT,
        analytes=analytes,
        stage=first.stage,
        evidence=tuple(f for g in gaps for f in g.facts),
    )


def _due_words(s: Situation, gaps: list[Gap]) -> str:
    """Within the grace after its hour a draw is not late yet, but it is not still to become due either."""
    begun = [gap for gap in gaps if gap.due is not None and gap.due <= s.now]
    later = [gap for gap in gaps if gap not in begun]
    been = "has been" if len(begun) == 1 else "have been"
    parts = [f"{_analytes(begun)} {been} due since {_dues(s, begun)}"] if begun else []
    parts += [f"{_analytes(later)} will be due {_dues(s, later)}"] if later else []
    return sentence("; ".join(parts)) + ("," if len(parts) > 1 else "")


def _analytes(gaps: list[Gap]) -> str:
    return names(gap.analyte for gap in gaps)


def _dues(s: Situation, gaps: list[Gap]) -> str:
    by_due: dict[datetime, list[Analyte]] = defaultdict(list)
    for gap in gaps:
        if gap.due is not None:
            by_due[gap.due].append(gap.analyte)
    if len(by_due) == 1:
        return at(next(iter(by_due)), s.picture.zone)
    return ", ".join(f"{names(who)} {at(due, s.picture.zone)}" for due, who in sorted(by_due.items()))


def _micronutrients(s: Situation) -> tuple[Notice, ...]:
    return tuple(
        Notice(
            code=NoticeCode.MICRONUTRIENT,
            topic=f"{gap.vitamin.value}-{gap.state}",
            text=f"Please review: {gap.text}.",
            tell=Tell.PRESCRIBER,
            priority=_vitamin_priority(gap),
            evidence=gap.facts,
        )
        for gap in vitamin_gaps(s.picture, s.course, s.protocol, s.now)
    )


def _vitamin_priority(gap: VitaminGap) -> Priority:
    """Thiamine that is not given as it should be is a danger of its own; the rest can wait for the day."""
    pressing = gap.vitamin is Vitamin.THIAMINE and gap.state != "ending-early"
    return Priority.URGENT if pressing else Priority.ROUTINE


def _scheduled_increase(s: Situation, decision: Decision) -> tuple[Notice, ...]:
    """Orders that step themselves up are told before it happens, unless the present advice supports all of it."""
    rises = scheduled_rises(s)
    if not rises:
        return ()
    known = [r.kcal for r in rises if r.kcal is not None]
    highest = max(known) if len(known) == len(rises) else None
    beside = any(r.beside for r in rises)
    advised = decision.sized if decision.code in (AdviceCode.ADVANCE, AdviceCode.START) else None
    if advised is not None and not beside and highest is not None and highest <= advised.kcal:
        return ()
    holds = decision.code in _HOLDING or not s.course.feeding
    in_due_time = _is_in_due_time(s, decision, rises[0].when, highest)
    told = [f"{at(r.when, s.picture.zone)} ({r.words})" for r in rises]
    text = f"Energy is scheduled to rise by itself {', then '.join(told)}."
    return (
        Notice(
            code=NoticeCode.URGENT if holds else NoticeCode.SCHEDULED_INCREASE,
            topic="scheduled-increase",
            text=f"{text} {_why_told(decision, advised is not None, highest, in_due_time=in_due_time, beside=beside)}",
            tell=Tell.PRESCRIBER,
            priority=Priority.ROUTINE if in_due_time else Priority.URGENT,
            evidence=tuple(
                Fact(label="scheduled increase", value=r.words, when=r.when, source=r.source) for r in rises
            ),
        ),
    )


def _is_in_due_time(s: Situation, decision: Decision, first: datetime, highest: Decimal | None) -> bool:
    """Whether it is the step that will be due then anyway."""
    step, present, goal = s.step_kcal, s.course.present_kcal, s.goal.kcal
    if decision.code is not AdviceCode.STAY or s.next_step is None or first < s.next_step:
        return False
    if highest is None or step is None or present is None or goal is None:
        return False
    return highest <= min(present + step, goal)


def _why_told(decision: Decision, allows: bool, highest: Decimal | None, *, in_due_time: bool, beside: bool) -> str:
    if in_due_time:
        return "The draws before then decide whether the levels allow it."
    if not allows:
        return f"The present evidence does not support it: {decision.headline}."
    if highest is None:
        return (
            f"What that comes to is not known. Advised now: {decision.headline}. Please review the order before then."
        )
    if beside:
        return f"It would come on top of what is advised: {decision.headline}. Please review the order before then."
    return f"That is more than is advised: {decision.headline}. Please review the order before then."


def _data_quality(s: Situation) -> tuple[Notice, ...]:
    """What only the dietitian can settle: sums that cannot be done, and results nobody could match."""
    texts: list[tuple[str, str]] = [(words, source) for words, source in s.course.energy_problems]
    if s.goal.problem is not None:
        texts.append((s.goal.problem, ""))
    elif s.body.dosing_kg is None:
        texts.append((s.body.said, ""))
    texts += [(with_subject(n.text, n.source), n.source) for n in s.picture.notes if n.code == "uncoded-analyte"]
    if not texts:
        return ()
    unique = sorted(dict.fromkeys(texts))
    return (
        Notice(
            code=NoticeCode.DATA_QUALITY,
            text="Please check the chart: " + "; ".join(dict.fromkeys(t for t, _ in unique)) + ".",
            tell=Tell.DIETITIAN,
            priority=Priority.ROUTINE,
            evidence=tuple(Fact(label="to check", value=t, source=src) for t, src in unique if src),
        ),
    )
