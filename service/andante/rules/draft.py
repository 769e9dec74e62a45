"""An order that somebody is about to sign, weighed against what is advised: the same situation, the same decision.

R4 gives a nutrition order no way to say which order it replaces. So a draft is judged as if it ran beside what runs
already, which is the larger sum; the sum with the running feed of the same kind stopped is worked out too, and said.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from enum import StrEnum

from andante.domain.advice import AdviceCode
from andante.domain.picture import EnergyKind, EnergyOrder, OrderState, Picture, require_aware
from andante.domain.protocol import Protocol
from andante.rules.canonical import in_fixed_offset, settle
from andante.rules.decision import Decision
from andante.rules.energy import DAY, day_amount, start_of
from andante.rules.phrases import at, kcal
from andante.rules.situation import Situation, take_in
from andante.rules.sizing import dextrose_g_day, dextrose_g_h
from andante.rules.table import decide

_SAME = Decimal("0.5")  # kcal a day: below it two sums are the same energy
_REPLACEABLE = (EnergyKind.ENTERAL, EnergyKind.PARENTERAL)
_MAY_RISE = (AdviceCode.START, AdviceCode.ADVANCE, AdviceCode.AT_GOAL)


class Limit(StrEnum):
    EVIDENCE = "what the evidence allows"
    FIRST_DAY = "the first day's allowance"
    STEP = "one step up"
    NOT_YET = "what is advised until the next step"
    GOAL = "the goal"
    DEXTROSE = "the first day's dextrose"
    GLUCOSE_RATE = "the ceiling of glucose per minute"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """A limit in kcal/day, other energy included."""

    limit: Limit
    kcal: Decimal


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """Energies in kcal/day, other energy included except in `brings`; None where `problems` say why.

    `brings`: the most that the drafts themselves give in a day, at any stage of their first 24 hours. `beside`: with
    everything that runs; `instead`: with the running feed of the same kind stopped. `runs`: what runs now.
    `passed` are the bounds that `beside` passes, lowest first; `passed_anyway` those that `instead` passes too.
    """

    brings: Decimal | None
    runs: Decimal | None
    beside: Decimal | None
    instead: Decimal | None
    replaces: bool
    bounds: tuple[Bound, ...]
    passed: tuple[Bound, ...]
    passed_anyway: tuple[Bound, ...]
    rises_later: str
    problems: tuple[str, ...]

    @property
    def is_within(self) -> bool:
        """Summed, and within every bound whatever becomes of what runs now, and stays so by itself."""
        return self.beside is not None and not self.passed and not self.rises_later and bool(self.bounds)


def weigh(picture: Picture, protocol: Protocol, now: datetime, *, drafts: tuple[EnergyOrder, ...]) -> Weighed | None:
    """Weigh drafts against what is advised for the picture, whether or not they stand in it as planned.

    None where the protocol has nothing to say about the patient. Raises ValueError for an instant without a time zone.
    """
    require_aware(now)
    s = take_in(settle(picture), protocol, in_fixed_offset(now))
    decision = decide(s)
    settled = settle(replace(picture, energy_orders=drafts)).energy_orders
    orders = [o for o in settled if not o.nil_by_mouth]
    if decision.code.is_silent:
        return None
    problems: list[str] = []
    brings = _total(*(_most(s, o, problems) for o in orders))
    starts = [start_of(o) or s.now for o in orders]
    runs = _runs(s, max(starts, default=s.now), problems)
    beside = _total(runs, brings)
    replaced = [o for o in s.course.running if o.kind in _REPLACEABLE and o.kind in {d.kind for d in orders}]
    saved = _total(*(_amount(s, o, s.course.read_at) for o in replaced))
    instead = beside - saved if beside is not None and saved is not None else None
    limits = [*_bounds(s, decision, orders), *_by_vein(s, orders, brings)]
    bounds = tuple(sorted(limits, key=lambda b: b.kcal))
    blamed = bounds if brings != 0 else ()  # what runs already is not a draft's doing that adds nothing
    return Weighed(
        brings=brings,
        runs=runs,
        beside=beside,
        instead=instead,
        replaces=bool(replaced),
        bounds=bounds,
        passed=_passed(beside, blamed),
        passed_anyway=_passed(instead, blamed),
        rises_later=_rises_later(s, orders),
        problems=tuple(dict.fromkeys(problems)),
    )


def _passed(sum_kcal: Decimal | None, bounds: tuple[Bound, ...]) -> tuple[Bound, ...]:
    return tuple(b for b in bounds if sum_kcal is not None and sum_kcal > b.kcal + _SAME)


def _bounds(s: Situation, decision: Decision, drafts: list[EnergyOrder]) -> Iterator[Bound]:
    """What the decision, the step, the first day and the goal allow. The decision's own figure is never loosened."""
    if s.goal.kcal is not None:
        yield Bound(limit=Limit.GOAL, kcal=s.goal.kcal)
    begins = not s.course.feeding or s.course.day == 1
    if begins and s.allowance_kcal is not None:
        yield Bound(limit=Limit.FIRST_DAY, kcal=s.allowance_kcal)
    advised = decision.sized.kcal if decision.sized is not None else None
    other = s.course.other_kcal or Decimal(0)
    by_vein = any(o.kind in (EnergyKind.PARENTERAL, EnergyKind.IV_DEXTROSE) for o in drafts)
    match decision.code:
        case AdviceCode.ADVANCE:
            present, step = s.course.present_kcal, s.step_kcal
            if present is not None and step is not None:
                yield Bound(limit=Limit.STEP, kcal=present + step)
        case AdviceCode.STAY:
            yield Bound(limit=Limit.NOT_YET, kcal=advised if advised is not None else other)
        case AdviceCode.START if any(r.evidence.danger.is_low for r in s.readings):
            yield Bound(limit=Limit.EVIDENCE, kcal=s.lowest_kcal if s.lowest_kcal is not None else other)
        case AdviceCode.START | AdviceCode.AT_GOAL:
            pass
        case _:
            # Held, to be corrected, or not to be started: what runs by other ways is not the order's to lower.
            yield Bound(limit=Limit.EVIDENCE, kcal=advised if advised is not None else _unadvised(s, other))
    if decision.code in _MAY_RISE and by_vein and advised is not None:
        yield Bound(limit=Limit.EVIDENCE, kcal=advised)  # grams and rate of dextrose bound it too


