"""Nutrition orders: what is ordered, how dense, how much and when; and what makes an order unsummable."""

import json
from datetime import UTC, datetime, time, timedelta
from decimal import Decimal
from typing import Any

import pytest

from andante.domain.picture import Delivery, EnergyKind, EnergyOrder, FindingKind, OrderState
from charts import (
    HL7_EXAMPLES,
    MODIFIER,
    SNOMED,
    TERMINOLOGY,
    Json,
    a_resource,
    concept,
    note_codes,
    picture_of,
    quantity,
)

BEGUN = "2026-03-01T08:00:00Z"
BEGUN_AT = datetime(2026, 3, 1, 8, tzinfo=UTC)
CHANGED_AT = datetime(2026, 3, 2, 6, tzinfo=UTC)  # meta.lastUpdated of the resources made here
HOURLY = {"frequency": 1, "period": 4, "periodUnit": "h"}


def a_feed(
    *administrations: Json, density: Any = None, most: Json | None = None, formula: Json | None = None, **elements: Any
) -> Json:
    contents: Json = {
        "baseFormulaProductName": "Plain tube feed",
        "caloricDensity": density or quantity(1, "kcal/mL"),
        "administration": list(administrations or (a_rate(),)),
        "maxVolumeToDeliver": most,
    } | (formula or {})
    contents = {name: value for name, value in contents.items() if value is not None}
    whole = {"status": "active", "intent": "order", "dateTime": BEGUN, "enteralFormula": contents} | elements
    return a_resource("NutritionOrder", "feed", **whole)


def a_rate(rate: Any = 60, *, start: str | None = BEGUN, end: str | None = None, **repeat: Any) -> Json:
    bounds = {name: value for name, value in (("start", start), ("end", end)) if value}
    schedule = ({"boundsPeriod": bounds} if bounds else {}) | repeat
    return {"rateQuantity": quantity(rate, "mL/h")} | ({"schedule": {"repeat": schedule}} if schedule else {})


def a_bolus(ml: Any = 240, **repeat: Any) -> Json:
    return {
        "quantity": quantity(ml, "mL"),
        "schedule": {"repeat": {"boundsPeriod": {"start": BEGUN}} | (repeat or HOURLY)},
    }


def order_of(*resources: Json) -> EnergyOrder:
    (order,) = picture_of(*resources).energy_orders
    return order


def delivery_of(administration: Json) -> Delivery:
    (delivery,) = order_of(a_feed(administration)).deliveries
    return delivery


# --------------------------------------------------------------------------- HL7's own orders


def hl7(name: str) -> EnergyOrder:
    order = json.loads((HL7_EXAMPLES / f"NutritionOrder-{name}.json").read_bytes())
    return order_of(order | {"patient": {"reference": "Patient/p1"}})


def test_the_continuous_example_steps_itself_up_under_its_cap() -> None:
    order = hl7("enteralcontinuous")
    assert (order.kind, order.state, order.problem) == (EnergyKind.ENTERAL, OrderState.ACTIVE, None)
    assert order.density_kcal_ml == 1
    assert order.max_ml_day == 880
    assert [(d.start, d.rate_ml_h, d.end, d.problem) for d in order.deliveries] == [
        (datetime(2014, 9, 17, 7, tzinfo=UTC), 60, None, None),
        (datetime(2014, 9, 17, 11, tzinfo=UTC), 80, None, None),
        (datetime(2014, 9, 17, 15, tzinfo=UTC), 100, None, None),
    ]
    assert "Hold feedings from 7 pm to 7 am" in (order.instruction or "")  # shown, never parsed


def test_the_bolus_example_is_240_ml_every_4_hours() -> None:
    order = hl7("enteralbolus")
    assert (order.density_kcal_ml, order.max_ml_day, order.problem) == (Decimal("1.5"), 1440, None)
    (delivery,) = order.deliveries
    assert (delivery.volume_ml, delivery.every) == (240, timedelta(hours=4))
    assert delivery.start == datetime(2014, 9, 17, 16, tzinfo=UTC)


