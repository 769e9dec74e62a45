"""A history Bundle read as it was known at an instant: for looking back at what could have been advised
then.
"""

from collections import defaultdict
from datetime import datetime
from typing import NamedTuple

import msgspec

from andante.chart.assembly import instant_of
from andante.chart.bundle_file import FileEntry
from andante.chart.chart import Problem, reference_key
from andante.chart.datatypes import Meta, Node
from andante.fhir_http.envelope import DECODE_ERRORS


class Known(NamedTuple):
    """What was known, one version of each resource, and what cannot be told."""

    entries: tuple[FileEntry, ...]
    problems: tuple[Problem, ...]


class _Version(Node, frozen=True, gc=False):
    resource_type: str | None = None
    id: str | None = None
    meta: Meta | None = None


class _Dated(NamedTuple):
    written: datetime
    newer: int  # a history lists the newest first: breaks ties
    entry: FileEntry


def known_at(entries: tuple[FileEntry, ...], now: datetime) -> Known:
    """Of each resource the newest version written at or before `now`, none if that was a deletion.

    A version that does not say when it was written cannot be shown to have been known, and is set aside
    with a Problem: to use it could be hindsight. A deletion without a time counts as having happened: to
    miss a result only ever holds.
    """
    by_key: dict[str, list[_Dated]] = defaultdict(list)
    deleted: set[str] = set()
    passed: list[FileEntry] = []
    problems: list[Problem] = []
    for place, entry in enumerate(entries):
        key, stamp = (_deleted_key(entry), None) if entry.deletes else _key_and_stamp(entry)
        if key is None:
            passed.append(entry)  # let the reader name what is wrong with it
            continue
        written = instant_of(stamp) or instant_of(entry.written)
        if written is not None:
            by_key[key].append(_Dated(written, -place, entry))
        elif entry.deletes:
            deleted.add(key)
        else:
            text = "a version that does not say when it was written: set aside"
            problems.append(Problem(code="unordered-versions", text=text, reference=key))
    for key, versions in by_key.items():
        known = [version for version in versions if version.written <= now]
        if known and key not in deleted:
            newest = max(known, key=lambda version: version[:2]).entry
            if not newest.deletes:
                passed.append(newest)
    return Known(tuple(passed), tuple(problems))


def _key_and_stamp(entry: FileEntry) -> tuple[str | None, str | None]:
    try:
        version = msgspec.json.decode(entry.raw, type=_Version)
    except DECODE_ERRORS:
        return None, None
    key = f"{version.resource_type}/{version.id}" if version.resource_type and version.id else None
    return key, version.meta.last_updated if version.meta else None


def _deleted_key(entry: FileEntry) -> str | None:
    return reference_key(entry.deletes or "")
