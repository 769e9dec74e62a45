"""What changed on the server since an instant of its own time, whoever it is about: population queries by change time.

One search a type, `_lastUpdated=ge…`, and one look into the type's history for what was deleted. Servers refuse such
searches, ignore the filter, answer in part, or keep no history: then `Changes.doubt` says so, and the caller reads
everybody. Every instant here is the server's own: our clock plays no part.
"""

import asyncio
from collections.abc import Iterable
from contextlib import aclosing
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime

import msgspec

from andante.chart.asking import NOT_OFFERED_STATUSES
from andante.chart.assembly import updated_at
from andante.chart.chart import Problem, reference_key
from andante.chart.decoding import decode_resource, salvage
from andante.chart.models import Observation, Patient, Resource, subject_of
from andante.chart.questions import Question, ReadPlan, chart_questions, inbox_questions
from andante.errors import ServerError, Unreachable
from andante.fhir_http.connection import Connection
from andante.fhir_http.history import deleted_since
from andante.fhir_http.read import FhirReader, SearchPage

SHARED = ("Location", "Medication")
"""What many charts point to, and nobody's own."""

_AHEAD = timedelta(minutes=1)  # how far a lastUpdated may lie after the server's own Date and still be believed
_LONG_AGO = timedelta(days=1)  # further than a server's Date and its lastUpdated can be apart
_ROUNDED = timedelta(seconds=1)
_ANSWERED_BADLY = frozenset({500, 501, 504})  # by a server that is there, and would not or could not do this one thing


@dataclass(frozen=True, slots=True)
class Edition:
    """Which content of a resource: the server's version of it, and when the server took it in."""

    version: str | None = None
    updated: datetime | None = None

    def is_same(self, other: "Edition | None") -> bool:
        """False where it cannot be told: reading once more is the safer error."""
        return self == other and self != Edition()


def is_away(error: ServerError) -> bool:
    """Whether the server does not answer at all, or asks for patience: then nothing else would fare better."""
    return isinstance(error, Unreachable) and error.status not in _ANSWERED_BADLY


