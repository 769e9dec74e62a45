"""Short ways to make the things tests talk about. Everything has a plain default; a test names what it is
about.
"""

from collections.abc import Iterable
from datetime import UTC, datetime
from decimal import Decimal

from andante.domain.advice import (
    Advice,
    AdviceCode,
    AnalyteState,
    AnalyteView,
    Assessment,
    Fact,
    FeedingView,
    Notice,
    NoticeCode,
    Priority,
    Reason,
    RiskTier,
    RiskView,
    Tell,
)
from andante.domain.quantities import Analyte

NOW = datetime(2026, 11, 25, 6, 30, tzinfo=UTC)
DRAWN = datetime(2026, 11, 25, 5, 10, tzinfo=UTC)


def a_fact(
    label: str = "phosphate",
    value: str = "0.62 mmol/L",
    *,
    when: datetime | None = DRAWN,
    source: str = "Observation/po4-1/_history/1",
) -> Fact:
    return Fact(label=label, value=value, when=when, source=source)


def an_advice(
    code: AdviceCode = AdviceCode.HOLD, *, rule: str = "low-while-feeding", kcal: str | None = "960", **more: object
) -> Advice:
    given: dict[str, object] = {
        "headline": f"{code.value} at 40 mL/h",
        "rate_ml_h": Decimal(40),
        "because": ("Phosphate 0.62 mmol/L is low.",),
        "would_change": ("phosphate 0.80 mmol/L or more in a firm draw",),
        "valid_until": datetime(2026, 11, 25, 18, 30, tzinfo=UTC),
        "focus": "NutritionOrder/feed/_history/2",
    } | more
    return Advice(code=code, rule=rule, kcal=Decimal(kcal) if kcal else None, **given)  # type: ignore[arg-type]


def a_notice(
    code: NoticeCode = NoticeCode.LAB_GAP,
    text: str = "Phosphate (due Wed 25 Nov 06:00): no draw is ordered.",
    *,
    analytes: Iterable[Analyte] = (Analyte.PHOSPHATE,),
    tell: Tell = Tell.PRESCRIBER,
    priority: Priority = Priority.URGENT,
    **more: object,
) -> Notice:
    return Notice(
        code=code,
        text=text,
        analytes=tuple(analytes),
        tell=tell,
        priority=priority,
        **more,  # type: ignore[arg-type]
    )


def an_assessment(
    advice: Advice | None = None,
    *,
    now: datetime = NOW,
    notices: Iterable[Notice] = (),
    evidence: Iterable[Fact] | None = None,
    states: dict[Analyte, AnalyteState] | None = None,
    patient: str = "Patient/p1",
    encounter: str = "Encounter/e1/_history/3",
    ward: str = "Ward 3",
    bed: str = "12",
) -> Assessment:
    advice = advice or an_advice()
    facts = tuple(evidence) if evidence is not None else (a_fact(),)
    known = dict.fromkeys(Analyte, AnalyteState.IN_RANGE) | (states or {})
    return Assessment(
        patient=patient,
        encounter=encounter,
        ward=ward,
        bed=bed,
        now=now,
        protocol_id="aspen-2020",
        protocol_version="1.0.0",
        protocol_hash="5f" * 32,
        overlay=(),
        risk=RiskView(tier=RiskTier.SEVERE),
        feeding=FeedingView(),
        analytes=tuple(AnalyteView(analyte=analyte, state=state) for analyte, state in known.items()),
        advice=advice,
        notices=tuple(notices),
        data_quality=(),
        derivation=(Reason(rule=advice.rule, sentence="the rule that decided", facts=facts),),
        evidence=facts,
        versions=("Patient/p1/_history/1", "Encounter/e1/_history/3", *(fact.source for fact in facts)),
    )
