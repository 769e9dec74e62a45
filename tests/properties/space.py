"""The discretised state space: every state of each analyte × course × energy × history, under every protocol.

A state is a whole chart. What an advice may at most allow is worked out here by hand, so that a wrong sum in the rules
cannot agree with itself. A block is one course, energy and history under one protocol, with every triple of states.
"""

from collections import Counter
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import cache
from itertools import product

from andante.domain.advice import AdviceCode
from andante.domain.picture import (
    EnergyOrder,
    FindingKind,
    Intake,
    LabResult,
    OrderState,
    Picture,
)
from andante.domain.protocol import Protocol
from andante.domain.quantities import Analyte
from andante.rules.body import Body, examine
from andante.rules.course import Course, follow
from andante.rules.decision import Decision
from andante.rules.evidence import Evidence, sort_out
from andante.rules.situation import Goal, find_goal, put_together
from andante.rules.table import decide
from pictures import (
    ALL,
    MG,
    NOW,
    K,
    P,
    aspen,
    days_without_intake,
    delivered,
    dextrose_drip,
    dose,
    feed,
    finding,
    lab,
    nice,
    picture,
    planned,
    propofol,
    rate,
)

# --------------------------------------------------------------------------- the analytes

# Baseline, in range, falling in range (by 20-23 %), low (by less than 30 %, so that it is no severe fall as well),
# critical low, high, critical high (None: no such limit is published for phosphate).
LEVELS = {
    K: ("4.4", "4.3", "3.5", "3.3", "2.4", "5.4", "6.3"),
    P: ("1.10", "1.05", "0.85", "0.78", "0.25", "1.60", None),
    MG: ("0.95", "0.92", "0.75", "0.68", "0.40", "1.20", "2.00"),
}
STATES = (
    "missing",
    "stale",
    "provisional in range",
    "provisional low",
    "unreadable",
    "critical low",
    "low",
    "in range falling",
    "in range",
    "high",
    "critical high",
    "contradictory",
)
SUPPORTS_MORE = ("in range", "high")
# (better, worse): one piece of evidence made worse. The worse chart must never be fed more (design, invariant 3).
WORSE = (
    ("in range", "stale"),
    ("in range", "provisional in range"),
    ("in range", "unreadable"),
    ("in range", "in range falling"),
    ("in range", "contradictory"),
    ("in range", "low"),
    ("in range", "missing"),
    ("in range falling", "low"),
    ("low", "critical low"),
    ("contradictory", "critical low"),
    ("provisional in range", "provisional low"),
    ("provisional low", "critical low"),
    ("high", "critical high"),
    ("stale", "missing"),
)
RECENT, OLD = 3, 30  # hours before now: fresh, stale
BASELINES = (200, 130)  # before any feed of the table


def results(analyte: Analyte, state: str, history: str) -> tuple[LabResult, ...]:
    base, fine, falling, low, critical, high, critical_high = LEVELS[analyte]
    before = (*(lab(analyte, base, ago) for ago in BASELINES), *_past(analyte, history))
    match state:
        case "missing":
            return ()
        case "stale":
            return (*before, lab(analyte, fine, OLD))
        case "provisional in range":
            return (*before, lab(analyte, fine, RECENT, provisional=True))
        case "provisional low":
            return (*before, lab(analyte, low, RECENT, provisional=True))
        case "unreadable":
            return (*before, lab(analyte, fine, OLD), lab(analyte, None, RECENT))
        case "critical low":
            return (*before, lab(analyte, critical, RECENT))
        case "low":
            return (*before, lab(analyte, low, RECENT))
        case "in range falling":
            return (*before, lab(analyte, falling, RECENT))
        case "in range":
            return (*before, lab(analyte, fine, RECENT))
        case "high":
            return (*before, lab(analyte, high, RECENT))
        case "critical high":
            return (*before, lab(analyte, critical_high or critical, RECENT))
        case "contradictory":
            return (*before, lab(analyte, fine, RECENT), lab(analyte, low, RECENT))
    raise AssertionError(state)


def _past(analyte: Analyte, history: str) -> tuple[LabResult, ...]:
    low, critical = LEVELS[analyte][3:5]
    return tuple(lab(analyte, {"low": low, "critical": critical}[level], ago) for level, ago in past(analyte, history))


def past(analyte: Analyte, history: str) -> tuple[tuple[str, int], ...]:
    """What was drawn between the baseline and the present: level and hours ago."""
    if history == "danger just past" and analyte is P:
        return (("critical", 15),)
    if history == "low for long" and analyte is P:
        return (("low", 39), ("low", 27), ("low", 15))
    return ()


