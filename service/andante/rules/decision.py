"""What a rule of the decision table answers, and the energy it may advise."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from andante.domain.advice import AdviceCode, Fact, Priority, Tell
from andante.domain.picture import EnergyOrder, IntakeKind
from andante.domain.protocol import Number, Switch
from andante.domain.quantities import Analyte
from andante.rules.course import Course
from andante.rules.evidence import Reading
from andante.rules.phrases import hours, plain, span
from andante.rules.situation import Situation
from andante.rules.sizing import Sized

_TENTH = Decimal("0.1")
_HUNDREDTH = Decimal("0.01")
_SHOWN = 300  # signs of a free-text instruction: a line or two


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """`because[0]` is the sentence of the rule. `analytes` are those the decision rests on."""

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


def lab_fact(reading: Reading) -> Fact | None:
    result = reading.evidence.danger_result or reading.shown
    if result is None:
        return None
    return Fact(
        label=reading.analyte.value,
        value=f"{result.written} ({reading.state.value})",
        when=result.collected,
        source=result.source,
    )


def lab_facts(readings: Iterable[Reading]) -> tuple[Fact, ...]:
    return tuple(f for f in (lab_fact(r) for r in readings) if f is not None)


def _order_words(order: EnergyOrder) -> str:
    """Its state, a density it does not state itself, and its instruction as it stands: shown, never parsed."""
    text = " ".join((order.instruction or "").split())
    if len(text) > _SHOWN:
        text = f"{text[:_SHOWN]}… (longer in the chart)"
    said = order.state.value
    if order.density_from and order.density_kcal_ml is not None:
        said += f"; {plain(order.density_kcal_ml, _HUNDREDTH)} kcal/mL by {order.density_from}"
    return f"{said}; instruction: {text}" if text else said


def order_facts(s: Situation) -> tuple[Fact, ...]:
    return tuple(
        Fact(label=o.kind.value, value=_order_words(o), when=o.ordered, source=o.source)
        for o in (*s.course.running, *(() if s.course.feeding else s.course.planned), *s.course.others)
    )


def delivered_facts(course: Course) -> tuple[Fact, ...]:
    """What was documented as given, record by record."""
    if course.delivered is None:
        return ()
    unit = "kcal" if course.delivered.kind is IntakeKind.ENERGY else "mL"
    return tuple(
        Fact(
            label=f"delivered ({r.kind.value})",
            value=f"{plain(r.amount or Decimal(0))} {unit} over {plain(hours(r.end - r.start), _TENTH)} h",
            when=r.end,
            source=r.source,
        )
        for r in course.delivered.records
    )


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
