"""Who is watched: every published criterion at, just under and just over its limit, and the tier they add up to."""

import pytest

from andante.domain.advice import AdviceCode, Assessment, RiskTier
from andante.domain.picture import FindingKind, Measurement, RiskEntry
from andante.domain.protocol import Protocol
from pictures import (
    K,
    P,
    advise,
    aspen,
    bmi,
    days_without_intake,
    draw,
    feed,
    finding,
    height,
    lab,
    nice,
    planned,
    weight,
)

MONTH, QUARTER, HALF_YEAR = 30 * 24, 91 * 24, 182 * 24


def criterion(said: Assessment, name: str) -> str:
    view = next(c for c in said.risk.criteria if c.id == name)
    return view.level or view.state


def judged(*items: object, protocol: Protocol, kg: str | None = "60") -> Assessment:
    return advise(*items, at_risk=False, protocol=protocol, kg=kg)


# 160 cm: 2.56 m², so that 40.96 kg is a body mass index of exactly 16.0, and 47.36 kg of 18.5.
BMI = [
    pytest.param(aspen, "40.9", "severe", id="ASPEN: just under 16.0 is severe"),
    pytest.param(aspen, "40.96", "moderate", id="ASPEN: 16.0 exactly is moderate"),
    pytest.param(aspen, "47.36", "moderate", id="ASPEN: 18.5 exactly is moderate"),
    pytest.param(aspen, "47.4", "not-met", id="ASPEN: just over 18.5 is not met"),
    pytest.param(nice, "40.9", "severe", id="NICE: just under 16 is a major criterion"),
    pytest.param(nice, "40.96", "moderate", id="NICE: 16 exactly is minor"),
    pytest.param(nice, "47.3", "moderate", id="NICE: just under 18.5 is minor"),
    pytest.param(nice, "47.36", "not-met", id="NICE: 18.5 exactly is not met"),
]


@pytest.mark.parametrize(("protocol", "kg", "level"), BMI)
def test_body_mass_index(protocol, kg: str, level: str) -> None:  # type: ignore[no-untyped-def]
    assert criterion(judged(height("160"), kg=kg, protocol=protocol()), "bmi") == level


def test_body_mass_index_is_unknown_without_a_height_and_taken_from_the_chart_where_stated() -> None:
    assert criterion(judged(protocol=aspen()), "bmi") == "unknown"
    assert criterion(judged(bmi("15.9"), protocol=aspen()), "bmi") == "severe"
    assert criterion(judged(height("231"), protocol=aspen()), "bmi") == "unknown"
    assert criterion(judged(height("99"), protocol=aspen()), "bmi") == "unknown"
    assert criterion(judged(height("230"), protocol=aspen()), "bmi") == "severe"
    assert criterion(judged(height("100"), protocol=aspen()), "bmi") == "not-met"


def test_an_old_weight_may_show_a_risk_but_not_that_there_is_none() -> None:
    old_thin = judged(weight("40", 40 * 24), height("160"), kg=None, protocol=aspen())
    old_well = judged(weight("60", 40 * 24), height("160"), kg=None, protocol=aspen())
    assert (criterion(old_thin, "bmi"), criterion(old_well, "bmi")) == ("severe", "unknown")


WEIGHT_LOSS = [
    # protocol, earlier kg, hours ago, level at 60 kg now
    pytest.param(aspen, "63.1", MONTH, "not-met", id="ASPEN: 4.9 % in a month is not met"),
    pytest.param(aspen, "63.157895", MONTH, "moderate", id="ASPEN: 5 % in a month is moderate"),
    pytest.param(aspen, "64.8", MONTH, "moderate", id="ASPEN: 7.4 % in a month is moderate"),
    pytest.param(aspen, "64.8", QUARTER, "not-met", id="ASPEN: 7.4 % in three months is not met"),
    pytest.param(aspen, "64.864865", QUARTER, "severe", id="ASPEN: 7.5 % in three months is severe"),
    pytest.param(aspen, "66.6", HALF_YEAR, "not-met", id="ASPEN: 9.9 % in six months is not met"),
    pytest.param(aspen, "66.7", HALF_YEAR, "severe", id="ASPEN: just over 10 % in six months is severe"),
    pytest.param(aspen, "80", 200 * 24, "unknown", id="ASPEN: a loss over a longer time says nothing"),
    pytest.param(nice, "66.6", HALF_YEAR, "not-met", id="NICE: 9.9 % in six months is not met"),
    pytest.param(nice, "66.7", HALF_YEAR, "moderate", id="NICE: just over 10 % is minor"),
    pytest.param(nice, "70.5", HALF_YEAR, "moderate", id="NICE: 14.9 % is minor"),
    pytest.param(nice, "70.6", HALF_YEAR, "severe", id="NICE: just over 15 % is major"),
]