def test_the_infant_example_is_converted_from_ounces_and_named() -> None:
    order = hl7("infantenteral")
    assert order.density_kcal_ml is not None
    assert round(order.density_kcal_ml, 4) == Decimal("0.6763")
    assert order.max_ml_day == 32 * Decimal("29.5735295625")
    (delivery,) = order.deliveries
    assert (delivery.volume_ml, delivery.every) == (4 * Decimal("29.5735295625"), timedelta(hours=3))
    example = json.loads((HL7_EXAMPLES / "NutritionOrder-infantenteral.json").read_bytes())
    picture = picture_of(example | {"patient": {"reference": "Patient/p1"}})
    assert [finding.kind for finding in picture.findings] == [FindingKind.INFANT_FORMULA]


@pytest.mark.parametrize("name", ["enteralcontinuous", "enteralbolus", "infantenteral"])
def test_calories_read_as_kilocalories_are_noted(name: str) -> None:
    example = json.loads((HL7_EXAMPLES / f"NutritionOrder-{name}.json").read_bytes())
    picture = picture_of(example | {"patient": {"reference": "Patient/p1"}})
    assert note_codes(picture) == {"energy-unit-read-as-kcal"}


@pytest.mark.parametrize("name", ["cardiacdiet", "renaldiet", "pureeddiet", "texturemodified"])
def test_the_oral_diets_carry_no_energy(name: str) -> None:
    order = hl7(name)
    assert order.kind is EnergyKind.ORAL_DIET
    assert order.density_kcal_ml is None


def test_the_supplement_example_cannot_be_summed() -> None:
    order = hl7("proteinsupplement")
    assert order.kind is EnergyKind.SUPPLEMENT
    assert order.problem == "a supplement order states no energy"
    assert order.deliveries[0].problem


# --------------------------------------------------------------------------- status and intent


@pytest.mark.parametrize(
    ("status", "intent", "state", "trusted", "note"),
    [
        ("active", "order", OrderState.ACTIVE, True, None),
        ("active", "instance-order", OrderState.ACTIVE, True, None),
        ("draft", "order", OrderState.PLANNED, True, None),
        ("active", "proposal", OrderState.PLANNED, True, None),
        ("active", "plan", OrderState.PLANNED, True, None),
        ("active", "option", OrderState.PLANNED, True, None),
        ("on-hold", "order", OrderState.PAUSED, True, None),
        ("completed", "order", OrderState.ENDED, True, None),
        ("revoked", "order", OrderState.ENDED, True, None),
        ("unknown", "order", OrderState.ACTIVE, False, "unknown-status"),
        ("aktiv", "order", OrderState.ACTIVE, False, "unknown-status"),
        (None, "order", OrderState.ACTIVE, False, "unknown-status"),
        ("active", None, OrderState.ACTIVE, False, "unknown-status"),
        ("active", "wish", OrderState.ACTIVE, False, "unknown-status"),
        ("revoked", "plan", None, True, "void-order"),
        ("entered-in-error", "order", None, True, "void-order"),
    ],
)
def test_where_an_order_stands(
    status: Any, intent: Any, state: OrderState | None, trusted: bool, note: str | None
) -> None:
    picture = picture_of(a_feed(status=status, intent=intent))
    assert [order.state for order in picture.energy_orders] == ([state] if state else [])
    assert all((order.problem is None) is trusted for order in picture.energy_orders)
    assert note_codes(picture) == ({note} if note else set())


@pytest.mark.parametrize(
    ("status", "end", "ended"),
    [
        ("active", None, None),
        ("active", "2026-03-01T20:00:00Z", None),  # the bound stands with the delivery
        ("on-hold", None, CHANGED_AT),
        ("completed", None, CHANGED_AT),
        ("completed", "2026-03-01T20:00:00Z", datetime(2026, 3, 1, 20, tzinfo=UTC)),
        ("revoked", "2026-03-05T20:00:00Z", CHANGED_AT),  # revoked before its bound
    ],
)
def test_when_an_order_ended(status: str, end: str | None, ended: datetime | None) -> None:
    assert order_of(a_feed(a_rate(end=end), status=status)).ended == ended


