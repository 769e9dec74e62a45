"""The published CodeSystems and the code agree; every code has words; every rule that decides is published."""

import ast
import json
from enum import StrEnum
from pathlib import Path
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class

import andante.rules
from andante.shared_files import shared
from andante.writeback.codes import DISPLAY, ENUMS
from andante.writeback.site import DEFAULT_BASE

FILES = sorted(shared("fhir").glob("*.json"))


def published(name: str) -> dict[str, Any]:
    body: dict[str, Any] = json.loads(shared("fhir", f"CodeSystem-{name}.json").read_text())
    return body


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_published_resource_is_valid_and_named_after_itself(path: Path) -> None:
    body = json.loads(path.read_text())
    get_fhir_model_class(body["resourceType"]).model_validate(body)
    if body["resourceType"] in ("CodeSystem", "ValueSet", "StructureDefinition"):
        assert path.stem == f"{body['resourceType']}-{body['id']}"
        assert body["url"] == f"{DEFAULT_BASE}/{body['resourceType']}/{body['id']}"


@pytest.mark.parametrize(("name", "enum"), ENUMS.items(), ids=list(ENUMS))
def test_a_closed_code_system_holds_exactly_our_codes(name: str, enum: type[StrEnum]) -> None:
    system = published(name)
    assert {c["code"]: c["display"] for c in system["concept"]} == {m.value: DISPLAY[m] for m in enum}
    assert system["content"] == "complete"
    assert system["count"] == len(system["concept"])


def test_every_code_has_words_of_its_own() -> None:
    assert len(DISPLAY) == sum(len(enum) for enum in ENUMS.values())
    assert all(DISPLAY.values())


def test_every_rule_that_can_decide_is_published() -> None:
    ids = rules_that_decide()
    assert len(ids) >= 12  # the scan finds what it looks for
    assert ids == {concept["code"] for concept in published("rule")["concept"]}
    assert published("rule")["count"] == len(ids)


def rules_that_decide() -> set[str]:
    """The ids given as `rule` to a Decision, directly or through a variable of that name."""
    found: set[str] = set()
    for path in Path(andante.rules.__path__[0]).glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Decision":
                found |= {text for k in node.keywords if k.arg == "rule" for text in texts(k.value)}
            if isinstance(node, ast.Assign):
                found |= assigned(node.targets[0], node.value)
    return found


def assigned(target: ast.expr, value: ast.expr) -> set[str]:
    if isinstance(target, ast.Name) and target.id == "rule":
        return texts(value)
    if isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
        return {text for t, v in zip(target.elts, value.elts, strict=True) for text in assigned(t, v)}
    return set()


def texts(value: ast.expr) -> set[str]:
    if isinstance(value, ast.IfExp | ast.BoolOp):
        parts = [value.body, value.orelse] if isinstance(value, ast.IfExp) else value.values
        return {text for part in parts for text in texts(part)}
    return {value.value} if isinstance(value, ast.Constant) and isinstance(value.value, str) else set()


def test_chart_codes_are_the_ones_the_reader_accepts() -> None:
    codes = {concept["code"] for concept in published("chart")["concept"]}
    accepted = set()
    for line in shared("codes.toml").read_text().splitlines():
        if 'system = "chart"' in line:
            accepted.add(line.split('code = "')[1].split('"')[0])
    assert codes == accepted
