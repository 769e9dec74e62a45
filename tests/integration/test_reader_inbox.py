"""What we left before: found by our identifier system, and never taken for empty when the read failed."""

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from reader_server import ReaderServer

from andante.chart.chart import Inbox
from andante.chart.questions import ReadPlan
from andante.chart.reader import ChartReader

NOW = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
OURS = "https://andante.example.org/advice"
PLAN = ReadPlan(observation_codes=(), inbox_systems=frozenset({OURS}))


def task(identity: str, who: str = "a", system: str | None = OURS, **more: Any) -> dict[str, Any]:
    named = {"identifier": [{"system": system, "value": identity}]} if system else {}
    about = {"for": {"reference": f"Patient/{who}"}}
    return {"resourceType": "Task", "id": identity, "status": "requested", **named, **about, **more}


def notice(identity: str, who: str = "a") -> dict[str, Any]:
    return {
        "resourceType": "CommunicationRequest",
        "id": identity,
        "identifier": [{"system": OURS, "value": identity}],
        "subject": {"reference": f"Patient/{who}"},
    }


async def inbox(server: ReaderServer, *patients: str) -> tuple[Inbox, ...]:
    return await ChartReader(server.reader(), PLAN, now=NOW).inbox(patients)


async def test_our_own_are_found_open_and_past_and_nobody_elses() -> None:
    server = ReaderServer(
        [
            task("open"),
            task("past", status="rejected"),
            task("theirs", system="https://elsewhere.example.org"),
            task("unnamed", system=None),
            task("other-patient", "b"),
            notice("told"),
        ]
    )
    a, c = await inbox(server, "a", "c")
    assert [item.resource.key for item in a.items] == ["CommunicationRequest/told", "Task/open", "Task/past"]
    assert (c.items, c.incomplete) == ((), ())
    assert all("identifier" not in asked for asked in server.asked("Task"))


async def test_each_comes_with_its_json_so_that_nothing_is_lost_on_rewriting() -> None:
    (a,) = await inbox(ReaderServer([task("open", extension=[{"url": "urn:theirs"}])]), "a")
    assert json.loads(a.items[0].body)["extension"] == [{"url": "urn:theirs"}]


async def test_a_server_that_ignores_filters_gives_nobody_anothers_inbox() -> None:
    server = ReaderServer([task("1"), task("2", "b")], ignores_filters=frozenset({"Task"}))
    a, b = await inbox(server, "a", "b")
    assert ([i.resource.id for i in a.items], [i.resource.id for i in b.items]) == (["1"], ["2"])
    (alone,) = await inbox(server, "a")
    assert [i.resource.id for i in alone.items] == ["1"]


@pytest.mark.parametrize("kind", ["Task", "CommunicationRequest"])
@pytest.mark.parametrize("status", [400, 403, 404, 500])
async def test_a_read_that_failed_is_never_an_empty_inbox(kind: str, status: int) -> None:
    (a,) = await inbox(ReaderServer([task("1"), notice("2")], failing={kind: status}), "a")
    assert a.incomplete == (kind,)


async def test_an_unreadable_task_that_may_be_ours_makes_the_inbox_incomplete() -> None:
    a, b = await inbox(ReaderServer([task("odd", status=7), task("fine", "b")]), "a", "b")
    assert (a.incomplete, [p.reference for p in a.problems]) == (("Task",), ["Task/odd"])
    assert b.incomplete == ()


async def test_an_unreadable_task_of_somebody_elses_is_no_matter() -> None:
    (a,) = await inbox(ReaderServer([task("odd", system="urn:other", status=7)]), "a")
    assert (a.items, a.incomplete, a.problems) == ((), (), ())


async def test_two_versions_without_order_make_the_inbox_incomplete() -> None:
    (a,) = await inbox(ReaderServer([task("1"), task("1", status="cancelled")]), "a")
    assert a.incomplete == ("Task/1",)
