"""Search: a query string read against the parameter table, and run over the newest versions.

https://hl7.org/fhir/R4/search.html
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from andante.sandbox.criteria import Criterion, read_criterion, values_of
from andante.sandbox.dates import EARLIEST, Span
from andante.sandbox.faults import fault
from andante.sandbox.parameters import COMMON, TYPES, Parameter
from andante.sandbox.store import Store, Version

Pairs = Sequence[tuple[str, str]]

_JSON_FORMATS = {"json", "application/json", "application/fhir+json"}


@dataclass(frozen=True)
class Query:
    """A search as the server understood it; `ignored` names what it did not."""

    kind: str
    criteria: tuple[Criterion, ...]
    sort: tuple[tuple[str, Parameter, bool], ...]
    count: int | None
    only_count: bool
    applied: tuple[tuple[str, str], ...]
    ignored: tuple[str, ...]


def parse_query(kind: str, pairs: Pairs, *, base: str) -> Query:
    """Read a query string. Raises a 400 Fault for an unreadable value or an unsupported modifier."""
    table = COMMON | TYPES[kind]
    criteria: list[Criterion] = []
    sort: list[tuple[str, Parameter, bool]] = []
    applied: list[tuple[str, str]] = []
    ignored: list[str] = []
    count: int | None = None
    only_count = False
    for key, text in pairs:
        name, _, modifier = key.partition(":")
        match name:
            case _ if not text:
                ignored.append(f"{key} (it has no value)")  # R4: an empty parameter is no condition
                continue
            case "_sort":
                unknown = [part for part in text.split(",") if part.lstrip("-") not in table]
                if unknown:
                    ignored.append(f"_sort={','.join(unknown)}")
                    continue
                sort += [(part.lstrip("-"), table[part.lstrip("-")], part[0] == "-") for part in text.split(",")]
            case "_count":
                count = _whole_number(text)
            case "_summary" if text in ("count", "false"):
                only_count = text == "count"
            case "_total" if text in ("none", "estimate", "accurate"):
                pass  # the total costs nothing here, so it is always given
            case "_format" if text in _JSON_FORMATS:
                pass
            case _ if name in table:
                criteria.append(read_criterion(name, modifier, table[name], text, base=base))
            case _:
                ignored.append(key)
                continue
        applied.append((key, text))
    return Query(kind, tuple(criteria), tuple(sort), count, only_count, tuple(applied), tuple(ignored))


def find(store: Store, query: Query, counts: Callable[[Version], bool] = lambda version: True) -> list[Version]:
    """The matching resources, sorted as asked, otherwise in order of creation."""
    found = [
        version
        for version in store.living(query.kind, counts)
        if all(criterion.accepts(version) for criterion in query.criteria)
    ]
    for name, parameter, descending in reversed(query.sort):
        # Two passes keep the resources without a value last in either direction.
        found.sort(key=lambda version: _sort_key(version, name, parameter, descending), reverse=descending)
        found.sort(key=lambda version: not values_of(version, name, parameter))
    return found


def _sort_key(version: Version, name: str, parameter: Parameter, descending: bool) -> Any:
    values = values_of(version, name, parameter)
    keys = [value.start if isinstance(value, Span) else str(value[-1]) for value in values]
    if not keys:
        return EARLIEST if parameter.kind == "date" else ""
    return max(keys) if descending else min(keys)


def _whole_number(text: str) -> int:
    if not text.isascii() or not text.isdigit():
        raise fault(400, "invalid", f"_count={text}: a whole number is expected")
    return int(text)
