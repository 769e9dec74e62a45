"""Whom a pass did not serve whole, looked at again: whom, when, and until when."""

import asyncio
from collections.abc import Collection, Iterable
from datetime import datetime, timedelta

import pytest

from andante.assess import Outcome, RoundReport, report_on
from andante.chart.chart import Inbox
from andante.errors import Unreachable
from andante.triggers.operations.journal import Ending, Journal
from andante.triggers.schedule import NIGHT_WATCH, ROUND
from andante.triggers.second_look import SecondLooks
from andante.writeback.writer import Delivery

START = datetime.fromisoformat("2031-03-27T06:30:00+00:00")
MINUTE = timedelta(minutes=1)
OVERTAKEN = Delivery(inbox=Inbox(patient_id="p1"), held_back="another instance has assessed this patient since")


def outcome(patient: str, *, problem: str = "", incomplete: tuple[str, ...] = ()) -> Outcome:
    return Outcome(patient=f"Patient/{patient}", problem=problem, incomplete=incomplete)


class Desk:
    """Passes and looks whose end is told beforehand: patients who fail, or a server that is away."""

    def __init__(self) -> None:
        self.now = START
        self.journal, self.lock = Journal(started=START), asyncio.Lock()
        self.stands_by = False
        self.fails: set[str] = set()
        self.gone: set[str] = set()
        self.away = False
        self.known_failing: set[str] = set()
        self.done: list[tuple[int, object]] = []
        self.looks = SecondLooks(
            journal=self.journal,
            lock=self.lock,
            now=lambda: self.now,
            stands_by=lambda: self.stands_by,
            run_pass=self.run_again,
            review=self.review,
            failing=lambda: self.known_failing,
        )

    async def run(self, kind: str = ROUND, patients: Iterable[str] = ("p1", "p2", "p3")) -> None:
        with self.journal.round(kind, began=self.now, now=lambda: self.now) as running:
            if self.away:
                raise Unreachable("away")
            outcomes = [outcome(one, problem="failed" if one in self.fails else "") for one in patients]
            running.take(report_on(outcomes, now=self.now))
            self.looks.note(outcomes)

    async def run_again(self, kind: str) -> None:
        self._look(kind)
        await self.run(kind)

    async def review(self, patients: Collection[str]) -> list[Outcome]:
        self._look(list(patients))
        if self.away:
            raise Unreachable("away")
        return [outcome(one, problem="failed" if one in self.fails else "") for one in patients if one not in self.gone]

    def _look(self, what: object) -> None:
        assert self.lock.locked()
        self.done.append((round((self.now - START) / MINUTE), what))

    async def minutes(self, count: int) -> None:
        for _ in range(count):
            self.now += MINUTE
            try:
                await self.looks.step()
            except Unreachable:
                continue


async def test_after_a_whole_pass_nobody_is_looked_at_again() -> None:
    desk = Desk()
    await desk.run()
    await desk.minutes(24 * 60)
    assert desk.done == []


async def test_only_who_was_not_served_whole_is_read_again_and_ever_more_seldom() -> None:
    desk = Desk()
    desk.fails = {"p2"}
    await desk.run()
    await desk.minutes(200)
    assert desk.done == [(at, ["p2"]) for at in (5, 15, 35, 75, 135, 195)]


async def test_once_served_they_are_left_alone() -> None:
    desk = Desk()
    desk.fails = {"p1", "p2"}
    await desk.run()
    desk.fails = {"p2"}
    await desk.minutes(6)
    desk.fails = set()
    await desk.minutes(300)
    assert desk.done == [(5, ["p1", "p2"]), (15, ["p2"])]


async def test_who_is_no_concern_of_ours_any_more_is_forgotten() -> None:
    desk = Desk()
    desk.fails, desk.gone = {"p2"}, {"p2"}
    await desk.run()
    await desk.minutes(300)
    assert desk.done == [(5, ["p2"])]


async def test_a_pass_that_served_nobody_is_run_again_and_no_other_kind_in_its_place() -> None:
    desk = Desk()
    desk.fails = {"p1", "p2", "p3"}
    await desk.run(NIGHT_WATCH)
    assert desk.journal.last[NIGHT_WATCH].ending is Ending.IN_VAIN
    await desk.minutes(20)
    desk.fails = set()
    await desk.minutes(300)
    assert desk.done == [(5, NIGHT_WATCH), (15, NIGHT_WATCH), (35, NIGHT_WATCH)]


async def test_a_pass_that_an_error_ended_is_run_again() -> None:
    desk = Desk()
    desk.away = True
    with pytest.raises(Unreachable):
        await desk.run()
    await desk.minutes(6)
    desk.away, desk.fails = False, {"p3"}
    await desk.minutes(50)
    assert desk.done == [(5, ROUND), (15, ROUND), (35, ["p3"])]  # the count goes on


