"""The fictional hospital: its charts are compiled, valid and in order, and its tick list holds."""

import json
import re
import subprocess
import sys
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class
from stories import FIXTURES, all_rows, chart_bytes, hospital, rows_of, stories

from andante.domain.advice import AdviceCode, GapStage, NoticeCode

STORIES = [pytest.param(story, id=story.name) for story in stories()]


def test_compiled_charts_are_up_to_date() -> None:
    done = subprocess.run(
        [sys.executable, str(FIXTURES / "build.py"), "--check"], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


@pytest.mark.parametrize("story", STORIES)
def test_every_resource_of_a_chart_is_valid_r4b(story: Path) -> None:
    bundle = json.loads(chart_bytes(story))
    get_fhir_model_class("Bundle").model_validate(bundle)
    for entry in bundle["entry"]:
        resource = entry["resource"]
        get_fhir_model_class(resource["resourceType"]).model_validate(resource)


@pytest.mark.parametrize("story", STORIES)
def test_versions_become_known_in_order_and_point_to_what_is_known(story: Path) -> None:
    bundle = json.loads(chart_bytes(story))
    known: dict[str, int] = {}
    last = ""
    for entry in bundle["entry"]:
        resource, url = entry["resource"], entry["request"]["url"]
        instant = resource["meta"]["lastUpdated"]
        assert _utc(instant) >= last, f"{url} became known before what stands above it"
        last = _utc(instant)
        known[url] = known.get(url, 0) + 1
        assert resource["meta"]["versionId"] == str(known[url])
        for reference in re.findall(r'"reference": "([A-Z][^"]*)"', json.dumps(resource)):
            assert reference in known, f"{url} points to {reference}, which is not known yet"
    assert 5 <= len(bundle["entry"]) <= 130


def _utc(instant: str) -> str:
    """An instant with an offset, in a form that sorts as time passes."""
    return datetime.fromisoformat(instant).astimezone(UTC).isoformat()


@pytest.mark.parametrize("story", STORIES)
def test_a_story_expects_something_of_every_round_from_admission_on(story: Path) -> None:
    admitted = min(
        _utc(entry["resource"]["period"]["start"])
        for entry in json.loads(chart_bytes(story))["entry"]
        if entry["resource"]["resourceType"] == "Encounter"
    )
    wanted = [words for words, instant in hospital().rounds() if _utc(instant.isoformat()) >= admitted]
    assert [row.at for row in rows_of(story)] == wanted


@pytest.mark.parametrize("story", STORIES)
def test_a_story_is_told_in_three_lines_and_every_row_has_its_reason(story: Path) -> None:
    lines = (story / "story.md").read_text(encoding="utf-8").splitlines()
    assert len(lines) == 3
    assert all(len(line) > 30 for line in lines)
    assert all(row.why for row in rows_of(story))


def test_names_numbers_and_beds_are_nobody_elses() -> None:
    taken: dict[str, list[tuple[str, str, str]]] = {}
    people = []
    for story in stories():
        for entry in json.loads(chart_bytes(story))["entry"]:
            resource = entry["resource"]
            if resource["resourceType"] == "Patient" and resource["meta"]["versionId"] == "1":
                people.append((resource["id"], resource["name"][0]["text"], resource["identifier"][0]["value"]))
        for place in resource_of(story, "Encounter")["location"]:
            period = place["period"]
            span = (_utc(period["start"]), _utc(period.get("end", "2031-04-30T00:00:00+00:00")), story.name)
            taken.setdefault(place["location"]["reference"], []).append(span)
    assert len(people) == len(stories()) >= 54
    for column in range(3):
        assert len({person[column] for person in people}) == len(people)
    for bed, spans in taken.items():
        ordered = sorted(spans)
        clashes = [(a, b) for a, b in pairwise(ordered) if a[1] > b[0]]
        assert not clashes, f"{bed}: {clashes}"


def resource_of(story: Path, kind: str) -> dict[str, Any]:
    """The last version of the only resource of a type."""
    found = [e["resource"] for e in json.loads(chart_bytes(story))["entry"] if e["resource"]["resourceType"] == kind]
    last: dict[str, Any] = found[-1]
    return last


# --------------------------------------------------------------------------- the tick list of fixtures/README.md


def _ticks() -> list[tuple[str, str, str]]:
    text = (FIXTURES / "README.md").read_text(encoding="utf-8")
    _, _, table = text.partition("| shows | story | round |\n| --- | --- | --- |\n")
    lines = [line for line in table.splitlines() if line.startswith("|")]
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
    return [(shows, story, at) for shows, story, at in rows]


@pytest.mark.parametrize(("shows", "story", "at"), _ticks())
def test_the_tick_list_names_a_round_that_shows_it(shows: str, story: str, at: str) -> None:
    row = next(row for row in rows_of(FIXTURES / "patients" / story) if row.at == at)
    kind, _, rest = shows.partition(" ")
    what = rest.partition(":")[0]
    if kind == "advice":
        assert row.advice == what
    elif kind == "notice":
        code, *stage = what.split()
        notices = [notice.split(":") for notice in row.notices.split()]
        assert any(parts[0] == code and (not stage or parts[-1] == stage[0]) for parts in notices)


def test_the_tick_list_misses_no_story() -> None:
    assert {story.name for story in stories()} == {story for _, story, _ in _ticks()}


def test_every_advice_notice_and_gap_stage_is_expected_somewhere() -> None:
    rows = list(all_rows())
    notices = [notice.split(":") for row in rows for notice in row.notices.split()]
    assert {row.advice for row in rows} == {code.value for code in AdviceCode}
    assert {notice[0] for notice in notices} == {code.value for code in NoticeCode}
    assert {notice[-1] for notice in notices if notice[0] == "lab-gap"} == {stage.value for stage in GapStage}
    assert {notice[-1] for notice in notices if notice[0] == "lab-gap-ahead"} == {GapStage.NOT_ORDERED.value}


@pytest.mark.parametrize(
    ("story", "holds"),
    [
        ("below-detection", r'"comparator":"<"'),
        ("haemolysed-potassium", r'v2-0493","code":"HEM"'),
        ("corrected-downwards", r'"status":"preliminary".*"value":0\.90'),
        ("corrected-downwards", r'"status":"corrected".*"value":0\.60'),
        ("entered-in-error", r'"status":"entered-in-error".*"value":2\.9'),
        ("conventional-units", r'"value":1\.3,"unit":"mEq/L","system":"[^"]+","code":"meq/L"'),
        ("conventional-units", r'"code":"2777-1".*"value":3\.4,"unit":"mg/dL"'),
        ("implausible-potassium", r'"code":"2823-3".*"value":45,'),
        ("unreadable-results", r'"valueQuantity":\{"value":0\.98\}'),
        ("unreadable-results", r'"code":\{"text":"phos"\}'),
        ("own-reference-range", r'"code":"29463-7".*"effectiveDateTime":"2031-03-23",'),
        ("own-reference-range", r'"low":\{"value":0\.87'),
        ("order-without-density", r'"status":"active"(?!.*caloricDensity).*"enteralFormula"'),
        ("propofol-bed", r'"code":"N01AX10"'),
        ("parenteral", r'"status":"draft".*"#mixture"'),
        ("feed-interrupted", r'"status":"on-hold"'),
        ("staged-order-under-hold", r'"maxVolumeToDeliver"'),
        ("died", r'"deceasedDateTime"'),
        ("oral-to-tube", r'"oralDiet"'),
        ("clinician-flag", r'"182923009"'),
        ("starved-in-hospital", r'"status":"completed".*"182923009"'),
        ("eats-a-little", r'"nutrient":\[\{"modifier":.*"code":"diet-energy"'),
        ("eats-a-little", r'"code":"intake-share-of-need"'),
        ("vein-to-tube-to-mouth", r'"code":"meal-share-eaten"'),
        ("night-feed-steps", r'"duration":12,"durationUnit":"h","timeOfDay":\["21:00:00"\]'),
        ("boluses-by-shift", r'"code":"formula-volume-24h".*"value":0,'),
        ("citrate-and-sedation", r'"code":"citrate-anticoagulant".*"unit":"mmol"'),
        ("blood-gas-potassium", r'"code":"6298-4"'),
        ("blood-gas-potassium", r'"resourceType":"Specimen".*"code":"BLD"'),
        ("combined-vitamins", r'"ingredient":\[.*"A11DA01".*"A11BA"'),
        ("back-dated", r'"status":"completed".*"end":"2031-03-27T06:00:00\+00:00"'),
        ("turns-eighteen", r'"birthDate":"2013-03-27"'),
    ],
)
def test_the_chart_holds_what_the_story_is_about(story: str, holds: str) -> None:
    text = chart_bytes(FIXTURES / "patients" / story).decode()
    assert any(re.search(holds, line) for line in text.splitlines())
