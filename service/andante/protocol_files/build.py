"""A tree of entries → the nested dataclasses of `andante.domain.protocol`.

Strictly: nothing unknown, nothing missing.
The dataclass fields are the schema: their metadata states the unit or the choices of each entry.
"""

import dataclasses
import types
from collections.abc import Iterable
from decimal import Decimal
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

from andante.domain.picture import FindingKind
from andante.domain.protocol import (
    Comparison,
    Count,
    Criterion,
    CriterionKind,
    CriterionTest,
    Number,
    RiskTable,
    Switch,
)
from andante.domain.quantities import Analyte, UnknownUnit, mmol_per_l
from andante.errors import ProtocolError
from andante.protocol_files.strict_yaml import Tree, Value

TAGS = ("S", "M", "M?", "D", "practice", "site")
_LEVELS = ("moderate", "severe")
_SEVERITIES = ("", "mild", "moderate", "severe")
_CRITERION_UNITS = {
    CriterionKind.BMI: "kg/m2",
    CriterionKind.WEIGHT_LOSS: "%",
    CriterionKind.INTAKE_DAYS: "d",
    CriterionKind.LOW_ELECTROLYTE: "%",
}
_MOLAR = "mmol/L"

T = TypeVar("T")


def hints(schema: type) -> dict[str, Any]:
    """The field types of a dataclass, resolved."""
    return get_type_hints(schema)


def section(schema: type[T], value: Value, path: str, analyte: Analyte | None = None) -> T:
    """Build one dataclass of the protocol. Raises ProtocolError with the path of the first wrong entry."""
    fields = {field.name: field for field in dataclasses.fields(schema)}  # type: ignore[arg-type]
    tree = mapping(value, path, required=fields)
    built: dict[str, Any] = {}
    for name, field in fields.items():
        below = f"{path}.{name}" if path else name
        kind, optional = _unwrap(hints(schema)[name])
        entry = tree[name]
        if entry is None and optional:
            built[name] = None
        elif kind is Number:
            built[name] = _number(entry, below, field.metadata["unit"], analyte)
        elif kind is Switch:
            built[name] = _switch(entry, below, field.metadata["choices"])
        else:
            inner = Analyte(name) if name in set(Analyte) else analyte
            built[name] = section(kind, entry, below, inner)
    return schema(**built)


def _unwrap(hint: Any) -> tuple[type, bool]:
    """The type of a field, and whether it may be empty."""
    if get_origin(hint) in (types.UnionType, Union):
        kinds = [kind for kind in get_args(hint) if kind is not types.NoneType]
        return kinds[0], True
    return hint, False


# --------------------------------------------------------------------------- shapes


def mapping(value: Value, path: str, *, required: Iterable[str], optional: Iterable[str] = ()) -> Tree:
    """The value as a section with these entries and no others."""
    if not isinstance(value, dict):
        raise ProtocolError(path, "must be a section of named entries")
    required = tuple(required)
    known = {*required, *optional}
    for name in value:
        if name not in known:
            raise ProtocolError(f"{path}.{name}" if path else name, "is not an entry of a protocol")
    for name in required:
        if name not in value:
            raise ProtocolError(f"{path}.{name}" if path else name, "is missing")
    return value


def text(value: Value, path: str, *, may_be_empty: bool = False) -> str:
    """The value as text."""
    if not isinstance(value, str):
        raise ProtocolError(path, "must be text")
    if not value.strip() and not may_be_empty:
        raise ProtocolError(path, "must not be empty")
    return value


def _decimal(value: Value, path: str) -> Decimal:
    if not isinstance(value, Decimal):
        raise ProtocolError(path, "must be a plain decimal number")
    return value


def _one_of(value: Value, path: str, choices: Iterable[str]) -> str:
    choices = tuple(choices)
    if not isinstance(value, str) or value not in choices:
        named = ", ".join(choice or '""' for choice in choices)
        raise ProtocolError(path, f"must be one of: {named}")
    return value


def _items(value: Value, path: str) -> list[Value]:
    if not isinstance(value, list):
        raise ProtocolError(path, "must be a list")
    if not value:
        raise ProtocolError(path, "must not be empty")
    return value


# --------------------------------------------------------------------------- entries


def _number(value: Value, path: str, unit: str, analyte: Analyte | None = None) -> Number:
    tree = mapping(value, path, required=("value", "unit", "source", "tag"), optional=("note",))
    amount, stored_unit, note = _amount(tree, path, unit, analyte)
    written = text(tree["note"], f"{path}.note") if "note" in tree else ""
    return Number(
        path=path,
        value=amount,
        unit=stored_unit,
        source=text(tree["source"], f"{path}.source"),
        tag=_one_of(tree["tag"], f"{path}.tag", TAGS),
        note="; ".join(part for part in (note, written) if part),
    )


def _amount(tree: Tree, path: str, unit: str, analyte: Analyte | None) -> tuple[Decimal, str, str]:
    """The value in the field's unit, that unit, and a note when the source prints another one."""
    amount = _decimal(tree["value"], f"{path}.value")
    printed = text(tree["unit"], f"{path}.unit")
    if amount < 0:
        raise ProtocolError(f"{path}.value", "must not be negative")
    if printed == unit:
        return amount, unit, ""
    if analyte is None or unit != _MOLAR:
        raise ProtocolError(f"{path}.unit", f"must be {unit}")
    try:
        return mmol_per_l(analyte, amount, printed), unit, f"printed as {amount} {printed}"
    except UnknownUnit as error:
        raise ProtocolError(f"{path}.unit", f"must be {unit}, or another unit of {analyte}") from error


