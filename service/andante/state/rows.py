"""Snapshot to rows and back. What does not read back as we would have written it makes the whole of it doubtful."""

import json
import re
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from typing import Any, Final

from sqlalchemy import Table

from andante.state import tables
from andante.state.snapshot import AuditHead, Completed, HookRecord, Setback, Snapshot, Watermark

Row = Mapping[str, Any]

_ID: Final = re.compile(r"[A-Za-z0-9._\-]{1,64}")  # FHIR's, and the `_` that some servers use
_WORD: Final = re.compile(r"[a-z0-9\-]{1,40}")
_HASH: Final = re.compile(r"[0-9a-f]{64}")
_MOST_FAILURES: Final = 1_000_000


class Doubtful(ValueError):
    """A row that we would not have written."""


def rows_of(snapshot: Snapshot) -> dict[Table, list[Row]]:
    """Without the server that they belong to, and without what would not read back: that costs work, the rest stays."""
    return {
        tables.rounds: [
            {
                "kind": one.kind,
                "ident": one.ident,
                "began": _text(one.began),
                "ended": _text(one.ended),
                "whole": one.whole,
                "counts": json.dumps(dict(one.counts)),
            }
            for one in snapshot.rounds
        ],
        tables.watermarks: [
            {"newest": _text(mark.newest), "before": _text(mark.before)} for mark in _if_any(snapshot.mark)
        ],
        tables.setbacks: [
            {
                "patient": one.patient,
                "failures": one.failures,
                "last": _text(one.last),
                "again": _text(one.again),
            }
            for one in snapshot.setbacks
            if _ID.fullmatch(one.patient)
        ],
        tables.hooks: [
            {
                "name": one.name,
                "ident": one.ident,
                "fingerprint": one.fingerprint,
                "written": _text(one.written),
                "failures": one.failures,
            }
            for one in snapshot.hooks
            if one.ident is None or _ID.fullmatch(one.ident)
        ],
        tables.audit_heads: [
            {"chain": one.chain, "head": one.head, "noted": _text(one.noted)} for one in snapshot.audit
        ],
    }


def snapshot_of(found: Callable[[Table], Iterable[Row]]) -> Snapshot:
    """`found` gives the rows of a table. Raises Doubtful."""
    marks = [_mark(row) for row in found(tables.watermarks)]
    return Snapshot(
        rounds=tuple(_completed(row) for row in found(tables.rounds)),
        mark=marks[0] if marks else None,
        setbacks=tuple(_setback(row) for row in found(tables.setbacks)),
        hooks=tuple(_hook(row) for row in found(tables.hooks)),
        audit=tuple(_head(row) for row in found(tables.audit_heads)),
    )


def _completed(row: Row) -> Completed:
    try:
        counts = json.loads(row["counts"])
    except (ValueError, TypeError, RecursionError):
        raise Doubtful from None
    if not isinstance(counts, dict) or not all(type(value) is int for value in counts.values()):
        raise Doubtful
    began, ended = _instant(row["began"]), _instant(row["ended"])
    if ended < began:
        raise Doubtful
    return Completed(
        kind=_like(_WORD, row["kind"]),
        ident=_like(_WORD, row["ident"]) if row["ident"] else "",
        began=began,
        ended=ended,
        whole=bool(row["whole"]),
        counts={_like(_WORD, name): value for name, value in counts.items()},
    )


def _mark(row: Row) -> Watermark:
    mark = Watermark(newest=_instant(row["newest"]), before=_instant(row["before"]))
    if mark.before > mark.newest:
        raise Doubtful
    return mark


def _setback(row: Row) -> Setback:
    return Setback(
        patient=_like(_ID, row["patient"]),
        failures=_count(row["failures"], least=1),
        last=_instant(row["last"]),
        again=_instant(row["again"]),
    )


def _hook(row: Row) -> HookRecord:
    return HookRecord(
        name=_like(_WORD, row["name"]),
        ident=_like(_ID, row["ident"]) if row["ident"] is not None else None,
        fingerprint=_like(_HASH, row["fingerprint"]),
        written=_instant(row["written"]),
        failures=_count(row["failures"], least=0),
    )


def _head(row: Row) -> AuditHead:
    return AuditHead(chain=_like(_HASH, row["chain"]), head=_like(_HASH, row["head"]), noted=_instant(row["noted"]))


def _if_any(mark: Watermark | None) -> Iterable[Watermark]:
    return () if mark is None else (mark,)


def _text(instant: datetime) -> str:
    return instant.astimezone(UTC).isoformat(timespec="microseconds")


def _instant(value: object) -> datetime:
    try:
        instant = datetime.fromisoformat(str(value))
    except ValueError:
        raise Doubtful from None
    if instant.tzinfo is None:
        raise Doubtful
    return instant


def _like(pattern: re.Pattern[str], value: object) -> str:
    if not isinstance(value, str) or not pattern.fullmatch(value):
        raise Doubtful
    return value


def _count(value: object, *, least: int) -> int:
    if type(value) is not int or not least <= value <= _MOST_FAILURES:
        raise Doubtful
    return value
