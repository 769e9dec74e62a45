"""`advise`, `explain` and `protocol` over files that mean harm: one clear line or a named note, and nothing fed on."""

import copy
import gzip
import io
import json
import unicodedata
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from andante import app, settings
from andante.assess import assess_chart
from andante.chart.bundle import read_charts
from andante.chart.bundle_file import MAX_ENTRIES
from andante.chart.to_picture import to_picture
from andante.domain.picture import Picture
from andante.present.as_json import assessment_json, encode
from andante.present.as_text import assessment_view, explanation_view
from andante.writeback.writer import transaction_bundle
from commands import PATIENTS, Done, Shell

Json = dict[str, Any]
Change = Callable[[list[Json]], object]
NOW = datetime.fromisoformat("2031-03-27T06:30:00+00:00")
SERVICE = app.build(settings.defaults(zone="Europe/Vienna"))
FED = ("start", "advance")
PATIENT = "Patient/fennimore-pugh"
UCUM = "http://unitsofmeasure.org"
EVIL = "\x1b[31mEVIL\x07\u202eRTL\x00\x9b31m\r\nandante: forged\u2028"


@pytest.fixture
def shell(capfdbinary: pytest.CaptureFixture[bytes], monkeypatch: pytest.MonkeyPatch) -> Shell:
    return Shell(capfdbinary, monkeypatch)


@pytest.fixture
def chart(tmp_path: Path) -> Callable[[bytes | list[Json]], Path]:
    """Writes a chart file: its bytes, or the resources of a Bundle."""

    def write(content: bytes | list[Json]) -> Path:
        file = tmp_path / "chart.json"
        file.write_bytes(content if isinstance(content, bytes) else bundle(content))
        return file

    return write


def bundle(resources: list[Json], kind: str = "collection") -> bytes:
    entries = [{"resource": resource} for resource in resources]
    return json.dumps({"resourceType": "Bundle", "type": kind, "entry": entries}).encode()


def known(story: str) -> list[Json]:
    """The newest version of each of a story's resources, as known at NOW."""
    newest: dict[tuple[str, str], Json] = {}
    for entry in json.loads((PATIENTS / story / "chart.json").read_bytes())["entry"]:
        resource = entry["resource"]
        key = resource["resourceType"], resource["id"]
        is_newer = key not in newest or int(newest[key]["meta"]["versionId"]) < int(resource["meta"]["versionId"])
        if datetime.fromisoformat(resource["meta"]["lastUpdated"]) <= NOW and is_newer:
            newest[key] = resource
    return list(newest.values())


ADVANCING = known("severe-fall")


def changed(change: Change) -> list[Json]:
    """The chart of a patient who is to advance, with something done to it."""
    resources = copy.deepcopy(ADVANCING)
    change(resources)
    return resources


def of(kind: str, resources: list[Json]) -> list[Json]:
    return [resource for resource in resources if resource["resourceType"] == kind]


def advise(shell: Shell, file: Path, how: str = "json") -> Done:
    done = shell("advise", file, "--now", NOW.isoformat(), "--format", how)
    assert done.status == 0, done.err
    return done


def said(content: bytes | list[Json]) -> list[Json]:
    """What `advise` says in JSON; that text and FHIR can be made of it too is tried on the way."""
    bodies = []
    for one in read_charts(content if isinstance(content, bytes) else bundle(content), now=NOW).charts:
        found = assess_chart(one, SERVICE.basis, now=NOW)
        for view in (assessment_view, explanation_view):
            Console(file=io.StringIO(), width=100).print(view(found, SERVICE.basis.zone))
        encode(transaction_bundle(found, SERVICE.site))
        bodies.append(json.loads(encode(assessment_json(found, SERVICE.basis.zone))))
    return bodies


def test_left_alone_the_chart_brings_an_advance() -> None:
    """Else none of the refusals below would prove anything."""
    (body,) = said(ADVANCING)
    assert body["advice"]["code"] == "advance"
    assert body["data_quality"] == []


# --------------------------------------------------------------------------- the whole file


