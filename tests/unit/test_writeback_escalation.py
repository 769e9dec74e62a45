"""An open notice that nobody answers is told to the next in line, once; what a person has touched is left alone."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from andante.domain.advice import AdviceCode, Assessment, NoticeCode, Priority, Tell
from andante.errors import InputError
from andante.writeback.gate import Gate
from andante.writeback.plan import Refresh
from andante.writeback.site import Escalation, Site
from andante.writeback.writer import Delivery, InboxWriter
from builders import NOW, a_fact, a_notice, an_advice, an_assessment
from inbox_server import InboxServer, Json

HOUR = Escalation(after=timedelta(minutes=60), to="PractitionerRole/on-call")
SITE = Site(recipients={Tell.PRESCRIBER: "PractitionerRole/duty"}, escalation={Priority.URGENT: HOUR})
GAP = a_notice(priority=Priority.URGENT)
QUIET = an_advice(AdviceCode.STOOD_DOWN, rule="stand-down", kcal=None, rate_ml_h=None)


def at(minutes: int, *notices: Any) -> Assessment:
    return an_assessment(QUIET, now=NOW + timedelta(minutes=minutes), notices=notices or (GAP,))


async def deliver(server: InboxServer, assessment: Assessment, site: Site = SITE, **options: Any) -> Delivery:
    writer = InboxWriter(site=site, gate=Gate(site), server=server, read_inbox=server.read_inbox)
    return await writer.deliver(assessment, server.inbox(), **options)


def recipients(server: InboxServer) -> list[str]:
    (notice,) = server.of_type("CommunicationRequest", "active").values()
    return [recipient["reference"] for recipient in notice["recipient"]]


def text(server: InboxServer) -> str:
    (notice,) = server.of_type("CommunicationRequest", "active").values()
    words: str = notice["payload"][0]["contentString"]
    return words


@pytest.fixture
async def open_notice() -> InboxServer:
    server = InboxServer()
    await deliver(server, at(0))
    return server


async def test_before_its_time_nobody_else_is_told(open_notice: InboxServer) -> None:
    assert (await deliver(open_notice, at(59))).done == ()
    assert recipients(open_notice) == ["PractitionerRole/duty"]


async def test_when_its_time_has_come_the_next_in_line_is_told_too(open_notice: InboxServer) -> None:
    delivery = await deliver(open_notice, at(60))
    assert delivery.count(Refresh) == 1
    assert recipients(open_notice) == ["PractitionerRole/duty", "PractitionerRole/on-call"]
    assert "Not answered within 60 min: told to the next in line too." in text(open_notice)


async def test_it_is_told_once_and_never_again(open_notice: InboxServer) -> None:
    await deliver(open_notice, at(60))
    sent = len(open_notice.sent)
    for minutes in (61, 120, 600, 3000):
        assert (await deliver(open_notice, at(minutes))).done == ()
    assert len(open_notice.sent) == sent
    assert recipients(open_notice) == ["PractitionerRole/duty", "PractitionerRole/on-call"]


async def test_it_stays_one_notice_and_one_person_sees_what_the_other_does(open_notice: InboxServer) -> None:
    await deliver(open_notice, at(60))
    assert len(open_notice.of_type("CommunicationRequest")) == 1


async def test_newer_evidence_does_not_take_the_escalation_back(open_notice: InboxServer) -> None:
    await deliver(open_notice, at(60))
    newer = replace(GAP, evidence=(a_fact(source="Observation/po4-2/_history/1"),))
    assert (await deliver(open_notice, at(70, newer))).count(Refresh) == 1
    assert recipients(open_notice) == ["PractitionerRole/duty", "PractitionerRole/on-call"]


TOUCHED: list[Json] = [
    {"status": "completed"},
    {"status": "on-hold"},
    {"status": "revoked", "statusReason": {"text": "drawn just now"}},
    {"note": [{"text": "on it"}]},
    {"recipient": [{"reference": "Practitioner/ada"}]},
]


@pytest.mark.parametrize("change", TOUCHED, ids=lambda change: next(iter(change)))
async def test_what_a_person_has_touched_escalates_no_further(open_notice: InboxServer, change: Json) -> None:
    (reference,) = open_notice.of_type("CommunicationRequest")
    open_notice.person(reference, **change)
    before = dict(open_notice.resources)
    assert (await deliver(open_notice, at(600))).done == ()
    assert open_notice.resources == before
    assert open_notice.overwritten == []


async def test_a_notice_that_is_no_longer_true_is_revoked_and_not_escalated(open_notice: InboxServer) -> None:
    await deliver(open_notice, an_assessment(QUIET, now=NOW + timedelta(minutes=90)))
    (notice,) = open_notice.of_type("CommunicationRequest").values()
    assert notice["status"] == "revoked"
    assert len(notice["recipient"]) == 1


async def test_a_chart_that_was_not_read_whole_escalates_nothing(open_notice: InboxServer) -> None:
    assert (await deliver(open_notice, at(90), complete=False)).done == ()
    assert recipients(open_notice) == ["PractitionerRole/duty"]


async def test_only_the_priorities_named_by_the_site_escalate(open_notice: InboxServer) -> None:
    routine = a_notice(NoticeCode.MICRONUTRIENT, "Please review.", analytes=(), priority=Priority.ROUTINE, topic="x")
    server = InboxServer()
    await deliver(server, at(0, routine))
    assert (await deliver(server, at(6000, routine))).done == ()


async def test_without_routing_the_role_that_is_named_is_told_first() -> None:
    site, server = Site(escalation={Priority.URGENT: HOUR}), InboxServer()
    await deliver(server, at(0), site)
    await deliver(server, at(60), site)
    (notice,) = server.of_type("CommunicationRequest", "active").values()
    first, second = notice["recipient"]
    assert first["identifier"]["value"] == "prescriber"
    assert second == {"reference": "PractitionerRole/on-call"}


async def test_who_is_told_already_is_not_told_twice(open_notice: InboxServer) -> None:
    same = Site(recipients=SITE.recipients, escalation={Priority.URGENT: replace(HOUR, to="PractitionerRole/duty")})
    assert (await deliver(open_notice, at(90), same)).done == ()


async def test_a_ward_may_have_people_of_its_own() -> None:
    ward = {"Ward 3": {Tell.DIETITIAN: "PractitionerRole/dietitian-3"}}
    site = Site(recipients={**SITE.recipients, Tell.DIETITIAN: "CareTeam/all"}, ward_recipients=ward)
    here, elsewhere = InboxServer(), InboxServer()
    await deliver(here, an_assessment(notices=(GAP,), ward="Ward 3"), site)
    await deliver(elsewhere, an_assessment(notices=(GAP,), ward="Ward 4"), site)
    assert [task["owner"]["reference"] for task in here.open_tasks().values()] == ["PractitionerRole/dietitian-3"]
    assert [task["owner"]["reference"] for task in elsewhere.open_tasks().values()] == ["CareTeam/all"]
    assert recipients(here) == recipients(elsewhere) == ["PractitionerRole/duty"]


@pytest.mark.parametrize(
    ("wrong", "named"),
    [
        ({"escalation": {Priority.STAT: replace(HOUR, to="Patient/1")}}, "escalation of stat"),
        ({"ward_recipients": {"Ward 3": {Tell.NURSE: "somebody"}}}, "routing in Ward 3 of nurse"),
    ],
)
def test_only_people_and_teams_can_be_told(wrong: Json, named: str) -> None:
    with pytest.raises(InputError, match=named):
        Site(**wrong)
