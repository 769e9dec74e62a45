"""The feeding course: when feeding began, how its ordered energy changed, and what is running now.

Built from the orders' own history as a step function of time: nutrition only for start, change and jump;
non-nutritional energy is summed beside it.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import pairwise

from andante.domain.picture import EnergyKind, EnergyOrder, Intake, OrderState, Picture
from andante.domain.protocol import Protocol
from andante.rules.delivered import Accounts, Delivered, eaten, look_up
from andante.rules.energy import DAY, day_amount, end_of, in_force, start_of
from andante.rules.history import Stretch, history_of, place_ends
from andante.rules.phrases import span

_NEGLIGIBLE_KCAL = Decimal("0.5")  # below it two sums are the same energy, written differently


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """A start, restart or jump of energy: each opens a window of close watching and of falls that count."""

    at: datetime
    kind: str  # "start", "restart" or "jump"
    kcal_before: Decimal | None = None  # of a jump: the least in force in the step interval before it
    kcal_after: Decimal | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Energies in kcal/day. None where not known, with `energy_problems` saying why.

    `present_kcal` is nutrition plus other energy at the rate in force; `ordered_kcal` also counts what the orders
    schedule for the next 24 hours. `history` is the nutrition step function, oldest first.
    """

    feeding: bool
    read_at: datetime  # the instant the present energy is read at: now, or just before the pause
    started: datetime | None
    day: int | None
    paused_since: datetime | None
    last_change: datetime | None
    exposures: tuple[Exposure, ...]
    history: tuple[Stretch, ...]
    running: tuple[EnergyOrder, ...]  # nutrition in force, or paused for less than a restart
    planned: tuple[EnergyOrder, ...]  # nutrition ordered or proposed, not begun
    unplaced: tuple[EnergyOrder, ...]  # nutrition that may be running, since nothing says since when or until when
    others: tuple[EnergyOrder, ...]  # non-nutritional energy in force
    present_kcal: Decimal | None
    ordered_kcal: Decimal | None
    other_kcal: Decimal | None
    accounts: Accounts  # what was documented as given
    eaten_kcal: Decimal | None  # what a diet brings by the documented intake; None where no diet runs or none is known
    eaten_by: tuple[Intake, ...]  # the records it is known by
    energy_problems: tuple[tuple[str, str], ...]  # (words, source)
    earlier_course: bool  # an earlier course of this stay ended at least a restart ago

    @property
    def delivered(self) -> Delivered | None:
        """The newest firm account of what was given."""
        return self.accounts.newest

    def lagging(self, protocol: Protocol) -> Delivered | None:
        """An account by which far less was given than ordered."""
        least = self.accounts.least
        shortfall = protocol.energy.delivery_shortfall.value
        return least if least is not None and least.percent is not None and least.percent < shortfall else None

    def exceeding(self, protocol: Protocol) -> Delivered | None:
        """An account by which far more was given than ordered."""
        most = self.accounts.most
        excess = protocol.energy.delivery_excess.value
        return most if most is not None and most.percent is not None and most.percent > excess else None

    @property
    def latest_exposure(self) -> datetime | None:
        return max((e.at for e in self.exposures), default=None)


