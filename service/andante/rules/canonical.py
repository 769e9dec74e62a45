"""One chart, one picture: the order of arrival, repeats and the zone an instant is written in do not matter."""

from collections import Counter
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, datetime, timezone
from typing import Any

from andante.domain.picture import Picture


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
    once = list(dict.fromkeys(_fixed(item) for item in items))
    if len(once) < 2:
        return tuple(once)
    sources = Counter(_source(item) for item in once)
    # Comparing whole items is slow, and needed only where the references do not tell them apart.
    return tuple(sorted(once, key=lambda i: (_source(i), repr(i) if sources[_source(i)] > 1 else "")))


def _source(item: Any) -> str:
    return item if isinstance(item, str) else str(getattr(item, "source", ""))


def _fixed(item: Any) -> Any:
    if isinstance(item, datetime):
        return in_fixed_offset(item)
    if isinstance(item, tuple):
        return tuple(sorted((_fixed(i) for i in item), key=repr)) if item else item
    if not is_dataclass(item) or isinstance(item, type):
        return item
    changes = {}
    for field in fields(item):
        value = getattr(item, field.name)
        if isinstance(value, datetime | tuple) and (new := _fixed(value)) is not value:
            changes[field.name] = new
    return replace(item, **changes) if changes else item
