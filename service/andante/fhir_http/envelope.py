"""What wraps resources on the wire: Bundle, its entries, OperationOutcome. Resources inside stay undecoded.

`Raw` per entry, decoded by whoever knows the type, so that one bad resource cannot sink a page.
"""

import re
from collections.abc import Iterable

import msgspec

DECODE_ERRORS = (msgspec.DecodeError, UnicodeDecodeError, ValueError, RecursionError, OverflowError)
"""What msgspec may raise on hostile input: not JSON, wrong shape, not UTF-8, nested too deeply, absurd
numbers.
"""

MOST_MISSHAPEN = 10_000
"""Entries of one Bundle that cannot be taken apart, before the whole counts as no Bundle."""
_LARGE = 4_000_000
_DENSEST = 12  # bytes for each comma; the densest of HL7's own examples, without white space, has 26


class Part(msgspec.Struct, frozen=True, gc=False, rename="camel", kw_only=True):
    """Base of the envelope's parts."""


class Link(Part, frozen=True, gc=False):
    relation: str | None = None
    url: str | None = None


class EntrySearch(Part, frozen=True, gc=False):
    mode: str | None = None


class EntryRequest(Part, frozen=True, gc=False):
    method: str | None = None
    url: str | None = None


class EntryResponse(Part, frozen=True, gc=False):
    status: str | None = None
    location: str | None = None
    etag: str | None = None
    last_modified: str | None = None
    outcome: msgspec.Raw = msgspec.Raw(b"")


class Entry(Part, frozen=True, gc=False):
    """A Bundle entry; `resource` is empty where there is none (a DELETE in a history, a refused entry)."""

    full_url: str | None = None
    resource: msgspec.Raw = msgspec.Raw(b"")
    search: EntrySearch | None = None
    request: EntryRequest | None = None
    response: EntryResponse | None = None

    @property
    def has_resource(self) -> bool:
        return len(self.resource) > 0


class _BareEntry(Part, frozen=True, gc=False):
    """The resource alone, of an entry in which something around it is misshapen."""

    resource: msgspec.Raw = msgspec.Raw(b"")


class Bundle(Part, frozen=True, gc=False):
    resource_type: str
    type: str | None = None
    timestamp: str | None = None
    total: int | None = None
    link: tuple[Link, ...] = ()
    entry: tuple[Entry, ...] = ()

    def link_to(self, relation: str) -> str | None:
        """The URL of the first link of that relation: empty where it has none, None where there is no link."""
        return next((link.url or "" for link in self.link if link.relation == relation), None)


class _LooseBundle(Part, frozen=True, gc=False):
    """The same with entries untouched, for a Bundle in which some entry is misshapen."""

    resource_type: str
    type: str | None = None
    timestamp: str | None = None
    total: int | None = None
    link: tuple[Link, ...] = ()
    entry: tuple[msgspec.Raw, ...] = ()


class Head(Part, frozen=True, gc=False):
    """Just enough of any resource to know what it is."""

    resource_type: str | None = None
    id: str | None = None


class IssueDetails(Part, frozen=True, gc=False):
    text: str | None = None


class Issue(Part, frozen=True, gc=False):
    severity: str | None = None
    code: str | None = None
    details: IssueDetails | None = None
    diagnostics: str | None = None
    expression: tuple[str | None, ...] = ()


class OperationOutcome(Part, frozen=True, gc=False):
    resource_type: str
    issue: tuple[Issue, ...] = ()

    @property
    def summary(self) -> str:
        """Severities and issue codes only, and the first few: diagnostics may quote patient data."""
        parts = [f"{_coded(issue.severity, 'issue')} {_coded(issue.code, 'without code')}" for issue in self.issue[:6]]
        told = [*parts[:5], *(["and more"] if len(parts) > 5 else [])]
        return ", ".join(told) or "no issue"

    @property
    def is_error(self) -> bool:
        return any(issue.severity in ("error", "fatal") for issue in self.issue)


def _coded(text: str | None, otherwise: str) -> str:
    """A code as FHIR's own are written. What else stands there may be anybody's words."""
    return text if text is not None and _CODE.fullmatch(text) else otherwise


