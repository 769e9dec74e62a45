"""The FHIR R4 resources the service reads, as lean msgspec Structs; class names are FHIR resource types.

Codes (status, intent, priority) stay text: which of them count is for the mapping to judge, and an unknown
one must stay visible. `implicit_rules` and `modifier_extension` may turn a resource's meaning round:
`chart.modifiers` tells, at whatever depth, and a resource that has them is not evidence for feeding more.
"""

from decimal import Decimal
from typing import TypeVar

import msgspec

from andante.chart.datatypes import (
    Annotation,
    Backbone,
    CodeableConcept,
    Coding,
    Dosage,
    HumanName,
    Identifier,
    Meta,
    Period,
    Quantity,
    Range,
    Ratio,
    Reference,
    SampledData,
    Timing,
    check_decimals,
)

T = TypeVar("T", bound="Resource")


class Resource(Backbone, frozen=True, gc=False):
    """What every resource has."""

    id: str | None = None
    meta: Meta | None = None
    implicit_rules: str | None = None
    contained: tuple[msgspec.Raw, ...] = ()

    @property
    def resource_type(self) -> str:
        return type(self).__name__

    @property
    def reference(self) -> str:
        """The reference that names this very version: `Observation/abc/_history/2`; no version, no suffix."""
        version = self.version_id
        return f"{self.key}/_history/{version}" if version else self.key

    @property
    def key(self) -> str:
        """The reference without version: `Observation/abc`."""
        return f"{type(self).__name__}/{self.id}"

    @property
    def version_id(self) -> str | None:
        return self.meta.version_id if self.meta else None

    @property
    def last_updated(self) -> str | None:
        return self.meta.last_updated if self.meta else None


class Patient(Resource, frozen=True, gc=False):
    class Link(Backbone, frozen=True, gc=False):
        other: Reference | None = None
        type: str | None = None

    identifier: tuple[Identifier, ...] = ()
    active: bool | None = None
    name: tuple[HumanName, ...] = ()
    gender: str | None = None
    birth_date: str | None = None
    deceased_boolean: bool | None = None
    deceased_date_time: str | None = None
    link: tuple[Link, ...] = ()


class Encounter(Resource, frozen=True, gc=False):
    class StatusHistory(Backbone, frozen=True, gc=False):
        status: str | None = None
        period: Period | None = None

    class Place(Backbone, frozen=True, gc=False):
        location: Reference | None = None
        status: str | None = None
        physical_type: CodeableConcept | None = None
        period: Period | None = None

    class Diagnosis(Backbone, frozen=True, gc=False):
        condition: Reference | None = None
        use: CodeableConcept | None = None

    class Hospitalization(Backbone, frozen=True, gc=False):
        admit_source: CodeableConcept | None = None
        diet_preference: tuple[CodeableConcept, ...] = ()
        discharge_disposition: CodeableConcept | None = None

    identifier: tuple[Identifier, ...] = ()
    status: str | None = None
    status_history: tuple[StatusHistory, ...] = ()
    class_: Coding | None = msgspec.field(default=None, name="class")
    type: tuple[CodeableConcept, ...] = ()
    service_type: CodeableConcept | None = None
    subject: Reference | None = None
    period: Period | None = None
    reason_code: tuple[CodeableConcept, ...] = ()
    diagnosis: tuple[Diagnosis, ...] = ()
    hospitalization: Hospitalization | None = None
    location: tuple[Place, ...] = ()
    part_of: Reference | None = None


class Location(Resource, frozen=True, gc=False):
    identifier: tuple[Identifier, ...] = ()
    status: str | None = None
    name: str | None = None
    alias: tuple[str | None, ...] = ()
    mode: str | None = None
    type: tuple[CodeableConcept, ...] = ()
    physical_type: CodeableConcept | None = None
    part_of: Reference | None = None


