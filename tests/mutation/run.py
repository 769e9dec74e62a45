"""Mutation testing of the clinical rules: break one thing at a time; some test must notice.

    python tests/mutation/run.py                   every mutant; exit 1 below 95 % or for an unexplained survivor
    python tests/mutation/run.py --changed         only functions that changed since the last run, and old survivors
    python tests/mutation/run.py --sample 300      a fixed sample, for continuous integration
    python tests/mutation/run.py --only risk body  only these modules
    python tests/mutation/run.py --types           ask the strict type check about those that survived the tests

One process collects the tests and forks for each mutant; the child plants it in memory and runs the tests that reach
its lines, the likeliest first, up to the first that fails. What killed a mutant is remembered in `.mutation/` and
tried first the next time. The list of survivors with reasons is `survivors.toml`; the method: shared/docs/mutation.md.
"""

import argparse
import ast
import contextlib
import functools
import gc
import hashlib
import importlib
import json
import os
import pickle
import random
import resource
import signal
import subprocess
import sys
import time
import tomllib
import venv
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator
from fnmatch import fnmatch
from itertools import zip_longest
from pathlib import Path
from typing import Any, ClassVar

import pytest
from _pytest.runner import runtestprotocol
from planting import CannotImport, plant, plant_before_import
from type_check import noticed

HERE = Path(__file__).parent
NEEDED = 95.0
# Fast ones first: a mutant dies by the first test that fails.
TESTS = (
    "tests/spec",
    "tests/unit/test_wording.py",
    "tests/unit/test_present_text.py",
    "tests/unit/test_present_json.py",
    "tests/unit/test_chart_units.py",
    "tests/scenarios/test_edges_arguments.py",
    "tests/scenarios/test_rounds.py",
    "tests/properties",
)
DEEP = "tests/properties"
MODULES = ("service/andante/rules/*.py", "service/andante/domain/quantities.py")
# Big libraries of others, imported once in the process that everything is forked from.
PRELOADED = ("coverage", "yaml", "pydantic", "fhir.resources.R4B", "msgspec", "pint", "ucumvert", "_pytest.capture")
MEMORY = 3 << 30
Mutant = dict[str, Any]


def say(words: str) -> None:
    sys.stdout.write(words + "\n")
    sys.stdout.flush()


# --------------------------------------------------------------------------- making


def make_mutants(root: Path, work: Path) -> list[Mutant]:
    """By the tool in its own venv; once per version of a file."""
    tool = work / "venv" / "bin" / "python"
    wanted = HERE / "requirements.txt"
    stamp = work / "venv" / hashlib.sha256(wanted.read_bytes()).hexdigest()[:12]
    if not stamp.exists():
        venv.create(work / "venv", with_pip=True, clear=True)
        subprocess.run([tool, "-m", "pip", "install", "--quiet", "--requirement", wanted], check=True)
        stamp.touch()
    found: list[Mutant] = []
    for name in modules(root):
        path = root / name
        key = hashlib.sha256(path.read_bytes() + (HERE / "mutants.py").read_bytes()).hexdigest()[:16]
        made = work / "made" / f"{path.stem}-{key}.json"
        if not made.exists():
            made.parent.mkdir(exist_ok=True)
            for old in made.parent.glob(f"{path.stem}-????????????????.json"):
                old.unlink()
            subprocess.run([tool, HERE / "mutants.py", root, made, name], check=True)
        found += json.loads(made.read_text(encoding="utf-8"))
    return found


def in_memory(mutant: Mutant) -> bool:
    return bool(mutant["scope"] or mutant["constant"])


def modules(root: Path) -> list[str]:
    return sorted(str(p.relative_to(root)) for pattern in MODULES for p in root.glob(pattern))


def fingerprint(root: Path, mutant: Mutant) -> str:
    """Of the function the mutant is in; of the whole module where it runs at import."""
    return _prints(root, mutant["path"])[mutant["scope"]]


