"""Taking a file apart into resources, still undecoded: encodings, Bundle types, NDJSON."""

from dataclasses import dataclass

import msgspec

from andante.chart.chart import Problem
from andante.errors import InputError
from andante.fhir_http.envelope import DECODE_ERRORS, Bundle, Entry, decode_bundle, is_too_dense, mended, peek

MAX_ENTRIES = 1_000_000
_CHART_BUNDLES = frozenset({"collection", "searchset", "transaction", "batch", "history"})
_ADDING = frozenset({"POST", "PUT", "GET", ""})
_GZIP = b"\x1f\x8b"
_OTHER_ENCODINGS = (b"\xff\xfe", b"\xfe\xff", b"\x00", b"{\x00")


@dataclass(frozen=True, kw_only=True)
class FileEntry:
    """One resource of a file. `place` ("entry 3", "line 7") names it when nothing else does.

    `deletes` is the key of the resource a history entry deletes; `written` the time its response tells.
    """

    raw: msgspec.Raw
    place: str
    full_url: str | None = None
    deletes: str | None = None
    written: str | None = None


@dataclass(frozen=True, kw_only=True)
class FileParts:
    """All resources of a file, and what was wrong with it. `incomplete`: the file itself says that more
    exists.
    """

    bundle_type: str | None
    entries: tuple[FileEntry, ...]
    problems: tuple[Problem, ...] = ()
    incomplete: tuple[str, ...] = ()


def split_file(data: bytes) -> FileParts:
    """Take a Bundle, NDJSON or single-resource file apart. Raises InputError with one clear line."""
    text = mended(_checked(data))
    try:
        kind = peek(text).resource_type
    except RecursionError:
        raise InputError("the file is nested too deeply to be FHIR") from None
    except DECODE_ERRORS:
        return _split_lines(text)
    if kind is None:
        raise InputError("the file is JSON but not FHIR: it has no resourceType")
    if kind != "Bundle":
        return FileParts(bundle_type=None, entries=(FileEntry(raw=msgspec.Raw(text), place="entry 1"),))
    return _split_bundle(text)


def _checked(data: bytes) -> bytes:
    """The file without a UTF-8 byte order mark, surely UTF-8 and surely beginning as JSON object."""
    data = data.removeprefix(b"\xef\xbb\xbf")
    if data.startswith(_GZIP):
        raise InputError("the file is compressed: unpack it first")
    if data.startswith(_OTHER_ENCODINGS):
        raise InputError("the file is not UTF-8 (UTF-16 or UTF-32?): FHIR JSON must be UTF-8")
    try:
        data.decode()
    except UnicodeDecodeError:
        raise InputError("the file is not UTF-8: FHIR JSON must be UTF-8") from None
    if not data.strip():
        raise InputError("the file is empty")
    if is_too_dense(data):
        raise InputError("the file holds more values than a chart of its size")
    match data.lstrip()[:1]:
        case b"{":
            return data
        case b"[":
            raise InputError("the file is a JSON array: a FHIR Bundle or NDJSON was expected")
        case b"<":
            raise InputError("the file is XML or HTML: FHIR JSON was expected")
        case _:
            raise InputError("the file is not JSON")


def _split_bundle(text: bytes) -> FileParts:
    try:
        bundle, misshapen = decode_bundle(text)
    except RecursionError:
        raise InputError("the Bundle is nested too deeply") from None
    except DECODE_ERRORS:
        raise InputError("the Bundle is malformed: its type, links or entries are not what FHIR says") from None
    if bundle.type not in _CHART_BUNDLES:
        known = ", ".join(sorted(_CHART_BUNDLES))
        raise InputError(f"the Bundle is of a type that holds no chart; read are: {known}")
    if len(bundle.entry) > MAX_ENTRIES:
        raise InputError(f"the Bundle has more than {MAX_ENTRIES} entries")
    entries: list[FileEntry] = []
    problems: list[Problem] = []
    for number, entry in enumerate(bundle.entry, start=1):
        place = f"entry {number}"
        taken = _taken(entry, place, history=bundle.type == "history")
        if isinstance(taken, FileEntry):
            entries.append(taken)
        else:
            problems.append(taken)
    if misshapen:
        told = f"entries of the Bundle that hold nothing to read: {misshapen}"
        problems.append(Problem(code="unreadable-resource", text=told, reference="Bundle"))
    return FileParts(
        bundle_type=bundle.type,
        entries=tuple(entries),
        problems=tuple(problems),
        incomplete=_announced(bundle),
    )


def _taken(entry: Entry, place: str, *, history: bool) -> FileEntry | Problem:
    method = (entry.request.method if entry.request else None) or ""
    written = entry.response.last_modified if entry.response else None
    if history and method == "DELETE" and entry.request is not None:
        return FileEntry(
            raw=msgspec.Raw(b""), place=place, deletes=entry.request.url or entry.full_url, written=written
        )
    if method not in _ADDING:
        text = f"an entry that asks for {method if method in ('DELETE', 'PATCH', 'HEAD') else 'something else'}"
        return Problem(code="unreadable-resource", text=f"{text}: not read", reference=place)
    if not entry.has_resource:
        return Problem(code="unreadable-resource", text="an entry without a resource", reference=place)
    return FileEntry(raw=entry.resource, place=place, full_url=entry.full_url, written=written)


def _announced(bundle: Bundle) -> tuple[str, ...]:
    matches = sum(entry.search is None or entry.search.mode in (None, "match") for entry in bundle.entry)
    if bundle.type == "searchset" and bundle.link_to("next") is not None:
        return ("Bundle: a page of a search that has further pages",)
    if bundle.type == "searchset" and bundle.total is not None and bundle.total > matches:
        return ("Bundle: a search that found more than the file holds",)
    return ()


def _split_lines(text: bytes) -> FileParts:
    lines = [(n, line) for n, line in enumerate(text.split(b"\n"), start=1) if line.strip()]
    if len(lines) > MAX_ENTRIES:
        raise InputError(f"the file has more than {MAX_ENTRIES} lines")
    readable = [_is_json(line) for _, line in lines]
    if not readable[0] or not any(readable):
        raise InputError("the file is not JSON, or is cut short")
    if not readable[-1] and not text.endswith(b"\n"):
        raise InputError("the file is cut short in its last line")
    entries: list[FileEntry] = []
    problems: list[Problem] = []
    for (number, line), good in zip(lines, readable, strict=True):
        place = f"line {number}"
        if good:
            entries.append(FileEntry(raw=msgspec.Raw(line), place=place))
        else:
            problems.append(Problem(code="unreadable-resource", text="a line that is not JSON", reference=place))
    return FileParts(bundle_type=None, entries=tuple(entries), problems=tuple(problems))


def _is_json(line: bytes) -> bool:
    try:
        peek(line)
    except RecursionError:
        return True  # JSON perhaps, only too deep: its decoder will say so
    except DECODE_ERRORS:
        return False
    return True
