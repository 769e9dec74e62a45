"""Files of every unhappy kind: one clear line each, no traceback, no patient data."""

import json
from datetime import UTC, datetime
from typing import Any

import pytest

from andante.chart.bundle import ChartFile, read_charts
from andante.errors import InputError

NOW = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
PATIENT = {"resourceType": "Patient", "id": "a", "name": [{"family": "Testfall"}]}
LAB = {
    "resourceType": "Observation",
    "id": "k1",
    "status": "final",
    "code": {"text": "potassium"},
    "subject": {"reference": "Patient/a"},
    "valueQuantity": {"value": 3.90, "unit": "mmol/L"},
}


def read(data: bytes | str) -> ChartFile:
    return read_charts(data if isinstance(data, bytes) else data.encode(), now=NOW)


def bundle(*resources: dict[str, Any], kind: str = "collection", **more: Any) -> str:
    entries = [{"resource": resource} for resource in resources]
    return json.dumps({"resourceType": "Bundle", "type": kind, "entry": entries, **more})


def keys(file: ChartFile) -> list[str]:
    return [resource.key for chart in file.charts for resource in chart.resources()]


@pytest.mark.parametrize("kind", ["collection", "searchset", "transaction", "batch"])
def test_every_kind_of_bundle_that_holds_a_chart_is_read(kind: str) -> None:
    assert keys(read(bundle(PATIENT, LAB, kind=kind))) == ["Patient/a", "Observation/k1"]


@pytest.mark.parametrize(
    "data",
    [
        f"{json.dumps(PATIENT)}\n{json.dumps(LAB)}\n",
        f"{json.dumps(PATIENT)}\r\n\r\n{json.dumps(LAB)}",
        f"\n{json.dumps(LAB)}\n{json.dumps(PATIENT)}\n\n",
    ],
)
def test_ndjson_is_read_line_by_line(data: str) -> None:
    assert keys(read(data)) == ["Patient/a", "Observation/k1"]


def test_a_single_resource_is_a_file_of_one() -> None:
    assert keys(read(json.dumps(LAB, indent=2))) == ["Observation/k1"]


def test_a_byte_order_mark_is_no_harm() -> None:
    assert keys(read(b"\xef\xbb\xbf" + bundle(PATIENT).encode())) == ["Patient/a"]


def test_an_empty_bundle_is_a_file_without_patients() -> None:
    assert read('{"resourceType":"Bundle","type":"collection"}').charts == ()


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"", "empty"),
        (b" \n ", "empty"),
        (b"not json", "not JSON"),
        (b"[1, 2]", "array"),
        (b"<html><body>sign in</body></html>", "XML or HTML"),
        (b'{"name": "Testfall"}', "no resourceType"),
        (b'{"resourceType": 7}', "not JSON"),
        (bundle(PATIENT, LAB)[:-20].encode(), "cut short"),
        (json.dumps(json.loads(bundle(PATIENT, LAB)), indent=1)[:-20].encode(), "cut short"),
        (f"{json.dumps(PATIENT)}\n{json.dumps(LAB)[:-9]}".encode(), "cut short in its last line"),
        (bundle(PATIENT).encode() + b" trailing", "not JSON"),
        (bundle(PATIENT).encode("utf-16"), "not UTF-8"),
        (bundle(PATIENT).encode("utf-16-le"), "not UTF-8"),
        (bundle(PATIENT).encode("utf-16-be"), "not UTF-8"),
        (bundle(PATIENT).encode("utf-32"), "not UTF-8"),
        (bundle(PATIENT).replace("Testfall", "Prüf").encode("latin-1"), "not UTF-8"),
        (bundle(PATIENT, kind="document").encode(), "holds no chart"),
        (bundle(PATIENT, kind="message").encode(), "holds no chart"),
        (bundle(PATIENT, kind="transaction-response").encode(), "holds no chart"),
        (b'{"resourceType":"Bundle"}', "holds no chart"),
        (b'{"resourceType":"Bundle","type":"collection","entry":{"a":1}}', "malformed"),
        (b'{"resourceType":"Bundle","type":"collection","x":' + b"[" * 99_999 + b"]" * 99_999 + b"}", "deeply"),
        (b"[" * 99_999, "array"),
    ],
)
def test_unusable_files_get_one_clear_line(data: bytes, told: str) -> None:
    with pytest.raises(InputError, match=told) as raised:
        read(data)
    assert "\n" not in str(raised.value)
    assert "Testfall" not in str(raised.value)


