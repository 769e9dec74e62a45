"""`round`, `explain --fhir` and `demo` against the sandbox: what is written, what is shown, what never is."""

import asyncio
import json
import re
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest

from andante.demo import Stage, play, read_script, service_for, staged
from andante.triggers import inputs
from commands import PATIENTS, Shell

MORNING = "2031-03-27T06:30:00+00:00"  # day 4
EVENING = "2031-03-27T20:00:00+00:00"
PATIENT = "quillfeather"
STORIES = ("plain-course", "refractory-phosphate", "parenteral", "severe-fall", "haemolysed-potassium", "moved-ward")


@pytest.fixture
def shell(capfdbinary: pytest.CaptureFixture[bytes], monkeypatch: pytest.MonkeyPatch) -> Shell:
    return Shell(capfdbinary, monkeypatch)


@pytest.fixture
def stage() -> Iterator[Stage]:
    """Some of the fictional hospital on the morning of day 4, with nothing of ours in it."""
    with staged(read_script(STORIES)) as stage:
        stage.play_until(datetime.fromisoformat(MORNING))
        yield stage


def objects(text: str) -> list[dict[str, object]]:
    return [json.loads(line) for line in text.splitlines()]


def test_a_round_writes_and_the_same_round_again_writes_nothing(shell: Shell, stage: Stage) -> None:
    first = shell("round", "--fhir", stage.base, "--now", MORNING, "--format", "json")
    assert first.status == 0, first.err
    silent = ("not-covered", "not-at-risk", "stood-down")
    advised = {body["patient"] for body in objects(first.out) if body["advice"]["code"] not in silent}
    tasks = [item["for"]["reference"] for item in stage.inbox() if item["resourceType"] == "Task"]
    assert len(tasks) == len(set(tasks)) > 0
    assert set(tasks) == advised
    stage.written.clear()
    second = shell("round", "--fhir", stage.base, "--now", MORNING, "--format", "json")
    assert second.status == 0
    assert not stage.written
    assert all(body["inbox"]["new"] == 0 for body in objects(second.out))


def test_only_tasks_notices_and_their_provenance_are_ever_written(shell: Shell, stage: Stage) -> None:
    shell("round", "--fhir", stage.base, "--now", MORNING)
    assert set(stage.written) <= {"Task", "CommunicationRequest", "Provenance"}
    assert stage.written["Task"]


def test_a_dry_run_shows_what_would_be_written_and_writes_nothing(shell: Shell, stage: Stage) -> None:
    told = shell("round", "--fhir", stage.base, "--now", MORNING, "--dry-run", "--format", "fhir")
    assert told.status == 0
    assert all(bundle["type"] == "transaction" for bundle in objects(told.out))
    assert "POST" not in stage.requests
    assert not stage.inbox()
    text = shell("round", "--fhir", stage.base, "--now", MORNING, "--dry-run")
    assert "nothing written" in text.out
    assert "POST" not in stage.requests


def test_a_round_agrees_with_advise_over_the_same_chart(shell: Shell, stage: Stage) -> None:
    """The path over HTTP and the path over a file end in the same advice for everybody."""
    there = {
        body["patient"]: body["advice"]
        for body in objects(shell("round", "--fhir", stage.base, "--now", MORNING, "--dry-run", "--format", "json").out)
    }
    compared = 0
    for chart in sorted(PATIENTS.glob("*/chart.json")):
        done = shell("advise", chart, "--now", MORNING, "--format", "json")
        for body in objects(done.out):
            if body["patient"] in there:
                ours, theirs = body["advice"], there[body["patient"]]
                for key in ("code", "rule", "kcal", "rate_ml_h", "because", "would_change"):
                    assert ours[key] == theirs[key], (body["patient"], key)
                compared += 1
    assert compared == len(there) > 0


def test_text_shows_the_most_urgent_first_and_the_counts(shell: Shell, stage: Stage) -> None:
    done = shell("round", "--fhir", stage.base, "--now", MORNING)
    assert done.status == 0
    text = " ".join(done.out.split())
    assert re.search(r"\d+ patients, \d+ with advice", text)
    assert "0 not read whole, 0 failed." in text


def test_explain_reads_the_server_and_writes_nothing(shell: Shell, stage: Stage) -> None:
    done = shell("explain", PATIENT, "--fhir", stage.base, "--now", MORNING)
    assert done.status == 0
    assert "protocol energy.step_interval" in " ".join(done.out.split())
    assert set(stage.requests) == {"GET"}
    missing = shell("explain", "nobody", "--fhir", stage.base, "--now", MORNING)
    assert (missing.status, missing.err) == (2, "andante: that patient is not on the server\n")


def test_a_server_that_is_away_ends_with_status_3_and_one_line(shell: Shell) -> None:
    done = shell("round", "--fhir", "http://127.0.0.1:9/fhir", "--now", MORNING)
    assert done.status == 3
    assert len(done.err.splitlines()) == 1
    assert done.out == ""


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        (["--now", MORNING], "no FHIR server is named"),
        (["--fhir", "http://127.0.0.1:9/fhir", "--now", "2031-03-27T06:30:00"], "time zone"),
        (["--fhir", "fhir.example", "--now", MORNING], "http or https"),
    ],
)
def test_a_round_refuses_what_it_cannot_use(shell: Shell, arguments: list[str], why: str) -> None:
    done = shell("round", *arguments)
    assert done.status == 2
    assert why in done.err