REFUSED: dict[str, tuple[bytes, str]] = {
    "compressed": (gzip.compress(b"{}"), "compressed"),
    "UTF-16, little end first": ('{"resourceType": "Bundle"}'.encode("utf-16-le"), "UTF-8"),
    "UTF-16, big end first": ('{"resourceType": "Bundle"}'.encode("utf-16-be"), "UTF-8"),
    "UTF-32": ("{}".encode("utf-32"), "UTF-8"),
    "Latin-1": ('{"resourceType": "Bündel"}'.encode("latin-1"), "UTF-8"),
    "zeros": (b"\x00" * 4096, "UTF-8"),
    "a byte order mark alone": (b"\xef\xbb\xbf", "empty"),
    "white space": (b" \n\t", "empty"),
    "not a number": (b'{"resourceType": "Bundle", "type": "collection", "total": NaN}', "not JSON"),
    "a document": (bundle([], kind="document"), "holds no chart"),
    "a message": (bundle([], kind="message"), "holds no chart"),
    "an answer to a transaction": (bundle([], kind="transaction-response"), "holds no chart"),
    "a subscription's notice": (bundle([], kind="subscription-notification"), "holds no chart"),
    "a type that is no text": (b'{"resourceType": "Bundle", "type": 5}', "malformed"),
    "a list for the Bundle": (bundle([])[:-1] + b', "link": {}}', "malformed"),
    "nested without end": (b'{"resourceType": "Bundle", "type": "collection", "entry": ' + b"[" * 100_000, "nested"),
    "a million and one entries": (
        b'{"resourceType": "Bundle", "type": "collection", "entry": [{}' + b",{}" * MAX_ENTRIES + b"]}",
        "more than 1000000 entries",
    ),
    "R5": (
        bundle(
            [
                {"resourceType": "Patient", "id": "p"},
                {"resourceType": "NutritionOrder", "id": "n", "subject": {"reference": "Patient/p"}},
                {"resourceType": "NutritionIntake", "id": "i", "subject": {"reference": "Patient/p"}},
            ]
        ),
        "FHIR R5; only R4",
    ),
    "STU3": (
        bundle([{"resourceType": "Observation", "id": "o", "context": {"reference": "Encounter/e"}, "comment": "x"}]),
        "FHIR STU3; only R4",
    ),
    "DSTU2": (bundle([{"resourceType": "MedicationOrder", "id": "m"}]), "FHIR DSTU2; only R4"),
}


@pytest.mark.parametrize(("data", "why"), REFUSED.values(), ids=REFUSED.keys())
def test_a_file_that_cannot_be_a_chart_is_one_clear_line(shell: Shell, chart: Any, data: bytes, why: str) -> None:
    refused(shell("advise", chart(data), "--now", NOW.isoformat()), why)


def refused(done: Done, why: str) -> None:
    assert done.status == 2
    assert done.out == ""
    assert why in done.err
    assert len(done.err.splitlines()) == 1
    assert done.err.startswith("andante: ")
    assert unseen(done.err) == set()


def test_a_byte_order_mark_before_a_chart_is_no_harm() -> None:
    (body,) = said(b"\xef\xbb\xbf" + bundle(ADVANCING))
    assert body["advice"]["code"] == "advance"


def test_half_a_sign_in_a_name_does_not_cost_the_file() -> None:
    """A program that cuts a name after so many UTF-16 units leaves such halves behind."""
    data = bundle(changed(lambda all_: of("Patient", all_)[0].update(name=[{"text": "NAME"}])))
    for half in (rb"\ud83d", rb"\uDC00x", rb"\ud800\ud800", rb"\\\ud83d\ude00\ud83d"):
        (body,) = said(data.replace(b"NAME", half))
        assert body["advice"]["code"] == "advance"


@pytest.mark.parametrize(
    ("now", "why"),
    [
        ("2031-03-27", "time zone"),
        ("2031-03-27T24:00:00Z", "not an instant"),
        ("2031-03-27T23:59:60Z", "not an instant"),
        ("2031-03-27T06:30:00+23:59", "14:00"),
        ("2031-03-27T06:30:00-14:01", "14:00"),
        ("2031-03-27T06:30:00+00:00:30", "whole minutes"),
        ("1899-12-31T23:59:59Z", "between"),
        ("9999-12-31T23:59:59-14:00", "between"),
        ("２０３１-03-27T06:30:00Z", "not an instant"),
        ("2031-03-27T06:30:00Z\x1b[31m", "not an instant"),
        ("1e9", "not an instant"),
    ],
)
def test_an_instant_nobody_can_mean_is_refused(shell: Shell, chart: Any, now: str, why: str) -> None:
    refused(shell("advise", chart(ADVANCING), "--now", now), why)


