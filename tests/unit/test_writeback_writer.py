"""Bringing an inbox up to date while others write too: races, crashes, lost answers, and people."""

from collections.abc import Awaitable, Coroutine, Generator
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from itertools import combinations
from typing import Any

import pytest

from andante.chart.chart import Inbox
from andante.domain.advice import AdviceCode, Assessment
from andante.errors import Conflict, Unreachable
from andante.writeback.gate import Gate
from andante.writeback.plan import Cancel, Create, Refresh
from andante.writeback.reconcile import reconcile
from andante.writeback.site import Site
from andante.writeback.writer import ATTEMPTS, Delivery, InboxWriter
from builders import NOW, a_fact, a_notice, an_advice, an_assessment
from inbox_server import InboxServer

SITE = Site()
GATE = Gate(SITE)
HOLD = an_assessment(notices=(a_notice(),))
ADVANCE = an_assessment(an_advice(AdviceCode.ADVANCE, rule="step-up", kcal="1440", rate_ml_h=Decimal(60)))
LATER = timedelta(seconds=20)


def round_of(server: InboxServer, assessment: Assessment) -> Coroutine[Any, Any, Delivery]:
    """One instance's whole visit: read the inbox, deliver."""

    async def visit() -> Delivery:
        writer = InboxWriter(site=SITE, gate=GATE, server=server, read_inbox=server.read_inbox)
        return await writer.deliver(assessment, await server.read_inbox("p1"))

    return visit()


class Turn:
    """Hands control back to whoever decides which coroutine goes next."""

    def __await__(self) -> Generator[None, None, None]:
        yield


def taking_turns(**habits: Any) -> InboxServer:
    def turn() -> Awaitable[None]:
        return Turn()  # type: ignore[return-value]

    return InboxServer(before_each=turn, **habits)


# Every way in which two visits of four requests can go through each other.
ORDERS = [tuple(int(turn in ones) for turn in range(8)) for ones in combinations(range(8), 4)]


def interleave(
    first: Coroutine[Any, Any, Delivery], second: Coroutine[Any, Any, Delivery], order: tuple[int, ...]
) -> None:
    """Let each go on by one request at a time, in the given order, then by turns until both are done."""
    running = {0: first, 1: second}
    for who in (*order, *(0, 1) * 50):
        if who in running:
            try:
                running[who].send(None)
            except StopIteration:
                del running[who]
    assert not running, "the writers never settled"


def run(coroutine: Coroutine[Any, Any, Delivery]) -> Delivery:
    """Let one go on alone until it is done."""
    while True:
        try:
            coroutine.send(None)
        except StopIteration as done:
            delivery: Delivery = done.value
            return delivery


# ---------------------------------------------------------------- two instances

PAIRS = {
    "the same": (HOLD, HOLD),
    "the same decision on newer evidence": (
        HOLD,
        replace(HOLD, now=NOW + LATER, evidence=(a_fact(value="0.60 mmol/L", source="Observation/po4-2"),)),
    ),
    "another decision of the same instant": (HOLD, ADVANCE),
    "another decision a little later": (HOLD, replace(ADVANCE, now=NOW + LATER)),
    "more careful a little later": (ADVANCE, replace(HOLD, now=NOW + LATER)),
}
HABITS = {
    "well-behaved": {},
    "keeps half a transaction": {"rolls_back": False},
    "lets conditional creates race": {"keeps_conditions": False},
    "both": {"rolls_back": False, "keeps_conditions": False},
}


# The worst server of all stands for the two that are bad in one way.
ENDS = [pytest.param(HABITS[name], id=name) for name in ("well-behaved", "both")]


@pytest.mark.parametrize("habits", ENDS)
@pytest.mark.parametrize("pair", PAIRS.values(), ids=list(PAIRS))
@pytest.mark.parametrize("before", [None, ADVANCE], ids=["empty", "an advance stands"])
def test_two_instances_leave_exactly_one_open_advice_however_they_interleave(
    pair: tuple[Assessment, Assessment], habits: dict[str, Any], before: Assessment | None
) -> None:
    for order in ORDERS:
        server = taking_turns(**habits)
        if before is not None:
            run(round_of(server, replace(before, now=NOW - timedelta(hours=12))))
        one, two = pair
        interleave(round_of(server, one), round_of(server, two), order)
        assert len(server.open_tasks()) == 1, order
        assert len(server.of_type("CommunicationRequest", "active")) <= 1, order


@pytest.mark.parametrize("habits", ENDS)
def test_after_a_race_the_next_round_has_nothing_to_settle_but_the_newest(habits: dict[str, Any]) -> None:
    for order in ORDERS:
        server = taking_turns(**habits)
        newest = replace(ADVANCE, now=NOW + LATER)
        interleave(round_of(server, HOLD), round_of(server, newest), order)
        [task] = server.open_tasks().values()
        assert task["code"]["coding"][0]["code"] == "advance", order
        run(round_of(server, newest))
        assert not run(round_of(server, newest)).done


# ---------------------------------------------------------------- crashes and lost answers


