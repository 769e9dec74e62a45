"""Answering on the page: written to the Task, seen by the next round, and told to whoever comes second."""

import re
from collections.abc import Iterable, Iterator
from contextlib import closing
from pathlib import Path

import httpx
import pytest

from andante.audit import AuditLog
from andante.chart.chart import Inbox
from andante.chart.reader import ChartReader
from page_ward import Ward, token_in, ward_of

STORIES = ("refractory-phosphate", "plain-course", "severe-fall")
PATIENT = "Patient/mossop"
SEEN = re.compile(r'name="seen" value="([^"]*)"')


@pytest.fixture
def ward() -> Iterator[Ward]:
    with ward_of(STORIES) as ward:
        yield ward


@pytest.fixture
def ada(ward: Ward) -> Iterator[httpx.Client]:
    with closing(ward.client(name="Ada Quill")) as client:
        yield client


def sheet(ward: Ward) -> str:
    return f"/page/p/{ward.board()[PATIENT]}"


def opened(client: httpx.Client, ward: Ward) -> dict[str, str]:
    """What the forms of the sheet carry, as somebody sees it now."""
    page = client.get(sheet(ward)).text
    seen = SEEN.search(page)
    assert seen is not None
    return {"token": token_in(page), "seen": seen[1]}


ANSWERS = [
    pytest.param({"answer": "agree"}, "accepted", "agreed by Ada Quill", id="agree"),
    pytest.param({"answer": "decline", "reason": "other-goal"}, "rejected", "declined by Ada Quill", id="decline"),
    pytest.param({"answer": "remind", "hours": "2"}, "received", "put off until 27 Mar 08:30", id="remind"),
    pytest.param({"answer": "done"}, "completed", "done by Ada Quill", id="done"),
]


@pytest.mark.parametrize(("fields", "status", "said"), ANSWERS)
def test_an_answer_is_on_the_server_and_on_the_page(
    ward: Ward, ada: httpx.Client, fields: dict[str, str], status: str, said: str
) -> None:
    answer = ada.post(sheet(ward), data=opened(ada, ward) | fields)
    assert answer.status_code == 200
    assert "Nothing has been ordered by this answer. Order in" in answer.text
    assert said in answer.text
    assert said in ada.get("/page").text
    task = ward.tasks(PATIENT)[-1]
    assert task["status"] == status
    assert task["note"][-1]["authorString"] == "Ada Quill (development login)"


@pytest.mark.parametrize(("fields", "status", "said"), ANSWERS)
def test_the_next_round_sees_it_and_does_not_ask_again(
    ward: Ward, ada: httpx.Client, fields: dict[str, str], status: str, said: str
) -> None:
    ada.post(sheet(ward), data=opened(ada, ward) | fields)
    before = ward.tasks(PATIENT)
    ward.move_on(minutes=5)
    ward.run_round()
    assert ward.tasks(PATIENT) == before
    assert said in ada.get("/page").text


def test_a_reminder_comes_back_when_its_time_has_come(ward: Ward, ada: httpx.Client) -> None:
    ada.post(sheet(ward), data=opened(ada, ward) | {"answer": "remind", "hours": "1"})
    assert "put off until 27 Mar 07:30" in ada.get("/page").text
    ward.clock.at = ward.clock.at.replace(hour=7, minute=29)
    assert "was put off" not in ada.get("/page").text
    ward.clock.at = ward.clock.at.replace(minute=31)
    assert "was put off until 27 Mar 07:30" in ada.get("/page").text


def test_of_two_at_once_the_second_is_told_and_nothing_of_theirs_is_written(ward: Ward, ada: httpx.Client) -> None:
    with closing(ward.client(name="Otto Bell")) as otto:
        both_saw = opened(otto, ward)
        ada.post(sheet(ward), data=opened(ada, ward) | {"answer": "agree"})
        answer = otto.post(sheet(ward), data=both_saw | {"answer": "decline", "reason": "judgement"})
    assert answer.status_code == 409
    assert "Somebody was faster" in answer.text
    assert "agreed by Ada Quill" in answer.text
    assert ward.tasks(PATIENT)[-1]["status"] == "accepted"


