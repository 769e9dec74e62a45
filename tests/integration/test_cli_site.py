"""`andante site check`: the file, and what is met in charts and on a server that it does not know; nobody is named."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from andante.demo import read_script, staged
from commands import PATIENTS, Shell

EXAMPLE = Path(__file__).parents[2] / "deploy" / "site.example.toml"
NOW = "2031-03-27T06:30:00Z"
LOCAL = "https://hospital.example/lab"
Json = dict[str, Any]


@pytest.fixture
def shell(capfdbinary: pytest.CaptureFixture[bytes], monkeypatch: pytest.MonkeyPatch) -> Shell:
    monkeypatch.setenv("COLUMNS", "160")
    for name in ("ANDANTE_SITE", "ANDANTE_FHIR_BASE"):
        monkeypatch.delenv(name, raising=False)
    return Shell(capfdbinary, monkeypatch)


def coding(system: str, code: str, **more: str) -> Json:
    return {"coding": [{"system": system, "code": code, **more}]}


def a_lab(identity: str, code: Json, unit: str = "mmol/L", **more: Any) -> Json:
    return {
        "resourceType": "Observation",
        "id": identity,
        "status": "final",
        "subject": {"reference": "Patient/quill"},
        "category": [coding("http://terminology.hl7.org/CodeSystem/observation-category", "laboratory")],
        "code": code,
        "effectiveDateTime": "2031-03-27T05:00:00Z",
        "valueQuantity": {"value": 4.1, "unit": unit, "system": "http://unitsofmeasure.org", "code": unit},
        **more,
    }


CHART: list[Json] = [
    {"resourceType": "Patient", "id": "quill", "birthDate": "1960-01-01", "name": [{"family": "Quillfeather"}]},
    a_lab("1", coding("http://loinc.org", "2823-3")),
    a_lab("2", coding(LOCAL, "KS", display="Potassium, serum")),
    a_lab("3", coding(LOCAL, "KS", display="Potassium, serum")),
    a_lab("4", coding(LOCAL, "NA", display="Sodium")),
    a_lab("5", coding(LOCAL, "Anna Quillfeather 1960")),
    a_lab("6", {"text": "Kalium"}),
    a_lab("7", coding("http://loinc.org", "2823-3"), unit="furlong"),
    {
        "resourceType": "NutritionOrder",
        "id": "feed",
        "status": "active",
        "intent": "order",
        "patient": {"reference": "Patient/quill"},
        "dateTime": "2031-03-26T08:00:00Z",
        "enteralFormula": {
            "baseFormulaType": coding("https://hospital.example/feeds", "HE15"),
            "administration": [{"rateQuantity": {"value": 40, "unit": "mL/h"}}],
        },
    },
    {
        "resourceType": "MedicationRequest",
        "id": "drug",
        "status": "active",
        "intent": "order",
        "subject": {"reference": "Patient/quill"},
        "medicationCodeableConcept": coding("https://hospital.example/drugs", "GLUC20", display="glucose 20 %"),
    },
    {
        "resourceType": "Encounter",
        "id": "stay",
        "status": "in-progress",
        "subject": {"reference": "Patient/quill"},
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
        "location": [{"location": {"reference": "Location/ward-9"}}],
    },
]


@pytest.fixture
def chart(tmp_path: Path) -> Path:
    path = tmp_path / "chart.json"
    entries = [{"resource": resource} for resource in CHART]
    path.write_text(json.dumps({"resourceType": "Bundle", "type": "collection", "entry": entries}))
    return path


@pytest.fixture
def site(tmp_path: Path) -> Callable[[str], Path]:
    def write(text: str) -> Path:
        path = tmp_path / "site.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def rows(out: str, title: str) -> list[str]:
    """The rows of one table, their columns set apart by single blanks."""
    part = out.partition(title)[2].partition("\n\n")[0]
    return [" ".join(line.split()) for line in part.splitlines()[2:]]


def test_a_file_that_is_fit_is_said_to_be(shell: Shell) -> None:
    done = shell("site", "check", "--site", EXAMPLE)
    assert (done.status, done.err) == (0, "")
    assert "fit to be used: 7 changes to the codes, 2 formulas, 2 wards, 4 of 4 routed, 2 escalations" in done.out


def test_every_fault_is_told_and_the_exit_status_says_so(shell: Shell, site: Callable[[str], Path]) -> None:
    done = shell("site", "check", "--site", site('[routing]\nnurse = "x"\ncook = "Organization/1"\n'))
    assert (done.status, done.out) == (2, "")
    assert "site.toml: routing.nurse: write a reference" in done.err
    assert "site.toml: routing.cook:" in done.err


def test_a_density_the_protocol_would_not_believe_is_a_fault(shell: Shell, site: Callable[[str], Path]) -> None:
    strange = EXAMPLE.read_text(encoding="utf-8").replace("kcal-per-ml = 1.5", "kcal-per-ml = 150")
    done = shell("site", "check", "--site", site(strange))
    assert done.status == 2
    assert "formula HE15: 150 kcal/mL is not plausible" in done.err


def test_the_other_commands_do_not_start_on_a_bad_file(shell: Shell, site: Callable[[str], Path], chart: Path) -> None:
    done = shell("advise", chart, "--now", NOW, "--site", site("[routing]\nnurse = 1\n"))
    assert done.status == 2
    assert "routing.nurse" in done.err


def test_what_a_chart_holds_and_the_file_does_not_is_counted(shell: Shell, chart: Path) -> None:
    out = shell("site", "check", chart, "--now", NOW).out
    assert "Looked through 1 charts, 0 of them not read whole." in out
    assert rows(out, "Laboratory codes: 2 known; 4 kinds not") == [
        f"2 {LOCAL}|KS its text speaks of potassium",
        "1 (no code, only text) its text speaks of potassium",
        "1 (not shown: does not look like a code)",
        f"1 {LOCAL}|NA",
    ]
    assert rows(out, "Units: 2 known; 1 kinds not") == ["1 furlong for potassium"]
    assert rows(out, "Formulas without a density: 0 known; 1 kinds not") == [
        "1 https://hospital.example/feeds|HE15 its energy cannot be summed"
    ]
    assert rows(out, "Drugs: 0 known; 1 kinds not") == [
        "1 https://hospital.example/drugs|GLUC20 its text speaks of what carries energy"
    ]
    assert rows(out, "Locations: 0 known; 1 kinds not") == ["1 Location/ward-9"]


def test_nothing_of_the_patient_is_shown(shell: Shell, chart: Path) -> None:
    done = shell("site", "check", chart, "--now", NOW)
    for told in ("quill", "Quill", "Anna", "1960", "4.1", "Kalium"):
        assert told not in done.out + done.err


def test_what_the_file_knows_is_no_longer_listed(shell: Shell, chart: Path, site: Callable[[str], Path]) -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    text = text.replace("https://lanternmoor.example/laboratory", LOCAL)
    text = text.replace("https://lanternmoor.example/formulary/feeds", "https://hospital.example/feeds")
    text = text.replace("Location/ward-heron", "Location/ward-9")
    out = shell("site", "check", chart, "--now", NOW, "--site", site(text)).out
    assert "|KS" not in out
    assert "Formulas without a density: 1 known; 0 kinds not" in out
    assert "Locations: 1 known; 0 kinds not" in out


def test_a_server_is_looked_through_as_a_round_reads_it(shell: Shell) -> None:
    with staged(read_script(("plain-course", "severe-fall"))) as stage:
        stage.play_until(read_script(("plain-course",)).known[-1][0])
        done = shell("site", "check", "--fhir", stage.base, "--site", EXAMPLE)
        assert not stage.written
    assert done.status == 0
    assert "Looked through" in done.out


def test_a_file_and_a_server_at_once_are_refused(shell: Shell, chart: Path) -> None:
    assert shell("site", "check", chart, "--fhir", "http://127.0.0.1:9/fhir").status == 2


@pytest.mark.parametrize("story", sorted(path.name for path in PATIENTS.iterdir())[:6])
def test_the_fictional_hospital_has_no_unit_and_no_analyte_that_is_not_known(shell: Shell, story: str) -> None:
    out = shell("site", "check", PATIENTS / story / "chart.json", "--now", "2031-04-03T20:00:00Z").out
    assert "0 kinds not" in out.partition("Units:")[2].partition("\n")[0]
    assert "speaks of" not in out
