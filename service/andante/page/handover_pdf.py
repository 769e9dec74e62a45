"""The handover as a PDF made here: the same words as on the page, for a printer or a folder that has no browser."""

from collections.abc import Iterable, Sequence
from datetime import datetime, tzinfo
from functools import cache
from typing import Any, Final

from andante.page.handover import COLUMNS, NO_DRAWS, NOTHING_TO_WATCH, Line
from andante.page.press import CANNOT_BE_PRINTED, Press
from andante.present.shown import day_time, plain
from andante.wording import CAUTION

_LONG: Final = 1500  # signs: a row of more may be broken over two pages


def handover_pdf(
    sheets: Sequence[tuple[str, list[Line]]],
    *,
    as_of: str,
    order_in: str,
    notes: Iterable[tuple[str, str]],
    by: str,
    now: datetime,
    zone: tzinfo,
) -> bytes:
    """`notes` are what keeps it from being the whole truth: a word and a sentence each. Raises NotPrinted."""
    local = now.astimezone(zone)
    said = {
        "title": "Handover",
        "heading": f"Handover as of {as_of}",
        "running": f"Handover as of {as_of}",
        "printed": f"Printed {day_time(now, zone)} ({local.year}) by {plain(by, 80)}",
        "lead": f"{CAUTION} Order in {plain(order_in)}.",
        "caution": CAUTION,
        "empty": "Nobody is watched here.",
        "notes": [{"head": head, "text": text} for head, text in notes],
        "lacking": {"head": "Mind.", "text": f"{CANNOT_BE_PRINTED} stands for a sign that no font here has."},
        "columns": list(COLUMNS),
        "wards": [
            {"name": ward, "heading": f"{ward} ({len(lines)})", "lines": [_row(one) for one in lines]}
            for ward, lines in sheets
        ],
    }
    return _press().pdf("handover.typ", said, at=now)


def _row(one: Line) -> dict[str, Any]:
    told = {
        "bed": one.row.bed,
        "who": one.row.who,
        "says": one.row.says,
        "stands": one.stands,
        "behind": one.behind,
        "energy": one.energy,
        "watch": list(one.watch) or [NOTHING_TO_WATCH],
        "draws": list(one.draws) or [NO_DRAWS],
        "change": one.change,
    }
    length = sum(len(value) if isinstance(value, str) else sum(map(len, value)) for value in told.values())
    return {**told, "long": length > _LONG}


@cache
def _press() -> Press:
    return Press()
