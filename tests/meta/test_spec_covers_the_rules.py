"""The specification is complete: every rule, code, stage and threshold is met by a row that was really run."""

# ruff: noqa: E501 - a row is a number of the protocol, and is read across

import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

import rule_ids
import spec_rows
from andante.domain.advice import AdviceCode, AnalyteState, Assessment, GapStage, NoticeCode
from andante.protocol_files import resolve
from pictures import aspen

SPEC = Path(__file__).parent.parent / "spec"


@cache
def assessments() -> tuple[Assessment, ...]:
    """What every chart of the specification's tables is assessed as."""
    return tuple(spec_rows.assess_all())


def test_every_rule_id_is_met_by_a_row() -> None:
    met = {reason.rule for said in assessments() for reason in said.derivation}
    missing = [name for name, pattern in rule_ids.patterns().items() if not any(pattern.fullmatch(r) for r in met)]
    assert missing == []


def test_every_advice_code_is_met_by_a_row() -> None:
    assert {said.advice.code for said in assessments()} == set(AdviceCode)


def test_every_notice_code_is_met_by_a_row() -> None:
    assert {n.code for said in assessments() for n in said.notices} == set(NoticeCode)


def test_every_gap_stage_is_met_by_a_row_late_and_not_ordered_also_ahead() -> None:
    late = {n.stage for said in assessments() for n in said.notices if n.code is NoticeCode.LAB_GAP}
    ahead = {n.stage for said in assessments() for n in said.notices if n.code is NoticeCode.LAB_GAP_AHEAD}
    assert (late, ahead) == (set(GapStage), {GapStage.NOT_ORDERED})


def test_every_state_of_an_analyte_is_met_by_a_row() -> None:
    assert {v.state for said in assessments() for v in said.analytes} == set(AnalyteState)


# --------------------------------------------------------------------------- thresholds

E, R, S, D, N, U, M, V, W, C, Q, F, B, X = (
    f"test_{name}.py"
    for name in (
        "evidence",
        "risk",
        "severity",
        "decisions",
        "energy_of_orders",
        "pump_arithmetic",
        "monitoring",
        "micronutrients",
        "stand_down",
        "published_cases",
        "calm_before_a_step",
        "intake_before_feeding",
        "said_beside",
        "records_that_contradict",
    )
)