def _by_vein(s: Situation, drafts: list[EnergyOrder], brings: Decimal | None) -> Iterator[Bound]:
    """What the limits of dextrose leave of drafts that go by vein, as energy of the same mixture."""
    energy = s.protocol.energy
    running = (*s.course.running, *s.course.others)
    stages = [t for o in drafts for t in (max(s.now, start_of(o) or s.now), *_stages(o)) if t >= s.now]
    if not brings or not stages:
        return
    runs = s.course.present_kcal or Decimal(0)

    def bound(limit: Limit, allowed: Decimal, beside: Decimal, own: Decimal) -> Iterator[Bound]:
        if own > 0 and own + beside > allowed:
            yield Bound(limit=limit, kcal=runs + brings * max(Decimal(0), allowed - beside) / own)

    if not s.course.feeding or s.course.day == 1:
        own = max(dextrose_g_day(drafts, t, energy, s.picture) for t in stages)
        beside = dextrose_g_day(running, s.now, energy, s.picture)
        yield from bound(Limit.DEXTROSE, energy.initial_dextrose_high.value, beside, own)
    if s.body.dosing_kg is not None:
        own = max(dextrose_g_h(drafts, t, energy, s.picture) for t in stages)
        beside = dextrose_g_h(running, s.now, energy, s.picture)
        ceiling = energy.glucose_rate_ceiling.value * s.body.dosing_kg * 60 / 1000
        yield from bound(Limit.GLUCOSE_RATE, ceiling, beside, own)


def _unadvised(s: Situation, other: Decimal) -> Decimal:
    """Where no figure is advised: what runs, if that is known, and nothing more."""
    return s.course.present_kcal if s.course.feeding and s.course.present_kcal is not None else other


def _runs(s: Situation, until: datetime, problems: list[str]) -> Decimal | None:
    """What runs now, and what is ordered to begin before a day of the drafts is over."""
    coming = [o for o in s.course.planned if o.state is OrderState.ACTIVE and (start_of(o) or s.now) < until + DAY]
    if s.course.unplaced:
        problems.append("an order does not say since when, or until when, it runs")
        return None
    if s.course.present_kcal is None:
        problems.extend(words for words, _ in s.course.energy_problems)
    return _total(s.course.present_kcal, *(_amount(s, o, start_of(o) or s.now) for o in coming))


def _total(*amounts: Decimal | None) -> Decimal | None:
    total = Decimal(0)
    for amount in amounts:
        if amount is None:
            return None
        total += amount
    return total


def _amount(s: Situation, order: EnergyOrder, instant: datetime) -> Decimal | None:
    return day_amount(order, s.protocol.energy, at=instant, zone=s.picture.zone, frozen=True).kcal


def _most(s: Situation, order: EnergyOrder, problems: list[str]) -> Decimal | None:
    """The most the draft gives in a day at any stage of its first 24 hours, and over these as a whole."""
    begins = max(s.now, start_of(order) or s.now)
    energy, zone = s.protocol.energy, s.picture.zone
    sums = [day_amount(order, energy, at=begins, zone=zone, frozen=False)]
    stages = [begins, *(t for t in _stages(order) if begins < t < begins + DAY)]
    sums += [day_amount(order, energy, at=t, zone=zone, frozen=True) for t in stages]
    wrong = next((one.problem for one in sums if one.kcal is None), None)
    most = max((one.kcal for one in sums if one.kcal is not None), default=Decimal(0))
    if wrong is None and most > 0:
        return most
    problems.append(f"{order.kind.value}: {wrong or 'its schedule gives nothing from now on'}")
    return None


def _stages(order: EnergyOrder) -> list[datetime]:
    return sorted({d.start for d in order.deliveries if d.start is not None})


def _rises_later(s: Situation, drafts: list[EnergyOrder]) -> str:
    """A rise that a draft carries for after its first day, in words: no present evidence can speak for it."""
    for order in drafts:
        begins = max(s.now, start_of(order) or s.now)
        before = [_amount(s, order, t) for t in (begins, *_stages(order)) if begins <= t < begins + DAY]
        most = max((a for a in before if a is not None), default=None)
        for stage in _stages(order):
            amount = _amount(s, order, stage)
            if stage >= begins + DAY and amount is not None and most is not None and amount > most + _SAME:
                return f"to {kcal(amount)} {at(stage, s.picture.zone)}"
    return ""
