"""The main job on our sandbox and on servers written by others: from charts to inboxes, twice, with people between.

What is played on each server is told in `played.py`.
"""

import json
from collections.abc import Iterator
from datetime import datetime
from typing import Any

import httpx
import pytest
from lanternmoor import (
    EVENING,
    MORNING,
    ZONE,
    Json,
    charts,
    known_at,
    patient_of,
    rests_on_the_servers_clock,
    whole_history,
)
from played import ANSWERS, Record, play
from servers.launch import Server
from ward_round import Ran, coded, decision_of, end, gist, start_advise

from andante import app, settings
from andante.assess import assess_chart
from andante.chart.bundle import read_charts
from andante.present.as_json import assessment_json, encode

SILENT = {"not-covered", "not-at-risk", "stood-down"}
ENDS = {EVENING: "evening", MORNING: "morning"}
both_instants = pytest.mark.parametrize("now", [EVENING, MORNING], ids=lambda now: ENDS[now])


@pytest.fixture(scope="module")
def record(own_server: Server, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Record]:
    with httpx.Client(base_url=own_server.base, timeout=60) as client:
        yield play(client, tmp_path_factory.mktemp("charts"))


@pytest.fixture(scope="module")
def by_the_story(tmp_path_factory: pytest.TempPathFactory) -> dict[datetime, Ran]:
    """What `advise` says at both instants of the charts as the stories tell them, no server in between."""
    folder = tmp_path_factory.mktemp("stories")
    running = {now: start_advise(whole_history(), now, folder) for now in (EVENING, MORNING)}
    return {now: end(process) for now, process in running.items()}


def test_every_round_serves_everybody(record: Record) -> None:
    inpatients = {patient for patient, chart in charts(known_at(MORNING)).items() if patient in chart}
    assert len(inpatients) >= 30
    for ran in record.rounds:
        assert (ran.status, ran.err) == (0, "")
        assert set(ran.patients) == inpatients
        assert all(body["inbox"]["problem"] is None for body in ran.patients.values())
        assert not any(body["inbox"]["unsettled"] or body["inbox"]["not_read_whole"] for body in ran.patients.values())


@both_instants
def test_a_round_says_of_everybody_what_advise_says_of_the_same_chart(record: Record, now: datetime) -> None:
    said = {patient: _without_inbox(body) for patient, body in record.round_of(now).patients.items()}
    assert record.advised[now].status == 0
    assert said == record.advised[now].patients


@both_instants
def test_it_is_what_the_story_calls_for(record: Record, by_the_story: dict[datetime, Ran], now: datetime) -> None:
    told = by_the_story[now].patients
    compared = [
        patient
        for patient, chart in charts(known_at(now)).items()
        if patient in told and not rests_on_the_servers_clock(chart)
    ]
    assert len(compared) >= 25
    said = record.round_of(now).patients
    assert {patient: gist(said[patient]) for patient in compared} == {p: gist(told[p]) for p in compared}


def test_a_dry_run_tells_what_it_would_write_and_writes_nothing(record: Record) -> None:
    assert not record.dry.writes
    assert not record.after_dry.items
    assert not record.after_dry.provenances
    would, did = (
        {patient: body["inbox"]["new"] for patient, body in ran.patients.items()} for ran in (record.dry, record.first)
    )
    assert would == did
    assert sum(did.values()) > 0


def test_the_first_round_leaves_exactly_what_advise_calls_for(record: Record, own_server: Server) -> None:
    """Each Task and notice word for word; only ids, versions and narrative are the server's.

    R4 lets a server cut the version off a reference (https://hl7.org/fhir/R4/references.html): then it does so to all.
    """
    left = [_as_sent(body) for body in record.after_first.items.values()]
    called_for = [body for bodies in record.wanted[EVENING].values() for body in bodies]
    if "versioned-references" in own_server.lacks:
        assert "/_history/" not in json.dumps([one for body in left for one in _references(body)])
        called_for = [_without_versions(body) for body in called_for]
    assert sorted(left, key=_in_order) == sorted(called_for, key=_in_order)


