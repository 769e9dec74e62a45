"""Break each guard of the rules by itself, and see what notices: first the enumerated state space, alone.

    python tests/mutation/guards.py          every guard; exit 1 for one that nothing notices

For every rule of the decision table: leave it out; swap it with the next. For every check of the evidence and every
limit of the sums: switch it off. The enumeration is that of `tests/properties/space.py`, in the sample that
`test_state_space.py` visits; where it sees nothing, the first test of `tests/spec` or `tests/properties` that fails is
named. A pair of rules that can never apply to the same chart may be swapped without any difference: `NEVER_BOTH`.
"""

# ruff: noqa: E501 - a guard is a row, and is read across

import argparse
import os
import signal
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from planting import plant
from run import HERE, _FirstFailure, arguments, in_child, say

RULES = "service/andante/rules/"

# (guard, module, what stands there, what it is broken into). What stands there must occur exactly once.
BROKEN = (
    # Which results count
    ("an implausible level is set aside", "evidence", "if is_implausible(result, protocol):", "if False:"),
    ("a level from the future is set aside", "evidence", "if result.collected > now + skew:", "if False:"),
    ("a doubtful specimen is set aside", "evidence", "if result.specimen_problem and not band.is_low:", "if False:"),
    ("a provisional level is set aside", "evidence", "if result.firmness is not Firmness.FIRM:", "if False:"),
    ("a level with a problem is set aside", "evidence", "if result.problem:", "if False:"),
    ("a level left open by a comparator is set aside", "evidence", "if band is Band.UNPROVEN:", "if False:"),
    (
        "a draw too soon after replacement is set aside",
        "evidence",
        "dose.given < newest and oldest < recheck_due(dose, result.analyte, protocol)",
        "False",
    ),
    ("an unreadable result blocks", "evidence", "return band_of(result, protocol) not in (Band.IN_RANGE, Band.HIGH)\n    return True", "return band_of(result, protocol) not in (Band.IN_RANGE, Band.HIGH)\n    return False"),
    ("a provisional low blocks", "evidence", "return band_of(result, protocol) not in (Band.IN_RANGE, Band.HIGH)\n", "return False\n"),
    ("a set-aside low is a sign of danger", "evidence", "for a in unsettled if a.code in _CREDIBLE]\n    danger", "for a in ()]\n    danger"),
    ("of two results of a draw the worse counts", "bands", "return min(bands, key=WORST_FIRST.index)", "return max(bands, key=WORST_FIRST.index)"),
    ("of the newest results the worst counts", "evidence", "return min(signs, key=", "return max(signs, key="),
    ("only a fresh draw counts", "evidence", "fresh = fresh_until is not None and now <= fresh_until", "fresh = fresh_until is not None"),
    ("a low level may not advance", "evidence", "            and not self.evidence.danger.is_low\n", ""),
    ("a critical level may not advance", "evidence", "            and not self.evidence.danger.is_critical\n", ""),
    ("only in range or high may advance", "evidence", "self.state in (AnalyteState.IN_RANGE, AnalyteState.HIGH)\n", "True\n"),
    # Bands and falls
    ("a level under its limit is low", "bands", "if level.surely_below(low):", "if False:"),
    ("a level at the critical limit is critical", "bands", "if critical_low(level, limits):", "if False:"),
    ("a level at the high critical limit is critical", "bands", "if level.surely_at_least(limits.critical_high.value):", "if False:"),
    ("a severe fall is urgent", "urgent_rules", "if fall.grade is Grade.SEVERE:", "if False:"),
    # Sums
    ("the pump rate is rounded down", "sizing", "rounding=ROUND_FLOOR", 'rounding="ROUND_CEILING"'),
    ("a step never passes the goal", "step_rules", "target = min(goal, present + step)", "target = present + step"),
    ("a step is one step", "step_rules", "target = min(goal, present + step)", "target = goal"),
    ("other energy is subtracted", "sizing", "exact = (target_kcal - vehicle.fixed_kcal) / vehicle.density / times", "exact = target_kcal / vehicle.density / times"),
    ("the first day's allowance is at most the goal", "situation", "return min(allowance, goal.kcal) if goal.kcal is not None else allowance", "return allowance"),
    ("the lowest tier starts lowest", "situation", "protocol.energy.initial_extreme if risk.extreme else protocol.energy.initial", "protocol.energy.initial"),
    ("the first day is limited", "step_rules", "if day == 1 and s.allowance_kcal is not None and present > s.allowance_kcal:", "if False:"),
    ("more than the goal is brought down", "step_rules", "elif s.goal.kcal is not None and present > s.goal.kcal:", "elif False:"),
    ("what is kept is brought down to its limit", "amounts", "if limit is not None and present > limit:", "if False:"),
    ("what is kept on the first day is at most its allowance", "amounts", "        limits.append(s.allowance_kcal)\n", "        pass\n"),
    ("a cut cuts", "amounts", 'target = Decimal(0) if answer == "stop" else present * (1 - share)', "target = present"),
    # Waiting
    ("a step waits for its interval", "step_rules", "if next_step is not None and s.now < next_step:", "if False:"),
    ("a paused feed takes no step", "step_rules", "if s.course.paused_since is not None and restart is not None:", "if False:"),
    ("danger must settle first", "trend", "if draw.band.is_critical or severe:", "if False:"),
    ("what is delivered is found out first", "step_rules", "    if amiss:\n", "    if False:\n"),
    ("what was not given ends no watch", "scope_rules", "if course.lagging(s.protocol) is not None or course.exceeding(s.protocol) is not None:", "if False:"),
    ("a low drawn too soon starts nobody", "start_rules", "bool(early) or any(", "any("),
    # What is not known
    ("a chart read in part holds", "hold_rules", "if not gaps and not s.picture.incomplete:", "if not gaps:"),
    ("a chart read in part starts nobody", "start_rules", "if s.course.feeding or not s.picture.incomplete:", "if True:"),
    ("energy that cannot be summed holds", "hold_rules", "if s.course.present_kcal is None:", "if False:"),
    ("without a weight nothing is sized", "body", 'return None, "no usable weight is charted"', 'return Decimal(60), "a guess"'),
    ("a low level before feeding is corrected first", "start_rules", 'if switch.value == "start-lowest" and', "if"),
    ("a disputed low does not start", "start_rules", "and not doubtful:", ":"),
)  # fmt: skip

