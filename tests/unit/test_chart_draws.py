"""Draws: what is ordered and when, what was taken, and what the laboratory refused."""

from datetime import UTC, datetime, time, timedelta
from typing import Any

import pytest

from andante.domain.picture import LabOrder, LabOrderState
from andante.domain.quantities import Analyte
from charts import (
    LOINC,
    MAGNESIUM_MASS,
    MODIFIER,
    PHOSPHATE,
    POTASSIUM,
    TERMINOLOGY,
    Json,
    a_lab,
    a_resource,
    concept,
    note_codes,
    picture_of,
)

WRITTEN = "2026-03-01T18:00:00Z"
WRITTEN_AT = datetime(2026, 3, 1, 18, tzinfo=UTC)
TAKEN = {"collectedDateTime": "2026-03-02T04:10:00Z"}
TAKEN_AT = datetime(2026, 3, 2, 4, 10, tzinfo=UTC)


def a_request(code: str | Json = PHOSPHATE, **elements: Any) -> Json:
    coded = concept((LOINC, code)) if isinstance(code, str) else code
    whole = {"status": "active", "intent": "order", "code": coded, "authoredOn": WRITTEN} | elements
    return a_resource("ServiceRequest", "request", **whole)


def a_specimen(**elements: Any) -> Json:
    whole = {"request": [{"reference": "ServiceRequest/request"}], "collection": TAKEN} | elements
    return a_resource("Specimen", "tube", **whole)


def order_of(request: Json) -> LabOrder:
    (order,) = picture_of(request).lab_orders
    return order


@pytest.mark.parametrize(
    ("code", "analytes"),
    [
        (PHOSPHATE, {Analyte.PHOSPHATE}),
        (MAGNESIUM_MASS, {Analyte.MAGNESIUM}),
        ("24320-4", {Analyte.POTASSIUM}),
        ("51990-0", {Analyte.POTASSIUM}),
        ("24323-8", {Analyte.POTASSIUM}),
        ("24326-1", {Analyte.POTASSIUM}),
        ("24362-6", {Analyte.POTASSIUM, Analyte.PHOSPHATE}),
        (concept((LOINC, POTASSIUM), (LOINC, "24362-6")), {Analyte.POTASSIUM, Analyte.PHOSPHATE}),
    ],
)
def test_an_order_covers_analytes_by_code_or_as_a_panel(code: str | Json, analytes: set[Analyte]) -> None:
    order = order_of(a_request(code))
    assert order.analytes == analytes
    assert (order.state, order.authored) == (LabOrderState.ACTIVE, WRITTEN_AT)
    assert (order.planned, order.first, order.every) == ((), None, None)  # wanted at once


@pytest.mark.parametrize(
    ("elements", "state", "note"),
    [
        ({"status": "active"}, LabOrderState.ACTIVE, None),
        ({"status": "completed"}, LabOrderState.ENDED, None),
        ({"status": "revoked"}, LabOrderState.ENDED, None),
        ({"status": "draft"}, None, "lab-order-not-counted"),
        ({"status": "on-hold"}, None, "lab-order-not-counted"),
        ({"status": "unknown"}, None, "lab-order-not-counted"),
        ({"status": "entered-in-error"}, None, "lab-order-not-counted"),
        ({"intent": "proposal"}, None, "lab-order-not-counted"),
        ({"intent": "plan"}, None, "lab-order-not-counted"),
        ({"asNeededBoolean": True}, None, "lab-order-not-counted"),
        ({"doNotPerform": True}, None, "do-not-perform"),
        ({"modifierExtension": MODIFIER}, None, "modifier-extension"),
        ({"occurrenceDateTime": "tomorrow"}, None, "lab-order-not-counted"),
        ({"occurrencePeriod": {"end": "2026-03-03"}}, None, "lab-order-not-counted"),
        ({"occurrenceTiming": {"repeat": {"when": ["MORN"]}}}, None, "lab-order-not-counted"),
        ({"occurrenceTiming": {"code": {"text": "with rounds"}}}, None, "lab-order-not-counted"),
    ],
)
def test_an_order_that_may_not_bring_a_draw_is_not_counted_so_that_the_gap_shows(
    elements: Json, state: LabOrderState | None, note: str | None
) -> None:
    picture = picture_of(a_request(**elements))
    assert [order.state for order in picture.lab_orders] == ([state] if state else [])
    assert (note in note_codes(picture)) is (note is not None)


@pytest.mark.parametrize(
    ("elements", "planned"),
    [
        ({"occurrenceDateTime": "2026-03-02T05:00:00+01:00"}, [datetime(2026, 3, 2, 4, tzinfo=UTC)]),
        ({"occurrenceDateTime": "2026-03-02"}, [datetime(2026, 3, 1, 23, tzinfo=UTC)]),
        ({"occurrencePeriod": {"start": "2026-03-02T04:00:00Z"}}, [datetime(2026, 3, 2, 4, tzinfo=UTC)]),
        (
            {"occurrenceTiming": {"event": ["2026-03-02T16:00:00Z", "2026-03-02T04:00:00Z"]}},
            [datetime(2026, 3, 2, 4, tzinfo=UTC), datetime(2026, 3, 2, 16, tzinfo=UTC)],
        ),
    ],
)
def test_single_planned_draws(elements: Json, planned: list[datetime]) -> None:
    assert list(order_of(a_request(**elements)).planned) == planned


