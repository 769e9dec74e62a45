"""A tree of entries → the nested dataclasses of `andante.domain.protocol`.

Strictly: nothing unknown, nothing missing.
The dataclass fields are the schema: their metadata states the unit or the choices of each entry.
"""

import dataclasses
import types
from collections.abc import Iterable
from decimal import Decimal
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

from andante.domain.protocol import Number, Switch
from andante.domain.quantities import Analyte, UnknownUnit, mmol_per_l
from andante.errors import ProtocolError
from andante.protocol_files.strict_yaml import Tree, Value

TAGS = ("S", "M", "M?", "D", "practice", "site")
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
            built[name] = number(entry, below, field.metadata["unit"], analyte)
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


def decimal(value: Value, path: str) -> Decimal:
    """The value as a number written in plain decimals."""
    if not isinstance(value, Decimal):
        raise ProtocolError(path, "must be a plain decimal number")
    return value


def one_of(value: Value, path: str, choices: Iterable[str]) -> str:
    """The value as one of the choices."""
    choices = tuple(choices)
    if not isinstance(value, str) or value not in choices:
        named = ", ".join(choice or '""' for choice in choices)
        raise ProtocolError(path, f"must be one of: {named}")
    return value


def items(value: Value, path: str) -> list[Value]:
    """The value as a list that is not empty."""
    if not isinstance(value, list):
        raise ProtocolError(path, "must be a list")
    if not value:
        raise ProtocolError(path, "must not be empty")
    return value


# --------------------------------------------------------------------------- entries


def number(value: Value, path: str, unit: str, analyte: Analyte | None = None) -> Number:
    """One clinical number, in the unit of its field."""
    tree = mapping(value, path, required=("value", "unit", "source", "tag"), optional=("note",))
    amount, stored_unit, note = _amount(tree, path, unit, analyte)
    written = text(tree["note"], f"{path}.note") if "note" in tree else ""
    return Number(
        path=path,
        value=amount,
        unit=stored_unit,
        source=text(tree["source"], f"{path}.source"),
        tag=one_of(tree["tag"], f"{path}.tag", TAGS),
        note="; ".join(part for part in (note, written) if part),
    )


def _amount(tree: Tree, path: str, unit: str, analyte: Analyte | None) -> tuple[Decimal, str, str]:
    """The value in the field's unit, that unit, and a note when the source prints another one."""
    amount = decimal(tree["value"], f"{path}.value")
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
        value=one_of(tree["value"], f"{path}.value", choices),
        source=text(tree["source"], f"{path}.source"),
        tag=one_of(tree["tag"], f"{path}.tag", TAGS),
        note=text(tree["note"], f"{path}.note") if "note" in tree else "",
    )
