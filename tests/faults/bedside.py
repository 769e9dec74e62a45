"""A ward on a server, in the morning, with the inbox of the evening before and what people have answered in it.

What an undisturbed round makes of it is found first, on a twin: our sandbox is cloned, another server is put back to
the evening. So every trial begins from the same evening and is held against the same morning.
"""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime

import httpx
from aftermath import Expected
from commands_run import Zygote, environment, round_arguments
from lanternmoor import EVENING, MORNING, known_at
from servers.loading import delete_all, put_all
from ward_round import FHIR, STORIES, Left, answer, look

from andante.sandbox import Sandbox, Seen, running
from andante.sandbox.store import Store

ANSWERS = ("rejected", "completed", "accepted", "in-progress", "requested")


@dataclass
class Bedside:
    """`reset` puts the server back to the evening before with the charts of the morning."""

    base: str
    client: httpx.Client
    expected: Expected
    reset: Callable[[], None]
    sandbox: Sandbox | None = None
    empty: "EmptyInbox | None" = None
    seen: list[Seen] = field(default_factory=list)

    def look(self) -> Left:
        return look(self.client)


@dataclass(frozen=True)
class EmptyInbox:
    """The same ward where nothing was ever left in the inbox; on our sandbox only."""

    begin_in_the_evening: Callable[[], Expected]
    bring_the_morning: Callable[[], None]
    evening: datetime = EVENING


@contextmanager
def sandbox_ward(zygote: Zygote, stories: frozenset[str] | None = STORIES) -> Iterator[Bedside]:
    """On our sandbox. `seen`: every request that reached it since the last reset."""
    seen: list[Seen] = []
    sandbox = Sandbox(record=seen.append)
    with running(sandbox.app) as base, httpx.Client(base_url=base, timeout=60) as client:
        sandbox.load(known_at(EVENING, stories=stories).values())
        bare = sandbox.endpoint.store.clone()
        _round(zygote, base, "evening")
        answered = frozenset(_people_answer(client, look(client)))
        evening = look(client)
        sandbox.load(known_at(MORNING, stories=stories).values())
        stood = sandbox.endpoint.store.clone()
        decided = _round(zygote, base, "morning")
        expected = Expected(evening, answered, look(client), decided)

        def reset() -> None:
            with sandbox.lock:
                sandbox.endpoint.store = stood.clone()
            seen.clear()

        def put(store: Store) -> None:
            with sandbox.lock:
                sandbox.endpoint.store = store

        def bring_the_morning() -> None:
            sandbox.load(known_at(MORNING, stories=stories).values())

        def begin_in_the_evening() -> Expected:
            put(bare.clone())
            bring_the_morning()
            decided = _round(zygote, base, "morning")
            expected = Expected(Left({}, {}, {}), frozenset(), look(client), decided)
            put(bare.clone())
            seen.clear()
            return expected

        reset()
        yield Bedside(base, client, expected, reset, sandbox, EmptyInbox(begin_in_the_evening, bring_the_morning), seen)


@contextmanager
def foreign_ward(zygote: Zygote, base: str) -> Iterator[Bedside]:
    """On an empty server written by others. Its twin is itself, before anything was disturbed."""
    with httpx.Client(base_url=base, timeout=60) as client:
        put_all(client, known_at(EVENING, stories=STORIES).values())
        _round(zygote, base, "evening")
        answered = frozenset(_people_answer(client, look(client)))
        evening = look(client)
        put_all(client, known_at(MORNING, stories=STORIES).values())
        decided = _round(zygote, base, "morning")
        expected = Expected(evening, answered, look(client), decided)

        def reset() -> None:
            stands = look(client)
            surplus = (stands.items | stands.provenances).keys() - (evening.items | evening.provenances).keys()
            delete_all(client, sorted(surplus))
            for address, body in evening.items.items():
                if stands.items.get(address) != body and address not in answered:
                    client.put(address, content=json.dumps(body), headers=FHIR).raise_for_status()
            ward.expected = _as_put_back(expected, look(client))

        ward = Bedside(base, client, expected, reset)
        reset()
        yield ward


def _as_put_back(expected: Expected, evening: Left) -> Expected:
    """The evening in the versions that the server has given it this time."""
    assert evening.items.keys() == expected.evening.items.keys()
    return replace(expected, evening=evening)


def _round(zygote: Zygote, base: str, which: str) -> dict[str, str]:
    """What was decided, by patient."""
    now = {"evening": EVENING, "morning": MORNING}[which]
    zygote.start(round_arguments(base, now), environment())
    ended = zygote.end()
    assert ended.status == 0, ended.err[-2000:]
    told = [json.loads(line) for line in ended.out.splitlines()]
    return {one["patient"]: one["advice"]["code"] for one in told}


def _people_answer(client: httpx.Client, left: Left) -> Iterator[str]:
    """As an EHR does it: read, change, put back. Five suggestions, and some notices; half of the patients are left."""
    tasks = [task for _, [task] in sorted(left.open_tasks().items())]
    notices = [notice for _, [notice] in sorted(left.open_notices().items())]
    answers = [*zip(tasks[::2], ANSWERS, strict=False), *((notice, "completed") for notice in notices[::5])]
    for item, status in answers:
        yield answer(client, item, status)