@pytest.mark.parametrize("now", ["1900-01-01T00:00:00+14:00", "2199-12-31T23:59:59-14:00"])
def test_the_ends_of_what_is_accepted_are_reckoned_with(shell: Shell, chart: Any, now: str) -> None:
    for how in ("json", "text", "fhir"):
        assert shell("advise", chart(ADVANCING), "--now", now, "--format", how).status == 0


def test_a_file_of_numbers_or_codes_that_never_ends_is_refused(shell: Shell, chart: Any) -> None:
    for option in ("--protocol", "--overlay", "--site"):
        refused(shell("advise", chart(ADVANCING), "--now", NOW.isoformat(), option, "/dev/zero"), "zero")


def test_a_file_name_cannot_steer_the_terminal(shell: Shell, tmp_path: Path) -> None:
    refused(shell("advise", tmp_path / "a\x1b[31m\u202eb", "--now", NOW.isoformat()), "No such file")
    refused(shell("protocol", "show", f"{tmp_path}/a\x1b[31m.yaml"), "cannot be read")


# --------------------------------------------------------------------------- texts that mean harm


def unseen(text: str) -> set[str]:
    """Signs that steer a terminal, turn the direction of writing or end a line."""
    return {hex(ord(sign)) for sign in text if sign != "\n" and unicodedata.category(sign) in ("Cc", "Cf", "Cs", "Zl")}


def everywhere(text: str) -> Change:
    """Put the text behind every name, display, remark and unit."""

    def visit(node: Any) -> None:
        if isinstance(node, list):
            for item in node:
                visit(item)
        if isinstance(node, dict):
            for key, value in node.items():
                if key in ("display", "text", "name", "unit") and isinstance(value, str):
                    node[key] = value + text
                else:
                    visit(value)
            if node.get("resourceType") == "Observation":
                node["note"] = [{"text": text}]

    return visit


@pytest.mark.parametrize("story", ["severe-fall", "propofol-bed", "thiamine-gaps", "unreadable-results"])
def test_no_text_of_a_chart_reaches_the_terminal_raw(shell: Shell, chart: Any, story: str) -> None:
    resources = known(story)
    everywhere(EVIL)(resources)
    for resource in of("Observation", resources)[:2]:
        resource["id"] += EVIL
        resource["status"] = EVIL
    file = chart(resources)
    patient = of("Patient", resources)[0]["id"]
    for how in ("text", "json", "fhir"):
        done = advise(shell, file, how)
        assert unseen(done.out) | unseen(done.err) == set()
    assert not any(line.startswith("andante: forged") for line in advise(shell, file, "text").out.splitlines())
    done = shell("explain", patient, "--chart", file, "--now", NOW.isoformat())
    assert done.status == 0
    assert unseen(done.out) | unseen(done.err) == set()


def test_what_belongs_to_no_patient_is_named_in_plain_signs(shell: Shell, chart: Any) -> None:
    stray = {"resourceType": "Observation", "id": EVIL, "status": "final"}
    done = advise(shell, chart([*ADVANCING, stray]))
    assert "of no patient" in done.err
    assert unseen(done.err) == set()
    assert all(line.startswith("andante: ") for line in done.err.splitlines())
    assert not any(line.startswith("andante: forged") for line in done.err.splitlines())


def test_neither_tags_nor_links_of_a_chart_come_alive_in_a_note(shell: Shell, chart: Any) -> None:
    harm = " <script>alert(1)</script> ![x](http://elsewhere.example/?p) [y](javascript:z)\n# Advance to 200 mL/h"
    for story in ("severe-fall", "propofol-bed", "thiamine-gaps"):
        resources = known(story)
        everywhere(harm)(resources)
        for line in advise(shell, chart(resources), "fhir").out.splitlines():
            for text in texts_of(json.loads(line)):
                assert "<script" not in text
                assert "](" not in text
                assert not any(part.startswith("#") for part in text.splitlines())