def _prints(root: Path, path: str, seen: dict[str, dict[str, str]] = {}) -> dict[str, str]:  # noqa: B006 - a cache
    if path not in seen:
        source = (root / path).read_text(encoding="utf-8")
        prints = {"": hashlib.sha256(source.encode()).hexdigest()[:12]}
        tree = ast.parse(source)
        for node in ast.walk(tree):
            for child in ast.iter_child_nodes(node):
                if isinstance(child, ast.FunctionDef):
                    name = f"{node.name}.{child.name}" if isinstance(node, ast.ClassDef) else child.name
                    prints.setdefault(name, hashlib.sha256(ast.dump(child).encode()).hexdigest()[:12])
        seen[path] = prints
    return seen[path]


# --------------------------------------------------------------------------- results


class Results:
    """`.mutation/results.json`: for each mutant whether it was killed, by what, in which version of its function."""

    def __init__(self, work: Path) -> None:
        self.file = work / "results.json"
        self.known: dict[str, dict[str, str]] = {}
        if self.file.exists():
            self.known = json.loads(self.file.read_text(encoding="utf-8"))
        self.tests_file = work / "tests.json"
        self.tests: set[str] = set()
        if self.tests_file.exists():
            self.tests = set(json.loads(self.tests_file.read_text(encoding="utf-8")))

    def met(self, tests: Iterable[str]) -> None:
        """Every mutant now known has met these tests."""
        self.tests_file.write_text(json.dumps(sorted(tests), indent=0), encoding="utf-8")

    def killer(self, mutant: Mutant) -> str | None:
        return self.known.get(mutant["id"], {}).get("by")

    def stands(self, mutant: Mutant, print_: str, status: str = "killed") -> bool:
        known = self.known.get(mutant["id"], {})
        return known.get("status") == status and known.get("print") == print_

    def note(self, mutant: Mutant, status: str, by: str, print_: str) -> None:
        self.known[mutant["id"]] = {"status": status, "by": by, "print": print_}

    def write(self) -> None:
        fresh = self.file.with_suffix(".new")
        fresh.write_text(json.dumps(self.known, indent=0, sort_keys=True), encoding="utf-8")
        fresh.replace(self.file)


def explained() -> dict[str, dict[str, str]]:
    """`survivors.toml`: one reason may stand for several mutants of one kind."""
    file = HERE / "survivors.toml"
    if not file.exists():
        return {}
    entries = tomllib.loads(file.read_text(encoding="utf-8")).get("survivor", [])
    for entry in entries:
        if not entry.get("reason", "").strip() or not entry.get("where", "").strip():
            raise SystemExit(f"survivors.toml: an entry without its place or its reason: {entry}")
    return {id_: entry for entry in entries for id_ in entry["ids"]}


# --------------------------------------------------------------------------- trying


def in_child(work: Callable[[Callable[[str], None]], int], limit: float) -> tuple[int, int]:
    """Fork; the child runs `work` and is killed after `limit` seconds. (pid, the pipe it may tell a word through)."""
    read, write = os.pipe()
    pid = os.fork()
    if pid:
        os.close(write)
        return pid, read
    code = 3
    try:
        os.close(read)
        silence = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(silence, stream)
        signal.setitimer(signal.ITIMER_PROF, limit)  # of its own time: others may keep the machine busy
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        code = work(lambda words: (os.write(write, words.encode()), None)[1])
    except BaseException as e:
        with contextlib.suppress(BaseException):
            os.write(write, f"error {type(e).__name__}: {e}".encode())
    finally:
        os._exit(code)
    return 0, 0


