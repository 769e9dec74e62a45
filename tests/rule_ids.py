"""Every rule id that the rules can write, read from their source: a list kept by hand would go stale."""

import ast
import re
from functools import cache
from pathlib import Path

import andante.rules

FOLDER = Path(andante.rules.__file__).parent


@cache
def patterns() -> dict[str, re.Pattern[str]]:
    """Rule id → what it matches. `fall.{…}` stands for one id per analyte, and so on."""
    found: dict[str, re.Pattern[str]] = {}
    for path in sorted(FOLDER.glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            for value in _written(node):
                for name, pattern in _ids(value):
                    found[name] = re.compile(pattern)
    return found


def is_known(rule: str) -> bool:
    return any(pattern.fullmatch(rule) for pattern in patterns().values())


def _written(node: ast.AST) -> list[ast.expr]:
    """The expressions given as a rule id: `rule=…` in a call, or assigned to `rule`."""
    if isinstance(node, ast.Call):
        return [k.value for k in node.keywords if k.arg == "rule"]
    if isinstance(node, ast.Assign):
        targets = [t for t in node.targets if isinstance(t, ast.Name) and t.id == "rule"]
        if targets:
            return [node.value]
        names = [t for t in node.targets if isinstance(t, ast.Tuple)]
        for target in names:
            for place, element in enumerate(target.elts):
                is_rule = isinstance(element, ast.Name) and element.id == "rule"
                if is_rule and isinstance(node.value, ast.Tuple):
                    return [node.value.elts[place]]
    return []


def _ids(value: ast.expr) -> list[tuple[str, str]]:
    if isinstance(value, ast.Constant) and isinstance(value.value, str):
        return [(value.value, re.escape(value.value))]
    if isinstance(value, ast.IfExp):
        return [*_ids(value.body), *_ids(value.orelse)]
    if isinstance(value, ast.JoinedStr):
        parts = [
            (p.value, re.escape(str(p.value))) if isinstance(p, ast.Constant) else ("*", ".+") for p in value.values
        ]
        return [("".join(str(p[0]) for p in parts), "".join(p[1] for p in parts))]
    return []
