"""What a FHIR status means for evidence and for orders. An unknown one never makes a value firmer."""

from dataclasses import dataclass
from datetime import datetime

from andante.chart.models import MedicationRequest, NutritionOrder, Observation, Resource
from andante.chart.plain_text import cut
from andante.chart.sheet import Sheet
from andante.domain.picture import Firmness, OrderState

_FIRM = frozenset({"final", "amended", "corrected"})
_PROVISIONAL = frozenset({"preliminary", "registered", "unknown"})
_VOID = frozenset({"entered-in-error", "cancelled"})

_ORDER_STATES = {
    "draft": OrderState.PLANNED,
    "active": OrderState.ACTIVE,
    "on-hold": OrderState.PAUSED,
    "completed": OrderState.ENDED,
    "revoked": OrderState.ENDED,
    "stopped": OrderState.ENDED,
}
PROPOSED = frozenset({"proposal", "plan", "option", "directive"})
ORDERED = frozenset({"order", "original-order", "reflex-order", "filler-order", "instance-order"})


def firmness_of(sheet: Sheet, observation: Observation) -> Firmness | None:
    """How far an observation may be relied on; None, noted, when it is void.

    One of several versions of which none is known to be the last may hold, but not advance.
    """
    status = observation.status
    if status in _VOID:
        sheet.note("void-result", f"is {status}; left out", observation)
        return None
    if status in _FIRM:
        return Firmness.PROVISIONAL if sheet.is_doubted(observation) else Firmness.FIRM
    if status not in _PROVISIONAL:
        sheet.note("unknown-status", f"its status {_quoted(status)} is unknown; taken as provisional", observation)
    return Firmness.PROVISIONAL


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Where an order stands. With a `problem` it is kept, but nothing may be summed from it."""

    state: OrderState
    problem: str | None = None


def standing_of(sheet: Sheet, order: NutritionOrder | MedicationRequest) -> Standing | None:
    """Where an order stands; None, noted, when it never came into force."""
    status, intent = order.status, order.intent
    if status in _VOID:
        sheet.note("void-order", f"is {status}; left out", order)
        return None
    problem = None
    state = _ORDER_STATES.get(status or "", OrderState.ACTIVE)
    if status not in _ORDER_STATES:
        # Dropping it would make a fed patient look unfed: keep it, and know that its energy is not known.
        problem = f"its status {_quoted(status)} does not say whether it is in force"
        sheet.note("unknown-status", problem, order)
    if intent in PROPOSED:
        if state is OrderState.ENDED:
            sheet.note("void-order", f"is a {intent} that is {status}; left out", order)
            return None
        state = OrderState.PLANNED
    elif intent not in ORDERED:
        problem = f"its intent {_quoted(intent)} does not say whether it was ordered"
        sheet.note("unknown-status", problem, order)
    return Standing(state=state, problem=problem)


def ordered_at(sheet: Sheet, order: Resource, stated: datetime | None, state: OrderState) -> datetime | None:
    """When an order was given. Where it does not say, its last change: it was in force by then.

    An order in force that cannot be placed in time at all makes the chart incomplete: it must not look as
    if it had not begun.
    """
    if stated is not None:
        return stated
    changed = sheet.instant(order.last_updated, order)
    if state is OrderState.ACTIVE:
        sheet.note("order-without-time", "an order does not say when it was given", order)
        if changed is None:
            sheet.lack(f"{order.key} does not say since when it is in force")
    return changed


def ended_at(sheet: Sheet, order: Resource, state: OrderState, bound: datetime | None) -> datetime | None:
    """When an order stopped or was put on hold: its bound or its last change, whichever came first."""
    if state not in (OrderState.PAUSED, OrderState.ENDED):
        return None
    changed = sheet.instant(order.last_updated, order)
    given = sheet.instant(_given(order), order)
    if changed and given and changed < given:
        # A server whose clock is behind, or that was filled before the fact: such an order seems never to have run.
        sheet.note("illegal-time", "was last changed before it was given: how long it ran is not known", order)
    return min((instant for instant in (bound, changed) if instant is not None), default=None)


def _given(order: Resource) -> str | None:
    match order:
        case NutritionOrder():
            return order.date_time
        case MedicationRequest():
            return order.authored_on
    return None


def _quoted(text: str | None) -> str:
    return f'"{cut(text, 24)}"' if text else "(none)"
