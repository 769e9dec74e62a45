"""One chart, one picture: the order of arrival, repeats and the zone an instant is written in do not matter."""

from dataclasses import fields, is_dataclass, replace
from datetime import UTC, datetime, timezone
from functools import cache
from typing import Any

from andante.domain.picture import Picture

_UNSETTLED = (datetime, tuple)


def settle(picture: Picture) -> Picture:
    """The same picture in one order, each item once, every instant with a fixed offset."""
    changes: dict[str, Any] = {}
    for field in fields(picture):
        value = getattr(picture, field.name)
        if isinstance(value, tuple):
            changes[field.name] = _in_one_order(value)
    return replace(picture, **changes)


def in_fixed_offset(instant: datetime) -> datetime:
    """The same instant. In a zone that changes its clocks, Python subtracts by the clock on the wall: an hour off."""
    return instant if isinstance(instant.tzinfo, timezone) else instant.astimezone(UTC)


def _in_one_order(items: tuple[Any, ...]) -> tuple[Any, ...]:
    # Comparing whole items is slow, and needed only where the references do not tell them apart.
    by_source: dict[str, list[Any]] = {}
    for item in items:
        by_source.setdefault(_source(item), []).append(_fixed(item))
    found: list[Any] = []
    for source in sorted(by_source):
        same = by_source[source]
        found += same if len(same) == 1 else sorted(dict.fromkeys(same), key=repr)
    return tuple(found)


def _source(item: Any) -> str:
    return item if isinstance(item, str) else str(getattr(item, "source", ""))


def _fixed(item: Any) -> Any:
    if isinstance(item, datetime):
        return in_fixed_offset(item)
    if isinstance(item, tuple):
        return tuple(sorted((_fixed(i) for i in item), key=repr)) if item else item
    changes = {}
    kind: type = type(item)
    for name in _elements_of(kind):
        value = getattr(item, name)
        if isinstance(value, _UNSETTLED) and (new := _fixed(value)) is not value:
            changes[name] = new
    return replace(item, **changes) if changes else item


@cache
def _elements_of(kind: type) -> tuple[str, ...]:
    """Of a dataclass, the names of its elements; of anything else none."""
    return tuple(field.name for field in fields(kind)) if is_dataclass(kind) else ()