def test_a_token_is_never_sent_over_an_open_line(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ANDANTE_FHIR_TOKEN", "verysecret")
    done = shell("round", "--fhir", "http://fhir.example/r4", "--now", MORNING)
    assert done.status == 2
    assert "https" in done.err
    assert "verysecret" not in done.err


# --------------------------------------------------------------------------- people who left, and people who decide


async def _round(stage: Stage, instant: str):  # type: ignore[no-untyped-def]
    when = datetime.fromisoformat(instant)
    stage.now = when
    service = service_for(stage.script)
    async with service.connect(stage.base) as connection:
        return await service.run_round(connection, trigger="test", now=when)


def test_what_was_left_for_somebody_who_then_went_home_is_taken_back(stage: Stage) -> None:
    asyncio.run(_round(stage, MORNING))
    mine = {"reference": f"Patient/{PATIENT}"}
    assert [task for task in stage.inbox() if task.get("for") == mine]
    encounter = stage.sandbox.endpoint.store.current("Encounter", f"{PATIENT}-stay").body
    stage.now = datetime.fromisoformat(EVENING)
    stage.sandbox.load([encounter | {"status": "finished", "period": {**encounter["period"], "end": EVENING}}])
    report = asyncio.run(_round(stage, EVENING))
    assert not [task for task in stage.inbox() if task.get("for") == mine]
    assert report.whole


def test_a_rejected_suggestion_stays_rejected(stage: Stage) -> None:
    asyncio.run(_round(stage, MORNING))
    task = next(item for item in stage.inbox() if item["resourceType"] == "Task")
    stage.sandbox.load([task | {"status": "rejected"}])
    stage.written.clear()
    asyncio.run(_round(stage, MORNING))
    store = stage.sandbox.endpoint.store
    assert store.current("Task", task["id"]).body["status"] == "rejected"
    assert not stage.written


# --------------------------------------------------------------------------- the demo


def test_the_demo_plays_the_hospital_and_shows_its_inbox(shell: Shell) -> None:
    done = shell("demo", "--days", "1")
    assert done.status == 0, done.err
    assert "a fictional hospital" in done.out
    assert "The whole inbox on the evening of day 1" in done.out
    assert "nothing ordered" in done.out
    assert "Nothing has been ordered." in done.out
    assert done.err == ""
    assert max(len(line) for line in done.out.splitlines()) <= 100


def test_every_scripted_version_is_known_by_the_end_and_none_before_its_time() -> None:
    with staged() as stage:
        for day, instant in stage.script.rounds(stage.script.days):
            stage.play_until(instant)
            assert all(when <= instant for when, _ in stage.script.known[: stage._played])
            assert day <= stage.script.days
        later = [when for when, _ in stage.script.known[stage._played :]]
        assert all(when > instant for when in later)


def test_the_logs_of_a_round_name_nobody(capfd: pytest.CaptureFixture[str]) -> None:
    """Neither ids nor names nor measured values of the fictional patients, whatever happens to them."""
    from andante import log
    from commands import kept_logging

    with kept_logging(), staged(read_script(STORIES)) as stage:
        log.start("DEBUG")
        # One patient whose data trip over us, so that failures are logged too.
        service = service_for(stage.script)
        asyncio.run(play(stage, service, days=2, after_round=lambda day, instant, report: None))
        stage.sandbox.load([{"resourceType": "Encounter", "id": "x", "status": "in-progress",
                             "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
                             "subject": {"reference": "Patient/gone-astray"}}])  # fmt: skip
        asyncio.run(_round(stage, MORNING))
    logged = capfd.readouterr().err
    assert '"action": "round.finished"' in logged
    forbidden = {"gone-astray"}
    for _, resource in stage.script.known:
        if resource["resourceType"] == "Patient":
            forbidden.add(resource["id"])
            for name in resource.get("name", ()):
                forbidden |= {name.get("family", ""), *name.get("given", ())}
    words = set(re.findall(r"[\w-]+", logged.lower()))
    assert not {word for word in forbidden if word and word.lower() in words}
    assert not re.search(r"(Patient|Observation|Task|Encounter)/", logged)


def test_the_fixtures_folder_is_found(tmp_path: Path) -> None:
    from andante.shared_files import fixtures, shared

    assert fixtures("hospital.yaml").is_file()
    assert shared("protocols", "aspen-2020.yaml").is_file()


def test_nobody_reading_on_does_not_stop_the_round(shell: Shell, stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """`round --format json | head -1`: the pipe closes after the first line, and everybody is served all the same."""
    lines: list[bytes] = []

    def emit(told: list[bytes]) -> None:
        lines.extend(told)
        if len(lines) > 1:
            raise BrokenPipeError

    monkeypatch.setattr(inputs, "emit", emit)
    told = shell("round", "--fhir", stage.base, "--now", MORNING, "--format", "json")
    assert told.status != 0
    assert len(lines) == 2
    tasks = [item for item in stage.inbox() if item["resourceType"] == "Task"]
    assert len(tasks) > 2
