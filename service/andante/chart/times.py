"""FHIR date, dateTime and instant, read strictly.

A partial date is an interval; which end counts is the caller's choice of the safer error: evidence is taken
as old as it can be (`earliest`), a birth date as whatever the rule at hand must not overlook.
"""

import re
from datetime import UTC, datetime, timedelta, tzinfo
from functools import lru_cache
from typing import NamedTuple

_FULL = re.compile(r"\d{4}-\d{2}-\d{2}T([01]\d|2[0-3]):[0-5]\d:[0-5]\d(\.\d+)?(Z|[+-](0\d|1[0-3]):[0-5]\d|[+-]14:00)")
_PARTIAL = re.compile(r"(\d{4})(?:-(0[1-9]|1[0-2])(?:-(0[1-9]|[12]\d|3[01]))?)?")
_USUAL_LENGTH = 40
_MICROSECOND = timedelta(microseconds=1)


class FhirTime(NamedTuple):
    """The instants a FHIR time can mean, both ends included and zone-aware; `precise` if it names one
    instant.
    """

    earliest: datetime
    latest: datetime
    precise: bool


def parse_fhir_time(text: str, zone: tzinfo) -> FhirTime:
    """Read YYYY, YYYY-MM, YYYY-MM-DD (in `zone`, the hospital's) or a full dateTime with its own zone.

    Raises ValueError for anything else: a time without zone, hours without seconds, 24:00, a leap second.
    """
    return _parsed(text, zone) if len(text) <= _USUAL_LENGTH else _parsed.__wrapped__(text, zone)


@lru_cache(maxsize=8192)  # the same instants stand in many a result, specimen and order
def _parsed(text: str, zone: tzinfo) -> FhirTime:
    if len(text) > 10:
        if _FULL.fullmatch(text) is None or not text.isascii():
            raise ValueError("not a FHIR dateTime with zone")
        instant = datetime.fromisoformat(text)
        if instant.year in (1, 9999):
            raise ValueError("year out of range")
        return FhirTime(instant, instant, True)
    return _parse_partial(text, zone)


def _parse_partial(text: str, zone: tzinfo) -> FhirTime:
    found = _PARTIAL.fullmatch(text) if text.isascii() else None
    if found is None:
        raise ValueError("not a FHIR date")
    year, month, day = (int(part) if part else None for part in found.groups())
    if year is None or not 1 < year < 9999:
        raise ValueError("year out of range")
    start = datetime(year, month or 1, day or 1, tzinfo=zone)
    if day is not None:
        # Wall-clock arithmetic, then UTC: a day with a clock change has 23 or 25 hours.
        after = start + timedelta(days=1)
    elif month is not None:
        after = start.replace(year=year + month // 12, month=month % 12 + 1)
    else:
        after = start.replace(year=year + 1)
    return FhirTime(start, (after.astimezone(UTC) - _MICROSECOND).astimezone(zone), False)
