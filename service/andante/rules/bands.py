"""Where a level lies: critical, low, in range, high, or not proven. Proven only, never assumed."""

from collections.abc import Iterable
from decimal import Decimal
from enum import StrEnum

from andante.domain.picture import LabResult
from andante.domain.protocol import AnalyteLimits, Protocol
from andante.domain.quantities import Level


class Band(StrEnum):
    """Where a level lies. UNPROVEN: a comparator leaves it open. UNREADABLE: there is no level at all."""

    CRITICAL_LOW = "critical-low"
    LOW = "low"
    IN_RANGE = "in-range"
    HIGH = "high"
    CRITICAL_HIGH = "critical-high"
    UNPROVEN = "unproven"
    UNREADABLE = "unreadable"

    @property
    def is_low(self) -> bool:
        return self in (Band.CRITICAL_LOW, Band.LOW)

    @property
    def is_critical(self) -> bool:
        return self in (Band.CRITICAL_LOW, Band.CRITICAL_HIGH)


# Worst first: how several bands of one draw are merged. Low before high, since the lower of two results counts.
WORST_FIRST = (
    Band.CRITICAL_LOW,
    Band.CRITICAL_HIGH,
    Band.LOW,
    Band.HIGH,
    Band.IN_RANGE,
    Band.UNPROVEN,
    Band.UNREADABLE,
)


def worst(bands: Iterable[Band]) -> Band:
    return min(bands, key=WORST_FIRST.index)


def limits_of(result: LabResult, protocol: Protocol) -> tuple[Decimal, Decimal, str | None]:
    """The low and high limit that apply to a result, mmol/L, and a note when its own range was not believed."""
    own = protocol.analytes.of(result.analyte)
    low, high = own.low.value, own.high.value
    note = None
    if result.range_low is not None:
        if own.range_low_min.value <= result.range_low <= own.range_low_max.value:
            low = result.range_low
        else:
            note = "its own lower reference limit is outside what laboratories print; the protocol's was used"
    if result.range_high is not None:
        if own.range_high_min.value <= result.range_high <= own.range_high_max.value:
            high = result.range_high
        else:
            note = "its own upper reference limit is outside what laboratories print; the protocol's was used"
    return low, high, note


def critical_low(level: Level, limits: AnalyteLimits) -> bool:
    if limits.critical_low_bound.value == "below":
        return level.surely_below(limits.critical_low.value)
    return level.surely_at_most(limits.critical_low.value)


def band_of(result: LabResult, protocol: Protocol) -> Band:
    """Where the result lies by its own range if believable, else the protocol's. Proven only, never assumed."""
    if result.level is None:
        return Band.UNREADABLE
    limits = protocol.analytes.of(result.analyte)
    low, high, _ = limits_of(result, protocol)
    level = result.level
    if critical_low(level, limits):
        return Band.CRITICAL_LOW
    if level.surely_below(low):
        return Band.LOW
    if limits.critical_high is not None:
        if level.surely_at_least(limits.critical_high.value):
            return Band.CRITICAL_HIGH
        if not level.surely_below(limits.critical_high.value):
            return Band.UNPROVEN  # ">4.0" may be a dangerous high
    if level.surely_above(high):
        return Band.HIGH
    return Band.IN_RANGE if level.surely_at_least(low) else Band.UNPROVEN


def is_implausible(result: LabResult, protocol: Protocol) -> bool:
    limits = protocol.analytes.of(result.analyte)
    level = result.level
    return level is not None and (
        level.surely_above(limits.plausible_max.value) or level.surely_below(limits.plausible_min.value)
    )
