"""The audit log: appended, chained, without values; whatever is done to a line shows."""

import json
import multiprocessing
import os
from datetime import UTC, datetime
from pathlib import Path

import pytest

from andante.audit import FIRST, AuditLog, verify
from andante.errors import AuditFailed, InputError
from commands import Shell

NOW = datetime(2031, 3, 27, 6, 30, tzinfo=UTC)


def log_of(path: Path) -> AuditLog:
    return AuditLog(path, now=lambda: NOW)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A log of five reads."""
    path = tmp_path / "audit.jsonl"
    log = log_of(path)
    for number in range(5):
        log.record("search", what=("Observation",), patients=(f"Patient/p{number}",), outcome="200")
    log.close()
    return path


def lines(path: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in path.read_text().splitlines()]


def test_a_line_says_when_what_whom_and_how_it_ended(path: Path) -> None:
    first, second, *_ = lines(path)
    assert first == {
        "time": "2031-03-27T06:30:00.000+00:00",
        "action": "search",
        "what": ["Observation"],
        "patients": ["Patient/p0"],
        "outcome": "200",
        "previous": FIRST,
    }
    assert second["previous"] != FIRST


def test_a_log_is_whole_and_goes_on_where_it_ended(path: Path) -> None:
    assert verify(path).whole
    before = verify(path)
    log_of(path).record("read", what=("Patient/p9",), outcome="200")
    after = verify(path, noted=before.head)
    assert (after.lines, after.whole) == (6, True)
    assert lines(path)[-1]["previous"] == before.head


def changed(text: str) -> str:
    return text.replace("Patient/p2", "Patient/p7")


def without_one(text: str) -> str:
    kept = text.splitlines(keepends=True)
    return "".join(kept[:2] + kept[3:])


def with_one_more(text: str) -> str:
    kept = text.splitlines(keepends=True)
    return "".join([*kept[:2], kept[1], *kept[2:]])


def in_another_order(text: str) -> str:
    kept = text.splitlines(keepends=True)
    return "".join([*kept[:1], kept[2], kept[1], *kept[3:]])


def without_the_first(text: str) -> str:
    return "".join(text.splitlines(keepends=True)[1:])


def with_rubbish(text: str) -> str:
    kept = text.splitlines(keepends=True)
    return "".join([*kept[:2], "nothing of ours\n", *kept[2:]])


@pytest.mark.parametrize(
    ("tamper", "at"),
    [
        (changed, 4),
        (without_one, 3),
        (with_one_more, 3),
        (in_another_order, 2),
        (without_the_first, 1),
        (with_rubbish, 3),
    ],
)
def test_whatever_is_done_to_a_line_shows(path: Path, tamper, at: int) -> None:  # type: ignore[no-untyped-def]
    path.write_text(tamper(path.read_text()))
    found = verify(path)
    assert not found.whole
    assert min(found.broken) in (at, at + 1)


def test_an_end_cut_off_shows_only_against_a_hash_noted_elsewhere(path: Path) -> None:
    noted = verify(path).head
    path.write_text("".join(path.read_text().splitlines(keepends=True)[:-1]))
    assert verify(path).whole
    assert not verify(path, noted=noted).whole


def test_a_line_cut_short_by_a_crash_is_named_and_the_chain_goes_on(path: Path) -> None:
    whole = path.read_bytes()
    path.write_bytes(whole[:-20])
    assert verify(path).broken == (5,)  # nothing vouches for it yet
    log_of(path).record("read", outcome="200")
    found = verify(path)
    assert (found.torn, found.broken, found.lines) == ((5,), (), 6)
    path.write_bytes(path.read_bytes().replace(b"Patient/p4", b"Patient/p5"))
    assert not verify(path).whole


def test_nothing_but_codes_and_references_can_be_said(tmp_path: Path) -> None:
    path = tmp_path / "audit.jsonl"
    log = log_of(path)
    with pytest.raises(ValueError, match="value"):
        log.record("search", value="0.62")  # type: ignore[arg-type]
    log.record("search", what=('Observation?name="Quill, Anna"\n',), patients=("Patient/\u202ex",))
    assert lines(path)[0]["what"] == ["(left out)"]
    assert lines(path)[0]["patients"] == ["(left out)"]
    log.record("search", patients=tuple(f"Patient/{n}" for n in range(500)))
    assert lines(path)[1]["patients"][-1] == "and 300 more"  # type: ignore[index]


def test_the_file_is_for_its_owner_alone(path: Path) -> None:
    assert os.stat(path).st_mode & 0o077 == 0


def test_a_disk_without_room_is_told(tmp_path: Path) -> None:
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("this system has no /dev/full")
    with pytest.raises(AuditFailed, match="could not be written"):
        log_of(full).record("write", durable=True)


def test_what_cannot_be_opened_or_read_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be written"):
        log_of(tmp_path / "no" / "such" / "folder")
    with pytest.raises(InputError, match="cannot be read"):
        verify(tmp_path / "none")


def append(path: Path, times: int) -> None:
    log = AuditLog(path)
    for _ in range(times):
        log.record("search", outcome="200")


def test_two_processes_share_one_chain(path: Path) -> None:
    context = multiprocessing.get_context("spawn")
    workers = [context.Process(target=append, args=(path, 50)) for _ in range(2)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    found = verify(path)
    assert (found.lines, found.whole) == (105, True)


# --------------------------------------------------------------------------- the command


@pytest.fixture
def shell(capfdbinary: pytest.CaptureFixture[bytes], monkeypatch: pytest.MonkeyPatch) -> Shell:
    return Shell(capfdbinary, monkeypatch)


def test_the_command_prints_the_hash_to_keep(shell: Shell, path: Path) -> None:
    done = shell("audit", "verify", path)
    head = verify(path).head
    assert (done.status, done.out) == (0, f"5 lines, last {head}\n")
    assert shell("audit", "verify", path, "--noted", head.upper()).status == 0


def test_the_command_ends_in_4_where_the_chain_is_broken(shell: Shell, path: Path) -> None:
    path.write_text(changed(path.read_text()))
    done = shell("audit", "verify", path)
    assert done.status == 4
    assert "broken at lines 4" in done.err
    assert shell("audit", "verify", path, "--noted", "0" * 63 + "1").status == 4