def test_each_task_and_notice_carries_the_decision_it_is_about(record: Record) -> None:
    opened, told = record.after_first.open_tasks(), record.first.patients
    for patient, body in told.items():
        advice = body["advice"]
        if advice["code"] in SILENT:
            assert patient not in opened
            continue
        [task] = opened[patient]
        assert (coded(task["code"], "advice"), coded(task["code"], "rule")) == (advice["code"], advice["rule"])
        assert (task["status"], task["intent"], task["priority"]) == ("requested", "proposal", advice["priority"])
        if advice["rate_ml_h"] is not None:
            assert f"{advice['rate_ml_h']:g} mL/h" in f"{task['description']} {task['note'][0]['text']}"
    stood = {(str(patient_of(notice)), *_notice_codes(notice)) for notice in record.after_first.notices.values()}
    assert stood == {
        (patient, notice["code"], notice["stage"]) for patient, body in told.items() for notice in body["notices"]
    }
    assert {notice[1] for notice in stood} >= {"lab-gap", "lab-gap-ahead", "replacement", "urgent", "micronutrient"}


def test_the_same_round_again_writes_nothing(record: Record) -> None:
    assert not record.again.writes
    assert not record.last.writes
    assert record.after_last == record.after_fourth


def test_what_people_answered_stays_and_is_not_raised_again(record: Record) -> None:
    stood = record.after_answers.items
    assert {stood[address]["status"] for address in record.answered if address in stood} == set(ANSWERS)
    assert len(record.answered) >= 10
    assert not record.third.writes
    assert record.after_third == record.after_answers


def test_new_evidence_leaves_what_people_answered_as_it_was(record: Record) -> None:
    assert record.fourth.writes
    for address in record.answered:
        assert record.after_last.items[address] == record.after_answers.items[address], address


def test_new_evidence_leaves_one_open_advice_the_one_called_for(record: Record) -> None:
    raised_anew = 0
    for patient, body in record.fourth.patients.items():
        wanted = record.wanted_task(patient, MORNING)
        assert (wanted is None) is (body["advice"]["code"] in SILENT)
        opened = record.untouched(record.after_fourth, patient)
        if wanted is None or record.is_with_a_person(wanted):
            assert not opened, patient
            continue
        [task] = opened
        assert decision_of(task) == decision_of(wanted), patient
        raised_anew += any(patient_of(record.after_answers.items[address]) == patient for address in record.answered)
    assert raised_anew > 0, "new evidence raises a new suggestion beside an answered one"


def test_a_superseded_task_that_nobody_touched_is_cancelled_and_linked(record: Record) -> None:
    before, after = record.after_third, record.after_fourth
    cancelled = 0
    for patient, task in [(p, task) for p in before.open_tasks() for task in record.untouched(before, p)]:
        address, wanted = f"Task/{task['id']}", record.wanted_task(patient, MORNING)
        now = after.tasks[address]
        if wanted is not None and decision_of(wanted) == decision_of(task):
            assert now["status"] == "requested"
            continue
        cancelled += 1
        assert now["status"] == "cancelled"
        why = coded(now["statusReason"], "cancel-reason")
        if wanted is None:
            assert why == "not-needed"
            continue
        assert why == "superseded"
        [newer] = record.untouched(after, patient)
        assert address in _replaced_by(newer)
    assert cancelled > 5


def test_a_notice_that_is_no_longer_true_is_revoked(record: Record) -> None:
    wanted = {
        f"{patient} {decision_of(body)}"
        for patient, bodies in record.wanted[MORNING].items()
        for body in bodies
        if body["resourceType"] == "CommunicationRequest"
    }
    revoked = 0
    for key, [notice] in record.after_third.open_notices().items():
        now = record.after_fourth.notices[f"CommunicationRequest/{notice['id']}"]
        assert now["status"] == ("active" if key in wanted else "revoked")
        if key not in wanted:
            revoked += 1
            assert coded(now["statusReason"], "cancel-reason") == "no-longer-true"
    assert revoked > 3
    assert all(len(same) == 1 for same in record.after_fourth.open_notices().values())