class Observation(Resource, frozen=True, gc=False):
    """Every kind of `value[x]` is kept, also those nobody can use here, so that a value is never
    overlooked.
    """

    class ReferenceRange(Backbone, frozen=True, gc=False):
        low: Quantity | None = None
        high: Quantity | None = None
        type: CodeableConcept | None = None
        applies_to: tuple[CodeableConcept, ...] = ()
        age: Range | None = None
        text: str | None = None

    class Component(Backbone, frozen=True, gc=False):
        code: CodeableConcept | None = None
        value_quantity: Quantity | None = None
        value_codeable_concept: CodeableConcept | None = None
        value_string: str | None = None
        value_boolean: bool | None = None
        value_integer: int | None = None
        value_range: Range | None = None
        value_ratio: Ratio | None = None
        value_time: str | None = None
        value_date_time: str | None = None
        value_period: Period | None = None
        value_sampled_data: SampledData | None = None
        data_absent_reason: CodeableConcept | None = None
        interpretation: tuple[CodeableConcept, ...] = ()
        reference_range: tuple["Observation.ReferenceRange", ...] = ()

    identifier: tuple[Identifier, ...] = ()
    based_on: tuple[Reference, ...] = ()
    status: str | None = None
    category: tuple[CodeableConcept, ...] = ()
    code: CodeableConcept | None = None
    subject: Reference | None = None
    encounter: Reference | None = None
    effective_date_time: str | None = None
    effective_period: Period | None = None
    effective_instant: str | None = None
    effective_timing: Timing | None = None
    issued: str | None = None
    value_quantity: Quantity | None = None
    value_codeable_concept: CodeableConcept | None = None
    value_string: str | None = None
    value_boolean: bool | None = None
    value_integer: int | None = None
    value_range: Range | None = None
    value_ratio: Ratio | None = None
    value_time: str | None = None
    value_date_time: str | None = None
    value_period: Period | None = None
    value_sampled_data: SampledData | None = None
    data_absent_reason: CodeableConcept | None = None
    interpretation: tuple[CodeableConcept, ...] = ()
    note: tuple[Annotation, ...] = ()
    body_site: CodeableConcept | None = None
    method: CodeableConcept | None = None
    specimen: Reference | None = None
    device: Reference | None = None
    reference_range: tuple[ReferenceRange, ...] = ()
    has_member: tuple[Reference, ...] = ()
    derived_from: tuple[Reference, ...] = ()
    component: tuple[Component, ...] = ()


class NutritionOrder(Resource, frozen=True, gc=False):
    """In R4 the person is `patient`, and there is no parenteral part."""

    class Nutrient(Backbone, frozen=True, gc=False):
        modifier: CodeableConcept | None = None
        amount: Quantity | None = None

    class OralDiet(Backbone, frozen=True, gc=False):
        type: tuple[CodeableConcept, ...] = ()
        schedule: tuple[Timing, ...] = ()
        nutrient: tuple["NutritionOrder.Nutrient", ...] = ()
        fluid_consistency_type: tuple[CodeableConcept, ...] = ()
        instruction: str | None = None

    class Supplement(Backbone, frozen=True, gc=False):
        type: CodeableConcept | None = None
        product_name: str | None = None
        schedule: tuple[Timing, ...] = ()
        quantity: Quantity | None = None
        instruction: str | None = None

    class Administration(Backbone, frozen=True, gc=False):
        schedule: Timing | None = None
        quantity: Quantity | None = None
        rate_quantity: Quantity | None = None
        rate_ratio: Ratio | None = None

    class EnteralFormula(Backbone, frozen=True, gc=False):
        base_formula_type: CodeableConcept | None = None
        base_formula_product_name: str | None = None
        additive_type: CodeableConcept | None = None
        additive_product_name: str | None = None
        caloric_density: Quantity | None = None
        routeof_administration: CodeableConcept | None = None
        administration: tuple["NutritionOrder.Administration", ...] = ()
        max_volume_to_deliver: Quantity | None = None
        administration_instruction: str | None = None

    identifier: tuple[Identifier, ...] = ()
    status: str | None = None
    intent: str | None = None
    patient: Reference | None = None
    encounter: Reference | None = None
    date_time: str | None = None
    orderer: Reference | None = None
    oral_diet: OralDiet | None = None
    supplement: tuple[Supplement, ...] = ()
    enteral_formula: EnteralFormula | None = None
    note: tuple[Annotation, ...] = ()


class ServiceRequest(Resource, frozen=True, gc=False):
    identifier: tuple[Identifier, ...] = ()
    based_on: tuple[Reference, ...] = ()
    replaces: tuple[Reference, ...] = ()
    requisition: Identifier | None = None
    status: str | None = None
    intent: str | None = None
    category: tuple[CodeableConcept, ...] = ()
    priority: str | None = None
    do_not_perform: bool | None = None
    code: CodeableConcept | None = None
    order_detail: tuple[CodeableConcept, ...] = ()
    subject: Reference | None = None
    encounter: Reference | None = None
    occurrence_date_time: str | None = None
    occurrence_period: Period | None = None
    occurrence_timing: Timing | None = None
    as_needed_boolean: bool | None = None
    as_needed_codeable_concept: CodeableConcept | None = None
    authored_on: str | None = None
    specimen: tuple[Reference, ...] = ()
    note: tuple[Annotation, ...] = ()


