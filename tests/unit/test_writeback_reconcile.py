"""What is written, given what stands: one test for each promise of the reconciliation."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest

from andante.domain.advice import AdviceCode, AnalyteState, Assessment, GapStage, NoticeCode, Priority, Tell
from andante.domain.quantities import Analyte
from andante.writeback.gate import Gate
from andante.writeback.plan import Cancel, Create, Plan, Refresh, Revoke
from andante.writeback.reconcile import NEWER_WITHIN, reconcile
from andante.writeback.site import Site
from andante.writeback.writer import Delivery, InboxWriter
from builders import NOW, a_fact, a_notice, an_advice, an_assessment
from inbox_server import InboxServer

SITE = Site()
LOW = {Analyte.PHOSPHATE: AnalyteState.LOW}
HOLD = an_assessment(states=LOW)
ADVANCE = an_assessment(an_advice(AdviceCode.ADVANCE, rule="step-up", kcal="1440", rate_ml_h=Decimal(60)))
SILENT = an_assessment(an_advice(AdviceCode.STOOD_DOWN, rule="stand-down", kcal=None, rate_ml_h=None))
NEWER_DRAW = (a_fact(value="0.66 mmol/L", source="Observation/po4-2/_history/1"),)


def with_evidence(assessment: Assessment, *facts: Any) -> Assessment:
    return replace(assessment, evidence=facts or NEWER_DRAW)


async def deliver(server: InboxServer, assessment: Assessment, **options: Any) -> Delivery:
    writer = InboxWriter(site=SITE, gate=Gate(SITE), server=server, read_inbox=server.read_inbox)
    return await writer.deliver(assessment, server.inbox(), **options)


def plan(server: InboxServer, assessment: Assessment, **options: Any) -> Plan:
    return reconcile(assessment, server.inbox(), site=SITE, **options)


def shape(planned: Plan) -> list[str]:
    """`create`, `refresh`, `cancel Task/1`, … in order."""
    words = []
    for action in planned.actions:
        name = type(action).__name__.lower()
        words.append(name if isinstance(action, Create) else f"{name} {action.standing.reference}")
    return words


@pytest.fixture
async def holding() -> InboxServer:
    """An inbox with one untouched hold in it: `Task/1`."""
    server = InboxServer()
    await deliver(server, HOLD)
    return server


# ---------------------------------------------------------------- what each earlier state of the Task leads
# to

REJECTED = {"status": "rejected", "statusReason": {"text": "given orally already"}}
UNTOUCHED: dict[str, Any] = {}
NOTED = {"note": [{"text": "seen on the round"}]}


@pytest.mark.parametrize(
    ("changes", "assessment", "expected", "why"),
    [
        (UNTOUCHED, HOLD, [], "the same decision on the same evidence"),
        (UNTOUCHED, with_evidence(HOLD), ["refresh Task/1"], "newer evidence for the same decision"),
        (UNTOUCHED, ADVANCE, ["cancel Task/1", "create"], "another decision"),
        (UNTOUCHED, SILENT, ["cancel Task/1"], "nobody needs to act any more"),
        (REJECTED, HOLD, [], "rejected on this evidence"),
        (REJECTED, with_evidence(HOLD), ["create"], "rejected, but on older evidence"),
        (REJECTED, ADVANCE, ["create"], "rejected, and another decision now"),
        (REJECTED, SILENT, [], "rejected, and nothing to say"),
        ({"status": "accepted"}, HOLD, [], "accepted on this evidence"),
        ({"status": "accepted"}, with_evidence(HOLD), ["create"], "accepted on older evidence"),
        ({"status": "accepted"}, ADVANCE, ["create"], "accepted, and another decision now"),
        ({"status": "accepted"}, SILENT, [], "accepted, and nothing to say"),
        ({"status": "completed"}, HOLD, [], "completed on this evidence"),
        ({"status": "completed"}, with_evidence(HOLD), ["create"], "completed on older evidence"),
        ({"status": "failed"}, HOLD, [], "a person gave up on it"),
        ({"status": "entered-in-error"}, HOLD, [], "a person struck it out"),
        ({"status": "cancelled"}, HOLD, [], "cancelled by a person: no reason of ours stands in it"),
        ({"status": "received"}, HOLD, [], "a person is looking at it"),
        ({"status": "received"}, with_evidence(HOLD), [], "a person is looking at the same decision"),
        ({"status": "received"}, ADVANCE, ["create"], "a person is looking at an older decision"),
        ({"status": "in-progress"}, ADVANCE, ["create"], "a person is working on an older decision"),
        ({"status": "on-hold"}, ADVANCE, ["create"], "a person has put an older decision aside"),
        ({"status": "ready"}, SILENT, [], "a status that is not ours is a person's"),
        ({"status": "draft"}, ADVANCE, ["create"], "a status that is not ours is a person's"),
        ({"status": "invented"}, ADVANCE, ["create"], "an unknown status is a person's"),
        ({"status": "invented"}, HOLD, [], "an unknown status is a person's"),
        (NOTED, ADVANCE, ["create"], "still requested, but with a person's note"),
        (NOTED, with_evidence(HOLD), [], "still requested, but with a person's note"),
        ({"owner": {"reference": "Practitioner/ada"}}, ADVANCE, ["create"], "still requested, but taken"),
        ({"lastModified": "2026-11-25T08:00:00Z"}, ADVANCE, ["create"], "still requested, but modified"),
        ({"businessStatus": {"text": "seen"}}, ADVANCE, ["create"], "still requested, but marked as seen"),
        ({"priority": "stat"}, SILENT, [], "still requested, but with another priority"),
        ({"output": [{"type": {"text": "x"}, "valueString": "y"}]}, SILENT, [], "still requested, but answered"),
    ],
)
async def test_what_stands_decides_what_is_written(
    holding: InboxServer, changes: dict[str, Any], assessment: Assessment, expected: list[str], why: str
) -> None:
    if changes:
        holding.person("Task/1", **changes)
    assert shape(plan(holding, assessment)) == expected, why


async def test_an_empty_inbox_gets_one_task_and_its_notices() -> None:
    assessment = replace(HOLD, notices=(a_notice(), a_notice(NoticeCode.REPLACEMENT, "Review phosphate.")))
    assert shape(plan(InboxServer(), assessment)) == ["create", "create", "create"]


@pytest.mark.parametrize("code", [code for code in AdviceCode if code.is_silent])
def test_a_silent_advice_leaves_no_task(code: AdviceCode) -> None:
    assert not plan(InboxServer(), an_assessment(an_advice(code)))


async def test_what_only_the_server_changes_is_no_persons_touch(holding: InboxServer) -> None:
    body = holding.resources["Task/1"]
    body["meta"] |= {"versionId": "7", "tag": [{"code": "indexed"}]}
    body["text"] = {"status": "generated", "div": "<div>hold</div>"}
    body["for"] = {"reference": "https://fhir.example.org/r4/Patient/p1", "type": "Patient"}
    body["focus"] = {"reference": "NutritionOrder/feed"}
    body["authoredOn"] = "2026-11-25T07:30:00.000+01:00"
    assert shape(plan(holding, ADVANCE)) == ["cancel Task/1", "create"]


async def test_a_task_without_a_version_is_left_alone(holding: InboxServer) -> None:
    del holding.resources["Task/1"]["meta"]
    assert shape(plan(holding, ADVANCE)) == ["create"]


async def test_a_task_of_somebody_else_is_none_of_ours(holding: InboxServer) -> None:
    holding.resources["Task/1"]["identifier"] = [{"system": "https://other.example", "value": "7"}]
    assert shape(plan(holding, HOLD)) == ["create"]
    assert not plan(holding, SILENT)


# ---------------------------------------------------------------- links between old and new


async def test_the_new_task_names_the_one_it_replaces(holding: InboxServer) -> None:
    await deliver(holding, ADVANCE)
    new = holding.open_tasks().popitem()[1]
    links = [i["valueReference"]["reference"] for i in new["input"] if i["type"]["coding"][0]["code"] == "supersedes"]
    assert links == ["Task/1"]
    old = holding.resources["Task/1"]
    assert old["status"] == "cancelled"
    assert old["statusReason"]["coding"][0]["code"] == "superseded"


async def test_the_text_says_that_a_person_still_has_the_older_suggestion(holding: InboxServer) -> None:
    holding.person("Task/1", status="in-progress")
    await deliver(holding, ADVANCE)
    new = holding.open_tasks().popitem()[1]
    assert "Task/1" in new["note"][1]["text"]
    assert "in-progress" in new["note"][1]["text"]
    assert holding.resources["Task/1"]["status"] == "in-progress"


async def test_a_refresh_keeps_name_birth_and_links(holding: InboxServer) -> None:
    await deliver(holding, ADVANCE)
    [(reference, before)] = holding.open_tasks().items()
    later = replace(with_evidence(ADVANCE), now=NOW + timedelta(hours=1))
    await deliver(holding, later)
    [(same, after)] = holding.open_tasks().items()
    assert same == reference
    assert after["identifier"] == before["identifier"]
    assert after["authoredOn"] == before["authoredOn"]
    assert after["lastModified"] > before["lastModified"]
    assert any(i["type"]["coding"][0]["code"] == "supersedes" for i in after["input"])
    assert not plan(holding, later)


# ---------------------------------------------------------------- identity


@pytest.mark.parametrize(
    ("other", "why"),
    [
        (replace(HOLD, now=NOW + timedelta(hours=5)), "time passes"),
        (replace(HOLD, advice=replace(HOLD.advice, valid_until=NOW + timedelta(days=9))), "validity moves"),
        (replace(HOLD, encounter="Encounter/e1/_history/9"), "the encounter gets another version"),
        (replace(HOLD, advice=replace(HOLD.advice, kcal=Decimal("960.00"))), "a number is written longer"),
        (replace(HOLD, evidence=tuple(reversed(HOLD.evidence))), "evidence comes in another order"),
        (
            replace(HOLD, evidence=(a_fact(source="Observation/po4-1/_history/2"),)),
            "the server counts up a version that says the same",
        ),
    ],
)
async def test_the_same_chart_writes_nothing_although(holding: InboxServer, other: Assessment, why: str) -> None:
    assert not plan(holding, other), why


@pytest.mark.parametrize(
    ("other", "why"),
    [
        (replace(HOLD, advice=replace(HOLD.advice, kcal=Decimal(480))), "another energy"),
        (replace(HOLD, advice=replace(HOLD.advice, rate_ml_h=Decimal(20))), "another rate"),
        (replace(HOLD, advice=replace(HOLD.advice, bolus_ml=Decimal(200))), "another bolus"),
        (replace(HOLD, advice=replace(HOLD.advice, dextrose_g=Decimal(100))), "another amount of dextrose"),
        (replace(HOLD, advice=replace(HOLD.advice, rule="evidence-gap")), "another rule"),
        (replace(HOLD, encounter="Encounter/e2"), "another stay"),
        (an_assessment(states={**LOW, Analyte.POTASSIUM: AnalyteState.STALE}), "one more thing in the way"),
    ],
)
async def test_it_is_another_decision_with(holding: InboxServer, other: Assessment, why: str) -> None:
    assert shape(plan(holding, other)) == ["cancel Task/1", "create"], why


async def test_a_changed_text_or_priority_is_refreshed_in_place(holding: InboxServer) -> None:
    reworded = replace(HOLD, advice=replace(HOLD.advice, would_change=("something else",)))
    assert shape(plan(holding, reworded)) == ["refresh Task/1"]
    pressing = replace(HOLD, advice=replace(HOLD.advice, priority=Priority.STAT))
    assert shape(plan(holding, pressing)) == ["refresh Task/1"]
    moved = replace(HOLD, bed="14")
    assert shape(plan(holding, moved)) == ["refresh Task/1"]


async def test_validity_is_renewed_only_once_it_has_run_out(holding: InboxServer) -> None:
    until = HOLD.advice.valid_until
    assert until is not None
    later = replace(HOLD.advice, valid_until=until + timedelta(hours=12))
    assert not plan(holding, replace(HOLD, advice=later, now=until - timedelta(minutes=1)))
    assert shape(plan(holding, replace(HOLD, advice=later, now=until))) == ["refresh Task/1"]


async def test_the_same_suggestion_can_come_back_after_the_service_took_it_back(holding: InboxServer) -> None:
    await deliver(holding, ADVANCE)
    delivery = await deliver(holding, HOLD)
    assert delivery.count(Create) == 1
    assert len(holding.open_tasks()) == 1
    names = [body["identifier"][0]["value"] for body in holding.of_type("Task").values()]
    assert len(set(names)) == 3
    assert names[2] == f"{names[0]}.2"


async def test_a_decision_on_refreshed_evidence_covers_what_it_was_raised_on_too(holding: InboxServer) -> None:
    await deliver(holding, with_evidence(HOLD))
    holding.person("Task/1", status="rejected")
    assert not plan(holding, with_evidence(HOLD))
    assert not plan(holding, HOLD)


async def test_an_abandoned_task_of_long_ago_does_not_silence_a_new_episode(holding: InboxServer) -> None:
    holding.person("Task/1", status="received")
    await deliver(holding, replace(ADVANCE, now=NOW + timedelta(days=1)))
    again = replace(with_evidence(HOLD), now=NOW + timedelta(days=3))
    assert shape(plan(holding, again)) == ["cancel Task/3", "create"]


# ---------------------------------------------------------------- duplicates and other instances


async def test_of_two_equal_suggestions_the_oldest_stays(holding: InboxServer) -> None:
    twin = dict(holding.resources["Task/1"]) | {"id": "9"}
    holding.resources["Task/9"] = twin
    holding.hands["Task/9"] = "service"
    assert shape(plan(holding, HOLD)) == ["cancel Task/9"]
    holding.person("Task/9", status="accepted")
    assert shape(plan(holding, HOLD)) == ["cancel Task/1"], "a person has answered the twin"


async def test_an_older_assessment_never_replaces_a_newer_one(holding: InboxServer) -> None:
    older = replace(ADVANCE, now=NOW - timedelta(minutes=2))
    planned = plan(holding, older)
    assert not planned
    assert planned.held_back


async def test_a_clock_that_is_far_ahead_does_not_silence_this_instance(holding: InboxServer) -> None:
    long_before = replace(ADVANCE, now=NOW - NEWER_WITHIN - timedelta(seconds=1))
    assert shape(plan(holding, long_before)) == ["cancel Task/1", "create"]


async def test_at_the_same_instant_the_more_careful_suggestion_stays() -> None:
    server = InboxServer()
    await deliver(server, HOLD)
    assert shape(plan(server, ADVANCE)) == ["cancel Task/1", "create"], "a later run is trusted"
    assert not plan(server, ADVANCE, after_writing=True), "a race is settled for the careful one"


# ---------------------------------------------------------------- what could not be read


async def test_an_incomplete_inbox_writes_nothing(holding: InboxServer) -> None:
    planned = reconcile(ADVANCE, holding.inbox(incomplete=("Task",)), site=SITE)
    assert not planned
    assert planned.held_back


@pytest.mark.parametrize(
    ("assessment", "expected", "why"),
    [
        (ADVANCE, [], "an incomplete chart never feeds more"),
        (SILENT, [], "an incomplete chart takes nothing back"),
        (with_evidence(HOLD), [], "an incomplete chart refreshes nothing"),
        (
            an_assessment(an_advice(AdviceCode.HALVE, rule="difficult-to-correct"), states=LOW),
            ["cancel Task/1", "create"],
            "a danger seen takes the place of what is less careful: both open would contradict each other",
        ),
        (
            an_assessment(an_advice(rule="incomplete-read")),
            [],
            "that our own read failed is no reason to contradict what stands",
        ),
    ],
)
async def test_an_incomplete_chart(holding: InboxServer, assessment: Assessment, expected: list[str], why: str) -> None:
    assert shape(plan(holding, assessment, complete=False)) == expected, why


async def test_an_incomplete_chart_says_nothing_less_careful_than_what_stands(holding: InboxServer) -> None:
    """The hold may rest on what could not be read now: neither is it taken back, nor anything lesser said beside it."""
    correct_first = an_assessment(an_advice(AdviceCode.CORRECT_FIRST, rule="low-before"), states=LOW)
    assert not plan(holding, correct_first, complete=False)
    halving = InboxServer()
    await deliver(halving, an_assessment(an_advice(AdviceCode.HALVE, rule="difficult-to-correct"), states=LOW))
    assert not plan(halving, HOLD, complete=False)


@pytest.mark.parametrize(
    ("unread", "expected"),
    [
        (("Flag",), ["cancel Task/1", "create"]),
        (("Condition", "Goal"), ["cancel Task/1", "create"]),
        (("NutritionOrder",), []),
        (("Flag", "MedicationRequest"), []),
        (("MedicationAdministration",), []),
        (("Medication",), []),
        ((), []),
    ],
)
async def test_a_hold_of_an_incomplete_chart_replaces_a_hold_only_where_the_orders_were_read(
    holding: InboxServer, unread: tuple[str, ...], expected: list[str]
) -> None:
    """At another rate it is another hold, and the rate seen could be the higher of two. Unnamed reads may be any."""
    at_another_rate = an_advice(rule="low", kcal="1440", rate_ml_h=Decimal(60))
    assessment = an_assessment(at_another_rate, states={Analyte.POTASSIUM: AnalyteState.LOW})
    assert shape(plan(holding, assessment, complete=False, unread=unread)) == expected


async def test_an_incomplete_chart_takes_nothing_back_in_favour_of_what_a_person_answered(
    holding: InboxServer,
) -> None:
    """It would leave nothing open in its place."""
    halving = an_assessment(an_advice(AdviceCode.HALVE, rule="difficult-to-correct"), states=LOW)
    holding.person("Task/1", status="rejected")
    await deliver(holding, halving)
    (halved,) = (name for name in holding.of_type("Task") if name != "Task/1")
    holding.person(halved, status="rejected")
    await deliver(holding, with_evidence(HOLD))
    assert not plan(holding, halving, complete=False, unread=("Flag",))


UNREAD = an_assessment(an_advice(rule="incomplete-read"))
UNREAD_AND_LOW = an_assessment(an_advice(rule="incomplete-read"), states=LOW)


async def test_that_the_chart_could_not_be_read_takes_the_place_of_nothing_that_says_more() -> None:
    correcting = InboxServer()
    await deliver(correcting, an_assessment(an_advice(AdviceCode.CORRECT_FIRST, rule="low-before"), states=LOW))
    assert not plan(correcting, UNREAD_AND_LOW, complete=False, unread=("Flag",))


@pytest.mark.parametrize(
    ("status", "expected"),
    [
        ("accepted", []),  # at work on it: nothing new is known
        ("in-progress", []),
        ("on-hold", []),
        ("rejected", ["create"]),  # done with: with nothing open, silence would be worse than a hold
        ("completed", ["create"]),
    ],
)
async def test_that_the_chart_could_not_be_read_contradicts_nobody_at_work(status: str, expected: list[str]) -> None:
    server = InboxServer()
    await deliver(server, ADVANCE)
    server.person("Task/1", status=status)
    assert shape(plan(server, UNREAD, complete=False, unread=("Goal",))) == expected


async def test_that_the_chart_could_not_be_read_breaks_no_silence(holding: InboxServer) -> None:
    await deliver(holding, SILENT)
    assert not plan(holding, UNREAD, complete=False, unread=("Flag",))
    low = an_assessment(an_advice(rule="low-while-feeding"), states=LOW)
    for danger in (low, UNREAD_AND_LOW):
        assert shape(plan(holding, danger, complete=False, unread=("Flag",))) == ["create"], "a danger seen does"


async def test_a_stay_that_could_not_be_read_is_taken_to_be_the_last_one() -> None:
    """It is part of the name of every decision: all would be told once more, what was answered too."""
    server, low = InboxServer(), a_notice(NoticeCode.REPLACEMENT, "Please review replacement: phosphate 0.62 mmol/L.")
    whole = replace(an_assessment(an_advice(rule="low-while-feeding"), states=LOW), notices=(low,))
    await deliver(server, whole)
    blind = replace(whole, encounter="")
    assert not plan(server, blind, complete=False, unread=("Encounter",))
    (notice,) = server.of_type("CommunicationRequest")
    server.person(notice, status="completed")
    assert not plan(server, blind, complete=False, unread=("Encounter",))
    assert shape(plan(InboxServer(), blind, complete=False, unread=("Encounter",))) == ["create", "create"]


def test_an_incomplete_chart_still_says_hold_where_nothing_else_stands() -> None:
    assert shape(plan(InboxServer(), an_assessment(an_advice(rule="incomplete-read")), complete=False)) == ["create"]
    assert not plan(InboxServer(), ADVANCE, complete=False)


@pytest.mark.parametrize(
    ("code", "unread", "expected"),
    [
        (NoticeCode.URGENT, (), ["create"]),
        (NoticeCode.REPLACEMENT, (), ["create"]),
        (NoticeCode.SCHEDULED_INCREASE, (), ["create"]),
        (NoticeCode.LAB_GAP, (), []),
        (NoticeCode.LAB_GAP, ("Observation",), []),
        (NoticeCode.LAB_GAP, ("Flag",), ["create"]),
        (NoticeCode.LAB_GAP_AHEAD, ("ServiceRequest",), []),
        (NoticeCode.MICRONUTRIENT, ("MedicationRequest",), []),
        (NoticeCode.MICRONUTRIENT, ("Goal",), ["create"]),
        (NoticeCode.DATA_QUALITY, ("Observation",), []),
        (NoticeCode.DATA_QUALITY, ("Patient",), []),
        (NoticeCode.DATA_QUALITY, ("Flag",), ["create"]),
    ],
)
def test_a_notice_on_an_incomplete_chart_needs_the_reads_it_rests_on(
    code: NoticeCode, unread: tuple[str, ...], expected: list[str]
) -> None:
    assessment = replace(SILENT, notices=(a_notice(code),))
    assert shape(plan(InboxServer(), assessment, complete=False, unread=unread)) == expected


async def test_an_incomplete_chart_revokes_no_notice() -> None:
    server = InboxServer()
    await deliver(server, replace(HOLD, notices=(a_notice(),)))
    assert not plan(server, HOLD, complete=False)


def test_another_patients_inbox_is_refused() -> None:
    with pytest.raises(ValueError, match="another patient"):
        reconcile(HOLD, InboxServer().inbox("p2"), site=SITE)


# ---------------------------------------------------------------- notices

GAP = a_notice()
WITH_GAP = replace(HOLD, notices=(GAP,))


@pytest.fixture
async def gap_told() -> InboxServer:
    """An inbox with one untouched notice in it: `CommunicationRequest/2`."""
    server = InboxServer()
    await deliver(server, WITH_GAP)
    return server


NEXT_GAP = replace(HOLD, notices=(replace(GAP, text="Phosphate (due Thu 26 Nov 06:00): no draw is ordered."),))


@pytest.mark.parametrize(
    ("changes", "assessment", "expected", "why"),
    [
        ({}, WITH_GAP, [], "the same gap"),
        ({}, HOLD, ["revoke CommunicationRequest/2"], "no longer true"),
        ({}, NEXT_GAP, ["refresh CommunicationRequest/2"], "the same gap, told newer"),
        ({"status": "completed"}, WITH_GAP, [], "a person has dealt with it"),
        ({"status": "completed"}, NEXT_GAP, ["create"], "dealt with, and the next one is missed too"),
        ({"status": "completed"}, HOLD, [], "dealt with, and gone"),
        ({"status": "on-hold"}, WITH_GAP, [], "a person has put it aside"),
        ({"status": "on-hold"}, HOLD, [], "a person's is not revoked"),
        ({"status": "revoked"}, WITH_GAP, [], "revoked by a person"),
        ({"status": "entered-in-error"}, WITH_GAP, [], "struck out by a person"),
        ({"status": "unknown"}, WITH_GAP, [], "an unclear status is a person's"),
        ({"note": [{"text": "phoned"}]}, HOLD, [], "active, but with a person's note"),
    ],
)
async def test_what_becomes_of_a_notice(
    gap_told: InboxServer, changes: dict[str, Any], assessment: Assessment, expected: list[str], why: str
) -> None:
    if changes:
        gap_told.person("CommunicationRequest/2", **changes)
    assert shape(plan(gap_told, assessment)) == expected, why


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        (replace(GAP, stage=GapStage.NOT_COLLECTED), "another stage"),
        (replace(GAP, tell=Tell.NURSE), "another person to tell"),
        (replace(GAP, analytes=(Analyte.POTASSIUM,)), "another analyte"),
        (replace(GAP, topic="thiamine"), "another topic"),
        (replace(GAP, code=NoticeCode.LAB_GAP_AHEAD), "another kind"),
    ],
)
async def test_another_notice_replaces_the_one_that_is_no_longer_true(
    gap_told: InboxServer, changed: Any, why: str
) -> None:
    planned = plan(gap_told, replace(HOLD, notices=(changed,)))
    assert sorted(shape(planned)) == ["create", "revoke CommunicationRequest/2"], why


async def test_a_notice_revoked_by_the_service_can_come_back(gap_told: InboxServer) -> None:
    await deliver(gap_told, HOLD)
    assert (await deliver(gap_told, WITH_GAP)).count(Create) == 1
    assert not plan(gap_told, WITH_GAP)


def test_notices_that_are_one_to_the_inbox_are_told_together() -> None:
    more = replace(GAP, text="And magnesium is low.", priority=Priority.STAT)
    [create] = plan(InboxServer(), replace(SILENT, notices=(GAP, more))).actions
    assert isinstance(create, Create)
    assert GAP.text in create.proposal.text
    assert more.text in create.proposal.text
    assert create.proposal.priority is Priority.STAT


async def test_a_site_may_leave_a_kind_of_notice_as_draft() -> None:
    site = Site(drafts=frozenset({NoticeCode.LAB_GAP}))
    server = InboxServer()
    writer = InboxWriter(site=site, gate=Gate(site), server=server, read_inbox=server.read_inbox)
    await writer.deliver(WITH_GAP, server.inbox())
    assert list(server.of_type("CommunicationRequest", "draft")) == ["CommunicationRequest/2"]
    assert not reconcile(WITH_GAP, server.inbox(), site=site)
    server.person("CommunicationRequest/2", status="active")
    assert not reconcile(HOLD, server.inbox(), site=site), "a person has sent it on"


async def test_deliveries_count_what_they_did(gap_told: InboxServer) -> None:
    first = await deliver(gap_told, replace(ADVANCE, now=datetime(2026, 11, 26, 6, 30, tzinfo=UTC)))
    assert [first.count(kind) for kind in (Create, Refresh, Cancel, Revoke)] == [1, 0, 1, 1]