def test_nothing_else_is_ever_sent(record: Record) -> None:
    """By the recording of all rounds together: reads, and transactions of the three types."""
    sent = [seen for ran in record.rounds for seen in ran.seen]
    assert {seen.method for seen in sent} == {"GET", "POST"}
    writes = [seen for seen in sent if seen.method == "POST"]
    assert {seen.path for seen in writes} == {""}, "a transaction, never a resource by itself"
    assert {kind for seen in writes for kind in seen.written} == {"Task", "CommunicationRequest", "Provenance"}


def test_each_write_says_where_it_comes_from(record: Record) -> None:
    writes = [seen for ran in record.rounds for seen in ran.writes]
    assert all(len(seen.written) > 1 and seen.written.count("Provenance") == 1 for seen in writes)
    assert len(record.after_last.provenances) == len(writes)
    targets = {part["reference"] for body in record.after_last.provenances.values() for part in body["target"]}
    assert {target.split("/_history/")[0] for target in targets} == set(record.after_last.items)
    assert all(_versions_named(body) for body in record.after_last.provenances.values())


@both_instants
def test_the_advice_can_be_worked_out_again_from_its_provenance(record: Record, now: datetime) -> None:
    """The versions it names, fetched one by one, and nothing else: the same assessment, to the last word."""
    service = app.build(settings.defaults(zone=ZONE))
    before = {EVENING: record.after_dry, MORNING: record.after_third}[now]
    after = {EVENING: record.after_first, MORNING: record.after_fourth}[now]
    written = [after.provenances[address] for address in after.provenances.keys() - before.provenances.keys()]
    assert len(written) >= 30
    for provenance in written:
        versions = [_vread(record.client, reference) for reference in _versions_named(provenance)]
        instant = datetime.fromisoformat(provenance["occurredDateTime"])
        bundle = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": v} for v in versions]}
        [chart] = read_charts(json.dumps(bundle).encode(), now=instant).charts
        again = assess_chart(chart, service.basis, now=instant)
        assert any(policy.endswith(again.protocol_hash) for policy in provenance["policy"])
        told = record.round_of(now).patients[chart.reference]
        assert json.loads(encode(assessment_json(again, service.basis.zone))) == _without_inbox(told)


def _without_inbox(body: Json) -> Json:
    return {name: part for name, part in body.items() if name != "inbox"}


def _as_sent(body: Json) -> Json:
    return {name: part for name, part in body.items() if name not in ("id", "meta", "text")}


def _in_order(body: Json) -> str:
    return json.dumps(body, sort_keys=True)


def _references(element: Any) -> Iterator[str]:
    if isinstance(element, dict):
        for name, part in element.items():
            if name == "reference":
                yield part
            else:
                yield from _references(part)
    elif isinstance(element, list):
        for one in element:
            yield from _references(one)


def _without_versions(element: Any) -> Any:
    if isinstance(element, dict):
        return {
            name: part.split("/_history/")[0] if name == "reference" else _without_versions(part)
            for name, part in element.items()
        }
    return [_without_versions(one) for one in element] if isinstance(element, list) else element


def _notice_codes(notice: Json) -> tuple[str | None, str | None]:
    codes = [coded(category, "notice") for category in notice["category"]]
    stages = [coded(category, "gap-stage") for category in notice["category"]]
    return next(filter(None, codes)), next(filter(None, stages), None)


def _replaced_by(task: Json) -> set[str]:
    links = (part for part in task["input"] if coded(part["type"], "task-input") == "supersedes")
    return {link["valueReference"]["reference"] for link in links}


def _versions_named(provenance: Json) -> list[str]:
    """What was read, as `Type/id/_history/version`; a server may cut the version off, so the display counts."""
    sources = [entity["what"]["display"] for entity in provenance["entity"] if entity["role"] == "source"]
    assert all("/_history/" in source for source in sources)
    return sources


def _vread(client: httpx.Client, reference: str) -> Json:
    answer = client.get(reference)
    assert answer.status_code == 200, f"{reference}: {answer.status_code}"
    body: Json = answer.json()
    assert f"{body['resourceType']}/{body['id']}/_history/{body['meta']['versionId']}" == reference
    return body