def test_an_order_that_ended_before_it_was_given_is_named() -> None:
    early = {"versionId": "2", "lastUpdated": "2026-02-27T08:00:00Z"}
    for status in ("revoked", "on-hold"):
        picture = picture_of(a_feed(a_rate(), status=status, meta=early))
        assert "illegal-time" in note_codes(picture)
    assert not note_codes(picture_of(a_feed(a_rate(), status="revoked")))
    assert not note_codes(picture_of(a_feed(a_rate(), meta=early)))  # in force: its last change says nothing


def test_an_order_in_force_without_a_time_is_in_force_since_its_last_change_and_unsummable() -> None:
    picture = picture_of(a_feed(a_rate(start=None), dateTime=None))
    (order,) = picture.energy_orders
    assert order.ordered == CHANGED_AT
    assert order.deliveries[0].problem == "it states no start"
    assert "order-without-time" in note_codes(picture)


def test_an_order_in_force_that_cannot_be_placed_in_time_makes_the_chart_incomplete() -> None:
    picture = picture_of(a_feed(a_rate(start=None), dateTime="yesterday", meta={"versionId": "1"}))
    assert picture.incomplete == ("NutritionOrder/feed does not say since when it is in force",)


def test_a_modifier_extension_leaves_the_order_without_its_numbers() -> None:
    deep = a_rate() | {"modifierExtension": MODIFIER}
    for feed in (a_feed(modifierExtension=MODIFIER), a_feed(deep)):
        picture = picture_of(feed)
        (order,) = picture.energy_orders
        assert order.problem == "a modifier extension may change its meaning"
        assert (order.state, order.ordered) == (OrderState.ACTIVE, BEGUN_AT)  # still a fed patient
        assert order.deliveries == ()
        assert order.density_kcal_ml is None
        assert "modifier-extension" in note_codes(picture)


# --------------------------------------------------------------------------- density and cap


@pytest.mark.parametrize(
    "density",
    [
        quantity(1, None),
        quantity(1, "kcal"),
        quantity(1, "kcal/{tin}"),
        quantity(0, "kcal/mL"),
        quantity(1, "kcal/mL", comparator=">"),
        quantity(1, "cal/mL", system="http://hospital.example"),
        quantity(4, "kJ/mL", unit="kcal/mL"),
    ],
)
def test_a_density_that_cannot_be_read_is_a_problem_never_a_guess(density: Json) -> None:
    picture = picture_of(a_feed(density=density))
    (order,) = picture.energy_orders
    assert order.density_kcal_ml is None
    assert "energy density" in (order.problem or "")
    assert "unreadable-density" in note_codes(picture)


def test_a_missing_density_is_a_problem() -> None:
    order = order_of(a_feed(formula={"caloricDensity": None}))
    assert order.problem == "it states no energy density"


@pytest.mark.parametrize(
    ("most", "ml"),
    [
        (quantity(1440, "mL/d"), "1440"),
        (quantity(1440, "mL/(24.h)"), "1440"),
        (quantity(1440, "ml/day"), "1440"),
        (quantity(1440, "mL"), "1440"),  # R4: over the period of the schedule, by example 24 h
        (quantity("1.44", "L/d"), "1440"),
        (quantity(32, "[foz_us]"), "946.352946"),
        (quantity(60, "mL/h"), None),
        (quantity(1440, None), None),
        (quantity(0, "mL/d"), None),
    ],
)
def test_the_largest_daily_volume(most: Json, ml: str | None) -> None:
    order = order_of(a_feed(most=most))
    assert order.max_ml_day == (Decimal(ml) if ml else None)
    assert (order.problem is None) is (ml is not None)


