"""Drugs: vitamins by dose and frequency, replacements as given, energy that comes with a drug or fluid."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest

from andante.domain.picture import (
    Composition,
    EnergyKind,
    EnergyOrder,
    FindingKind,
    OrderState,
    Vitamin,
)
from andante.domain.quantities import Analyte
from charts import ATC, MODIFIER, OURS, TERMINOLOGY, Json, a_resource, concept, note_codes, picture_of, quantity

BEGUN = "2026-03-01T08:00:00Z"
BEGUN_AT = datetime(2026, 3, 1, 8, tzinfo=UTC)
CHANGED_AT = datetime(2026, 3, 2, 6, tzinfo=UTC)
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
DAILY = {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d"}}
DEXTROSE, AMINO_ACIDS, LIPID, SALINE = "B05BA03", "B05BA01", "B05BA02", "B05XA03"


def a_request(code: str | Json | None, *dosages: Json, **elements: Any) -> Json:
    drug = concept((ATC, code)) if isinstance(code, str) else code
    whole = {
        "status": "active",
        "intent": "order",
        "authoredOn": BEGUN,
        "medicationCodeableConcept": drug,
        "dosageInstruction": list(dosages),
    } | elements
    return a_resource("MedicationRequest", whole.pop("id", "order"), **whole)


def given(code: str | Json | None, **elements: Any) -> Json:
    drug = concept((ATC, code)) if isinstance(code, str) else code
    whole = {"status": "completed", "medicationCodeableConcept": drug, "effectiveDateTime": BEGUN} | elements
    return a_resource("MedicationAdministration", whole.pop("id", "given"), **whole)


def dose(value: Any, unit: str | None, timing: Json | None = None, **elements: Any) -> Json:
    whole = {"timing": timing, "doseAndRate": [{"doseQuantity": quantity(value, unit)}]} | elements
    return {name: element for name, element in whole.items() if element is not None}


def rate(value: Any = 80, unit: str = "mL/h", **repeat: Any) -> Json:
    timing = {"repeat": {"boundsPeriod": {"start": BEGUN}} | repeat}
    return {"timing": timing, "doseAndRate": [{"rateQuantity": quantity(value, unit)}]}


def mixture(**grams_per_litre: Any) -> Json:
    """Contained Medication and the reference to it; `B05BA03=50` is 50 g/L."""
    ingredients = [
        {
            "itemCodeableConcept": concept((ATC, code)),
            "strength": {"numerator": quantity(grams, "g"), "denominator": quantity(1000, "mL")},
        }
        for code, grams in grams_per_litre.items()
    ]
    medication = {"resourceType": "Medication", "id": "mix", "ingredient": ingredients}
    return {
        "contained": [medication],
        "medicationReference": {"reference": "#mix"},
        "medicationCodeableConcept": None,
    }


def order_of(*resources: Json) -> EnergyOrder:
    (order,) = picture_of(*resources).energy_orders
    return order


# --------------------------------------------------------------------------- vitamins


@pytest.mark.parametrize(
    ("dosage", "daily"),
    [
        (dose(100, "mg", DAILY), "100"),
        (dose("0.1", "g", DAILY), "100"),
        (dose(100, "mg", {"repeat": {"frequency": 3, "period": 1, "periodUnit": "d"}}), "300"),
        (dose(100, "mg", {"repeat": {"timeOfDay": ["08:00:00", "20:00:00"]}}), "200"),
        (dose(100, "mg", {"code": concept((f"{TERMINOLOGY}/v3-GTSAbbreviation", "BID"))}), "200"),
        (dose(100, "mg", {"code": {"text": "twice a day"}}), None),
        (dose(100, "mg"), None),  # once is not a daily dose
        (dose(100, "mg", DAILY, asNeededBoolean=True), None),
        (dose(1, "{tablet}", DAILY), None),
        (dose(100, None, DAILY), None),
        ({"timing": DAILY, "doseAndRate": [{"doseRange": {"low": quantity(100, "mg")}}]}, None),
        ({"timing": DAILY}, None),
        (
            {
                "timing": DAILY,
                "doseAndRate": [{"doseQuantity": quantity(300, "mg")}, {"doseQuantity": quantity(100, "mg")}],
            },
            None,
        ),
    ],
)
def test_the_daily_dose_of_thiamine_is_dose_times_frequency_or_not_known(dosage: Json, daily: str | None) -> None:
    (order,) = picture_of(a_request("A11DA01", dosage)).vitamin_orders
    assert order.vitamin is Vitamin.THIAMINE
    assert order.daily_mg == (Decimal(daily) if daily else None)
    assert (order.state, order.start, order.end) == (OrderState.ACTIVE, BEGUN_AT, None)


def test_each_dosage_is_an_order_so_that_a_loading_dose_does_not_pass_for_the_daily_one() -> None:
    first = {"repeat": DAILY["repeat"] | {"boundsPeriod": {"start": BEGUN, "end": "2026-03-02T08:00:00Z"}}}
    then = {"repeat": DAILY["repeat"] | {"boundsPeriod": {"start": "2026-03-02T08:00:00Z"}}}
    orders = picture_of(a_request("A11DA01", dose(300, "mg", first), dose(100, "mg", then))).vitamin_orders
    assert [(order.daily_mg, order.end) for order in orders] == [
        (300, datetime(2026, 3, 2, 8, tzinfo=UTC)),
        (100, None),
    ]


@pytest.mark.parametrize(
    ("code", "vitamins"),
    [
        ((ATC, "A11DA01"), {Vitamin.THIAMINE}),
        ((RXNORM, "10454"), {Vitamin.THIAMINE}),
        ((ATC, "A11BA"), {Vitamin.MULTIVITAMIN}),
        ((ATC, "A11AA03"), {Vitamin.MULTIVITAMIN}),
        ((ATC, "A11CC05"), set()),
    ],
)
def test_vitamins_are_known_by_code(code: tuple[str, str], vitamins: set[Vitamin]) -> None:
    picture = picture_of(a_request(concept(code), dose(1, "mg", DAILY)))
    assert {order.vitamin for order in picture.vitamin_orders} == vitamins


def test_a_vitamin_by_name_alone_is_not_counted() -> None:
    assert picture_of(a_request({"text": "thiamine"}, dose(100, "mg", DAILY))).vitamin_orders == ()


@pytest.mark.parametrize(
    ("elements", "state", "end"),
    [
        ({"status": "completed"}, OrderState.ENDED, CHANGED_AT),
        ({"status": "stopped"}, OrderState.ENDED, CHANGED_AT),
        ({"status": "on-hold"}, OrderState.PAUSED, CHANGED_AT),
        ({"status": "draft"}, OrderState.PLANNED, None),
        ({"intent": "proposal"}, OrderState.PLANNED, None),
    ],
)
def test_where_a_vitamin_order_stands(elements: Json, state: OrderState, end: datetime | None) -> None:
    (order,) = picture_of(a_request("A11DA01", dose(100, "mg", DAILY), **elements)).vitamin_orders
    assert (order.state, order.end) == (state, end)


@pytest.mark.parametrize(
    ("elements", "note"),
    [
        ({"status": "entered-in-error"}, "void-order"),
        ({"status": "cancelled"}, "void-order"),
        ({"doNotPerform": True}, "do-not-perform"),
        ({"modifierExtension": MODIFIER}, "modifier-extension"),
    ],
)
def test_a_vitamin_order_that_does_not_count_is_noted(elements: Json, note: str) -> None:
    picture = picture_of(a_request("A11DA01", dose(100, "mg", DAILY), **elements))
    assert picture.vitamin_orders == ()
    assert note_codes(picture) == {note}


@pytest.mark.parametrize(
    ("elements", "counted", "mg"),
    [
        ({"dosage": {"dose": quantity(100, "mg")}}, True, 100),
        ({"dosage": {"dose": quantity(1, "{tablet}")}}, True, None),
        ({}, True, None),
        ({"status": "in-progress"}, True, None),
        ({"status": "not-done"}, False, None),
        ({"status": "entered-in-error"}, False, None),
        ({"status": "stopped"}, False, None),
        ({"status": "unknown"}, False, None),
        ({"effectiveDateTime": None}, False, None),
        ({"modifierExtension": MODIFIER}, False, None),
    ],
)
def test_a_vitamin_dose_counts_when_it_was_surely_given(elements: Json, counted: bool, mg: int | None) -> None:
    doses = picture_of(given("A11DA01", **elements)).vitamin_doses
    assert [(found.given, found.mg) for found in doses] == ([(BEGUN_AT, mg)] if counted else [])


# --------------------------------------------------------------------------- replacements


@pytest.mark.parametrize(
    ("code", "analytes"),
    [
        ("B05XA01", {Analyte.POTASSIUM}),
        ("A12BA01", {Analyte.POTASSIUM}),
        ("B05XA06", {Analyte.POTASSIUM, Analyte.PHOSPHATE}),
        ("B05XA09", {Analyte.PHOSPHATE}),
        ("B05XA05", {Analyte.MAGNESIUM}),
        ("A12CC02", {Analyte.MAGNESIUM}),
    ],
)
def test_a_replacement_is_a_documented_dose(code: str, analytes: set[Analyte]) -> None:
    picture = picture_of(given(code, dosage={"dose": quantity(20, "mmol")}))
    (found,) = picture.replacements
    assert found.analytes == analytes
    assert (found.given, found.ended) == (BEGUN_AT, None)
    assert found.text.endswith("20 mmol")


def test_an_order_for_a_replacement_is_not_a_dose() -> None:
    picture = picture_of(a_request("B05XA06", dose(20, "mmol", DAILY)))
    assert picture.replacements == ()
    (order,) = picture.replacement_orders
    assert order.analytes == {Analyte.POTASSIUM, Analyte.PHOSPHATE}


@pytest.mark.parametrize(
    ("elements", "dosage"),
    [
        ({"status": "completed"}, DAILY),
        ({"status": "on-hold"}, DAILY),
        ({"doNotPerform": True}, DAILY),
        ({"modifierExtension": MODIFIER}, DAILY),
        ({}, None),
    ],
)
def test_what_is_no_order_for_a_replacement_in_force(elements: Json, dosage: Json | None) -> None:
    """The last is given only when needed."""
    given = dose(20, "mmol", DAILY) | ({} if dosage else {"asNeededBoolean": True})
    assert picture_of(a_request("B05XA06", given, **elements)).replacement_orders == ()


@pytest.mark.parametrize(
    ("elements", "counted"),
    [
        ({"status": "completed"}, True),
        ({"status": "in-progress"}, True),
        ({"status": "stopped"}, True),  # broken off, but some of it went in
        ({"status": "not-done"}, False),
        ({"status": "entered-in-error"}, False),
        ({"effectiveDateTime": "at noon"}, False),
        ({"modifierExtension": MODIFIER}, False),
    ],
)
def test_which_administrations_are_doses(elements: Json, counted: bool) -> None:
    assert len(picture_of(given("B05XA06", **elements)).replacements) == counted


@pytest.mark.parametrize(
    ("elements", "running"),
    [
        ({"status": "in-progress"}, True),
        ({"status": "in-progress", "effectiveDateTime": None, "effectivePeriod": {"start": BEGUN}}, True),
        (
            {
                "status": "in-progress",
                "effectiveDateTime": None,
                "effectivePeriod": {"start": BEGUN, "end": "2026-03-01T12:00:00Z"},
            },
            False,
        ),
        ({"status": "completed"}, False),
        ({"status": "stopped"}, False),
        ({"status": "on-hold"}, False),
    ],
)
def test_a_replacement_without_an_end_may_still_run(elements: Json, running: bool) -> None:
    (found,) = picture_of(given("B05XA06", **elements)).replacements
    assert found.running is running


def test_the_electrolytes_of_a_nutrition_bag_are_no_replacement() -> None:
    bag = given(None, **mixture(B05BA01=40, B05BA03=100, B05XA01=3))
    assert picture_of(bag).replacements == ()


def test_potassium_in_dextrose_is_a_replacement_and_brings_energy() -> None:
    drip = given(
        None,
        effectiveDateTime=None,
        effectivePeriod={"start": BEGUN, "end": "2026-03-01T12:00:00Z"},
        dosage={"dose": quantity(500, "mL")},
        **mixture(B05BA03=50, B05XA01=3),
    )
    picture = picture_of(drip)
    (found,) = picture.replacements
    assert (found.analytes, found.ended) == ({Analyte.POTASSIUM}, datetime(2026, 3, 1, 12, tzinfo=UTC))
    assert [order.kind for order in picture.energy_orders] == [EnergyKind.IV_DEXTROSE]


# --------------------------------------------------------------------------- energy by request


@pytest.mark.parametrize(
    ("contents", "kind", "composition"),
    [
        ({DEXTROSE: 50}, EnergyKind.IV_DEXTROSE, Composition(dextrose_g_ml=Decimal("0.05"))),
        ({DEXTROSE: 50, SALINE: 9}, EnergyKind.IV_DEXTROSE, Composition(dextrose_g_ml=Decimal("0.05"))),
        (
            {DEXTROSE: 250, AMINO_ACIDS: "42.5", LIPID: 30},  # textbook Box 18.5: D25 AA4.25 L3
            EnergyKind.PARENTERAL,
            Composition(dextrose_g_ml=Decimal("0.25"), amino_acids_g_ml=Decimal("0.0425"), lipid_g_ml=Decimal("0.03")),
        ),
        ({LIPID: 200}, EnergyKind.PARENTERAL, Composition(lipid_g_ml=Decimal("0.2"), lipid_is_emulsion=True)),
        ({AMINO_ACIDS: 100}, EnergyKind.PARENTERAL, Composition(amino_acids_g_ml=Decimal("0.1"))),
    ],
)
def test_what_a_fluid_holds_tells_what_it_is(
    contents: dict[str, Any], kind: EnergyKind, composition: Composition
) -> None:
    order = order_of(a_request(None, rate(), **mixture(**contents)))
    assert (order.kind, order.composition, order.problem) == (kind, composition, None)
    (delivery,) = order.deliveries
    assert (delivery.start, delivery.rate_ml_h) == (BEGUN_AT, 80)


def test_a_medication_that_was_read_serves_like_a_contained_one() -> None:
    contained = mixture(B05BA03=100)["contained"][0]
    order = a_request(None, rate(), medicationReference={"reference": "Medication/mix"})
    assert order_of(order, contained).composition == Composition(dextrose_g_ml=Decimal("0.1"))


def test_citrate_is_counted_in_mmol() -> None:
    ingredient = {
        "itemCodeableConcept": concept((OURS, "citrate-anticoagulant")),
        "strength": {"numerator": quantity(136, "mmol"), "denominator": quantity(1, "L")},
    }
    medication = {"resourceType": "Medication", "id": "mix", "ingredient": [ingredient]}
    request = a_request(None, rate(150), contained=[medication], medicationReference={"reference": "#mix"})
    order = order_of(request)
    assert order.kind is EnergyKind.CITRATE
    assert order.composition == Composition(citrate_mmol_ml=Decimal("0.136"))


@pytest.mark.parametrize("code", [(ATC, "N01AX10"), (RXNORM, "8782")])
def test_propofol_is_energy_by_its_rate(code: tuple[str, str]) -> None:
    order = order_of(a_request(concept(code), rate(20)))
    assert (order.kind, order.problem, order.deliveries[0].rate_ml_h) == (EnergyKind.LIPID_SEDATION, None, 20)


@pytest.mark.parametrize(
    ("dosages", "says"),
    [
        ([rate(3, "mg/kg/h")], "rate cannot be read"),  # would need a weight and a strength
        ([rate(200, "mg/h")], "rate cannot be read"),
        ([dose(100, "mg", DAILY)], "volume cannot be read"),
        ([{"doseAndRate": [{"rateRange": {"low": quantity(5, "mL/h")}}]}], "a range"),
        (
            [{"doseAndRate": [{"rateQuantity": quantity(5, "mL/h")}, {"rateQuantity": quantity(9, "mL/h")}]}],
            "several",
        ),
        ([{}], "no dose and no rate"),
    ],
)
def test_a_rate_that_cannot_be_summed_is_a_problem(dosages: list[Json], says: str) -> None:
    order = order_of(a_request("N01AX10", *dosages))
    assert says in (order.deliveries[0].problem or "")


def test_of_an_ordered_and_a_calculated_amount_the_ordered_one_counts() -> None:
    def amount(kind: str, value: int) -> Json:
        return {
            "type": concept((f"{TERMINOLOGY}/dose-rate-type", kind)),
            "rateQuantity": quantity(value, "mL/h"),
        }

    order = order_of(a_request("N01AX10", {"doseAndRate": [amount("calculated", 9), amount("ordered", 5)]}))
    assert order.deliveries[0].rate_ml_h == 5


def test_a_request_without_dosage_is_a_problem() -> None:
    assert order_of(a_request("N01AX10")).problem == "it states no dose and no rate"


@pytest.mark.parametrize(
    ("medication", "says"),
    [
        (a_request("B05BA10", rate()), "does not state what it contains"),
        (a_request(DEXTROSE, rate()), "does not state what it contains"),
        (
            a_request(
                None,
                rate(),
                contained=[
                    {
                        "resourceType": "Medication",
                        "id": "mix",
                        "ingredient": [{"itemCodeableConcept": concept((ATC, DEXTROSE))}],
                    }
                ],
                medicationReference={"reference": "#mix"},
            ),
            "strength of an ingredient",
        ),
        (
            a_request(
                DEXTROSE,
                rate(),
                contained=[
                    {
                        "resourceType": "Medication",
                        "id": "mix",
                        "ingredient": [{"itemCodeableConcept": {"text": "glucose"}}],
                    }
                ],
                medicationReference={"reference": "#mix"},
            ),
            "carries no code",
        ),
    ],
)
def test_unknown_contents_are_a_problem(medication: Json, says: str) -> None:
    order = order_of(medication)
    assert order.composition is None
    assert says in (order.problem or "")


def test_a_modifier_on_the_medication_makes_its_contents_unknown() -> None:
    drug = mixture(B05BA03=50)
    drug["contained"][0]["modifierExtension"] = MODIFIER
    assert "modifier extension" in (order_of(a_request(None, rate(), **drug)).problem or "")


def test_a_modifier_on_the_request_keeps_the_order_without_its_numbers() -> None:
    picture = picture_of(a_request("N01AX10", rate(20), modifierExtension=MODIFIER))
    (order,) = picture.energy_orders
    assert order.problem
    assert [delivery.rate_ml_h for delivery in order.deliveries] == [None]
    assert "modifier-extension" in note_codes(picture)


def test_what_is_given_as_needed_counts_when_given_not_when_ordered() -> None:
    prn = a_request(None, dose(50, "mL", asNeededBoolean=True), **mixture(B05BA03=500))
    picture = picture_of(prn)
    assert picture.energy_orders == ()
    assert note_codes(picture) == {"as-needed"}
    dose_given = given(
        None,
        request={"reference": "MedicationRequest/order"},
        dosage={"dose": quantity(50, "mL")},
        **mixture(B05BA03=500),
    )
    assert [order.source for order in picture_of(prn, dose_given).energy_orders] == [
        "MedicationAdministration/given/_history/1"
    ]


def test_a_largest_dose_per_day_is_a_cap() -> None:
    cap = {"maxDosePerPeriod": {"numerator": quantity(1, "L"), "denominator": quantity(24, "h")}}
    assert order_of(a_request(None, rate() | cap, **mixture(B05BA03=50))).max_ml_day == 1000
    odd = {"maxDosePerPeriod": {"numerator": quantity(1, "{bag}"), "denominator": quantity(24, "h")}}
    assert "largest dose" in (order_of(a_request(None, rate() | odd, **mixture(B05BA03=50))).problem or "")


@pytest.mark.parametrize("text", ["Glucose 5% 1000 ml", "parenteral nutrition bag", "Propofol 1%"])
def test_an_unmapped_drug_that_seems_to_carry_energy_is_noted(text: str) -> None:
    picture = picture_of(a_request({"text": text}, rate()))
    assert picture.energy_orders == ()
    assert note_codes(picture) == {"unmapped-energy-drug"}


def test_a_medication_that_was_not_read_is_noted() -> None:
    request = a_request(None, rate(), medicationReference={"reference": "Medication/elsewhere"})
    assert note_codes(picture_of(request)) == {"medication-not-read"}


# --------------------------------------------------------------------------- energy by administration

RUNNING = {"effectiveDateTime": None, "effectivePeriod": {"start": BEGUN}, "status": "in-progress"}


def test_a_running_infusion_nobody_requested_is_an_order() -> None:
    order = order_of(given("N01AX10", dosage={"rateQuantity": quantity(20, "mL/h")}, **RUNNING))
    assert (order.kind, order.state, order.problem) == (EnergyKind.LIPID_SEDATION, OrderState.ACTIVE, None)
    (delivery,) = order.deliveries
    assert (delivery.start, delivery.end, delivery.rate_ml_h) == (BEGUN_AT, None, 20)


@pytest.mark.parametrize(
    ("request_elements", "link", "sources"),
    [
        ({}, {"reference": "MedicationRequest/order"}, ["MedicationRequest/order"]),
        ({}, None, ["MedicationRequest/order"]),  # same drug, same kind: not counted twice
        (
            {"status": "draft"},
            {"reference": "MedicationRequest/order"},
            ["MedicationAdministration/given", "MedicationRequest/order"],
        ),
        (
            {},
            {"reference": "MedicationRequest/another"},
            ["MedicationAdministration/given", "MedicationRequest/order"],
        ),
    ],
)
def test_an_administration_is_not_counted_beside_its_own_order(
    request_elements: Json, link: Json | None, sources: list[str]
) -> None:
    request = a_request("N01AX10", rate(20), **request_elements)
    infusion = given("N01AX10", dosage={"rateQuantity": quantity(20, "mL/h")}, request=link, **RUNNING)
    orders = picture_of(request, infusion).energy_orders
    assert sorted(order.source.split("/_history")[0] for order in orders) == sources


@pytest.mark.parametrize(
    ("elements", "state", "ended"),
    [
        (
            {
                "effectiveDateTime": None,
                "effectivePeriod": {"start": BEGUN, "end": "2026-03-01T12:00:00Z"},
            },
            OrderState.ENDED,
            datetime(2026, 3, 1, 12, tzinfo=UTC),
        ),
        ({"effectiveDateTime": None, "effectivePeriod": {"start": BEGUN}}, OrderState.ENDED, CHANGED_AT),
        ({"status": "stopped"}, OrderState.ENDED, BEGUN_AT),
        ({"status": "on-hold"}, OrderState.PAUSED, BEGUN_AT),
        ({"status": "unknown"}, OrderState.ACTIVE, None),
        ({"status": "not-done"}, None, None),
        ({"status": "entered-in-error"}, None, None),
    ],
)
def test_where_an_administration_stands(elements: Json, state: OrderState | None, ended: datetime | None) -> None:
    picture = picture_of(given("N01AX10", dosage={"rateQuantity": quantity(20, "mL/h")}, **elements))
    assert [(order.state, order.ended) for order in picture.energy_orders] == ([(state, ended)] if state else [])


def test_a_volume_that_ran_in_over_a_period_is_the_rate_it_ran_at() -> None:
    bag = given(
        None,
        effectiveDateTime=None,
        effectivePeriod={"start": BEGUN, "end": "2026-03-01T18:00:00Z"},
        dosage={"dose": quantity(1000, "mL")},
        **mixture(B05BA03=50),
    )
    (delivery,) = order_of(bag).deliveries
    assert (delivery.rate_ml_h, delivery.volume_ml) == (100, None)
    assert delivery.end == BEGUN_AT + timedelta(hours=10)


@pytest.mark.parametrize(
    ("elements", "says"),
    [
        ({"dosage": {"rateQuantity": quantity(20, "mL/h")}}, "how long it ran"),
        ({"dosage": {"dose": quantity(100, "mL")}, **RUNNING}, "how fast it runs"),
        ({"dosage": {"dose": quantity(100, "mg")}}, "volume cannot be read"),
        ({}, "no dose and no rate"),
        ({"modifierExtension": MODIFIER, "dosage": {"dose": quantity(100, "mL")}}, "modifier extension"),
    ],
)
def test_an_administration_that_cannot_be_summed_says_why(elements: Json, says: str) -> None:
    (delivery,) = order_of(given("N01AX10", **elements)).deliveries
    assert says in (delivery.problem or "")


# --------------------------------------------------------------------------- drug history


@pytest.mark.parametrize(
    ("code", "counts"),
    [
        ("A10AB01", True),
        ("A02AD01", True),
        ("C03CA01", True),
        ("L01BC02", True),
        ("A10BA02", False),
        ("C09AA05", False),
    ],
)
def test_drugs_of_the_nice_criterion_are_found_by_prefix(code: str, counts: bool) -> None:
    for resource in (a_request(code, dose(1, "mg", DAILY)), given(code)):
        findings = picture_of(resource).findings
        assert [finding.kind for finding in findings] == ([FindingKind.DRUG_HISTORY] if counts else [])
        assert all(finding.recorded == BEGUN_AT for finding in findings)


def test_a_proposed_drug_is_no_history() -> None:
    assert picture_of(a_request("A10AB01", intent="proposal")).findings == ()


def test_an_ingredient_may_be_a_medication_of_its_own() -> None:
    dextrose = {"resourceType": "Medication", "id": "d", "code": concept((ATC, DEXTROSE))}
    strength = {"numerator": quantity(5, "g"), "denominator": quantity(100, "mL")}
    mix = {
        "resourceType": "Medication",
        "id": "mix",
        "ingredient": [{"itemReference": {"reference": "#d"}, "strength": strength}],
    }
    request = a_request(None, rate(), contained=[mix, dextrose], medicationReference={"reference": "#mix"})
    assert order_of(request).composition == Composition(dextrose_g_ml=Decimal("0.05"))


@pytest.mark.parametrize(
    ("code", "strength", "says"),
    [
        (concept((ATC, DEXTROSE), (ATC, LIPID)), (5, "g", 100, "mL"), "contradict each other"),
        (concept((ATC, DEXTROSE)), (5, "%", 100, "mL"), "cannot be read"),
        (concept((ATC, DEXTROSE)), (5, "g", 0, "mL"), "cannot be read"),
        (concept((ATC, DEXTROSE)), ("1E399", "kg", "1E-399", "uL"), None),
    ],
)
def test_a_strength_is_read_or_a_problem(code: Json, strength: tuple[Any, str, Any, str], says: str | None) -> None:
    over, over_unit, under, under_unit = strength
    ingredient = {
        "itemCodeableConcept": code,
        "strength": {"numerator": quantity(over, over_unit), "denominator": quantity(under, under_unit)},
    }
    mix = {"resourceType": "Medication", "id": "mix", "ingredient": [ingredient]}
    order = order_of(a_request(None, rate(), contained=[mix], medicationReference={"reference": "#mix"}))
    assert says is None or says in (order.problem or "")
    assert (order.composition is None) is (says is not None)


def test_a_cap_on_one_of_several_dosages_is_a_problem() -> None:
    cap = {"maxDosePerPeriod": {"numerator": quantity(1, "L"), "denominator": quantity(24, "h")}}
    request = a_request(None, rate() | cap, rate(60), **mixture(B05BA03=50))
    assert "one of several dosages" in (order_of(request).problem or "")


def test_a_volume_over_no_time_is_given_at_once() -> None:
    push = given(
        None,
        effectiveDateTime=None,
        effectivePeriod={"start": BEGUN, "end": BEGUN},
        dosage={"dose": quantity(50, "mL")},
        **mixture(B05BA03=500),
    )
    (delivery,) = order_of(push).deliveries
    assert (delivery.volume_ml, delivery.end, delivery.problem) == (50, None, None)
