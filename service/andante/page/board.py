"""What the last rounds found, kept in memory for the page. Addresses name patients by names that mean nothing."""

import asyncio
import hashlib
import hmac
import secrets
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import datetime

from andante.assess import Outcome, RoundReport
from andante.chart.chart import Inbox
from andante.domain.advice import Assessment
from andante.writeback.codes import Kind
from andante.writeback.site import Site
from andante.writeback.standing import Hands, Standing, of_kind, read_inbox


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One patient as last assessed. `behind` says why this is not what the last round found; empty where it is.

    `inbox_read` is when the inbox was last read; None where it never was, or not whole.
    """

    token: str
    outcome: Outcome
    assessment: Assessment
    standings: tuple[Standing, ...] = ()
    inbox_read: datetime | None = None
    behind: str = ""

    @property
    def patient(self) -> str:
        return self.outcome.patient

    @property
    def suggestion(self) -> Standing | None:
        """The Task that holds the suggestion, or a person's last word on it: the newest that was not taken back."""
        tasks = [one for one in of_kind(Kind.ADVICE, self.standings) if one.hands is not Hands.WITHDRAWN]
        return tasks[-1] if tasks else None


@dataclass(frozen=True, kw_only=True)
class Unread:
    """A patient of whom nothing is known yet: the first round that should have read them failed."""

    token: str
    patient: str
    problem: str


@dataclass(kw_only=True)
class Board:
    """Everybody the last rounds were about. `revision` counts what anybody could see change."""

    site: Site
    entries: dict[str, Entry] = field(default_factory=dict)
    unread: dict[str, Unread] = field(default_factory=dict)
    last: RoundReport | None = None
    finished: datetime | None = None
    trouble: str = ""
    revision: int = 0
    _key: bytes = field(default_factory=lambda: secrets.token_bytes(32), repr=False)
    _changed: asyncio.Event = field(default_factory=asyncio.Event, repr=False)

    def token_of(self, patient: str) -> str:
        """A name for addresses: the same while the process lives, and not to be turned back."""
        return hmac.new(self._key, patient.encode(), hashlib.sha256).hexdigest()[:24]

    def find(self, token: str) -> Entry | None:
        return next((one for one in self.entries.values() if one.token == token), None)

    def take_round(self, report: RoundReport, *, finished: datetime, watched: frozenset[str] | None) -> None:
        """A round's findings. `watched`: ids of all it concerned, where it did not read everybody; None if it did.

        Who is missing from a census that could not be read whole stays, and is marked.
        """
        self.last, self.finished, self.trouble = report, finished, ""
        told = {outcome.patient for outcome in report.outcomes}
        still = told if watched is None else told | {f"Patient/{name}" for name in watched}
        for patient in [name for name in self.entries if name not in still]:
            if report.census_complete:
                del self.entries[patient]
            else:
                self._mark(patient, "the list of who is in the hospital could not be read whole")
        self.unread = {name: one for name, one in self.unread.items() if name in still}
        self.take(report.outcomes, read=finished)

    def take(self, outcomes: Iterable[Outcome], *, read: datetime) -> None:
        """What came of some patients, read at `read`."""
        for outcome in outcomes:
            self._take_one(outcome, read)
        self.note_change()

    def _take_one(self, outcome: Outcome, read: datetime) -> None:
        patient, inbox = outcome.patient, outcome.delivery.inbox if outcome.delivery else None
        if outcome.assessment is None:
            if patient in self.entries:
                self._mark(patient, outcome.problem or "the chart could not be read")
            else:
                problem = outcome.problem or "the chart could not be read"
                self.unread[patient] = Unread(token=self.token_of(patient), patient=patient, problem=problem)
            return
        self.unread.pop(patient, None)
        earlier = self.entries.get(patient)
        entry = Entry(
            token=self.token_of(patient),
            outcome=outcome,
            assessment=outcome.assessment,
            standings=earlier.standings if earlier else (),
            behind=outcome.problem,
        )
        self.entries[patient] = self._with_inbox(entry, inbox, read)

    def take_inbox(self, patient: str, inbox: Inbox, *, read: datetime) -> Entry:
        """The patient's inbox, read afresh. Raises KeyError for a patient who is not on the board."""
        before = self.entries[patient]
        self.entries[patient] = after = self._with_inbox(before, inbox, read)
        if _versions(after) != _versions(before):
            self.note_change()
        return after

    def _with_inbox(self, entry: Entry, inbox: Inbox | None, read: datetime) -> Entry:
        if inbox is None or inbox.incomplete:
            return entry
        return replace(entry, standings=read_inbox(inbox, self.site), inbox_read=read)

    def _mark(self, patient: str, why: str) -> None:
        self.entries[patient] = replace(self.entries[patient], behind=why)

    def note_trouble(self, why: str) -> None:
        """A round failed as a whole: what is shown is older than it should be."""
        self.trouble = why
        self.note_change()

    def note_change(self) -> None:
        self.revision += 1
        self._changed.set()
        self._changed = asyncio.Event()

    async def wait_for_change(self, *, seconds: float) -> bool:
        """True when something changed within the time, False when nothing did."""
        try:
            async with asyncio.timeout(seconds):
                await self._changed.wait()
        except TimeoutError:
            return False
        return True


def _versions(entry: Entry) -> list[tuple[str, str]]:
    return [(one.reference, one.version) for one in entry.standings]
