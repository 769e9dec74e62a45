"""A protocol: every clinical number and switch the rules use, each with its source.

The values come from a protocol file (`shared/protocols/*.yaml`); nothing clinical has a default here.
Field metadata states the unit an entry must be written in, checked when the file is loaded.
"""

from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum
from typing import Any

from andante.domain.quantities import Analyte


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """One clinical number.

    `tag` says how it is known: `S` read in a text that prints it, `M` from memory, `M?` from memory and shaky,
    `D` arithmetic on a stated fact, `practice` common practice without a published source, `site` a local choice.
    """

    path: str
    value: Decimal
    unit: str
    source: str
    tag: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Switch:
    """A choice between named behaviours."""

    path: str
    value: str
    source: str
    tag: str
    note: str = ""


def _unit(unit: str) -> Any:
    return field(metadata={"unit": unit})


def _choice(*values: str) -> Any:
    return field(metadata={"choices": values})


@dataclass(frozen=True, slots=True, kw_only=True)
class Scope:
    min_age: Number = _unit("a")


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalyteLimits:
    """Levels in mmol/L, converted at full precision from the unit the source prints.

    `low`: below it is low. `high`: above it is high. `critical_low`: critical at or below it, or only below it, as
    `critical_low_bound` says. `critical_high`: critical at or above it; None where no limit is published.
    The `plausible_*` pair bounds what can be a result at all; the `range_*` entries bound what a laboratory's own
    reference limit may be before it is taken for a slip.
    """

    low: Number = _unit("mmol/L")
    high: Number = _unit("mmol/L")
    critical_low: Number = _unit("mmol/L")
    critical_low_bound: Switch = _choice("at-or-below", "below")
    critical_high: Number | None = _unit("mmol/L")  # at or above it is critical
    plausible_min: Number = _unit("mmol/L")
    plausible_max: Number = _unit("mmol/L")
    range_low_min: Number = _unit("mmol/L")
    range_low_max: Number = _unit("mmol/L")
    range_high_min: Number = _unit("mmol/L")
    range_high_max: Number = _unit("mmol/L")
    recheck: Number = _unit("h")  # after a replacement dose


@dataclass(frozen=True, slots=True, kw_only=True)
class Analytes:
    potassium: AnalyteLimits
    phosphate: AnalyteLimits
    magnesium: AnalyteLimits

    def of(self, analyte: Analyte) -> AnalyteLimits:
        match analyte:
            case Analyte.POTASSIUM:
                return self.potassium
            case Analyte.PHOSPHATE:
                return self.phosphate
            case Analyte.MAGNESIUM:
                return self.magnesium


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    future_skew: Number = _unit("min")
    lookback: Number = _unit("d")  # an older result says nothing about now
    baseline_max_age: Number = _unit("h")
    freshness_grace: Number = _unit("h")
    infusion_longest: Number = _unit("h")  # a replacement charted as running for longer is a drip, or was not closed
    weight_max_age: Number = _unit("d")
    weight_min: Number = _unit("kg")
    weight_max: Number = _unit("kg")
    weight_disagree: Number = _unit("%")  # weights within `lookback` further apart contradict each other
    weight_without_height: Number = _unit("kg")  # above it obesity cannot be ruled out without a height
    height_min: Number = _unit("cm")
    height_max: Number = _unit("cm")
    weight_early_share: Number = _unit("%")  # only a weight at least this far back in a window can rule a loss out
    negligible_intake: Number = _unit("%")  # of the need: not more than this is nil or negligible
    intake_gap: Number = _unit("h")  # records of intake this far apart still count as one run
    intake_most: Number = _unit("%")  # of the need: more than this in a day is a slip
    record_gap: Number = _unit("h")  # records of what was delivered this far apart still count as one run
    shortest_record: Number = _unit("h")  # less than this documented says nothing of a day
    diet_min: Number = _unit("kcal/d")  # a diet said to serve less is a slip
    diet_max: Number = _unit("kcal/d")
    bag_change: Number = _unit("h")  # orders that overlap for less are one bag taken over from another
    same_draw: Number = _unit("h")  # a result this close to a collection belongs to it when no specimen links them


@dataclass(frozen=True, slots=True, kw_only=True)
class Fall:
    """Percent fall from the baseline. `mild` and `moderate` begin at their number, `severe` above its number."""

    mild: Number = _unit("%")
    moderate: Number = _unit("%")
    severe: Number = _unit("%")
    window: Number = _unit("d")
    hold: Number = _unit("%")  # a fall of at least this much holds, even inside the range
    fast: Number = _unit("%")  # a fall of at least this much within `fast_window` holds as well
    fast_window: Number = _unit("h")


@dataclass(frozen=True, slots=True, kw_only=True)
class Refractory:
    """When a low level counts as difficult to correct."""

    draws: Number = _unit("1")
    span: Number = _unit("h")
    doses: Number = _unit("1")


