"""What the benchmark rests on: the plain form of the simple rule, and the figures a fresh run is held against."""

import importlib.util
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

BENCH = Path(__file__).parents[1] / "bench"
SINCE = datetime(2031, 3, 27, 4, 30, tzinfo=UTC)
Json = dict[str, Any]


def part(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"bench_{name}", BENCH / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = sys.modules[spec.name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


simple_rule, figures = part("simple_rule"), part("figures")


def a_result(code: str = "2601-3", value: float = 0.8, *, hours: float = 1, **other: Any) -> Json:
    def amount(number: float) -> Json:
        return {"value": number, "code": "mmol/L"}

    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": code}]},
        "effectiveDateTime": (SINCE + timedelta(hours=hours)).isoformat(),
        "valueQuantity": amount(value),
        "referenceRange": [{"low": amount(0.7), "high": amount(1.0)}],
        **other,
    }


OTHERS = [a_result("2823-3"), a_result("14879-1")]
ROWS = [
    ("in range", [a_result()], set()),
    ("on the lower limit", [a_result(value=0.7)], set()),
    ("on the upper limit", [a_result(value=1.0)], set()),
    ("under it", [a_result(value=0.69)], {"low"}),
    ("over it", [a_result(value=1.01)], {"high"}),
    ("just fresh", [a_result(hours=0)], set()),
    ("just not", [a_result(hours=-0.001)], {"stale"}),
    ("none", [], {"missing"}),
    ("only provisional", [a_result(status="preliminary")], {"missing"}),
    ("a comparator", [a_result(valueQuantity={"value": 0.8, "code": "mmol/L", "comparator": ">"})], {"unproven"}),
    ("no range", [a_result(referenceRange=[])], {"unproven"}),
    ("a range in another unit", [a_result(valueQuantity={"value": 0.8, "code": "mg/dL"})], {"unproven"}),
    ("a later one is low", [a_result(), a_result(value=0.5, hours=2)], {"low"}),
    ("an earlier one is low", [a_result(), a_result(value=0.5, hours=0.5)], set()),
    ("one of two at once is low", [a_result(), a_result(value=0.5)], {"low"}),
]


@pytest.mark.parametrize(("results", "why"), [pytest.param(*row[1:], id=row[0]) for row in ROWS])
def test_the_simple_rule_holds_for_every_want_of_proof(results: list[Json], why: set[str]) -> None:
    bundle = {"entry": [{"resource": one} for one in [*OTHERS, *results]]}
    assert simple_rule.held_for(bundle, SINCE) == why


def a_report(*kept: Any) -> str:
    return "\n".join(["# Speed", "", f"## {figures.HEADING}", "", *figures.table(kept)])


def test_a_report_is_read_back_as_it_was_written() -> None:
    written = [figures.Figure("a ratio", 1.66, at_most=1.3), figures.Figure("requests", 9324, noise=0)]
    found = figures.kept(a_report(*written))
    assert {name: (one.value, one.noise) for name, one in found.items()} == {
        "a ratio": (1.66, 25),
        "requests": (9324, 0),
    }
    assert [one.met for one in written] == ["**no**", ""]


def test_what_was_not_measured_again_stays_in_the_report() -> None:
    before = a_report(figures.Figure("old", 1.0), figures.Figure("both", 2.0, at_most=3))
    after = figures.table([figures.Figure("both", 4.0, at_most=3), figures.Figure("new", 5.0)], before)
    assert after[-3:] == [
        "| old | 1 | ± 25 % |  |  |",
        "| both | 4 | ± 25 % | at most 3 | **no** |",
        "| new | 5 | ± 25 % |  |  |",
    ]


@pytest.mark.parametrize(
    ("value", "noise", "again", "outside"),
    [
        (2.0, 25, 2.5, False),
        (2.0, 25, 2.51, True),
        (2.0, 25, 1.5, False),
        (2.0, 25, 1.49, True),
        (934, 0, 934, False),
        (934, 0, 935, True),
    ],
)
def test_a_fresh_figure_is_outside_only_past_the_stated_noise(
    value: float, noise: float, again: float, outside: bool
) -> None:
    before = figures.kept(a_report(figures.Figure("it", value, noise)))
    assert bool(list(figures.differences([figures.Figure("it", again, noise)], before))) is outside


def test_a_figure_that_the_report_lacks_is_told() -> None:
    assert list(figures.differences([figures.Figure("new", 1.0)], {}))