_GLANCE_BYTES = 96
_CODE = re.compile(r"[a-z][a-z\-]{0,31}")
_ESCAPE = re.compile(
    rb"\\(?:u[dD][89abAB][0-9a-fA-F]{2}\\u[dD][c-fC-F][0-9a-fA-F]{2}|(?P<half>u[dD][89a-fA-F][0-9a-fA-F]{2})|.)", re.S
)
_TYPE_FIRST = re.compile(rb'\s*\{\s*"resourceType"\s*:\s*"([A-Za-z]+)"')
_BUNDLE = msgspec.json.Decoder(Bundle)
_LOOSE = msgspec.json.Decoder(_LooseBundle)
_ENTRY = msgspec.json.Decoder(Entry)
_BARE_ENTRY = msgspec.json.Decoder(_BareEntry)
_HEAD = msgspec.json.Decoder(Head)
_OUTCOME = msgspec.json.Decoder(OperationOutcome)


def is_too_dense(body: bytes) -> bool:
    """Whether a large JSON holds far more values than FHIR does: a list of nothings would fill the memory."""
    return len(body) > _LARGE and body.count(b",") * _DENSEST > len(body)


def decode_bundle(body: bytes) -> tuple[Bundle, int]:
    """The Bundle, and how many of its entries were too misshapen to take apart.

    Raises one of DECODE_ERRORS where the whole is not JSON, has no resourceType or is too dense.
    """
    if is_too_dense(body):
        raise msgspec.DecodeError("more values than a Bundle of this size holds")
    try:
        return _BUNDLE.decode(body), 0
    except msgspec.ValidationError:
        loose = _LOOSE.decode(body)
    except msgspec.DecodeError:
        whole = mended(body)
        if whole == body:
            raise
        return decode_bundle(whole)
    entries, misshapen = [], 0
    for raw in loose.entry:
        try:
            entries.append(_entry(raw))
        except DECODE_ERRORS:
            misshapen += 1
            if misshapen > MOST_MISSHAPEN:
                raise
    bundle = Bundle(
        resource_type=loose.resource_type,
        type=loose.type,
        timestamp=loose.timestamp,
        total=loose.total,
        link=loose.link,
        entry=tuple(entries),
    )
    return bundle, misshapen


def mended(text: bytes) -> bytes:
    """The JSON with U+FFFD in place of each half of a surrogate pair.

    Programs leave such halves behind where they cut a name short. They stand for no sign and no decoder takes
    them, but one of them must not cost the whole page.
    """
    if b"\\ud" not in text and b"\\uD" not in text:
        return text
    return _ESCAPE.sub(lambda found: rb"\ufffd" if found["half"] else found[0], text)


def _entry(raw: msgspec.Raw) -> Entry:
    try:
        return _ENTRY.decode(raw)
    except msgspec.ValidationError:
        resource = _BARE_ENTRY.decode(raw).resource
        if not len(resource):
            raise
        return Entry(resource=resource)


def type_of(raw: msgspec.Raw | bytes) -> str | None:
    """The resource type by its own word. Raises one of DECODE_ERRORS where it takes a decoder to find out."""
    # Most servers write the type first: then a glance is enough, and the resource is decoded only once.
    glance = _TYPE_FIRST.match(memoryview(raw)[:_GLANCE_BYTES])
    return glance[1].decode() if glance else peek(raw).resource_type


def peek(raw: msgspec.Raw | bytes) -> Head:
    """Type and id of a resource. Raises one of DECODE_ERRORS."""
    return _HEAD.decode(raw)


def decode_outcome(raw: msgspec.Raw | bytes) -> OperationOutcome | None:
    """The OperationOutcome, or None where it is none."""
    try:
        outcome = _OUTCOME.decode(raw)
    except DECODE_ERRORS:
        return None
    return outcome if outcome.resource_type == "OperationOutcome" else None


def join_outcomes(outcomes: Iterable[OperationOutcome]) -> str:
    """The summaries in a row, each once, and the first few."""
    return "; ".join(list(dict.fromkeys(outcome.summary for outcome in outcomes))[:5])
