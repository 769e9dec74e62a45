"""Risk of refeeding syndrome: every published criterion met, not met or unknown, and the tier they add up to."""

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from andante.domain.advice import CriterionView, Fact, RiskTier, RiskView, Working
from andante.domain.picture import MeasureKind, Picture
from andante.domain.protocol import Comparison, Criterion, CriterionKind, CriterionTest, Protocol
from andante.rules.bands import limits_of
from andante.rules.body import Body, current_findings, latest, weights_before
from andante.rules.course import Course
from andante.rules.evidence import Evidence
from andante.rules.intake import (
    Spell,
    feeding_began,
    longest_nil,
    lowest_share,
    spell_words,
    spells_before_feeding,
    stated_fact,
)
from andante.rules.phrases import level, percent_of, plain, span

_TENTH = Decimal("0.1")
_TIER_ORDER = (RiskTier.NONE, RiskTier.UNKNOWN, RiskTier.MODERATE, RiskTier.SEVERE)
_LEVELS = ("severe", "moderate")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """What a criterion found: the level met ("" for not met), or unknown; with words and facts."""

    level: str
    unknown: bool
    text: str
    facts: tuple[Fact, ...] = ()
    working: tuple[Working, ...] = ()


def judge(
    picture: Picture,
    protocol: Protocol,
    now: datetime,
    *,
    body: Body,
    course: Course,
    evidence: tuple[Evidence, ...],
    need_kcal: Decimal | None,
) -> RiskView:
    """Every criterion and the tier by the protocol's counting rule; a clinician's own entry wins upward."""
    before = feeding_began(course, now)
    spells = spells_before_feeding(picture, protocol, now, course=course, need_kcal=need_kcal)
    nil = longest_nil(spells, protocol, before=before)
    seen: dict[str, _Seen] = {}
    for criterion in protocol.risk.criteria:
        match criterion.kind:
            case CriterionKind.BMI:
                seen[criterion.id] = _body_mass(criterion, body)
            case CriterionKind.INTAKE_DAYS:
                seen[criterion.id] = _nil_intake(criterion, picture, protocol, now, nil)
            case CriterionKind.INTAKE_SHARE:
                seen[criterion.id] = _reduced_intake(criterion, spells, protocol, before)
            case CriterionKind.WEIGHT_LOSS:
                seen[criterion.id] = _weight_loss(criterion, picture, protocol, now, body)
            case CriterionKind.LOW_ELECTROLYTE:
                seen[criterion.id] = _low_before_feeding(criterion, protocol, course, evidence)
            case CriterionKind.FINDING:
                seen[criterion.id] = _finding(criterion, picture, now)
    views = tuple(_view(c, seen[c.id]) for c in protocol.risk.criteria)
    tier = RiskTier.NONE
    for count in protocol.risk.counting:
        # A criterion met at the severe column is met at the moderate one too.
        levels = ("severe",) if count.level == "severe" else _LEVELS
        rows = {c.row or c.id for c in protocol.risk.criteria if seen[c.id].level in levels}
        if len(rows) >= count.at_least:
            tier = RiskTier(count.tier)
            break
    if tier is RiskTier.NONE and any(seen[i].unknown for i in protocol.risk.needed_to_rule_out if i in seen):
        tier = RiskTier.UNKNOWN
    entered = [e for e in picture.risk_entries if e.recorded is None or e.recorded <= now]
    by_clinician = False
    for entry in entered:
        own = RiskTier(entry.tier)
        if _TIER_ORDER.index(own) > _TIER_ORDER.index(tier):
            tier, by_clinician = own, True
    return RiskView(
        tier=tier,
        extreme=_is_extreme(protocol, body, nil),
        by_clinician=by_clinician,
        criteria=views,
    )