async def test_the_next_pass_begins_a_new_count() -> None:
    desk = Desk()
    desk.fails = {"p2"}
    await desk.run()
    await desk.minutes(20)
    desk.fails = {"p3"}
    await desk.run(NIGHT_WATCH)
    await desk.minutes(6)
    assert desk.done == [(5, ["p2"]), (15, ["p2"]), (25, ["p3"])]


async def test_a_server_that_is_away_loses_nobody() -> None:
    desk = Desk()
    desk.fails = {"p2"}
    await desk.run()
    desk.away = True
    await desk.minutes(6)
    desk.away = False
    await desk.minutes(30)
    assert desk.done == [(5, ["p2"]), (15, ["p2"]), (35, ["p2"])]


async def test_one_that_stands_by_looks_at_nobody() -> None:
    desk = Desk()
    desk.fails = {"p2"}
    await desk.run()
    desk.stands_by = True
    await desk.minutes(300)
    assert desk.done == []


async def test_one_that_leads_again_leaves_the_passes_before_to_whoever_led_meanwhile() -> None:
    desk = Desk()
    desk.away = True
    with pytest.raises(Unreachable):
        await desk.run()
    desk.away, desk.stands_by = False, True
    await desk.minutes(60)
    desk.stands_by = False
    await desk.minutes(60)
    assert desk.done == []
    desk.fails = {"p2"}
    await desk.run()
    await desk.minutes(6)
    assert desk.done == [(125, ["p2"])]


async def test_a_pass_under_way_is_waited_for_and_makes_the_look_needless() -> None:
    desk = Desk()
    desk.fails = {"p2"}
    await desk.run()
    desk.now += 6 * MINUTE
    async with desk.lock:
        step = asyncio.create_task(desk.looks.step())
        await asyncio.sleep(0)
        desk.fails = set()
        await desk.run(NIGHT_WATCH)
    await step
    await desk.minutes(100)
    assert desk.done == []


async def test_who_was_overtaken_is_read_once_more_at_once() -> None:
    """What the look that was overtaken saw may have come in after the other look."""
    desk = Desk()
    with desk.journal.round(ROUND, began=desk.now, now=lambda: desk.now) as running:
        outcomes = [Outcome(patient="Patient/p1", delivery=OVERTAKEN), outcome("p2", problem="failed"), outcome("p3")]
        running.take(report_on(outcomes, now=desk.now))
        desk.looks.note(outcomes)
    await desk.minutes(6)
    assert desk.done == [(1, ["p1"]), (5, ["p2"])]


async def test_after_a_start_those_known_to_fail_are_tried_without_a_pass() -> None:
    desk = Desk()
    desk.known_failing = {"p9"}
    await desk.minutes(1)
    await desk.minutes(7)
    assert desk.done == [(6, ["p9"])]


async def test_a_clock_set_back_makes_nobody_wait_for_it() -> None:
    desk = Desk()
    desk.fails = {"p2"}
    await desk.run()
    desk.now -= timedelta(days=1)
    await desk.minutes(1)
    assert [whom for _, whom in desk.done] == [["p2"]]


def reported(*outcomes: Outcome, unchanged: int = 0) -> RoundReport:
    report = report_on(outcomes, now=START)
    report.tally.unchanged = unchanged
    return report


ENDINGS: list[tuple[str, RoundReport, Ending]] = [
    ("everybody", reported(outcome("p1"), outcome("p2")), Ending.WHOLE),
    ("nobody in the hospital", reported(), Ending.WHOLE),
    ("one not", reported(outcome("p1", problem="failed"), outcome("p2")), Ending.IN_PART),
    ("nobody: failed", reported(outcome("p1", problem="failed")), Ending.IN_VAIN),
    ("nobody: read in part", reported(*(outcome(p, incomplete=("Task",)) for p in ("p1", "p2"))), Ending.IN_VAIN),
    ("nobody: unsettled", reported(Outcome(patient="Patient/p1", delivery=Delivery(unsettled=True))), Ending.IN_VAIN),
    ("nobody, for more than one reason", reported(outcome("p1", problem="x"), outcome("p2", incomplete=("Task",))),
     Ending.IN_VAIN),
    ("of those who changed nobody", reported(outcome("p1", problem="failed"), unchanged=9), Ending.IN_PART),
]  # fmt: skip


@pytest.mark.parametrize(("served", "report", "ending"), ENDINGS, ids=[row[0] for row in ENDINGS])
def test_a_pass_that_served_nobody_whole_was_in_vain(served: str, report: RoundReport, ending: Ending) -> None:
    journal = Journal(started=START)
    with journal.round(ROUND, began=START, now=lambda: START) as running:
        running.take(report)
    assert journal.last[ROUND].ending is ending
    assert journal.last[ROUND].is_completed is (ending is not Ending.IN_VAIN)