# --------------------------------------------------------------------------- rates and volumes


@pytest.mark.parametrize(
    ("administration", "ml_h"),
    [
        ({"rateQuantity": quantity(60, "mL/h")}, "60"),
        ({"rateQuantity": quantity(60, "ml/hr")}, "60"),
        ({"rateQuantity": quantity(1, "mL/min")}, "60"),
        ({"rateQuantity": quantity(1440, "mL/d")}, "60"),
        ({"rateQuantity": quantity(2, "[foz_us]/h")}, "59.147059125"),
        ({"rateRatio": {"numerator": quantity(60, "mL"), "denominator": quantity(1, "h")}}, "60"),
        ({"rateRatio": {"numerator": quantity(480, "mL"), "denominator": quantity(8, "h")}}, "60"),
        ({"rateRatio": {"numerator": quantity(1, "L"), "denominator": quantity(1, "d")}}, "41.67"),
    ],
)
def test_a_rate_is_read_in_ml_per_hour(administration: Json, ml_h: str) -> None:
    delivery = delivery_of(administration)
    assert delivery.rate_ml_h is not None
    assert round(delivery.rate_ml_h, 2) == round(Decimal(ml_h), 2)
    assert delivery.start == BEGUN_AT  # the order's own time, where the schedule states none


@pytest.mark.parametrize(
    ("administration", "says"),
    [
        ({"rateQuantity": quantity(0, "mL/h")}, "not above zero"),
        ({"rateQuantity": quantity(-60, "mL/h")}, "not above zero"),
        ({"rateQuantity": quantity(60, None)}, "no unit"),
        ({"rateQuantity": quantity(60, "mL")}, "cannot be read here"),
        ({"rateQuantity": quantity(60, "mL/kg/h")}, "cannot be read here"),
        ({"rateQuantity": quantity(60, "mL/h", comparator="<=")}, "leaves its value open"),
        ({"rateRatio": {"numerator": quantity(60, "mL")}}, "no number"),
        ({"quantity": quantity(240, "mL")}, "without saying how often"),
        ({"quantity": quantity(1, "{tin}"), "schedule": {"repeat": HOURLY}}, "volume cannot be read"),
        ({}, "no rate and no volume"),
        (a_rate(frequency=1, period=1, periodUnit="d"), "how long it runs each time"),
        (
            a_rate() | {"rateRatio": {"numerator": quantity(6, "mL"), "denominator": quantity(1, "h")}},
            "two rates",
        ),
        (a_bolus() | {"rateQuantity": quantity(20, "mL/h")}, "takes longer at its rate"),
        (a_bolus("1E390") | {"rateQuantity": quantity("1E-390", "mL/h")}, "beyond calculating"),
        (
            {
                "rateQuantity": quantity(60, "mL/h"),
                "schedule": {"event": [BEGUN, "2026-03-01T18:00:00Z"]},
            },
            "starts at several times",
        ),
    ],
)
def test_an_administration_that_cannot_be_summed_says_why(administration: Json, says: str) -> None:
    order = order_of(a_feed(administration))
    assert says in (order.deliveries[0].problem or "")
    assert order.deliveries[0].rate_ml_h is None
    assert order.deliveries[0].volume_ml is None


def test_a_feed_without_administration_is_a_problem() -> None:
    assert order_of(a_feed(formula={"administration": None})).problem == "it states no rate and no volume"


# --------------------------------------------------------------------------- schedules


@pytest.mark.parametrize(
    ("repeat", "every"),
    [
        ({"frequency": 1, "period": 4, "periodUnit": "h"}, timedelta(hours=4)),
        ({"frequency": 6, "period": 1, "periodUnit": "d"}, timedelta(hours=4)),
        ({"period": 240, "periodUnit": "min"}, timedelta(hours=4)),
        ({"frequency": 21, "period": 1, "periodUnit": "wk"}, timedelta(hours=8)),
    ],
)
def test_a_repetition_is_an_interval(repeat: Json, every: timedelta) -> None:
    assert delivery_of(a_bolus(**repeat)).every == every


