"""Numbers, instants and texts made ready to be shown. Rounding happens here and nowhere before."""

import unicodedata
from datetime import datetime, tzinfo
from decimal import ROUND_HALF_UP, Decimal, localcontext

_DECIMALS = 3
_MOST_DIGITS = 30
# Not strftime: its names follow the locale of the machine.
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_NOT_PRINTED = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")


def number(value: Decimal | None) -> Decimal | None:
    """At most three decimals; a value written with fewer keeps the ones it was written with."""
    if value is None:
        return None
    exponent = value.as_tuple().exponent
    if isinstance(exponent, int) and -_DECIMALS <= exponent <= 0:
        return value
    return _rounded(value, _DECIMALS)


def _rounded(value: Decimal, places: int) -> Decimal:
    """No chart means a number longer than this: such a slip is shown as it is, in powers of ten."""
    if value.adjusted() > _MOST_DIGITS:
        return value
    with localcontext() as context:
        context.prec = 2 * _MOST_DIGITS
        return _trimmed(value.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_UP))


def _trimmed(value: Decimal) -> Decimal:
    trimmed = value.normalize() + 0  # no minus zero
    return trimmed.quantize(Decimal(1)) if trimmed == trimmed.to_integral_value() else trimmed


def words(value: Decimal | None, unit: str = "", *, places: int = 0) -> str:
    """A number for people, or `not known`."""
    if value is None:
        return "not known"
    rounded = _rounded(value, places)
    text = f"{rounded:.3e}" if rounded.adjusted() > _MOST_DIGITS else f"{rounded:f}"
    return f"{text} {unit}".strip()


def instant(value: datetime | None, zone: tzinfo) -> str | None:
    """ISO 8601 with the zone's offset, to the second."""
    return None if value is None else value.astimezone(zone).isoformat(timespec="seconds")


def day_time(value: datetime | None, zone: tzinfo) -> str:
    """Short, for people: `12 Mar 06:30`."""
    if value is None:
        return "not known"
    local = value.astimezone(zone)
    return f"{local.day} {_MONTHS[local.month - 1]} {local:%H:%M}"


def plain(text: str, limit: int = 2000) -> str:
    """Text of a chart without control, format or direction signs, so that it cannot rewrite what is shown."""
    kept = "".join(" " if sign in "\t\r\n" else sign for sign in text)
    kept = "".join(sign for sign in kept if unicodedata.category(sign) not in _NOT_PRINTED)
    kept = " ".join(kept.split())
    return kept if len(kept) <= limit else kept[: limit - 1] + "…"