@pytest.mark.parametrize(("protocol", "kg", "ago", "level"), WEIGHT_LOSS)
def test_weight_loss(protocol, kg: str, ago: float, level: str) -> None:  # type: ignore[no-untyped-def]
    # Weights in the older half of every window, so that a loss can be ruled out.
    known = (weight(kg, ago), weight("60.1", 17 * 24), weight("60.1", 60 * 24), weight("60.1", 120 * 24))
    items = known if ago != 200 * 24 else (weight(kg, ago),)
    assert criterion(judged(items, protocol=protocol()), "weight-loss") == level


def test_a_loss_of_exactly_ten_percent_in_six_months_is_not_more_than_ten() -> None:
    items = (weight("50", HALF_YEAR), weight("45.1", 17 * 24), weight("45.1", 60 * 24))
    assert criterion(judged(items, kg="45", protocol=aspen()), "weight-loss") == "not-met"
    assert criterion(judged(weight("100", HALF_YEAR), items, kg="85", protocol=nice()), "weight-loss") == "moderate"


def test_a_weight_from_yesterday_cannot_rule_a_loss_out() -> None:
    assert criterion(judged(weight("60", 44), protocol=aspen()), "weight-loss") == "unknown"


EARLY = [
    # hours before the present weight; the window of a month is 31 days
    pytest.param(15.5 * 24, "not-met", id="a weight from half a month back can rule a loss over a month out"),
    pytest.param(15.5 * 24 - 0.1, "unknown", id="a weight just younger than that cannot"),
]


@pytest.mark.parametrize(("back", "state"), EARLY)
def test_only_a_weight_from_the_older_half_of_the_window_rules_a_loss_out(back: float, state: str) -> None:
    items = (weight("60.1", 20 + back), weight("60.1", 60 * 24), weight("60.1", 120 * 24))
    assert criterion(judged(items, protocol=aspen()), "weight-loss") == state


INTAKE = [
    pytest.param(aspen, "4", "not-met", id="ASPEN: 4 days is not met"),
    pytest.param(aspen, "5", "moderate", id="ASPEN: 5 days is moderate"),
    pytest.param(aspen, "7", "moderate", id="ASPEN: 7 days exactly is moderate"),
    pytest.param(aspen, "8", "severe", id="ASPEN: 8 days is severe"),
    pytest.param(nice, "5", "not-met", id="NICE: 5 days exactly is not met"),
    pytest.param(nice, "6", "moderate", id="NICE: 6 days is minor"),
    pytest.param(nice, "10", "moderate", id="NICE: 10 days exactly is minor"),
    pytest.param(nice, "11", "severe", id="NICE: 11 days is major"),
]


@pytest.mark.parametrize(("protocol", "days", "level"), INTAKE)
def test_days_without_intake(protocol, days: str, level: str) -> None:  # type: ignore[no-untyped-def]
    assert criterion(judged(days_without_intake(days), protocol=protocol()), "intake") == level


def test_days_without_intake_are_unknown_when_nobody_states_them() -> None:
    assert criterion(judged(protocol=aspen()), "intake") == "unknown"


LOW = [
    pytest.param(aspen, "3.5", "not-met", id="ASPEN: potassium 3.5 before feeding is not low"),
    pytest.param(aspen, "3.4", "moderate", id="ASPEN: potassium 3.4 is minimally low"),
    pytest.param(aspen, "2.8", "moderate", id="ASPEN: potassium at 80 % of the limit exactly is minimally low"),
    pytest.param(aspen, "2.7", "severe", id="ASPEN: potassium below 80 % of the limit is significantly low"),
    pytest.param(nice, "3.5", "not-met", id="NICE: potassium 3.5 is not low"),
    pytest.param(nice, "3.4", "severe", id="NICE: any low level is a major criterion"),
]


@pytest.mark.parametrize(("protocol", "level", "met"), LOW)
def test_levels_before_feeding(protocol, level: str, met: str) -> None:  # type: ignore[no-untyped-def]
    said = judged(planned(), draw(5, k=None), lab(K, level, 5), protocol=protocol())
    assert criterion(said, "low-before-feeding") == met


def test_a_level_at_80_percent_of_its_own_limit_is_minimally_low_in_mass_units_too() -> None:
    said = judged(planned(), draw(5, p=None), lab(P, "2.0", 5, unit="mg/dL", low="2.5"), protocol=aspen())
    assert criterion(said, "low-before-feeding") == "moderate"


def test_a_low_level_after_the_start_is_not_a_level_before_feeding() -> None:
    said = judged(feed("30", 10), draw(12), draw(5, k="3.0"), protocol=aspen())
    assert criterion(said, "low-before-feeding") == "not-met"


def test_without_a_draw_before_feeding_the_criterion_is_unknown() -> None:
    assert criterion(judged(feed("30", 10), draw(5), protocol=aspen()), "low-before-feeding") == "unknown"