def try_all(
    mutants: Iterable[Mutant],
    work: Callable[[Mutant, Callable[[str], None]], int],
    limit: Callable[[Mutant], float],
    jobs: int,
) -> Iterator[tuple[Mutant, str, str]]:
    """(mutant, "killed" or "survived", by what), as they are done. A mutant that never ends is killed."""
    waiting, running = iter(mutants), {}
    more = True
    while more or running:
        while more and len(running) < jobs:
            mutant = next(waiting, None)
            if mutant is None:
                more = False
                break
            pid, pipe = in_child(lambda tell, m=mutant: work(m, tell), limit(mutant))  # type: ignore[misc]
            running[pid] = (mutant, pipe)
        if not running:
            return
        pid, status = os.wait()
        mutant, pipe = running.pop(pid)
        with os.fdopen(pipe, "rb") as told:
            words = told.read().decode()
        if os.WIFSIGNALED(status):
            yield mutant, "killed", "it never ended, or exhausted the memory"
        elif os.WEXITSTATUS(status) == 0:
            yield mutant, "survived", ""
        elif os.WEXITSTATUS(status) == 1:
            yield mutant, "killed", words
        else:
            raise RuntimeError(f"{mutant['path']}:{mutant['line']} {mutant['operator']}: {words}")


class _NONE:
    params: ClassVar[dict[str, Any]] = {}


