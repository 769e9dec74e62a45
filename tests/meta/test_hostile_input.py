"""The document on hostile input stays true: its limits are those of the code, and the tests it names are there."""

import ast
import importlib
import re
from collections.abc import Iterator
from datetime import timedelta
from functools import reduce
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
DOCUMENT = (ROOT / "shared" / "docs" / "hostile-input.md").read_text(encoding="utf-8")
NAMED = sorted(set(re.findall(r"`(tests/[a-z_/]+\.py)::(\w+)`", DOCUMENT)))
LIMITS = re.findall(
    r"^\| [^|]+ \| ([\d,.]+) (\w+)[^|]* \| `([a-z_.]+)\.((?:[A-Z]\w+\.)?_?\w+)` \|$", DOCUMENT, re.MULTILINE
)
UNITS = {"bytes": 1, "KiB": 1024, "MiB": 1024**2, "GiB": 1024**3, "s": 1, "min": 60, "h": 3600}


def named_in(file: str) -> Iterator[str]:
    for node in ast.parse((ROOT / file).read_text(encoding="utf-8")).body:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.name.startswith("test_"):
            yield node.name


@pytest.mark.parametrize(("file", "name"), NAMED)
def test_every_test_that_is_named_exists(file: str, name: str) -> None:
    assert name in set(named_in(file))


def test_every_attack_names_a_test() -> None:
    rows = [row for row in DOCUMENT.splitlines() if row.startswith("| ") and "`tests/" in row]
    assert len(rows) > 40
    assert len(NAMED) >= len(rows)


@pytest.mark.parametrize("file", sorted(path.name for path in (ROOT / "tests/integration").glob("test_hostile_*.py")))
def test_every_file_of_hostile_tests_is_told_of(file: str) -> None:
    assert f"tests/integration/{file}::" in DOCUMENT


@pytest.mark.parametrize(("value", "unit", "module", "name"), LIMITS, ids=[f"{row[2]}.{row[3]}" for row in LIMITS])
def test_every_limit_is_the_one_in_force(value: str, unit: str, module: str, name: str) -> None:
    stated = float(value.replace(",", "")) * UNITS.get(unit, 1)
    assert in_force(module, name) == stated


def in_force(module: str, name: str) -> Any:
    found = importlib.import_module(f"andante.{module}")
    given = reduce(_member, name.split("."), found)
    return given.total_seconds() if isinstance(given, timedelta) else given


def _member(whole: Any, name: str) -> Any:
    """An attribute, or the default of a field."""
    fields = getattr(whole, "__dataclass_fields__", {})
    return fields[name].default if name in fields else getattr(whole, name)


def test_every_limit_of_the_document_is_understood() -> None:
    table = DOCUMENT.split("## Limits")[1].split("\n## ")[0]
    rows = [row for row in table.splitlines() if row.startswith("| ") and "| ---" not in row][1:]
    assert len(LIMITS) == len(rows) > 35
