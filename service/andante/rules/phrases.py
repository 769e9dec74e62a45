"""How the rules put numbers and instants into sentences. Absolute times only: a text must not change with the clock."""

from collections.abc import Iterable
from datetime import datetime, timedelta, tzinfo
from decimal import ROUND_HALF_UP, Context, Decimal

from andante.domain.quantities import Analyte

# Not strftime: its names follow the locale of the machine, and a text must be the same on every machine.
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
ALL_THREE = (Analyte.POTASSIUM, Analyte.PHOSPHATE, Analyte.MAGNESIUM)
_LEVEL_PLACES = {
    Analyte.POTASSIUM: Decimal("0.1"),
    Analyte.PHOSPHATE: Decimal("0.01"),
    Analyte.MAGNESIUM: Decimal("0.01"),
}
_FINE = Decimal("0.00001")
_READABLE_DIGITS = 15  # beyond it a number is a slip, and is shown as such
_TWENTY = Context(prec=20, rounding=ROUND_HALF_UP)


def sentence(words: str) -> str:
    """The words with a capital first letter, the rest untouched."""
    return words[:1].upper() + words[1:]


def plain(value: Decimal, places: Decimal = Decimal(1)) -> str:
    """A decimal without an exponent or trailing zeros, rounded half up to `places`."""
    if value.adjusted() > _READABLE_DIGITS:
        return format(value, ".3E")
    rounded = value.quantize(places, rounding=ROUND_HALF_UP)
    text = format(rounded, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def number(value: Decimal) -> str:
    """A number as a sum uses it: to five places."""
    return plain(value, _FINE)


def level(analyte: Analyte, value: Decimal, *, apart_from: Iterable[Decimal] = ()) -> str:
    """A level in mmol/L, to the places the trade reports.

    To more, where the rounded level would lie on another side of one of the limits it is to be told `apart_from`.
    """
    if value.adjusted() > _READABLE_DIGITS:
        return f"{format(value, '.3E')} mmol/L"
    places, limits = _LEVEL_PLACES[analyte], tuple(apart_from)
    shown = value.quantize(places, rounding=ROUND_HALF_UP)
    while places > _FINE and any(shown.compare(mark) != value.compare(mark) for mark in limits):
        places /= 10
        shown = value.quantize(places, rounding=ROUND_HALF_UP)
    return f"{format(shown, 'f')} mmol/L"


def named_once(written: str, why: str) -> str:
    """A set-aside level and why: `4.0 mmol/L: the result is not final`, `45 mmol/L is outside what is plausible`."""
    written = written or "no value"
    return why if why.startswith(written) else f"{written}: {why}"


def exact_to_20(value: Decimal) -> Decimal:
    """Without the dust that a unit conversion or a division leaves in the last of 28 places.

    A value that lies exactly on a limit must stay on it in whatever unit it was written.
    """
    return _TWENTY.plus(value)


def percent_of(part: Decimal, whole: Decimal) -> Decimal:
    """`part` in percent of `whole`."""
    return exact_to_20(part / whole * 100)


def kcal(value: Decimal) -> str:
    return f"{plain(value)} kcal/day"


def at(instant: datetime, zone: tzinfo) -> str:
    """`Tue 5 Mar 06:30` in the hospital's zone."""
    local = instant.astimezone(zone)
    return f"{_DAYS[local.weekday()]} {local.day} {_MONTHS[local.month - 1]} {local:%H:%M}"


def names(analytes: Iterable[Analyte]) -> str:
    """`potassium, phosphate and magnesium`, in the usual order."""
    wanted = set(analytes)
    words = [a.value for a in ALL_THREE if a in wanted]
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]


def hours(span: timedelta) -> Decimal:
    """A span as decimal hours, exactly."""
    return Decimal(span // timedelta(microseconds=1)) / Decimal(3_600_000_000)


def span(amount: Decimal, unit: str) -> timedelta:
    """A protocol time entry as a timedelta. Units min, h, d."""
    seconds = {"min": 60, "h": 3600, "d": 86400}[unit]
    return timedelta(microseconds=int(amount * seconds * 1_000_000))
