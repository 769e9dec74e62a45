"""The board and the list made of it: who stands where, in which order, and what a partial round leaves."""

from dataclasses import replace
from datetime import UTC, timedelta

import pytest

from andante.assess import Outcome, RoundReport, Tally
from andante.domain.advice import Advice, AdviceCode, AnalyteState, Assessment, GapStage, Priority, Tell
from andante.domain.quantities import Analyte
from andante.page.board import Board
from andante.page.worklist import Filter, Stand, counted, rows_of, stuck, waited_words, ward_key
from andante.writeback.gate import Gate
from andante.writeback.site import Site
from andante.writeback.writer import InboxWriter
from builders import NOW, a_notice, an_advice, an_assessment
from inbox_server import InboxServer

SITE = Site()


def placed(name: str, ward: str, bed: str, **more: object) -> Assessment:
    return replace(an_assessment(**more), patient=f"Patient/{name}", ward=ward, bed=bed)  # type: ignore[arg-type]


async def outcome(assessment: Assessment, *, age: timedelta = timedelta(), status: str | None = None) -> Outcome:
    """As a round leaves it: the suggestion in the inbox, so old, and perhaps answered."""
    server = InboxServer()
    writer = InboxWriter(site=SITE, gate=Gate(SITE), server=server, read_inbox=server.read_inbox)
    patient = assessment.patient.removeprefix("Patient/")
    earlier = replace(assessment, now=assessment.now - age)
    await writer.deliver(earlier, server.inbox(patient))
    for reference, body in server.of_type("Task").items():
        if status is not None:
            server.person(reference, status=status)
        assert body["for"]["reference"] == assessment.patient
    delivery = await writer.deliver(assessment, server.inbox(patient))
    return Outcome(patient=assessment.patient, assessment=assessment, delivery=delivery)


def report(*outcomes: Outcome, whole: bool = True) -> RoundReport:
    tally = Tally()
    for outcome in outcomes:
        tally.take(outcome)
    return RoundReport(now=NOW, dry_run=False, tally=tally, outcomes=outcomes, census_complete=whole)


async def board(*outcomes: Outcome) -> Board:
    made = Board(site=SITE)
    made.take_round(report(*outcomes), finished=NOW, watched=None)
    return made


STAT = an_advice(AdviceCode.URGENT_REVIEW, rule="urgent-review", priority=Priority.STAT)
ROUTINE = an_advice(AdviceCode.STAY, rule="step-interval", priority=Priority.ROUTINE)
SILENT = an_advice(AdviceCode.STOOD_DOWN, rule="stand-down", kcal=None, rate_ml_h=None)
HOUR = timedelta(hours=1)


async def test_the_most_urgent_first_then_whoever_waited_longest() -> None:
    made = await board(
        await outcome(placed("a", "Heron", "1", advice=ROUTINE), age=HOUR),
        await outcome(placed("b", "Heron", "2", advice=STAT)),
        await outcome(placed("c", "Heron", "3", advice=ROUTINE), age=3 * HOUR),
        await outcome(placed("d", "Heron", "4", advice=SILENT)),
        await outcome(placed("e", "Heron", "5", advice=STAT), status="accepted"),
    )
    rows = rows_of(made, now=NOW, zone=UTC)
    assert [(row.bed, row.stand) for row in rows] == [
        ("2", Stand.WAITS),
        ("3", Stand.WAITS),
        ("1", Stand.WAITS),
        ("5", Stand.TAKEN),
        ("4", Stand.RESTS),
    ]
    assert [row.strokes for row in rows] == [3, 0, 0, 3, 0]
    assert rows[1].waited == "3 h 00 min"
    assert rows[3].waited == ""


STATES = [
    (None, Stand.WAITS, "waits for an answer"),
    ("received", Stand.TAKEN, "taken up"),
    ("accepted", Stand.TAKEN, "agreed"),
    ("in-progress", Stand.TAKEN, "being seen to"),
    ("rejected", Stand.RESTS, "declined"),
    ("completed", Stand.RESTS, "done"),
    ("failed", Stand.RESTS, "could not be done"),
    ("a status of tomorrow", Stand.TAKEN, "a status of tomorrow"),
]


@pytest.mark.parametrize(("status", "stand", "said"), STATES)
async def test_where_a_suggestion_stands_is_said_in_words(status: str | None, stand: Stand, said: str) -> None:
    made = await board(await outcome(placed("a", "Heron", "1"), status=status))
    (row,) = rows_of(made, now=NOW, zone=UTC)
    assert (row.stand, row.state) == (stand, said)


