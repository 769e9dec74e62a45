"""Invariants 1 and 2 over the whole discretised state space: every state of each analyte, course and energy order.

`ANDANTE_TEST_WHOLE_SPACE=1` visits every state (about a minute); otherwise every n-th, always the same ones.
"""

import os
from dataclasses import dataclass
from itertools import product

import pytest

from andante.domain.advice import AdviceCode
from andante.domain.picture import EnergyOrder, LabResult, OrderState
from andante.domain.protocol import Protocol
from andante.domain.quantities import Analyte
from andante.rules import evaluate
from pictures import ALL, MG, NOW, K, P, aspen, feed, lab, nice, picture, planned, rate

WHOLE = os.environ.get("ANDANTE_TEST_WHOLE_SPACE") == "1"
EVERY = 1 if WHOLE else 11  # coprime to the size of every axis, so that all of their values are met

# Per analyte: baseline, in range, falling in range (by 22-29 %), low, critical low, high, critical high (None: no such
# limit is published for phosphate), and an implausible value.
LEVELS = {
    K: ("4.9", "4.6", "3.7", "3.2", "2.4", "5.4", "6.3"),
    P: ("1.20", "1.15", "0.92", "0.60", "0.25", "1.60", None),
    MG: ("0.98", "0.95", "0.75", "0.60", "0.40", "1.20", "2.00"),
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
RECENT, OLD, BASELINE = 3, 30, 130  # hours before now: fresh, stale, before any feed of the table


def results(analyte: Analyte, state: str) -> tuple[LabResult, ...]:
    base, fine, falling, low, critical, high, critical_high = LEVELS[analyte]
    before = lab(analyte, base, BASELINE)
    match state:
        case "missing":
            return ()
        case "stale":
            return (before, lab(analyte, fine, OLD))
        case "provisional in range":
            return (before, lab(analyte, fine, RECENT, provisional=True))
        case "provisional low":
            return (before, lab(analyte, low, RECENT, provisional=True))
        case "unreadable":
            return (before, lab(analyte, fine, OLD), lab(analyte, None, RECENT))
        case "critical low":
            return (before, lab(analyte, critical, RECENT))
        case "low":
            return (before, lab(analyte, low, RECENT))
        case "in range falling":
            return (before, lab(analyte, falling, RECENT))
        case "in range":
            return (before, lab(analyte, fine, RECENT))
        case "high":
            return (before, lab(analyte, high, RECENT))
        case "critical high":
            return (before, lab(analyte, critical_high or critical, RECENT))
        case "contradictory":
            return (before, lab(analyte, fine, RECENT), lab(analyte, low, RECENT))
    raise AssertionError(state)


@dataclass(frozen=True)
class Fed:
    """A course: its orders, the energy that runs (kcal/day at 1 kcal/mL), whether it is fed, and feeding day 1."""

    orders: tuple[EnergyOrder, ...]
    present: int
    fed: bool = True
    first_day: bool = False


def course(name: str, density: str | None) -> Fed:
    match name:
        case "not fed":
            return Fed((planned("30", density=density),), 0, fed=False)
        case "day 1":
            return Fed((feed("30", 10, density=density),), 720, first_day=True)
        case "later, step not due":
            return Fed((feed(deliveries=(rate("30", 60), rate("40", 10)), since=60, density=density),), 960)
        case "later, step due":
            return Fed((feed("30", 40, density=density),), 720)
        case "at goal":
            return Fed((feed("75", 60, density=density),), 1800)
        case "paused":
            return Fed((feed("40", 60, density=density, state=OrderState.PAUSED, ended=5),), 960)
        case "restarted":
            first = feed("40", 120, density=density, state=OrderState.ENDED, ended=60)
            return Fed((first, feed("30", 30, density=density)), 720)
    raise AssertionError(name)


COURSES = ("not fed", "day 1", "later, step not due", "later, step due", "at goal", "paused", "restarted")
# kcal/day for 60 kg: goal (30 kcal/kg), step (33 or 25 % of it), the first day's allowance (15 or 10 kcal/kg), and
# the lowest start (10 or 5 kcal/kg). Worked out by hand, so that a wrong sum in the rules cannot agree with itself.
LIMITS = {"aspen-2020": (1800, 594, 900, 600), "nice-cg32": (1800, 450, 600, 300)}


def violations(protocol: Protocol, states: tuple[str, ...], name: str, density: str | None) -> list[str]:
    fed = course(name, density)
    charted = tuple(r for a, s in zip(ALL, states, strict=True) for r in results(a, s))
    advice = evaluate(picture(*fed.orders, charted), protocol, NOW).advice
    goal, step, allowance, lowest = LIMITS[protocol.id]
    supported = all(s in SUPPORTS_MORE or (s == "in range falling" and not fed.fed) for s in states)
    switched = (
        protocol.response.low_before_feeding.value == "start-lowest"
        and all(s in (*SUPPORTS_MORE, "in range falling", "low", "contradictory") for s in states)
        and not fed.fed
    )
    found = []
    if not supported:
        if advice.kcal is not None and advice.kcal > fed.present and not switched:
            found.append(f"more energy ({advice.kcal}) without evidence")
        if advice.code is AdviceCode.ADVANCE or (advice.code is AdviceCode.START and not switched):
            found.append(f"{advice.code} without evidence")
        if advice.code is AdviceCode.START and advice.kcal is not None and advice.kcal > lowest:
            found.append("a start with a low level above the lowest allowance")
    if density is None and advice.code in (AdviceCode.ADVANCE, AdviceCode.START):
        found.append(f"{advice.code} although the energy cannot be summed")
    if advice.kcal is not None:
        if advice.kcal > goal:
            found.append("above the goal")
        if advice.kcal > fed.present + step and fed.fed:
            found.append("above present + step")
        if (fed.first_day or not fed.fed) and advice.kcal > allowance:
            found.append("above the first day's allowance")
    if fed.fed and density is not None and advice.kcal is None:
        found.append("no energy stated although it is known")
    return found


def test_no_state_of_the_whole_space_feeds_more_than_its_evidence_allows(capsys: pytest.CaptureFixture[str]) -> None:
    space = list(product((aspen(), nice()), product(STATES, repeat=3), COURSES, ("1.0", None)))
    visited = space[::EVERY]
    wrong = []
    for protocol, states, name, density in visited:
        wrong += [(protocol.id, states, name, density, v) for v in violations(protocol, states, name, density)]
    with capsys.disabled():
        print(f"\n{len(visited)} of {len(space)} states visited, {len(wrong)} violations")  # noqa: T201
    assert len(visited) > 1000
    assert wrong == []


def test_the_space_reaches_a_step_a_start_and_a_switched_start() -> None:
    """Otherwise the check above could pass by never advising anything."""
    fine = tuple(r for a in ALL for r in results(a, "in range"))
    low = (*results(K, "in range"), *results(P, "low"), *results(MG, "in range"))
    rules = [
        evaluate(picture(*course("later, step due", "1.0").orders, fine), aspen(), NOW).advice.rule,
        evaluate(picture(*course("not fed", "1.0").orders, fine), aspen(), NOW).advice.rule,
        evaluate(picture(*course("not fed", "1.0").orders, low), nice(), NOW).advice.rule,
    ]
    assert rules == ["step-up", "ready-to-start", "start-while-low"]
