"""A result that cannot be decoded may be the newest low: it holds, and it never disappears."""

import json
from datetime import UTC, datetime

import pytest

from andante.chart.bundle import read_charts
from andante.chart.codes import load_codes
from andante.chart.to_picture import to_picture
from andante.domain.quantities import Analyte

NOW = datetime(2031, 3, 5, 6, 30, tzinfo=UTC)
CODES = load_codes()


def _picture(observation: dict[str, object]):  # type: ignore[no-untyped-def]
    resources = [{"resourceType": "Patient", "id": "p", "birthDate": "1970-01-01"}, observation]
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": r} for r in resources]}
    (chart,) = read_charts(json.dumps(bundle).encode(), now=NOW).charts
    return to_picture(chart, CODES, UTC)


def _broken(**changes: object) -> dict[str, object]:
    return {
        "resourceType": "Observation",
        "id": "k",
        "status": "final",
        "subject": {"reference": "Patient/p"},
        "code": {"coding": [{"system": "http://loinc.org", "code": "2823-3"}]},
        "effectiveDateTime": "2031-03-05T05:00:00Z",
        "valueQuantity": ["not", "a", "quantity"],
        **changes,
    }


def test_an_undecodable_potassium_is_an_unreadable_result_at_its_own_time() -> None:
    picture = _picture(_broken())
    (result,) = picture.results
    assert (result.analyte, result.level) == (Analyte.POTASSIUM, None)
    assert result.collected == datetime(2031, 3, 5, 5, tzinfo=UTC)
    assert [n.code for n in picture.notes] == ["unreadable-resource"]


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"status": "entered-in-error"}, "void: it does not exist"),
        ({"code": {"coding": [{"system": "http://loinc.org", "code": "2951-2"}]}}, "sodium is none of the three"),
        ({"code": "potassium"}, "a code that cannot be read names nothing"),
    ],
)
def test_what_names_no_analyte_is_only_noted(changes: dict[str, object], reason: str) -> None:
    picture = _picture(_broken(**changes))
    assert picture.results == (), reason
    assert "unreadable-resource" in [n.code for n in picture.notes]


def test_an_unreadable_time_leaves_the_result_undated() -> None:
    (result,) = _picture(_broken(effectiveDateTime="5 March")).results
    assert result.collected is None
