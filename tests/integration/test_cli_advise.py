"""`advise` and `explain`: what they print, how they end, and that bad input ends in one clear line."""

import json
import sys
from pathlib import Path
from typing import Any

import pytest

from commands import EXAMPLES, PATIENTS, Done, Shell

CHART = PATIENTS / "plain-course" / "chart.json"
PATIENT = "quillfeather"
NOW = "2031-03-27T06:30:00+00:00"


@pytest.fixture
def shell(capfdbinary: pytest.CaptureFixture[bytes], monkeypatch: pytest.MonkeyPatch) -> Shell:
    return Shell(capfdbinary, monkeypatch)


def as_bundle(kind: str, *resources: dict[str, Any]) -> bytes:
    return json.dumps(
        {"resourceType": "Bundle", "type": kind, "entry": [{"resource": one} for one in resources]}
    ).encode()


A_PATIENT = {"resourceType": "Patient", "id": "p1", "birthDate": "1970-01-01"}
ANOTHER = {"resourceType": "Patient", "id": "p2", "birthDate": "1960-01-01"}


def test_text_is_for_people_and_ends_well(shell: Shell) -> None:
    done = shell("advise", CHART, "--now", NOW)
    assert done.status == 0
    assert "Stay at 50 mL/h (1200 kcal/day)" in done.out
    assert "Nothing has been ordered." in done.out
    assert done.err == ""
    assert max(len(line) for line in done.out.splitlines()) <= 100


def test_json_is_one_object_per_patient_and_line(shell: Shell, tmp_path: Path) -> None:
    file = tmp_path / "two.ndjson"
    file.write_text(f"{json.dumps(A_PATIENT)}\n{json.dumps(ANOTHER)}\n")
    done = shell("advise", file, "--now", NOW, "--format", "json")
    assert done.status == 0
    bodies = [json.loads(line) for line in done.out.splitlines()]
    assert [body["patient"] for body in bodies] == ["Patient/p1", "Patient/p2"]
    assert {body["protocol"]["id"] for body in bodies} == {"aspen-2020"}


def test_fhir_is_the_transaction_that_a_round_would_send(shell: Shell) -> None:
    done = shell("advise", CHART, "--now", NOW, "--format", "fhir")
    assert done.status == 0
    (bundle,) = [json.loads(line) for line in done.out.splitlines()]
    assert (bundle["resourceType"], bundle["type"]) == ("Bundle", "transaction")
    assert {entry["resource"]["resourceType"] for entry in bundle["entry"]} == {"Task", "Provenance"}


@pytest.mark.parametrize("kind", ["collection", "searchset", "transaction"])
def test_the_bundles_of_the_contract_are_read(shell: Shell, tmp_path: Path, kind: str) -> None:
    file = tmp_path / "chart.json"
    file.write_bytes(as_bundle(kind, A_PATIENT))
    done = shell("advise", file, "--now", NOW, "--format", "json")
    assert done.status == 0
    assert json.loads(done.out)["patient"] == "Patient/p1"


