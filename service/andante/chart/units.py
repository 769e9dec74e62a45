"""Quantities in UCUM units, converted exactly; anything else is unreadable, never guessed.

Factors are definitions: the UCUM table (`[foz_us]`, `[lb_av]`, `[in_i]`), and 1 kcal = 4.184 kJ.
"""

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache

from andante.chart.codes import CodeMap
from andante.chart.datatypes import Quantity, Ratio
from andante.chart.plain_text import cut
from andante.domain.quantities import UnknownUnit

Note = tuple[str, str]  # code, text

_ONE = Decimal(1)
_USUAL_LENGTH = 120  # of what states a unit, in characters
# dimension -> UCUM unit -> factor to the dimension's base, as an exact fraction
_BASE: dict[str, dict[str, tuple[Decimal, Decimal]]] = {
    "volume": {
        "mL": (_ONE, _ONE),
        "L": (Decimal(1000), _ONE),
        "dL": (Decimal(100), _ONE),
        "cL": (Decimal(10), _ONE),
        "uL": (_ONE, Decimal(1000)),
        "cm3": (_ONE, _ONE),
        "[foz_us]": (Decimal("29.5735295625"), _ONE),
    },
    "mass": {
        "g": (_ONE, _ONE),
        "kg": (Decimal(1000), _ONE),
        "mg": (_ONE, Decimal(1000)),
        "ug": (_ONE, Decimal(1000000)),
        "[lb_av]": (Decimal("453.59237"), _ONE),
        "[oz_av]": (Decimal("28.349523125"), _ONE),
    },
    "amount": {"mmol": (_ONE, _ONE), "mol": (Decimal(1000), _ONE), "umol": (_ONE, Decimal(1000))},
    "length": {
        "cm": (_ONE, _ONE),
        "m": (Decimal(100), _ONE),
        "mm": (_ONE, Decimal(10)),
        "[in_i]": (Decimal("2.54"), _ONE),
        "[ft_i]": (Decimal("30.48"), _ONE),
    },
    # `cal` is not here: the trade writes it for kcal, UCUM means a thousandth of that.
    "energy": {"kcal": (_ONE, _ONE), "[Cal]": (_ONE, _ONE), "kJ": (_ONE, Decimal("4.184"))},
    "time": {
        "s": (_ONE, Decimal(3600)),
        "min": (_ONE, Decimal(60)),
        "h": (_ONE, _ONE),
        "d": (Decimal(24), _ONE),
        "wk": (Decimal(168), _ONE),
    },
    "body mass index": {"kg/m2": (_ONE, _ONE)},
    "share": {"%": (_ONE, _ONE)},
}
_FACTORS = {unit: (dimension, *factor) for dimension, units in _BASE.items() for unit, factor in units.items()}


class Unreadable(ValueError):
    """A quantity that cannot be used; the message says why, in words fit for a note."""


@dataclass(frozen=True, slots=True)
class Unit:
    """The UCUM unit to calculate in; `shown`, what its display stands for if that is another spelling."""

    ucum: str
    shown: str | None = None
    notes: tuple[Note, ...] = ()


def convert(value: Decimal, ucum: str, to: str) -> Decimal:
    """A value in another UCUM unit of the same dimension. Raises UnknownUnit."""
    dimension, up, down = _factor(ucum)
    wanted, wanted_up, wanted_down = _factor(to)
    if dimension != wanted:
        raise UnknownUnit(f"{ucum!r} cannot be converted to {to}")
    return value * up * wanted_down / (down * wanted_up)


def _factor(ucum: str) -> tuple[str, Decimal, Decimal]:
    if ucum in _FACTORS:
        return _FACTORS[ucum]
    over, slash, under = ucum.partition("/")
    if slash and over in _FACTORS and under in _FACTORS:
        dimension, up, down = _FACTORS[over]
        per, per_up, per_down = _FACTORS[under]
        return f"{dimension} per {per}", up * per_down, down * per_up
    raise UnknownUnit(f"{ucum!r} is not a unit that can be read here")


