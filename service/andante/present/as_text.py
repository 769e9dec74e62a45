"""An assessment in plain words for a terminal. Words carry the state; colour only repeats them."""

from collections.abc import Iterable
from datetime import tzinfo

from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from andante.domain.advice import (
    Advice,
    AdviceCode,
    AnalyteState,
    AnalyteView,
    Assessment,
    FeedingView,
    Notice,
    Priority,
    RiskView,
    with_subject,
)
from andante.present.argument import argument_of
from andante.present.shown import day_time, number, plain, words
from andante.wording import CAUTION, place_text

WIDTH = 100

_ADVICE_WORDS = {
    AdviceCode.NOT_COVERED: "Not covered",
    AdviceCode.NOT_AT_RISK: "Not at risk",
    AdviceCode.DRAW_FIRST: "Draw first",
    AdviceCode.CORRECT_FIRST: "Correct first",
    AdviceCode.START: "Start",
    AdviceCode.STAY: "Stay",
    AdviceCode.ADVANCE: "Advance",
    AdviceCode.AT_GOAL: "At goal",
    AdviceCode.HOLD: "Hold",
    AdviceCode.HALVE: "Halve",
    AdviceCode.URGENT_REVIEW: "Urgent medical review",
    AdviceCode.STOOD_DOWN: "Stood down",
}
_PRIORITY_WORDS = {
    Priority.STAT: "at once",
    Priority.ASAP: "as soon as possible",
    Priority.URGENT: "urgent",
    Priority.ROUTINE: "routine",
}
_PRIORITY_STYLE = {Priority.STAT: "bold red", Priority.ASAP: "bold", Priority.URGENT: "bold"}
_UNSETTLED = (
    AnalyteState.MISSING,
    AnalyteState.STALE,
    AnalyteState.PROVISIONAL,
    AnalyteState.UNREADABLE,
)


def console(*, stderr: bool = False) -> Console:
    """A console that wraps at a readable width, also where the output is no terminal."""
    found = Console(stderr=stderr, highlight=False, markup=False, emoji=False)
    found.width = min(found.width, WIDTH + 10) if found.is_terminal else WIDTH
    return found


def advice_words(code: AdviceCode) -> str:
    return _ADVICE_WORDS[code]


def advice_name(advice: Advice) -> str:
    """The short name over an advice, in agreement with its first line where that says something else than its code."""
    if advice.rule == "risk-not-shown":
        return "Risk not known"
    if advice.code is AdviceCode.HOLD and advice.lowers:
        return "Bring down"
    return advice_words(advice.code)


def priority_words(priority: Priority) -> str:
    return _PRIORITY_WORDS[priority]


def priority_style(priority: Priority) -> str:
    return _PRIORITY_STYLE.get(priority, "")


def caution() -> RenderableType:
    return Text(CAUTION, style="italic")


def assessment_view(assessment: Assessment, zone: tzinfo) -> RenderableType:
    """One patient: the advice first, then why, what would change it, the levels, and whom to tell."""
    advice = assessment.advice
    facts = [f"{advice_name(advice)}; {priority_words(advice.priority)}, for the {advice.tell.value}"]
    if advice.valid_until is not None:
        facts.append(f"valid until {day_time(advice.valid_until, zone)}")
    facts.append(f"rule {advice.rule}")
    head = Text(plain(advice.headline), style=f"bold {priority_style(advice.priority)}")
    parts: list[RenderableType] = [_title(assessment, zone), head, Text("; ".join(facts))]
    parts += _list("Why", advice.because)
    parts += _list("What would change this advice", advice.would_change)
    if assessment.analytes:
        parts += [Text(), _levels(assessment.analytes, zone)]
    parts += [Text(), _energy(assessment.feeding, zone), _risk(assessment.risk)]
    parts += _list("Notices", (_notice(notice) for notice in assessment.notices))
    parts += _list(
        "Data quality", (f"{with_subject(note.text, note.source)} ({note.code})" for note in assessment.data_quality)
    )
    parts += [Text(), *_protocol(assessment), caution()]
    return Group(*parts)