@pytest.mark.parametrize(
    ("code", "every"),
    [("BID", 12), ("TID", 8), ("QID", 6), ("Q4H", 4), ("QD", 24), ("BED", 24), ("QOD", 48)],
)
def test_a_schedule_code_of_the_table_is_an_interval(code: str, every: int) -> None:
    coded = {"code": concept((f"{TERMINOLOGY}/v3-GTSAbbreviation", code))}
    delivery = delivery_of({"quantity": quantity(240, "mL"), "schedule": coded})
    assert delivery.every == timedelta(hours=every)
    assert delivery.problem is None


def test_a_cyclic_feed_runs_at_its_time_of_day_for_its_duration() -> None:
    cycle = {"frequency": 1, "period": 1, "periodUnit": "d", "duration": 12, "durationUnit": "h"}
    delivery = delivery_of(a_rate(timeOfDay=["20:00:00"], **cycle))
    assert delivery.times_of_day == (time(20),)
    assert delivery.duration == timedelta(hours=12)
    assert delivery.every is None
    assert delivery.problem is None


@pytest.mark.parametrize(
    ("repeat", "end"),
    [
        ({"boundsPeriod": {"start": BEGUN, "end": "2026-03-03T08:00:00Z"}}, datetime(2026, 3, 3, 8, tzinfo=UTC)),
        # a bare date as end includes that day, in the hospital's zone
        (
            {"boundsPeriod": {"start": BEGUN, "end": "2026-03-03"}},
            datetime(2026, 3, 3, 22, 59, 59, 999999, tzinfo=UTC),
        ),
        ({"boundsDuration": quantity(2, "d")}, datetime(2026, 3, 3, 8, tzinfo=UTC)),
        ({"boundsPeriod": {"start": BEGUN}, "duration": 10, "durationUnit": "h"}, datetime(2026, 3, 1, 18, tzinfo=UTC)),
    ],
)
def test_bounds_end_a_rate(repeat: Json, end: datetime) -> None:
    delivery = delivery_of({"rateQuantity": quantity(60, "mL/h"), "schedule": {"repeat": repeat}})
    assert (delivery.start, delivery.end) == (BEGUN_AT, end)


def test_a_count_ends_a_repetition_just_short_of_the_next_time() -> None:
    delivery = delivery_of(a_bolus(count=3, **HOURLY))
    assert delivery.end is not None
    given = [BEGUN_AT + n * timedelta(hours=4) for n in range(6)]
    assert [at for at in given if at < delivery.end] == given[:3]


def test_single_times_are_single_deliveries() -> None:
    events = ["2026-03-01T08:00:00Z", "2026-03-01T18:00:00Z"]
    order = order_of(a_feed({"quantity": quantity(200, "mL"), "schedule": {"event": events}}))
    assert [(d.start, d.volume_ml) for d in order.deliveries] == [
        (BEGUN_AT, 200),
        (datetime(2026, 3, 1, 18, tzinfo=UTC), 200),
    ]


def test_a_volume_at_a_rate_once_runs_for_as_long_as_that_takes() -> None:
    once = {"quantity": quantity(500, "mL"), "schedule": {"event": [BEGUN]}}
    delivery = delivery_of(once | {"rateQuantity": quantity(100, "mL/h")})
    assert (delivery.rate_ml_h, delivery.volume_ml) == (100, None)
    assert delivery.end == BEGUN_AT + timedelta(hours=5)


def test_a_volume_at_a_rate_repeatedly_is_a_bolus_that_takes_time() -> None:
    delivery = delivery_of(a_bolus() | {"rateQuantity": quantity(120, "mL/h")})
    assert (delivery.volume_ml, delivery.rate_ml_h) == (240, None)
    assert delivery.duration == timedelta(hours=2)


