"""What comes out: one advice, its notices, and the derivation that a clinician can check line by line."""

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from enum import StrEnum

from andante.domain.protocol import Number, Switch
from andante.domain.quantities import Analyte


class AdviceCode(StrEnum):
    NOT_COVERED = "not-covered"
    NOT_AT_RISK = "not-at-risk"
    DRAW_FIRST = "draw-first"
    CORRECT_FIRST = "correct-first"
    START = "start"
    STAY = "stay"
    ADVANCE = "advance"
    AT_GOAL = "at-goal"
    HOLD = "hold"
    HALVE = "halve"
    URGENT_REVIEW = "urgent-review"
    STOOD_DOWN = "stood-down"

    @property
    def is_silent(self) -> bool:
        """Nobody needs to act: no Task is left for it."""
        return self in (AdviceCode.NOT_COVERED, AdviceCode.NOT_AT_RISK, AdviceCode.STOOD_DOWN)


class NoticeCode(StrEnum):
    LAB_GAP = "lab-gap"
    LAB_GAP_AHEAD = "lab-gap-ahead"
    REPLACEMENT = "replacement"
    MICRONUTRIENT = "micronutrient"
    URGENT = "urgent"
    DATA_QUALITY = "data-quality"
    SCHEDULED_INCREASE = "scheduled-increase"


class GapStage(StrEnum):
    NOT_ORDERED = "not-ordered"
    NOT_COLLECTED = "not-collected"
    NO_RESULT = "no-result"
    UNUSABLE = "unusable"


class Tell(StrEnum):
    PRESCRIBER = "prescriber"
    NURSE = "nurse"
    LABORATORY = "laboratory"
    DIETITIAN = "dietitian"


class Priority(StrEnum):
    """FHIR request priority."""

    ROUTINE = "routine"
    URGENT = "urgent"
    ASAP = "asap"
    STAT = "stat"


class AnalyteState(StrEnum):
    IN_RANGE = "in-range"
    LOW = "low"
    CRITICAL_LOW = "critical-low"
    HIGH = "high"
    CRITICAL_HIGH = "critical-high"
    MISSING = "missing"
    STALE = "stale"
    PROVISIONAL = "provisional"
    UNREADABLE = "unreadable"


class RiskTier(StrEnum):
    NONE = "none"
    MODERATE = "moderate"
    SEVERE = "severe"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """A value used by a rule, with when and where it came from. `source` is a versioned reference."""

    label: str
    value: str
    when: datetime | None = None
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Working:
    """One sum written out: `result` as it stands in a sentence, and the terms it comes from."""

    result: str
    terms: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """One rule that fired: its id, a sentence, the facts and the protocol entries it used, and the sums worked out."""

    rule: str
    sentence: str
    facts: tuple[Fact, ...] = ()
    cites: tuple[Number | Switch, ...] = ()
    working: tuple[Working, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CriterionView:
    """A published risk criterion for this patient. `state` is `met`, `not-met` or `unknown`."""

    id: str
    state: str
    level: str  # the tier level it counts for when met: "moderate" or "severe"; "" otherwise
    text: str
    would_settle: str = ""
    facts: tuple[Fact, ...] = ()
    cites: tuple[Number, ...] = ()
    working: tuple[Working, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RiskView:
    tier: RiskTier
    extreme: bool = False  # the protocol's lowest-start tier
    by_clinician: bool = False
    criteria: tuple[CriterionView, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedingView:
    """Energies in kcal/day; None where not known."""

    started: datetime | None = None
    day: int | None = None
    goal_kcal: Decimal | None = None
    ordered_kcal: Decimal | None = None
    delivered_kcal: Decimal | None = None
    other_kcal: Decimal | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalyteView:
    """`value` in mmol/L as shown, the bound where a `comparator` stands before it.

    `fall_percent` is counted from the reference level of the course, None where not defined.
    """

    analyte: Analyte
    state: AnalyteState
    value: Decimal | None = None
    comparator: str = ""
    collected: datetime | None = None
    fall_percent: Decimal | None = None
    next_due: datetime | None = None
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """One decision about energy. `kcal` is the day's total, non-nutritional energy included, at the rounded rate.

    `rate_ml_h` is what the pump would be set to; `bolus_ml` replaces it for a bolus schedule; `dextrose_g` is the
    day's dextrose for a parenteral start. It is energy advised, never an order.
    """

    code: AdviceCode
    rule: str
    headline: str
    kcal: Decimal | None = None
    rate_ml_h: Decimal | None = None
    bolus_ml: Decimal | None = None
    dextrose_g: Decimal | None = None
    valid_until: datetime | None = None
    because: tuple[str, ...] = ()
    would_change: tuple[str, ...] = ()
    priority: Priority = Priority.ROUTINE
    tell: Tell = Tell.DIETITIAN
    focus: str = ""  # the order under review
    lowers: bool = False  # less than what runs now, whatever the code says


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """A request that a person be told something. It asks for review and orders nothing."""

    code: NoticeCode
    text: str
    tell: Tell
    priority: Priority = Priority.ROUTINE
    analytes: tuple[Analyte, ...] = ()
    stage: GapStage | None = None
    topic: str = ""  # tells apart notices of one code without analytes, for example "thiamine"
    evidence: tuple[Fact, ...] = ()


def with_subject(text: str, source: str) -> str:
    """A note on the data begins with the resource it is about: `Observation/abc: looks like phosphate, but …`."""
    return f"{source.partition('/_history/')[0]}: {text}" if source else text


@dataclass(frozen=True, slots=True, kw_only=True)
class DataQuality:
    code: str
    text: str
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessment:
    """Everything said about one patient at one instant."""

    patient: str
    encounter: str
    ward: str
    bed: str
    now: datetime
    protocol_id: str
    protocol_version: str
    protocol_hash: str
    overlay: tuple[str, ...]  # the site's differences, in words
    risk: RiskView
    feeding: FeedingView
    analytes: tuple[AnalyteView, ...]
    advice: Advice
    notices: tuple[Notice, ...]
    data_quality: tuple[DataQuality, ...]
    derivation: tuple[Reason, ...]
    evidence: tuple[Fact, ...]  # the values the advice rests on
    versions: tuple[str, ...]  # every versioned reference read