def test_a_note_of_ten_megabytes_is_read_or_left_alone_but_stops_nothing() -> None:
    noted = {**LAB, "note": [{"text": "x" * 10_000_000}]}
    (chart,) = read(bundle(PATIENT, noted)).charts
    assert len(chart.observations[0].note[0].text or "") == 10_000_000


def test_ten_megabytes_in_a_broken_resource_do_not_reach_the_problem() -> None:
    noted = {**LAB, "status": {"x": "y" * 10_000_000}}
    (chart,) = read(bundle(PATIENT, noted)).charts
    (problem,) = chart.problems
    assert len(problem.text) < 300


def test_a_line_that_is_not_json_is_a_problem_and_the_rest_is_read() -> None:
    file = read(f"{json.dumps(PATIENT)}\n{{broken\n{json.dumps(LAB)}\n")
    assert keys(file) == ["Patient/a", "Observation/k1"]
    assert [(p.code, p.reference) for p in file.unassigned] == [("unreadable-resource", "line 2")]


def test_one_resource_nested_too_deeply_is_a_problem_and_the_rest_is_read() -> None:
    deep = '{"resourceType":"Observation","x":' + "[" * 5_000 + "]" * 5_000 + "}"
    file = read(f"{json.dumps(PATIENT)}\n{deep}\n")
    assert keys(file) == ["Patient/a"]
    assert len(file.unassigned) == 1


def test_malformed_entries_are_counted_and_the_rest_is_read() -> None:
    data = json.loads(bundle(PATIENT))
    data["entry"] += ["nonsense", {"fullUrl": 7, "resource": LAB}, {"fullUrl": "urn:uuid:1"}]
    file = read(json.dumps(data))
    assert keys(file) == ["Patient/a", "Observation/k1"]
    assert [p.text for p in file.unassigned] == [
        "an entry without a resource",
        "entries of the Bundle that hold nothing to read: 1",
    ]


@pytest.mark.parametrize(
    ("more", "incomplete"),
    [
        ({"link": [{"relation": "next", "url": "https://x.example.org/fhir?p=2"}]}, True),
        ({"total": 3}, True),
        ({"total": 2}, False),
        ({"link": [{"relation": "self", "url": "https://x.example.org/fhir"}]}, False),
    ],
)
def test_a_part_of_a_search_says_that_it_is_incomplete(more: dict[str, Any], incomplete: bool) -> None:
    (chart,) = read(bundle(PATIENT, LAB, kind="searchset", **more)).charts
    assert bool(chart.incomplete) is incomplete


def test_types_that_are_never_read_are_counted() -> None:
    file = read(bundle(PATIENT, {"resourceType": "Practitioner"}, {"resourceType": "Practitioner"}))
    assert (keys(file), file.passed_over) == (["Patient/a"], {"Practitioner": 2})


def test_the_servers_own_remark_in_a_searchset_is_kept() -> None:
    outcome = {"resourceType": "OperationOutcome", "issue": [{"severity": "warning", "code": "not-supported"}]}
    file = read(bundle(PATIENT, outcome, kind="searchset"))
    assert [(p.code, "not-supported" in p.text) for p in file.unassigned] == [("filters-ignored", True)]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"valueQuantity": {"value": "high"}}, "valueQuantity"),
        ({"valueQuantity": {"value": "NaN"}}, "valueQuantity"),
        ({"valueQuantity": {"value": "Infinity"}}, "valueQuantity"),
        ({"valueQuantity": {"value": True}}, "valueQuantity"),
        ({"status": ["final"]}, "status"),
        ({"code": "potassium"}, "code"),
        ({"referenceRange": {"low": 1}}, "referenceRange"),
        ({"component": [{"valueQuantity": [1]}]}, "component[0].valueQuantity"),
    ],
)
def test_an_unreadable_resource_is_named_with_its_path_and_without_its_values(
    change: dict[str, Any], told: str
) -> None:
    (chart,) = read(bundle(PATIENT, LAB, {**LAB, "id": "k2", "note": [{"text": "secret"}], **change})).charts
    assert [o.id for o in chart.observations] == ["k1"]
    (problem,) = chart.problems
    assert (problem.code, problem.reference) == ("unreadable-resource", "Observation/k2")
    assert told in problem.text
    assert not any(value in problem.text for value in ("secret", "potassium", "high"))


def test_decimals_keep_their_digits() -> None:
    file = read(bundle(PATIENT, LAB).replace("3.9", "3.90"))
    quantity = file.charts[0].observations[0].value_quantity
    assert quantity is not None
    assert str(quantity.value) == "3.90"