NOTICES = [
    # advice, status a person gave, where the line stands then, and what it says
    (SILENT, None, Stand.WAITS, "stood down; a notice waits"),
    (ROUTINE, "rejected", Stand.WAITS, "declined; a notice waits"),
    (ROUTINE, "accepted", Stand.TAKEN, "agreed"),
    (ROUTINE, None, Stand.WAITS, "waits for an answer"),
]


@pytest.mark.parametrize(("advice", "status", "stand", "said"), NOTICES)
async def test_a_notice_that_nobody_answered_keeps_its_line_up(
    advice: Advice, status: str | None, stand: Stand, said: str
) -> None:
    found = placed("a", "Heron", "1", advice=advice, notices=(a_notice(priority=Priority.ASAP),))
    (row,) = rows_of(await board(await outcome(found, status=status)), now=NOW, zone=UTC)
    assert (row.stand, row.state) == (stand, said)
    assert row.strokes == 2


async def test_what_is_missing_and_who_must_act() -> None:
    gap = a_notice(tell=Tell.LABORATORY, stage=GapStage.NO_RESULT)
    found = placed("a", "Heron", "1", states={Analyte.PHOSPHATE: AnalyteState.STALE}, notices=(gap,))
    (row,) = rows_of(await board(await outcome(found)), now=NOW, zone=UTC)
    assert "phosphate stale" in row.missing
    assert set(row.acts) >= {Tell.LABORATORY}
    assert Filter(who="laboratory").lets(row)
    assert not Filter(who="nurse").lets(row)
    assert Filter(ward=ward_key("Heron")).lets(row)
    assert not Filter(ward=ward_key("Plover")).lets(row)


async def test_a_stuck_draw_stands_at_its_stage() -> None:
    gap = a_notice(tell=Tell.NURSE, stage=GapStage.NOT_COLLECTED)
    found = stuck(await board(await outcome(placed("a", "Heron", "1", notices=(gap,)))))
    assert [one.bed for one in found[GapStage.NOT_COLLECTED]] == ["1"]
    assert sum(map(len, found.values())) == 1


async def test_who_left_goes_and_who_could_not_be_counted_stays_and_is_marked() -> None:
    both = [await outcome(placed(name, "Heron", name)) for name in ("a", "b")]
    made = await board(*both)
    made.take_round(report(both[0]), finished=NOW, watched=None)
    assert set(made.entries) == {"Patient/a"}
    made = await board(*both)
    made.take_round(report(both[0], whole=False), finished=NOW, watched=None)
    assert made.entries["Patient/b"].behind
    assert not made.entries["Patient/a"].behind


async def test_a_round_by_change_time_keeps_whom_it_did_not_read() -> None:
    both = [await outcome(placed(name, "Heron", name)) for name in ("a", "b", "c")]
    made = await board(*both)
    made.take_round(report(both[0]), finished=NOW, watched=frozenset({"a", "b"}))
    assert set(made.entries) == {"Patient/a", "Patient/b"}


async def test_a_chart_that_could_not_be_read_keeps_what_was_known_and_says_so() -> None:
    made = await board(await outcome(placed("a", "Heron", "1")))
    failed = Outcome(patient="Patient/a", problem="the server answered 500")
    stranger = Outcome(patient="Patient/z", problem="the server answered 500")
    made.take_round(report(failed, stranger), finished=NOW, watched=None)
    assert made.entries["Patient/a"].behind == "the server answered 500"
    assert list(made.unread) == ["Patient/z"]


async def test_everybody_who_waits_for_a_change_is_told_once_it_comes() -> None:
    made = await board()
    assert await made.wait_for_change(seconds=0.01) is False
    before = made.revision
    made.note_trouble("the server is away.")
    assert made.revision == before + 1


WAITED = [
    (timedelta(seconds=59), "less than a minute"),
    (timedelta(minutes=1), "1 min"),
    (timedelta(minutes=59, seconds=59), "59 min"),
    (timedelta(hours=1), "1 h 00 min"),
    (timedelta(hours=23, minutes=59), "23 h 59 min"),
    (timedelta(hours=24), "1 d 0 h"),
    (timedelta(minutes=-5), "less than a minute"),
]


@pytest.mark.parametrize(("span", "said"), WAITED)
def test_how_long_in_words(span: timedelta, said: str) -> None:
    assert waited_words(span) == said


def test_bed_2_comes_before_bed_12() -> None:
    assert sorted(["Bay 12", "Bay 2", "Annex"], key=counted) == ["Annex", "Bay 2", "Bay 12"]


def test_a_name_for_addresses_is_new_with_each_board() -> None:
    one, other = Board(site=SITE), Board(site=SITE)
    assert one.token_of("Patient/a") == one.token_of("Patient/a") != other.token_of("Patient/a")
