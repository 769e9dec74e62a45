"""`shared/protocols/*.yaml` → `andante.domain.protocol.Protocol`, strictly; a bad file stops the start."""

import dataclasses
import hashlib
import json
import re
from decimal import Decimal
from pathlib import Path

from andante.domain.protocol import Number, Protocol, Switch
from andante.errors import InputError, ProtocolError
from andante.protocol_files import build, strict_yaml
from andante.protocol_files.contradictions import entries, refuse_contradictions
from andante.protocol_files.overlay import differences
from andante.protocol_files.risk_table import risk_table
from andante.protocol_files.strict_yaml import Tree, Value
from andante.shared_files import shared

__all__ = ["known", "load", "resolve"]

_ID = re.compile(r"[a-z0-9]([a-z0-9.-]{0,62}[a-z0-9])?")
_HEADER = ("id", "version", "title", "effective", "signature")
_SECTIONS = tuple(
    field.name for field in dataclasses.fields(Protocol) if field.name not in (*_HEADER, "hash", "overlay")
)
_OVERLAY_HEADER = ("protocol", "signature")


def known() -> tuple[str, ...]:
    """The ids of the protocols that come with the package."""
    return tuple(sorted(path.stem for path in shared("protocols").glob("*.yaml")))


def load(id_or_path: str, overlay: Path | None = None) -> Protocol:
    """The protocol with this id, or in this file, with a site's overlay on top.

    Raises InputError when there is no such protocol or the file is not YAML, and ProtocolError with the
    dotted path of the first wrong entry.
    """
    tree = _published(_find(id_or_path), seen=())
    published = _build(tree)
    if overlay is None:
        return published
    changes = strict_yaml.read(overlay)
    _check_overlay_header(changes, published, overlay)
    body = {name: value for name, value in changes.items() if name != "protocol"}
    local = _build(_merged(tree, body))
    return dataclasses.replace(local, overlay=differences(published, local))


def resolve(protocol: Protocol) -> dict[str, Number | Switch]:
    """Every entry of a protocol by its dotted path."""
    return {entry.path: entry for entry in entries(protocol)}


def _find(id_or_path: str) -> Path:
    if id_or_path.endswith((".yaml", ".yml")) or "/" in id_or_path:
        return Path(id_or_path)
    if not _ID.fullmatch(id_or_path) or id_or_path not in known():
        raise InputError(f"there is no protocol {id_or_path[:60]!r}; known: {', '.join(known())}")
    return shared("protocols", f"{id_or_path}.yaml")


def _published(path: Path, *, seen: tuple[str, ...]) -> Tree:
    """The file's tree, on top of the one it is based on."""
    tree = strict_yaml.read(path)
    for name in tree:
        if name not in (*_HEADER, *_SECTIONS, "based_on"):
            raise ProtocolError(name, f"is not an entry of a protocol ({path.name})")
    for name in _HEADER:
        if name not in tree:
            raise ProtocolError(name, f"is missing ({path.name})")
        build.text(tree[name], name)
    name = build.text(tree["id"], "id")
    if not _ID.fullmatch(name):
        raise ProtocolError("id", "must be lower-case letters, digits, dots and hyphens")
    if "based_on" not in tree:
        return tree
    base = build.text(tree.pop("based_on"), "based_on")
    if not _ID.fullmatch(base):
        raise ProtocolError("based_on", "must be the id of a protocol")
    if base in (*seen, name):
        raise ProtocolError("based_on", f"{base} is based on itself")
    beside = path.parent / f"{base}.yaml"
    parent = _published(beside if beside.is_file() else _find(base), seen=(*seen, name))
    return _merged(parent, tree)


def _merged(base: Tree, changes: Tree) -> Tree:
    """`changes` on top of `base`; an entry (whatever has a value) and a list are replaced as a whole."""
    merged: Tree = dict(base)
    for name, new in changes.items():
        old = base.get(name)
        both = isinstance(old, dict) and isinstance(new, dict) and "value" not in old
        merged[name] = _merged(old, new) if both else new  # type: ignore[arg-type]
    return merged


def _check_overlay_header(changes: Tree, published: Protocol, path: Path) -> None:
    for name in changes:
        if name not in (*_OVERLAY_HEADER, *_SECTIONS):
            raise ProtocolError(name, f"is not an entry an overlay can change ({path.name})")
    if "protocol" in changes and changes["protocol"] != published.id:
        raise ProtocolError("protocol", f"the overlay {path.name} was not written for {published.id}")


def _build(tree: Tree) -> Protocol:
    hints = build.hints(Protocol)
    body: Tree = {name: value for name, value in tree.items() if name not in _HEADER}
    build.mapping(body, "", required=_SECTIONS)
    header = {name: build.text(tree[name], name) for name in _HEADER}
    sections = {name: _section(hints[name], body[name], name) for name in _SECTIONS}
    protocol = Protocol(**header, **sections, hash="", overlay=())  # type: ignore[arg-type]
    refuse_contradictions(protocol)
    return dataclasses.replace(protocol, hash=_hash(protocol))


def _section(schema: type, value: Value, name: str) -> object:
    return risk_table(value, name) if name == "risk" else build.section(schema, value, name)


def _hash(protocol: Protocol) -> str:
    """SHA-256 over the resolved content: the same numbers and sources give the same hash however laid out."""
    content = dataclasses.asdict(protocol)
    del content["hash"], content["overlay"]

    def plain(value: object) -> str:
        if isinstance(value, Decimal):
            return f"{value.normalize():f}"
        raise TypeError(type(value).__name__)

    text = json.dumps(content, default=plain, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()
