"""Escalation by the rounds themselves: a round by change time sees that a notice has waited long enough, too."""

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from andante import app
from andante.changed.memory import Memory
from andante.demo import Stage, read_script, staged
from andante.settings import defaults

START = datetime.fromisoformat("2031-03-24T06:30:00+00:00")
SITE = """
[routing]
prescriber = "PractitionerRole/duty"
laboratory = "Organization/laboratory"
nurse = "PractitionerRole/charge-nurse"
[escalation.urgent]
after-minutes = 30
to = "PractitionerRole/on-call"
"""
Json = dict[str, Any]


def urgent(stage: Stage) -> list[Json]:
    notices = [item for item in stage.inbox() if item["resourceType"] == "CommunicationRequest"]
    return [notice for notice in notices if notice["priority"] == "urgent"]


def told(notice: Json) -> list[str]:
    return [recipient["reference"] for recipient in notice["recipient"]]


@pytest.mark.parametrize("only_changed", [False, True])
async def test_half_an_hour_later_the_next_in_line_is_told_though_nothing_has_changed(
    tmp_path: Path, only_changed: bool
) -> None:
    (tmp_path / "site.toml").write_text(SITE)
    service = app.build(defaults(zone="Europe/Dublin", site=tmp_path / "site.toml"))
    with staged(read_script(("thiamine-gaps", "low-before-feeding"))) as stage:
        memory = Memory() if only_changed else None
        async with service.connect(stage.base) as connection:

            async def round_at(minutes: int) -> None:
                # What the story brings stands still, so that only the clock moves on.
                stage.now = START + timedelta(minutes=minutes)
                await service.run_round(
                    connection, trigger="test", now=stage.now, memory=memory, only_changed=only_changed
                )

            stage.play_until(START)
            await round_at(0)
            first = {notice["id"]: told(notice) for notice in urgent(stage)}
            assert first
            assert all("PractitionerRole/on-call" not in who for who in first.values())
            await round_at(29)
            assert {notice["id"]: told(notice) for notice in urgent(stage)} == first
            await round_at(30)
            later = {notice["id"]: told(notice) for notice in urgent(stage)}
            assert later == {name: [*who, "PractitionerRole/on-call"] for name, who in first.items()}
            written = sum(stage.written.values())
            await round_at(31)
            assert later == {notice["id"]: told(notice) for notice in urgent(stage)}
            assert sum(stage.written.values()) == written