class Conductor:
    """A pytest plugin: instead of running the tests once, run them for every mutant."""

    def __init__(
        self, root: Path, mutants: list[Mutant], everything: list[Mutant], results: Results, options: argparse.Namespace
    ) -> None:
        self.root, self.mutants, self.results, self.options = root, mutants, results, options
        self.everything = everything
        self.done: list[tuple[Mutant, str, str]] = []
        self.failed: list[str] = []

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        self.items = session.items
        self.index = {item.nodeid: i for i, item in enumerate(self.items)}
        # What survived all the tests of the last run meets the tests written since first.
        self.fresh = {i for name, i in self.index.items() if name not in self.results.tests}
        rows = Counter[str]()
        self.row = []
        for item in self.items:
            name = item.nodeid.split("[")[0]
            self.row.append(rows[name])
            rows[name] += 1
        gc.collect()
        gc.freeze()
        self.reach, self.seconds, self.failed = self._survey()
        if self.failed and not self.options.tolerate:
            return True
        broken = {self.index[name] for name in self.failed}
        self.reach = {
            path: {line: [i for i in by if i not in broken] for line, by in lines.items()}
            for path, lines in self.reach.items()
        }
        self.deep = [i for i in self.deep if i not in broken]
        self.kills: dict[str, Counter[int]] = defaultdict(Counter)
        self.all_kills: Counter[int] = Counter()
        for mutant in self.everything:
            self._count(mutant, self.results.killer(mutant) or "")
        say(f"{len(self.items)} tests, {sum(self.seconds):.0f} s; {len(self.mutants)} mutants")
        for n, (mutant, status, by) in enumerate(
            try_all(self.mutants, self._try, self._limit, self.options.jobs), start=1
        ):
            self._count(mutant, by)
            self.results.note(mutant, status, by, fingerprint(self.root, mutant))
            self.done.append((mutant, status, by))
            if status == "survived":
                say(f"  survived: {mutant['id']} {mutant['path']}:{mutant['line']} {mutant['scope']}")
            if n % 100 == 0:
                self.results.write()
                say(f"  {n} tried, {sum(s == 'survived' for _, s, _ in self.done)} survived")
        self.results.write()
        if not (self.options.only or self.options.sample or self.options.quick):
            self.results.met(self.index)
        return True

    def _count(self, mutant: Mutant, by: str) -> None:
        if by in self.index:
            self.kills[mutant["scope"]][self.index[by]] += 1
            self.all_kills[self.index[by]] += 1

    def _survey(self) -> tuple[dict[str, dict[int, list[int]]], list[float], list[str]]:
        """Run every test once, unharmed: which lines it reaches, how long it takes, whether it passes.

        Property tests are not watched, since watching them is slow: they are taken to reach every line.
        """
        deep = [i for i, item in enumerate(self.items) if DEEP in item.nodeid]
        shallow = [i for i, item in enumerate(self.items) if DEEP not in item.nodeid]
        names = [str(self.root / p) for p in modules(self.root)]
        halves = [self._look(shallow, names), self._look([] if self.options.quick else deep, [])]
        reach: dict[str, dict[int, list[int]]] = {}
        seconds, failed = [0.0] * len(self.items), []
        for pid, pipe, out in halves:
            _, status = os.waitpid(pid, 0)
            with os.fdopen(pipe, "rb") as told:
                words = told.read().decode()
            if status:
                raise RuntimeError(f"the tests could not be surveyed: {words}")
            lines, times, bad = pickle.loads(out.read_bytes())
            reach.update(lines)
            failed += bad
            for i, taken in times.items():
                seconds[i] = taken
        self.deep = [] if self.options.quick else sorted(deep, key=lambda i: seconds[i])
        return reach, seconds, failed

    def _look(self, chosen: list[int], names: list[str]) -> tuple[int, int, Path]:
        out = self.options.work / f"survey-{len(names)}.pickle"

        def look(_: Callable[[str], None]) -> int:
            import coverage

            seconds, failed = {}, []
            watch = coverage.Coverage(data_file=None, include=names, config_file=False) if names else None
            if watch:
                watch.start()
            for i, following in zip_longest(chosen, chosen[1:]):
                if watch:
                    watch.switch_context(str(i))
                begun = time.perf_counter()
                if self._fails(i, following):
                    failed.append(self.items[i].nodeid)
                seconds[i] = time.perf_counter() - begun
            reach = {}
            if watch:
                watch.stop()
                data = watch.get_data()
                for name in names:
                    by_line = data.contexts_by_lineno(name)
                    reach[name] = {line: sorted({int(c) for c in by if c}) for line, by in by_line.items()}
            out.write_bytes(pickle.dumps((reach, seconds, failed)))
            return 0

        return (*in_child(look, 900), out)

    def _fails(self, i: int, following: int | None) -> bool:
        item = self.items[i]
        if isinstance(item, pytest.Function) and set(item.fixturenames) <= set(getattr(item, "callspec", _NONE).params):
            try:  # no fixture is asked for: pytest's own ceremony would take as long as the test
                item.obj(**getattr(item, "callspec", _NONE).params)
            except pytest.skip.Exception:
                return False
            except BaseException:
                return True
            return False
        after = self.items[following] if following is not None else None
        return any(r.failed for r in runtestprotocol(item, nextitem=after, log=False))

    def _tests_for(self, mutant: Mutant) -> list[int]:
        """Those that reach its lines: what killed it before, its neighbours, most; then row by row of every test."""
        found: set[int] = set()
        for path, first, last in self._places(mutant):
            lines = self.reach[str(self.root / path)]
            found |= {i for line in range(first, last + 1) for i in lines.get(line, ())}
        kills = self.kills[mutant["scope"]]
        killer = self.index.get(self.results.killer(mutant) or "")
        found |= set(self.deep)
        all_kills = self.all_kills
        fresh = self.fresh if self.results.known.get(mutant["id"], {}).get("status") == "survived" else ()
        return sorted(
            found,
            key=lambda i: (i != killer, self.seconds[i] > 0.3, i not in fresh, -kills[i], -all_kills[i], self.row[i]),
        )

    def _places(self, mutant: Mutant) -> Iterator[tuple[str, int, int]]:
        """(path, first and last line) of what the mutant changes; of a constant, of every function that names it."""
        if not mutant["constant"]:
            yield mutant["path"], *mutant["lines"]
            return
        yield from _functions_naming(self.root, mutant["constant"])

    def _limit(self, mutant: Mutant) -> float:
        self.order = self._tests_for(mutant)  # the child that is forked next finds it here
        return 20 + 6 * sum(self.seconds[i] for i in self.order)

    def _try(self, mutant: Mutant, tell: Callable[[str], None]) -> int:
        gc.disable()
        order = self.order
        try:
            plant(self.root, mutant)
        except CannotImport:
            tell("it cannot be imported")
            return 1
        begun = time.process_time()
        for i, following in zip_longest(order, order[1:]):
            if self.options.patience and time.process_time() - begun > self.options.patience:
                return 0
            if self._fails(i, following):
                tell(self.items[i].nodeid)
                return 1
        return 0


