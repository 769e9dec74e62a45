"""What reading rests on besides the searches: pages, versions, changes, clocks."""

import json
from collections.abc import Sequence
from contextlib import aclosing
from datetime import datetime, timedelta

from andante.chart.changes import ChangeReader
from andante.chart.questions import ReadPlan, census_question
from andante.errors import Absent, BadAnswer, Refused, ServerError
from andante.fhir_http.connection import Connection
from andante.fhir_http.read import FhirReader
from andante.server_check.finding import Finding, Requirement, State, found, raise_if_away

_MOST_PAGES = 3
_OF_NOBODY = "names no patient"  # such as what an earlier check wrote
_CLOCKS_AGREE = timedelta(seconds=60)

_STRICT = Requirement(
    title="Prefer: handling=strict",
    needed=False,
    purpose="a search parameter that the server does not know is refused",
    without="one that is not known is let pass: what comes is checked each time, and what might be left out only here",
)
_PAGES = Requirement(
    title="Pages, by next links",
    needed=True,
    purpose="an answer of any length is read to its end",
    without="what exceeds a page is only noticed: the patient's chart counts as incomplete, and holds",
)
_VERSIONS = Requirement(
    title="versionId, with an ETag",
    needed=True,
    purpose="evidence is named by version, and a change by a person is noticed before it is overwritten",
    without="a change by a person could be overwritten",
)
_VREAD = Requirement(
    title="Earlier versions, by vread",
    needed=False,
    purpose="an advice can be worked out again from its Provenance, later too",
    without="an advice can be worked out again only until the chart changes",
)
_CHANGES = Requirement(
    title="Changes since, for everybody",
    needed=False,
    purpose="between rounds only charts that changed are read",
    without="every round reads everybody: slower, and safe",
)
_CLOCK = Requirement(
    title="Clock",
    needed=False,
    purpose="ages of results are right",
    without="the clocks of the server and of this machine disagree: set them; tokens and ages of results depend on it",
)


async def check_reads(
    connection: Connection, plan: ReadPlan, patients: Sequence[str], *, now: datetime
) -> list[Finding]:
    """Raises Unreachable."""
    reader = FhirReader(connection)
    return [
        await _strict(connection),
        await _pages(reader, plan),
        *await _versions(connection, reader, patients),
        await _changes(connection, plan, now=now),
    ]


def check_clock(told: datetime | None, now: datetime) -> Finding:
    if told is None:
        return found(_CLOCK, State.UNTRIED, "the server does not say what time it has")
    apart = abs(told - now)
    if apart <= _CLOCKS_AGREE:
        return found(_CLOCK, State.PRESENT, "agrees with this machine's to the minute")
    ahead = "ahead of" if told > now else "behind"
    return found(_CLOCK, State.FALLBACK, f"{apart.total_seconds():.0f} s {ahead} this machine's")


async def _strict(connection: Connection) -> Finding:
    url = connection.origin.url("Patient?_id=andante-check-1&andante-check=1")
    try:
        await connection.get(url, what="trying a parameter that does not exist", headers={"Prefer": "handling=strict"})
    except Refused as error:
        return found(_STRICT, State.PRESENT, f"refuses an unknown parameter ({error.status})")
    except ServerError as error:
        return _failed(_STRICT, error)
    return found(_STRICT, State.FALLBACK, "lets an unknown parameter pass")


async def _pages(reader: FhirReader, plan: ReadPlan) -> Finding:
    params = (*census_question(plan).filters, ("_count", "1"), ("_total", "accurate"))
    pages = entries = 0
    truncated = False
    try:
        async with aclosing(reader.pages("Encounter", params)) as answers:
            async for page in answers:
                pages, entries, truncated = pages + 1, entries + len(page.found), page.truncated
                if pages == _MOST_PAGES:
                    break
    except BadAnswer as error:
        hint = "; if it is the same server, set ANDANTE_REWRITE" if "another host" in str(error) else ""
        return found(_PAGES, State.MISSING, f"{error}{hint}")
    except ServerError as error:
        return _failed(_PAGES, error)
    if pages > 1:
        return found(_PAGES, State.PRESENT, "next links lead on")
    if entries > 1:
        return found(_PAGES, State.PRESENT, "gives everything at once, whatever page is asked for")
    if truncated and entries:
        return found(_PAGES, State.FALLBACK, "no next link, though there is more")
    return found(_PAGES, State.UNTRIED, "there are not two encounters to page through")


async def _versions(connection: Connection, reader: FhirReader, patients: Sequence[str]) -> list[Finding]:
    if not patients:
        nobody = "there is no patient to read"
        return [found(_VERSIONS, State.UNTRIED, nobody), found(_VREAD, State.UNTRIED, nobody)]
    try:
        read = await reader.read("Patient", patients[0])
    except ServerError as error:
        return [_failed(_VERSIONS, error), found(_VREAD, State.UNTRIED, "there is no version to read")]
    meta = json.loads(read.body).get("meta")
    version = meta.get("versionId") if isinstance(meta, dict) else None
    if not isinstance(version, str):
        return [
            found(_VERSIONS, State.MISSING, "resources carry no versionId"),
            found(_VREAD, State.UNTRIED, "there is no version to read"),
        ]
    if read.etag == f'W/"{version}"':
        versions = found(_VERSIONS, State.PRESENT, "both, and they agree")
    else:
        seen = "no ETag" if read.etag is None else "the ETag is not the versionId"
        versions = found(_VERSIONS, State.UNTRIED, f"{seen}: only --write-probe can tell")
    url = connection.origin.url(f"Patient/{patients[0]}/_history/{version}")
    try:
        await connection.get(url, what="reading a version")
    except (Absent, Refused) as error:
        return [versions, found(_VREAD, State.FALLBACK, f"refused ({error.status})")]
    except ServerError as error:
        return [versions, _failed(_VREAD, error)]
    return [versions, found(_VREAD, State.PRESENT, "the present version came")]


async def _changes(connection: Connection, plan: ReadPlan, *, now: datetime) -> Finding:
    changes = ChangeReader(connection, plan, now=now)
    try:
        newest = await changes.newest()
        if newest is None:
            return found(_CHANGES, State.UNTRIED, "there is nothing to have changed, or no way to see when")
        result = await changes.since(newest)
    except ServerError as error:
        return _failed(_CHANGES, error)
    if result.doubt and _OF_NOBODY in result.doubt:
        return found(
            _CHANGES, State.PRESENT, "just now something changed that names no patient: that once, all are read"
        )
    if result.doubt:
        return found(_CHANGES, State.FALLBACK, result.doubt)
    return found(_CHANGES, State.PRESENT, "what changed and what was deleted can be asked for")


def _failed(requirement: Requirement, error: ServerError) -> Finding:
    """For what was there and failed. Raises what says that the server is away."""
    raise_if_away(error)
    state = State.MISSING if requirement.needed else State.FALLBACK
    return found(requirement, state, str(error))
