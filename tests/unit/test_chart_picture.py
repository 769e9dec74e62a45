"""The whole picture: nothing crashes, nothing disappears, nobody else gets in, order does not matter."""

import json
import random
from datetime import UTC, datetime, timedelta, tzinfo
from decimal import Decimal
from pathlib import Path

import pytest

from andante.chart.bundle import read_charts
from andante.chart.chart import Chart, Problem
from andante.chart.models import Observation
from andante.chart.sheet import Sheet
from andante.chart.to_picture import to_picture
from andante.domain.picture import DataNote, EnergyKind, MeasureKind
from andante.domain.quantities import Analyte
from charts import (
    CODES,
    HL7_EXAMPLES,
    MAGNESIUM,
    MODIFIER,
    PHOSPHATE,
    POTASSIUM,
    ZONE,
    Json,
    a_lab,
    a_resource,
    note_codes,
    picture_of,
    quantity,
)

NOW = datetime(2026, 3, 2, 6, tzinfo=UTC)
EXAMPLES = sorted(HL7_EXAMPLES.glob("*.json"))

A_CHART = (
    a_lab(POTASSIUM, 3.9, id="k"),
    a_lab(PHOSPHATE, 0.7, id="p", status="preliminary"),
    a_lab(MAGNESIUM, 0.7, None, id="mg"),
    a_lab({"text": "Phosphate"}, 0.7, id="look-alike"),
    a_resource(
        "NutritionOrder",
        "feed",
        status="active",
        intent="order",
        dateTime="2026-03-01T08:00:00Z",
        enteralFormula={
            "caloricDensity": quantity(1, "cal/mL"),
            "administration": [{"rateQuantity": quantity(40, "ml/hr")}],
        },
    ),
    a_resource("Encounter", "stay", status="in-progress"),
)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_no_example_of_hl7_trips_it_up(path: Path) -> None:
    for chart in read_charts(path.read_bytes(), now=NOW).charts:
        picture = to_picture(chart, CODES, ZONE)
        assert not [note for note in picture.notes if "could not be mapped" in note.text]


def test_all_examples_together_give_what_hl7_wrote_and_no_result() -> None:
    lines = "\n".join(json.dumps(json.loads(path.read_bytes())) for path in EXAMPLES)
    pictures = {
        chart.patient_id: to_picture(chart, CODES, ZONE) for chart in read_charts(lines.encode(), now=NOW).charts
    }
    assert len(pictures) > 20
    # none of HL7's observations is a potassium, phosphate or magnesium
    assert all(picture.results == () for picture in pictures.values())
    peter = pictures["example"]
    kinds = [order.kind for order in peter.energy_orders]
    assert (kinds.count(EnergyKind.ENTERAL), kinds.count(EnergyKind.ORAL_DIET)) == (3, 6)
    weights = [m.value for m in peter.measurements if m.kind is MeasureKind.WEIGHT]
    assert [round(w, 2) for w in weights if w] == [Decimal("83.91")]  # 185 lb
    assert [m.value for m in peter.measurements if m.kind is MeasureKind.BMI] == [Decimal("16.2")] * 2


def test_the_order_of_arrival_does_not_matter() -> None:
    def shown(resources: list[Json]) -> object:
        return picture_of(*resources)

    whole = list(A_CHART)
    first = shown(whole)
    for seed in range(5):
        random.Random(seed).shuffle(whole)
        assert shown(whole) == first


def test_nothing_that_was_set_aside_disappears() -> None:
    assert note_codes(picture_of(*A_CHART)) == {
        "uncoded-analyte",
        "unreadable-result",
        "energy-unit-read-as-kcal",
        "unit-spelling",
        "no-encounter-class",
    }


def test_a_spelling_is_noted_once_for_a_patient_not_for_each_result() -> None:
    labs = [a_lab(POTASSIUM, 3.9, "mEq/L", id=f"k{number}") for number in range(5)]
    assert picture_of(*labs).notes == (
        DataNote(code="unit-spelling", text='unit "mEq/L" read as meq/L', source="Observation/k0/_history/1"),
    )


def test_every_version_read_is_listed_and_no_one_elses() -> None:
    ours = a_resource("Task", "advice", subject=None, **{"for": {"reference": "Patient/p1"}})
    theirs = a_lab(id="theirs", subject={"reference": "Patient/p2"})
    location = {"resourceType": "Location", "id": "w3", "name": "Ward 3"}
    assert picture_of(a_lab(), ours, theirs, location).versions == (
        "Location/w3",
        "Observation/lab/_history/1",
        "Patient/p1",
    )


def test_failed_reads_and_problems_are_carried_over() -> None:
    problem = Problem(code="not-offered", text="the server does not offer Goal", reference="Goal")
    picture = picture_of(problems=[problem], incomplete=["Observation"])
    assert picture.incomplete == ("Observation",)
    assert picture.notes == (DataNote(code="not-offered", text=problem.text, source="Goal"),)


