"""A share of the faults and the kills, with seeds that are fixed; `deploy/run faults` runs them all.

What must hold is in `aftermath.py`; that it can fail is tried first.
"""

import json
import os
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import faulting
import pytest
from aftermath import Expected, is_unchanged, violations_in_the_end, violations_on_the_wire
from bedside import Bedside, foreign_ward
from byte_relay import ByteRelay
from commands_run import ROOT, Zygote, can_bend_time
from faulting import Case, Stand, proxied, run_kind
from killing import Campaign
from kinds import KINDS
from servers.launch import launched
from servers.need import need_server
from serving import SCENES
from ward_round import FHIR, Left

from andante.sandbox import Seen

DOCUMENT = ROOT / "shared" / "docs" / "faults.md"
SHARE = (
    "down in the middle",
    "cut JSON",
    "next elsewhere",
    "401 in the middle",
    "412 storm",
    "answer lost",
    "delivered twice",
    "one patient breaks the server",
)
ELSEWHERE = ("answer lost", "delivered twice")


@pytest.fixture
def stand(ward: Bedside, warm: Zygote, folder: Path) -> Iterator[Stand]:
    with proxied(ward) as proxy:
        yield Stand("sandbox", ward, proxy, warm, folder, seed=7)


def settled(ward: Bedside, stand: Stand) -> None:
    """The morning, undisturbed."""
    ward.reset()
    assert stand.undisturbed().status == 0


def test_the_judge_finds_nothing_wrong_with_an_undisturbed_round(ward: Bedside, stand: Stand) -> None:
    settled(ward, stand)
    assert not violations_in_the_end(ward.look(), ward.expected)
    assert not violations_on_the_wire(stand.proxy.arrived)


Damage = Callable[[Left, Expected, str], object]


def forgotten(left: Left, expected: Expected, _untouched: str) -> None:
    del left.tasks[min(expected.evening.tasks.keys() - expected.answered)]


def bolder(left: Left, _expected: Expected, untouched: str) -> None:
    told = json.dumps(left.tasks[untouched]["code"])
    code = re.sub(r'(CodeSystem/advice", "code": )"[^"]+"', r'\1"start"', told)
    assert code != told
    left.tasks[untouched] |= {"code": json.loads(code), "description": "Start at once."}


DAMAGES: dict[str, tuple[Damage, str]] = {
    "a double": (
        lambda left, _, untouched: left.tasks.update({"Task/2nd": left.tasks[untouched] | {"id": "2nd"}}),
        "2 open suggestions",
    ),
    "a word in a person's answer": (
        lambda left, expected, _: left.items[min(expected.answered)]["note"].append({"text": "and one more"}),
        "a person's answer was touched",
    ),
    "something gone": (forgotten, "gone: Task/"),
    "something unexplained": (lambda left, *_: left.provenances.clear(), "without a Provenance"),
    "more feeding": (bolder, "more feeding than without the fault: start"),
    "nothing where something should be": (
        lambda left, _, untouched: left.tasks[untouched].update(status="cancelled"),
        "missing: ",
    ),
    "other words": (
        lambda left, _, untouched: left.tasks[untouched].update(description="Something else."),
        "open without reason: ",
    ),
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_the_judge_notices(ward: Bedside, stand: Stand, damage: str) -> None:
    settled(ward, stand)
    left, expected = ward.look(), ward.expected
    first = (f"Task/{tasks[0]['id']}" for tasks in left.open_tasks().values())
    do, noticed = DAMAGES[damage]
    do(left, expected, min(address for address in first if address not in expected.answered))
    assert any(found.startswith(noticed) for found in violations_in_the_end(left, expected))


@pytest.mark.parametrize(
    "seen",
    [Seen("POST", "", ("NutritionOrder",)), Seen("DELETE", "Task/1", ("Task",)), Seen("POST", "Task", ("Task",))],
)
def test_the_judge_notices_what_must_not_be_sent(seen: Seen) -> None:
    assert violations_on_the_wire([seen])


def test_a_silent_repeat_is_told_from_one_that_wrote(ward: Bedside, stand: Stand) -> None:
    settled(ward, stand)
    left = ward.look()
    assert not is_unchanged(left, ward.look())
    address, task = next(iter(left.tasks.items()))
    ward.client.put(address, content=json.dumps(task), headers=FHIR).raise_for_status()
    assert is_unchanged(left, ward.look()) == [f"written again: {address}"]


@pytest.mark.parametrize("name", SHARE)
def test_a_fault_passes_without_a_trace(stand: Stand, name: str) -> None:
    [kind] = [kind for kind in KINDS if kind.name == name]
    if kind.pace != 1:
        need_faketime()
    passed(run_kind(kind, stand))


def test_two_instances_at_once(stand: Stand) -> None:
    passed(faulting.two_at_once(stand))


def test_a_full_disk_stops_what_cannot_be_recorded(stand: Stand) -> None:
    passed(faulting.full_disk(stand, room=12_000))


def test_writes_that_arrive_a_night_too_late(stand: Stand) -> None:
    passed(faulting.late_by_a_night(stand))


@pytest.mark.parametrize(("kills", "true_command"), [(20, False), (2, True)], ids=["forked", "command-line"])
def test_rounds_killed_anywhere(ward: Bedside, warm: Zygote, folder: Path, kills: int, *, true_command: bool) -> None:
    with ByteRelay(ward.base).running() as relay:
        tally = Campaign("sandbox", ward, relay, warm, folder, true_command=true_command).run(kills, seed=7)
    assert not tally.violations
    assert tally.total == kills


@pytest.mark.foreign
def test_kills_and_faults_on_a_server_written_by_others(warm: Zygote, folder: Path) -> None:
    need_server("sekmet")
    with launched("sekmet") as server, foreign_ward(warm, server.base) as ward:
        with ByteRelay(ward.base).running() as relay:
            tally = Campaign("sekmet", ward, relay, warm, folder).run(4, seed=7)
        assert not tally.violations
        with proxied(ward) as proxy:
            stand = Stand("sekmet", ward, proxy, warm, folder, seed=7)
            for kind in KINDS:
                if kind.name in ELSEWHERE:
                    passed(run_kind(kind, stand))


def test_two_services_side_by_side(warm: Zygote, folder: Path) -> None:
    need_faketime()
    passed(SCENES["two services"](warm, folder, 7))


def test_the_document_tells_of_every_kind_and_of_no_violation() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    for kind in KINDS:
        assert f"| {kind.name} |" in text
    kills = [int(found) for found in re.findall(r"\*\*(\d+) kills, 0 violations", text)]
    assert sum(kills) >= 300
    assert not re.search(r"[1-9]\d* violations", text)


def passed(case: Case) -> None:
    assert not case.violations


def need_faketime() -> None:
    if can_bend_time():
        return
    if os.environ.get("ANDANTE_TEST_REQUIRE_SERVERS"):
        pytest.fail("ANDANTE_TEST_REQUIRE_SERVERS is set, but libfaketime is not installed")
    pytest.skip("libfaketime is not installed (Debian: faketime)")