def _view(criterion: Criterion, seen: _Seen) -> CriterionView:
    state = "met" if seen.level else ("unknown" if seen.unknown else "not-met")
    return CriterionView(
        id=criterion.id,
        state=state,
        level=seen.level,
        text=seen.text,
        would_settle=criterion.would_settle if state == "unknown" else "",
        facts=seen.facts,
        cites=tuple(n for t in criterion.tests for n in (t.limit, t.window) if n is not None),
        working=seen.working,
    )


def _is_extreme(protocol: Protocol, body: Body, nil: Spell | None) -> bool:
    energy = protocol.energy
    if body.bmi is not None and body.bmi < energy.extreme_bmi.value:
        return True
    return nil is not None and nil.days > energy.extreme_days_without_intake.value


def _body_mass(criterion: Criterion, body: Body) -> _Seen:
    if body.bmi is None:
        return _Seen(level="", unknown=True, text=f"{criterion.text} not known")
    level_met = _compare(criterion.tests, body.bmi)
    return _Seen(
        level=level_met,
        # An old weight may show a risk, but not that there is none.
        unknown=not level_met and body.is_stale,
        text=f"{criterion.text} {plain(body.bmi, _TENTH)} kg/m²",
        facts=body.facts,
    )


def _nil_intake(criterion: Criterion, picture: Picture, protocol: Protocol, now: datetime, nil: Spell | None) -> _Seen:
    statement = latest(picture, protocol, MeasureKind.DAYS_WITHOUT_INTAKE, now)
    level_met = _compare(criterion.tests, nil.days) if nil is not None else ""
    if nil is not None and (level_met or statement is not None):
        days = f"{plain(nil.days, _TENTH)} {criterion.text}"
        words = f"{days}, {spell_words(nil, picture)}"
        working = (*nil.working, Working(result=days, terms=spell_words(nil, picture)))
        return _Seen(level=level_met, unknown=False, text=words, facts=nil.facts, working=working)
    if statement is not None:
        return _Seen(level="", unknown=False, text=f"no {criterion.text}, as stated", facts=(stated_fact(statement),))
    # A short order for nil by mouth does not say what was eaten before it.
    return _Seen(level="", unknown=True, text=f"{criterion.text} not stated", facts=nil.facts if nil else ())


def _reduced_intake(criterion: Criterion, spells: tuple[Spell, ...], protocol: Protocol, before: datetime) -> _Seen:
    known: list[_Seen] = []
    for test in criterion.tests:
        if test.window is None or test.limit is None or test.comparison is None:
            continue
        found = lowest_share(spells, protocol, window=span(test.window.value, "d"), before=before)
        if found is None:
            known.append(
                _Seen(
                    level="",
                    unknown=True,
                    text=f"{criterion.text}: no record of more than {plain(test.window.value)} days",
                )
            )
            continue
        share, days, facts = found
        met = test.comparison.holds(share, test.limit.value)
        known.append(
            _Seen(
                level=test.level if met else "",
                unknown=False,
                text=f"{criterion.text}: {plain(share)} % of it over {plain(days, _TENTH)} days",
                facts=facts,
                working=(_mean(f"{plain(share)} % of it over {plain(days, _TENTH)} days"),),
            )
        )
    for lvl in _LEVELS:
        if found_at := next((s for s in known if s.level == lvl), None):
            return found_at
    return next((s for s in known if s.unknown), known[0])


def _mean(result: str) -> Working:
    return Working(result=result, terms="the mean of the records, each by its length")


def _compare(tests: tuple[CriterionTest, ...], value: Decimal) -> str:
    """The worst level at which the value meets a test."""
    met = {
        t.level
        for t in tests
        if t.comparison is not None and t.limit is not None and t.comparison.holds(value, t.limit.value)
    }
    return next((lvl for lvl in _LEVELS if lvl in met), "")