@pytest.mark.parametrize(
    ("reference", "incomplete"),
    [
        ("NutritionOrder/feed", ("NutritionOrder/feed could not be read",)),
        ("Flag/f", ("Flag/f could not be read",)),
        ("Condition/c", ("Condition/c could not be read",)),
        ("Goal/g", ("Goal/g could not be read",)),
        ("ServiceRequest/s", ()),
        (None, ()),
    ],
)
def test_a_feed_a_danger_or_a_goal_nobody_could_read_makes_the_chart_incomplete(
    reference: str | None, incomplete: tuple[str, ...]
) -> None:
    problem = Problem(code="unreadable-resource", text="cannot be read", reference=reference)
    assert picture_of(problems=[problem]).incomplete == incomplete


def test_an_empty_chart_gives_an_empty_picture() -> None:
    picture = to_picture(Chart(patient_id="p1"), CODES, ZONE)
    assert picture.patient == "Patient/p1"
    assert picture.stay is None
    assert note_codes(picture) == {"no-patient"}


def test_one_resource_that_trips_up_the_mapping_is_noted_and_the_others_are_read() -> None:
    def read(observation: Observation) -> list[str]:
        if observation.id == "bad":
            raise ZeroDivisionError("division by zero")
        return [observation.key]

    sheet = Sheet(Chart(patient_id="p1"), CODES, ZONE)
    resources = [_observation("good"), _observation("bad"), _observation("also-good")]
    found = sheet.gather(resources, read, rescue=lambda observation: [f"rescued {observation.key}"])
    assert found == ["Observation/also-good", "rescued Observation/bad", "Observation/good"]
    assert sheet.notes == (
        DataNote(
            code="unreadable-resource",
            text="could not be mapped (ZeroDivisionError)",
            source="Observation/bad",
        ),
    )


class FaultyZone(tzinfo):
    """A zone that fails for one year: a stand-in for a defect of ours that one resource meets."""

    def utcoffset(self, when: datetime | None) -> timedelta:
        if when is not None and when.year == 1999:
            raise RuntimeError("the zone fails")
        return timedelta(hours=1)

    def dst(self, when: datetime | None) -> timedelta:
        return timedelta(0)


def test_a_lab_that_trips_up_the_mapping_still_holds_and_a_feed_makes_the_chart_incomplete() -> None:
    bad = [
        a_lab(PHOSPHATE, id="p", effectiveDateTime="1999-01-01"),
        a_resource("NutritionOrder", "feed", status="active", intent="order", dateTime="1999-01-01"),
    ]
    data = json.dumps({"resourceType": "Bundle", "type": "collection", "entry": [{"resource": r} for r in bad]})
    (chart,) = read_charts(data.encode(), now=NOW).charts
    picture = to_picture(chart, CODES, FaultyZone())
    (result,) = picture.results
    assert (result.analyte, result.level, result.collected) == (Analyte.PHOSPHATE, None, None)
    assert result.problem == "it could not be mapped"
    assert picture.incomplete == ("NutritionOrder/feed could not be read",)
    assert "unreadable-resource" in note_codes(picture)


def _observation(identity: str) -> Observation:
    (chart,) = read_charts(json.dumps(a_lab(id=identity, meta=None)).encode(), now=NOW).charts
    return chart.observations[0]


HOSTILE = [
    1e308,
    "1E-399",
    "9" * 400,
    -0.0,
    "0.000000000000000000000000000000000000001",
]


@pytest.mark.parametrize("value", HOSTILE, ids=str)
def test_a_hostile_number_is_read_or_refused_but_never_trips(value: object) -> None:
    feed = a_resource(
        "NutritionOrder",
        "feed",
        status="active",
        intent="order",
        enteralFormula={
            "caloricDensity": quantity(value, "kcal/mL"),
            "maxVolumeToDeliver": quantity(value, "mL/d"),
            "administration": [
                {
                    "rateQuantity": quantity(value, "mL/h"),
                    "quantity": quantity(value, "mL"),
                    "schedule": {
                        "repeat": {"period": value, "periodUnit": "d", "duration": value, "durationUnit": "h"}
                    },
                }
            ],
        },
    )
    ranged = a_lab(value=value, referenceRange=[{"low": quantity(value, "mmol/L")}])
    picture = picture_of(feed, ranged)
    assert not [note for note in picture.notes if "could not be mapped" in note.text]


def test_no_note_repeats_what_the_chart_says_about_the_patient() -> None:
    secret = "Zebulon Quartz"  # a name no note may hold
    lab = a_lab(
        POTASSIUM,
        valueQuantity=None,
        valueString=secret,
        note=[{"text": secret}],
        modifierExtension=MODIFIER,
    )
    person = {"resourceType": "Patient", "id": "p1", "name": [{"text": secret}], "birthDate": secret}
    other = a_lab(id="other", subject={"reference": "Patient/p2", "display": secret})
    picture = picture_of(lab, other, patient=person)
    assert picture.notes
    assert all(secret not in note.text and secret not in note.source for note in picture.notes)
