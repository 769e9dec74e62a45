"""What the strict type check notices: the same `mypy` that continuous integration runs, over mutated sources.

Many mutants at once, at most one a function: the function in which an error stands names the mutant it is about. Each
is planted into a copy of the sources; nothing of the checkout changes.
"""

import ast
import re
import shutil
import subprocess
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterator
from itertools import zip_longest
from pathlib import Path
from typing import Any

Mutant = dict[str, Any]
_ERROR = re.compile(r"^(?P<path>[^:\s]+\.py):(?P<line>\d+): error: (?P<words>.*)$")
_CHECKED = ("service/andante/rules", "service/andante/domain/quantities.py")


def noticed(root: Path, mutants: list[Mutant]) -> Iterator[tuple[Mutant, str]]:
    """(mutant, the first error) of each that does not pass the type check. Raises RuntimeError where the sources as
    they are do not.
    """
    with tempfile.TemporaryDirectory() as scratch:
        copy = Path(scratch)
        shutil.copytree(root / "service", copy / "service", ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(root / "pyproject.toml", copy)
        if errors := _errors(copy):
            raise RuntimeError(f"the sources do not pass the type check: {errors[0]}")
        for batch in _batches(mutants):
            yield from _try(root, copy, batch)


def _batches(mutants: list[Mutant]) -> Iterator[list[Mutant]]:
    """At most one of a function, or of a constant, in each."""
    places: dict[tuple[str, str], list[Mutant]] = defaultdict(list)
    for mutant in mutants:
        places[mutant["path"], mutant["scope"] or mutant["constant"]].append(mutant)
    for batch in zip_longest(*places.values()):
        yield [mutant for mutant in batch if mutant is not None]


def _try(root: Path, copy: Path, batch: list[Mutant]) -> Iterator[tuple[Mutant, str]]:
    by_path: dict[str, list[Mutant]] = defaultdict(list)
    for mutant in batch:
        by_path[mutant["path"]].append(mutant)
    try:
        for path, own in by_path.items():
            source = (root / path).read_bytes()
            for mutant in sorted(own, key=lambda m: -int(m["start"])):
                source = source[: mutant["start"]] + mutant["new"].encode() + source[mutant["end"] :]
            (copy / path).write_bytes(source)
        found = {
            path: {mutant["scope"] or mutant["constant"]: mutant for mutant in own} for path, own in by_path.items()
        }
        told: set[str] = set()
        for path, line, words in _errors(copy):
            mutant = found.get(path, {}).get(_place(copy / path, line))
            if mutant is not None and mutant["id"] not in told:
                told.add(mutant["id"])
                yield mutant, words
    finally:
        for path in by_path:
            shutil.copy(root / path, copy / path)


def _errors(copy: Path) -> list[tuple[str, int, str]]:
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--no-error-summary", "--cache-dir", copy / ".cache", *_CHECKED],
        cwd=copy,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode not in (0, 1):
        raise RuntimeError(f"the type check did not come to an end: {done.stdout}{done.stderr}")
    found = (_ERROR.match(line) for line in done.stdout.splitlines())
    return [(one["path"], int(one["line"]), one["words"]) for one in found if one]


def _place(file: Path, line: int) -> str:
    """The function, method or constant in which a line stands; empty outside."""
    for node in ast.parse(file.read_bytes()).body:
        first = min((d.lineno for d in getattr(node, "decorator_list", ())), default=node.lineno)
        if not first <= line <= (node.end_lineno or node.lineno):
            continue
        if isinstance(node, ast.FunctionDef):
            return node.name
        if isinstance(node, ast.ClassDef):
            inside = [n for n in node.body if isinstance(n, ast.FunctionDef)]
            return next((f"{node.name}.{n.name}" for n in inside if n.lineno <= line <= (n.end_lineno or 0)), "")
        targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
        return next((t.id for t in targets if isinstance(t, ast.Name)), "")
    return ""
