"""Rounds over the fictional hospital with an audit log: every request has its line, no line has a value, and without
the log nothing is written."""

import json
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from andante import app
from andante.audit import AuditLog, verify
from andante.demo import Stage, read_script, staged
from andante.errors import AuditFailed
from andante.settings import defaults

STORIES = ("plain-course", "severe-fall", "low-before-feeding")


@pytest.fixture
def stage() -> Iterator[Stage]:
    with staged(read_script(STORIES)) as stage:
        yield stage


async def play(stage: Stage, service: app.Service, *, rounds: int) -> None:
    async with service.connect(stage.base) as connection:
        for _, instant in list(stage.script.rounds(days=10))[:rounds]:
            stage.play_until(instant)
            await service.run_round(connection, trigger="test", now=instant)


def lines(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text().splitlines()]


async def test_every_request_has_its_line_and_every_write_one_before_it(stage: Stage, tmp_path: Path) -> None:
    path = tmp_path / "audit.jsonl"
    await play(stage, app.build(defaults(zone="Europe/Dublin", audit_file=path)), rounds=6)
    told = lines(path)
    assert verify(path).whole
    reads = [line for line in told if line["action"] != "write"]
    sent = [line for line in told if line["action"] == "write" and line["outcome"] == "sending"]
    ended = [line for line in told if line["action"] == "write" and line["outcome"] != "sending"]
    assert len(reads) == stage.requests["GET"]
    assert len(sent) == len(ended) == stage.requests["POST"] > 3
    assert {line["request"] for line in sent} == {line["request"] for line in ended}
    assert all(line["outcome"] == "200" for line in (*reads, *ended))
    written = Counter(name.split(" ")[1].partition("/")[0] for line in sent for name in line["what"])
    assert written == stage.written
    whom = {item.get("for", item.get("subject"))["reference"] for item in stage.inbox()}
    assert whom <= {patient for line in sent for patient in line["patients"]}


async def test_the_log_holds_no_value_no_name_and_no_text(stage: Stage, tmp_path: Path) -> None:
    path = tmp_path / "audit.jsonl"
    await play(stage, app.build(defaults(zone="Europe/Dublin", audit_file=path)), rounds=6)
    text = path.read_text()
    said = {item.get("description") or item["payload"][0]["contentString"] for item in stage.inbox()}
    assert said
    names = {
        part
        for version in stage.sandbox.endpoint.store.living("Patient")
        if version.body is not None
        for name in version.body.get("name", [])
        for part in (*name.get("given", []),)
    }
    assert names
    for forbidden in (*names, *said, "mmol", "kcal", "mL/h", "phosphate", "potassium"):
        assert forbidden not in text
    assert not re.search(r"\d\.\d+ ?(mmol|mg|mEq)", text)


class FullDisk(AuditLog):
    """Has room for reads, and none for writes."""

    def record(self, action: str, **facts: Any) -> None:  # type: ignore[override]
        if action == "write":
            raise AuditFailed("the audit log could not be written (No space left on device)")
        super().record(action, **facts)


async def test_without_room_for_its_line_no_write_leaves(stage: Stage, tmp_path: Path) -> None:
    service = app.build(defaults(zone="Europe/Dublin"))
    service.__dict__["audit"] = FullDisk(tmp_path / "audit.jsonl")  # where the service keeps it once opened
    instant = next(stage.script.rounds(days=1))[1]
    stage.play_until(instant)
    async with service.connect(stage.base) as connection:
        report = await service.run_round(connection, trigger="test", now=instant)
    assert report.counts["failed"] > 0
    assert any("audit log" in outcome.problem for outcome in report.outcomes)
    assert stage.requests["POST"] == 0
    assert stage.inbox() == []


async def test_a_disk_without_any_room_stops_the_round_before_it_begins(stage: Stage) -> None:
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("this system has no /dev/full")
    service = app.build(defaults(zone="Europe/Dublin", audit_file=full))
    with pytest.raises(AuditFailed, match="No space left"):
        await play(stage, service, rounds=1)
    assert stage.requests["POST"] == 0
