"""The write allow-list: read from `shared/write-allowlist.toml`, never wider than what is written here."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from andante.errors import InputError
from andante.shared_files import shared
from andante.writeback.hooks import CRITERIA

# The ceiling: a file can narrow it, never widen it. Statuses by type and method; Provenance has none.
_CEILING: Mapping[str, Mapping[str, frozenset[str]]] = MappingProxyType(
    {
        "Task": {"POST": frozenset({"requested"}), "PUT": frozenset({"requested", "cancelled"})},
        "CommunicationRequest": {
            "POST": frozenset({"active", "draft"}),
            "PUT": frozenset({"active", "draft", "revoked"}),
        },
        "Provenance": {"POST": frozenset()},
        "Subscription": {"POST": frozenset({"requested"}), "PUT": frozenset({"requested", "off"})},
    }
)
_CRITERIA = {"Subscription": frozenset(CRITERIA.values())}
_INTENT = {"Task": frozenset({"proposal"})}
# What a person's answer may make of a Task, and which elements it may touch; everything else stays as it stands.
_ANSWERS = {"Task": frozenset({"accepted", "rejected", "received", "completed"})}
_ANSWERED = {"Task": frozenset({"status", "statusReason", "lastModified", "note"})}
_KEYS = frozenset({"spec", "why", "POST", "PUT", "intent", "criteria", "elements", "answers", "answered"})
_NEVER = frozenset({"contained", "modifierExtension", "implicitRules", "basedOn", "output"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowed:
    """What one resource type may be written as. `statuses` by method; a method that is missing is never sent.

    `answers` are the statuses a person's own answer may give it, `answered` the only elements that answer may touch.
    """

    statuses: Mapping[str, frozenset[str]]
    intents: frozenset[str]
    elements: frozenset[str]
    criteria: frozenset[str] = frozenset()
    answers: frozenset[str] = frozenset()
    answered: frozenset[str] = frozenset()


def load_allowlist(path: Path | None = None, *, hooks: bool = False) -> Mapping[str, Allowed]:
    """By resource type; Subscription is among them with `hooks` only: where the settings name our own endpoint.

    Raises InputError for a file that is unreadable or wider than the ceiling.
    """
    path = path or shared("write-allowlist.toml")
    try:
        with path.open("rb") as file:
            blocks = tomllib.load(file)
    except (OSError, tomllib.TOMLDecodeError, UnicodeDecodeError):
        raise InputError("the write allow-list cannot be read as TOML") from None
    allowed = {name: _allowed(name, block) for name, block in blocks.items()}
    return MappingProxyType({name: one for name, one in allowed.items() if hooks or name != "Subscription"})


def _allowed(name: str, block: Any) -> Allowed:
    ceiling = _CEILING.get(name)
    if ceiling is None or not isinstance(block, dict):
        raise InputError(f"write allow-list: {name[:40]} may never be written")
    if unknown := block.keys() - _KEYS:
        raise InputError(f"write allow-list, {name}: unknown entry {sorted(unknown)[0][:40]}")
    statuses = {}
    for method in ("POST", "PUT"):
        if method in block:
            statuses[method] = _within(block[method], ceiling.get(method), f"{name}.{method}")
    elements = _names(block.get("elements"), f"{name}.elements")
    if forbidden := elements & _NEVER:
        raise InputError(f"write allow-list, {name}.elements: {sorted(forbidden)[0]} may never be sent")
    intents = _within(block.get("intent", []), _INTENT.get(name, frozenset()), f"{name}.intent")
    criteria = _within(block.get("criteria", []), _CRITERIA.get(name, frozenset()), f"{name}.criteria")
    return Allowed(
        statuses=MappingProxyType(statuses),
        intents=intents,
        elements=elements,
        criteria=criteria,
        answers=_within(block.get("answers", []), _ANSWERS.get(name, frozenset()), f"{name}.answers"),
        answered=_within(block.get("answered", []), _ANSWERED.get(name, frozenset()), f"{name}.answered"),
    )


def _within(value: Any, ceiling: frozenset[str] | None, where: str) -> frozenset[str]:
    names = _names(value, where)
    if ceiling is None or not names <= ceiling:
        raise InputError(f"write allow-list, {where}: wider than the service may ever write")
    return names


def _names(value: Any, where: str) -> frozenset[str]:
    if not isinstance(value, list) or not all(isinstance(name, str) for name in value):
        raise InputError(f"write allow-list, {where}: a list of names is expected")
    return frozenset(value)