def _weight_loss(criterion: Criterion, picture: Picture, protocol: Protocol, now: datetime, body: Body) -> _Seen:
    current = body.weight
    if current is None or current.value is None or current.taken is None:
        return _Seen(level="", unknown=True, text=f"{criterion.text} not known: no present weight")
    met: dict[str, tuple[Decimal, Fact]] = {}
    unknown = False
    for test in criterion.tests:
        if test.window is None or test.limit is None or test.comparison is None:
            continue
        window = span(test.window.value, "d")
        earlier = weights_before(picture, protocol, now, before=current.taken, window=window)
        # A weight from yesterday cannot rule a loss over months out: one from the older part of the window can.
        early = span(test.window.value * protocol.evidence.weight_early_share.value / 100, "d")
        if not any(m.taken is not None and m.taken <= current.taken - early for m in earlier):
            unknown = True
        for measure in earlier:
            if measure.value is None:
                continue
            lost = percent_of(measure.value - current.value, measure.value)
            if test.comparison.holds(lost, test.limit.value):
                fact = Fact(
                    label="earlier weight",
                    value=f"{plain(measure.value, _TENTH)} kg",
                    when=measure.taken,
                    source=measure.source,
                )
                if test.level not in met or lost > met[test.level][0]:
                    met[test.level] = (lost, fact)
    for lvl in _LEVELS:
        if lvl in met:
            lost, fact = met[lvl]
            shown = f"{plain(lost, _TENTH)} %"
            kg = f"{plain(current.value, _TENTH)} kg"
            return _Seen(
                level=lvl,
                unknown=False,
                text=f"{criterion.text} {shown} to {kg}",
                facts=(fact, *body.facts),
                working=(Working(result=shown, terms=f"({fact.value} − {kg}) ÷ {fact.value} × 100"),),
            )
    unknown = unknown or body.is_stale
    text = f"{criterion.text} not known: no earlier or no recent weight" if unknown else f"no {criterion.text} of note"
    return _Seen(level="", unknown=unknown, text=text)


def _low_before_feeding(
    criterion: Criterion, protocol: Protocol, course: Course, evidence: tuple[Evidence, ...]
) -> _Seen:
    met: dict[str, list[Fact]] = {}
    unknown = False
    for item in evidence:
        draws = [d for d in item.draws if course.started is None or d.collected <= course.started]
        if not draws:
            unknown = True
        for draw in draws:
            if not draw.band.is_low:
                continue
            low, _, _ = limits_of(draw.telling, protocol)
            value = draw.telling.level.value if draw.telling.level else None
            if value is None:
                continue
            share = percent_of(value, low)
            for test in criterion.tests:
                deep = test.limit is None or (test.comparison or Comparison.BELOW).holds(share, test.limit.value)
                if deep:
                    met.setdefault(test.level, []).append(
                        Fact(
                            label=item.analyte.value,
                            value=level(item.analyte, value),
                            when=draw.collected,
                            source=draw.telling.source,
                        )
                    )
    for lvl in _LEVELS:
        if lvl in met:
            words = ", ".join(dict.fromkeys(f.label for f in met[lvl]))
            return _Seen(level=lvl, unknown=False, text=f"{words} low before feeding", facts=tuple(met[lvl]))
    if unknown:
        return _Seen(level="", unknown=True, text="levels before feeding not all known")
    return _Seen(level="", unknown=False, text="no low level before feeding")


def _finding(criterion: Criterion, picture: Picture, now: datetime) -> _Seen:
    met: dict[str, list[Fact]] = {}
    for finding in current_findings(picture, now):
        for test in criterion.tests:
            if finding.kind.value in test.findings and (finding.severity or "") in test.severities:
                met.setdefault(test.level, []).append(
                    Fact(
                        label=finding.kind.value,
                        value=finding.text,
                        when=finding.recorded,
                        source=finding.source,
                    )
                )
    for lvl in _LEVELS:
        if lvl in met:
            words = "; ".join(f.value for f in met[lvl])
            return _Seen(level=lvl, unknown=False, text=f"{criterion.text}: {words}", facts=tuple(met[lvl]))
    return _Seen(level="", unknown=True, text=f"{criterion.text}: nothing coded")