@pytest.mark.parametrize("habits", HABITS.values(), ids=list(HABITS))
@pytest.mark.parametrize("before", [None, ADVANCE], ids=["empty", "an advance stands"])
def test_a_crash_at_any_request_is_put_right_by_the_next_round(
    habits: dict[str, Any], before: Assessment | None
) -> None:
    for requests in range(8):
        server = taking_turns(**habits)
        if before is not None:
            run(round_of(server, replace(before, now=NOW - timedelta(hours=12))))
        crashing = round_of(server, HOLD)
        for _ in range(requests):
            try:
                crashing.send(None)
            except StopIteration:
                break
        crashing.close()
        run(round_of(server, HOLD))
        assert len(server.open_tasks()) == 1
        assert len(server.of_type("CommunicationRequest", "active")) == 1
        assert not run(round_of(server, HOLD)).done


@pytest.mark.parametrize("lost", ["before", "after"])
async def test_a_lost_request_or_answer_is_told_and_safe_to_repeat(lost: str) -> None:
    server = InboxServer(lose=lost)
    with pytest.raises(Unreachable):
        await round_of(server, HOLD)
    await round_of(server, HOLD)
    assert len(server.open_tasks()) == 1
    assert not (await round_of(server, HOLD)).done


async def test_a_search_that_lags_behind_a_write_is_no_reason_to_repeat_it() -> None:
    server = InboxServer(keeps_conditions=False, hidden={"Task/1"})
    delivery = await round_of(server, an_assessment())
    assert delivery.count(Create) == 1
    assert len(server.open_tasks()) == 1
    assert len(server.sent) == 1


# ---------------------------------------------------------------- people


@pytest.mark.parametrize("status", ["accepted", "rejected", "completed", "received", "in-progress", "on-hold"])
@pytest.mark.parametrize("habits", HABITS.values(), ids=list(HABITS))
def test_a_person_who_acts_between_any_two_requests_is_never_overwritten(status: str, habits: dict[str, Any]) -> None:
    for requests in range(6):
        server = taking_turns(**habits)
        run(round_of(server, ADVANCE))
        writing = round_of(server, HOLD)
        finished = False
        for _ in range(requests):
            try:
                writing.send(None)
            except StopIteration:
                finished = True
                break
        reference = next(iter(server.of_type("Task")))
        acted = server.resources[reference]["status"] == "requested"
        if acted:
            server.person(reference, status=status)
        if not finished:
            run(writing)
        run(round_of(server, replace(HOLD, now=NOW + LATER)))
        assert not server.overwritten
        if acted:
            assert server.resources[reference]["status"] == status
        assert len(server.open_tasks()) == 1


async def test_a_rejected_suggestion_stays_rejected_and_is_not_raised_again() -> None:
    server = InboxServer()
    await round_of(server, HOLD)
    server.person("Task/1", status="rejected")
    for hours in range(0, 48, 6):
        assert not (await round_of(server, replace(HOLD, now=NOW + timedelta(hours=hours)))).done
    assert server.resources["Task/1"]["status"] == "rejected"


async def test_conflicts_without_end_are_given_up_until_the_next_round() -> None:
    class Contested(InboxServer):
        async def transaction(self, cleared: Any) -> Any:
            raise Conflict("somebody else was faster", status=412)

    delivery = await round_of(Contested(), HOLD)
    assert delivery.unsettled
    assert delivery.conflicts == ATTEMPTS
    assert not delivery.done


async def test_an_inbox_that_cannot_be_read_again_after_a_write_is_unsettled() -> None:
    """Whether the write left doubles is not known then: the next round goes on."""
    server = InboxServer()

    async def read_in_part(patient: str) -> Inbox:
        return server.inbox(patient, incomplete=("Task",))

    writer = InboxWriter(site=SITE, gate=Gate(SITE), server=server, read_inbox=read_in_part)
    delivery = await writer.deliver(an_assessment(), server.inbox())
    assert delivery.count(Create) == 1
    assert delivery.unsettled


# ---------------------------------------------------------------- what a delivery tells


async def test_a_dry_run_writes_nothing_and_shows_the_transaction() -> None:
    server = InboxServer()
    writer = InboxWriter(site=SITE, gate=GATE, server=server, read_inbox=server.read_inbox)
    delivery = await writer.deliver(HOLD, server.inbox(), dry_run=True)
    assert not server.sent
    assert delivery.dry_run
    assert delivery.bundle is not None
    assert [entry["resource"]["resourceType"] for entry in delivery.bundle["entry"]] == [
        "Task",
        "CommunicationRequest",
        "Provenance",
    ]


async def test_a_delivery_counts_what_was_done() -> None:
    server = InboxServer()
    first = await round_of(server, HOLD)
    assert (first.count(Create), first.count(Refresh), first.count(Cancel)) == (2, 0, 0)
    second = await round_of(server, replace(HOLD, now=NOW + LATER))
    assert second == Delivery(inbox=second.inbox)
    assert len(server.sent) == 1


async def test_an_inbox_that_cannot_be_read_whole_is_not_written_to() -> None:
    server = InboxServer()
    writer = InboxWriter(site=SITE, gate=GATE, server=server, read_inbox=server.read_inbox)
    delivery = await writer.deliver(HOLD, server.inbox(incomplete=("Task",)))
    assert delivery.held_back
    assert not server.sent


async def test_every_write_carries_its_provenance_in_the_same_transaction() -> None:
    server = InboxServer()
    await round_of(server, ADVANCE)
    await round_of(server, HOLD)
    await round_of(server, replace(HOLD, notices=()))
    for bundle in server.sent:
        *written, last = [entry["resource"] for entry in bundle["entry"]]
        assert last["resourceType"] == "Provenance"
        assert len(last["target"]) == len(written)
    assert not reconcile(replace(HOLD, notices=()), server.inbox(), site=SITE)
