"""What an entry of the code tables may say, table by table. Strict: an unknown or missing key is an error."""

from decimal import Decimal
from typing import Literal

import msgspec

from andante.domain.picture import FindingKind, IntakeKind, Matrix, MeasureKind
from andante.domain.quantities import Analyte

Tag = Literal["S", "M", "M?", "own", "site"]


class Entry(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, rename="kebab", omit_defaults=True):
    """One code: which system, what it means, and where that is known from. `prefix`: all codes beginning
    so.
    """

    system: str
    code: str
    meaning: str
    source: str
    tag: Tag
    prefix: bool = False

    def __post_init__(self) -> None:
        if not all(text.strip() for text in (self.system, self.code, self.meaning, self.source)):
            raise ValueError("system, code, meaning and source must not be empty")


class LabCode(Entry, frozen=True, kw_only=True):
    analyte: Analyte
    matrix: Matrix
    property: Literal["molar", "mass", "any"]


class NotSerumCode(Entry, frozen=True, kw_only=True):
    analyte: Analyte


class PanelCode(Entry, frozen=True, kw_only=True):
    analytes: frozenset[Analyte]


class MeasureCode(Entry, frozen=True, kw_only=True):
    kind: MeasureKind


class IntakeCode(Entry, frozen=True, kw_only=True):
    kind: IntakeKind
    whole_day: bool = False


class DietCode(Entry, frozen=True, kw_only=True):
    kind: Literal["nil-by-mouth", "infant-formula"]


Role = Literal[
    "thiamine",
    "multivitamin",
    "replacement",
    "dextrose",
    "amino-acids",
    "lipid-emulsion",
    "parenteral-nutrition",
    "lipid-sedation",
    "citrate",
    "drug-history",
]


class DrugCode(Entry, frozen=True, kw_only=True):
    roles: frozenset[Role]
    analytes: frozenset[Analyte] = frozenset()

    def __post_init__(self) -> None:
        super().__post_init__()
        if ("replacement" in self.roles) != bool(self.analytes):
            raise ValueError("a replacement names its analytes, and nothing else does")


class FormulaCode(Entry, frozen=True, kw_only=True):
    """A formula of the site's own list: its energy density, for orders that state none."""

    kcal_per_ml: Decimal

    def __post_init__(self) -> None:
        super().__post_init__()
        if not (self.kcal_per_ml.is_finite() and self.kcal_per_ml > 0):
            raise ValueError("kcal-per-ml must be a number above zero")


class FindingCode(Entry, frozen=True, kw_only=True):
    kind: FindingKind


class RiskCode(Entry, frozen=True, kw_only=True):
    tier: Literal["moderate", "severe"]


class SeverityCode(Entry, frozen=True, kw_only=True):
    severity: Literal["mild", "moderate", "severe"]


class TimingCode(Entry, frozen=True, kw_only=True):
    every_hours: int

    def __post_init__(self) -> None:
        super().__post_init__()
        if not 1 <= self.every_hours <= 24 * 7:
            raise ValueError("every-hours must lie between an hour and a week")


class AppliesToCode(Entry, frozen=True, kw_only=True):
    sex: Literal["male", "female"]


class UnitSpelling(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """A way of writing a unit, and the UCUM unit it is read as. With `note`, each use is noted under it."""

    written: str
    ucum: str
    source: str
    tag: Tag
    note: Literal["unit-spelling", "energy-unit-read-as-kcal"] | None = None


class Words(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, rename="kebab"):
    """Words by which uncoded text is noticed, lower case. They raise notes or doubt, never a value."""

    potassium: tuple[str, ...]
    phosphate: tuple[str, ...]
    magnesium: tuple[str, ...]
    other_matter: tuple[str, ...]
    specimen_doubt: tuple[str, ...]
    energy_drug: tuple[str, ...]


class Tables(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, rename="kebab"):
    """The tables as written, before they are indexed."""

    lab: tuple[LabCode, ...]
    not_serum: tuple[NotSerumCode, ...]
    panel: tuple[PanelCode, ...]
    measure: tuple[MeasureCode, ...]
    intake: tuple[IntakeCode, ...]
    energy_goal: tuple[Entry, ...]
    diet: tuple[DietCode, ...]
    diet_energy: tuple[Entry, ...]
    drug: tuple[DrugCode, ...]
    finding: tuple[FindingCode, ...]
    risk: tuple[RiskCode, ...]
    severity: tuple[SeverityCode, ...]
    specimen_problem: tuple[Entry, ...]
    not_blood: tuple[Entry, ...]
    timing: tuple[TimingCode, ...]
    inpatient_class: tuple[Entry, ...]
    applies_to: tuple[AppliesToCode, ...]
    unit: tuple[UnitSpelling, ...]
    formula: tuple[FormulaCode, ...] = ()


class Ucum(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    systems: frozenset[str]


class Document(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, rename="kebab"):
    """The whole file."""

    systems: dict[str, str]
    ucum: Ucum
    tables: Tables
    same_codes: dict[str, str]
    words: Words
