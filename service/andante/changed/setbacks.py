"""Patients whose record fails again and again: named each time, tried ever more seldom, and nobody waits for them.

Rounds that read everybody try them every time. Anything new of theirs has them tried at once.
"""

from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta, tzinfo
from typing import Final

from andante.assess import Outcome
from andante.state.snapshot import Setback

_FIRST: Final = timedelta(minutes=5)
_LONGEST: Final = timedelta(hours=1)
_FEW: Final = 5
_SHARE: Final = 0.1  # of those watched: beyond it, and beyond a few, the trouble is the server's or ours, and nobody's


@dataclass
class Setbacks:
    """By patient id."""

    failing: dict[str, Setback] = field(default_factory=dict)
    _why: dict[str, str] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.failing)

    def restore(self, found: Iterable[Setback], *, now: datetime) -> None:
        """What an earlier process knew. What lies in the future is not believed: nobody may wait for a wrong clock."""
        for one in found:
            if one.last <= now and one.again <= now + _LONGEST:
                self.failing.setdefault(one.patient, one)

    def note(self, outcomes: Collection[Outcome], *, watched: int, now: datetime) -> None:
        """What came of patients who were just read. `watched`: how many the round was about."""
        failed = [outcome for outcome in outcomes if _is_setback(outcome)]
        for outcome in outcomes:
            if not _is_setback(outcome):
                self.drop(outcome.patient_id)
        if len(failed) > _FEW and len(failed) > _SHARE * watched:
            return
        for outcome in failed:
            patient = outcome.patient_id
            before = self.failing.get(patient)
            failures = before.failures + 1 if before is not None else 1
            wait: timedelta = min(_FIRST * 2 ** min(failures - 1, 10), _LONGEST)
            self.failing[patient] = Setback(patient=patient, failures=failures, last=now, again=now + wait)
            self._why[patient] = outcome.problem or f"not read whole: {', '.join(outcome.incomplete)}"

    def drop(self, patient: str) -> None:
        self.failing.pop(patient, None)
        self._why.pop(patient, None)

    def keep_only(self, watched: Collection[str]) -> None:
        for patient in self.failing.keys() - set(watched):
            self.drop(patient)

    def wake(self, patients: Iterable[str] | None) -> None:
        """Something of theirs changed, or of everybody's (None): they need not wait any longer."""
        for patient in self.failing if patients is None else self.failing.keys() & set(patients):
            one = self.failing[patient]
            self.failing[patient] = Setback(
                patient=patient, failures=one.failures, last=one.last, again=min(one.again, one.last)
            )

    def rests(self, patient: str, now: datetime) -> bool:
        """Whether the patient is to be left alone for now. A clock set back does not make anybody wait for it."""
        one = self.failing.get(patient)
        return one is not None and one.last <= now < one.again

    def resting(self, patient: str, zone: tzinfo) -> Outcome:
        """In place of a look: the patient stays named as failing."""
        one = self.failing[patient]
        again = one.again.astimezone(zone)
        times = "once" if one.failures == 1 else f"{one.failures} times running"
        why = self._why.get(patient, "see the log of the process before this one")
        return Outcome(
            patient=f"Patient/{patient}", problem=f"failed {times}, to be tried again at {again:%H:%M} ({why})"
        )


def _is_setback(outcome: Outcome) -> bool:
    # An inbox not settled yet is a person or another instance at work, not the record.
    return bool(outcome.problem or outcome.incomplete)