@pytest.mark.parametrize(
    ("schedule", "says"),
    [
        ({"repeat": {"when": ["C"], "boundsPeriod": {"start": BEGUN}}}, "tied to meals"),
        ({"repeat": HOURLY | {"offset": 30, "when": ["ACM"]}}, "tied to meals"),
        ({"repeat": HOURLY | {"dayOfWeek": ["mon"]}}, "days of the week"),
        ({"repeat": HOURLY | {"frequencyMax": 3}}, "a range"),
        ({"repeat": HOURLY | {"periodMax": 6}}, "a range"),
        ({"repeat": HOURLY | {"durationMax": 2, "duration": 1, "durationUnit": "h"}}, "a range"),
        ({"repeat": HOURLY | {"countMax": 5, "count": 3}}, "a range"),
        ({"repeat": HOURLY | {"boundsRange": {"low": quantity(2, "d")}}}, "within a range"),
        ({"repeat": {"frequency": 2}}, "not in which time"),
        ({"repeat": {"frequency": 0, "period": 1, "periodUnit": "d"}}, "less than once"),
        ({"repeat": {"frequency": 1, "period": 0, "periodUnit": "d"}}, "zero or less"),
        ({"repeat": {"frequency": 1, "period": 1, "periodUnit": "mo"}}, "unit of time"),
        ({"repeat": {"frequency": 1, "period": 1, "periodUnit": "fortnight"}}, "unit of time"),
        ({"repeat": {"frequency": 100000, "period": 1, "periodUnit": "d"}}, "faster than once a minute"),
        ({"repeat": {"frequency": 1, "period": 1e300, "periodUnit": "wk"}}, "beyond calculating"),
        ({"repeat": HOURLY | {"duration": 5, "durationUnit": "h"}}, "lasts longer"),
        ({"repeat": HOURLY | {"durationUnit": "h"}}, "without a number"),
        ({"repeat": HOURLY | {"timeOfDay": ["08:00:00"]}}, "times of day and its frequency disagree"),
        ({"repeat": {"timeOfDay": ["25:00:00"]}}, "cannot be read"),
        ({"repeat": {"timeOfDay": ["08:00:00Z"]}}, "carries a zone"),
        ({"repeat": {"timeOfDay": ["08:00:00"], "count": 3}}, "cannot be placed"),
        ({"repeat": HOURLY | {"count": 0}}, "cannot be placed"),
        ({"repeat": {"count": 3}}, "cannot be placed"),
        ({"repeat": HOURLY | {"boundsPeriod": {"start": "2026-03-01T08:00"}}}, "not a FHIR time"),
        ({"repeat": HOURLY | {"boundsPeriod": {"start": BEGUN, "end": "2026-02-01"}}}, "ends before it starts"),
        ({"repeat": HOURLY | {"boundsDuration": quantity(2, None)}}, "duration that cannot be read"),
        ({"event": ["soon"]}, "not a FHIR time"),
        ({"event": [BEGUN, "2026-03-01T18:00:00Z"], "repeat": HOURLY}, "both repeats and lists"),
        ({"event": [f"2026-03-01T08:00:00.{n:03}Z" for n in range(501)]}, "more single times"),
        ({"code": {"text": "BID"}}, "not one that can be summed"),
        ({"code": concept(("http://hospital.example", "BID"))}, "not one that can be summed"),
        ({"repeat": HOURLY, "code": concept((f"{TERMINOLOGY}/v3-GTSAbbreviation", "BID"))}, "disagree"),
        (
            {
                "code": concept(
                    (f"{TERMINOLOGY}/v3-GTSAbbreviation", "BID"), (f"{TERMINOLOGY}/v3-GTSAbbreviation", "TID")
                )
            },
            "codes disagree",
        ),
    ],
)
def test_a_schedule_that_cannot_be_summed_says_why(schedule: Json, says: str) -> None:
    delivery = delivery_of({"quantity": quantity(100, "mL"), "schedule": schedule})
    assert says in (delivery.problem or "")
    assert delivery.volume_ml is None


