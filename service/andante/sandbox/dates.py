"""FHIR dates as spans: a date means every instant it can mean, and search compares spans.

https://hl7.org/fhir/R4/search.html#date
"""

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone

EARLIEST = datetime.min.replace(tzinfo=UTC)
LATEST = datetime.max.replace(tzinfo=UTC)

_DATE = re.compile(r"(\d{4})(?:-(\d\d)(?:-(\d\d)(?:T(\d\d):(\d\d)(?::(\d\d)(?:\.(\d{1,9}))?)?(Z|[+-]\d\d:\d\d)?)?)?)?")


@dataclass(frozen=True)
class Span:
    """From `start` up to, not including, `end`."""

    start: datetime
    end: datetime


def parse_span(text: str) -> Span:
    """The span of a FHIR date, dateTime or instant; without a zone it is read as UTC. Raises ValueError."""
    match = _DATE.fullmatch(text)
    if match is None:
        raise ValueError(f"{text!r} is not a FHIR date")
    year, month, day, hour, minute, second, fraction, zone = match.groups()
    start = datetime(
        int(year),
        int(month or 1),
        int(day or 1),
        int(hour or 0),
        int(minute or 0),
        int(second or 0),
        int((fraction or "0").ljust(6, "0")[:6]),
        tzinfo=_zone(zone),
    )
    try:
        return Span(start.astimezone(UTC), _end(start, match).astimezone(UTC))
    except OverflowError:  # the last instants of year 9999, or the first of year 1
        return Span(start.replace(tzinfo=UTC), LATEST)


def compare(prefix: str, value: Span, wanted: Span) -> bool:
    """Whether `value` satisfies `prefix` + `wanted`."""
    match prefix:
        case "eq":
            return wanted.start <= value.start and value.end <= wanted.end
        case "ne":
            return not compare("eq", value, wanted)
        case "gt":
            return value.end > wanted.end
        case "lt":
            return value.start < wanted.start
        case "ge":
            return compare("gt", value, wanted) or compare("eq", value, wanted)
        case "le":
            return compare("lt", value, wanted) or compare("eq", value, wanted)
        case "sa":
            return value.start >= wanted.end
        case "eb":
            return value.end <= wanted.start
        case _:
            raise ValueError(f"the prefix {prefix!r} is not supported")


def _zone(text: str | None) -> timezone:
    if text is None or text == "Z":
        return UTC
    offset = timedelta(hours=int(text[1:3]), minutes=int(text[4:6]))
    return timezone(-offset if text[0] == "-" else offset)


def _end(start: datetime, match: re.Match[str]) -> datetime:
    _, month, day, hour, _, second, fraction, _ = match.groups()
    if fraction:
        return start + timedelta(microseconds=10 ** max(0, 6 - len(fraction)))
    if second:
        return start + timedelta(seconds=1)
    if hour:
        return start + timedelta(minutes=1)
    if day:
        return start + timedelta(days=1)
    if month and start.month < 12:
        return start.replace(month=start.month + 1)
    if start.year == LATEST.year:
        return LATEST
    return start.replace(year=start.year + 1, month=1)
