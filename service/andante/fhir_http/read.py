"""FHIR reads: one resource, or a search page by page. What comes is checked as an answer, not yet as
medicine.
"""

from collections.abc import AsyncGenerator, Sequence
from dataclasses import dataclass
from urllib.parse import parse_qsl, quote, urlencode, urlsplit

import msgspec

from andante.errors import BadAnswer, Refused, ServerError
from andante.fhir_http.connection import Answer, Connection, check_json
from andante.fhir_http.envelope import (
    DECODE_ERRORS,
    Bundle,
    Entry,
    OperationOutcome,
    decode_bundle,
    decode_outcome,
    join_outcomes,
    peek,
    type_of,
)

Params = Sequence[tuple[str, str]]
_NOT_ECHOED = frozenset({"_count", "_format", "_pretty", "_total", "_sort"})


@dataclass(frozen=True, kw_only=True)
class Found:
    """A resource of a page, undecoded: its type by its own word, and whether it matched or came along."""

    resource_type: str
    body: msgspec.Raw
    full_url: str | None = None
    included: bool = False


@dataclass(frozen=True, kw_only=True)
class SearchPage:
    """One page of a search.

    `misshapen` counts entries that could not be taken apart, `foreign` those of a type nobody asked for:
    both are dropped, and the caller says so. `filters_ignored` (a reason, once known) means that resources
    may come which were not asked for: the caller checks each against its question. `truncated` comes on the
    last page only: the server told of more matches than it gave, or stopped short at exactly the `_count`
    asked for. `date` is the server's own Date header, undecoded.
    """

    found: tuple[Found, ...]
    misshapen: int = 0
    foreign: int = 0
    filters_ignored: str | None = None
    truncated: bool = False
    date: str | None = None


@dataclass(frozen=True, kw_only=True)
class SearchResult:
    """All pages of a search together."""

    found: tuple[Found, ...]
    misshapen: int
    foreign: int
    filters_ignored: str | None
    truncated: bool


@dataclass(frozen=True, kw_only=True)
class Read:
    """One resource read by id. `etag` is the server's own, to be sent back verbatim."""

    body: bytes
    etag: str | None


