"""From the picture to everything said about it."""

from datetime import datetime

from andante.domain.advice import (
    Advice,
    AnalyteView,
    Assessment,
    DataQuality,
    Fact,
    FeedingView,
)
from andante.domain.picture import EnergyKind, Picture, require_aware
from andante.domain.protocol import Protocol
from andante.rules.bands import limits_of
from andante.rules.canonical import in_fixed_offset, settle
from andante.rules.counterfactual import would_change
from andante.rules.decision import Decision, soonest
from andante.rules.derivation import derive
from andante.rules.evidence import Draw
from andante.rules.facts import lab_fact
from andante.rules.history import ends_unknown
from andante.rules.notices import give_notice
from andante.rules.phrases import level, named_once, span
from andante.rules.situation import Situation, take_in
from andante.rules.table import decide
from andante.rules.telling import lowers


def evaluate(picture: Picture, protocol: Protocol, now: datetime) -> Assessment:
    """Assess one patient at `now`. Pure: the same arguments always give the same answer.

    Raises ValueError when `now` has no time zone.
    """
    require_aware(now)
    s = take_in(settle(picture), protocol, in_fixed_offset(now))
    decision = decide(s)
    stay = picture.stay
    return Assessment(
        patient=picture.patient,
        encounter=stay.source if stay else "",
        ward=(stay.ward or "") if stay else "",
        bed=(stay.bed or "") if stay else "",
        now=now,
        protocol_id=protocol.id,
        protocol_version=protocol.version,
        protocol_hash=protocol.hash,
        overlay=protocol.overlay,
        risk=s.risk,
        feeding=_feeding(s),
        analytes=_analytes(s, decision),
        advice=_advice(s, decision),
        notices=give_notice(s, decision),
        data_quality=_data_quality(s),
        derivation=derive(s, decision),
        evidence=_evidence(s, decision),
        versions=picture.versions,
    )


def _advice(s: Situation, decision: Decision) -> Advice:
    sized = decision.sized
    focus = s.vehicle.order.source if s.vehicle is not None and s.vehicle.order is not None else ""
    if not focus and s.course.running:
        focus = min(o.source for o in s.course.running)
    return Advice(
        code=decision.code,
        rule=decision.rule,
        headline=decision.headline,
        kcal=sized.kcal if sized else None,
        lowers=lowers(s, sized),
        rate_ml_h=sized.rate_ml_h if sized else None,
        bolus_ml=sized.bolus_ml if sized else None,
        dextrose_g=sized.dextrose_g if sized else None,
        valid_until=soonest(decision.valid_until, s.new_start_at),
        because=decision.because,
        would_change=would_change(s, decision),
        priority=decision.priority,
        tell=decision.tell,
        focus=focus,
    )


def _feeding(s: Situation) -> FeedingView:
    course = s.course
    return FeedingView(
        started=course.started,
        day=course.day,
        goal_kcal=s.goal.kcal,
        ordered_kcal=course.ordered_kcal,
        delivered_kcal=course.delivered.kcal_day if course.delivered is not None else None,
        other_kcal=course.other_kcal,
    )


def _analytes(s: Situation, decision: Decision) -> tuple[AnalyteView, ...]:
    views = []
    for reading in s.readings:
        fall = s.fall(reading.analyte)
        shown = reading.shown
        views.append(
            AnalyteView(
                analyte=reading.analyte,
                state=reading.state,
                value=shown.level.value if shown is not None and shown.level is not None else None,
                comparator=shown.level.comparator if shown is not None and shown.level is not None else "",
                collected=shown.collected if shown is not None else None,
                fall_percent=fall.percent if fall is not None else None,
                next_due=None if decision.code.is_silent else s.due[reading.analyte],
                source=shown.source if shown is not None else "",
            )
        )
    return tuple(views)


def _evidence(s: Situation, decision: Decision) -> tuple[Fact, ...]:
    """The values the advice rests on: all three analytes first, then what the rule used."""
    facts = [f for f in (lab_fact(r) for r in s.readings) if f is not None]
    facts += decision.facts
    return tuple(dict.fromkeys(facts))


def _data_quality(s: Situation) -> tuple[DataQuality, ...]:
    """Every note of the chart, and every result that was set aside and still matters."""
    notes = [DataQuality(code=n.code, text=n.text, source=n.source) for n in s.picture.notes]
    notes += [DataQuality(code="incomplete-read", text=what) for what in s.picture.incomplete]
    if s.picture.stay is None:
        notes.append(DataQuality(code="no-encounter", text="no hospital encounter is in the chart"))
    oldest = s.now - span(s.protocol.evidence.lookback.value, "d")
    for reading in s.readings:
        for aside in reading.evidence.set_aside:
            newest = aside.result.latest or aside.result.reported
            if newest is None or newest >= oldest:
                text = f"{reading.analyte.value}: {named_once(aside.result.written, aside.text)}"
                notes.append(DataQuality(code=aside.code, text=text, source=aside.result.source))
        for draw in reading.evidence.draws:
            note = limits_of(draw.telling, s.protocol)[2]
            if note and draw.collected >= oldest:
                notes.append(
                    DataQuality(
                        code="reference-range",
                        text=f"{reading.analyte.value}: {note}",
                        source=draw.telling.source,
                    )
                )
            if draw.collected >= oldest and _disagree(draw):
                written = ", ".join(sorted(r.written for r in draw.results))
                notes.append(
                    DataQuality(
                        code="disagreement",
                        text=f"{reading.analyte.value}: results of one draw disagree ({written}); the lower counts",
                        source=draw.lowest.source,
                    )
                )
    if s.body.disagreeing is not None and s.body.weight is not None:
        text = f"weights of the same days disagree ({s.body.said}): the lower counts"
        notes.append(DataQuality(code="weights-disagree", text=text, source=s.body.disagreeing.source))
    pumped = [o for o in s.course.running if o.kind is EnergyKind.ENTERAL]
    if len(pumped) > 1:
        text = f"{len(pumped)} enteral feed orders are in force at once; all are counted: check which of them runs"
        notes.append(DataQuality(code="overlapping-orders", text=text, source=min(o.source for o in pumped)))
    notes += [
        DataQuality(code="end-unknown", text=f"{o.kind.value}: ended, but the chart does not say when", source=o.source)
        for o in s.picture.energy_orders
        if ends_unknown(o, s.now)
    ]
    notes += [DataQuality(code="energy", text=words, source=source) for words, source in s.course.energy_problems]
    if s.goal.problem:
        notes.append(DataQuality(code="goal", text=s.goal.problem))
    if s.body.dosing_kg is None:
        notes.append(DataQuality(code="weight", text=s.body.said))
    return tuple(sorted(dict.fromkeys(notes), key=lambda n: (n.code, n.source, n.text)))


def _disagree(draw: Draw) -> bool:
    """Whether two results of one draw, of one matrix, differ by more than the unit they are written in."""
    shown = {(r.matrix, level(r.analyte, r.level.value)) for r in draw.results if r.level and r.level.value is not None}
    return len(shown) > len({r.matrix for r in draw.results})
