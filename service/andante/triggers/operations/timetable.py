"""When a round should have been completed, and whether it was: what /ready, the metrics and the page go by."""

from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from andante.settings import Settings
from andante.triggers.operations.journal import Journal, Round
from andante.triggers.schedule import CHANGES, NIGHT_WATCH, ROUND, next_after

_TO_FINISH = timedelta(hours=1)  # beside the grace for a late start


@dataclass(frozen=True, kw_only=True)
class Timetable:
    """By the settings. A round and a night watch both read everybody: one completed makes up for the other."""

    settings: Settings
    zone: tzinfo
    journal: Journal

    @property
    def kinds(self) -> tuple[str, ...]:
        """The kinds of round that run here by the clock."""
        if not self.settings.clock:
            return ()
        return (ROUND, NIGHT_WATCH, CHANGES) if self.settings.changes_every_s else (ROUND, NIGHT_WATCH)

    def due(self, kind: str) -> datetime:
        """When the next round of this kind is to begin, counted from the last one completed, or from the start."""
        since = self._since(self.journal.completed.get(kind))
        match kind:
            case "round":
                return next_after(since, self.settings.round_times, self.zone)
            case "night-watch":
                return next_after(since, self.settings.night_watch_times, self.zone)
            case _:
                return since + timedelta(seconds=self.settings.changes_every_s)

    def late(self, now: datetime) -> tuple[str, ...]:
        """The kinds of which none was completed for longer than the schedule allows."""
        found = [CHANGES] if CHANGES in self.kinds and self._is_over(self.due(CHANGES), now) else []
        if self.settings.clock and self._is_over(self._pass_due(), now):
            found.insert(0, ROUND)
        return tuple(found)

    def is_stuck(self, now: datetime) -> bool:
        """Whether a round has been running for longer than any should: those after it wait for it."""
        running = self.journal.running
        return running is not None and now - running.began > timedelta(seconds=self.settings.round_limit_s)

    def is_asleep(self, now: datetime) -> bool:
        """Whether for longer than the schedule allows no round even began: not the server's fault, but the clock's."""
        if self.journal.running is not None:
            return False
        tried = [self.journal.last[kind].ended for kind in (ROUND, NIGHT_WATCH) if kind in self.journal.last]
        return self._is_over(self._next_pass(max([*tried, self.journal.clock_since])), now)

    def is_up_to_date(self, now: datetime) -> bool:
        """Whether a pass over everybody is known to have been completed after the last one was due."""
        is_known = any(kind in self.journal.completed for kind in (ROUND, NIGHT_WATCH))
        return is_known and now < self._pass_due()

    def grace(self) -> timedelta:
        """How long after its time a round may be completed."""
        return timedelta(seconds=self.settings.misfire_grace_s) + _TO_FINISH

    def _pass_due(self) -> datetime:
        passes = [self.journal.completed[kind] for kind in (ROUND, NIGHT_WATCH) if kind in self.journal.completed]
        return self._next_pass(self._since(max(passes, key=lambda one: one.ended, default=None)))

    def _next_pass(self, since: datetime) -> datetime:
        return next_after(since, (*self.settings.round_times, *self.settings.night_watch_times), self.zone)

    def _since(self, last: Round | None) -> datetime:
        return last.ended if last is not None else self.journal.started

    def _is_over(self, due: datetime, now: datetime) -> bool:
        return now > due + self.grace()