class FhirReader:
    """Reads from the server of a Connection."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._settings = connection.settings
        self._lenient: set[tuple[str, frozenset[str]]] = set()

    def is_home(self, url: str) -> bool:
        """Whether an absolute URL lies on this server, under its base or one it is known to print."""
        try:
            self._connection.origin.follow(url, from_url=self._connection.origin.base)
        except BadAnswer:
            return False
        return True

    async def read(self, resource_type: str, resource_id: str) -> Read:
        """GET by id. Raises Absent for 404 and 410, BadAnswer where something else comes."""
        what = f"reading a {resource_type}"
        if resource_id in (".", ".."):  # ids by FHIR's rule, but in an address they name something else
            raise BadAnswer(f"{what}: what names it is a path, and no id")
        url = self._connection.origin.url(f"{resource_type}/{quote(resource_id, safe='')}")
        answer = await self._connection.get(url, what=what, headers={"Cache-Control": "no-cache"})
        check_json(answer, what)
        try:
            head = peek(answer.body)
        except DECODE_ERRORS:
            raise BadAnswer(f"{what}: the answer is not JSON or is cut short") from None
        if (head.resource_type, head.id) != (resource_type, resource_id):
            raise BadAnswer(f"{what}: another resource came")
        return Read(body=answer.body, etag=answer.headers.get("ETag"))

    async def fhir_version(self) -> str:
        """The FHIR version by the server's CapabilityStatement. Raises BadAnswer if it is not R4 (4.0.x)."""
        return (await self._statement()).fhir_version

    async def check_release(self) -> None:
        """Raises BadAnswer where the server says that it speaks another release, or no FHIR at all.

        One that is there but refuses its statement is judged by what else it answers. Raises Unreachable.
        """
        try:
            await self.fhir_version()
        except ServerError as error:
            if isinstance(error, BadAnswer) or error.status is None:
                raise

    async def offered_types(self) -> frozenset[str]:
        """The resource types the server says it offers. Raises as `fhir_version`."""
        statement = await self._statement()
        return frozenset(offered.type for rest in statement.rest for offered in rest.resource)

    async def _statement(self) -> "_Statement":
        what = "reading the CapabilityStatement"
        answer = await self._connection.get(self._connection.origin.url("metadata"), what=what)
        check_json(answer, what)
        try:
            statement = msgspec.json.decode(answer.body, type=_Statement)
        except DECODE_ERRORS:
            raise BadAnswer(f"{what}: the answer is not a CapabilityStatement") from None
        if statement.resource_type != "CapabilityStatement" or not statement.fhir_version.startswith("4.0."):
            raise BadAnswer(f"{what}: the server does not speak FHIR R4 (4.0.x)")
        return statement

    async def search(
        self, resource_type: str, params: Params, *, include: frozenset[str] = frozenset()
    ) -> SearchResult:
        """All pages of a search. Raises a ServerError if any fails: a part is never taken for the whole."""
        pages = [page async for page in self.pages(resource_type, params, include=include)]
        return SearchResult(
            found=tuple(found for page in pages for found in page.found),
            misshapen=sum(page.misshapen for page in pages),
            foreign=sum(page.foreign for page in pages),
            filters_ignored=next((page.filters_ignored for page in pages if page.filters_ignored), None),
            truncated=pages[-1].truncated,
        )

    async def pages(
        self, resource_type: str, params: Params, *, include: frozenset[str] = frozenset()
    ) -> AsyncGenerator[SearchPage, None]:
        """The pages of a search, following `next` verbatim within the server's own base.

        `include` names the further types that `_include` was asked for. Raises a ServerError on the first
        page that fails; what came before it is then only a part.
        """
        what = f"searching {resource_type}"
        answer, url, ignored = await self._first_page(resource_type, params, what)
        seen: set[str] = set()
        matches = entries = size = pages = 0
        while True:
            bundle, misshapen = _searchset(answer, what)
            seen.add(url)
            pages, size, entries = pages + 1, size + len(answer.body), entries + len(bundle.entry) + misshapen
            if pages > self._settings.max_pages or entries > self._settings.max_entries:
                raise BadAnswer(f"{what}: more pages or entries than the settings allow")
            if size > self._settings.max_search_bytes:
                raise BadAnswer(f"{what}: more bytes than the settings allow")
            found, outcomes, foreign = _sort_entries(bundle.entry, resource_type, include)
            if foreign and not found:
                raise BadAnswer(f"{what}: only resources of other types came")
            if any(outcome.is_error for outcome in outcomes):
                raise BadAnswer(f"{what}: the server reports within its answer: {join_outcomes(outcomes)}")
            if ignored is None and outcomes:
                ignored = f"the server reports within its answer: {join_outcomes(outcomes)}"
            if ignored is None and pages == 1:
                ignored = _missing_in_self_link(bundle, params)
            matches += sum(not item.included for item in found) + misshapen
            following = bundle.link_to("next")
            yield SearchPage(
                found=found,
                misshapen=misshapen,
                foreign=foreign,
                filters_ignored=ignored,
                truncated=following is None and _is_cut_off(bundle.total, matches, asked=_count(params)),
                date=answer.headers.get("Date"),
            )
            if following is None:
                return
            url = self._connection.origin.follow(following, from_url=url)
            if url in seen:
                raise BadAnswer(f"{what}: the `next` links run in a circle")
            answer = await self._connection.get(url, what=what, headers=_search_headers(strict=False))

    async def _first_page(self, resource_type: str, params: Params, what: str) -> tuple[Answer, str, str | None]:
        """The answer, its address, and why filters may have been ignored, if so."""
        url = self._connection.origin.url(f"{resource_type}?{urlencode(params, safe='/:,|')}")
        shape = (resource_type, frozenset(name for name, _ in params))
        if self._settings.strict and shape not in self._lenient:
            try:
                strict = _search_headers(strict=True)
                return await self._connection.get(url, what=what, headers=strict), url, None
            except Refused as refusal:
                if refusal.status != 400:
                    raise
        # Some servers answer 400 to a parameter they do not know: ask again and check what comes.
        answer = await self._connection.get(url, what=what, headers=_search_headers(strict=False))
        if not self._settings.strict:
            return answer, url, None
        self._lenient.add(shape)
        return answer, url, "the server does not know every search parameter"