FED, NOT_FED = "needs a course that runs", "needs that no course runs"
# Pairs of neighbours that exclude each other, and by what.
NEVER_BOTH = {
    ("stood_down", "urgent_review"): "the first asks that there be no danger, no fall that holds and no flag",
    ("energy_not_known", "incomplete_before_feeding"): f"the first {FED}, the second {NOT_FED}",
    ("ready_to_start", "over_the_limit"): f"the first {NOT_FED}, the second {FED}",
    (
        "start_cannot_be_sized",
        "ready_to_start",
    ): "the second sizes nothing where the first finds a reason: it asks again",
}


@dataclass(frozen=True)
class Guard:
    words: str
    breaks: Callable[[Path], None]


def guards(root: Path) -> Iterator[Guard]:
    from andante.rules import table

    names = [rule.__name__ for rule in table.RULES]

    def reorder(order: tuple[int, ...]) -> Callable[[Path], None]:
        def put(_: Path) -> None:
            table.RULES = tuple(table.RULES[i] for i in order)

        return put

    everyone = tuple(range(len(names)))
    for i, name in enumerate(names):
        yield Guard(f"without the rule {name}", reorder(everyone[:i] + everyone[i + 1 :]))
    for i in range(len(names) - 1):
        order = (*everyone[:i], i + 1, i, *everyone[i + 2 :])
        yield Guard(f"{names[i + 1]} before {names[i]}", reorder(order))
    for words, module, old, new in BROKEN:
        yield Guard(f"not: {words}", _broken(root, module, old, new))


def _broken(root: Path, module: str, old: str, new: str) -> Callable[[Path], None]:
    path = f"{RULES}{module}.py"
    source = (root / path).read_bytes()
    if source.count(old.encode()) != 1:
        raise SystemExit(f"guards.py: {path} no longer holds once: {old!r}")
    start = source.index(old.encode())
    scope = _scope(source, source[:start].count(b"\n") + 1)

    def put(root: Path) -> None:
        change: dict[str, Any] = {
            "path": path,
            "start": start,
            "end": start + len(old.encode()),
            "old": old,
            "new": new,
        }
        plant(root, {**change, "scope": scope, "constant": ""})

    return put