class Specimen(Resource, frozen=True, gc=False):
    class Collection(Backbone, frozen=True, gc=False):
        collected_date_time: str | None = None
        collected_period: Period | None = None

    identifier: tuple[Identifier, ...] = ()
    accession_identifier: Identifier | None = None
    status: str | None = None
    type: CodeableConcept | None = None
    subject: Reference | None = None
    received_time: str | None = None
    parent: tuple[Reference, ...] = ()
    request: tuple[Reference, ...] = ()
    collection: Collection | None = None
    condition: tuple[CodeableConcept, ...] = ()
    note: tuple[Annotation, ...] = ()


class Medication(Resource, frozen=True, gc=False):
    class Ingredient(Backbone, frozen=True, gc=False):
        item_codeable_concept: CodeableConcept | None = None
        item_reference: Reference | None = None
        is_active: bool | None = None
        strength: Ratio | None = None

    code: CodeableConcept | None = None
    status: str | None = None
    form: CodeableConcept | None = None
    amount: Ratio | None = None
    ingredient: tuple[Ingredient, ...] = ()


class MedicationRequest(Resource, frozen=True, gc=False):
    class DispenseRequest(Backbone, frozen=True, gc=False):
        validity_period: Period | None = None

    identifier: tuple[Identifier, ...] = ()
    status: str | None = None
    status_reason: CodeableConcept | None = None
    intent: str | None = None
    category: tuple[CodeableConcept, ...] = ()
    priority: str | None = None
    do_not_perform: bool | None = None
    medication_codeable_concept: CodeableConcept | None = None
    medication_reference: Reference | None = None
    subject: Reference | None = None
    encounter: Reference | None = None
    authored_on: str | None = None
    dosage_instruction: tuple[Dosage, ...] = ()
    dispense_request: DispenseRequest | None = None
    prior_prescription: Reference | None = None
    note: tuple[Annotation, ...] = ()


class MedicationAdministration(Resource, frozen=True, gc=False):
    class Given(Backbone, frozen=True, gc=False):
        text: str | None = None
        site: CodeableConcept | None = None
        route: CodeableConcept | None = None
        method: CodeableConcept | None = None
        dose: Quantity | None = None
        rate_ratio: Ratio | None = None
        rate_quantity: Quantity | None = None

    identifier: tuple[Identifier, ...] = ()
    part_of: tuple[Reference, ...] = ()
    status: str | None = None
    status_reason: tuple[CodeableConcept, ...] = ()
    category: CodeableConcept | None = None
    medication_codeable_concept: CodeableConcept | None = None
    medication_reference: Reference | None = None
    subject: Reference | None = None
    context: Reference | None = None
    effective_date_time: str | None = None
    effective_period: Period | None = None
    request: Reference | None = None
    dosage: Given | None = None
    note: tuple[Annotation, ...] = ()


class Condition(Resource, frozen=True, gc=False):
    identifier: tuple[Identifier, ...] = ()
    clinical_status: CodeableConcept | None = None
    verification_status: CodeableConcept | None = None
    category: tuple[CodeableConcept, ...] = ()
    severity: CodeableConcept | None = None
    code: CodeableConcept | None = None
    subject: Reference | None = None
    encounter: Reference | None = None
    onset_date_time: str | None = None
    onset_age: Quantity | None = None
    onset_period: Period | None = None
    onset_range: Range | None = None
    onset_string: str | None = None
    abatement_date_time: str | None = None
    abatement_age: Quantity | None = None
    abatement_period: Period | None = None
    abatement_range: Range | None = None
    abatement_string: str | None = None
    recorded_date: str | None = None
    note: tuple[Annotation, ...] = ()


class Flag(Resource, frozen=True, gc=False):
    identifier: tuple[Identifier, ...] = ()
    status: str | None = None
    category: tuple[CodeableConcept, ...] = ()
    code: CodeableConcept | None = None
    subject: Reference | None = None
    period: Period | None = None
    encounter: Reference | None = None
    author: Reference | None = None


class RiskAssessment(Resource, frozen=True, gc=False):
    class Prediction(Backbone, frozen=True, gc=False):
        outcome: CodeableConcept | None = None
        probability_decimal: Decimal | None = None
        probability_range: Range | None = None
        qualitative_risk: CodeableConcept | None = None
        when_period: Period | None = None
        rationale: str | None = None

        def __post_init__(self) -> None:
            check_decimals(self.probability_decimal)

    identifier: tuple[Identifier, ...] = ()
    status: str | None = None
    method: CodeableConcept | None = None
    code: CodeableConcept | None = None
    subject: Reference | None = None
    encounter: Reference | None = None
    occurrence_date_time: str | None = None
    occurrence_period: Period | None = None
    performer: Reference | None = None
    prediction: tuple[Prediction, ...] = ()
    note: tuple[Annotation, ...] = ()


