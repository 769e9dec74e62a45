"""HL7's own examples, which nobody of this project wrote: every one is read, or set aside by name."""

import json
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import pytest

from andante.chart.bundle import read_charts
from andante.chart.models import READABLE
from andante.chart.modifiers import has_modifiers

NOW = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
FOLDER = Path(__file__).parents[2] / "fixtures" / "hl7-examples"
FILES = sorted(FOLDER.glob("*.json"))


def test_all_of_them_are_here() -> None:
    assert len(FILES) == 203


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_each_example_is_read_or_named(path: Path) -> None:
    kind = json.loads(path.read_bytes())["resourceType"]
    file = read_charts(path.read_bytes(), now=NOW)
    own = [r for chart in file.charts for r in chart.resources() if r.resource_type == kind]
    named = [*file.unassigned, *(problem for chart in file.charts for problem in chart.problems)]
    if kind in READABLE:
        assert len(own) + len(named) == 1
        assert all(problem.code == "no-subject" for problem in named)
        assert not any(has_modifiers(resource) for resource in own)
    else:
        assert file.passed_over == {kind: 1}


def test_all_together_as_ndjson_nothing_is_lost() -> None:
    lines = [json.dumps(json.loads(path.read_bytes())) for path in FILES]
    file = read_charts("\n".join(lines).encode(), now=NOW)
    read = sum(len([r for r in chart.resources() if "#" not in str(r.id)]) for chart in file.charts)
    assert read + len(file.unassigned) + sum(file.passed_over.values()) == 203
    assert file.duplicates == 0


def test_the_enteral_orders_keep_their_schedules_and_units() -> None:
    (chart,) = read_charts((FOLDER / "NutritionOrder-enteralcontinuous.json").read_bytes(), now=NOW).charts
    formula = chart.nutrition_orders[0].enteral_formula
    assert formula is not None
    assert formula.caloric_density is not None
    assert (formula.caloric_density.value, formula.caloric_density.code) == (Decimal(1), "cal/mL")
    rates = [step.rate_quantity.value for step in formula.administration if step.rate_quantity]
    assert rates == [60, 80, 100]
    assert formula.max_volume_to_deliver is not None
    assert formula.max_volume_to_deliver.value == 880
