"""SMART scopes: what the service needs of a server, said in version 2 or 1, and what of it a token holds.

https://hl7.org/fhir/smart-app-launch/scopes-and-launch-context.html
"""

from collections.abc import Iterable, Iterator, Mapping
from enum import Enum
from typing import Final

Needs = Mapping[str, str]
"""Resource type to the letters needed of it, out of `cruds`: create, read, update, delete, search."""

_LETTERS: Final = "cruds"
_VERSION_1: Final = {"read": "rs", "write": "cud", "*": _LETTERS}
_HALVES: Final = ("read", "write")
_CONTEXT: Final = "system/"
_READING: Final = frozenset("rs")


class ScopeVersion(Enum):
    """How a server wants scopes to be written."""

    V1 = 1
    V2 = 2


def needs_of(*, read: Iterable[str], create: Iterable[str] = (), update: Iterable[str] = ()) -> Needs:
    """What is needed of each type; reading always means by id and by search."""
    lists = (("c", frozenset(create)), ("r", frozenset(read)), ("u", frozenset(update)), ("s", frozenset(read)))
    names = frozenset().union(*(types for _, types in lists))
    return {name: "".join(letter for letter, types in lists if name in types) for name in sorted(names)}


def scope_text(needs: Needs, version: ScopeVersion) -> str:
    """The scopes to ask for. Version 1 knows only reading and writing, so it cannot leave deletion out."""
    if version is ScopeVersion.V2:
        return " ".join(f"{_CONTEXT}{name}.{letters}" for name, letters in needs.items())
    halves = ((name, half) for name, letters in needs.items() for half in _HALVES if _has(letters, half))
    return " ".join(f"{_CONTEXT}{name}.{half}" for name, half in halves)


def lacking(needs: Needs, scope: str) -> Needs:
    """What is needed and was not granted.

    A scope narrowed by a query (`?category=…`) counts as not granted: the server would then answer a search with a
    part, and nothing in the answer would say so.
    """
    granted: dict[str, str] = {}
    for name, permission, narrowed in _parts(scope):
        if not narrowed:
            granted[name] = granted.get(name, "") + _letters(permission)
    missing = {name: _without(letters, granted.get(name, "") + granted.get("*", "")) for name, letters in needs.items()}
    return {name: letters for name, letters in missing.items() if letters}


def beyond(needs: Needs, scope: str) -> Needs:
    """What was granted and is not needed, `*` for all types.

    A half of version 1 of which anything is needed is not counted: it cannot be granted narrower.
    """
    wider: dict[str, str] = {}
    for name, permission, _ in _parts(scope):
        needed = needs.get(name, "")
        if permission in _HALVES and _has(needed, permission):
            continue
        wider[name] = wider.get(name, "") + _without(_letters(permission), needed + wider.get(name, ""))
    return {name: letters for name, letters in sorted(wider.items()) if letters}


def may_read(missing: Needs, resource_type: str) -> bool:
    return not _READING & set(missing.get(resource_type, ""))


def is_version_1(scope: str) -> bool:
    """Whether one scope is written as in version 1; `system/*.*` may be either."""
    return any(permission in _HALVES for _, permission, _ in _parts(scope))


def is_version_2(scope: str) -> bool:
    return any(permission not in _VERSION_1 for _, permission, _ in _parts(scope))


def _parts(text: str) -> Iterator[tuple[str, str, bool]]:
    """Type, permission, and whether a query narrows it, of each scope that lets a system do something."""
    for scope in text.split():
        plain, query, _ = scope.partition("?")
        context, _, rest = plain.partition("/")
        name, _, permission = rest.rpartition(".")
        if context == "system" and name and _letters(permission):
            yield name, permission, bool(query)


def _letters(permission: str) -> str:
    letters = _VERSION_1.get(permission, permission)
    return letters if set(letters) <= set(_LETTERS) else ""


def _without(letters: str, taken: str) -> str:
    return "".join(letter for letter in letters if letter not in taken)


def _has(letters: str, half: str) -> bool:
    return bool(set(letters) & set(_VERSION_1[half]))
