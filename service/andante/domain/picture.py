"""One patient as the rules see it: what the chart says, each value with the versioned reference it came from.

Built by `andante.chart`; nothing here knows FHIR. Every instant is zone-aware. `source` is a versioned reference
such as `Observation/abc/_history/2`.
"""

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from decimal import Decimal
from enum import StrEnum

from andante.domain.quantities import Analyte, Level


def require_aware(*instants: datetime | None) -> None:
    """Raise ValueError for an instant without a time zone."""
    for instant in instants:
        if instant is not None and instant.utcoffset() is None:
            raise ValueError("every instant must carry a time zone")


# --------------------------------------------------------------------------- laboratory


class Firmness(StrEnum):
    """How far a result may be relied on. Void results (entered in error, cancelled) never reach the picture."""

    FIRM = "firm"  # final, amended, corrected
    PROVISIONAL = "provisional"  # preliminary, registered with a value, unknown status: may hold, may not advance


class Matrix(StrEnum):
    """What was measured. A percent fall is never taken across two matrices."""

    SERUM_PLASMA = "serum or plasma"
    BLOOD = "whole blood"


@dataclass(frozen=True, slots=True, kw_only=True)
class LabResult:
    """One result of one analyte. It belongs to its collection time, never to the time it was reported.

    `level` is in mmol/L; None when it cannot be read, and then `problem` says why.
    `collected` is the oldest instant the collection time can mean, `collected_latest` the newest (they differ for a
    date without a time); both None when no collection time is stated.
    `range_low`/`range_high` are the result's own reference limits in mmol/L.
    `specimen_problem` names haemolysis, contamination or another reason to doubt the specimen.
    """

    analyte: Analyte
    level: Level | None
    written: str
    collected: datetime | None
    collected_latest: datetime | None = None
    reported: datetime | None = None
    firmness: Firmness = Firmness.FIRM
    matrix: Matrix = Matrix.SERUM_PLASMA
    range_low: Decimal | None = None
    range_high: Decimal | None = None
    specimen_problem: str | None = None
    problem: str | None = None
    specimen: str | None = None
    source: str = ""

    def __post_init__(self) -> None:
        require_aware(self.collected, self.collected_latest, self.reported)

    @property
    def latest(self) -> datetime | None:
        """The newest instant the collection time can mean: the safer one when asking whether a danger is newer."""
        return self.collected_latest or self.collected


class LabOrderState(StrEnum):
    ACTIVE = "active"
    ENDED = "ended"  # completed or revoked: it will bring no further draw


@dataclass(frozen=True, slots=True, kw_only=True)
class LabOrder:
    """A request for a draw that covers some of the three analytes, once or repeatedly.

    `planned` lists single planned instants; a repeating order has `first`, perhaps `until`, and either `every` or
    `daily_at`, times on the hospital's clock (an interval of 24 h would drift when the clocks change).
    An order with neither is wanted at once (`authored`).
    """

    analytes: frozenset[Analyte]
    state: LabOrderState
    authored: datetime | None = None
    planned: tuple[datetime, ...] = ()
    first: datetime | None = None
    every: timedelta | None = None
    daily_at: tuple[time, ...] = ()
    until: datetime | None = None
    source: str = ""

    def __post_init__(self) -> None:
        require_aware(self.authored, self.first, self.until, *self.planned)


@dataclass(frozen=True, slots=True, kw_only=True)
class Collection:
    """A specimen that was taken (or received by the laboratory) and may still lack its result."""

    analytes: frozenset[Analyte]
    collected: datetime
    source: str = ""

    def __post_init__(self) -> None:
        require_aware(self.collected)


# --------------------------------------------------------------------------- body


class MeasureKind(StrEnum):
    WEIGHT = "weight"  # kg
    HEIGHT = "height"  # cm
    BMI = "bmi"  # kg/m2
    DAYS_WITHOUT_INTAKE = "days-without-intake"  # d, as stated by a clinician


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """A body measurement in the unit of its kind. `value` is None when unreadable, and `problem` says why."""

    kind: MeasureKind
    value: Decimal | None
    taken: datetime | None
    firmness: Firmness = Firmness.FIRM
    problem: str | None = None
    source: str = ""

    def __post_init__(self) -> None:
        require_aware(self.taken)


# --------------------------------------------------------------------------- energy