# Path of a number → where its rows at, under and over it stand: (file, words of their ids or the test's name).
BOUNDARIES: dict[str, tuple[tuple[str, str], ...]] = {
    "scope.min_age": ((D, "1 a day short of 18"), (D, "1 18 today: covered")),
    "analytes.potassium.low": ((E, "potassium 3.49 is low"), (E, "potassium 3.5 exactly is in range")),
    "analytes.potassium.high": ((E, "potassium 5.0 exactly is in range"), (E, "potassium 5.1 is high: named, not held")),
    "analytes.potassium.critical_low": ((E, "potassium 2.5 exactly is critical"), (E, "potassium 2.6 is low (and a fall of 35 %)")),
    "analytes.potassium.critical_high": ((E, "potassium 5.9 is high"), (E, "potassium 6.0 exactly is critical")),
    "analytes.potassium.plausible_min": ((E, "potassium 0.99"), (E, "potassium 1.0 is believed")),
    "analytes.potassium.plausible_max": ((E, "potassium 12.1"), (E, "potassium 12.0 is believed")),
    "analytes.potassium.range_low_min": ((E, "an own lower limit of 3.0 is just believed"), (E, "an own lower limit of 2.9 is a slip: the protocol's counts")),
    "analytes.potassium.range_low_max": ((E, "an own lower limit of 4.0 is just believed"), (E, "an own lower limit of 4.1 is a slip")),
    "analytes.potassium.range_high_min": ((E, "an own upper limit of 4.5 is just believed"), (E, "an own upper limit of 4.4 is a slip")),
    "analytes.potassium.range_high_max": ((E, "an own upper limit of 6.0 is just believed"), (E, "an own upper limit of 6.1 is a slip")),
    "analytes.potassium.recheck": ((M, "potassium 2 h after the dose"), (Q, "potassium drawn 2 h after the end of the dose: firm"), (Q, "potassium drawn 1.9 h after the end of the dose: not firm"),),
    "analytes.phosphate.low": ((E, "phosphate 0.79 is low"), (E, "phosphate 0.80 is in range (but 20 % down: holds)")),
    "analytes.phosphate.high": ((E, "phosphate 4.5 mg/dL exactly is in range"), (E, "phosphate 4.6 mg/dL is high")),
    "analytes.phosphate.critical_low": ((E, "phosphate 0.31 is critical"), (E, "phosphate 0.32 exactly is not critical (a fall is)")),
    "analytes.phosphate.plausible_min": ((E, "phosphate 0.049"), (E, "phosphate 0.05 is believed")),
    "analytes.phosphate.plausible_max": ((E, "phosphate 6.1"), (E, "phosphate 6.0 is believed")),
    "analytes.phosphate.range_low_min": ((E, "an own phosphate limit of 0.60 is just believed"), (E, "an own phosphate limit of 0.59 is a slip")),
    "analytes.phosphate.range_low_max": ((E, "an own phosphate limit of 1.00 is just believed"), (E, "an own phosphate limit of 1.01 is a slip")),
    "analytes.phosphate.range_high_min": ((E, "an own upper phosphate limit of 1.20 is just believed"), (E, "an own upper phosphate limit of 1.19 is a slip")),
    "analytes.phosphate.range_high_max": ((E, "an own upper phosphate limit of 1.80 is just believed"), (E, "an own upper phosphate limit of 1.81 is a slip")),
    "analytes.phosphate.recheck": ((M, "phosphate 6 h after the dose"), (Q, "phosphate drawn 5.9 h after the end of the dose: not firm"),),
    "analytes.magnesium.low": ((E, "magnesium 1.6 mg/dL is low"), (E, "magnesium 1.7 mg/dL exactly is in range")),
    "analytes.magnesium.high": ((E, "magnesium 1.00 mmol/L exactly is in range"), (E, "magnesium 1.01 mmol/L is high")),
    "analytes.magnesium.critical_low": ((E, "magnesium 1.0 mg/dL exactly is critical"), (E, "magnesium 1.1 mg/dL is low (and a fall of 47 %)")),
    "analytes.magnesium.critical_high": ((E, "magnesium 4.4 mg/dL is high"), (E, "magnesium 4.5 mg/dL exactly is critical")),
    "analytes.magnesium.plausible_min": ((E, "magnesium 0.09"), (E, "magnesium 0.1 is believed")),
    "analytes.magnesium.plausible_max": ((E, "magnesium 6.1"), (E, "magnesium 6.0 is believed")),
    "analytes.magnesium.range_low_min": ((E, "an own magnesium limit of 0.55 is just believed"), (E, "an own magnesium limit of 0.54 is a slip")),
    "analytes.magnesium.range_low_max": ((E, "an own magnesium limit of 0.85 is just believed"), (E, "an own magnesium limit of 0.86 is a slip")),
    "analytes.magnesium.range_high_min": ((E, "an own upper magnesium limit of 0.90 is just believed"), (E, "an own upper magnesium limit of 0.89 is a slip")),
    "analytes.magnesium.range_high_max": ((E, "an own upper magnesium limit of 1.40 is just believed"), (E, "an own upper magnesium limit of 1.41 is a slip")),
    "analytes.magnesium.recheck": ((M, "test_magnesium_is_rechecked_after_6_h_and_a_dose_before_the_last_draw_asks_for_nothing"),),
    "evidence.future_skew": ((E, "9.9 min ahead"), (E, "10 min"), (E, "10.1 min")),
    "evidence.lookback": ((E, "just inside 7 days is stale"), (E, "older than 7 days counts as missing")),
    "evidence.baseline_max_age": ((E, "a baseline of 24 h exactly is recent enough"), (E, "a baseline of 24.1 h is too old")),
    "evidence.freshness_grace": ((E, "14 h old exactly is fresh"), (E, "14.1 h old is stale")),
    "evidence.infusion_longest": ((Q, "drawn 1.9 h after the 24 h that a dose can take"), (Q, "drawn 2 h after them: a maintenance drip, or never closed")),
    "evidence.weight_max_age": ((E, "a weight of 30 days exactly is used"), (E, "a weight of more than 30 days is not")),
    "evidence.weight_min": ((E, "19.9 kg is a slip in an adult"), (E, "20 kg is believed")),
    "evidence.weight_max": ((E, "350 kg is believed"), (E, "350.1 kg is a slip")),
    "evidence.weight_without_height": ((Q, "90 kg exactly without a height: the actual weight"), (Q, "90.1 kg without a height: obesity cannot be told")),
    "evidence.height_min": ((R, "test_body_mass_index_is_unknown_without_a_height_and_taken_from_the_chart_where_stated"),),
    "evidence.height_max": ((R, "test_body_mass_index_is_unknown_without_a_height_and_taken_from_the_chart_where_stated"),),
    "evidence.weight_early_share": ((R, "a weight from half a month back can rule a loss over a month out"), (R, "a weight just younger than that cannot")),
    "evidence.negligible_intake": ((F, "10 % of the need exactly is negligible"), (F, "more than 10 % is not")),
    "evidence.intake_gap": ((F, "two orders 24 h apart are one run"), (F, "two orders more than 24 h apart are not")),
    "evidence.weight_disagree": ((X, "10 % more within a week exactly: the newer"), (X, "more than 10 %: the lower, and weigh again")),
    "evidence.intake_most": ((X, "twice the need exactly is believed"), (X, "more than twice the need is a slip")),
    "evidence.record_gap": ((X, "records 2 h apart are one run"), (X, "records further apart count each for itself")),
    "evidence.shortest_record": ((X, "6 h without feed are enough to ask"), (X, "5.9 h say too little of a day"), (X, "breakfast and lunch, 6 h from first to last"), (X, "5.9 h are too little of a day")),
    "evidence.diet_min": ((X, "a diet of 299 kcal is a slip"), (X, "a diet of 300 kcal is believed")),
    "evidence.diet_max": ((X, "a diet of 6000 kcal is believed"), (X, "a diet of 6001 kcal is a slip, or kilojoules")),
    "evidence.bag_change": ((D, "two bags that overlap for 59 min are one feed"), (D, "two bags that overlap for an hour are two feeds")),
    "evidence.same_draw": ((M, "a result 1 h after its collection belongs to it"), (M, "a result 1.1 h after a collection does not")),
    "fall.mild": ((S, "9 %: no grade"), (S, "10 % exactly: mild, a warning"), (C, "printed: below 10 % is none")),
    "fall.moderate": ((S, "19 %: mild"), (S, "20 % exactly: moderate, holds inside the range"), (C, "printed: below 20 % is mild")),
    "fall.severe": ((S, "30 % exactly: still moderate by ASPEN"), (S, "just over 30 %: severe, whatever the level")),
    "fall.window": ((S, "drawn within the 5 days, now just beyond"), (S, "drawn more than 5 days after the start: outside the window")),
    "fall.hold": ((S, "19 %: mild"), (S, "20 % exactly: moderate, holds inside the range")),
    "fall.fast": ((S, "14.9 % from one draw to the next: a warning"), (S, "15 % exactly from one draw to the next: too fast, holds")),
    "fall.fast_window": ((S, "15 % within 14 h exactly holds"), (S, "15 % over 14.1 h is slow enough")),
    "refractory.draws": ((D, "3 draws over 24 h exactly"), (D, "2 draws, not falling")),
    "refractory.span": ((D, "3 draws over 24 h exactly"), (D, "3 draws over just under 24 h, not falling")),
    "refractory.doses": ((D, "5 low draws over 47 h, 2 doses answered"), (D, "only one dose")),
    "energy.goal": ((D, "11 1800 of 1800"), (D, "1920 with a goal of 1800: bring down")),
    "energy.goal_max": ((D, "45 kcal/kg exactly is believed"), (D, "above 45 kcal/kg is a slip")),
    "energy.initial": ((D, "900 exactly on day 1 is allowed"), (D, "over 900 on day 1: bring down")),
    "energy.initial_extreme": ((D, "8 extreme: 10 kcal/kg"),),
    "energy.initial_dextrose_low": ((U, "test_a_parenteral_start_keeps_both_limits"),),
    "energy.initial_dextrose_high": ((U, "1200 kcal would be 273 g: bounded by 150 g, 31.25 mL/h, down to 30"), (U, "600 kcal: 35.2 mL/h; 126 g is inside 150 g")),
    "energy.extreme_bmi": ((R, "a body mass index of 14 exactly is not extreme"), (R, "a body mass index below 14 is extreme")),
    "energy.extreme_days_without_intake": ((R, "15 days exactly is not extreme"), (R, "16 days is extreme: the lowest start")),
    "energy.step": ((D, "10 720 + 594 = 1314: 50 mL/h, 1200"), (S, "a rise within the step does not")),
    "energy.step_interval": ((D, "9 23.9 h since the last change"), (D, "10 24 h exactly since the last change")),
    "energy.cut": ((D, "5 low draws over 47 h, 2 doses answered"), (D, "test_after_the_cut_the_energy_is_kept_not_cut_again")),
    "energy.pump_increment": ((U, "900 kcal at 1 kcal/mL: 37.5, down to 35 mL/h"), (U, "900 kcal at 1.5 kcal/mL: 25 mL/h exactly")),
    "energy.pump_fine_increment": ((U, "240 + 231 = 471: 9.8; 5 is no rise, so 9 mL/h"),),
    "energy.bolus_increment": ((U, "bolus every 4 h: 720 + 594 = 6 x 219"),),
    "energy.density_default": ((D, "8 nothing ordered: a standard formula of 1 kcal/mL"),),
    "energy.density_min": ((N, "a density just below what any formula has"), (N, "0.5 kcal/mL is believed")),
    "energy.density_max": ((N, "a density just above what any formula has"), (N, "2.5 kcal/mL is")),
    "energy.delivery_shortfall": ((N, "539 of 720 mL, just under 75 %: find out why"), (N, "540 of 720 mL, 75 % exactly: enough")),
    "energy.delivery_excess": ((X, "864 of 720 mL, 120 % exactly: not yet too much"), (X, "865 of 720 mL, more than 120 %: find out why")),
    "energy.restart_after": ((D, "restarted after 23.9 h: the same course, the same energy"), (D, "restarted after 24 h exactly: a new exposure")),
    "energy.dextrose": ((C, "3 printed: 1000 mL D50W (CSUN)"),),
    "energy.amino_acids": ((C, "printed: a litre of 10 % amino acids (textbook Box 18.5)"),),
    "energy.lipid_admixture": ((C, "1 printed: D25 AA4.25 L3, 2400 mL (textbook Box 18.5 p. 266)"),),
    "energy.lipid_emulsion_10": ((C, "10 %: printed (allnurses t212188; studylib 5860385)"),),
    "energy.lipid_emulsion_20": ((C, "20 %: printed (allnurses t212188; studylib 5860385)"),),
    "energy.lipid_emulsion_30": ((C, "30 %: printed (allnurses t212188)"),),
    "energy.lipid_sedation": ((C, "7 printed: propofol 20 mL/h for 24 h (Bousie 2016)"),),
    "energy.citrate": ((C, "test_citrate"),),
    "energy.glucose_rate_ceiling": ((U, "18 g/h is 5 mg/kg/min exactly"), (U, "18.1 g/h is above")),
    "energy.obesity_bmi": ((U, "body mass index 29.97: actual weight"), (U, "body mass index of 30 exactly: adjusted (ideal 61.4)")),
    "energy.adjusted_weight_share": ((U, "man of 180 cm: ideal 75.0, adjusted 88.7"),),
    "energy.ideal_weight_male": ((U, "man of 180 cm: ideal 75.0, adjusted 88.7"),),
    "energy.ideal_weight_female": ((U, "under 60 inches the ideal weight stays at its base of 45.5"),),
    "energy.ideal_weight_per_inch": ((U, "man of 180 cm: ideal 75.0, adjusted 88.7"),),
    "energy.ideal_weight_height": ((U, "under 60 inches the ideal weight stays at its base of 45.5"),),
    "response.settle_draws": ((Q, "one draw after a critical phosphate"), (Q, "two draws after a critical phosphate")),
    "response.lowest_start": (("test_low_before_feeding.py", "test_only_the_switch_makes_the_difference"),),
    "monitoring.early_interval": ((M, "71.9 h after the start: every 12 h"),),
    "monitoring.early_window": ((M, "71.9 h after the start: every 12 h"), (M, "72 h after the start, in range, fed: every 24 h"), (W, "a jump 71 h ago"), (W, "a jump 72 h ago")),
    "monitoring.late_interval": ((M, "72 h after the start, in range, fed: every 24 h"),),
    "monitoring.adequate_energy": ((M, "75 % of the goal exactly is adequate energy"), (M, "just under 75 % of the goal is not")),
    "monitoring.one_needle": ((M, "planned in 4 h exactly"), (M, "planned only in 4.1 h: too late")),
    "monitoring.lookahead": ((M, "due in 12 h exactly: told"), (M, "due in 12.1 h: not yet")),
    "monitoring.vital_signs": ((B, "test_a_start_says_what_to_watch"),),
    "monitoring.vital_signs_window": ((B, "test_a_start_says_what_to_watch"),),
    "micronutrients.thiamine_dose": ((V, "100 mg a day exactly"), (V, "99 mg a day is too low")),
    "micronutrients.thiamine_days": ((V, "just inside 7 days"), (V, "after 7 days"), (V, "ends a day early")),
    "micronutrients.multivitamin_days": ((V, "just inside 10 days"), (V, "after 10 days")),
    "stand_down.day": ((W, "day 7 exactly"), (W, "still day 6")),
    "stand_down.in_range": ((W, "in range for 48 h exactly"), (W, "in range for just under 48 h"), (W, "a replacement within 48 h")),
    "risk.criteria.bmi.tests[0].limit": ((R, "ASPEN: just under 16.0 is severe"), (R, "ASPEN: 16.0 exactly is moderate")),
    "risk.criteria.bmi.tests[1].limit": ((R, "ASPEN: 18.5 exactly is moderate"), (R, "ASPEN: just over 18.5 is not met")),
    "risk.criteria.weight-loss.tests[0].limit": ((R, "ASPEN: 7.5 % in three months is severe"), (R, "ASPEN: 7.4 % in three months is not met")),
    "risk.criteria.weight-loss.tests[0].window": ((R, "ASPEN: 7.5 % in three months is severe"),),
    "risk.criteria.weight-loss.tests[1].limit": ((R, "ASPEN: 9.9 % in six months is not met"), (R, "ASPEN: just over 10 % in six months is severe"), (R, "test_a_loss_of_exactly_ten_percent_in_six_months_is_not_more_than_ten")),
    "risk.criteria.weight-loss.tests[1].window": ((R, "ASPEN: a loss over a longer time says nothing"),),
    "risk.criteria.weight-loss.tests[2].limit": ((R, "ASPEN: 4.9 % in a month is not met"), (R, "ASPEN: 5 % in a month is moderate")),
    "risk.criteria.weight-loss.tests[2].window": ((R, "ASPEN: 7.4 % in a month is moderate"), (R, "ASPEN: 7.4 % in three months is not met")),
    "risk.criteria.intake.tests[0].limit": ((R, "ASPEN: 7 days exactly is moderate"), (R, "ASPEN: 8 days is severe")),
    "risk.criteria.intake.tests[1].limit": ((R, "ASPEN: 4 days is not met"), (R, "ASPEN: 5 days is moderate")),
    "risk.criteria.reduced-intake.tests[0].limit": ((F, "49 % for more than 5 days"), (F, "50 % exactly is not below 50 %")),
    "risk.criteria.reduced-intake.tests[0].window": ((F, "49 % for more than 5 days"), (F, "49 % for 5 days exactly says nothing yet")),
    "risk.criteria.reduced-intake.tests[1].limit": ((F, "74 % for 8 days"), (F, "75 % exactly is not below 75 %")),
    "risk.criteria.reduced-intake.tests[1].window": ((F, "74 % for 8 days"), (F, "74 % for 7 days exactly is not more than 7 days")),
    "risk.criteria.low-before-feeding.tests[0].limit": ((R, "ASPEN: potassium at 80 % of the limit exactly is minimally low"), (R, "ASPEN: potassium below 80 % of the limit is significantly low")),
}  # fmt: skip