@functools.cache
def _functions_naming(root: Path, constant: str) -> list[tuple[str, int, int]]:
    """(path, first and last line)."""
    return [
        (path, node.lineno, node.end_lineno or node.lineno)
        for path in modules(root)
        for node in ast.walk(_tree(root / path))
        if isinstance(node, ast.FunctionDef)
        and any(isinstance(n, ast.Name) and n.id == constant for n in ast.walk(node))
    ]


@functools.cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


class _FirstFailure:
    """A pytest plugin for a child of its own: remembers what failed first."""

    def __init__(self, first: str | None) -> None:
        self.by, self.first = "", first

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items.sort(key=lambda i: i.nodeid != self.first)

    @pytest.hookimpl
    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed and not self.by:
            self.by = report.nodeid

    @pytest.hookimpl
    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed and not self.by:
            self.by = f"{report.nodeid} (cannot be imported)"


def arguments(root: Path, tests: Iterable[str]) -> list[str]:
    paths = [str(root / t) for t in tests]
    return ["-q", "-p", "no:cacheprovider", "--capture=no", "--no-header", "--rootdir", str(root), *paths]


def try_at_import(
    root: Path, mutants: list[Mutant], results: Results, options: argparse.Namespace
) -> list[tuple[Mutant, str, str]]:
    """What runs at import: each in a process that has not imported the service yet, against all tests."""

    def work(mutant: Mutant, tell: Callable[[str], None]) -> int:
        plant_before_import(root, mutant)
        watch = _FirstFailure(results.killer(mutant))
        code = pytest.main([*arguments(root, options.tests), "-x"], plugins=[watch])
        tell(watch.by or f"pytest ended with {int(code)}")
        return 0 if code == pytest.ExitCode.OK else 1

    done = []
    for mutant, status, by in try_all(mutants, work, lambda _: 600, options.jobs):
        results.note(mutant, status, by, fingerprint(root, mutant))
        done.append((mutant, status, by))
    results.write()
    return done


def ask_the_type_check(root: Path, everything: list[Mutant], results: Results) -> None:
    """About what survived the tests, as it stands now: what does not pass the check does not reach a release."""
    standing = [m for m in everything if results.stands(m, fingerprint(root, m), "survived")]
    count = 0
    for mutant, words in noticed(root, standing):
        results.note(mutant, "killed", f"the type check: {words}", fingerprint(root, mutant))
        count += 1
    results.write()
    say(f"{count} of {len(standing)} survivors do not pass the type check")