def _switch(value: Value, path: str, choices: tuple[str, ...]) -> Switch:
    tree = mapping(value, path, required=("value", "source", "tag"), optional=("note",))
    return Switch(
        path=path,
        value=_one_of(tree["value"], f"{path}.value", choices),
        source=text(tree["source"], f"{path}.source"),
        tag=_one_of(tree["tag"], f"{path}.tag", TAGS),
        note=text(tree["note"], f"{path}.note") if "note" in tree else "",
    )


# --------------------------------------------------------------------------- risk table


def risk_table(value: Value, path: str) -> RiskTable:
    """The risk criteria and how they are counted."""
    tree = mapping(value, path, required=("criteria", "counting", "needed_to_rule_out"))
    criteria_path, counting_path = f"{path}.criteria", f"{path}.counting"
    needed_path = f"{path}.needed_to_rule_out"
    criteria: dict[str, Criterion] = {}
    for index, item in enumerate(_items(tree["criteria"], criteria_path)):
        criterion = _criterion(item, f"{criteria_path}[{index}]", criteria_path)
        if criterion.id in criteria:
            raise ProtocolError(f"{criteria_path}.{criterion.id}", "named twice")
        criteria[criterion.id] = criterion
    levels = {test.level for criterion in criteria.values() for test in criterion.tests}
    counting = tuple(
        _count(item, f"{counting_path}[{index}]", levels)
        for index, item in enumerate(_items(tree["counting"], counting_path))
    )
    needed: list[str] = []
    for index, item in enumerate(_items(tree["needed_to_rule_out"], needed_path)):
        name = text(item, f"{needed_path}[{index}]")
        if name not in criteria:
            raise ProtocolError(f"{needed_path}[{index}]", f"there is no criterion {name!r}")
        if name in needed:
            raise ProtocolError(f"{needed_path}[{index}]", f"{name!r} is named twice")
        needed.append(name)
    return RiskTable(criteria=tuple(criteria.values()), counting=counting, needed_to_rule_out=tuple(needed))


def _count(value: Value, path: str, levels: set[str]) -> Count:
    tree = mapping(value, path, required=("tier", "level", "at_least"))
    level = _one_of(tree["level"], f"{path}.level", _LEVELS)
    if level not in levels:
        raise ProtocolError(f"{path}.level", f"no criterion has the level {level}")
    at_least = _decimal(tree["at_least"], f"{path}.at_least")
    if at_least < 1 or at_least != at_least.to_integral_value():
        raise ProtocolError(f"{path}.at_least", "must be a whole number from 1")
    return Count(
        tier=_one_of(tree["tier"], f"{path}.tier", _LEVELS),
        level=level,
        at_least=int(at_least),
    )


def _criterion(value: Value, path: str, parent: str) -> Criterion:
    tree = mapping(value, path, required=("id", "kind", "text", "source", "tag", "would_settle", "tests"))
    name = text(tree["id"], f"{path}.id")
    path = f"{parent}.{name}"
    kind = CriterionKind(_one_of(tree["kind"], f"{path}.kind", [kind.value for kind in CriterionKind]))
    source = text(tree["source"], f"{path}.source")
    tag = _one_of(tree["tag"], f"{path}.tag", TAGS)
    return Criterion(
        id=name,
        kind=kind,
        text=text(tree["text"], f"{path}.text"),
        source=source,
        tag=tag,
        would_settle=text(tree["would_settle"], f"{path}.would_settle"),
        tests=tuple(
            _test(item, f"{path}.tests[{index}]", kind, source, tag)
            for index, item in enumerate(_items(tree["tests"], f"{path}.tests"))
        ),
    )


def _test(value: Value, path: str, kind: CriterionKind, source: str, tag: str) -> CriterionTest:
    """A test's numbers take source and tag from their criterion."""
    required, optional = ["level"], []
    match kind:
        case CriterionKind.FINDING:
            required += ["findings", "severities"]
        case CriterionKind.LOW_ELECTROLYTE:
            optional += ["comparison", "limit"]
        case CriterionKind.WEIGHT_LOSS:
            required += ["comparison", "limit", "window"]
        case CriterionKind.BMI | CriterionKind.INTAKE_DAYS:
            required += ["comparison", "limit"]
    tree = mapping(value, path, required=required, optional=optional)
    if ("limit" in tree) != ("comparison" in tree):
        raise ProtocolError(path, "a limit and its comparison belong together")

    def limit(name: str, unit: str) -> Number | None:
        if name not in tree:
            return None
        below = f"{path}.{name}"
        entry = mapping(tree[name], below, required=("value", "unit"))
        return _number({**entry, "source": source, "tag": tag}, below, unit)

    findings, severities = [], []
    if kind is CriterionKind.FINDING:
        kinds = [finding.value for finding in FindingKind]
        findings = [
            _one_of(item, f"{path}.findings[{index}]", kinds)
            for index, item in enumerate(_items(tree["findings"], f"{path}.findings"))
        ]
        severities = [
            _one_of(item, f"{path}.severities[{index}]", _SEVERITIES)
            for index, item in enumerate(_items(tree["severities"], f"{path}.severities"))
        ]
    return CriterionTest(
        level=_one_of(tree["level"], f"{path}.level", _LEVELS),
        comparison=(
            Comparison(_one_of(tree["comparison"], f"{path}.comparison", [item.value for item in Comparison]))
            if "comparison" in tree
            else None
        ),
        limit=limit("limit", _CRITERION_UNITS.get(kind, "")),
        window=limit("window", "d"),
        findings=tuple(findings),
        severities=tuple(severities),
    )