def edition_of(resource: Resource) -> Edition:
    return Edition(resource.version_id, updated_at(resource))


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One resource that was created or changed. `patient` is an id, None for what is nobody's own.

    `wanted`: whether a chart of this patient would hold it. What is not wanted still matters to a chart that held
    it before. `readable` is False for what cannot be decoded. `laboratory`: an Observation of that category.
    """

    key: str
    edition: Edition
    patient: str | None = None
    wanted: bool = False
    readable: bool = True
    laboratory: bool = False

    @property
    def resource_type(self) -> str:
        return self.key.partition("/")[0]


@dataclass(frozen=True, kw_only=True)
class Changes:
    """Everything since `since`. While there is a `doubt`, what is missing here means nothing.

    `newest` is the latest lastUpdated seen that the server's Date bears out; None when nothing came.
    """

    since: datetime
    changed: tuple[Change, ...] = ()
    deleted: frozenset[str] = frozenset()
    newest: datetime | None = None
    doubt: str = ""


@dataclass
class _Feed:
    """What came of one type."""

    changed: list[Change] = field(default_factory=list)
    deleted: frozenset[str] = frozenset()
    dates: list[datetime] = field(default_factory=list)
    doubt: str = ""


class ChangeReader:
    """Asks one server. `now` bounds which of the changes a chart read now would hold."""

    def __init__(self, connection: Connection, plan: ReadPlan, *, now: datetime) -> None:
        self._connection = connection
        self._reader = FhirReader(connection)
        self._plan = plan
        self._questions = _by_type((*chart_questions(plan, now), *inbox_questions(plan)))
        self._inbox_types = frozenset(question.resource_type for question in inbox_questions(plan))

    @property
    def types(self) -> tuple[str, ...]:
        return (*self._questions, *SHARED)

    async def newest(self) -> datetime | None:
        """A lastUpdated before which nothing new will show, but for what comes late; None where that cannot be told.

        The newest of all where the server sorts. Where it does not, or is empty, a day before its own Date: more is
        then asked than needed, but not the whole past. Raises Unreachable.
        """
        found = await asyncio.gather(*(self._newest_of(kind) for kind in self.types))
        dates = [date for _, dates in found for date in dates]
        newest = _believed([instant for instants, _ in found for instant in instants], dates)
        return max([min(dates) - _LONG_AGO, *([newest] if newest else [])]) if dates else None

    async def since(self, since: datetime) -> Changes:
        """Everything since. Raises Unreachable when the server is away; all else that goes wrong is a doubt."""
        feeds = await asyncio.gather(*(self._feed(kind, since) for kind in self.types))
        changed = tuple(change for feed in feeds for change in feed.changed)
        dates = [date for feed in feeds for date in feed.dates]
        doubts = [feed.doubt for feed in feeds if feed.doubt]
        if not doubts and not dates:
            doubts = ["the server does not say what time it has"]
        return Changes(
            since=since,
            changed=changed,
            deleted=frozenset().union(*(feed.deleted for feed in feeds)),
            newest=_believed([c.edition.updated for c in changed if c.edition.updated], dates),
            doubt=doubts[0] if doubts else "",
        )

    async def _newest_of(self, kind: str) -> tuple[list[datetime], list[datetime]]:
        params = (("_sort", "-_lastUpdated"), ("_count", "1"))
        try:
            async with aclosing(self._reader.pages(kind, params)) as pages:
                page = await anext(pages)
        except ServerError as error:
            if is_away(error):
                raise
            return [], []  # the feed will meet the same, and say so
        instants = (edition_of(r).updated for r in _decoded(kind, page) if isinstance(r, Resource))
        return [instant for instant in instants if instant is not None], _dates(page)

    async def _feed(self, kind: str, since: datetime) -> _Feed:
        feed = _Feed()
        asked = ("_lastUpdated", f"ge{since.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}")
        params = (asked, ("_count", str(self._plan.page_size)), ("_total", "accurate"))
        try:
            async with aclosing(self._reader.pages(kind, params)) as pages:
                async for page in pages:
                    feed.doubt = feed.doubt or _doubt_about(page, kind)
                    feed.dates += _dates(page)
                    for item in page.found:
                        self._take(decode_resource(kind, item.body), item.body, kind, since, feed)
                    if feed.doubt:
                        return feed  # it may go on to the beginning of time
            feed.deleted = await deleted_since(self._connection, kind, since)
        except ServerError as error:
            if is_away(error):
                raise
            if not await self._is_lacking(kind, error):
                feed.doubt = f"{kind}: what changed cannot be asked of this server ({error})"
        return feed

    def _take(self, found: Resource | Problem, body: msgspec.Raw, kind: str, since: datetime, feed: _Feed) -> None:
        if isinstance(found, Problem):
            self._take_unreadable(found, body, kind, feed)
            return
        edition = edition_of(found)
        if edition.updated is None or edition.updated < since - _ROUNDED:
            feed.doubt = feed.doubt or f"{kind}: the server answers with what did not change, or not when it did"
        wanted = any(question.accepts(found) for question in self._questions.get(kind, ()))
        patient = _patient_of(found)
        if patient is None and wanted:
            feed.doubt = feed.doubt or f"{kind}: something changed that names no patient"
        laboratory = isinstance(found, Observation) and _is_laboratory(found)
        feed.changed.append(
            Change(key=found.key, edition=edition, patient=patient, wanted=wanted, laboratory=laboratory)
        )

    def _take_unreadable(self, problem: Problem, body: msgspec.Raw, kind: str, feed: _Feed) -> None:
        if kind in self._inbox_types and not any(s.encode() in bytes(body) for s in self._plan.inbox_systems):
            return  # somebody else's
        reference = salvage(body).subject_reference()
        key = reference_key((reference.reference if reference else None) or "") or problem.reference or ""
        if kind in SHARED or (key.startswith("Patient/") and problem.reference):
            patient = key.removeprefix("Patient/") if key.startswith("Patient/") else None
            name = problem.reference or kind
            feed.changed.append(Change(key=name, edition=Edition(), patient=patient, wanted=True, readable=False))
        else:
            feed.doubt = feed.doubt or f"{kind}: something changed that cannot be read"

    async def _is_lacking(self, kind: str, error: ServerError) -> bool:
        """Whether the server itself says that it does not offer the type: then no chart holds any of it."""
        if error.status not in NOT_OFFERED_STATUSES:
            return False
        try:
            offered = await self._reader.offered_types()
        except ServerError:
            return False
        return bool(offered) and kind not in offered


def _by_type(questions: Iterable[Question]) -> dict[str, tuple[Question, ...]]:
    found: dict[str, tuple[Question, ...]] = {}
    for question in questions:
        found[question.resource_type] = (*found.get(question.resource_type, ()), question)
    return found


def _decoded(kind: str, page: SearchPage) -> Iterable[Resource | Problem]:
    return (decode_resource(kind, item.body) for item in page.found)


def _is_laboratory(observation: Observation) -> bool:
    return any(coding.code == "laboratory" for concept in observation.category for coding in concept.coding)


def _patient_of(resource: Resource) -> str | None:
    if isinstance(resource, Patient):
        return resource.id
    subject = subject_of(resource)
    key = reference_key((subject.reference if subject else None) or "") or ""
    return key.removeprefix("Patient/") if key.startswith("Patient/") else None


def _doubt_about(page: SearchPage, kind: str) -> str:
    if page.filters_ignored is not None:
        return f"{kind}: {page.filters_ignored}"
    if page.misshapen or page.foreign:
        return f"{kind}: entries of the answer could not be taken apart, or were not asked for"
    return f"{kind}: the server told of more changes than it gave" if page.truncated else ""


def _dates(page: SearchPage) -> list[datetime]:
    try:
        date = parsedate_to_datetime(page.date or "")
    except (ValueError, TypeError, IndexError, OverflowError):
        return []
    return [date if date.tzinfo is not None else date.replace(tzinfo=UTC)]


def _believed(instants: Iterable[datetime], dates: Iterable[datetime]) -> datetime | None:
    """The latest instant that is not in the server's own future: one wrong lastUpdated must not hide what follows."""
    limit = max(dates, default=None)
    return max((i for i in instants if limit is None or i <= limit + _AHEAD), default=None)
