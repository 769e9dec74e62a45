"""One patient whose record always fails: the others are served, the one is named, and is not asked for without end."""

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from andante import assess
from state_places import MORNING, Running, Ward, sqlite_place

POISONED = "quillfeather"
OTHERS = {"Patient/dunnock", "Patient/fennimore-pugh", "Patient/honeydew"}
CHANGES = {"changes_every_s": 300}

Poison = Callable[[Running, pytest.MonkeyPatch], Callable[[], None]]


def the_server_fails(running: Running, _patch: pytest.MonkeyPatch) -> Callable[[], None]:
    running.between.poisoned.add(POISONED)
    return running.between.poisoned.clear


def the_rules_fail(_running: Running, patch: pytest.MonkeyPatch) -> Callable[[], None]:
    evaluate = assess.evaluate

    def stumble(picture: Any, *rest: Any) -> Any:
        if picture.patient.endswith(POISONED):
            raise ZeroDivisionError
        return evaluate(picture, *rest)

    patch.setattr(assess, "evaluate", stumble)
    return lambda: patch.setattr(assess, "evaluate", evaluate)


def the_inbox_cannot_be_read(running: Running, patch: pytest.MonkeyPatch) -> Callable[[], None]:
    """A defect of ours that the inbox of one patient brings out, in a search for twenty."""
    from andante.chart import reader

    inbox = reader._inbox

    def stumble(patient: str, *rest: Any) -> Any:
        if patient == POISONED:
            raise ZeroDivisionError
        return inbox(patient, *rest)

    patch.setattr(reader, "_inbox", stumble)
    return lambda: patch.setattr(reader, "_inbox", inbox)


POISONS = [the_server_fails, the_rules_fail, the_inbox_cannot_be_read]


def named(report: Any) -> dict[str, str]:
    return {one.patient: one.problem or ", ".join(one.incomplete) for one in report.outcomes if not one.whole}


@pytest.mark.parametrize("poison", POISONS)
async def test_the_others_are_served_and_the_one_is_named(
    ward: Ward, monkeypatch: pytest.MonkeyPatch, poison: Poison
) -> None:
    async with ward.process(None, **CHANGES) as one:
        poison(one, monkeypatch)
        report = await one.round()
        assert list(named(report)) == [f"Patient/{POISONED}"]
        assert set(ward.open_advice()) >= OTHERS
        assert set(ward.open_advice().values()) == {1}
        assert report.counts["patients"] == 4


@pytest.mark.parametrize("poison", POISONS)
async def test_rounds_by_change_time_ask_for_the_one_ever_more_seldom(
    ward: Ward, monkeypatch: pytest.MonkeyPatch, poison: Poison
) -> None:
    async with ward.process(None, **CHANGES) as one:
        mend = poison(one, monkeypatch)
        await one.first_round()
        tried = []
        for minute in range(5, 205, 5):
            ward.at(MORNING + timedelta(minutes=minute))
            report = await one.round("changes")
            assert f"Patient/{POISONED}" in named(report)  # each time, asked for or not
            if one.between.asked_for(POISONED):
                tried.append(minute)
        assert tried == [5, 15, 35, 75, 135, 195]
        assert "failed 7 times running" in str((await one.round("changes")).outcomes)
        metrics = (await one.client.get("/metrics")).text
        assert "andante_patients_failing 1.0" in metrics
        assert POISONED not in metrics
        await one.round()  # one that reads everybody tries at any time
        assert one.between.asked_for(POISONED)
        mend()
        ward.at(MORNING + timedelta(minutes=205 + 65))
        report = await one.round("changes")
        assert named(report) == {}
        assert set(ward.open_advice()) == {*OTHERS, f"Patient/{POISONED}"}
        assert "andante_patients_failing 0.0" in (await one.client.get("/metrics")).text