def test_an_answer_given_elsewhere_is_seen_when_the_sheet_is_opened(ward: Ward, ada: httpx.Client) -> None:
    task = ward.tasks(PATIENT)[-1]
    ward.stage.sandbox.load([{**task, "status": "rejected"}])
    page = ada.get(sheet(ward)).text
    assert "declined" in page
    assert "There is nothing to answer now." in page


def test_what_a_sheet_shows_is_told_to_be_old_once_it_is(ward: Ward, ada: httpx.Client) -> None:
    page = ada.get(sheet(ward)).text
    (news,) = re.findall(r'hx-get="([^"]*/news[^"]*)"', page)
    assert ada.get(news).text.strip() == ""
    ada.post(sheet(ward), data=opened(ada, ward) | {"answer": "agree"})
    assert "not the newest any more" in ada.get(news).text


INCOMPLETE = [
    pytest.param({}, "choose an answer", id="no answer"),
    pytest.param({"answer": "order"}, "choose an answer", id="no such answer"),
    pytest.param({"answer": "decline"}, "choose a reason", id="declined without a reason"),
    pytest.param({"answer": "decline", "reason": "agreed"}, "reason from the list", id="declined by agreeing"),
    pytest.param({"answer": "remind"}, "choose when", id="reminded some time"),
    pytest.param({"answer": "remind", "hours": "-3"}, "choose when", id="reminded in the past"),
]


@pytest.mark.parametrize(("fields", "said"), INCOMPLETE)
def test_half_an_answer_is_not_taken(ward: Ward, ada: httpx.Client, fields: dict[str, str], said: str) -> None:
    before = ward.tasks(PATIENT)
    answer = ada.post(sheet(ward), data=opened(ada, ward) | fields)
    assert answer.status_code in (422, 502)
    assert said in answer.text
    assert ward.tasks(PATIENT) == before


def test_with_the_server_gone_the_last_round_stays_in_sight_and_nothing_is_taken(ward: Ward, ada: httpx.Client) -> None:
    form, before = opened(ada, ward), ward.tasks(PATIENT)
    ward.server_is_gone = True
    page = ada.get(sheet(ward), timeout=30)
    assert page.status_code == 200
    assert "The FHIR server does not answer" in page.text
    answer = ada.post(sheet(ward), data=form | {"answer": "agree"}, timeout=30)
    assert answer.status_code == 502
    assert "Nothing was written" in answer.text
    assert ward.tasks(PATIENT) == before


def test_a_round_that_fails_is_told_on_the_list(ward: Ward, ada: httpx.Client) -> None:
    ward.server_is_gone = True
    ward.run_round()
    page = ada.get("/page").text
    assert "The last round failed" in page
    assert "Heron 4" in page


def test_who_may_only_look_finds_no_form_and_is_refused(ward: Ward) -> None:
    with closing(ward.client(role="view")) as viewer:
        page = viewer.get(sheet(ward)).text
        assert "Your role may look, not answer." in page
        assert not SEEN.search(page)
        forged = {"token": token_in(page), "seen": ward.tasks(PATIENT)[-1]["meta"]["versionId"], "answer": "agree"}
        assert viewer.post(sheet(ward), data=forged).status_code == 403
    assert ward.tasks(PATIENT)[-1]["status"] == "requested"


def test_only_the_persons_elements_of_the_task_change(ward: Ward, ada: httpx.Client) -> None:
    before = ward.tasks(PATIENT)[-1]
    ada.post(sheet(ward), data=opened(ada, ward) | {"answer": "agree", "words": "With the ward doctor."})
    after = ward.tasks(PATIENT)[-1]
    changed = {name for name in before.keys() | after.keys() if before.get(name) != after.get(name)}
    assert changed == {"status", "statusReason", "lastModified", "note", "meta"}
    assert "With the ward doctor" in after["note"][-1]["text"]


