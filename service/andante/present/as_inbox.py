"""An inbox as people see it: ward by ward, the most urgent first, one line each."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from andante.domain.advice import Priority
from andante.present.as_text import priority_style, priority_words
from andante.present.shown import plain

_URGENCY = (Priority.STAT, Priority.ASAP, Priority.URGENT, Priority.ROUTINE)


@dataclass(frozen=True, kw_only=True)
class Item:
    """One open suggestion or notice. `text` is its first line, without the place."""

    ward: str
    bed: str
    priority: Priority
    tell: str
    text: str
    is_advice: bool


def inbox_view(items: Iterable[Item]) -> RenderableType:
    """Grouped by ward; within a ward by bed, the suggestion before the notices that go with it."""
    wards: dict[str, list[Item]] = {}
    for item in sorted(items, key=lambda item: item.ward):
        wards.setdefault(item.ward, []).append(item)
    parts: list[RenderableType] = []
    for ward, here in wards.items():
        parts += [Text(), Text(plain(ward) or "no ward", style="bold"), _table(here)]
    return Group(*parts)


def _table(items: Sequence[Item]) -> RenderableType:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_header=False)
    for _ in ("bed", "how soon", "for whom"):
        table.add_column(no_wrap=True, min_width=9)
    table.add_column()
    beds: dict[str, list[Item]] = {}
    for item in items:
        beds.setdefault(item.bed, []).append(item)
    by_urgency = sorted(beds.items(), key=lambda pair: (min(_rank(item) for item in pair[1]), _counted(pair[0])))
    for bed, here in by_urgency:
        ordered = sorted(here, key=lambda item: (not item.is_advice, _rank(item)))
        for number, item in enumerate(ordered):
            table.add_row(
                Text(plain(bed) if number == 0 else ""),
                Text(_soon(item.priority), priority_style(item.priority)),
                Text(item.tell),
                Text(plain(_beside(item, ordered[0])), "" if item.is_advice else "dim"),
            )
    return table


def _beside(item: Item, first: Item) -> str:
    """What a notice adds to the suggestion it stands under."""
    if item is first or not first.is_advice or not item.text.startswith(first.text):
        return item.text
    return item.text.removeprefix(first.text).lstrip(". ") or "The same, as a notice."


def _counted(bed: str) -> list[tuple[int, str]]:
    """Bed 2 comes before bed 12."""
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"([0-9]+)", bed)]


def _rank(item: Item) -> int:
    return _URGENCY.index(item.priority)


def _soon(priority: Priority) -> str:
    return "very soon" if priority is Priority.ASAP else priority_words(priority)