def texts_of(node: Any) -> list[str]:
    if isinstance(node, list):
        return [text for item in node for text in texts_of(item)]
    if isinstance(node, dict):
        return [text for item in node.values() for text in texts_of(item)]
    return [node] if isinstance(node, str) else []


def test_texts_of_ten_megabytes_are_cut_and_the_note_stays_short(shell: Shell, chart: Any) -> None:
    def change(resources: list[Json]) -> None:
        long = "W" * 10_000_000
        of("Location", resources)[0]["name"] = long
        of("Observation", resources)[0]["note"] = [{"text": long}]
        order = running(resources)
        order["note"] = [{"text": long}]
        order["enteralFormula"] |= {"baseFormulaProductName": long, "administrationInstruction": long}

    file = chart(changed(change))
    assert json.loads(advise(shell, file).out)["advice"]["code"] == "advance"
    assert len(advise(shell, file, "fhir").out) < 100_000


# --------------------------------------------------------------------------- numbers and times


def levels(text: str) -> bytes:
    """Every quantity of every Observation set to a number written so."""

    def change(resources: list[Json]) -> None:
        for resource in of("Observation", resources):
            if "valueQuantity" in resource:
                resource["valueQuantity"]["value"] = 424242

    return bundle(changed(change)).replace(b"424242", text.encode())


@pytest.mark.parametrize(
    "text",
    [
        "1e400", "-1e400", "1e-400", "-0", "0", "-1", "1" * 40 + "." + "3" * 40, "1" * 5000, "0." + "1" * 5000,
        '"1e999999"', '"NaN"', '"abc"', "1e999999999999999999999", "true", "null", "[]", "{}",
    ],
    ids=lambda text: text[:12],
)  # fmt: skip
def test_no_number_nobody_can_mean_is_fed_on(text: str) -> None:
    (body,) = said(levels(text))
    assert body["advice"]["code"] not in FED
    assert body["data_quality"]


def administrations(change: Callable[[Json], object]) -> list[Json]:
    def everyone(resources: list[Json]) -> None:
        for order in of("NutritionOrder", resources):
            for given in order["enteralFormula"]["administration"]:
                change(given)

    return changed(everyone)


def every(**repeat: Any) -> Callable[[Json], object]:
    volume = {"value": 100, "unit": "mL", "system": UCUM, "code": "mL"}
    return lambda given: given.update(schedule={"repeat": repeat}, quantity=volume) or given.pop("rateQuantity", None)


IMPOSSIBLE = {
    "a billion times a second": every(frequency=10**9, period=1, periodUnit="s"),
    "never": every(frequency=0, period=1, periodUnit="d"),
    "less than never": every(frequency=-1, period=1, periodUnit="d"),
    "in no time": every(frequency=1, period=0, periodUnit="d"),
    "in less than no time": every(frequency=1, period=-1, periodUnit="d"),
    "once in an age": every(frequency=1, period=1e300, periodUnit="d"),
    "in a unit without length": every(frequency=1, period=1, periodUnit="a"),
    "longer than there is": every(frequency=6, period=1, periodUnit="d", duration=1e300, durationUnit="h"),
    "for a negative time": every(frequency=6, period=1, periodUnit="d", duration=-4, durationUnit="h"),
    "more often than can be counted": every(frequency=6, period=1, periodUnit="d", count=10**30),
    "a negative number of times": every(frequency=6, period=1, periodUnit="d", count=-1),
    "within a range": every(frequency=6, period=1, periodUnit="d", boundsRange={"low": {"value": 1}}),
    "with meals": every(when=["CM"], frequency=1, period=1, periodUnit="d"),
    "at no time of day": every(timeOfDay=["25:00:00"]),
    "at one time of day twice": every(timeOfDay=["08:00:00", "08:00:00"]),
    "at a hundred thousand times of day": every(timeOfDay=["08:00:00"] * 100_000),
    "a hundred thousand times": lambda given: given.update(schedule={"event": ["2031-03-26T10:00:00Z"] * 100_000}),
    "at a negative rate": lambda given: given["rateQuantity"].update(value=-5),
    "at no rate": lambda given: given["rateQuantity"].update(value=0),
    "at a rate beyond sense": lambda given: given["rateQuantity"].update(value=10**300),
}