def test_a_hyphen_reads_standard_input(shell: Shell, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    piped = tmp_path / "piped"
    piped.write_bytes(CHART.read_bytes())
    with piped.open() as stream:
        monkeypatch.setattr(sys, "stdin", stream)
        done = shell("advise", "-", "--now", NOW, "--format", "json")
    assert json.loads(done.out)["advice"]["code"] == "stay"


def test_another_protocol_and_the_sites_numbers_are_named_in_the_answer(shell: Shell, tmp_path: Path) -> None:
    site = tmp_path / "site.yaml"
    site.write_text("energy:\n  goal: {value: 25, unit: kcal/kg/d, source: nutrition board, tag: site}\n")
    done = shell("advise", CHART, "--now", NOW, "--format", "json", "--protocol", "nice-cg32", "--overlay", site)
    body = json.loads(done.out)
    assert body["protocol"]["id"] == "nice-cg32"
    assert body["protocol"]["overlay"] == ["energy.goal: 25 kcal/kg/d instead of 30 (site: nutrition board)"]


def test_the_instant_decides_what_is_known(shell: Shell) -> None:
    early = shell("advise", CHART, "--now", "2031-03-24T06:30:00+00:00", "--format", "json")
    late = shell("advise", CHART, "--now", NOW, "--format", "json")
    assert json.loads(early.out)["advice"]["code"] == "start"
    assert json.loads(late.out)["feeding"]["day"] == 3


# --------------------------------------------------------------------------- bad input

BAD_INSTANTS = [
    ("2031-03-27T06:30:00", "must carry a time zone"),
    ("2031-03-27", "must carry a time zone"),
    ("yesterday", "not an instant"),
    ("", "not an instant"),
    ("2031-02-30T06:30:00Z", "not an instant"),
    ("0001-01-01T00:00:00+14:00", "must lie between"),
]


@pytest.mark.parametrize(("instant", "why"), BAD_INSTANTS)
def test_an_instant_that_is_none_is_refused(shell: Shell, instant: str, why: str) -> None:
    refused(shell("advise", CHART, "--now", instant), why)


BAD_FILES = [
    (b"", "empty"),
    (b"not json", "not JSON"),
    (b"{", "JSON"),
    (b"<html><body>Sign in</body></html>", "XML or HTML"),
    (b'{"resourceType": "Bundle", "type": "collection", "entry": [', "cut short"),
    (b"[]", "array"),
    (b"{}", "no resourceType"),
    (b'{"resourceType": "Bundle", "type": "document", "entry": []}', "type that holds no chart"),
    (b'{"resourceType": "Bundle", "entry": []}', "type that holds no chart"),
    (b'{"resourceType": "Bundle", "type": "collection"}', "no patient"),
    (b'{"resourceType": "Device", "id": "d"}', "no patient"),
    ("{}".encode("utf-16"), "UTF-8"),
    (b"\xff\xfe", "UTF-8"),
    (b"[" * 100_000, "array"),
    (b'{"a":' * 100_000, "nested too deeply"),
]


@pytest.mark.parametrize(("data", "why"), BAD_FILES)
def test_a_file_that_holds_no_chart_is_refused(shell: Shell, tmp_path: Path, data: bytes, why: str) -> None:
    file = tmp_path / "chart"
    file.write_bytes(data)
    refused(shell("advise", file, "--now", NOW), why)


@pytest.mark.parametrize("name", ["nowhere.json", ".", "a\x00b"])
def test_a_file_that_cannot_be_opened_is_refused(shell: Shell, name: str) -> None:
    refused(shell("advise", name, "--now", NOW), "")


def test_an_unknown_protocol_is_refused(shell: Shell) -> None:
    refused(shell("advise", CHART, "--now", NOW, "--protocol", "aspen-1999"), "known: aspen-2020")


def test_a_misspelt_setting_is_refused(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ANDANTE_PROTOCOLL", "nice-cg32")
    refused(shell("advise", CHART, "--now", NOW), "no setting ANDANTE_PROTOCOLL")


def test_wrong_usage_ends_with_status_2_and_no_traceback(shell: Shell) -> None:
    for arguments in (["advise", CHART], ["advise", CHART, "--now", NOW, "--format", "pdf"], ["advice"]):
        done = shell(*arguments)
        assert done.status == 2
        assert "Traceback" not in done.err


def refused(done: Done, why: str) -> None:
    assert done.status == 2
    assert done.out == ""
    assert why in done.err
    assert len(done.err.splitlines()) == 1
    assert done.err.startswith("andante: ")


def test_one_bad_resource_is_a_note_and_not_a_failure(shell: Shell, tmp_path: Path) -> None:
    file = tmp_path / "chart.json"
    bad = {"resourceType": "Observation", "id": "o1", "subject": {"reference": "Patient/p1"}, "status": 7}
    nobody = {"resourceType": "Observation", "id": "o2", "status": "final", "code": {"text": "x"}}
    file.write_bytes(as_bundle("collection", A_PATIENT, bad, nobody))
    done = shell("advise", file, "--now", NOW, "--format", "json")
    assert done.status == 0
    assert any("o1" in (note["source"] or "") for note in json.loads(done.out)["data_quality"])
    assert "set aside, of no patient" in done.err
    assert "Observation/o2" in done.err


def test_every_public_example_resource_ends_with_advice_or_one_clear_line(shell: Shell) -> None:
    examples = sorted(EXAMPLES.glob("*.json"))
    assert examples
    for example in examples:
        done = shell("advise", example, "--now", NOW, "--format", "json")
        assert done.status in (0, 2), example.name
        assert "Traceback" not in done.err
        if done.status == 0:
            for line in done.out.splitlines():
                assert json.loads(line)["advice"]["code"]


# --------------------------------------------------------------------------- explain


def test_the_derivation_names_rules_sources_and_protocol_entries(shell: Shell) -> None:
    done = shell("explain", PATIENT, "--chart", CHART, "--now", NOW)
    assert done.status == 0
    text = " ".join(done.out.split())
    assert "protocol energy.step_interval = 24 h" in text
    assert "[Observation/quillfeather-draw-08-k/_history/1]" in text
    assert "interval-open" in text


def test_a_reference_names_the_patient_too(shell: Shell) -> None:
    assert shell("explain", f"Patient/{PATIENT}", "--chart", CHART, "--now", NOW).status == 0


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        (["nobody", "--chart", CHART], "not in the file"),
        (["../../etc", "--chart", CHART], "FHIR id"),
        ([PATIENT], "either a chart file"),
        ([PATIENT, "--chart", CHART, "--fhir", "http://127.0.0.1:9/fhir"], "either a chart file"),
        ([PATIENT, "--fhir", "ftp://x"], "http or https"),
    ],
)
def test_explain_refuses_what_it_cannot_use(shell: Shell, arguments: list[object], why: str) -> None:
    refused(shell("explain", *arguments, "--now", NOW), why)


