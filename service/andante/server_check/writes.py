"""Whether writing is safe on this server: tried on one Task about nobody, which is cancelled at the end."""

import json
from dataclasses import dataclass, field
from typing import Any

from andante.errors import BadAnswer, Conflict, ServerError
from andante.fhir_http.read import FhirReader
from andante.server_check.finding import Finding, Requirement, State, found, raise_if_away
from andante.writeback.probe import Probe, task_id

_TRANSACTION = Requirement(
    title="Transaction (tried)",
    needed=True,
    purpose="a suggestion and where it comes from are written together",
    without="nothing can be written",
)
_CONDITION = Requirement(
    title="Conditional create (tried)",
    needed=True,
    purpose="a write that is repeated, or raced, leaves one suggestion",
    without="a repeated write leaves two; the service looks again afterwards and cancels one",
)
_FOUND = Requirement(
    title="Found again by its identifier at once (tried)",
    needed=False,
    purpose="the service sees what it has just written",
    without="a search lags behind a write; the service remembers what it wrote while it looks again",
)
_KEPT = Requirement(
    title="Given back as written (tried)",
    needed=True,
    purpose="a person's hand on a suggestion is told from the server's",
    without="suggestions look as if a person had touched them: an old one could stay open beside a newer one",
)
_MATCH = Requirement(
    title="If-Match on an old version is refused (tried)",
    needed=True,
    purpose="what a person has just written is never overwritten",
    without="what a person has just written could be overwritten",
)
_ROLLBACK = Requirement(
    title="A transaction that fails leaves nothing (tried)",
    needed=False,
    purpose="no part of a suggestion stays behind",
    without="a part may stay behind; the next round finds and cancels it",
)
_CANCEL = Requirement(
    title="Change of status (tried)",
    needed=True,
    purpose="a suggestion that is no longer true is taken back",
    without="suggestions could not be taken back",
)


@dataclass
class Tried:
    """`left` names what stays on the server, for whoever wants to delete it."""

    findings: list[Finding] = field(default_factory=list)
    left: list[str] = field(default_factory=list)

    def note(self, requirement: Requirement, state: State, seen: str) -> None:
        self.findings.append(found(requirement, state, seen))


async def try_writes(probe: Probe, reader: FhirReader) -> Tried:
    """Writes to the server. Raises Unreachable where the outcome is unknown: `left` could then not be told."""
    tried = Tried()
    try:
        created = await probe.create()
        identity = task_id(created)
    except ServerError as error:
        raise_if_away(error)
        tried.note(_TRANSACTION, State.MISSING, str(error))
        return tried
    tried.left.append(f"Task/{identity}")
    tried.note(_TRANSACTION, State.PRESENT, f"a Task and its Provenance were created ({created.status})")
    await _try_again(probe, reader, tried)
    stale = await _try_touch(probe, reader, identity, tried)
    if stale is not None:
        await _try_stale(probe, reader, identity, stale, tried)
        await _try_rollback(probe, reader, identity, stale, tried)
    await _try_cancel(probe, reader, identity, tried)
    return tried


async def _try_again(probe: Probe, reader: FhirReader, tried: Tried) -> None:
    try:
        again = await probe.create()
        standing = await _found(reader, probe.identifier(1))
    except ServerError as error:
        raise_if_away(error)
        tried.note(_CONDITION, State.MISSING, str(error))
        return
    if again.created or len(standing) > 1:
        # Whatever the search says, another one was made, and must be cancelled too.
        others = {task_id(again)} | {str(task["id"]) for task in standing}
        tried.left += sorted({f"Task/{one}" for one in others} - set(tried.left))
        tried.note(_CONDITION, State.FALLBACK, "the same write twice left two Tasks")
    else:
        tried.note(_CONDITION, State.PRESENT, f"the same write twice left one Task ({again.status})")
    if standing:
        tried.note(_FOUND, State.PRESENT, "found by its identifier")
    else:
        tried.note(_FOUND, State.FALLBACK, "not yet found by its identifier")


async def _try_touch(probe: Probe, reader: FhirReader, identity: str, tried: Tried) -> str | None:
    """Change the Task; the version that is then no more. None where that did not go well."""
    try:
        task = await _read(reader, identity)
    except ServerError as error:
        raise_if_away(error)
        tried.note(_KEPT, State.MISSING, str(error))
        return None
    if not probe.keeps(task):
        tried.note(_KEPT, State.MISSING, "something was changed, added or left out")
    elif not probe.keeps_tag(task):
        tried.note(_KEPT, State.FALLBACK, "all but the tag that says it is a test")
    else:
        tried.note(_KEPT, State.PRESENT, "to the last word")
    version = str(task["meta"]["versionId"])
    try:
        await probe.touch(task, version)
    except ServerError as error:
        raise_if_away(error)
        tried.note(_MATCH, State.MISSING, f"not even the present version may be changed: {error}")
        return None
    return version


async def _try_stale(probe: Probe, reader: FhirReader, identity: str, stale: str, tried: Tried) -> None:
    try:
        await probe.cancel(await _read(reader, identity), stale)
    except Conflict as error:
        tried.note(_MATCH, State.PRESENT, f"refused ({error.status})")
    except ServerError as error:
        raise_if_away(error)
        tried.note(_MATCH, State.MISSING, str(error))
    else:
        tried.note(_MATCH, State.MISSING, "an update of an old version is taken")


async def _try_rollback(probe: Probe, reader: FhirReader, identity: str, stale: str, tried: Tried) -> None:
    try:
        await probe.cancel(await _read(reader, identity), stale, creating=2)
    except ServerError as error:
        raise_if_away(error)  # else as it should be: the second half of it cannot be done
    try:
        behind = await _found(reader, probe.identifier(2))
    except ServerError as error:
        raise_if_away(error)
        tried.note(_ROLLBACK, State.UNTRIED, str(error))
        return
    if behind:
        tried.left += [f"Task/{task['id']}" for task in behind]
        tried.note(_ROLLBACK, State.FALLBACK, "the other half of it stayed")
    else:
        tried.note(_ROLLBACK, State.PRESENT, "nothing of it stayed")


async def _try_cancel(probe: Probe, reader: FhirReader, identity: str, tried: Tried) -> None:
    try:
        for one in list(tried.left):
            task = await _read(reader, one.removeprefix("Task/"))
            if task.get("status") != "cancelled":
                await probe.cancel(task, str(task["meta"]["versionId"]))
        cancelled = await _read(reader, identity)
    except ServerError as error:
        raise_if_away(error)
        tried.note(_CANCEL, State.MISSING, str(error))
        return
    if cancelled.get("status") != "cancelled":
        tried.note(_CANCEL, State.MISSING, "cancelled, and read back as something else")
    elif not probe.keeps_reason(cancelled):
        tried.note(_CANCEL, State.MISSING, "cancelled, and the reason was left out")
    else:
        tried.note(_CANCEL, State.PRESENT, "cancelled, and read back as cancelled")


async def _read(reader: FhirReader, identity: str) -> dict[str, Any]:
    body = json.loads((await reader.read("Task", identity)).body)
    if not isinstance(body.get("meta"), dict) or not isinstance(body["meta"].get("versionId"), str):
        raise BadAnswer("reading a Task: it carries no versionId")
    return dict(body)


async def _found(reader: FhirReader, identifier: str) -> list[dict[str, Any]]:
    result = await reader.search("Task", (("identifier", identifier), ("_count", "10")))
    bodies = [json.loads(bytes(item.body)) for item in result.found]
    value = identifier.rpartition("|")[2]
    return [b for b in bodies if value in [one.get("value") for one in b.get("identifier", [])]]