def _scope(source: bytes, line: int) -> str:
    import ast

    for node in ast.parse(source).body:
        if node.lineno <= line <= (node.end_lineno or line):
            if isinstance(node, ast.FunctionDef):
                return node.name
            if isinstance(node, ast.ClassDef):
                inner = [n for n in node.body if isinstance(n, ast.FunctionDef) and n.lineno <= line <= n.end_lineno]  # type: ignore[operator]
                return f"{node.name}.{inner[0].name}"
    raise SystemExit(f"guards.py: line {line} is in no function")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--root", type=Path, default=HERE.parents[1])
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument(
        "--every", type=int, default=41, help="each n-th block of the state space; 41 is the test's own"
    )
    parser.add_argument("--quick", action="store_true", help="after the enumeration only the specification")
    parser.add_argument("--only", default="", help="only guards with these words in their name")
    options = parser.parse_args()
    root = options.root.resolve()
    os.chdir(root)
    sys.dont_write_bytecode = True
    sys.path[:0] = [str(root / "service"), str(root / "tests"), str(root / "tests" / "properties")]
    import space

    blocks = space.BLOCKS[:: options.every]

    def work(guard: Guard | None, tell: Callable[[str], None]) -> int:
        if guard is not None:
            guard.breaks(root)
        codes = set()
        try:
            for block in blocks:
                found = space.search(block)
                codes |= set(found.codes)
                if found.violations:
                    tell(f"enumeration: {found.violations[0]}")
                    return 1
        except Exception as e:
            tell(f"enumeration: {type(e).__name__}: {e}")
            return 1
        lacking = unharmed - codes
        if lacking:
            tell(f"enumeration: never {', '.join(sorted(lacking))}")
            return 1
        watch = _FirstFailure(None)
        tests = ("tests/spec",) if options.quick else ("tests/spec", "tests/properties")
        code = pytest.main(
            [*arguments(root, tests), "-x", "--deselect", "tests/properties/test_state_space.py"], plugins=[watch]
        )
        tell(watch.by)
        return 0 if code == pytest.ExitCode.OK else 1

    # The test wants each kind of advice to occur; of a smaller sample, what occurs in it while nothing is broken.
    unharmed = {code for block in blocks for code in space.search(block).codes}
    outcomes: dict[str, str] = {}
    waiting = [g for g in guards(root) if options.only in g.words]
    order = [g.words for g in waiting]
    running: dict[int, tuple[Guard, int]] = {}
    while waiting or running:
        while waiting and len(running) < options.jobs:
            guard = waiting.pop(0)
            pid, pipe = in_child(lambda tell, g=guard: work(g, tell), 1200)  # type: ignore[misc]
            running[pid] = (guard, pipe)
        pid, status = os.wait()
        guard, pipe = running.pop(pid)
        with os.fdopen(pipe, "rb") as told:
            words = told.read().decode()
        if os.WIFSIGNALED(status):
            words = f"ended by {signal.Signals(os.WTERMSIG(status)).name}"
        outcomes[guard.words] = words if os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 1 else ""
        say(f"{guard.words}: {outcomes[guard.words] or 'NOTHING NOTICES'}")
    by_enumeration = sum(o.startswith("enumeration") for o in outcomes.values())
    unnoticed = [w for w in order if not outcomes[w]]
    open_ = [w for w in unnoticed if tuple(reversed(w.split(" before "))) not in NEVER_BOTH]
    say(f"\n{len(order)} guards broken: the enumeration alone notices {by_enumeration}, other tests "
        f"{len(order) - by_enumeration - len(unnoticed)}, nothing {len(unnoticed)}")  # fmt: skip
    for words in unnoticed:
        pair = tuple(reversed(words.split(" before ")))
        say(f"  {words}: {NEVER_BOTH.get(pair, 'NOT EXPLAINED')}")  # type: ignore[call-overload]
    return 1 if open_ else 0


if __name__ == "__main__":
    sys.exit(main())