def follow(picture: Picture, protocol: Protocol, now: datetime, goal_kcal: Decimal | None) -> Course:
    orders = place_ends(picture.energy_orders, now)
    nutrition = [o for o in orders if o.kind.is_nutrition]
    history = history_of(nutrition, picture, protocol, now)
    total = history_of(orders, picture, protocol, now)
    restart = span(protocol.energy.restart_after.value, "h")
    started, earlier, paused_since = _present_course(history, now, restart)
    feeding = started is not None
    running = tuple(o for o in nutrition if in_force(o, now) and not o.nil_by_mouth)
    if feeding and paused_since is not None and not running:
        running = tuple(o for o in nutrition if _paused_at(o, paused_since) and not o.nil_by_mouth)
    others = tuple(o for o in orders if not o.kind.is_nutrition and in_force(o, now))
    at = paused_since - timedelta(microseconds=1) if paused_since and feeding else now
    unplaced = tuple(o for o in nutrition if _is_unplaced(o))
    problems = [
        (f"{o.kind.value}: the order does not say since when, or until when, it runs", o.source) for o in unplaced
    ]
    other = _sum(others, protocol, picture, at=now, frozen=True, problems=problems)
    accounts = look_up(picture, protocol, now, orders=orders)
    diets = [o for o in running if o.kind is EnergyKind.ORAL_DIET]
    summed = tuple(o for o in running if o.kind is not EnergyKind.ORAL_DIET)
    feed_now = _sum(summed, protocol, picture, at=at, frozen=True, problems=problems)
    by_mouth, eaten_by = eaten(picture, protocol, now, diets=diets, delivered=accounts.newest)
    feed_ordered = _sum(
        tuple({id(o): o for o in (*summed, *_future(nutrition, now))}.values()),
        protocol,
        picture,
        at=at,
        frozen=False,
        problems=[],
    )
    if diets:
        if by_mouth is None:
            problems += [(_diet_words(o, protocol), o.source) for o in diets]
        feed_now, feed_ordered = _add(feed_now, by_mouth), _add(feed_ordered, by_mouth)
    if unplaced:
        feed_now = None
    dextrose = [o for o in orders if o.kind is EnergyKind.IV_DEXTROSE]
    with_dextrose = history_of([*nutrition, *dextrose], picture, protocol, now) if dextrose else history
    return Course(
        feeding=feeding,
        read_at=at,
        started=started,
        day=(now - started) // DAY + 1 if started else None,
        paused_since=paused_since if feeding else None,
        last_change=_last_change(history, with_dextrose, running, now, restart, started) if started else None,
        exposures=_exposures(history, total, started, earlier, protocol, goal_kcal),
        history=tuple(history),
        running=running if feeding else (),
        planned=tuple(o for o in nutrition if _is_planned(o, now)),
        unplaced=unplaced,
        others=others,
        present_kcal=_add(feed_now, other) if feeding else other,
        ordered_kcal=_add(feed_ordered, other),
        other_kcal=other,
        accounts=accounts,
        eaten_kcal=by_mouth,
        eaten_by=eaten_by,
        energy_problems=tuple(problems),
        earlier_course=earlier,
    )


def _diet_words(diet: EnergyOrder, protocol: Protocol) -> str:
    served, evidence = diet.day_kcal, protocol.evidence
    if served is None:
        lack = "a diet order states no energy"
    elif not evidence.diet_min.value <= served <= evidence.diet_max.value:
        lack = "the energy that the diet order states is not plausible"
    else:
        lack = "how much of the diet is eaten is not known"
    return f"{diet.kind.value}: {lack}; record what is eaten over 24 h"


def _add(first: Decimal | None, second: Decimal | None) -> Decimal | None:
    return None if first is None or second is None else first + second


def _is_planned(order: EnergyOrder, now: datetime) -> bool:
    if order.nil_by_mouth or order.kind is EnergyKind.ORAL_DIET:
        return False
    if order.state is OrderState.PLANNED:
        return True
    start = start_of(order)
    return order.state is OrderState.ACTIVE and start is not None and start > now


def _is_unplaced(order: EnergyOrder) -> bool:
    """An active order without a start, or a paused one without a "since": it may be running, or have just run."""
    if order.nil_by_mouth:
        return False
    if order.state is OrderState.ACTIVE:
        return start_of(order) is None
    return order.state is OrderState.PAUSED and (start_of(order) is None or end_of(order) == start_of(order))


def _future(nutrition: list[EnergyOrder], now: datetime) -> list[EnergyOrder]:
    """Active orders that begin within the coming day."""
    found = []
    for order in nutrition:
        start = start_of(order)
        if order.state is OrderState.ACTIVE and start is not None and now < start < now + DAY:
            found.append(order)
    return found


def _paused_at(order: EnergyOrder, instant: datetime) -> bool:
    return order.state is OrderState.PAUSED and end_of(order) == instant


