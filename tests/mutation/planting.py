"""Plant one mutant into this process: nothing on disk changes.

A mutant inside a function is planted by exchanging the function's code object, so that everyone who imported the
function runs the mutant; one in a constant by working it out anew and giving it to everyone who holds the old one.
What else runs at import, such as a class with its fields, is planted before the import.
"""

import ast
import functools
import sys
from importlib.machinery import SourceFileLoader
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any


class CannotImport(Exception):
    """The mutant breaks the import: nothing runs at all."""


def mutated_source(root: Path, mutant: dict[str, Any]) -> bytes:
    source = (root / mutant["path"]).read_bytes()
    if source[mutant["start"] : mutant["end"]].decode() != mutant["old"]:
        raise RuntimeError(f"{mutant['path']} has changed since its mutants were made")
    return source[: mutant["start"]] + mutant["new"].encode() + source[mutant["end"] :]


def plant(root: Path, mutant: dict[str, Any]) -> None:
    """Into a module that is already imported."""
    path = str(root / mutant["path"])
    if mutant["constant"]:
        _plant_constant(_module(path), mutated_source(root, mutant), mutant["constant"])
        return
    code = compile(mutated_source(root, mutant), path, "exec", dont_inherit=True)
    function = _live(_module(path), mutant["scope"])
    function.__code__ = _inner(code, mutant["scope"])


def plant_before_import(root: Path, mutant: dict[str, Any]) -> None:
    """For whoever imports the module next."""
    path = str(root / mutant["path"])
    source = mutated_source(root, mutant)
    original = SourceFileLoader.get_code

    def get_code(self: SourceFileLoader, fullname: str) -> CodeType | None:
        if self.path == path:
            return compile(source, path, "exec", dont_inherit=True)
        return original(self, fullname)

    SourceFileLoader.get_code = get_code  # type: ignore[method-assign]


def _plant_constant(module: Any, source: bytes, name: str) -> None:
    old = getattr(module, name)
    for statement in ast.parse(source).body:
        targets = statement.targets if isinstance(statement, ast.Assign) else [getattr(statement, "target", None)]
        if any(isinstance(t, ast.Name) and t.id == name for t in targets):
            try:
                exec(compile(ast.Module([statement], []), module.__file__, "exec"), module.__dict__)
            except Exception as e:
                raise CannotImport(str(e)) from e
    for other in list(sys.modules.values()):
        if getattr(other, "__dict__", {}).get(name) is old:
            setattr(other, name, getattr(module, name))


def _module(path: str) -> Any:
    for module in list(sys.modules.values()):
        if getattr(module, "__file__", None) == path:
            return module
    raise RuntimeError(f"{path} is not imported by any test")


def _live(module: Any, scope: str) -> FunctionType:
    found: Any = module
    for name in scope.split("."):
        found = found.__dict__[name]
        if isinstance(found, property):
            found = found.fget
        elif isinstance(found, classmethod | staticmethod):
            found = found.__func__
        elif isinstance(found, functools.cached_property):
            found = found.func
        while hasattr(found, "__wrapped__"):  # functools.cache and the like
            found = found.__wrapped__
    assert isinstance(found, FunctionType), scope
    return found


def _inner(code: CodeType, scope: str) -> CodeType:
    for name in scope.split("."):
        code = next(c for c in code.co_consts if isinstance(c, CodeType) and c.co_name == name)
    return code