class Goal(Resource, frozen=True, gc=False):
    class Target(Backbone, frozen=True, gc=False):
        measure: CodeableConcept | None = None
        detail_quantity: Quantity | None = None
        detail_range: Range | None = None
        detail_codeable_concept: CodeableConcept | None = None
        detail_string: str | None = None
        detail_boolean: bool | None = None
        detail_integer: int | None = None
        detail_ratio: Ratio | None = None
        due_date: str | None = None
        due_duration: Quantity | None = None

    identifier: tuple[Identifier, ...] = ()
    lifecycle_status: str | None = None
    achievement_status: CodeableConcept | None = None
    category: tuple[CodeableConcept, ...] = ()
    description: CodeableConcept | None = None
    subject: Reference | None = None
    start_date: str | None = None
    target: tuple[Target, ...] = ()
    status_date: str | None = None
    note: tuple[Annotation, ...] = ()


class Task(Resource, frozen=True, gc=False):
    class Parameter(Backbone, frozen=True, gc=False):
        """Task.input and Task.output, with the kinds of value[x] we write or a person may answer with."""

        type: CodeableConcept | None = None
        value_reference: Reference | None = None
        value_string: str | None = None
        value_quantity: Quantity | None = None
        value_codeable_concept: CodeableConcept | None = None
        value_code: str | None = None
        value_boolean: bool | None = None
        value_integer: int | None = None
        value_decimal: Decimal | None = None
        value_date_time: str | None = None
        value_instant: str | None = None

        def __post_init__(self) -> None:
            check_decimals(self.value_decimal)

    class Restriction(Backbone, frozen=True, gc=False):
        repetitions: int | None = None
        period: Period | None = None
        recipient: tuple[Reference, ...] = ()

    identifier: tuple[Identifier, ...] = ()
    instantiates_canonical: str | None = None
    based_on: tuple[Reference, ...] = ()
    group_identifier: Identifier | None = None
    part_of: tuple[Reference, ...] = ()
    status: str | None = None
    status_reason: CodeableConcept | None = None
    business_status: CodeableConcept | None = None
    intent: str | None = None
    priority: str | None = None
    code: CodeableConcept | None = None
    description: str | None = None
    focus: Reference | None = None
    for_: Reference | None = msgspec.field(default=None, name="for")
    encounter: Reference | None = None
    execution_period: Period | None = None
    authored_on: str | None = None
    last_modified: str | None = None
    requester: Reference | None = None
    performer_type: tuple[CodeableConcept, ...] = ()
    owner: Reference | None = None
    reason_code: CodeableConcept | None = None
    reason_reference: Reference | None = None
    note: tuple[Annotation, ...] = ()
    restriction: Restriction | None = None
    input: tuple[Parameter, ...] = ()
    output: tuple[Parameter, ...] = ()


class CommunicationRequest(Resource, frozen=True, gc=False):
    class Payload(Backbone, frozen=True, gc=False):
        content_string: str | None = None
        content_reference: Reference | None = None

    identifier: tuple[Identifier, ...] = ()
    based_on: tuple[Reference, ...] = ()
    replaces: tuple[Reference, ...] = ()
    group_identifier: Identifier | None = None
    status: str | None = None
    status_reason: CodeableConcept | None = None
    category: tuple[CodeableConcept, ...] = ()
    priority: str | None = None
    do_not_perform: bool | None = None
    medium: tuple[CodeableConcept, ...] = ()
    subject: Reference | None = None
    about: tuple[Reference, ...] = ()
    encounter: Reference | None = None
    payload: tuple[Payload, ...] = ()
    occurrence_date_time: str | None = None
    occurrence_period: Period | None = None
    authored_on: str | None = None
    requester: Reference | None = None
    recipient: tuple[Reference, ...] = ()
    sender: Reference | None = None
    reason_code: tuple[CodeableConcept, ...] = ()
    reason_reference: tuple[Reference, ...] = ()
    note: tuple[Annotation, ...] = ()


READABLE: dict[str, type[Resource]] = {
    model.__name__: model
    for model in (
        Patient,
        Encounter,
        Location,
        Observation,
        NutritionOrder,
        ServiceRequest,
        Specimen,
        Medication,
        MedicationRequest,
        MedicationAdministration,
        Condition,
        Flag,
        RiskAssessment,
        Goal,
        Task,
        CommunicationRequest,
    )
}


def subject_of(resource: Resource) -> Reference | None:
    """Whom the resource is about, under whichever of its R4 names: subject, patient, for."""
    if isinstance(resource, NutritionOrder):
        return resource.patient
    if isinstance(resource, Task):
        return resource.for_
    subject: Reference | None = getattr(resource, "subject", None)
    return subject
