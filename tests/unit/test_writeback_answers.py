"""A person's answer to a suggestion: what is written, what never is, and what the next round makes of it.

Statuses: https://hl7.org/fhir/R4/valueset-task-status.html. Who and when: Annotation and Provenance of R4.
"""

import copy
import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from andante.errors import Conflict, InputError, WriteRefused
from andante.shared_files import shared
from andante.writeback.allowlist import load_allowlist
from andante.writeback.answer import REASONS, Answer, Decider, Given, answered, answers_to, reminder_of
from andante.writeback.codes import AnswerCode
from andante.writeback.gate import Gate
from andante.writeback.reconcile import reconcile
from andante.writeback.site import Site
from andante.writeback.standing import Hands, Standing, read_inbox
from andante.writeback.writer import AnswerWriter, InboxWriter
from builders import NOW, a_fact, an_assessment
from inbox_server import InboxServer

SITE = Site()
GATE = Gate(SITE)
Json = dict[str, Any]
ADA = Decider(name="Ada Quill", reference="Practitioner/ada")
AT = NOW + timedelta(minutes=20)
HOLD = an_assessment()


def given(answer: Answer, **more: Any) -> Given:
    fitting: Json = {}
    if answer is Answer.DECLINE:
        fitting["reason"] = AnswerCode.OTHER_GOAL
    if answer is Answer.REMIND:
        fitting["until"] = AT + timedelta(hours=2)
    return Given(answer=answer, **({"by": ADA, "at": AT} | fitting | more))


async def asked() -> InboxServer:
    """A server on which one suggestion waits."""
    server = InboxServer()
    writer = InboxWriter(site=SITE, gate=GATE, server=server, read_inbox=server.read_inbox)
    await writer.deliver(HOLD, server.inbox())
    return server


def standing(server: InboxServer) -> Standing:
    return read_inbox(server.inbox(), SITE)[-1]


async def write(server: InboxServer, one: Given, seen: Standing | None = None) -> Standing:
    await AnswerWriter(site=SITE, gate=GATE, server=server).write(seen or standing(server), one)
    return standing(server)


ROWS = [
    # answer, status, code of the reason, whose hands the round sees
    pytest.param(Answer.AGREE, "accepted", "agreed", Hands.DECIDED, id="agree"),
    pytest.param(Answer.DECLINE, "rejected", "other-goal", Hands.DECIDED, id="decline"),
    pytest.param(Answer.REMIND, "received", "put-off", Hands.HANDLED, id="remind"),
    pytest.param(Answer.DONE, "completed", "done", Hands.DECIDED, id="done"),
]


@pytest.mark.parametrize(("answer", "status", "code", "hands"), ROWS)
async def test_an_answer_says_what_who_and_when(answer: Answer, status: str, code: str, hands: Hands) -> None:
    server = await asked()
    before = copy.deepcopy(standing(server).body)
    after = await write(server, given(answer))
    assert (after.status, after.hands) == (status, hands)
    body = after.body
    assert body["statusReason"]["coding"][0]["code"] == code
    note = body["note"][-1]
    assert note["authorReference"] == {"reference": "Practitioner/ada", "display": "Ada Quill"}
    assert datetime.fromisoformat(note["time"]) == AT
    assert "Nothing has been ordered" in note["text"]
    changed = {name for name in body.keys() | before.keys() if body.get(name) != before.get(name)}
    assert changed <= {"status", "statusReason", "lastModified", "note", "meta"}
    assert body["note"][:-1] == before["note"]


async def test_it_is_written_in_the_version_seen_with_a_provenance_that_names_the_person() -> None:
    server = await asked()
    seen = standing(server)
    await write(server, given(Answer.AGREE))
    task, provenance = server.sent[-1]["entry"]
    assert task["request"] == {"method": "PUT", "url": seen.reference, "ifMatch": f'W/"{seen.version}"'}
    assert provenance["resource"]["target"] == [{"reference": seen.reference}]
    assert provenance["resource"]["agent"][0]["who"]["reference"] == "Practitioner/ada"
    assert provenance["resource"]["entity"][0]["what"]["reference"] == f"{seen.reference}/_history/{seen.version}"