# --------------------------------------------------------------------------- the courses


@dataclass(frozen=True)
class Fed:
    """A course: its feeds, the kcal/day they bring at 1 kcal/mL, and what makes a step impossible by itself."""

    orders: tuple[EnergyOrder, ...]
    kcal: int
    since: int | None  # hours since it began
    fed: bool = True
    first_day: bool = False
    may_step: bool = False


def course(name: str, density: str | None) -> Fed:
    def given(*rates: tuple[str, float], **more: object) -> EnergyOrder:
        (first, since), *_ = rates
        if len(rates) == 1:
            return feed(first, since, density=density, **more)
        return feed(deliveries=tuple(rate(r, s) for r, s in rates), since=since, density=density, **more)

    match name:
        case "not fed":
            return Fed((planned("30", density=density),), 0, None, fed=False)
        case "stopped for 30 h":
            return Fed((given(("40", 120), state=OrderState.ENDED, ended=30),), 0, None, fed=False)
        case "day 1":
            return Fed((given(("20", 10)),), 480, 10, first_day=True)
        case "day 1, above its allowance":
            return Fed((given(("45", 10)),), 1080, 10, first_day=True)
        case "step not due":
            return Fed((given(("30", 60), ("40", 10)),), 960, 60)
        case "step due":
            return Fed((given(("30", 40)),), 720, 40, may_step=True)
        case "just below goal":
            return Fed((given(("55", 110), ("65", 40)),), 1560, 110, may_step=True)
        case "at goal":
            return Fed((given(("75", 110)),), 1800, 110)
        case "above goal":
            return Fed((given(("80", 110)),), 1920, 110)
        case "paused":
            return Fed((given(("40", 60), state=OrderState.PAUSED, ended=5),), 960, 60)
        case "restarted":
            first = given(("40", 120), state=OrderState.ENDED, ended=60)
            return Fed((first, given(("30", 30))), 720, 30, may_step=True)
        case "jumped":
            return Fed((given(("20", 60), ("50", 20)),), 1200, 60)
        case "rises by itself":
            return Fed((given(("30", 40), ("60", -4)),), 720, 40, may_step=True)
        case "day 8 at goal":
            return Fed((given(("75", 185)),), 1800, 185)
    raise AssertionError(name)


COURSES = (
    "not fed",
    "stopped for 30 h",
    "day 1",
    "day 1, above its allowance",
    "step not due",
    "step due",
    "just below goal",
    "at goal",
    "above goal",
    "paused",
    "restarted",
    "jumped",
    "rises by itself",
    "day 8 at goal",
)

# --------------------------------------------------------------------------- energy and history

ENERGIES = (
    "only the feed",
    "density not stated",
    "sedation beside it",
    "dextrose beside it",
    "delivered far under",
    "all delivered",
)
HISTORIES = (
    "calm",
    "danger just past",
    "low for long",
    "replaced just now",
    "kidney",
    "organ flag",
    "read in part",
    "no weight",
    "lowest tier",
)
PROTOCOLS = ("aspen-2020", "nice-cg32")
# kcal/day for 60 kg: goal (30 kcal/kg), step (33 or 25 % of it), the first day's allowance (15 or 10 kcal/kg; in the
# lowest tier 10 or 5), and the lowest start (10 or 5 kcal/kg).
LIMITS = {"aspen-2020": (1800, 594, 900, 600), "nice-cg32": (1800, 450, 600, 300)}
LOWEST_TIER = {"aspen-2020": 600, "nice-cg32": 300}
# 40 mL/h of dextrose 5 % is 48 g; hydrous 3.4, anhydrous 4 kcal/g. Sedation: 10 mL/h × 24 h × 1.1 kcal/mL.
OTHER = {
    "sedation beside it": {"aspen-2020": Decimal("264"), "nice-cg32": Decimal("264")},
    "dextrose beside it": {"aspen-2020": Decimal("163.2"), "nice-cg32": Decimal("192")},
}


