"""The JSON of one assessment: the keys of the fixed contract in their order, our additions after them."""

import re
from datetime import tzinfo
from typing import Any

import msgspec

from andante.domain.advice import (
    Advice,
    AnalyteView,
    Assessment,
    CriterionView,
    DataQuality,
    Fact,
    Notice,
    Reason,
    RiskView,
)
from andante.domain.protocol import Number, Switch
from andante.present.shown import instant, number
from andante.wording import CAUTION

Json = dict[str, Any]

# Signs that end a line, steer a terminal or turn the direction of writing; in UTF-8, as they stand in JSON strings.
_UNSEEN = re.compile(rb"\x7f|\xc2[\x80-\x9f]|\xe2\x80[\x8b-\x8f\xa8-\xae]|\xe2\x81[\xa0-\xaf]|\xef\xbb\xbf")
_encoder = msgspec.json.Encoder(decimal_format="number")


def encode(value: object) -> bytes:
    """JSON in UTF-8 on one line, whichever signs the reader takes for a line's end; decimals as exact numbers.

    What is not to be seen is escaped, so that a terminal shows it and does not obey it.
    """
    return _UNSEEN.sub(lambda sign: f"\\u{ord(sign[0].decode()):04x}".encode(), _encoder.encode(value))


def assessment_json(assessment: Assessment, zone: tzinfo) -> Json:
    """One patient. Energies in kcal/day, levels in mmol/L, instants with offset; null is not known."""
    feeding = assessment.feeding
    return {
        "patient": assessment.patient,
        "now": instant(assessment.now, zone),
        "protocol": {
            "id": assessment.protocol_id,
            "version": assessment.protocol_version,
            "hash": assessment.protocol_hash,
            "overlay": list(assessment.overlay),
        },
        "risk": _risk(assessment.risk, zone),
        "feeding": {
            "started": instant(feeding.started, zone),
            "day": feeding.day,
            "goal_kcal": number(feeding.goal_kcal),
            "ordered_kcal": number(feeding.ordered_kcal),
            "delivered_kcal": number(feeding.delivered_kcal),
            "other_kcal": number(feeding.other_kcal),
        },
        "analytes": {view.analyte.value: _analyte(view, zone) for view in assessment.analytes},
        "advice": _advice(assessment.advice, zone),
        "notices": [_notice(notice, zone) for notice in assessment.notices],
        "data_quality": [_quality(note) for note in assessment.data_quality],
        "headline": assessment.advice.headline,
        "encounter": assessment.encounter,
        "ward": assessment.ward,
        "bed": assessment.bed,
        "derivation": [_reason(reason, zone) for reason in assessment.derivation],
        "evidence": [_fact(fact, zone) for fact in assessment.evidence],
        "caution": CAUTION,
    }


def _risk(risk: RiskView, zone: tzinfo) -> Json:
    return {
        "tier": risk.tier.value,
        "criteria": [_criterion(criterion, zone) for criterion in risk.criteria],
        "extreme": risk.extreme,
        "by_clinician": risk.by_clinician,
    }


def _criterion(criterion: CriterionView, zone: tzinfo) -> Json:
    return {
        "id": criterion.id,
        "state": criterion.state,
        "level": criterion.level or None,
        "text": criterion.text,
        "would_settle": criterion.would_settle or None,
        "facts": [_fact(fact, zone) for fact in criterion.facts],
    }


def _analyte(view: AnalyteView, zone: tzinfo) -> Json:
    return {
        "value": number(view.value),
        "unit": "mmol/L",
        "collected": instant(view.collected, zone),
        "state": view.state.value,
        "fall_percent": number(view.fall_percent),
        "next_due": instant(view.next_due, zone),
        "source": view.source or None,
        "comparator": view.comparator or None,
    }


def _advice(advice: Advice, zone: tzinfo) -> Json:
    return {
        "code": advice.code.value,
        "rule": advice.rule,
        "kcal": number(advice.kcal),
        "rate_ml_h": number(advice.rate_ml_h),
        "dextrose_g": number(advice.dextrose_g),
        "valid_until": instant(advice.valid_until, zone),
        "because": list(advice.because),
        "would_change": list(advice.would_change),
        "bolus_ml": number(advice.bolus_ml),
        "priority": advice.priority.value,
        "tell": advice.tell.value,
        "focus": advice.focus or None,
    }


def _notice(notice: Notice, zone: tzinfo) -> Json:
    return {
        "code": notice.code.value,
        "analytes": [analyte.value for analyte in notice.analytes],
        "stage": notice.stage.value if notice.stage else None,
        "tell": notice.tell.value,
        "priority": notice.priority.value,
        "text": notice.text,
        "topic": notice.topic or None,
        "evidence": [_fact(fact, zone) for fact in notice.evidence],
    }


def _quality(note: DataQuality) -> Json:
    return {"code": note.code, "text": note.text, "source": note.source or None}


def _reason(reason: Reason, zone: tzinfo) -> Json:
    return {
        "rule": reason.rule,
        "sentence": reason.sentence,
        "facts": [_fact(fact, zone) for fact in reason.facts],
        "cites": [switch_json(cited) if isinstance(cited, Switch) else number_json(cited) for cited in reason.cites],
    }


def _fact(fact: Fact, zone: tzinfo) -> Json:
    return {
        "label": fact.label,
        "value": fact.value,
        "when": instant(fact.when, zone),
        "source": fact.source or None,
    }


def switch_json(cited: Switch) -> Json:
    """A choice of the protocol with its source."""
    return {
        "path": cited.path,
        "value": cited.value,
        "source": cited.source,
        "tag": cited.tag,
        "note": cited.note or None,
    }


def number_json(cited: Number) -> Json:
    """A protocol entry with its source."""
    return {
        "path": cited.path,
        "value": number(cited.value),
        "unit": cited.unit,
        "source": cited.source,
        "tag": cited.tag,
        "note": cited.note or None,
    }