def test_who_looked_and_who_answered_is_in_the_audit_log(tmp_path: Path) -> None:
    log = tmp_path / "audit.jsonl"
    with ward_of(STORIES, audit_file=log) as ward, closing(ward.client()) as client:
        client.post(sheet(ward), data=opened(client, ward) | {"answer": "agree"})
    lines = log.read_text(encoding="utf-8")
    assert '"action": "look"' in lines
    (answered,) = [line for line in lines.splitlines() if '"action": "answer"' in line]
    assert '"outcome": "agree"' in answered
    assert "Ada" not in lines


def fill_the_disk(monkeypatch: pytest.MonkeyPatch, *, once_sent: bool) -> None:
    """From now on, or from the first write that has been sent, no line finds room in the audit log."""
    append, full = AuditLog._append, not once_sent

    def append_where_there_is_room(log: AuditLog, line: dict[str, object], durable: bool) -> None:
        nonlocal full
        if full:
            raise OSError(28, "No space left on device")
        full = line.get("outcome") == "sending"
        append(log, line, durable)

    monkeypatch.setattr(AuditLog, "_append", append_where_there_is_room)


@pytest.mark.parametrize(("once_sent", "status"), [(True, "accepted"), (False, "requested")])
def test_an_answer_of_which_the_record_is_not_whole_is_never_told_as_not_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, once_sent: bool, status: str
) -> None:
    with ward_of(STORIES, audit_file=tmp_path / "audit.jsonl") as ward, closing(ward.client()) as ada:
        form = opened(ada, ward)
        fill_the_disk(monkeypatch, once_sent=once_sent)
        answer = ada.post(sheet(ward), data=form | {"answer": "agree"})
        monkeypatch.undo()
        assert answer.status_code == 503
        assert "othing was written" not in answer.text
        assert ("It is not known whether yours was written" in answer.text) is once_sent
        assert ward.tasks(PATIENT)[-1]["status"] == status


@pytest.mark.parametrize(("method", "said"), [("GET", ""), ("POST", "Your answer was not written. ")])
def test_a_patient_who_leaves_while_the_inbox_is_read_is_told_as_gone(
    ward: Ward, ada: httpx.Client, monkeypatch: pytest.MonkeyPatch, method: str, said: str
) -> None:
    address, form = sheet(ward), opened(ada, ward)
    leaves(ward, monkeypatch, once="requested")
    answer = ada.request(method, address, data=form | {"answer": "agree"} if method == "POST" else None)
    assert answer.status_code == 404
    assert f"{said}This sheet is not on the list any more" in answer.text
    assert ward.tasks(PATIENT)[-1]["status"] == "requested"


def test_who_leaves_after_the_answer_was_written_leaves_it_told_as_written(
    ward: Ward, ada: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    address, form = sheet(ward), opened(ada, ward)
    leaves(ward, monkeypatch, once="accepted")
    answer = ada.post(address, data=form | {"answer": "agree"})
    assert answer.status_code == 200
    assert "Your answer was written at" in answer.text
    assert "The sheet cannot be shown now." in answer.text
    assert ada.get(address).status_code == 404


def leaves(ward: Ward, monkeypatch: pytest.MonkeyPatch, *, once: str) -> None:
    """A round finds the patient discharged while the inbox is read, once the Task has this status."""
    inbox, board = ChartReader.inbox, ward.application.state.house.board

    async def read(reader: ChartReader, patients: Iterable[str]) -> tuple[Inbox, ...]:
        found = await inbox(reader, patients)
        if ward.tasks(PATIENT)[-1]["status"] == once:
            board.entries.pop(PATIENT, None)
        return found

    monkeypatch.setattr(ChartReader, "inbox", read)
