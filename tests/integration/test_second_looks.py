"""A server that dies in the middle of a pass, or for one patient: who is looked at again, by the service as it runs."""

import asyncio
from collections.abc import Iterator
from datetime import timedelta
from typing import Any
from unittest.mock import patch

import pytest
from pydantic import SecretStr

from andante.subscriptions.hooks import Hooks
from andante.triggers import second_look
from andante.triggers.second_look import SecondLooks
from andante.triggers.shift import Shift
from state_places import Running, Ward

HOOKS: dict[str, Any] = {"notify_url": "https://andante.example/notify", "notify_secret": SecretStr("x" * 24)}
EVERYBODY = {"quillfeather", "dunnock", "fennimore-pugh", "honeydew"}


@pytest.fixture
def ward() -> Ward:
    return Ward()


@pytest.fixture(autouse=True)
def no_first_round(request: pytest.FixtureRequest) -> Iterator[None]:
    """The rounds of these tests begin by hand."""
    with patch.object(Shift, "_begin", _nothing):
        yield


async def _nothing(_shift: Shift) -> None: ...


async def look(one: Running) -> None:
    looks: SecondLooks = one.application.state.second_looks
    await looks.step()


def endings(one: Running) -> list[tuple[str, str]]:
    return [(told.kind, told.ending.value) for told in one.shift.journal.recent]


async def test_a_server_that_died_after_the_census_makes_no_completed_pass_and_is_asked_again(ward: Ward) -> None:
    async with ward.process(None, poisoned=EVERYBODY) as one:
        await one.round()
        assert endings(one) == [("round", "in vain")]
        assert not one.shift.timetable.is_up_to_date(ward.stage.now)
        ward.later(minutes=5)
        one.between.poisoned.clear()
        await look(one)
        assert endings(one)[1:] == [("round", "whole")]
        assert one.shift.timetable.is_up_to_date(ward.stage.now)
        assert len(ward.open_advice()) == len(EVERYBODY)


async def test_without_rounds_by_change_time_who_failed_is_read_again_and_nobody_else(ward: Ward) -> None:
    async with ward.process(None, poisoned={"quillfeather"}) as one:
        await one.round()
        assert endings(one) == [("round", "in part")]
        ward.low_potassium()
        one.between.poisoned.clear()
        one.between.seen.clear()
        await look(one)
        assert one.between.seen == []  # not yet
        ward.later(minutes=5)
        await look(one)
        assert endings(one)[1:] == [("second-look", "whole")]
        assert one.between.asked_for("quillfeather")
        assert not any(one.between.asked_for(other) for other in EVERYBODY - {"quillfeather"})
        assert "Patient/quillfeather" in ward.open_advice()
        assert len(one.shift.memory.setbacks) == 0
        ward.later(hours=5)
        one.between.seen.clear()
        await look(one)
        assert one.between.seen == []


@pytest.mark.parametrize("given", [{}, HOOKS], ids=["alone", "told of changes"])
async def test_who_still_fails_stays_named_and_the_look_stands_in_for_no_round(ward: Ward, given: Any) -> None:
    async with ward.process(None, poisoned={"quillfeather"}, **given) as one:
        await one.round()
        completed = one.shift.journal.completed["round"]
        ward.later(minutes=5)
        await look(one)
        assert endings(one)[1:] == [("second-look", "in vain")]
        assert one.shift.journal.completed == {"round": completed}
        assert list(one.shift.memory.setbacks.failing) == ["quillfeather"]
        told = (await one.client.get("/metrics")).text
        assert 'andante_rounds_total{ending="in vain",kind="second-look"} 1.0' in told
        assert 'andante_round_last_completed_timestamp_seconds{kind="second-look"}' not in told
        assert "quillfeather" not in told


async def test_it_happens_by_itself_while_the_service_runs(ward: Ward, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(second_look, "LOOK_EVERY_S", 0.01)
    async with ward.process(None, poisoned={"quillfeather"}) as one:
        await one.round()
        one.between.poisoned.clear()
        ward.later(minutes=5)
        async with asyncio.timeout(10):
            while len(endings(one)) < 2:
                await asyncio.sleep(0.01)
        assert endings(one)[1:] == [("second-look", "whole")]


async def test_where_rounds_by_change_time_run_they_are_enough(ward: Ward) -> None:
    async with ward.process(None, poisoned={"quillfeather"}, changes_every_s=300) as one:
        await one.round()
        one.between.seen.clear()
        ward.later(minutes=30)
        await look(one)
        assert one.between.seen == []


async def test_a_danger_that_a_round_read_is_not_lost_to_a_review_of_a_few_seconds_later(ward: Ward) -> None:
    """The round had begun when the review was asked for; the result came after the review had read the chart."""
    async with ward.process(None) as one:
        began = ward.stage.now
        ward.stage.now = began + timedelta(seconds=20)
        assert (await one.client.post("/review/quillfeather")).status_code == 200
        ward.stage.now = began
        ward.low_potassium()
        report = await one.round()
        [overtaken] = [outcome for outcome in report.outcomes if outcome.overtaken]
        assert overtaken.patient == "Patient/quillfeather"
        assert endings(one) == [("round", "whole")]
        assert advice_for(ward, "quillfeather") == ["stay"]
        ward.stage.now = began + timedelta(seconds=40)
        one.between.seen.clear()
        await look(one)
        assert advice_for(ward, "quillfeather") == ["urgent-review"]
        assert not any(one.between.asked_for(other) for other in EVERYBODY - {"quillfeather"})


def advice_for(ward: Ward, patient: str) -> list[str]:
    tasks = [body for body in ward.stage.inbox() if body["resourceType"] == "Task"]
    return [body["code"]["coding"][0]["code"] for body in tasks if body["for"]["reference"] == f"Patient/{patient}"]


async def test_a_hint_whose_review_met_a_failing_server_is_kept_until_the_chart_was_read(ward: Ward) -> None:
    async with ward.process(None, **HOOKS) as one:
        await one.round()
        hooks: Hooks = one.application.state.hooks
        hooks.hints.take()
        ward.later(minutes=1)
        ward.low_potassium()
        one.between.poisoned.add("quillfeather")
        hooks.hints.add(patients=["quillfeather"])
        for _ in range(8):
            assert await hooks.worker.step()
            ward.later(minutes=1)
        assert advice_for(ward, "quillfeather") == ["stay"]
        one.between.poisoned.clear()
        for _ in range(8):
            ward.later(minutes=1)
            assert await hooks.worker.step()
        assert advice_for(ward, "quillfeather") == ["urgent-review"]