async def test_somebody_without_a_reference_is_named_in_words() -> None:
    server = await asked()
    after = await write(server, given(Answer.AGREE, by=Decider(name="Ada Quill (development login)")))
    assert after.body["note"][-1]["authorString"] == "Ada Quill (development login)"


@pytest.mark.parametrize(
    ("reference", "note", "agent"),
    [
        pytest.param(
            "Practitioner/ada",
            {"authorReference": {"reference": "Practitioner/ada", "display": "Ada Quill"}},
            {"reference": "Practitioner/ada", "display": "Ada Quill"},
            id="a practitioner",
        ),
        pytest.param(
            "PractitionerRole/ada",
            {"authorString": "Ada Quill (PractitionerRole/ada)"},
            {"reference": "PractitionerRole/ada", "display": "Ada Quill (PractitionerRole/ada)"},
            id="a role, which may be an agent and may not write a note",
        ),
        pytest.param(
            "Person/ada",
            {"authorString": "Ada Quill (Person/ada)"},
            {"display": "Ada Quill (Person/ada)"},
            id="a person, who may be neither",
        ),
    ],
)
async def test_whoever_may_sign_in_is_named_where_r4_allows_it(reference: str, note: Json, agent: Json) -> None:
    """https://hl7.org/fhir/R4/datatypes.html#Annotation, https://hl7.org/fhir/R4/provenance.html"""
    server = await asked()
    after = await write(server, given(Answer.AGREE, by=Decider(name="Ada Quill", reference=reference)))
    left = {name: value for name, value in after.body["note"][-1].items() if name.startswith("author")}
    assert left == note
    provenance = server.sent[-1]["entry"][1]["resource"]
    assert provenance["agent"][0]["who"] == agent


async def test_of_two_at_once_the_second_is_told_and_the_first_stands() -> None:
    server = await asked()
    seen = standing(server)
    await write(server, given(Answer.AGREE), seen)
    with pytest.raises(Conflict):
        await write(server, given(Answer.DECLINE, by=Decider(name="Otto Bell")), seen)
    assert standing(server).status == "accepted"


@pytest.mark.parametrize("answer", [row.values[0] for row in ROWS], ids=[row.id for row in ROWS])
async def test_the_next_round_on_the_same_evidence_leaves_the_answer_alone(answer: Answer) -> None:
    server = await asked()
    await write(server, given(answer))
    later = an_assessment(now=NOW + timedelta(hours=1))
    assert not reconcile(later, server.inbox(), site=SITE)


async def test_new_evidence_may_ask_again_after_a_decision() -> None:
    server = await asked()
    await write(server, given(Answer.DECLINE))
    newer = an_assessment(evidence=(a_fact(value="0.66 mmol/L", source="Observation/po4-2/_history/1"),))
    (action,) = reconcile(newer, server.inbox(), site=SITE).actions
    assert type(action).__name__ == "Create"


# What an answer may follow: rows are the status that stands, columns what is still offered.
OPEN = [
    ("requested", [Answer.AGREE, Answer.DECLINE, Answer.REMIND, Answer.DONE]),
    ("received", [Answer.AGREE, Answer.DECLINE, Answer.REMIND, Answer.DONE]),
    ("accepted", [Answer.DECLINE, Answer.DONE]),
    ("in-progress", [Answer.DONE]),
    ("rejected", []),
    ("completed", []),
    ("cancelled", []),
    ("entered-in-error", []),
    ("nonsense", []),
]


