"""What a person's answer on our page writes is sound R4 and meets the profiles of answers.

It does not meet those of what the service writes by itself, nor the other way round.
"""

import asyncio
import json
from datetime import timedelta
from typing import Any

import another_site
import pytest
from inbox_rounds import FIXTURES, assessment, first_bundles
from profiles import answer_profiles_of, profiles_of, untold
from stories import rows_of
from validating import Validator

from andante.domain.advice import Assessment
from andante.writeback.answer import REASONS, Answer, Decider, Given, answered
from andante.writeback.gate import Gate
from andante.writeback.identity import patient_id
from andante.writeback.site import DEFAULT_BASE, Site
from andante.writeback.standing import Standing, read_inbox
from andante.writeback.writer import InboxWriter
from inbox_server import InboxServer

Json = dict[str, Any]

SIGNED_IN = Decider(name="Ada Quill", reference="Practitioner/ada-quill")
NAMED = Decider(name="Ada Quill")
IN_A_ROLE = Decider(name="Ada Quill", reference="PractitionerRole/ward-dietitian")
AS_A_PERSON = Decider(name="Ada Quill", reference="Person/ada-quill")


def _asked(one: Assessment, site: Site) -> Standing:
    server = InboxServer()
    writer = InboxWriter(site=site, gate=Gate(site), server=server, read_inbox=server.read_inbox)
    asyncio.run(writer.deliver(one, server.inbox(patient_id(one))))
    return next(item for item in read_inbox(server.inbox(patient_id(one)), site) if item.reference.startswith("Task"))


ONE = assessment(rows_of(FIXTURES / "patients" / "severe-fall")[3])
STANDING = _asked(ONE, Site())
AT = ONE.now + timedelta(minutes=20)

ANSWERS = [
    *(Given(answer=Answer.AGREE, by=by, at=AT) for by in (SIGNED_IN, NAMED, IN_A_ROLE, AS_A_PERSON)),
    Given(answer=Answer.AGREE, by=NAMED, at=AT, words="Spoken about with the team."),
    Given(answer=Answer.DONE, by=SIGNED_IN, at=AT),
    Given(answer=Answer.REMIND, by=SIGNED_IN, at=AT, until=AT + timedelta(hours=2)),
    *(Given(answer=Answer.DECLINE, by=SIGNED_IN, at=AT, reason=reason) for reason in REASONS),
]
PERIOD = {"end": "2031-04-01T06:30:00Z"}
CHANGED = [
    # what people may have made of a suggestion before somebody answers it on our page
    pytest.param({}, id="untouched"),
    pytest.param({"status": "received"}, id="received elsewhere"),
    pytest.param(
        {"owner": {"reference": "Practitioner/otto-bell"}, "priority": "stat"}, id="another owner, more urgent"
    ),
    pytest.param({"note": [{"text": "Seen."}]}, id="our note taken out"),
    pytest.param({"restriction": {"period": PERIOD, "repetitions": 1}}, id="another period"),
    pytest.param({"input": [{"type": {"text": "x"}, "valueString": "y"}]}, id="other inputs"),
    pytest.param({"performerType": [{"text": "anybody"}], "description": "See me first."}, id="other words"),
]


def wrong_with(validator: Validator, bundle: Json, base: str = DEFAULT_BASE) -> list[str]:
    parts = (bundle, *(entry["resource"] for entry in bundle["entry"]))
    return [told for part in parts for told in untold(validator.issues(part, *answer_profiles_of(part, base)))]


@pytest.mark.parametrize("given", ANSWERS, ids=lambda given: f"{given.answer}-{given.reason or given.by.reference}")
def test_an_answer_is_sound(validator: Validator, given: Given) -> None:
    assert wrong_with(validator, answered(STANDING, given, Site())) == []


@pytest.mark.parametrize("changes", CHANGED)
@pytest.mark.parametrize("given", ANSWERS[:1] + ANSWERS[-1:], ids=lambda given: given.answer)
def test_an_answer_to_what_people_changed_is_sound(validator: Validator, given: Given, changes: Json) -> None:
    """And passes the write gate: what passes there is what the profile allows."""
    server = InboxServer(resources={STANDING.reference: {**STANDING.body, **changes}})
    (seen,) = read_inbox(server.inbox(patient_id(ONE)), Site())
    bundle = answered(seen, given, Site())
    Gate(Site()).clear_answer(bundle, seen.body)
    assert wrong_with(validator, bundle) == []


def test_an_answer_at_a_site_of_its_own_is_sound(validator: Validator) -> None:
    standing = _asked(ONE, another_site.SITE)
    for given in ANSWERS:
        bundle = answered(standing, given, another_site.SITE)
        assert DEFAULT_BASE not in json.dumps(bundle)
        assert wrong_with(validator, bundle, another_site.BASE) == []


def test_a_task_with_a_persons_answer_does_not_pass_for_one_of_the_services(validator: Validator) -> None:
    bundle = answered(STANDING, ANSWERS[0], Site())
    for part in (bundle, *(entry["resource"] for entry in bundle["entry"])):
        assert not validator.errors(part)
        assert validator.errors(part, *profiles_of(part)), part["resourceType"]


def test_what_the_service_writes_does_not_pass_for_an_answer(validator: Validator) -> None:
    sent = next(first_bundles(FIXTURES / "patients" / "severe-fall", Site()))[1]
    assert sent["entry"]
    for part in (sent, *(entry["resource"] for entry in sent["entry"])):
        if part["resourceType"] != "CommunicationRequest":
            assert validator.errors(part, *answer_profiles_of(part)), part["resourceType"]
