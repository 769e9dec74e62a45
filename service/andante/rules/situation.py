"""Everything the decision table looks at, worked out once from the picture."""

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal

from andante.domain.advice import Fact, RiskTier, RiskView
from andante.domain.picture import EnergyGoal, EnergyKind, Picture, require_aware
from andante.domain.protocol import Protocol
from andante.domain.quantities import Analyte
from andante.rules.body import Body, examine
from andante.rules.course import Course, follow
from andante.rules.evidence import Evidence, Reading, read_analyte, sort_out
from andante.rules.monitoring import interval, next_due
from andante.rules.phrases import ALL_THREE, kcal, percent_of, plain, span
from andante.rules.risk import judge
from andante.rules.sizing import Vehicle, choose_vehicle
from andante.rules.trend import Fall, LowRun, fall_of, low_run


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """The energy goal in kcal/day (None when not known), in words, and where it came from."""

    kcal: Decimal | None
    said: str
    problem: str | None = None
    facts: tuple[Fact, ...] = ()
    is_computed: bool = False  # from kcal/kg, since the chart states none that can be used


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    picture: Picture
    protocol: Protocol
    now: datetime
    body: Body
    goal: Goal
    allowance_kcal: Decimal | None  # the first day's, never above the goal
    lowest_kcal: Decimal | None  # the protocol's lowest start, never above the goal
    course: Course
    readings: tuple[Reading, ...]
    falls: tuple[Fall, ...]
    runs: tuple[LowRun, ...]
    risk: RiskView
    every: timedelta  # the monitoring interval in force
    due: dict[Analyte, datetime] = field(hash=False)
    vehicle: Vehicle | None
    max_age: timedelta  # of a draw that still counts as fresh

    @property
    def step_kcal(self) -> Decimal | None:
        if self.goal.kcal is None:
            return None
        return self.goal.kcal * self.protocol.energy.step.value / 100

    @property
    def next_step(self) -> datetime | None:
        """The earliest instant of the next step up."""
        if self.course.last_change is None:
            return None
        return self.course.last_change + span(self.protocol.energy.step_interval.value, "h")

    @property
    def evidence_expires(self) -> datetime | None:
        """When the first of the three stops being fresh enough to advance on."""
        instants = [r.fresh_until for r in self.readings if r.fresh_until is not None]
        return min(instants) if len(instants) == len(self.readings) else None

    @property
    def new_start_at(self) -> datetime | None:
        """From when on a feed that is off now would be started anew, not resumed."""
        if self.course.paused_since is None:
            return None
        return self.course.paused_since + span(self.protocol.energy.restart_after.value, "h")

    @property
    def is_fed_artificially(self) -> bool:
        pumped = (EnergyKind.ENTERAL, EnergyKind.PARENTERAL)
        orders = (*self.course.running, *self.course.planned, *self.course.unplaced)
        return any(o.kind in pumped for o in orders)

    @property
    def is_watched(self) -> bool:
        """Tier moderate or worse, flagged, or of unknown risk while fed by tube or vein: the safer direction."""
        if self.risk.tier is RiskTier.UNKNOWN:
            return self.is_fed_artificially
        return self.risk.tier in (RiskTier.MODERATE, RiskTier.SEVERE)

    def reading(self, analyte: Analyte) -> Reading:
        return next(r for r in self.readings if r.analyte is analyte)

    def fall(self, analyte: Analyte) -> Fall | None:
        return next((f for f in self.falls if f.analyte is analyte), None)


def take_in(picture: Picture, protocol: Protocol, now: datetime) -> Situation:
    """Work out the whole situation at `now`. Raises ValueError for an instant without a time zone."""
    require_aware(now)
    body = examine(picture, protocol, now)
    goal = find_goal(picture, protocol, body, now)
    course = follow(picture, protocol, now, goal.kcal)
    evidence = tuple(sort_out(picture, protocol, analyte, now) for analyte in ALL_THREE)
    return put_together(picture, protocol, now, body=body, goal=goal, course=course, evidence=evidence)


