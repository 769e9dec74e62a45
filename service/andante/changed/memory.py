"""What was read of each patient, kept for as long as it is sure to be what would be read again. In memory only.

Nothing is kept of a patient whose inbox was just written to, or whose chart was not read whole: they are read again.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from andante.assess import Served
from andante.changed.setbacks import Setbacks
from andante.chart.assembly import shared_references
from andante.chart.changes import Change, Changes, Edition, edition_of
from andante.chart.chart import Chart, Inbox, Problem, reference_key
from andante.domain.picture import Picture
from andante.state.snapshot import Watermark

# Problems that came in answer to a search for several patients: which of them it concerns may change elsewhere.
_ANYBODYS = frozenset({"no-subject", "logical-subject", "failed-read", "filters-ignored"})
_SURELY = timedelta(minutes=1)  # beyond what rounding of lastUpdated can do


@dataclass(frozen=True, kw_only=True)
class Kept:
    """One patient. `held` are the resources read; `pointed_to` those that reading it again might bring as well.

    `read_on`: the searches look back by whole days of UTC, so that what is kept is good for the day it was read on.
    """

    picture: Picture
    inbox: Inbox
    held: Mapping[str, Edition]
    pointed_to: frozenset[str]
    read_on: date

    @property
    def keys(self) -> frozenset[str]:
        return self.pointed_to | self.held.keys()

    def settles(self, change: Change) -> bool:
        """Whether the change is in what was read."""
        return change.readable and change.edition.is_same(self.held.get(change.key))


@dataclass(frozen=True, kw_only=True)
class Mark:
    """How far the server's changes were followed: the latest lastUpdated seen this time, and the time before.

    Types are asked one beside the other, and what came into one of them meanwhile may be older than what was then
    seen in another. All that is older than what had been seen *before* was there to be seen, but for what comes late.
    """

    newest: datetime
    before: datetime


class Memory:
    """Holds patients by id. One round at a time uses it."""

    def __init__(self) -> None:
        self.mark: Mark | None = None
        self.doubt = ""  # why the last round by change time read everybody, by the server's fault
        self.watched: frozenset[str] = frozenset()  # whom the last round concerned
        self.news: frozenset[str] = frozenset()
        """The types of which something came in since the look before: `Observation` for laboratory results only."""
        self.kept: dict[str, Kept] = {}
        self.setbacks = Setbacks()
        self.earlier: Watermark | None = None
        """How far a process before this one had followed: it only tells whom to read first."""
        self._deleted: frozenset[str] = frozenset()
        self._holders: defaultdict[str, set[str]] = defaultdict(set)

    def forget(self) -> None:
        """Everything: the next round is a whole one."""
        self.mark = None
        self.news = frozenset()
        self._deleted = frozenset()
        for patient in list(self.kept):
            self.drop(patient)

    def drop(self, patient: str) -> None:
        kept = self.kept.pop(patient, None)
        for key in kept.keys if kept else ():
            self._holders[key].discard(patient)
            if not self._holders[key]:
                del self._holders[key]

    def keep(self, served: Served, *, now: datetime) -> None:
        """Keep what was read, if reading it again now would surely bring the same."""
        patient = served.chart.patient_id
        self.drop(patient)
        kept = _kept(served, now)
        if kept is None:
            return
        self.kept[patient] = kept
        for key in kept.keys:
            self._holders[key].add(patient)

    def apply(self, changes: Changes) -> None:
        """Drop everybody whom the changes concern.

        A change that is already in what was read concerns nobody. One that a patient's own searches do not find yet
        is not, and has the patient read again for as long as it is told.
        """
        for change in changes.changed:
            concerned = set(self._holders.get(change.key, ()))
            if change.patient is not None and change.wanted:
                concerned.add(change.patient)
            for patient in concerned:
                if patient in self.kept and not self.kept[patient].settles(change):
                    self.drop(patient)
        for key in changes.deleted:
            for patient in set(self._holders.get(key, ())):
                self.drop(patient)
        self.news = frozenset(change.resource_type for change in changes.changed if self._is_news(change))
        self._wake(changes)

    def _is_news(self, change: Change) -> bool:
        if not change.wanted or change.edition.updated is None or self.mark is None:
            return False
        is_told_of = change.laboratory or change.resource_type != "Observation"
        return is_told_of and change.edition.updated > self.mark.newest

    def _wake(self, changes: Changes) -> None:
        """Changes are told again for as long as the overlap: once each is enough."""
        if changes.deleted - self._deleted:
            self.setbacks.wake(None)  # it is not told whose it was
        self._deleted = changes.deleted
        newest = self.mark.newest if self.mark is not None else None
        self.setbacks.wake(
            change.patient
            for change in changes.changed
            if change.patient is not None
            and (newest is None or change.edition.updated is None or change.edition.updated > newest)
        )

    def is_contradicted(self, changes: Changes) -> bool:
        """Whether the changes leave out what charts hold: then the server does not tell of all that changes."""
        if self.mark is None:
            return False
        told = {change.key for change in changes.changed} | changes.deleted
        earliest, latest = changes.since + _SURELY, self.mark.before
        return any(
            edition.updated is not None and earliest <= edition.updated <= latest and key not in told
            for kept in self.kept.values()
            for key, edition in kept.held.items()
        )


def _kept(served: Served, now: datetime) -> Kept | None:
    chart, inbox, delivery = served.chart, served.inbox, served.outcome.delivery
    if delivery is None or delivery.bundle is not None or delivery.held_back:
        return None  # its inbox is not as it was read, or another instance is at work
    problems = (*chart.problems, *inbox.problems)
    if any(problem.code in _ANYBODYS or not _names_one(problem) for problem in problems):
        return None
    return Kept(
        picture=served.picture,
        inbox=inbox,
        held=_held(chart, inbox),
        pointed_to=frozenset(_pointed_to(chart, problems)),
        read_on=now.astimezone(UTC).date(),
    )


def _names_one(problem: Problem) -> bool:
    # A type that the server does not offer is nobody's change; should it offer it one day, it is read by tomorrow.
    return problem.code == "not-offered" or reference_key(problem.reference or "") is not None


def _held(chart: Chart, inbox: Inbox) -> dict[str, Edition]:
    held: dict[str, Edition] = {}
    for resource in (*chart.resources(), *(item.resource for item in inbox.items)):
        # Two versions of one resource were both kept: which of them a search brings may change.
        held[resource.key] = Edition() if resource.key in held else edition_of(resource)
    return held


def _pointed_to(chart: Chart, problems: Iterable[Problem]) -> Iterable[str]:
    for resource in chart.resources():
        for text in shared_references(resource):
            key = reference_key(text)
            if key is not None:
                yield key
    for problem in problems:
        key = reference_key(problem.reference or "")
        if key is not None:
            yield key
