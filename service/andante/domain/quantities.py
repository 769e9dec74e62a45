"""Analytes, levels and the unit conversions of the trade. Levels are in mmol/L everywhere inside."""

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum


class Analyte(StrEnum):
    """The three electrolytes that fall in refeeding."""

    POTASSIUM = "potassium"
    PHOSPHATE = "phosphate"
    MAGNESIUM = "magnesium"


# Standard atomic weights, g/mol (IUPAC, abridged). Phosphate is reported as elemental phosphorus, never as PO4.
_MOLAR_MASS_G_MOL = {
    Analyte.POTASSIUM: Decimal("39.098"),
    Analyte.PHOSPHATE: Decimal("30.974"),
    Analyte.MAGNESIUM: Decimal("24.305"),
}
# Phosphate has no entry: its valence depends on pH, so an mEq figure for it has no one meaning.
_VALENCE = {Analyte.POTASSIUM: Decimal(1), Analyte.MAGNESIUM: Decimal(2)}

_MOLAR_TO_MMOL_L = {"mmol/L": Decimal(1), "umol/L": Decimal("0.001"), "mol/m3": Decimal(1)}
_MASS_TO_MG_L = {"mg/dL": Decimal(10), "mg/L": Decimal(1), "ug/mL": Decimal(1)}
_CHARGE_TO_MEQ_L = {"meq/L": Decimal(1)}


class UnknownUnit(ValueError):
    """The unit cannot be converted for this analyte; the value is unreadable, never guessed."""


def is_mass_unit(ucum: str) -> bool:
    """Whether the UCUM unit is a mass concentration."""
    return ucum in _MASS_TO_MG_L


def mmol_per_l(analyte: Analyte, value: Decimal, ucum: str) -> Decimal:
    """Convert a concentration in a UCUM unit to mmol/L, at full precision.

    A value and its limit go through the same sum, so a value on its limit stays on it.
    Raises UnknownUnit for any other unit, and for mEq/L of phosphate.
    """
    if ucum in _MOLAR_TO_MMOL_L:
        return value * _MOLAR_TO_MMOL_L[ucum]
    if ucum in _MASS_TO_MG_L:
        return value * _MASS_TO_MG_L[ucum] / _MOLAR_MASS_G_MOL[analyte]
    if ucum in _CHARGE_TO_MEQ_L and analyte in _VALENCE:
        return value * _CHARGE_TO_MEQ_L[ucum] / _VALENCE[analyte]
    raise UnknownUnit(f"{ucum!r} is not a unit {analyte} can be read in")


@dataclass(frozen=True, slots=True)
class Level:
    """A concentration in mmol/L, as an interval: a plain value, or what a comparator leaves open.

    `low` or `high` is None where unbounded; `low_open`/`high_open` exclude the bound itself.
    What the interval cannot prove is not proven.
    """

    low: Decimal | None
    high: Decimal | None
    low_open: bool = False
    high_open: bool = False

    @classmethod
    def exact(cls, value: Decimal) -> "Level":
        return cls(value, value)

    @classmethod
    def compared(cls, comparator: str, value: Decimal) -> "Level":
        """From a FHIR quantity comparator. Raises ValueError for one that proves nothing."""
        match comparator:
            case "<":
                return cls(None, value, high_open=True)
            case "<=":
                return cls(None, value)
            case ">":
                return cls(value, None, low_open=True)
            case ">=":
                return cls(value, None)
        raise ValueError(f"comparator {comparator!r} proves neither a low nor a high level")

    @property
    def value(self) -> Decimal | None:
        """The number to show: the value, or the bound of a comparator."""
        return self.low if self.low is not None else self.high

    @property
    def comparator(self) -> str:
        """The FHIR comparator that makes this interval of `value`; empty for a plain value."""
        if self.low is None:
            return "<" if self.high_open else "<="
        if self.high is None:
            return ">" if self.low_open else ">="
        return ""

    @property
    def is_exact(self) -> bool:
        return self.low is not None and self.low == self.high

    def surely_below(self, limit: Decimal) -> bool:
        return self.high is not None and (self.high < limit or (self.high == limit and self.high_open))

    def surely_at_most(self, limit: Decimal) -> bool:
        return self.high is not None and self.high <= limit

    def surely_above(self, limit: Decimal) -> bool:
        return self.low is not None and (self.low > limit or (self.low == limit and self.low_open))

    def surely_at_least(self, limit: Decimal) -> bool:
        return self.low is not None and self.low >= limit
