"""Thiamine and multivitamin: running, missing, too low, ending early."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

from andante.domain.advice import Fact
from andante.domain.picture import OrderState, Picture, Vitamin, VitaminOrder
from andante.domain.protocol import Number, Protocol
from andante.rules.course import Course
from andante.rules.energy import DAY
from andante.rules.phrases import at, plain, span


@dataclass(frozen=True, slots=True, kw_only=True)
class VitaminGap:
    """`state` is `missing`, `unreadable`, `too-low` or `ending-early`."""

    vitamin: Vitamin
    state: str
    text: str
    facts: tuple[Fact, ...]
    cites: tuple[Number, ...]


def vitamin_gaps(picture: Picture, course: Course, protocol: Protocol, now: datetime) -> tuple[VitaminGap, ...]:
    """Thiamine is wanted before the first feed and through its days; the multivitamin once feeding has begun."""
    rule = protocol.micronutrients
    wanted: list[tuple[Vitamin, Number, Number | None]] = [(Vitamin.THIAMINE, rule.thiamine_days, rule.thiamine_dose)]
    if course.feeding:
        wanted.append((Vitamin.MULTIVITAMIN, rule.multivitamin_days, None))
    found = (_check(v, picture, course, protocol, now, days=days, dose=dose) for v, days, dose in wanted)
    return tuple(gap for gap in found if gap is not None)


def _check(
    vitamin: Vitamin,
    picture: Picture,
    course: Course,
    protocol: Protocol,
    now: datetime,
    *,
    days: Number,
    dose: Number | None,
) -> VitaminGap | None:
    until = course.started + span(days.value, "d") if course.started else None
    if until is not None and now >= until:
        return None
    # A dose still to come today counts once feeding runs; before it, only one that comes by the next look.
    reach = DAY if course.feeding else span(protocol.monitoring.early_interval.value, "h")
    running = [o for o in picture.vitamin_orders if o.vitamin is vitamin and _runs(o, now, reach)]
    facts = tuple(
        Fact(
            label=f"{vitamin.value} order",
            value=(f"{plain(o.daily_mg)} mg/day" if o.daily_mg is not None else "running")
            + (f" until {at(o.end, picture.zone)}" if o.end is not None else ""),
            when=o.start,
            source=o.source,
        )
        for o in sorted(running, key=lambda o: o.source)
    )
    cites = (days,) if dose is None else (dose, days)

    def gap(state: str, text: str) -> VitaminGap:
        return VitaminGap(vitamin=vitamin, state=state, text=text, facts=facts, cites=cites)

    wanted = (
        f"{plain(dose.value)} mg daily for {plain(days.value)} days" if dose else f"daily for {plain(days.value)} days"
    )
    if not running:
        given = any(d.vitamin is vitamin and now - DAY < d.given <= now for d in picture.vitamin_doses)
        when = "from the first feed" if course.feeding else "before the first feed"
        doubt = " (a dose was given within the last day, but no order continues it)" if given else ""
        return gap("missing", f"no {vitamin.value} order is running; wanted {wanted}, {when}{doubt}")
    if dose is not None:
        amounts = [o.daily_mg for o in running]
        total = sum((a for a in amounts if a is not None), Decimal(0))
        if total < dose.value:
            if None in amounts:
                return gap("unreadable", f"the {vitamin.value} order states no readable daily dose; wanted {wanted}")
            return gap("too-low", f"{vitamin.value} runs at {plain(total)} mg a day; wanted {wanted}")
    ends = [o.end for o in _continued(running, picture, vitamin)]
    if all(e is not None for e in ends):
        last = max(e for e in ends if e is not None)
        if until is None:
            # Nobody knows yet when the first feed comes: what ends within a day may end before it.
            if last < now + DAY:
                words = f"{vitamin.value} ends {at(last, picture.zone)}, and nothing continues it; wanted {wanted}"
                return gap("ending-early", f"{words}, from before the first feed on")
        elif last < until - DAY:  # the last daily dose covers its day
            return gap(
                "ending-early",
                f"{vitamin.value} ends {at(last, picture.zone)}; wanted {wanted}, until {at(until, picture.zone)}",
            )
    return None


def _continued(running: list[VitaminOrder], picture: Picture, vitamin: Vitamin) -> list[VitaminOrder]:
    """With the active orders that take over where a running one ends."""
    chain = list(running)
    reach = max((o.end for o in running if o.end is not None), default=None)
    waiting = [o for o in picture.vitamin_orders if o.vitamin is vitamin and o.state is OrderState.ACTIVE]
    for order in sorted(waiting, key=lambda o: (o.start.timestamp() if o.start else 0.0, o.source)):
        if reach is not None and order.start is not None and order.start <= reach + DAY:
            chain.append(order)
            reach = max(reach, order.end) if order.end is not None else reach
    return chain


def _runs(order: VitaminOrder, now: datetime, reach: timedelta) -> bool:
    return (
        order.state is OrderState.ACTIVE
        and (order.start is None or order.start < now + reach)
        and (order.end is None or order.end > now)
    )
