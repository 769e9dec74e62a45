"""The simple rule that general-purpose engines are given, written plainly: what they answer is held against this.

Advance where the latest firm results of potassium, phosphate and magnesium are each fresh, and inside the range that
the laboratory printed beside them; else hold. It is no advice: the core's rules ask for very much more.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

from andante.domain.protocol import Protocol

Json = dict[str, Any]

LOINC = "http://loinc.org"
CODES = {
    "potassium": ("2823-3", "6298-4"),
    "phosphate": ("14879-1", "2777-1"),
    "magnesium": ("2601-3", "19123-9"),
}
FIRM = ("final", "amended", "corrected")
HIGH = "high"


@dataclass(frozen=True)
class Case:
    """A chart as a file, at an instant; draws before `since` are not fresh. Speed is measured on those `timed`."""

    file: bytes
    now: datetime
    since: datetime
    timed: bool


def fresh_since(now: datetime, protocol: Protocol) -> datetime:
    """The longest that the protocol ever lets a draw count: the late interval, with its grace."""
    hours = protocol.monitoring.late_interval.value + protocol.evidence.freshness_grace.value
    return now - timedelta(hours=float(hours))


def decoded(file: bytes) -> Json:
    bundle: Json = json.loads(file, parse_float=Decimal, parse_int=Decimal)
    return bundle


def held_for(bundle: Json, since: datetime) -> frozenset[str]:
    """Why to hold: `missing`, `stale`, `low`, `high`, `unproven`. Empty where the rule says advance."""
    results = [entry["resource"] for entry in bundle["entry"] if entry["resource"]["resourceType"] == "Observation"]
    return frozenset(why for codes in CODES.values() for why in _problems(results, codes, since))


def _problems(results: list[Json], codes: tuple[str, ...], since: datetime) -> Iterator[str]:
    own = [one for one in results if one["status"] in FIRM and _is_of(one, codes) and "effectiveDateTime" in one]
    latest = max(map(_drawn, own), default=None)
    if latest is None:
        yield "missing"
        return
    if latest < since:
        yield "stale"
    yield from (why for one in own if _drawn(one) == latest and (why := _out_of_range(one)))


def _is_of(result: Json, codes: tuple[str, ...]) -> bool:
    codings = result["code"].get("coding", ())
    return any(coding.get("system") == LOINC and coding.get("code") in codes for coding in codings)


def _drawn(result: Json) -> datetime:
    return datetime.fromisoformat(result["effectiveDateTime"])


def _out_of_range(result: Json) -> str:
    value, ranges = result.get("valueQuantity", {}), result.get("referenceRange", ())
    if len(ranges) != 1 or "comparator" in value:
        return "unproven"
    low, high = ranges[0].get("low", {}), ranges[0].get("high", {})
    if not all("value" in one and one.get("code") == value.get("code") for one in (value, low, high)):
        return "unproven"
    if value["value"] < low["value"]:
        return "low"
    return HIGH if value["value"] > high["value"] else ""