async def test_something_new_of_theirs_has_them_tried_at_once(ward: Ward) -> None:
    async with ward.process(None, poisoned=[POISONED], **CHANGES) as one:
        await one.first_round()
        for minute in (5, 10):
            ward.at(MORNING + timedelta(minutes=minute))
            await one.round("changes")
        assert not one.between.asked_for(POISONED)  # it waits until :15
        ward.at(MORNING + timedelta(minutes=11))
        ward.low_potassium(patient=POISONED)
        one.between.poisoned.clear()
        ward.at(MORNING + timedelta(minutes=12))
        report = await one.round("changes")
        assert one.between.asked_for(POISONED)
        assert named(report) == {}
        assert set(ward.open_advice()) == {*OTHERS, f"Patient/{POISONED}"}


async def test_something_new_is_tried_once_and_not_for_as_long_as_it_is_told_of(ward: Ward) -> None:
    async with ward.process(None, poisoned=[POISONED], **CHANGES) as one:
        await one.first_round()
        for minute in (5, 10):
            ward.at(MORNING + timedelta(minutes=minute))
            await one.round("changes")
        ward.low_potassium(patient=POISONED)
        tried = []
        for minute in (11, 12, 13, 14):  # within the overlap the server tells of it each time
            ward.at(MORNING + timedelta(minutes=minute))
            await one.round("changes")
            tried.append(one.between.asked_for(POISONED) > 0)
        assert tried == [True, False, False, False]


async def test_what_is_deleted_may_have_been_the_poison(ward: Ward) -> None:
    ward.low_potassium("bad", patient=POISONED)
    async with ward.process(None, poisoned=[POISONED], **CHANGES) as one:
        await one.first_round()
        for minute in (5, 10):
            ward.at(MORNING + timedelta(minutes=minute))
            await one.round("changes")
        one.between.poisoned.clear()
        ward.stage.sandbox.endpoint.delete("Observation", "bad")
        ward.at(MORNING + timedelta(minutes=11))
        assert named(await one.round("changes")) == {}


async def test_the_count_outlives_a_start_and_the_start_tries_all_the_same(ward: Ward, tmp_path: Path) -> None:
    place = sqlite_place(tmp_path)
    async with ward.process(place.url, poisoned=[POISONED], **CHANGES) as one:
        await one.first_round()
        for minute in (5, 15):
            ward.at(MORNING + timedelta(minutes=minute))
            await one.round("changes")
    [kept] = place.store().load().setbacks
    assert (kept.patient, kept.failures) == (POISONED, 3)
    ward.at(MORNING + timedelta(minutes=16))
    async with ward.process(place.url, **CHANGES) as two:
        two.between.poisoned.add(POISONED)
        await two.round("changes")  # the first one reads everybody: nothing is in memory yet
        assert two.between.asked_for(POISONED)
        [kept] = place.store().load().setbacks
        assert kept.failures == 4
        ward.at(MORNING + timedelta(minutes=50))
        report = await two.round("changes")
        assert not two.between.asked_for(POISONED)  # forty minutes after the fourth
        assert "failed 4 times running" in named(report)[f"Patient/{POISONED}"]


async def test_one_who_goes_home_is_forgotten(ward: Ward) -> None:
    async with ward.process(None, poisoned=[POISONED], **CHANGES) as one:
        await one.first_round()
        assert len(one.shift.memory.setbacks) == 1
        store = ward.stage.sandbox.endpoint.store
        for version in list(store.living("Encounter")):
            assert version.body is not None
            if version.body["subject"]["reference"].endswith(POISONED):
                ward.stage.sandbox.load([version.body | {"status": "finished"}])
        for version in list(store.living("Task")):
            assert version.body is not None
            if version.body["for"]["reference"].endswith(POISONED):
                ward.stage.sandbox.endpoint.delete("Task", version.body["id"])
        ward.at(MORNING + timedelta(minutes=5))
        await one.round("changes")
        assert len(one.shift.memory.setbacks) == 0
