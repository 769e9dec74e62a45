"""The FHIR R4 datatypes the service reads, as lean msgspec Structs.

Elements nobody here uses are skipped while decoding. Partial dates are legal FHIR, so every date stays text
until `chart.times` reads it. A decimal written as a JSON string is read as that decimal, since it has only
one meaning; NaN, infinities and magnitudes no sum could bear are refused.
"""

from decimal import Decimal

import msgspec

_LARGEST_EXPONENT = 400  # HL7's own examples go to 1E245


class Node(msgspec.Struct, frozen=True, gc=False, rename="camel", kw_only=True, omit_defaults=True):
    """Base of everything read from FHIR. Trees without cycles, so the garbage collector may skip them."""


class Backbone(Node, frozen=True, gc=False):
    """A part of a resource. A modifier extension may turn its meaning round: readers must look."""

    modifier_extension: tuple[msgspec.Raw, ...] = ()


def check_decimals(*values: Decimal | None) -> None:
    """Refuse numbers no chart can mean (raises ValueError, which msgspec reports with the element's path)."""
    for value in values:
        if value is not None and (not value.is_finite() or abs(value.adjusted()) > _LARGEST_EXPONENT):
            raise ValueError("not a usable decimal")


class Coding(Node, frozen=True, gc=False):
    system: str | None = None
    version: str | None = None
    code: str | None = None
    display: str | None = None


class CodeableConcept(Node, frozen=True, gc=False):
    coding: tuple[Coding, ...] = ()
    text: str | None = None

    def codes(self, system: str) -> tuple[str, ...]:
        """The codes given in one code system."""
        return tuple(c.code for c in self.coding if c.system == system and c.code)


class Quantity(Node, frozen=True, gc=False):
    """Also Age, Duration, Count, SimpleQuantity. `unit` is for people, `code` in `system` for sums."""

    value: Decimal | None = None
    comparator: str | None = None
    unit: str | None = None
    system: str | None = None
    code: str | None = None

    def __post_init__(self) -> None:
        # check_decimals written out: this runs more often than anything else here.
        value = self.value
        if value is not None and (not value.is_finite() or abs(value.adjusted()) > _LARGEST_EXPONENT):
            raise ValueError("not a usable decimal")


class Range(Node, frozen=True, gc=False):
    low: Quantity | None = None
    high: Quantity | None = None


class Ratio(Node, frozen=True, gc=False):
    numerator: Quantity | None = None
    denominator: Quantity | None = None


class Period(Node, frozen=True, gc=False):
    start: str | None = None
    end: str | None = None


class SampledData(Node, frozen=True, gc=False):
    """Only known to be there: nothing here reads a wave form."""

    data: str | None = None


class Identifier(Node, frozen=True, gc=False):
    use: str | None = None
    type: CodeableConcept | None = None
    system: str | None = None
    value: str | None = None
    period: Period | None = None


class Reference(Node, frozen=True, gc=False):
    reference: str | None = None
    type: str | None = None
    identifier: Identifier | None = None
    display: str | None = None


class Annotation(Node, frozen=True, gc=False):
    author_string: str | None = None
    author_reference: Reference | None = None
    time: str | None = None
    text: str | None = None


class HumanName(Node, frozen=True, gc=False):
    use: str | None = None
    text: str | None = None
    family: str | None = None
    given: tuple[str | None, ...] = ()
    period: Period | None = None


class Meta(Node, frozen=True, gc=False):
    version_id: str | None = None
    last_updated: str | None = None
    source: str | None = None
    profile: tuple[str, ...] = ()
    security: tuple[Coding, ...] = ()
    tag: tuple[Coding, ...] = ()


class Repeat(Node, frozen=True, gc=False):
    """Timing.repeat. Durations and periods carry their UCUM unit (s, min, h, d, wk, mo, a); offset is
    minutes.
    """

    bounds_duration: Quantity | None = None
    bounds_range: Range | None = None
    bounds_period: Period | None = None
    count: int | None = None
    count_max: int | None = None
    duration: Decimal | None = None
    duration_max: Decimal | None = None
    duration_unit: str | None = None
    frequency: int | None = None
    frequency_max: int | None = None
    period: Decimal | None = None
    period_max: Decimal | None = None
    period_unit: str | None = None
    day_of_week: tuple[str, ...] = ()
    time_of_day: tuple[str, ...] = ()
    when: tuple[str, ...] = ()
    offset: int | None = None

    def __post_init__(self) -> None:
        check_decimals(self.duration, self.duration_max, self.period, self.period_max)


class Timing(Backbone, frozen=True, gc=False):
    event: tuple[str, ...] = ()
    repeat: Repeat | None = None
    code: CodeableConcept | None = None


class DoseAndRate(Node, frozen=True, gc=False):
    type: CodeableConcept | None = None
    dose_quantity: Quantity | None = None
    dose_range: Range | None = None
    rate_quantity: Quantity | None = None
    rate_range: Range | None = None
    rate_ratio: Ratio | None = None


class Dosage(Backbone, frozen=True, gc=False):
    sequence: int | None = None
    text: str | None = None
    additional_instruction: tuple[CodeableConcept, ...] = ()
    patient_instruction: str | None = None
    timing: Timing | None = None
    as_needed_boolean: bool | None = None
    as_needed_codeable_concept: CodeableConcept | None = None
    site: CodeableConcept | None = None
    route: CodeableConcept | None = None
    method: CodeableConcept | None = None
    dose_and_rate: tuple[DoseAndRate, ...] = ()
    max_dose_per_period: Ratio | None = None
    max_dose_per_administration: Quantity | None = None
    max_dose_per_lifetime: Quantity | None = None