def _title(assessment: Assessment, zone: tzinfo) -> RenderableType:
    place = place_text(assessment)
    named = assessment.patient + (f" · {place}" if place else "")
    return Rule(Text(plain(f"{named} · {day_time(assessment.now, zone)}")), align="left", style="dim")


def _list(title: str, lines: Iterable[str]) -> list[RenderableType]:
    kept = [plain(line) for line in lines]
    if not kept:
        return []
    return [Text(), Text(title, style="bold"), *(_bullet(line) for line in kept)]


def _bullet(line: str, indent: int = 2) -> RenderableType:
    table = Table.grid(padding=(0, 1, 0, 0))
    table.add_column(width=1)
    table.add_column()
    table.add_row("-", Text(line))
    return Padding(table, (0, 0, 0, indent), expand=False)


def _levels(views: Iterable[AnalyteView], zone: tzinfo) -> RenderableType:
    table = Table(box=None, pad_edge=False, padding=(0, 3, 0, 0), header_style="dim")
    for name in ("", "state", "mmol/L", "collected", "fall", "next draw due"):
        table.add_column(name, justify="right" if name in ("mmol/L", "fall") else "left")
    for view in views:
        settled = view.state is AnalyteState.IN_RANGE
        table.add_row(
            view.analyte.value,
            Text(view.state.value, style="" if settled else "bold"),
            "" if view.value is None else f"{view.comparator}{number(view.value):f}",
            "" if view.collected is None else day_time(view.collected, zone),
            "" if view.fall_percent is None else words(view.fall_percent, "%"),
            "" if view.next_due is None else day_time(view.next_due, zone),
        )
    return table


def _energy(feeding: FeedingView, zone: tzinfo) -> RenderableType:
    if feeding.started is None:
        course = "not feeding"
    else:
        course = f"feeding day {feeding.day or '?'}, since {day_time(feeding.started, zone)}"
    sums = ", ".join(
        f"{name} {words(value)}"
        for name, value in (
            ("goal", feeding.goal_kcal),
            ("ordered for the next 24 h", feeding.ordered_kcal),
            ("delivered", feeding.delivered_kcal),
            ("other", feeding.other_kcal),
        )
    )
    return Text(f"Energy: {course}; kcal/day: {sums}")


def _risk(risk: RiskView) -> RenderableType:
    told = risk.tier.value
    if risk.extreme:
        told += ", lowest-start tier"
    if risk.by_clinician:
        told += ", by a clinician's entry"
    met = [criterion.text for criterion in risk.criteria if criterion.state == "met"]
    open_ones = [criterion.text for criterion in risk.criteria if criterion.state == "unknown"]
    text = f"Risk: {told}"
    if met:
        text += f"; met: {', '.join(met)}"
    if open_ones:
        text += f"; not known: {', '.join(open_ones)}"
    return Text(plain(text))


def _notice(notice: Notice) -> str:
    stage = f", {notice.stage.value}" if notice.stage else ""
    who = f"{priority_words(notice.priority)}, to the {notice.tell.value}"
    first, _, rest = notice.text.partition("\n")
    text = f"{first}. {rest}" if rest else first
    return f"{who}: {text} ({notice.code.value}{stage})"


def _protocol(assessment: Assessment) -> list[RenderableType]:
    named = f"Protocol {assessment.protocol_id} {assessment.protocol_version}, {assessment.protocol_hash[:12]}"
    return [Text(named), *_list("Changed by this site", assessment.overlay)]


# --------------------------------------------------------------------------- the derivation


def explanation_view(assessment: Assessment, zone: tzinfo) -> RenderableType:
    """Every rule that fired, in order, with the facts and protocol entries it used and their sources."""
    argument = argument_of(assessment, zone)
    parts: list[RenderableType] = [_title(assessment, zone), Text(argument.headline, style="bold")]
    for step in argument.steps:
        parts += [
            Text(),
            Text(step.title, style="bold"),
            Padding(step.sentence, (0, 3), expand=False),
            *(_bullet(line, indent=3) for line in step.lines),
        ]
    parts += _list("Set aside or doubtful", argument.doubts)
    parts += _list("What would change this advice", argument.would_change)
    parts += [Text(), *_protocol(assessment), caution()]
    return Group(*parts)
