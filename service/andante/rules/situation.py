"""Everything the decision table looks at, worked out once from the picture."""

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal

from andante.domain.advice import Fact, RiskTier, RiskView
from andante.domain.picture import EnergyGoal, EnergyKind, Picture
from andante.domain.protocol import Protocol
from andante.domain.quantities import Analyte
from andante.rules.body import Body, examine
from andante.rules.course import Course, follow
from andante.rules.evidence import Evidence, Reading, read_analyte, sort_out
from andante.rules.monitoring import interval, next_due
from andante.rules.phrases import ALL_THREE, kcal, plain, span
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
    def is_fed_artificially(self) -> bool:
        pumped = (EnergyKind.ENTERAL, EnergyKind.PARENTERAL)
        orders = (*self.course.running, *self.course.planned)
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
    if now.utcoffset() is None:
        raise ValueError("now must carry a time zone")
    body = examine(picture, protocol, now)
    goal = find_goal(picture, protocol, body, now)
    course = follow(picture, protocol, now, goal.kcal)
    evidence = tuple(sort_out(picture, protocol, analyte, now) for analyte in ALL_THREE)
    risk = judge(picture, protocol, now, body=body, course=course, evidence=evidence)
    every = interval(course, evidence, protocol, now, energy_adequate=_is_adequate(course, goal, protocol))
    readings = tuple(_read(e, course, protocol, now, every) for e in evidence)
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
        falls=tuple(f for f in (fall_of(e, course, protocol) for e in evidence) if f is not None),
        runs=tuple(r for r in (low_run(e, picture.replacements, protocol, now) for e in evidence) if r is not None),
        risk=risk,
        every=every,
        due={r.analyte: next_due(r, picture, protocol, now, every=due_every) for r in readings},
        vehicle=choose_vehicle(picture, course, protocol, now),
    )


def _read(evidence: Evidence, course: Course, protocol: Protocol, now: datetime, every: timedelta) -> Reading:
    grace = span(protocol.evidence.freshness_grace.value, "h")
    baseline = span(protocol.evidence.baseline_max_age.value, "h")
    return read_analyte(
        evidence,
        now=now,
        max_age=every + grace if course.feeding else baseline,
        lookback=span(protocol.evidence.lookback.value, "d"),
    )


def _is_adequate(course: Course, goal: Goal, protocol: Protocol) -> bool:
    if course.present_kcal is None or not goal.kcal:
        return False
    return course.present_kcal / goal.kcal * 100 >= protocol.monitoring.adequate_energy.value


def _allowance(per_kg: Decimal, body: Body, goal: Goal) -> Decimal | None:
    if body.dosing_kg is None:
        return None
    allowance = per_kg * body.dosing_kg
    return min(allowance, goal.kcal) if goal.kcal is not None else allowance


def find_goal(picture: Picture, protocol: Protocol, body: Body, now: datetime) -> Goal:
    """The goal a clinician stated last, else the protocol's kcal/kg × dosing weight."""
    energy = protocol.energy
    stated = [g for g in picture.goals if g.stated is None or g.stated <= now]
    problem = None
    if stated:
        goal = max(stated, key=lambda g: (g.stated.timestamp() if g.stated else float("-inf"), g.source))
        problem = _goal_problem(goal, body, protocol)
        if problem is None and goal.kcal_day is not None:
            fact = Fact(label="energy goal", value=kcal(goal.kcal_day), when=goal.stated, source=goal.source)
            return Goal(kcal=goal.kcal_day, said=f"goal {kcal(goal.kcal_day)} as charted", facts=(fact,))
    if body.dosing_kg is None:
        return Goal(kcal=None, said="the energy goal is not known", problem=problem or body.said)
    value = energy.goal.value * body.dosing_kg
    return Goal(
        kcal=value,
        said=f"goal {kcal(value)} = {plain(energy.goal.value)} kcal/kg × {body.said}",
        problem=problem,
        facts=body.facts,
    )


def _goal_problem(goal: EnergyGoal, body: Body, protocol: Protocol) -> str | None:
    if goal.kcal_day is None:
        return goal.problem or "the charted goal cannot be read"
    if goal.kcal_day <= 0:
        return "the charted goal is not a positive number"
    if body.dosing_kg is not None and goal.kcal_day > protocol.energy.goal_max.value * body.dosing_kg:
        return f"the charted goal of {kcal(goal.kcal_day)} is above {plain(protocol.energy.goal_max.value)} kcal/kg"
    return None
