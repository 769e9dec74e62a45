"""An assessment, and a draft weighed against it, as CDS Hooks cards (https://cds-hooks.hl7.org/2.0/).

A card informs. None carries a suggestion with actions, and no answer a system action: nothing is ordered from here.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from decimal import ROUND_CEILING, Decimal
from enum import StrEnum
from typing import Any

from andante.domain.advice import AdviceCode, Assessment, Priority
from andante.drafts import Verdict
from andante.rules.draft import Bound, Weighed
from andante.wording import CAUTION, decimal_text, figures
from andante.writeback.codes import DISPLAY
from andante.writeback.site import Site

Json = dict[str, Any]

LABEL = "Andante"
_LONGEST = 139  # signs of a summary: fewer than 140
_URGENCY = (Priority.ROUTINE, Priority.URGENT, Priority.ASAP, Priority.STAT)
# GitHub Flavored Markdown: a backslash before punctuation makes it plain.
_BULLET = re.compile(r"^(\d*)([-+=.)])")  # what would begin a list or a heading of its own
_MARKDOWN = re.compile(r"([\\`*_{}\[\]<>#|~!&@]|(?<=:)//|(?<=www)\.)")


class OverrideReason(StrEnum):
    """Why a clinician goes on although the card warns. The codes of our CodeSystem `override-reason`."""

    RUNNING_FEED_STOPS = "running-feed-stops"
    NEWER_RESULTS = "newer-results"
    OTHER_GOAL = "other-goal"
    REPLACEMENT_RUNS = "replacement-runs"
    COMFORT_CARE = "comfort-care"
    LOCAL_PROTOCOL = "local-protocol"
    CLINICAL_JUDGEMENT = "clinical-judgement"


REASONS: dict[OverrideReason, str] = {
    OverrideReason.RUNNING_FEED_STOPS: "The running feed will be stopped when this one starts",
    OverrideReason.NEWER_RESULTS: "Newer results are known than the chart shows",
    OverrideReason.OTHER_GOAL: "Another energy goal has been agreed",
    OverrideReason.REPLACEMENT_RUNS: "Replacement is running and watched",
    OverrideReason.COMFORT_CARE: "Comfort care: the protocol does not apply",
    OverrideReason.LOCAL_PROTOCOL: "The local protocol says otherwise",
    OverrideReason.CLINICAL_JUDGEMENT: "Clinical judgement",
}


@dataclass(frozen=True, kw_only=True)
class Frame:
    """What every card of an answer has in common: our code systems, and where the service can be looked at."""

    site: Site
    address: str | None = None


def patient_card(assessment: Assessment, frame: Frame, *, uuid: str) -> Json | None:
    """Where the patient stands; None where nobody needs to act."""
    advice = assessment.advice
    if advice.code.is_silent:
        return None
    parts = (
        _paragraph(advice.headline, bold=True),
        _listed("Why", advice.because),
        *(_paragraph(line) for line in figures(advice)),
        _listed("What would change this", advice.would_change),
        _listed("To be seen to", (notice.text.partition("\n")[0] for notice in assessment.notices)),
        *_foot(assessment),
    )
    urgency = max((advice.priority, *(n.priority for n in assessment.notices)), key=_URGENCY.index)
    return _card(
        frame,
        uuid=uuid,
        code=advice.code,
        summary=f"{DISPLAY[advice.code]}: {advice.headline}",
        indicator=_indicator(urgency),
        detail=parts,
    )


def draft_card(verdict: Verdict, frame: Frame, *, uuid: str) -> Json | None:
    """How a draft compares with what is advised; None where it stays within, whatever becomes of the running feed."""
    weighed, assessment = verdict.weighed, verdict.assessment
    if weighed.is_within:
        return None
    advice = assessment.advice
    said = _draft_summary(weighed)
    parts = (
        _paragraph(said, bold=True),
        _listed("The sum", _sums(weighed)),
        _listed("Advised now", (advice.headline, *map(_limit, weighed.bounds))),
        _listed("Why", advice.because),
        _listed("What would change this", advice.would_change),
        _listed("Not certain", (*weighed.problems, *verdict.notes)),
        *_foot(assessment),
    )
    card = _card(
        frame,
        uuid=uuid,
        code=advice.code,
        summary=said,
        indicator=_draft_indicator(weighed, advice.code),
        detail=parts,
    )
    system = frame.site.system("override-reason")
    reasons = [r for r in OverrideReason if weighed.replaces or r is not OverrideReason.RUNNING_FEED_STOPS]
    card["overrideReasons"] = [{"system": system, "code": r.value, "display": REASONS[r]} for r in reasons]
    return card


def _draft_indicator(weighed: Weighed, code: AdviceCode) -> str:
    passed = weighed.passed or weighed.beside is None or not weighed.bounds
    if not passed:
        return "info"  # only that it rises by itself later
    return "critical" if code is AdviceCode.URGENT_REVIEW else "warning"


def _draft_summary(weighed: Weighed) -> str:
    if weighed.beside is None or weighed.instead is None or not weighed.bounds:
        return "This draft cannot be checked: its energy, or what else runs, cannot be summed"
    if weighed.passed_anyway:
        least = weighed.passed_anyway[0]
        return (
            f"With this draft {_kcal(weighed.instead)}: more than {least.limit.value}, {_kcal(least.kcal, down=True)}"
        )
    if weighed.passed:
        least = weighed.passed[0]
        return (
            f"Only if the running feed stops: {_kcal(weighed.instead)}; with both {_kcal(weighed.beside)}, more than "
            f"{least.limit.value}"
        )
    return f"This draft rises by itself {weighed.rises_later}: the draws before then decide"


def _sums(weighed: Weighed) -> Iterator[str]:
    yield f"the draft brings {_known(weighed.brings)} at its most in the first 24 h"
    yield f"what runs or is due to begin: {_known(weighed.runs)}"
    if weighed.replaces:
        yield f"together, if both run: {_known(weighed.beside)}"
        yield f"if the running feed of the same kind is stopped: {_known(weighed.instead)}"
        yield "a nutrition order cannot say which order it replaces, so the larger sum is what counts here"
    else:
        yield f"together: {_known(weighed.beside)}"
    if weighed.rises_later:
        yield f"the draft rises by itself later, {weighed.rises_later}"


def _limit(bound: Bound, between: str = ": ") -> str:
    return f"{bound.limit.value}{between}{_kcal(bound.kcal, down=True)}"


def _known(value: Decimal | None) -> str:
    return "not known" if value is None else _kcal(value)


def _kcal(value: Decimal, *, down: bool = False) -> str:
    """A sum is shown rounded up, a limit rounded down: neither looks smaller than it is."""
    whole = value.to_integral_value() if value == value.to_integral_value() else None
    if whole is None:
        whole = value // 1 if down else value.to_integral_value(rounding=ROUND_CEILING)
    return f"{decimal_text(whole)} kcal/day"


def _foot(assessment: Assessment) -> Iterator[str]:
    yield f"*{_plain(CAUTION)}*"
    protocol = f"Protocol {assessment.protocol_id} {assessment.protocol_version}, rule {assessment.advice.rule}."
    yield _paragraph(protocol)
    if assessment.overlay:
        yield _listed("Local numbers in force", assessment.overlay)


def _card(frame: Frame, *, uuid: str, code: AdviceCode, summary: str, indicator: str, detail: Iterable[str]) -> Json:
    topic = {"system": frame.site.system("advice"), "code": code.value, "display": DISPLAY[code]}
    card: Json = {
        "uuid": uuid,
        "summary": _summary(summary),
        "indicator": indicator,
        "detail": "\n\n".join(part for part in detail if part),
        "source": {"label": LABEL, "topic": topic},
    }
    if frame.address is not None:
        card["source"]["url"] = frame.address
        link = {"label": "Every number in force and its source", "url": f"{frame.address}/protocol", "type": "absolute"}
        card["links"] = [link]
    return card


def _indicator(priority: Priority) -> str:
    match priority:
        case Priority.ROUTINE:
            return "info"
        case Priority.STAT:
            return "critical"
        case _:
            return "warning"


def _summary(text: str) -> str:
    line = " ".join(text.split())
    return line if len(line) <= _LONGEST else f"{line[: _LONGEST - 1].rstrip()}…"


def _paragraph(text: str, *, bold: bool = False) -> str:
    return f"**{_plain(text)}**" if bold else _plain(text)


def _listed(title: str, lines: Iterable[str]) -> str:
    rows = [f"- {_plain(line)}" for line in lines]
    return "\n".join((f"**{title}**", "", *rows)) if rows else ""


def _plain(text: str) -> str:
    """Text of a chart on one line, in which nothing of Markdown or HTML comes alive."""
    line = _MARKDOWN.sub(r"\\\1", " ".join(text.split()))
    return _BULLET.sub(r"\1\\\2", line)
