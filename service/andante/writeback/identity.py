"""Who a suggestion is: one name for the decision, one for the evidence it rests on.

The identifier on the server is `<decision>.<evidence>`, with a counter where the service itself took the same
one back before. Nothing that the clock moves enters either name, so that the same chart gives the same names
an hour later.

Evidence is named by what it says (which resource, which value, when taken), not by its version number: a
server that bumps a version without changing the content must not make a rejected suggestion look new.
"""

import hashlib
import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime

from andante.chart.chart import reference_key
from andante.domain.advice import AnalyteState, Assessment, Fact, Notice
from andante.domain.quantities import Analyte
from andante.wording import decimal_text
from andante.writeback.codes import Kind

_DIGITS = 24  # 96 bits: no two of a hospital's suggestions will ever share a name
_VALUE = re.compile(rf"([0-9a-f]{{{_DIGITS}}})\.([0-9a-f]{{{_DIGITS}}})(?:\.([1-9][0-9]{{0,5}}))?")


@dataclass(frozen=True, slots=True)
class Identity:
    """`again` counts from 1: how often this decision was raised on this evidence."""

    decision: str
    evidence: str
    again: int = 1

    @property
    def value(self) -> str:
        suffix = f".{self.again}" if self.again > 1 else ""
        return f"{self.decision}.{self.evidence}{suffix}"

    @classmethod
    def parse(cls, value: str) -> "Identity | None":
        """None for anything that is not one of our identifier values."""
        found = _VALUE.fullmatch(value)
        return cls(found[1], found[2], int(found[3] or 1)) if found else None


def advice_decision(assessment: Assessment) -> str:
    """Names the decision: for whom, what, by which rule, how much, and what stands in the way."""
    advice = assessment.advice
    amounts = (advice.kcal, advice.rate_ml_h, advice.bolus_ml, advice.dextrose_g)
    return digest(
        Kind.ADVICE,
        *_whom(assessment),
        advice.code,
        advice.rule,
        [decimal_text(amount) if amount is not None else None for amount in amounts],
        _blocking(assessment),
    )


def notice_decision(assessment: Assessment, notice: Notice) -> str:
    """One open notice per kind and group of analytes; another stage or another person to tell is another
    notice.
    """
    return digest(
        Kind.NOTICE,
        *_whom(assessment),
        notice.code,
        sorted(notice.analytes),
        notice.stage,
        notice.tell,
        notice.topic,
    )


def evidence(facts: Iterable[Fact], *said: str) -> str:
    """Names the evidence, whatever its order. `said` adds words that stand for evidence of their own."""
    return digest(sorted(_fact(fact) for fact in facts), *said)


def digest(*parts: object) -> str:
    """The same short name for the same parts, on every machine and Python."""
    text = json.dumps(parts, ensure_ascii=True, separators=(",", ":"), sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:_DIGITS]


def _whom(assessment: Assessment) -> tuple[str, str]:
    return unversioned(assessment.patient), unversioned(assessment.encounter)


def patient_id(assessment: Assessment) -> str:
    """The logical id of the patient."""
    return unversioned(assessment.patient).removeprefix("Patient/")


def unversioned(reference: str) -> str:
    """The reference without `_history`; anything that is no literal reference as it is."""
    return reference_key(reference) or reference


def _blocking(assessment: Assessment) -> list[list[str]]:
    """The states that are not fine, and the analytes that the deciding rule names; never their values."""
    states = [
        [view.analyte.value, view.state.value] for view in assessment.analytes if view.state != AnalyteState.IN_RANGE
    ]
    deciding = (reason for reason in assessment.derivation if reason.rule == assessment.advice.rule)
    labels = " ".join(fact.label.lower() for reason in deciding for fact in reason.facts)
    named = [[analyte.value, "named"] for analyte in Analyte if analyte in labels]
    return sorted([*states, *named])


def _fact(fact: Fact) -> list[str]:
    return [unversioned(fact.source), fact.label, fact.value, _instant(fact.when)]


def _instant(when: datetime | None) -> str:
    return when.astimezone(UTC).isoformat() if when else ""