def unit_of(quantity: Quantity, codes: CodeMap, *, coded_only: bool = False) -> Unit:
    """The unit a quantity is in. Raises Unreadable when none is stated, or in a system that is not UCUM.

    The display (`unit`) counts only where there is no code, through the table of spellings.
    """
    stated = (quantity.unit or "", quantity.code or "", quantity.system)
    is_usual = sum(len(text or "") for text in stated) <= _USUAL_LENGTH
    return (_unit if is_usual else _unit.__wrapped__)(*stated, codes, coded_only)


@lru_cache(maxsize=1024)
def _unit(unit: str, code: str, system: str | None, codes: CodeMap, coded_only: bool) -> Unit:
    display = unit.strip()
    if code:
        if system is not None and system.rstrip("/") not in codes.ucum_systems:
            raise Unreadable("its unit is not coded in UCUM")
        ucum, notes = _spelled(code.strip(), codes)
        if system is None:
            notes = (
                *notes,
                ("unit-without-system", f'unit "{_short(ucum)}" read as UCUM: it states no system'),
            )
        shown = _spelled(display, codes)[0] if display else None
        return Unit(ucum, shown if shown != ucum else None, notes)
    if not display:
        raise Unreadable("it has no unit")
    if coded_only:
        raise Unreadable("its unit is not coded")
    ucum, notes = _spelled(display, codes)
    if display not in codes.units and not _is_known(ucum):
        raise Unreadable(f'its unit "{_short(display)}" is not coded and not a known spelling')
    return Unit(ucum, None, (*notes, ("unit-not-coded", f'uncoded unit "{_short(display)}" read as {ucum}')))


def _spelled(text: str, codes: CodeMap) -> tuple[str, tuple[Note, ...]]:
    found = codes.units.get(text)
    if found is None:
        return text, ()
    return found.ucum, ((found.note, f'unit "{text}" read as {found.ucum}'),) if found.note else ()


def _is_known(ucum: str) -> bool:
    try:
        _factor(ucum)
    except UnknownUnit:
        return ucum in ("mmol/L", "umol/L", "meq/L", "mol/m3")
    return True


def _short(text: str) -> str:
    return cut(text, 21)


def amount(
    quantity: Quantity | None,
    convert_to: Callable[[Decimal, str], Decimal],
    codes: CodeMap,
    *,
    coded_only: bool = False,
    zero: bool = False,
    comparators: tuple[str, ...] = (),
) -> tuple[Decimal, tuple[Note, ...]]:
    """The converted value and the notes to take. Raises Unreadable, saying why.

    `zero` admits a value of nothing; a comparator is refused unless listed.
    """
    if quantity is None or quantity.value is None:
        raise Unreadable("it holds no number")
    if quantity.comparator and quantity.comparator not in comparators:
        raise Unreadable(f'the comparator "{_short(quantity.comparator)}" leaves its value open')
    unit = unit_of(quantity, codes, coded_only=coded_only)
    try:
        value = convert_to(quantity.value, unit.ucum)
    except UnknownUnit as error:
        raise Unreadable(f'its unit "{_short(unit.ucum)}" cannot be read here') from error
    except ArithmeticError as error:
        raise Unreadable("its value is beyond calculating") from error
    if value < 0 or (value == 0 and not zero):
        raise Unreadable("its value is not above zero")
    if unit.shown is not None:
        try:
            shown = convert_to(quantity.value, unit.shown)
        except UnknownUnit:
            shown = value  # a display in words, or of another kind of unit, contradicts nothing
        if shown != value:
            raise Unreadable(f'its unit is coded "{_short(unit.ucum)}" but shown as "{_short(unit.shown)}"')
    return value, unit.notes


def to(unit: str) -> Callable[[Decimal, str], Decimal]:
    """A converter to one UCUM unit, for `amount`."""
    return lambda value, ucum: convert(value, ucum, unit)


def ratio_amount(ratio: Ratio | None, unit: str, codes: CodeMap) -> tuple[Decimal, tuple[Note, ...]]:
    """A ratio of two quantities, in a unit such as `mL/h` or `g/mL`. Raises Unreadable."""
    if ratio is None:
        raise Unreadable("it holds no number")
    over, _, under = unit.partition("/")
    numerator, over_notes = amount(ratio.numerator, to(over), codes)
    denominator, under_notes = amount(ratio.denominator, to(under), codes)
    return numerator / denominator, (*over_notes, *under_notes)