def test_an_unmapped_schedule_code_beside_a_clear_repetition_does_not_matter() -> None:
    schedule = {"repeat": HOURLY, "code": {"text": "with the night feed"}}
    assert delivery_of({"quantity": quantity(100, "mL"), "schedule": schedule}).problem is None


# --------------------------------------------------------------------------- diets and supplements


def test_each_part_of_an_order_is_an_order_of_its_own() -> None:
    order = a_feed(
        oralDiet={"type": [concept(text="soft diet")]}, supplement=[{"productName": "A drink"}, {"productName": "B"}]
    )
    orders = picture_of(order).energy_orders
    assert sorted(o.kind for o in orders) == sorted(
        [EnergyKind.ENTERAL, EnergyKind.ORAL_DIET, EnergyKind.SUPPLEMENT, EnergyKind.SUPPLEMENT]
    )
    assert {o.source for o in orders} == {"NutritionOrder/feed/_history/1"}


@pytest.mark.parametrize(
    ("types", "nothing"),
    [
        ([concept((SNOMED, "182923009"))], True),
        ([concept((SNOMED, "33489005")), concept((SNOMED, "182923009"))], True),
        ([concept(text="nil by mouth")], False),  # text is never read as a code
        ([concept((SNOMED, "33489005"))], False),
        ([], False),
    ],
)
def test_nil_by_mouth_is_coded(types: list[Json], nothing: bool) -> None:
    diet = a_resource(
        "NutritionOrder", "diet", status="active", intent="order", dateTime=BEGUN, oralDiet={"type": types}
    )
    assert order_of(diet).nil_by_mouth is nothing


def test_a_diet_keeps_its_bounds() -> None:
    bounds = {"boundsPeriod": {"start": BEGUN, "end": "2026-03-02T08:00:00Z"}}
    diet = a_resource(
        "NutritionOrder",
        "diet",
        status="active",
        intent="order",
        dateTime=BEGUN,
        oralDiet={"schedule": [{"repeat": bounds | {"when": ["C"]}}]},
    )
    (delivery,) = order_of(diet).deliveries
    assert (delivery.start, delivery.end) == (BEGUN_AT, datetime(2026, 3, 2, 8, tzinfo=UTC))


def test_an_ended_infant_formula_is_no_finding() -> None:
    infant = {"baseFormulaType": concept((SNOMED, "412414007"))}
    assert picture_of(a_feed(formula=infant)).findings != ()
    assert picture_of(a_feed(formula=infant, status="completed")).findings == ()


def test_an_empty_order_is_noted() -> None:
    empty = a_resource("NutritionOrder", "empty", status="active", intent="order", dateTime=BEGUN)
    picture = picture_of(empty)
    assert picture.energy_orders == ()
    assert note_codes(picture) == {"empty-order"}


def test_a_duration_without_a_start_is_a_problem() -> None:
    schedule = {"repeat": {"boundsDuration": quantity(2, "d")}}
    feed = a_feed({"rateQuantity": quantity(60, "mL/h"), "schedule": schedule}, dateTime=None)
    assert order_of(feed).deliveries[0].problem == "its schedule states how long, but not from when"


def test_a_single_time_may_be_counted() -> None:
    once = {"quantity": quantity(200, "mL"), "schedule": {"event": [BEGUN], "repeat": {"count": 1}}}
    delivery = delivery_of(once)
    assert (delivery.start, delivery.volume_ml, delivery.problem) == (BEGUN_AT, 200, None)


def test_every_part_of_a_distrusted_order_is_kept() -> None:
    order = a_feed(oralDiet={}, supplement=[{}], modifierExtension=MODIFIER)
    kinds = {o.kind for o in picture_of(order).energy_orders}
    assert kinds == {EnergyKind.ENTERAL, EnergyKind.ORAL_DIET, EnergyKind.SUPPLEMENT}
