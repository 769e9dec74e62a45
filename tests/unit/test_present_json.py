"""The JSON keeps its keys, their order and their types: scripts rely on them."""

import json
from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

from andante.domain.advice import (
    AnalyteState,
    AnalyteView,
    CriterionView,
    DataQuality,
    FeedingView,
    GapStage,
    RiskTier,
    RiskView,
)
from andante.domain.quantities import Analyte
from andante.present.as_json import assessment_json, encode
from builders import a_fact, a_notice, an_advice, an_assessment

VIENNA = ZoneInfo("Europe/Vienna")

# The fixed contract: keys, in this order, before any addition of ours.
TOP = ["patient", "now", "protocol", "risk", "feeding", "analytes", "advice", "notices", "data_quality"]
PARTS = {
    "protocol": ["id", "version", "hash"],
    "risk": ["tier", "criteria"],
    "feeding": ["started", "day", "goal_kcal", "ordered_kcal", "delivered_kcal", "other_kcal"],
    "advice": [
        "code", "rule", "kcal", "rate_ml_h", "dextrose_g", "valid_until", "because", "would_change",
    ],
}  # fmt: skip
ANALYTE = ["value", "unit", "collected", "state", "fall_percent", "next_due"]
NOTICE = ["code", "analytes", "stage", "tell", "priority", "text"]


def shown(**changes: object) -> dict[str, object]:
    drawn = datetime(2026, 11, 25, 5, 10, tzinfo=UTC)
    assessment = replace(
        an_assessment(
            an_advice(kcal="1199.9996", rate_ml_h=Decimal("50")),
            notices=[a_notice(stage=GapStage.NOT_ORDERED)],
        ),
        analytes=tuple(
            AnalyteView(
                analyte=analyte,
                state=AnalyteState.LOW,
                value=Decimal("0.6994445587"),
                collected=drawn,
                fall_percent=Decimal("12.34567"),
                next_due=drawn,
            )
            for analyte in Analyte
        ),
        risk=RiskView(
            tier=RiskTier.SEVERE,
            criteria=(CriterionView(id="bmi", state="met", level="severe", text="BMI", facts=(a_fact(),)),),
        ),
        feeding=FeedingView(started=drawn, day=2, goal_kcal=Decimal(1500)),
        data_quality=(DataQuality(code="unit-missing", text="no unit", source="Observation/1"),),
        **changes,
    )
    body = json.loads(encode(assessment_json(assessment, VIENNA)), parse_float=Decimal)
    assert isinstance(body, dict)
    return body


def test_the_keys_of_the_contract_stand_first_and_in_order() -> None:
    body = shown()
    assert list(body)[: len(TOP)] == TOP
    for name, keys in PARTS.items():
        assert list(body[name])[: len(keys)] == keys
    assert list(body["analytes"]) == ["potassium", "phosphate", "magnesium"]
    for view in body["analytes"].values():
        assert list(view)[: len(ANALYTE)] == ANALYTE
    assert list(body["notices"][0])[: len(NOTICE)] == NOTICE


def test_numbers_are_numbers_and_instants_carry_an_offset() -> None:
    body = shown()
    phosphate = body["analytes"]["phosphate"]
    assert phosphate["value"] == Decimal("0.699")
    assert phosphate["unit"] == "mmol/L"
    assert phosphate["fall_percent"] == Decimal("12.346")
    assert phosphate["collected"] == "2026-11-25T06:10:00+01:00"
    assert body["advice"]["kcal"] == 1200
    assert body["now"].endswith("+01:00")


def test_what_is_not_known_is_null_and_never_zero() -> None:
    feeding = shown()["feeding"]
    assert feeding["ordered_kcal"] is None
    assert feeding["delivered_kcal"] is None
    assert feeding["other_kcal"] is None


def test_codes_are_those_of_the_contract() -> None:
    body = shown()
    assert body["risk"]["tier"] == "severe"
    assert body["advice"]["code"] == "hold"
    assert body["notices"][0]["stage"] == "not-ordered"
    assert body["notices"][0]["analytes"] == ["phosphate"]


def test_the_sites_numbers_and_the_caution_go_with_it() -> None:
    body = shown(overlay=("energy.goal: 25 kcal/kg/d instead of 30 (site: board)",))
    assert body["protocol"]["overlay"] == ["energy.goal: 25 kcal/kg/d instead of 30 (site: board)"]
    assert "Nothing has been ordered" in body["caution"]


def test_one_patient_is_one_line() -> None:
    hostile = an_assessment(an_advice(headline="two\nlines\u2028three\x85four"))
    assert len(encode(assessment_json(hostile, VIENNA)).decode().splitlines()) == 1
    assert json.loads(encode(hostile.advice.headline)) == hostile.advice.headline