@pytest.mark.parametrize(("status", "offered"), OPEN, ids=[row[0] for row in OPEN])
async def test_what_is_final_stays_final(status: str, offered: list[Answer]) -> None:
    server = await asked()
    (address,) = [name for name in server.resources if name.startswith("Task/")]
    server.resources[address]["status"] = status
    one = standing(server)
    assert list(answers_to(one)) == offered
    for answer in set(Answer) - set(offered):
        with pytest.raises(InputError):
            answered(one, given(answer), SITE)


async def test_a_reminder_is_found_again() -> None:
    server = await asked()
    assert reminder_of(standing(server), SITE) is None
    after = await write(server, given(Answer.REMIND))
    assert reminder_of(after, SITE) == AT + timedelta(hours=2)


UNUSABLE = [
    pytest.param(given(Answer.DECLINE, reason=None), id="declined without a reason"),
    pytest.param(given(Answer.DECLINE, reason=AnswerCode.DONE), id="declined for what is no reason"),
    pytest.param(given(Answer.REMIND, until=None), id="a reminder without an instant"),
    pytest.param(given(Answer.REMIND, until=AT), id="a reminder of the past"),
]


@pytest.mark.parametrize("one", UNUSABLE)
async def test_an_answer_that_says_too_little_is_not_written(one: Given) -> None:
    server = await asked()
    sent = len(server.sent)
    with pytest.raises(InputError):
        await write(server, one)
    assert len(server.sent) == sent


async def test_a_persons_words_cannot_break_the_note() -> None:
    server = await asked()
    after = await write(server, given(Answer.AGREE, words="line\none\u202e\x00" + "x" * 2000))
    text = after.body["note"][-1]["text"]
    assert text.isprintable()
    assert len(text) < 700


# --------------------------------------------------------------------------- what the gate refuses


def _change(path: str, to: Any) -> Callable[[Json], None]:
    def change(bundle: Json) -> None:
        node: Any = bundle
        *way, last = path.split(".")
        for part in way:
            node = node[int(part)] if part.lstrip("-").isdigit() else node[part]
        if to is None:
            del node[int(last) if last.isdigit() else last]
        else:
            node[int(last) if last.isdigit() else last] = to

    return change


TASK = "entry.0.resource"
REFUSED = [
    pytest.param(_change(f"{TASK}.status", "requested"), id="put back to requested"),
    pytest.param(_change(f"{TASK}.status", "cancelled"), id="cancelled as the service does"),
    pytest.param(_change(f"{TASK}.status", "in-progress"), id="a status no answer has"),
    pytest.param(_change(f"{TASK}.status", "rejected"), id="a status its reason does not fit"),
    pytest.param(_change(f"{TASK}.description", "Give more"), id="another description"),
    pytest.param(_change(f"{TASK}.priority", "stat"), id="another priority"),
    pytest.param(_change(f"{TASK}.for.reference", "Patient/other"), id="another patient"),
    pytest.param(_change(f"{TASK}.input", None), id="the evidence taken away"),
    pytest.param(_change(f"{TASK}.intent", "order"), id="made an order"),
    pytest.param(_change(f"{TASK}.output", [{"type": {"text": "x"}, "valueString": "y"}]), id="an output added"),
    pytest.param(_change(f"{TASK}.owner", {"reference": "Practitioner/ada"}), id="another owner"),
    pytest.param(_change(f"{TASK}.basedOn", [{"reference": "NutritionOrder/1"}]), id="tied to an order"),
    pytest.param(_change(f"{TASK}.text", {"status": "empty"}), id="a narrative"),
    pytest.param(_change(f"{TASK}.note.0.text", "something else"), id="our own note rewritten"),
    pytest.param(_change(f"{TASK}.note.1.text", ""), id="an empty note"),
    pytest.param(_change(f"{TASK}.note.1.text", "x" * 701), id="a note without end"),
    pytest.param(_change(f"{TASK}.note.1.time", "soon"), id="a note of no time"),
    pytest.param(_change(f"{TASK}.note.1.authorReference", None), id="a note by nobody"),
    pytest.param(_change(f"{TASK}.note.1.authorReference.reference", "Practitioner/otto"), id="a note by another"),
    pytest.param(
        _change(f"{TASK}.note.1", {"authorString": "Otto Bell", "time": AT.isoformat(), "text": "Agreed."}),
        id="a note by another, named in words",
    ),
    pytest.param(_change(f"{TASK}.statusReason.coding.0.system", "http://else.example"), id="a reason of others"),
    pytest.param(_change(f"{TASK}.statusReason.coding.0.code", "done"), id="a reason of another answer"),
    pytest.param(_change("entry.0.request.ifMatch", 'W/"7"'), id="another version"),
    pytest.param(_change("entry.0.request.ifMatch", None), id="no version"),
    pytest.param(_change("entry.0.request.method", "POST"), id="a new Task"),
    pytest.param(_change("entry.1", None), id="no Provenance"),
    pytest.param(_change("entry.1.resource.agent.0.who.reference", "Practitioner/otto"), id="another person answers"),
    pytest.param(
        _change(
            "entry.1.resource.agent.0.who",
            {"identifier": {"system": SITE.identifiers("service"), "value": "andante"}, "display": "Andante"},
        ),
        id="the service answers itself",
    ),
    pytest.param(_change("type", "batch"), id="no transaction"),
]