@pytest.mark.parametrize("change", IMPOSSIBLE.values(), ids=IMPOSSIBLE.keys())
def test_no_schedule_nobody_can_mean_is_fed_on(change: Callable[[Json], object]) -> None:
    (body,) = said(administrations(change))
    assert body["advice"]["code"] not in FED


def times(text: str) -> list[Json]:
    """Every time of the chart but the birth date set to this."""

    def change(resources: list[Json]) -> None:
        for resource in resources:
            for name in ("effectiveDateTime", "issued", "dateTime", "authoredOn", "recordedDate"):
                if name in resource:
                    resource[name] = text
            if "period" in resource:
                resource["period"]["start"] = text
            if "collection" in resource:
                resource["collection"]["collectedDateTime"] = text

    return changed(change)


@pytest.mark.parametrize(
    "text",
    [
        "", "0001", "0002", "9998", "9999-12-31", "0001-01-01T00:00:00+14:00", "9998-12-31T23:59:59-14:00",
        "2050-01-01T00:00:00Z", "2031-02-30", "2031-03-27T24:00:00Z", "2031-03-26T10:00:00",
        "2031-03-26T10:00:00+99:00", "٢٠٣١-03-26", "2031-03-26T10:00:00." + "1" * 10_000 + "x",
    ],
    ids=lambda text: text[:26],
)  # fmt: skip
def test_no_time_nobody_can_mean_is_fed_on(text: str) -> None:
    (body,) = said(times(text))
    assert body["advice"]["code"] not in FED


# --------------------------------------------------------------------------- who and which


LOW = {"value": 2.9, "unit": "mmol/L", "system": UCUM, "code": "mmol/L"}


def potassium(resources: list[Json]) -> Json:
    """The newest potassium result."""
    found = [r for r in of("Observation", resources) if r["code"]["coding"][0]["code"] == "2823-3"]
    return max(found, key=lambda result: str(result["effectiveDateTime"]))


def running(resources: list[Json]) -> Json:
    """The order in force."""
    (order,) = (order for order in of("NutritionOrder", resources) if order["status"] == "active")
    return order


def test_an_id_used_for_two_patients_loses_neither_of_their_results() -> None:
    """The newer one must not replace the other's, as if it were a later version."""
    mine = changed(lambda resources: potassium(resources).update(valueQuantity=LOW))
    theirs = known("plain-course")
    potassium(theirs)["id"] = potassium(mine)["id"]
    potassium(theirs)["meta"] = {"versionId": "9", "lastUpdated": "2031-03-27T06:29:00Z"}
    for resources in ([*mine, *theirs], [*theirs, *mine]):
        bodies = {body["patient"]: body for body in said(resources)}
        body = bodies[PATIENT]
        assert body["advice"]["code"] not in FED
        assert body["analytes"]["potassium"]["value"] == 2.9
        assert all("shared-id" in {note["code"] for note in body["data_quality"]} for body in bodies.values())


def test_a_result_of_another_patients_stay_may_hold_but_is_not_fed_on() -> None:
    theirs = known("plain-course")
    stay = {"reference": f"Encounter/{of('Encounter', theirs)[0]['id']}"}
    doubted = potassium(ADVANCING)["id"]

    def with_stay(**other: Any) -> Json:
        mine = changed(lambda resources: potassium(resources).update(encounter=stay, **other))
        bodies = {body["patient"]: body for body in said([*mine, *theirs])}
        assert "other-encounter" in {note["code"] for note in bodies[PATIENT]["data_quality"]}
        assert bodies["Patient/quillfeather"]["data_quality"] == []
        return bodies[PATIENT]

    assert with_stay(valueQuantity=LOW)["advice"]["code"] not in FED
    assert doubted not in with_stay()["analytes"]["potassium"]["source"]