@dataclass(frozen=True, slots=True, kw_only=True)
class Energy:
    goal: Number = _unit("kcal/kg/d")
    goal_max: Number = _unit("kcal/kg/d")  # a stated goal above it is taken for a slip
    initial: Number = _unit("kcal/kg/d")
    initial_extreme: Number = _unit("kcal/kg/d")
    initial_dextrose_low: Number = _unit("g/d")
    initial_dextrose_high: Number = _unit("g/d")
    extreme_bmi: Number = _unit("kg/m2")  # below it: the lowest start
    extreme_days_without_intake: Number = _unit("d")  # more than this: the lowest start
    step: Number = _unit("%")  # of the goal
    step_interval: Number = _unit("h")
    cut: Number = _unit("%")  # of the present energy, when cutting
    pump_increment: Number = _unit("mL/h")
    pump_fine_increment: Number = _unit("mL/h")
    bolus_increment: Number = _unit("mL")
    density_default: Number = _unit("kcal/mL")
    density_min: Number = _unit("kcal/mL")
    density_max: Number = _unit("kcal/mL")
    delivery_shortfall: Number = _unit("%")  # delivered below this share of ordered: find out why first
    delivery_excess: Number = _unit("%")  # delivered above this share of ordered: find out why first
    restart_after: Number = _unit("h")  # a pause this long makes the next feed a new exposure
    dextrose: Number = _unit("kcal/g")
    amino_acids: Number = _unit("kcal/g")
    lipid_admixture: Number = _unit("kcal/g")
    lipid_emulsion_10: Number = _unit("kcal/mL")
    lipid_emulsion_20: Number = _unit("kcal/mL")
    lipid_emulsion_30: Number = _unit("kcal/mL")
    lipid_sedation: Number = _unit("kcal/mL")
    citrate: Number = _unit("kcal/mmol")
    glucose_rate_ceiling: Number = _unit("mg/kg/min")
    obesity_bmi: Number = _unit("kg/m2")
    adjusted_weight_share: Number = _unit("%")  # of the excess over ideal weight
    ideal_weight_male: Number = _unit("kg")
    ideal_weight_female: Number = _unit("kg")
    ideal_weight_per_inch: Number = _unit("kg/[in_i]")
    ideal_weight_height: Number = _unit("[in_i]")


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """What the protocol answers to danger. `halve` cuts by `energy.cut`; `stop` is zero; `hold` keeps the present."""

    low_before_feeding: Switch = _choice("correct-first", "start-lowest")
    lowest_start: Number = _unit("kcal/kg/d")
    critical_low: Switch = _choice("halve", "stop")
    severe_fall: Switch = _choice("halve", "stop")
    organ_dysfunction: Switch = _choice("halve", "stop")
    critical_high: Switch = _choice("hold", "halve", "stop")
    settle_draws: Number = _unit("1")  # draws running without a low or critical level before the next step


@dataclass(frozen=True, slots=True, kw_only=True)
class Monitoring:
    early_interval: Number = _unit("h")
    early_window: Number = _unit("h")
    late_interval: Number = _unit("h")
    adequate_energy: Number = _unit("%")  # of the goal
    one_needle: Number = _unit("h")  # draws due within this of each other are asked for together
    lookahead: Number = _unit("h")
    vital_signs: Number = _unit("h")  # how often they are watched after a start
    vital_signs_window: Number = _unit("h")  # for how long
    heart_rhythm: Switch = _choice("if-unstable", "in-the-lowest-start-tier")  # whose rhythm is watched continuously


@dataclass(frozen=True, slots=True, kw_only=True)
class Micronutrients:
    thiamine_dose: Number = _unit("mg/d")
    thiamine_days: Number = _unit("d")
    multivitamin_days: Number = _unit("d")


@dataclass(frozen=True, slots=True, kw_only=True)
class StandDown:
    day: Number = _unit("d")
    in_range: Number = _unit("h")


class Comparison(StrEnum):
    BELOW = "below"
    AT_MOST = "at-most"
    ABOVE = "above"
    AT_LEAST = "at-least"

    def holds(self, value: Decimal, limit: Decimal) -> bool:
        match self:
            case Comparison.BELOW:
                return value < limit
            case Comparison.AT_MOST:
                return value <= limit
            case Comparison.ABOVE:
                return value > limit
            case Comparison.AT_LEAST:
                return value >= limit


class CriterionKind(StrEnum):
    """How a risk criterion is worked out from the picture."""

    BMI = "bmi"
    WEIGHT_LOSS = "weight-loss"
    INTAKE_DAYS = "intake-days"
    INTAKE_SHARE = "intake-share"
    LOW_ELECTROLYTE = "low-electrolyte"
    FINDING = "finding"


@dataclass(frozen=True, slots=True, kw_only=True)
class CriterionTest:
    """One way to meet a criterion at one level.

    BMI and INTAKE_DAYS compare a value with `limit`; WEIGHT_LOSS compares the percent lost within `window`;
    INTAKE_SHARE compares the percent of the need taken in, over a time longer than `window`;
    LOW_ELECTROLYTE needs a low level before feeding (`limit` None) or one below `limit` percent of the low limit;
    FINDING needs one of `findings` coded with one of `severities` ("" accepts a finding coded without severity).
    """

    level: str  # "moderate" or "severe": the column of the published table
    comparison: Comparison | None = None
    limit: Number | None = None
    window: Number | None = None
    findings: tuple[str, ...] = ()
    severities: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Criterion:
    id: str
    kind: CriterionKind
    text: str
    source: str
    tag: str
    would_settle: str
    tests: tuple[CriterionTest, ...]
    row: str = ""  # criteria of one row of the published table count once; empty for a row of its own


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """`at_least` criteria met at `level` give `tier`. Read in order, the first that holds wins."""

    tier: str
    level: str
    at_least: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RiskTable:
    criteria: tuple[Criterion, ...]
    counting: tuple[Count, ...]
    needed_to_rule_out: tuple[str, ...]  # with one of these unknown and none met, the risk is unknown, not none


@dataclass(frozen=True, slots=True, kw_only=True)
class Protocol:
    id: str
    version: str
    title: str
    effective: str
    signature: str  # who has signed it against the primary text, or that nobody has
    hash: str
    overlay: tuple[str, ...]  # a site's differences, one sentence each; empty for a protocol as published
    scope: Scope
    analytes: Analytes
    evidence: Evidence
    fall: Fall
    refractory: Refractory
    energy: Energy
    response: Response
    monitoring: Monitoring
    micronutrients: Micronutrients
    stand_down: StandDown
    risk: RiskTable