# --------------------------------------------------------------------------- protocols, help, version


def test_protocols_can_be_shown_checked_and_compared(shell: Shell, tmp_path: Path) -> None:
    assert "ASPEN 2020 abstract" in shell("protocol", "show").out
    assert "fit to be used" in shell("protocol", "check", "aspen-2020", "nice-cg32").out
    compared = shell("protocol", "compare", "aspen-2020", "nice-cg32").out
    assert "start-lowest" in compared
    assert "risk.counting" in compared
    bad = tmp_path / "bad.yaml"
    bad.write_text("energy:\n  step: {value: 400, unit: '%', source: board, tag: site}\n")
    refused(shell("protocol", "check", "aspen-2020", "--overlay", bad), "energy.step")


@pytest.mark.parametrize(
    "command", [[], ["advise"], ["explain"], ["round"], ["serve"], ["demo"], ["protocol"], ["protocol", "show"]]
)
def test_every_command_has_help(shell: Shell, command: list[str]) -> None:
    done = shell(*command, "--help")
    assert done.status == 0
    assert "Usage" in done.out


def test_the_version_is_told(shell: Shell) -> None:
    from andante import __version__

    assert shell("--version").out == f"andante {__version__}\n"


def test_serve_needs_a_server_a_zone_and_a_token_beyond_loopback(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    refused(shell("serve"), "ANDANTE_FHIR_BASE")
    monkeypatch.setenv("ANDANTE_FHIR_BASE", "http://127.0.0.1:9/fhir")
    refused(shell("serve"), "ANDANTE_ZONE")
    monkeypatch.setenv("ANDANTE_ZONE", "Europe/Vienna")
    refused(shell("serve", "--host", "0.0.0.0"), "ANDANTE_API_TOKEN")