FINDINGS = [
    pytest.param(FindingKind.FAT_LOSS, "moderate", "fat-loss", "moderate", id="moderate loss of fat"),
    pytest.param(FindingKind.FAT_LOSS, "severe", "fat-loss", "severe", id="severe loss of fat"),
    pytest.param(FindingKind.FAT_LOSS, None, "fat-loss", "moderate", id="loss of fat without a degree"),
    pytest.param(FindingKind.MUSCLE_LOSS, "mild", "muscle-loss", "moderate", id="mild loss of muscle"),
    pytest.param(FindingKind.MUSCLE_LOSS, "severe", "muscle-loss", "severe", id="severe loss of muscle"),
    pytest.param(FindingKind.COMORBIDITY, "moderate", "comorbidity", "moderate", id="moderate comorbidity"),
    pytest.param(FindingKind.ALCOHOL_OR_DRUGS, "severe", "comorbidity", "severe", id="severe alcohol use disorder"),
]


@pytest.mark.parametrize(("kind", "severity", "name", "level"), FINDINGS)
def test_coded_findings(kind: FindingKind, severity: str | None, name: str, level: str) -> None:
    assert criterion(judged(finding(kind, severity), protocol=aspen()), name) == level


def test_what_is_not_coded_is_unknown_never_absent() -> None:
    said = judged(protocol=aspen())
    assert {criterion(said, n) for n in ("fat-loss", "muscle-loss", "comorbidity")} == {"unknown"}
    assert all(c.would_settle for c in said.risk.criteria if c.state == "unknown")


RULED_OUT: tuple[Measurement, ...] = (
    height("160"),
    weight("60.1", 17 * 24),
    weight("60.1", 60 * 24),
    weight("60.1", 120 * 24),
    days_without_intake("0"),
)
TIERS = [
    # protocol, chart, tier, extreme
    pytest.param(aspen, (), "unknown", False, id="nothing charted: unknown"),
    pytest.param(aspen, RULED_OUT, "none", False, id="all three needed to rule out are charted and not met: none"),
    pytest.param(aspen, RULED_OUT[1:], "unknown", False, id="no height: unknown"),
    pytest.param(
        aspen, (*RULED_OUT[:4], days_without_intake("5")), "none", False, id="ASPEN: one moderate is not enough"
    ),
    pytest.param(
        aspen,
        (*RULED_OUT[:4], days_without_intake("5"), finding(FindingKind.MUSCLE_LOSS, "mild")),
        "moderate",
        False,
        id="ASPEN: two moderate make moderate",
    ),
    pytest.param(aspen, (days_without_intake("8"),), "severe", False, id="ASPEN: one severe makes severe"),
    pytest.param(nice, (*RULED_OUT[:4], days_without_intake("6")), "none", False, id="NICE: one minor is not enough"),
    pytest.param(
        nice,
        (*RULED_OUT[:4], days_without_intake("6"), finding(FindingKind.DRUG_HISTORY)),
        "severe",
        False,
        id="NICE: two minor make high risk",
    ),
    pytest.param(aspen, (days_without_intake("15"),), "severe", False, id="15 days exactly is not extreme"),
    pytest.param(aspen, (days_without_intake("16"),), "severe", True, id="16 days is extreme: the lowest start"),
    pytest.param(aspen, (bmi("14"),), "severe", False, id="a body mass index of 14 exactly is not extreme"),
    pytest.param(aspen, (bmi("13.9"),), "severe", True, id="a body mass index below 14 is extreme"),
]


@pytest.mark.parametrize(("protocol", "chart", "tier", "extreme"), TIERS)
def test_the_tier_is_counted_by_the_protocol(protocol, chart: tuple[object, ...], tier: str, extreme: bool) -> None:  # type: ignore[no-untyped-def]
    said = judged(chart, protocol=protocol())
    assert (said.risk.tier, said.risk.extreme) == (tier, extreme)


def test_a_clinicians_own_entry_wins_upward_and_never_downward() -> None:
    up = advise(RULED_OUT, RiskEntry(tier="moderate"), at_risk=False)
    down = advise(days_without_intake("8"), RiskEntry(tier="moderate"), at_risk=False)
    assert (up.risk.tier, up.risk.by_clinician) == (RiskTier.MODERATE, True)
    assert (down.risk.tier, down.risk.by_clinician) == (RiskTier.SEVERE, False)


WATCHED = [
    pytest.param((*RULED_OUT, planned()), "not-at-risk", "not-at-risk", id="risk ruled out: not watched, even if fed"),
    pytest.param((), "not-at-risk", "risk-not-shown", id="unknown and not fed: not watched, and said so"),
    pytest.param((planned(),), "draw-first", "baseline-gap", id="unknown and about to be tube-fed: watched"),
    pytest.param((feed("30", 40),), "hold", "evidence-gap", id="unknown and tube-fed: watched"),
    pytest.param((days_without_intake("8"),), "draw-first", "baseline-gap", id="at risk: watched"),
]


@pytest.mark.parametrize(("chart", "code", "rule"), WATCHED)
def test_who_is_watched(chart: tuple[object, ...], code: str, rule: str) -> None:
    advice = judged(chart, protocol=aspen()).advice
    assert (advice.code, advice.rule) == (code, rule)
    assert advice.code is not AdviceCode.NOT_AT_RISK or judged(chart, protocol=aspen()).notices == ()