def _beside(energy: str, kcal: int) -> tuple[EnergyOrder | Intake, ...]:
    match energy:
        case "sedation beside it":
            return (propofol("10", 190),)
        case "dextrose beside it":
            return (dextrose_drip("40", 190, percent="5"),)
        case "delivered far under":
            return (delivered(str(kcal // 2)),)
        case "all delivered":
            return (delivered(str(kcal)),)
    return ()


def _facts(history: str) -> tuple[tuple[object, ...], dict[str, object]]:
    match history:
        case "low for long":
            return (dose(P, ago=30), dose(P, ago=20)), {}
        case "replaced just now":
            return tuple(dose(a, ago=RECENT + 1) for a in ALL), {}
        case "kidney":
            return (finding(FindingKind.RENAL_IMPAIRMENT),), {}
        case "organ flag":
            return (finding(FindingKind.ORGAN_DYSFUNCTION, ago=1),), {}
        case "read in part":
            return (), {"incomplete": ("Observation",)}
        case "no weight":
            return (), {"kg": None}
        case "lowest tier":
            return (days_without_intake("16", 210),), {}
    return (), {}


# --------------------------------------------------------------------------- blocks


@dataclass(frozen=True)
class Block:
    protocol: str
    course: str
    energy: str
    history: str


BLOCKS = tuple(Block(*names) for names in product(PROTOCOLS, COURSES, ENERGIES, HISTORIES))
STATES_IN_A_BLOCK = len(STATES) ** len(ALL)


@dataclass
class Found:
    """What one block showed."""

    states: int = 0
    compared: int = 0
    codes: Counter[str] = field(default_factory=Counter)
    violations: list[str] = field(default_factory=list)


def protocol_of(block: Block) -> Protocol:
    return aspen() if block.protocol == "aspen-2020" else nice()


@dataclass(frozen=True)
class _Parts:
    """A block's chart without results, and what follows from it alone."""

    picture: Picture
    body: Body
    goal: Goal
    course: Course
    evidence: dict[tuple[Analyte, str], Evidence]


def chart_of(block: Block, states: tuple[str, ...]) -> Picture:
    """The whole chart of one state, as the rules are given it."""
    return _with(
        _chart(block), tuple(r for a, s in zip(ALL, states, strict=True) for r in results(a, s, block.history))
    )


def _fed(block: Block) -> Fed:
    return course(block.course, None if block.energy == "density not stated" else "1.0")


def _chart(block: Block) -> Picture:
    fed = _fed(block)
    items, fields = _facts(block.history)
    return picture(*fed.orders, _beside(block.energy, fed.kcal), items, **fields)


def _with(chart: Picture, charted: tuple[LabResult, ...]) -> Picture:
    return replace(chart, results=charted)


def _parts(block: Block) -> _Parts:
    """Each part once: a result of one analyte changes nothing in the others', nor in the course."""
    protocol, chart = protocol_of(block), _chart(block)
    body = examine(chart, protocol, NOW)
    goal = find_goal(chart, protocol, body, NOW)
    charted = {(a, s): results(a, s, block.history) for a in ALL for s in STATES}
    return _Parts(
        picture=chart,
        body=body,
        goal=goal,
        course=follow(chart, protocol, NOW, goal.kcal),
        evidence={key: sort_out(_with(chart, found), protocol, key[0], NOW) for key, found in charted.items()},
    )


def decisions(block: Block) -> dict[tuple[str, ...], Decision]:
    """What each triple of states is answered by."""
    protocol, parts = protocol_of(block), _parts(block)
    return {
        states: decide(
            put_together(
                parts.picture,
                protocol,
                NOW,
                body=parts.body,
                goal=parts.goal,
                course=parts.course,
                evidence=tuple(parts.evidence[key] for key in zip(ALL, states, strict=True)),
            )
        )
        for states in product(STATES, repeat=len(ALL))
    }


def search(block: Block) -> Found:
    """Every state of a block against the invariants, and every pair of states of which one is worse."""
    fed, found = _fed(block), Found()
    allowed: dict[tuple[str, ...], Decimal] = {}
    for states, decision in decisions(block).items():
        found.states += 1
        found.codes[decision.code] += 1
        allowed[states] = _allowed(decision, block, fed)
        found.violations += [f"{block} {states}: {v}" for v in violations(block, fed, states, decision)]
    for states, most in allowed.items():
        for place, state in enumerate(states):
            for better, worse in WORSE:
                if state == better and _comparable(worse, ALL[place], block.history):
                    other = (*states[:place], worse, *states[place + 1 :])
                    found.compared += 1
                    if allowed[other] > most:
                        found.violations.append(f"{block} {other} is fed {allowed[other]}, {states} only {most}")
    return found


def _comparable(worse: str, analyte: Analyte, history: str) -> bool:
    """Whether the one is really the other made worse, and nothing else."""
    # A danger in the past would go missing with it.
    return not (worse == "missing" and past(analyte, history))


def _is_fall(analyte: Analyte, history: str, fed: Fed) -> bool:
    """A fall is counted from the last level before feeding: from a low one nothing has fallen."""
    return fed.since is not None and not any(ago >= fed.since for _, ago in past(analyte, history))


def _present(block: Block, fed: Fed) -> Decimal | None:
    """kcal/day that run, other energy included; None where the order does not say how dense the feed is."""
    if block.energy == "density not stated" and fed.fed:
        return None
    return fed.kcal + OTHER.get(block.energy, {}).get(block.protocol, Decimal(0))


def _allowed(decision: Decision, block: Block, fed: Fed) -> Decimal:
    """The energy an advice lets run: what it states, else what runs already."""
    if decision.sized is not None:
        return decision.sized.kcal
    return _present(block, fed) or Decimal(fed.kcal)


@cache
def _limits(block: Block) -> tuple[Decimal, Decimal, Decimal, Decimal]:
    goal, step, allowance, lowest = LIMITS[block.protocol]
    if block.history == "lowest tier":
        allowance = LOWEST_TIER[block.protocol]
    return Decimal(goal), Decimal(step), Decimal(allowance), Decimal(lowest)


_UP = (AdviceCode.ADVANCE, AdviceCode.START)
_NEVER_UP = ("replaced just now", "read in part", "no weight")


def violations(block: Block, fed: Fed, states: tuple[str, ...], decision: Decision) -> list[str]:
    """What the advice of one state breaks."""
    goal, step, allowance, lowest = _limits(block)
    code, kcal = decision.code, decision.sized.kcal if decision.sized is not None else None
    present = _present(block, fed)
    other = OTHER.get(block.energy, {}).get(block.protocol, Decimal(0))
    supported = all(
        s in SUPPORTS_MORE or (s == "in range falling" and not _is_fall(a, block.history, fed))
        for a, s in zip(ALL, states, strict=True)
    )
    low = [s for s in states if s in ("low", "contradictory", "provisional low")]
    switched = (
        block.protocol == "nice-cg32"
        and not fed.fed
        and all(s in (*SUPPORTS_MORE, "in range falling", "low", "contradictory") for s in states)
    )
    critical = any(s in ("critical low", "critical high") for s in states)
    found = []

    def check(holds: bool, words: str) -> None:
        if not holds:
            found.append(f"{words} ({code}, rule {decision.rule}, {kcal})")

    if not supported:
        check(code is not AdviceCode.ADVANCE, "a step without evidence")
        check(code is not AdviceCode.START or switched, "a start without evidence")
        if kcal is not None and present is not None and fed.fed:
            check(kcal <= present, "more energy without evidence")
        if code is AdviceCode.START and kcal is not None:
            check(kcal <= lowest, "a start with a low level above the lowest allowance")
    unknown = block.history in _NEVER_UP or (block.energy == "density not stated" and fed.fed)
    if unknown:
        check(code not in _UP, f"more energy although: {block.history}, {block.energy}")
    if block.history == "organ flag" and fed.fed:
        check(code is AdviceCode.URGENT_REVIEW, "organ dysfunction is not answered")
    if block.history == "danger just past" and fed.fed:
        check(code is not AdviceCode.ADVANCE, "a step after a critical level before it has settled")
    if block.energy == "delivered far under" and fed.fed:
        check(code is not AdviceCode.ADVANCE, "a step although little is delivered")
    if not fed.may_step:
        check(code is not AdviceCode.ADVANCE, "a step that is not due, or past the goal, or of a feed that is off")
    if critical and code not in (AdviceCode.NOT_AT_RISK, AdviceCode.NOT_COVERED):
        check(code is AdviceCode.URGENT_REVIEW, "a critical level is not urgent")
        if kcal is not None and present is not None:
            check(kcal <= present, "more energy at a critical level")
    if low and fed.fed:
        check(code in (AdviceCode.HOLD, AdviceCode.HALVE, AdviceCode.URGENT_REVIEW), "a low level does not hold")
    if block.history == "low for long" and states[1] == "low" and fed.fed and block.energy == "only the feed":
        check(code in (AdviceCode.HALVE, AdviceCode.URGENT_REVIEW), "difficult to correct is not cut")
    if kcal is not None:
        # Without a weight nobody knows the goal: then what is in force is the most that may be said.
        most = goal if block.history != "no weight" else (present or Decimal(0))
        check(kcal <= max(most, other), "above the goal")
        if fed.fed and present is not None:
            check(kcal <= present + step, "above present + step")
        if (fed.first_day or not fed.fed) and block.history != "no weight":
            check(kcal <= max(allowance, other), "above the first day's allowance")
    if fed.fed and present is not None and code is not AdviceCode.STOOD_DOWN:
        check(kcal is not None, "no energy stated although it is known")
    return found
