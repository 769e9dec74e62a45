"""What a rule of the decision table answers, and the energy it may advise."""

from dataclasses import dataclass
from datetime import datetime

from andante.domain.advice import AdviceCode, Fact, Priority, Tell
from andante.domain.protocol import Number, Switch
from andante.domain.quantities import Analyte
from andante.rules.phrases import span
from andante.rules.situation import Situation
from andante.rules.sizing import Sized


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """`because[0]` is the sentence of the rule. `analytes` are those that an urgent review is about."""

    code: AdviceCode
    rule: str
    headline: str
    because: tuple[str, ...]
    sized: Sized | None = None
    facts: tuple[Fact, ...] = ()
    cites: tuple[Number | Switch, ...] = ()
    analytes: tuple[Analyte, ...] = ()
    valid_until: datetime | None = None
    priority: Priority = Priority.ROUTINE
    tell: Tell = Tell.DIETITIAN


def until_next_look(s: Situation) -> datetime:
    """The end of the present monitoring block: an instant that does not move with every round."""
    upcoming = [d for d in s.due.values() if d > s.now]
    if upcoming:
        return min(upcoming)
    anchor = s.course.started or s.now.astimezone(s.picture.zone).replace(hour=0, minute=0, second=0, microsecond=0)
    block = span(s.protocol.monitoring.early_interval.value, "h")
    return anchor + block * ((s.now - anchor) // block + 1)


def soonest(*instants: datetime | None) -> datetime | None:
    return min((i for i in instants if i is not None), default=None)
