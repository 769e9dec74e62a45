"""An evening and a morning of the fictional hospital, played once on a server; tests look at the record of it.

The charts of the evening are loaded; a dry run; the evening's round, and the same again; people answer some of what
was left, with plain HTTP; the round again; the charts of the next morning are loaded; its round, and the same again.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import httpx
from lanternmoor import EVENING, MORNING, Json, came_to_be_known, known_at, patient_of
from servers.loading import put_all
from ward_round import Left, Ran, Round, answer, decision_of, end, look, run_round, served, start_advise

# What people do with a Task; the last leaves it open, with a word of their own in it.
ANSWERS = ("rejected", "completed", "accepted", "in-progress", "requested")


@dataclass(frozen=True)
class Record:
    """Rounds, and what stood in the inboxes after each. `wanted`: the transactions `advise` calls for, by patient."""

    client: httpx.Client
    dry: Round
    after_dry: Left
    first: Round
    after_first: Left
    again: Round
    answered: frozenset[str]
    after_answers: Left
    third: Round
    after_third: Left
    fourth: Round
    after_fourth: Left
    last: Round
    after_last: Left
    advised: dict[datetime, Ran]
    wanted: dict[datetime, dict[str, list[Json]]]

    @property
    def rounds(self) -> tuple[Round, ...]:
        return (self.dry, self.first, self.again, self.third, self.fourth, self.last)

    def round_of(self, now: datetime) -> Round:
        return {EVENING: self.first, MORNING: self.fourth}[now]

    def wanted_task(self, patient: str, now: datetime) -> Json | None:
        tasks = (body for body in self.wanted[now].get(patient, ()) if body["resourceType"] == "Task")
        return next(tasks, None)

    def untouched(self, left: Left, patient: str) -> list[Json]:
        """The open Tasks of a patient that no person has had in hand."""
        return [task for task in left.open_tasks().get(patient, ()) if f"Task/{task['id']}" not in self.answered]

    def is_with_a_person(self, wanted: Json) -> bool:
        """Whether a person has answered this very decision on this very evidence, or is busy with the decision."""
        answered = [self.after_answers.items[address] for address in self.answered]
        return any(
            item["identifier"] == wanted["identifier"]
            or (decision_of(item) == decision_of(wanted) and item["status"] in ("in-progress", "requested"))
            for item in answered
        )


def play(client: httpx.Client, folder: Path) -> Record:
    """Play it on the empty server behind `client`; chart files go to `folder`."""
    base = str(client.base_url).rstrip("/")
    advised: dict[datetime, Ran] = {}
    wanted: dict[datetime, dict[str, list[Json]]] = {}

    @contextmanager
    def advise_is_asked(now: datetime) -> Iterator[None]:
        bundle = served(client, known_at(now))
        as_json, as_fhir = start_advise(bundle, now, folder), start_advise(bundle, now, folder, "fhir")
        yield
        advised[now], wanted[now] = end(as_json), _by_patient(end(as_fhir))

    put_all(client, known_at(EVENING).values())
    with advise_is_asked(EVENING):
        dry, after_dry = run_round(base, EVENING, "--dry-run"), look(client)
    first, after_first = run_round(base, EVENING), look(client)
    again = run_round(base, EVENING)
    answered = frozenset(_people_answer(client, after_first))
    after_answers = look(client)
    third, after_third = run_round(base, EVENING), look(client)
    put_all(client, came_to_be_known(EVENING, MORNING))
    with advise_is_asked(MORNING):
        fourth, after_fourth = run_round(base, MORNING), look(client)
    last, after_last = run_round(base, MORNING), look(client)
    return Record(
        client=client,
        dry=dry,
        after_dry=after_dry,
        first=first,
        after_first=after_first,
        again=again,
        answered=answered,
        after_answers=after_answers,
        third=third,
        after_third=after_third,
        fourth=fourth,
        after_fourth=after_fourth,
        last=last,
        after_last=after_last,
        advised=advised,
        wanted=wanted,
    )


def _people_answer(client: httpx.Client, left: Left) -> Iterator[str]:
    """As an EHR does it: read, change, put back. Two patients for each answer, and some notices."""
    tasks = [task for _, [task] in sorted(left.open_tasks().items())]
    notices = [notice for _, [notice] in sorted(left.open_notices().items())]
    answers = [*zip(tasks[::3], ANSWERS * 2, strict=False), *((notice, "completed") for notice in notices[::6])]
    for item, status in answers:
        yield answer(client, item, status)


def _by_patient(ran: Ran) -> dict[str, list[Json]]:
    """The Tasks and notices of the transactions that `advise --format fhir` printed."""
    found: dict[str, list[Json]] = {}
    for bundle in ran.bundles:
        for entry in bundle.get("entry", ()):
            if (patient := patient_of(entry["resource"])) is not None:
                found.setdefault(patient, []).append(entry["resource"])
    return found