class _Offered(msgspec.Struct, frozen=True, gc=False):
    type: str


class _Rest(msgspec.Struct, frozen=True, gc=False):
    resource: tuple[_Offered, ...] = ()


class _Statement(msgspec.Struct, frozen=True, gc=False, rename="camel"):
    resource_type: str
    fhir_version: str
    rest: tuple[_Rest, ...] = ()


def _search_headers(*, strict: bool) -> dict[str, str]:
    # no-cache: a server may otherwise answer a search from a minute ago.
    headers = {"Cache-Control": "no-cache"}
    return {**headers, "Prefer": "handling=strict"} if strict else headers


def _searchset(answer: Answer, what: str) -> tuple[Bundle, int]:
    check_json(answer, what)
    try:
        bundle, misshapen = decode_bundle(answer.body)
    except DECODE_ERRORS:
        raise BadAnswer(f"{what}: the answer is not JSON, is cut short, or is no Bundle") from None
    if bundle.resource_type == "OperationOutcome":
        outcome = decode_outcome(answer.body)
        summary = outcome.summary if outcome else "unreadable"
        raise BadAnswer(f"{what}: an OperationOutcome came instead ({summary})")
    if bundle.resource_type != "Bundle" or bundle.type != "searchset":
        raise BadAnswer(f"{what}: the answer is not a Bundle of type searchset")
    return bundle, misshapen


def _sort_entries(
    entries: tuple[Entry, ...], resource_type: str, include: frozenset[str]
) -> tuple[tuple[Found, ...], list[OperationOutcome], int]:
    found: list[Found] = []
    outcomes: list[OperationOutcome] = []
    foreign = 0
    for entry in entries:
        mode = entry.search.mode if entry.search else None
        try:
            kind = type_of(entry.resource) if entry.has_resource else None
        except DECODE_ERRORS:
            kind = resource_type  # let the decoder of the type asked for say what is wrong with it
        if kind == "OperationOutcome" or (kind is None and mode == "outcome"):
            outcome = decode_outcome(entry.resource) if entry.has_resource else None
            outcomes.append(outcome or OperationOutcome(resource_type="OperationOutcome"))
            continue
        # Of the type asked for every one is taken, whatever its mode: each is checked against the question.
        if kind is None or not (kind == resource_type or (kind in include and mode in (None, "include"))):
            foreign += 1
            continue
        included = kind != resource_type or mode == "include"
        found.append(Found(resource_type=kind, body=entry.resource, full_url=entry.full_url, included=included))
    return tuple(found), outcomes, foreign


def _is_cut_off(total: int | None, matches: int, *, asked: int | None) -> bool:
    """Whether there is more than came, though no page follows.

    Without a total, exactly as many as were asked for is doubtful, and doubt counts as cut off: some
    servers page by nothing but `_count`.
    """
    return matches < total if total is not None else matches == asked


def _count(params: Params) -> int | None:
    return next((int(value) for name, value in params if name == "_count" and value.isdecimal()), None)


def _missing_in_self_link(bundle: Bundle, params: Params) -> str | None:
    """Why filters may have been ignored, by the server's own account of the search in its self link.

    A self link without any parameter, with an opaque one, or that is no address says nothing.
    """
    try:
        query = urlsplit(bundle.link_to("self") or "").query
    except ValueError:
        return None
    said = {name for name, _ in parse_qsl(query, keep_blank_values=True)}
    if not said or any(name.startswith("_get") for name in said):
        return None
    plain = {_plain(name) for name in said}
    if all(_plain(name) in plain | _NOT_ECHOED for name, _ in params):
        return None
    return "the server left a search parameter out of its account of the search"


def _plain(name: str) -> str:
    return name.split(":")[0].split(".")[0]
