"""The course of one patient as points and steps in time, ready to be drawn. Levels in mmol/L, energies in kcal/day."""

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from andante.domain.quantities import Analyte


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One result. `set_aside` says why it does not count; empty where it does.

    `value` is the bound where a `comparator` stands before it. `fall_percent` is counted from the reference level,
    None where there is none, or the level did not fall. `low` and `high` are the limits that apply to this result.
    """

    at: datetime
    value: Decimal
    comparator: str
    low: Decimal
    high: Decimal
    set_aside: str = ""
    fall_percent: Decimal | None = None
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalyteTrace:
    """All results of one analyte, oldest first. `reference` is the level that falls are counted from, `critical` the
    protocol's lower critical limit, `next_due` when the next draw is needed."""

    analyte: Analyte
    points: tuple[Point, ...]
    low: Decimal
    high: Decimal
    critical: Decimal
    reference: Decimal | None = None
    reference_at: datetime | None = None
    next_due: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EnergyStep:
    """Energy from `start` to `end` (None: still so). `kcal` is None where it runs and cannot be summed."""

    start: datetime
    end: datetime | None
    kcal: Decimal | None
    said: str = ""
    sources: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Dose:
    """A documented replacement dose."""

    at: datetime
    analytes: tuple[Analyte, ...]
    said: str
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class VitaminTrace:
    """What is ordered and given of one vitamin; `gap` says what is wrong, empty where nothing is."""

    name: str
    orders: tuple[EnergyStep, ...]  # `kcal` is None; `said` holds the dose
    given: int
    last_given: datetime | None = None
    gap: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """Everything the drawing shows. `ordered` sums nutrition and other energy as in force; oldest first."""

    now: datetime
    analytes: tuple[AnalyteTrace, ...]
    doses: tuple[Dose, ...]
    ordered: tuple[EnergyStep, ...]
    delivered: tuple[EnergyStep, ...]
    goal: EnergyStep | None
    suggested: EnergyStep | None
    vitamins: tuple[VitaminTrace, ...]