@pytest.mark.parametrize("change", REFUSED)
async def test_the_gate_lets_nothing_but_an_answer_through(change: Callable[[Json], None]) -> None:
    one = standing(await asked())
    bundle = answered(one, given(Answer.AGREE), SITE)
    GATE.clear_answer(bundle, one.body)  # as built it passes
    tampered = copy.deepcopy(bundle)
    change(tampered)
    assert tampered != bundle
    with pytest.raises(WriteRefused):
        GATE.clear_answer(tampered, one.body)


@pytest.mark.parametrize("answer", [row.values[0] for row in ROWS], ids=[row.id for row in ROWS])
async def test_the_services_own_door_lets_no_answer_through(answer: Answer) -> None:
    bundle = answered(standing(await asked()), given(answer), SITE)
    with pytest.raises(WriteRefused):
        GATE.clear(bundle)


async def test_what_the_service_writes_does_not_pass_as_an_answer() -> None:
    server = await asked()
    with pytest.raises(WriteRefused):
        GATE.clear_answer(server.sent[-1], standing(server).body)


async def test_a_task_that_others_added_to_is_left_to_the_inbox_it_is_in() -> None:
    """We may not send what they added, and to leave it out would delete it."""
    server = await asked()
    (address,) = [name for name in server.resources if name.startswith("Task/")]
    server.resources[address]["executionPeriod"] = {"start": datetime(2031, 1, 1, tzinfo=UTC).isoformat()}
    sent = len(server.sent)
    with pytest.raises(WriteRefused):
        await write(server, given(Answer.AGREE))
    assert len(server.sent) == sent


def test_a_site_may_forbid_answers_and_never_widen_them(tmp_path: Any) -> None:
    text = shared("write-allowlist.toml").read_text(encoding="utf-8")
    none = tmp_path / "none.toml"
    none.write_text(text.replace('answers = ["accepted", "rejected", "received", "completed"]', "answers = []"))
    assert not load_allowlist(none)["Task"].answers
    for wider in ('"accepted", "in-progress"', '"accepted", "requested"'):
        path = tmp_path / "wider.toml"
        path.write_text(text.replace('"accepted", "rejected"', f'{wider}, "rejected"'))
        with pytest.raises(InputError):
            load_allowlist(path)
    path.write_text(text.replace('answered = ["status"', 'answered = ["description", "status"'))
    with pytest.raises(InputError):
        load_allowlist(path)


def test_every_reason_to_decline_has_words() -> None:
    assert len(REASONS) == 7
    assert json.dumps([code.value for code in REASONS]).count("agreed") == 0