class EnergyKind(StrEnum):
    ENTERAL = "enteral feed"
    ORAL_DIET = "oral diet"
    SUPPLEMENT = "oral supplement"
    PARENTERAL = "parenteral nutrition"
    IV_DEXTROSE = "intravenous dextrose"
    LIPID_SEDATION = "lipid-based sedation"
    CITRATE = "citrate"

    @property
    def is_nutrition(self) -> bool:
        """False for energy that comes with a drug or a fluid: it counts, but it is not a feed."""
        return self in (
            EnergyKind.ENTERAL,
            EnergyKind.ORAL_DIET,
            EnergyKind.SUPPLEMENT,
            EnergyKind.PARENTERAL,
        )


class OrderState(StrEnum):
    PLANNED = "planned"  # draft, proposal or plan: nobody has ordered it yet
    ACTIVE = "active"
    PAUSED = "paused"  # on hold
    ENDED = "ended"  # completed or revoked


@dataclass(frozen=True, slots=True, kw_only=True)
class Composition:
    """What one mL holds, in g/mL (citrate in mmol/mL). The energy per gram is the protocol's business."""

    dextrose_g_ml: Decimal = Decimal(0)
    amino_acids_g_ml: Decimal = Decimal(0)
    lipid_g_ml: Decimal = Decimal(0)
    lipid_is_emulsion: bool = False  # a separate lipid emulsion (energy per mL) rather than part of an admixture
    citrate_mmol_ml: Decimal = Decimal(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """One administration of an order.

    A rate without repetition runs from `start` until `end`, or until the next such delivery of the same order
    starts. A rate with repetition runs for `duration` each time. A `volume_ml` is given at each repetition.
    `problem` says why it cannot be summed; such a delivery is never counted as zero.
    """

    start: datetime | None = None
    end: datetime | None = None
    rate_ml_h: Decimal | None = None
    volume_ml: Decimal | None = None
    every: timedelta | None = None
    duration: timedelta | None = None
    times_of_day: tuple[time, ...] = ()
    problem: str | None = None

    def __post_init__(self) -> None:
        require_aware(self.start, self.end)

    @property
    def repeats(self) -> bool:
        return self.every is not None or bool(self.times_of_day)


@dataclass(frozen=True, slots=True, kw_only=True)
class EnergyOrder:
    """An order that brings energy: a feed, a diet, or a drug or fluid that carries calories.

    `density_kcal_ml` is as charted for feeds; None with `problem` when it cannot be read. `composition` serves
    parenteral and intravenous orders. `ended` is when it stopped or was put on hold (a bound, or the instant its
    status was last changed); None for an order in force. `nil_by_mouth` marks an oral diet order for nothing;
    `day_kcal` is what a diet serves in a day, where it says so. `density_from` says where the density comes from when
    the order itself states none.
    """

    kind: EnergyKind
    state: OrderState
    ordered: datetime | None = None
    ended: datetime | None = None
    density_kcal_ml: Decimal | None = None
    composition: Composition | None = None
    deliveries: tuple[Delivery, ...] = ()
    max_ml_day: Decimal | None = None
    day_kcal: Decimal | None = None
    density_from: str = ""
    instruction: str | None = None
    nil_by_mouth: bool = False
    problem: str | None = None
    name: str = ""
    source: str = ""

    def __post_init__(self) -> None:
        require_aware(self.ordered, self.ended)


class IntakeKind(StrEnum):
    ENERGY = "energy"  # kcal over the period, all sources
    FORMULA = "formula volume"  # mL of formula over the period
    SHARE_OF_NEED = "share of need"  # percent of the need, all sources: a diet history
    SHARE_OF_MEALS = "share of meals"  # percent of the meals served that was eaten
    ALL_FLUID = "all fluid down the tube"  # mL, flushes included: no energy can be taken from it


@dataclass(frozen=True, slots=True, kw_only=True)
class Intake:
    """What was documented as given over a period. kcal for ENERGY, percent for the shares, mL otherwise."""

    kind: IntakeKind
    amount: Decimal | None
    start: datetime
    end: datetime
    firmness: Firmness = Firmness.FIRM
    problem: str | None = None
    source: str = ""

    def __post_init__(self) -> None:
        require_aware(self.start, self.end)


@dataclass(frozen=True, slots=True, kw_only=True)
class EnergyGoal:
    """The energy goal a clinician stated, kcal/day."""

    kcal_day: Decimal | None
    stated: datetime | None
    problem: str | None = None
    source: str = ""


# --------------------------------------------------------------------------- drugs


class Vitamin(StrEnum):
    THIAMINE = "thiamine"
    MULTIVITAMIN = "multivitamin"


@dataclass(frozen=True, slots=True, kw_only=True)
class VitaminOrder:
    """An order for a vitamin. `daily_mg` is None where the order does not state it readably."""

    vitamin: Vitamin
    state: OrderState
    daily_mg: Decimal | None = None
    start: datetime | None = None
    end: datetime | None = None
    source: str = ""

    def __post_init__(self) -> None:
        require_aware(self.start, self.end)


@dataclass(frozen=True, slots=True, kw_only=True)
class VitaminDose:
    """A documented administration."""

    vitamin: Vitamin
    given: datetime
    mg: Decimal | None = None
    source: str = ""

    def __post_init__(self) -> None:
        require_aware(self.given)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplacementDose:
    """A documented dose of potassium, phosphate or magnesium given by the medical team.

    `running`: charted as still going on, so that its end is not known yet.
    """

    analytes: frozenset[Analyte]
    given: datetime
    ended: datetime | None = None
    running: bool = False
    text: str = ""
    source: str = ""

    def __post_init__(self) -> None:
        require_aware(self.given, self.ended)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplacementOrder:
    """An order in force for potassium, phosphate or magnesium. That it was given is for the doses to show."""

    analytes: frozenset[Analyte]
    start: datetime | None = None
    end: datetime | None = None
    text: str = ""
    source: str = ""

    def __post_init__(self) -> None:
        require_aware(self.start, self.end)

    def runs(self, now: datetime) -> bool:
        return (self.start is None or self.start <= now) and (self.end is None or now < self.end)


# --------------------------------------------------------------------------- person, stay, findings


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """`born` is the youngest reading of the birth date (a partial date is read as its last day).

    `name` and `born_written` are for a person to recognise the patient by; no rule reads them.
    """

    born: date | None = None
    sex: str | None = None  # FHIR administrative gender
    deceased: bool = False
    name: str = field(default="", compare=False)
    born_written: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stay:
    """The hospital stay under watch."""

    source: str
    in_progress: bool
    inpatient: bool = True
    admitted: datetime | None = None
    ended: datetime | None = None
    ward: str | None = None
    bed: str | None = None

    def __post_init__(self) -> None:
        require_aware(self.admitted, self.ended)


class FindingKind(StrEnum):
    """What a coded condition, flag or drug history says, as far as the rules care."""

    PREGNANCY = "pregnancy"
    ORGAN_DYSFUNCTION = "organ dysfunction"  # from the electrolyte fall: a credible sign of manifest refeeding
    THIAMINE_DEFICIENCY = "thiamine deficiency"
    RENAL_IMPAIRMENT = "renal impairment or dialysis"
    DEHYDRATION = "dehydration"
    COMORBIDITY = "higher-risk comorbidity"
    ALCOHOL_OR_DRUGS = "alcohol or drug use disorder"
    DRUG_HISTORY = "insulin, chemotherapy, antacid or diuretic"
    FAT_LOSS = "subcutaneous fat loss"
    MUSCLE_LOSS = "muscle loss"
    FLUID_OVERLOAD = "oedema or ascites"
    AMPUTATION = "amputation"
    INFANT_FORMULA = "infant formula ordered"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """An active, coded finding. `severity` is `mild`, `moderate`, `severe` or None where not coded."""

    kind: FindingKind
    text: str
    severity: str | None = None
    recorded: datetime | None = None
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RiskEntry:
    """A clinician's own coded risk entry (Flag, Condition or RiskAssessment): it wins upward."""

    tier: str  # "moderate" or "severe"
    recorded: datetime | None = None
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DataNote:
    """A named data-quality note. `text` never holds more than is needed to find the resource."""

    code: str
    text: str
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """Everything the rules may use about one patient. Order within the tuples carries no meaning."""

    patient: str  # "Patient/abc"
    person: Person = field(default_factory=Person)
    stay: Stay | None = None
    zone: tzinfo = UTC
    results: tuple[LabResult, ...] = ()
    lab_orders: tuple[LabOrder, ...] = ()
    collections: tuple[Collection, ...] = ()
    measurements: tuple[Measurement, ...] = ()
    energy_orders: tuple[EnergyOrder, ...] = ()
    intakes: tuple[Intake, ...] = ()
    goals: tuple[EnergyGoal, ...] = ()
    vitamin_orders: tuple[VitaminOrder, ...] = ()
    vitamin_doses: tuple[VitaminDose, ...] = ()
    replacements: tuple[ReplacementDose, ...] = ()
    replacement_orders: tuple[ReplacementOrder, ...] = ()
    findings: tuple[Finding, ...] = ()
    risk_entries: tuple[RiskEntry, ...] = ()
    notes: tuple[DataNote, ...] = ()
    incomplete: tuple[str, ...] = ()  # reads that failed: never taken for an empty chart
    versions: tuple[str, ...] = ()  # every versioned reference read