def put_together(
    picture: Picture,
    protocol: Protocol,
    now: datetime,
    *,
    body: Body,
    goal: Goal,
    course: Course,
    evidence: tuple[Evidence, ...],
) -> Situation:
    """The situation from its parts, each worked out from the same picture. `evidence` is of all three, in order."""
    risk = judge(picture, protocol, now, body=body, course=course, evidence=evidence, need_kcal=goal.kcal)
    every = interval(course, evidence, protocol, now, energy_adequate=_is_adequate(course, goal, protocol))
    max_age = _max_age(course, protocol, every)
    lookback = span(protocol.evidence.lookback.value, "d")
    readings = tuple(read_analyte(e, now=now, max_age=max_age, lookback=lookback) for e in evidence)
    due_every = every if course.feeding else span(protocol.evidence.baseline_max_age.value, "h")
    extreme = protocol.energy.initial_extreme if risk.extreme else protocol.energy.initial
    return Situation(
        picture=picture,
        protocol=protocol,
        now=now,
        body=body,
        goal=goal,
        allowance_kcal=_allowance(extreme.value, body, goal),
        lowest_kcal=_allowance(min(protocol.response.lowest_start.value, extreme.value), body, goal),
        course=course,
        readings=readings,
        falls=tuple(f for f in (fall_of(e, course, protocol, now) for e in evidence) if f is not None),
        runs=tuple(r for r in (low_run(e, picture.replacements, protocol, now) for e in evidence) if r is not None),
        risk=risk,
        every=every,
        max_age=max_age,
        due={r.analyte: next_due(r, picture, protocol, now, every=due_every) for r in readings},
        vehicle=choose_vehicle(picture, course, protocol),
    )


def _max_age(course: Course, protocol: Protocol, every: timedelta) -> timedelta:
    if course.feeding:
        return every + span(protocol.evidence.freshness_grace.value, "h")
    return span(protocol.evidence.baseline_max_age.value, "h")


def _is_adequate(course: Course, goal: Goal, protocol: Protocol) -> bool:
    if course.present_kcal is None or not goal.kcal:
        return False
    return percent_of(course.present_kcal, goal.kcal) >= protocol.monitoring.adequate_energy.value


def _allowance(per_kg: Decimal, body: Body, goal: Goal) -> Decimal | None:
    if body.dosing_kg is None:
        return None
    allowance = per_kg * body.dosing_kg
    return min(allowance, goal.kcal) if goal.kcal is not None else allowance


def find_goal(picture: Picture, protocol: Protocol, body: Body, now: datetime) -> Goal:
    """The goal a clinician stated last, else the protocol's kcal/kg × dosing weight.

    A stated goal that cannot be used never makes room for more than a readable one stated before it.
    """
    energy = protocol.energy
    stated = sorted(
        (g for g in picture.goals if g.stated is None or g.stated <= now),
        key=_newest_last,
    )
    problem = _goal_problem(stated[-1], body, protocol) if stated else None
    usable = [g for g in stated if _goal_problem(g, body, protocol) is None]
    if stated and problem is None:
        return _charted(stated[-1], None)
    if problem is not None and stated[-1].kcal_day is not None and _is_too_low(stated[-1].kcal_day, body, protocol):
        # Neither fed towards nor cut down to: a clinician says what is meant.
        return Goal(kcal=None, said="the energy goal is not known", problem=problem)
    if body.dosing_kg is None:
        return Goal(kcal=None, said="the energy goal is not known", problem=problem or body.said)
    value = energy.goal.value * body.dosing_kg
    if usable and usable[-1].kcal_day is not None and usable[-1].kcal_day < value:
        return _charted(usable[-1], problem)
    return Goal(
        kcal=value,
        said=f"goal {kcal(value)} = {plain(energy.goal.value)} kcal/kg × {body.said}",
        problem=problem,
        facts=body.facts,
        is_computed=True,
    )


def _newest_last(goal: EnergyGoal) -> tuple[float, bool, Decimal, str]:
    """Of two stated at one instant the one that cannot be read, else the lower, counts as the newer."""
    when = goal.stated.timestamp() if goal.stated else float("-inf")
    return when, goal.kcal_day is None, -(goal.kcal_day or Decimal(0)), goal.source


def _charted(goal: EnergyGoal, problem: str | None) -> Goal:
    value = goal.kcal_day or Decimal(0)
    fact = Fact(label="energy goal", value=kcal(value), when=goal.stated, source=goal.source)
    return Goal(kcal=value, said=f"goal {kcal(value)} as charted", problem=problem, facts=(fact,))


def _goal_problem(goal: EnergyGoal, body: Body, protocol: Protocol) -> str | None:
    if goal.kcal_day is None:
        return goal.problem or "the charted goal cannot be read"
    if goal.kcal_day <= 0:
        return "the charted goal is not a positive number"
    if body.dosing_kg is not None and goal.kcal_day > protocol.energy.goal_max.value * body.dosing_kg:
        return f"the charted goal of {kcal(goal.kcal_day)} is above {plain(protocol.energy.goal_max.value)} kcal/kg"
    if _is_too_low(goal.kcal_day, body, protocol):
        lowest = plain(protocol.response.lowest_start.value)
        return f"the charted goal of {kcal(goal.kcal_day)} is below even the lowest start of {lowest} kcal/kg"
    return None


def _is_too_low(kcal_day: Decimal, body: Body, protocol: Protocol) -> bool:
    """Below the protocol's lowest start a number is a slip (1.8 for 1800), or no goal."""
    return body.dosing_kg is not None and 0 < kcal_day < protocol.response.lowest_start.value * body.dosing_kg
