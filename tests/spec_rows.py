"""The charts of the specification's tables, collected by running the tables with `evaluate` listened to."""

import importlib.util
import inspect
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pictures
from andante.domain.advice import Assessment

SPEC = Path(__file__).parent / "spec"


def assess_all() -> Iterator[Assessment]:
    """Call every table test of the specification with each of its rows and yield what was assessed."""
    heard: list[Assessment] = []
    original = pictures.evaluate

    def listening(*args, **kwargs):  # type: ignore[no-untyped-def]
        said = original(*args, **kwargs)
        heard.append(said)
        return said

    pictures.evaluate = listening
    try:
        for path in sorted(SPEC.glob("test_*.py")):
            module = _load(path)
            for name, test in vars(module).items():
                if name.startswith("test_"):
                    _run(test)
                    yield from heard
                    heard.clear()
    finally:
        pictures.evaluate = original


def _load(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"spec_rows_{path.stem}", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def _run(test) -> None:  # type: ignore[no-untyped-def]
    if "monkeypatch" in inspect.signature(test).parameters:
        return  # it breaks something first: what it hears is no row
    marks = [m for m in getattr(test, "pytestmark", []) if m.name == "parametrize"]
    if not marks:
        test()
    elif len(marks) == 1:
        names, rows = marks[0].args
        one = isinstance(names, str) and "," not in names
        for row in rows:
            values = row.values if hasattr(row, "values") else (row,) if one else row
            test(*values)