def test_a_repeating_order_has_a_first_an_interval_and_perhaps_an_end() -> None:
    bounds = {"start": "2026-03-02T04:00:00Z", "end": "2026-03-05T04:00:00Z"}
    repeat = {"boundsPeriod": bounds, "frequency": 2, "period": 1, "periodUnit": "d"}
    order = order_of(a_request(occurrenceTiming={"repeat": repeat}))
    assert (order.first, order.every) == (datetime(2026, 3, 2, 4, tzinfo=UTC), timedelta(hours=12))
    assert order.until == datetime(2026, 3, 5, 4, tzinfo=UTC)


def test_times_of_day_stay_on_the_hospitals_clock() -> None:
    bounds = {"start": "2026-03-02T08:00:00+01:00"}
    repeat = {"boundsPeriod": bounds, "timeOfDay": ["05:00:00", "17:00:00"]}
    order = order_of(a_request(occurrenceTiming={"repeat": repeat}))
    assert order.first == datetime(2026, 3, 2, 7, tzinfo=UTC)
    assert (order.every, order.daily_at) == (None, (time(5), time(17)))


@pytest.mark.parametrize(
    ("code", "note"),
    [
        ({"text": "Potassium, phosphate"}, "unmapped-lab-order"),
        (concept(("http://hospital.example/tests", "P"), text="Phosphate"), "unmapped-lab-order"),
        ({"text": "Urine potassium"}, None),
        ({"text": "Chest X-ray"}, None),
    ],
)
def test_an_order_that_only_looks_like_one_is_noted_not_counted(code: Json, note: str | None) -> None:
    picture = picture_of(a_request(code))
    assert picture.lab_orders == ()
    assert note_codes(picture) == ({note} if note else set())


# --------------------------------------------------------------------------- specimens


def test_a_specimen_taken_for_an_order_is_a_draw_of_its_analytes() -> None:
    (collection,) = picture_of(a_request("24362-6"), a_specimen()).collections
    assert collection.analytes == {Analyte.POTASSIUM, Analyte.PHOSPHATE}
    assert (collection.collected, collection.source) == (TAKEN_AT, "Specimen/tube/_history/1")


def test_the_link_may_point_the_other_way() -> None:
    request = a_request(specimen=[{"reference": "Specimen/tube"}])
    assert len(picture_of(request, a_specimen(request=None)).collections) == 1


@pytest.mark.parametrize(
    ("elements", "collected"),
    [
        ({"collection": {"collectedPeriod": {"start": "2026-03-02T04:10:00Z"}}}, TAKEN_AT),
        ({"collection": None, "receivedTime": "2026-03-02T05:00:00Z"}, datetime(2026, 3, 2, 5, tzinfo=UTC)),
        ({"collection": None}, None),
        ({"collection": {"collectedDateTime": "early"}}, None),
        ({"status": "entered-in-error"}, None),
        ({"modifierExtension": MODIFIER}, None),
        ({"type": concept((f"{TERMINOLOGY}/v2-0487", "UR"))}, None),
        ({"type": concept((f"{TERMINOLOGY}/v2-0487", "BLD"))}, TAKEN_AT),
        ({"request": None}, None),
        ({"subject": {"reference": "Patient/p2"}}, None),
    ],
)
def test_which_specimens_are_draws(elements: Json, collected: datetime | None) -> None:
    collections = picture_of(a_request(), a_specimen(**elements)).collections
    assert [collection.collected for collection in collections] == ([collected] if collected else [])


def test_a_refused_specimen_is_a_result_nobody_will_get() -> None:
    picture = picture_of(a_request(), a_specimen(status="unsatisfactory"))
    assert picture.collections == ()
    (result,) = picture.results
    assert (result.analyte, result.level, result.collected) == (Analyte.PHOSPHATE, None, TAKEN_AT)
    assert result.problem == "the laboratory could not use the specimen"


def test_a_result_from_a_refused_specimen_stands_for_itself() -> None:
    lab = a_lab(specimen={"reference": "Specimen/tube"})
    (result,) = picture_of(a_request(), a_specimen(status="unsatisfactory"), lab).results
    assert result.source == "Observation/lab/_history/1"
    assert result.specimen_problem


def test_a_repeating_order_without_a_start_is_not_counted() -> None:
    timing = {"repeat": {"frequency": 1, "period": 12, "periodUnit": "h"}}
    picture = picture_of(a_request(occurrenceTiming=timing, authoredOn=None))
    assert picture.lab_orders == ()
    assert note_codes(picture) == {"lab-order-not-counted"}
