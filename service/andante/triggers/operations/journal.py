"""What came of the rounds of this process: counts and instants only, nothing about a patient.

It begins with what the kept state tells of the last completed rounds, and else empty. All further history is the
monitoring system's: it keeps what it has scraped.
"""

from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final

from andante import log
from andante.assess import RoundReport
from andante.site_map.wild import Wild
from andante.state.keeping import Duty
from andante.state.snapshot import Completed
from andante.triggers.schedule import KINDS

_REMEMBERED: Final = 60

WRITTEN: Final = ("created", "kept", "cancelled", "revoked")
"""The counts of a round that are entries written."""


class Ending(StrEnum):
    """How a round ended."""

    WHOLE = "whole"
    IN_PART = "in part"
    """Somebody could not be read whole, or written to."""
    IN_VAIN = "in vain"
    """Nobody could, or the list of who is in the hospital was not whole."""
    FAILED = "failed"
    """An error ended it."""
    MISSED = "missed"
    """It never began."""


@dataclass(frozen=True, kw_only=True)
class Round:
    """One round that has ended. `ident` is what its log lines carry; `error`, the kind of error that ended it."""

    kind: str
    ident: str
    began: datetime
    ended: datetime
    ending: Ending
    counts: Mapping[str, int] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
    error: str = ""

    @property
    def is_completed(self) -> bool:
        """Whether everybody in the hospital was looked for, and somebody was served where there was anybody."""
        return self.ending in (Ending.WHOLE, Ending.IN_PART)

    @property
    def lasted(self) -> timedelta:
        return self.ended - self.began


@dataclass(frozen=True, kw_only=True)
class Running:
    kind: str
    ident: str
    began: datetime
    reports: list[RoundReport] = field(default_factory=list)

    def take(self, report: RoundReport) -> None:
        """What came of it."""
        self.reports.append(report)


class Journal:
    """Told of each round as it begins and ends."""

    def __init__(self, *, started: datetime) -> None:
        self.started = started
        self.duty = Duty.LEADS
        self.clock_since = started
        """Since when the rounds by the clock are this process's to run."""
        self.state_problem: str | None = None
        """Why nothing outlives this process at present; empty where it does, None where nothing is meant to."""
        self.failing = 0
        """Patients whose record failed when it was last read."""
        self.running: Running | None = None
        self.recent: deque[Round] = deque(maxlen=_REMEMBERED)
        self.last: dict[str, Round] = {}
        self.completed: dict[str, Round] = {}
        self.whole: dict[str, Round] = {}
        self.ended: Counter[tuple[str, Ending]] = Counter()
        self.milliseconds: Counter[str] = Counter()
        self.written: Counter[str] = Counter()
        self.met: Wild | None = None
        """What the charts of the last whole pass held that the site map does not know."""

    @contextmanager
    def round(self, kind: str, *, began: datetime, now: Callable[[], datetime]) -> Iterator[Running]:
        """For as long as a round runs. Whatever ends it is noted, and goes on its way."""
        running = Running(kind=kind, ident=log.current("round") or "", began=began)
        self.running = running
        error = ""
        try:
            yield running
        except BaseException as problem:
            error = type(problem).__name__
            raise
        finally:
            self.running = None
            self._end(running, error, now())

    def missed(self, kind: str, now: datetime) -> None:
        """A round that should have begun did not."""
        self._note(Round(kind=kind, ident="", began=now, ended=now, ending=Ending.MISSED))

    def remember(self, found: Iterable[Completed], *, now: datetime) -> None:
        """Completed by an earlier process, or by the one that leads. What lies in the future is not believed."""
        for one in found:
            known = self.completed.get(one.kind)
            if one.kind not in KINDS or one.ended > now or (known is not None and known.ended >= one.ended):
                continue
            ending = Ending.WHOLE if one.whole else Ending.IN_PART
            self.completed[one.kind] = told = Round(
                kind=one.kind, ident=one.ident, began=one.began, ended=one.ended, ending=ending, counts=one.counts
            )
            if one.whole:
                self.whole[one.kind] = told

    def to_keep(self) -> tuple[Completed, ...]:
        """The last completed round of each kind."""
        return tuple(
            Completed(
                kind=one.kind,
                ident=one.ident,
                began=one.began,
                ended=one.ended,
                whole=one.ending is Ending.WHOLE,
                counts=one.counts,
            )
            for _, one in sorted(self.completed.items())
        )

    def _end(self, running: Running, error: str, now: datetime) -> None:
        ended = Round(
            kind=running.kind, ident=running.ident, began=running.began, ended=now, ending=Ending.FAILED, error=error
        )
        if running.reports and not error:
            report = running.reports[-1]
            ended = replace(ended, ending=_ending(report), counts=report.counts, remarks=report.remarks)
        self._note(ended)

    def _note(self, ended: Round) -> None:
        self.recent.append(ended)
        self.last[ended.kind] = ended
        self.ended[ended.kind, ended.ending] += 1
        self.milliseconds[ended.kind] += int(ended.lasted.total_seconds() * 1000)
        self.written.update({name: ended.counts.get(name, 0) for name in WRITTEN})
        if ended.kind not in KINDS:
            return  # what is late, and what a start begins with, goes by rounds
        if ended.is_completed:
            self.completed[ended.kind] = ended
        if ended.ending is Ending.WHOLE:
            self.whole[ended.kind] = ended


def _ending(report: RoundReport) -> Ending:
    if not report.census_complete or report.served_nobody:
        return Ending.IN_VAIN
    return Ending.WHOLE if report.whole else Ending.IN_PART