def test_versions_that_cannot_be_put_in_order_may_hold_but_are_not_fed_on() -> None:
    doubted = potassium(ADVANCING)["id"]

    def again(**other: Any) -> Json:
        typed = changed(
            lambda all_: all_.append({**copy.deepcopy(potassium(all_)), "note": [{"text": "again"}], **other})
        )
        (body,) = said(typed)
        assert "unordered-versions" in {note["code"] for note in body["data_quality"]}
        return body

    assert again(valueQuantity=LOW)["advice"]["code"] not in FED
    assert doubted not in again()["analytes"]["potassium"]["source"]


def test_two_versions_of_an_order_that_cannot_be_put_in_order_hold() -> None:
    def change(resources: list[Json]) -> None:
        other = copy.deepcopy(running(resources))
        other["note"] = [{"text": "typed in again"}]
        resources.append(other)

    (body,) = said(changed(change))
    assert body["advice"]["code"] not in FED


@pytest.mark.parametrize(
    "change",
    [{"link": [{"other": {"reference": "Patient/new"}, "type": "replaced-by"}]}, {"active": False}],
    ids=["merged into another", "out of use"],
)
def test_a_patient_whose_record_was_replaced_is_not_fed_on_what_is_left_in_it(change: Json) -> None:
    (body,) = said(changed(lambda resources: of("Patient", resources)[0].update(change)))
    assert body["advice"]["code"] not in FED
    assert "patient-replaced" in {note["code"] for note in body["data_quality"]}


@pytest.mark.parametrize("kind", ["replaces", "refer", "seealso"])
def test_another_record_of_the_same_person_is_named_as_not_read(kind: str) -> None:
    link = [{"other": {"reference": "Patient/old"}, "type": kind}]
    (body,) = said(changed(lambda resources: of("Patient", resources)[0].update(link=link)))
    assert "patient-linked" in {note["code"] for note in body["data_quality"]}


@pytest.mark.parametrize(
    "rotten",
    [
        {"resourceType": "NutritionOrder", "status": 5},
        {"resourceType": "MedicationRequest", "status": 5},
        {"resourceType": "MedicationAdministration", "status": 5},
        {"resourceType": "NutritionOrder", "id": [], "status": "active"},
        {"resourceType": 5, "enteralFormula": {}},
        {"enteralFormula": {}},
    ],
    ids=str,
)
def test_energy_that_cannot_be_read_does_not_look_like_none(rotten: Json) -> None:
    who = of("Patient", ADVANCING)[0]["id"]
    about = {"reference": f"Patient/{who}"}
    rotten |= {"patient": about} if rotten.get("resourceType") == "NutritionOrder" else {"subject": about}
    (body,) = said([*ADVANCING, rotten])
    assert body["advice"]["code"] not in FED
    assert "incomplete-read" in {note["code"] for note in body["data_quality"]}


@pytest.mark.parametrize(
    "rotten",
    [
        {"resourceType": "Flag", "status": "active", "code": 5},
        {"resourceType": "Flag", "status": "active", "category": [{"coding": [{"code": 5}]}]},
        {"resourceType": "Condition", "code": [5]},
        {"resourceType": "Goal", "lifecycleStatus": "active", "target": 5},
        {"resourceType": "RiskAssessment", "status": "final", "prediction": "high"},
    ],
    ids=str,
)
def test_a_danger_a_lower_goal_or_a_higher_risk_that_cannot_be_read_does_not_look_like_none(rotten: Json) -> None:
    who = of("Patient", ADVANCING)[0]["id"]
    rotten |= {"id": "rotten", "subject": {"reference": f"Patient/{who}"}}
    (body,) = said([*ADVANCING, rotten])
    assert body["advice"]["code"] not in FED
    assert "incomplete-read" in {note["code"] for note in body["data_quality"]}


@pytest.mark.parametrize(
    "subject",
    [
        None,
        {},
        {"reference": ""},
        {"reference": "Patient/"},
        {"reference": "#"},
        {"reference": "Patient/.."},
        {"display": "x"},
    ],
    ids=str,
)
def test_a_result_without_a_subject_is_nobodys_and_is_named(shell: Shell, chart: Any, subject: Json | None) -> None:
    stray = copy.deepcopy(potassium(ADVANCING)) | {"id": "stray", "subject": subject, "valueQuantity": LOW}
    done = advise(shell, chart([*ADVANCING, stray]))
    bodies = {body["patient"]: body for body in map(json.loads, done.out.splitlines())}
    assert bodies[PATIENT]["advice"]["code"] == "advance"
    assert "Observation/stray" in done.err or "Patient/.." in bodies


