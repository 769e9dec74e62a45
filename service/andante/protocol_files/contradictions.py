"""What a protocol must not say about itself. Each check refuses a file whose numbers cannot all be meant.

No clinical number stands here: entries are compared with one another; other bounds say why.
"""

import dataclasses
from collections.abc import Iterator
from decimal import Decimal

from andante.domain.protocol import AnalyteLimits, Number, Protocol, Switch
from andante.errors import ProtocolError

# The service's own scope, not a protocol's choice: it never advises on a child.
_ADULT_YEARS = 18
# A factor between two entries that no protocol means: a decimal point that slipped.
_SLIP = 10
_MAY_BE_ZERO = {
    "evidence.future_skew",
    "evidence.freshness_grace",
    "refractory.doses",
    "monitoring.one_needle",
    "energy.adjusted_weight_share",
}
_ABOVE_A_HUNDRED = ("evidence.intake_most", "energy.delivery_excess")
_WHOLE = ("refractory.draws", "refractory.doses", "response.settle_draws")


def refuse_contradictions(protocol: Protocol) -> None:
    """Raise ProtocolError naming the first entry that contradicts another."""
    for number in numbers(protocol):
        if number.value == 0 and number.path not in _MAY_BE_ZERO:
            _refuse(number, "must be more than zero")
        if number.path in _ABOVE_A_HUNDRED:
            if not 100 < number.value <= _SLIP * 100:
                _refuse(number, f"must be above 100 %, and not more than {_SLIP * 100} %")
        elif number.unit == "%" and number.value > 100:
            _refuse(number, "must not be more than 100 %")
        if number.path in _WHOLE and number.value != number.value.to_integral_value():
            _refuse(number, "must be a whole number")
    if protocol.scope.min_age.value < _ADULT_YEARS:
        _refuse(protocol.scope.min_age, f"Andante covers adults only: at least {_ADULT_YEARS} years")
    for limits in (protocol.analytes.potassium, protocol.analytes.phosphate, protocol.analytes.magnesium):
        _analyte(limits)
    _evidence(protocol)
    _fall(protocol)
    _energy(protocol)
    _time(protocol)


def entries(part: object) -> Iterator[Number | Switch]:
    """Every number and switch below a part of a protocol, in the order of the file."""
    if isinstance(part, Number | Switch):
        yield part
    elif isinstance(part, tuple):
        for item in part:
            yield from entries(item)
    elif dataclasses.is_dataclass(part):
        for field in dataclasses.fields(part):
            yield from entries(getattr(part, field.name))


def numbers(part: object) -> Iterator[Number]:
    """Every number below a part of a protocol."""
    return (entry for entry in entries(part) if isinstance(entry, Number))


def _refuse(number: Number, problem: str) -> None:
    raise ProtocolError(number.path, f"{problem}, not {_shown(number)}")


def _shown(number: Number) -> str:
    return f"{number.value.quantize(Decimal('0.001')).normalize():f} {number.unit}"


def _at_most(lower: Number, upper: Number) -> None:
    if lower.value > upper.value:
        _refuse(lower, f"must not be more than {upper.path} ({_shown(upper)})")


def _below(lower: Number, upper: Number) -> None:
    if lower.value >= upper.value:
        _refuse(lower, f"must be less than {upper.path} ({_shown(upper)})")


def _analyte(limits: AnalyteLimits) -> None:
    """From the least that can be a result, through critical, low and high, to the most that can be one."""
    _below(limits.plausible_min, limits.critical_low)
    _below(limits.critical_low, limits.low)
    _below(limits.low, limits.high)
    _below(limits.high, limits.plausible_max)
    if limits.critical_high is not None:
        _below(limits.high, limits.critical_high)
        _below(limits.critical_high, limits.plausible_max)
        _at_most(limits.range_high_max, limits.critical_high)
    # A laboratory's own limit is only taken inside these bounds; they hold the protocol's own limit too, and
    # never reach a critical one, so that no printed range can make a critical level look less than it is.
    _below(limits.critical_low, limits.range_low_min)
    _at_most(limits.range_low_min, limits.low)
    _at_most(limits.low, limits.range_low_max)
    _below(limits.range_low_max, limits.range_high_min)
    _at_most(limits.range_high_min, limits.high)
    _at_most(limits.high, limits.range_high_max)
    _below(limits.range_high_max, limits.plausible_max)


def _evidence(protocol: Protocol) -> None:
    evidence = protocol.evidence
    _below(evidence.weight_min, evidence.weight_max)
    _below(evidence.height_min, evidence.height_max)
    _below(evidence.diet_min, evidence.diet_max)
    _below(evidence.negligible_intake, evidence.intake_most)
    _at_most(evidence.record_gap, evidence.shortest_record)


def _fall(protocol: Protocol) -> None:
    fall = protocol.fall
    _below(fall.mild, fall.moderate)
    _below(fall.moderate, fall.severe)
    _at_most(fall.mild, fall.hold)
    _at_most(fall.hold, fall.severe)
    _at_most(fall.mild, fall.fast)
    _at_most(fall.fast, fall.hold)
    if fall.fast_window.value > fall.window.value * 24:
        _refuse(fall.fast_window, f"must not be more than {fall.window.path} ({_shown(fall.window)})")


def _energy(protocol: Protocol) -> None:
    energy, response = protocol.energy, protocol.response
    _at_most(energy.initial, energy.goal)
    _at_most(energy.initial_extreme, energy.initial)
    _at_most(response.lowest_start, energy.initial_extreme)
    if energy.goal.value > _SLIP * energy.initial_extreme.value:
        _refuse(energy.goal, f"is more than {_SLIP} times {energy.initial_extreme.path}: a slipped decimal point")
    _at_most(energy.initial_dextrose_low, energy.initial_dextrose_high)
    _at_most(energy.density_min, energy.density_default)
    _at_most(energy.density_default, energy.density_max)
    _below(energy.delivery_shortfall, energy.delivery_excess)
    _at_most(energy.pump_fine_increment, energy.pump_increment)
    _below(energy.lipid_emulsion_10, energy.lipid_emulsion_20)
    _below(energy.lipid_emulsion_20, energy.lipid_emulsion_30)


def _time(protocol: Protocol) -> None:
    monitoring, evidence = protocol.monitoring, protocol.evidence
    _at_most(monitoring.early_interval, monitoring.late_interval)
    _at_most(monitoring.early_interval, monitoring.early_window)
    # A step before the next draw is due would be a step on the same evidence.
    _at_most(monitoring.early_interval, protocol.energy.step_interval)
    _at_most(monitoring.one_needle, monitoring.early_interval)
    _at_most(monitoring.vital_signs, monitoring.vital_signs_window)
    # A draw that belongs to its collection must not belong to the next one too, nor a bag change hide a step.
    _at_most(evidence.same_draw, monitoring.early_interval)
    _at_most(evidence.bag_change, protocol.energy.step_interval)
    lookback_h = evidence.lookback.value * 24
    for number in (monitoring.late_interval, evidence.baseline_max_age):
        if number.value + evidence.freshness_grace.value > lookback_h:
            _refuse(number, f"must end within {evidence.lookback.path} ({_shown(evidence.lookback)})")