def numbers() -> Iterator[str]:
    for path, entry in resolve(aspen()).items():
        if hasattr(entry, "unit"):
            yield path


def test_every_number_of_the_default_protocol_has_its_rows() -> None:
    assert set(BOUNDARIES) == set(numbers())


@pytest.mark.parametrize("path", BOUNDARIES)
def test_the_rows_exist(path: str) -> None:
    for name, words in BOUNDARIES[path]:
        assert words in ids_of(name), f"{path}: {name} has no {words!r}"


@cache
def ids_of(name: str) -> frozenset[str]:
    """The ids of the rows and the names of the tests of a file, read from its source."""
    text = (SPEC / name).read_text(encoding="utf-8")
    rows = {m[1] for m in re.finditer(r'\bid="((?:[^"\\]|\\.)*)"', text)}
    return frozenset(rows | set(re.findall(r"def (test_\w+)", text)))


def test_no_row_id_is_used_twice_in_a_file() -> None:
    """Or a declared row could be another than the one meant."""
    for path in SPEC.glob("test_*.py"):
        tables = re.split(r"\n\w+(?:: [^=\n]+)? = \[", path.read_text(encoding="utf-8"))
        for table in tables:
            ids = re.findall(r'\bid="((?:[^"\\]|\\.)*)"', table)
            assert len(ids) == len(set(ids)), f"{path.name}: {[i for i in ids if ids.count(i) > 1]}"