def test_circles_of_references_end() -> None:
    def change(resources: list[Json]) -> None:
        place = of("Location", resources)[0]
        place["partOf"] = {"reference": f"Location/{place['id']}"}
        result = potassium(resources)
        result["hasMember"] = [{"reference": f"Observation/{result['id']}"}]
        result["contained"] = [{"resourceType": "Specimen", "id": "s", "parent": [{"reference": "#s"}]}]
        who = {"reference": f"Patient/{of('Patient', resources)[0]['id']}"}
        resources.append(
            {"resourceType": "Medication", "id": "m", "ingredient": [{"itemReference": {"reference": "Medication/m"}}]}
        )
        resources.append(
            {
                "resourceType": "MedicationRequest",
                "id": "r",
                "status": "active",
                "intent": "order",
                "subject": who,
                "medicationReference": {"reference": "Medication/m"},
            }
        )

    (body,) = said(changed(change))
    assert body["advice"]["code"] == "advance"


# --------------------------------------------------------------------------- sizes
# What is counted here would not end within the patience of any test run if the work grew with the square.


def test_an_order_of_ten_thousand_stages_is_not_summed() -> None:
    def change(resources: list[Json]) -> None:
        running(resources)["enteralFormula"]["administration"] = [
            {
                "schedule": {"repeat": {"boundsPeriod": {"start": (NOW - timedelta(seconds=20 * n)).isoformat()}}},
                "rateQuantity": {"value": 20 + n, "unit": "mL/h", "system": UCUM, "code": "mL/h"},
            }
            for n in range(10_000)
        ]

    (body,) = said(changed(change))
    assert body["advice"]["code"] not in FED
    assert any("more stages than can be meant" in note["text"] for note in body["data_quality"])


def test_tens_of_thousands_of_versions_specimens_and_lines_are_sorted_out() -> None:
    versions = [{"resourceType": "Observation", "id": "o", "issued": str(n)} for n in range(20_000)]
    subject = {"reference": "Patient/p"}
    patient = {"resourceType": "Patient", "id": "p"}
    found = read_charts(bundle([patient, *({**one, "subject": subject} for one in versions)]), now=NOW)
    assert len(found.charts[0].observations) == 20_000
    lines = json.dumps(patient).encode() + b"\n" + b'{"resourceType":"Observation"}\n' * 50_000
    found = read_charts(lines, now=NOW)
    assert len(found.unassigned) == 50_000


def test_thousands_of_specimens_and_as_many_orders_are_matched() -> None:
    who = {"reference": f"Patient/{of('Patient', ADVANCING)[0]['id']}"}
    coded = {"coding": [{"system": "http://loinc.org", "code": "2823-3"}]}
    order = {"resourceType": "ServiceRequest", "status": "active", "intent": "order", "subject": who, "code": coded}
    taken = {"collectedDateTime": "2031-03-27T05:00:00Z"}
    specimen = {"resourceType": "Specimen", "status": "available", "subject": who, "collection": taken}
    both = [
        {**resource, "id": f"n{n}", name: [{"reference": f"{other}/n{n}"}]}
        for n in range(5_000)
        for resource, name, other in ((order, "specimen", "Specimen"), (specimen, "request", "ServiceRequest"))
    ]
    assert len(picture_of([*ADVANCING, *both]).collections) >= 5_000


def test_more_results_than_a_stay_can_bring_make_the_chart_incomplete() -> None:
    def change(resources: list[Json]) -> None:
        one = potassium(resources)
        resources += [one | {"id": f"n{n}"} for n in range(5_001)]

    assert picture_of(changed(change)).incomplete == ("more than 5000 results of potassium: only the newest were read",)


def picture_of(resources: list[Json]) -> Picture:
    (one,) = read_charts(bundle(resources), now=NOW).charts
    return to_picture(one, SERVICE.basis.codes, SERVICE.basis.zone)
