"""What the service sends over the ten days of a story: to an empty inbox, and to one that it and people were at."""

import asyncio
import sys
from collections.abc import Callable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(folder) for folder in (TESTS, TESTS / "scenarios") if str(folder) not in sys.path]

from stories import FIXTURES, Row, assess, hospital, rows_of, stories  # noqa: E402

from andante.domain.advice import Assessment  # noqa: E402
from andante.writeback.gate import Gate  # noqa: E402
from andante.writeback.identity import patient_id  # noqa: E402
from andante.writeback.site import Site  # noqa: E402
from andante.writeback.writer import InboxWriter, transaction_bundle  # noqa: E402
from inbox_server import InboxServer  # noqa: E402 - only importable from here on

__all__ = ["FIXTURES", "a_person_at_work", "assessment", "first_bundles", "following_bundles", "nobody", "stories"]

Json = dict[str, Any]
People = Callable[[InboxServer, int], None]
"""What people do to the inbox after a round, given its number."""


@lru_cache(maxsize=64)
def assessment(row: Row) -> Assessment:
    """Kept for the rounds of one story, which are gone through more than once."""
    return assess(row.story, hospital().instant(row.at))


def first_bundles(story: Path, site: Site) -> Iterator[tuple[Row, Json]]:
    """For each round, what `andante advise --format fhir` prints: the transaction for an empty inbox."""
    for row in rows_of(story):
        yield row, transaction_bundle(assessment(row), site)


def following_bundles(story: Path, site: Site, people: People) -> list[Json]:
    """Everything sent when all rounds go to one inbox, in order: creates, refreshes, and what is taken back."""
    return asyncio.run(_played(story, site, people))


def nobody(server: InboxServer, number: int) -> None:
    """Nobody touches anything."""


def a_person_at_work(server: InboxServer, number: int) -> None:
    """Every other round somebody accepts the advice, every third somebody completes a notice."""
    for reference in server.open_tasks() if number % 2 else ():
        server.person(reference, status="accepted")
    for reference in list(server.of_type("CommunicationRequest", "active"))[:1] if number % 3 == 0 else ():
        server.person(reference, status="completed")


async def _played(story: Path, site: Site, people: People) -> list[Json]:
    server = InboxServer()
    writer = InboxWriter(site=site, gate=Gate(site), server=server, read_inbox=server.read_inbox)
    for number, row in enumerate(rows_of(story)):
        one = assessment(row)
        await writer.deliver(one, server.inbox(patient_id(one)))
        people(server, number)
    return server.sent
