"""What an assessment wants in the inbox: at most one suggestion, and one notice per kind and group of
analytes.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from andante.domain.advice import Assessment, Fact, Notice, Priority, Tell
from andante.wording import advice_line, advice_text, notice_line, notice_text
from andante.writeback.codes import Kind
from andante.writeback.identity import advice_decision, evidence, notice_decision
from andante.writeback.site import Site

_BY_URGENCY = (Priority.ROUTINE, Priority.URGENT, Priority.ASAP, Priority.STAT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """One thing to leave in the inbox. `line` is its first line, `text` the whole; `notice` is None for the
    advice.
    """

    kind: Kind
    decision: str
    evidence: str
    line: str
    text: str
    priority: Priority
    tell: Tell
    facts: tuple[Fact, ...]
    valid_until: datetime | None = None
    notice: Notice | None = None
    escalated_to: str = ""


def escalated(proposal: Proposal, *, to: str, after: timedelta) -> Proposal:
    """The same notice, told to somebody else too. Its words say so once, and do not change as time passes."""
    minutes = int(after.total_seconds() // 60)
    text = f"{proposal.text}\n\nNot answered within {minutes} min: told to the next in line too."
    return replace(proposal, text=text, escalated_to=to)


def propose_advice(assessment: Assessment, site: Site) -> Proposal | None:
    """None where nobody needs to act: no Task is left for that."""
    advice = assessment.advice
    if advice.code.is_silent:
        return None
    return Proposal(
        kind=Kind.ADVICE,
        decision=advice_decision(assessment),
        evidence=evidence(assessment.evidence),
        line=advice_line(assessment),
        text=advice_text(assessment, site.zone),
        priority=advice.priority,
        tell=advice.tell,
        facts=assessment.evidence,
        valid_until=advice.valid_until,
    )


def propose_notices(assessment: Assessment, site: Site) -> tuple[Proposal, ...]:
    """In the assessment's order. Notices that are one and the same to the inbox are told together, none is
    lost.
    """
    together: dict[str, Notice] = {}
    for notice in assessment.notices:
        decision = notice_decision(assessment, notice)
        earlier = together.get(decision)
        together[decision] = notice if earlier is None else _merge(earlier, notice)
    return tuple(_propose(assessment, decision, notice, site) for decision, notice in together.items())


def by_decision(proposals: Iterable[Proposal]) -> Mapping[str, Proposal]:
    return {proposal.decision: proposal for proposal in proposals}


def _propose(assessment: Assessment, decision: str, notice: Notice, site: Site) -> Proposal:
    return Proposal(
        kind=Kind.NOTICE,
        decision=decision,
        # The words count as evidence: a gap often rests on an absence, which no resource stands for, and a
        # second missed draw must be told although the first one was dealt with.
        evidence=evidence(notice.evidence, notice.text),
        line=notice_line(notice, assessment),
        text=notice_text(notice, assessment, site.zone),
        priority=notice.priority,
        tell=notice.tell,
        facts=notice.evidence,
        notice=notice,
    )


def _merge(one: Notice, other: Notice) -> Notice:
    return replace(
        one,
        text=one.text if other.text in one.text.split("\n") else f"{one.text}\n{other.text}",
        priority=max(one.priority, other.priority, key=_BY_URGENCY.index),
        evidence=tuple(dict.fromkeys((*one.evidence, *other.evidence))),
    )
