"""What a person's answer on our page writes is sound R4.

R4 alone: an answered Task is a person's, and our profile says what the service writes by itself.
"""

import asyncio
from datetime import timedelta
from typing import Any

import pytest
from inbox_rounds import FIXTURES, assessment
from profiles import profiles_of, untold
from stories import rows_of
from validating import Validator

from andante.domain.advice import Assessment
from andante.writeback.answer import REASONS, Answer, Decider, Given, answered
from andante.writeback.gate import Gate
from andante.writeback.identity import patient_id
from andante.writeback.site import Site
from andante.writeback.standing import Standing, read_inbox
from andante.writeback.writer import InboxWriter
from inbox_server import InboxServer

Json = dict[str, Any]

SIGNED_IN = Decider(name="Ada Quill", reference="Practitioner/ada-quill")
NAMED = Decider(name="Ada Quill")


def _asked(one: Assessment) -> Standing:
    server = InboxServer()
    writer = InboxWriter(site=Site(), gate=Gate(Site()), server=server, read_inbox=server.read_inbox)
    asyncio.run(writer.deliver(one, server.inbox(patient_id(one))))
    return next(item for item in read_inbox(server.inbox(patient_id(one)), Site()) if item.reference.startswith("Task"))


ONE = assessment(rows_of(FIXTURES / "patients" / "severe-fall")[3])
STANDING = _asked(ONE)
AT = ONE.now + timedelta(minutes=20)

ANSWERS = [
    Given(answer=Answer.AGREE, by=SIGNED_IN, at=AT),
    Given(answer=Answer.AGREE, by=NAMED, at=AT, words="Spoken about with the team."),
    Given(answer=Answer.DONE, by=SIGNED_IN, at=AT),
    Given(answer=Answer.REMIND, by=SIGNED_IN, at=AT, until=AT + timedelta(hours=2)),
    *(Given(answer=Answer.DECLINE, by=SIGNED_IN, at=AT, reason=reason) for reason in REASONS),
]


@pytest.mark.parametrize("given", ANSWERS, ids=lambda given: f"{given.answer}-{given.reason or given.by.reference}")
def test_an_answer_is_sound(validator: Validator, given: Given) -> None:
    bundle = answered(STANDING, given, Site())
    assert untold(validator.issues(bundle)) == []


def test_a_task_with_a_persons_answer_does_not_pass_for_one_of_the_services(validator: Validator) -> None:
    task = answered(STANDING, ANSWERS[0], Site())["entry"][0]["resource"]
    assert not validator.errors(task)
    assert any("status" in issue.location for issue in validator.errors(task, *profiles_of(task)))