# --------------------------------------------------------------------------- the whole


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--root", type=Path, default=HERE.parents[1], help="the checkout to test")
    parser.add_argument("--work", type=Path, help="where to keep what is known (default: ROOT/.mutation)")
    parser.add_argument("--only", nargs="*", default=[], help="modules (patterns of their names) to mutate")
    parser.add_argument("--sample", type=int, help="try only so many, always the same ones")
    parser.add_argument("--changed", action="store_true", help="leave out what was killed and has not changed")
    parser.add_argument("--new", action="store_true", help="only what was never tried as it stands now")
    parser.add_argument("--survivors", action="store_true", help="try only those that survived last time")
    parser.add_argument("--types", action="store_true", help="ask the type check about known survivors, run no test")
    parser.add_argument("--report", action="store_true", help="try nothing: say what is known")
    parser.add_argument("--quick", action="store_true", help="without the property tests: a first look")
    parser.add_argument("--patience", type=float, help="seconds of tests after which a mutant counts as survived")
    parser.add_argument("--tolerate", action="store_true", help="leave out tests that fail without any mutant")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--tests", nargs="*", default=list(TESTS))
    options = parser.parse_args()
    root = options.root.resolve()
    options.work = work = (options.work or root / ".mutation").resolve()
    work.mkdir(exist_ok=True)
    if options.quick:
        options.tests = [t for t in options.tests if DEEP not in t]
    os.chdir(root)
    sys.path.insert(0, str(root / "service"))
    sys.dont_write_bytecode = True

    everything = make_mutants(root, work)
    results = Results(work)
    if options.types:
        ask_the_type_check(root, everything, results)
    if options.report or options.types:
        options.changed = True
        return report([], everything, results, options)
    chosen = [m for m in everything if not options.only or any(fnmatch(Path(m["path"]).stem, o) for o in options.only)]
    if options.changed or options.new:
        chosen = [m for m in chosen if not results.stands(m, fingerprint(root, m))]
    if options.new:
        chosen = [m for m in chosen if not results.stands(m, fingerprint(root, m), "survived")]
    if options.survivors:
        chosen = [m for m in chosen if results.known.get(m["id"], {}).get("status") == "survived"]
    if options.sample:
        known = explained()
        pool = sorted((m for m in chosen if m["id"] not in known), key=lambda m: m["id"])
        chosen = random.Random(20).sample(pool, min(options.sample, len(pool)))
    random.Random(20).shuffle(chosen)

    for name in PRELOADED:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
    begun = time.monotonic()
    at_import = [] if options.quick else [m for m in chosen if not in_memory(m)]
    done = try_at_import(root, at_import, results, options)
    conductor = Conductor(root, [m for m in chosen if in_memory(m)], everything, results, options)
    pytest.main(arguments(root, options.tests), plugins=[conductor])
    if conductor.failed:
        say("These tests fail without any mutant:\n  " + "\n  ".join(conductor.failed))
        if not options.tolerate:
            return 1
    done += conductor.done
    say(f"{len(done)} mutants tried in {time.monotonic() - begun:.0f} s")
    return report(done, everything, results, options)


def report(
    done: list[tuple[Mutant, str, str]], everything: list[Mutant], results: Results, options: argparse.Namespace
) -> int:
    """Print the score per module and what survived without a reason; 1 when that is not good enough."""
    status = {m["id"]: s for m, s, _ in done}
    if options.changed or options.new or options.survivors:  # the rest as it is known
        for m in everything:
            if m["id"] in results.known:
                status.setdefault(m["id"], results.known[m["id"]]["status"])
    reasons = explained()
    tried, killed = Counter[str](), Counter[str]()
    for m in everything:
        if m["id"] in status:
            tried[Path(m["path"]).stem] += 1
            killed[Path(m["path"]).stem] += status[m["id"]] == "killed"
    for module in sorted(tried):
        say(
            f"{module:18} {killed[module]:5} of {tried[module]:5} killed  {100 * killed[module] / tried[module]:5.1f} %"
        )
    total, dead = sum(tried.values()), sum(killed.values())
    score = 100 * dead / total if total else 0.0
    survivors = [m for m in everything if status.get(m["id"]) == "survived"]
    open_ = [m for m in survivors if m["id"] not in reasons]
    left = f"{len(survivors)} survived, {len(open_)} unexplained; {len(everything) - total} of all mutants not tried"
    say(f"{'total':18} {dead:5} of {total:5} killed  {score:5.1f} %; {left}")
    for m in open_:
        say(f"  {m['id']} {m['path']}:{m['line']} {m['scope']} [{m['operator']}]")
        say(f"      {_short(m['old'])}  →  {_short(m['new'])}")
    living = {m["id"] for m in everything}
    for id_, entry in reasons.items():
        if id_ not in living or status.get(id_) == "killed":
            say(f"  no longer survives, take it out of survivors.toml: {id_} {entry['where']}")
    return 1 if open_ or score < NEEDED else 0


def _short(code: str) -> str:
    words = " ".join(code.split())
    return words if len(words) < 150 else f"{words[:100]} … {words[-40:]}"


if __name__ == "__main__":
    sys.exit(main())