def _sum(
    orders: tuple[EnergyOrder, ...],
    protocol: Protocol,
    picture: Picture,
    *,
    at: datetime,
    frozen: bool,
    problems: list[tuple[str, str]],
) -> Decimal | None:
    """kcal/day of several orders; one that cannot be summed makes the whole sum unknown."""
    total: Decimal | None = Decimal(0)
    for order in orders:
        amount = day_amount(order, protocol.energy, at=at, zone=picture.zone, frozen=frozen)
        if amount.kcal is None:
            problems.append((f"{order.kind.value}: {amount.problem}", order.source))
            total = None
        elif total is not None:
            total += amount.kcal
    return total


def _present_course(
    history: list[Stretch], now: datetime, restart: timedelta
) -> tuple[datetime | None, bool, datetime | None]:
    """(start of the present course or None, whether an earlier one ended, since when it is paused).

    Eating says nothing of how much: the first feed by tube or vein after it is a start of its own.
    """
    started: datetime | None = None
    ended: datetime | None = None
    earlier = False
    only_ate = False
    for stretch in history:
        if stretch.feeds:
            if started is None or (ended is not None and stretch.start - ended >= restart):
                earlier = earlier or started is not None
                started, only_ate = stretch.start, stretch.eats
            elif only_ate and not stretch.eats:
                started, only_ate = stretch.start, False
            ended = None
        elif started is not None and ended is None:
            ended = stretch.start
    if started is not None and ended is not None and now - ended >= restart:
        return None, True, ended
    return started, earlier, ended


def _last_change(
    history: list[Stretch],
    with_dextrose: list[Stretch],
    running: tuple[EnergyOrder, ...],
    now: datetime,
    restart: timedelta,
    started: datetime,
) -> datetime | None:
    """When the ordered energy last changed. A short pause and return to the same energy is no change.

    A rise by intravenous dextrose counts too: a step of the feed on top of it would be two at once.

    An order that was written after the start it states proves nothing before it was written, unless the same energy
    was already running when it says it began.
    """
    feeding = [(s, history[i + 1].start if i + 1 < len(history) else now) for i, s in enumerate(history) if s.feeds]
    change: datetime | None = None
    previous: tuple[Stretch, datetime] | None = None
    for stretch, end in feeding:
        same = (
            previous is not None
            and previous[0].kcal is not None
            and stretch.kcal is not None
            and abs(previous[0].kcal - stretch.kcal) < _NEGLIGIBLE_KCAL
            and stretch.start - previous[1] < restart
        )
        if not same:
            change = stretch.start
        previous = (stretch, end)
    for before, after in pairwise(with_dextrose):
        rises = before.kcal and after.kcal is not None and after.kcal > before.kcal + _NEGLIGIBLE_KCAL
        if rises and change is not None and after.start > max(started, change):
            change = after.start
    for order in running:
        start, written = start_of(order), order.ordered
        if change is not None and start is not None and written is not None and start <= change < written <= now:
            change = written
    return change


def _exposures(
    history: list[Stretch],
    total: list[Stretch],
    started: datetime | None,
    earlier: bool,
    protocol: Protocol,
    goal_kcal: Decimal | None,
) -> tuple[Exposure, ...]:
    """The start, and every rise by more than a step within one step interval: a substantial increase is a new one."""
    if started is None:
        return ()
    found = [Exposure(at=started, kind="restart" if earlier else "start")]
    if goal_kcal is None:
        return tuple(found)
    step = goal_kcal * protocol.energy.step.value / 100
    interval = span(protocol.energy.step_interval.value, "h")
    # A drip exchanged for feed is no jump, and a drip beside the feed may be one. Where the sum of all is not known,
    # nutrition alone is looked at.
    stretches = history if any(s.kcal is None for s in total if s.start >= started) else total
    fed = [s for s in stretches if s.start >= started and s.feeds and s.kcal is not None]
    for index, stretch in enumerate(fed):
        # The one in force when the interval opened, and all since.
        recent = [s.kcal for i, s in enumerate(fed[:index]) if stretch.start - fed[i + 1].start < interval]
        least = min((k for k in recent if k is not None), default=None)
        if least is not None and stretch.kcal is not None and stretch.kcal - least > step + _NEGLIGIBLE_KCAL:
            jump = Exposure(at=stretch.start, kind="jump", kcal_before=least, kcal_after=stretch.kcal)
            found.append(jump)
    return tuple(found)
