"""What the gate asks of a person's answer: one Task, otherwise just as it stands, and a Provenance that names a person.

Messages name places and rules, never content, since content may be a patient's.
"""

from collections.abc import Mapping
from typing import Any

from andante.chart.assembly import instant_of
from andante.writeback.answer import CODES, OPEN_TO
from andante.writeback.codes import SYSTEM_OF, AnswerCode
from andante.writeback.seal import Json
from andante.writeback.site import Site
from andante.writeback.wire import a_list, a_text, an_object, require

_LONGEST = 700  # signs of a note: our words and a person's
_NOTE = frozenset({"authorReference", "authorString", "time", "text"})
_SERVERS = frozenset({"meta", "text"})  # the server's own, as it sends them; sent back only narrowed


def check_answer(
    entries: list[Json], before: Mapping[str, Any], *, statuses: frozenset[str], touched: frozenset[str], site: Site
) -> None:
    """`before` is the Task as the person saw it. Raises WriteRefused."""
    names = [an_object(entry.get("resource"), "entry.resource").get("resourceType") for entry in entries]
    require(names == ["Task", "Provenance"], "Bundle.entry", "not one Task and its Provenance")
    task, provenance = (entry["resource"] for entry in entries)
    meta = before.get("meta", {})
    version = meta.get("versionId") if isinstance(meta, dict) else None
    match = a_text(entries[0]["request"].get("ifMatch"), "Task.request.ifMatch")
    require(isinstance(version, str) and match == f'W/"{version}"', "Task.request.ifMatch", "not the version seen")
    for name in (task.keys() | before.keys()) - touched - _SERVERS:
        require(task.get(name) == before.get(name), "Task", "differs from what stands where it may not")
    kept = task.get("meta", {})
    require(all(meta.get(name) == value for name, value in kept.items()), "Task.meta", "differs from what stands")
    require("text" not in task, "Task.text", "the server's to write")
    status = a_text(task.get("status"), "Task.status")
    require(status in statuses, "Task.status", "no answer that may be written")
    require(before.get("status") in OPEN_TO[status], "Task.status", "not open to that answer")
    _check_reason(task, status, site)
    _check_note(task, before)
    _check_person(provenance, task, site)


def _check_reason(task: Json, status: str, site: Site) -> None:
    reason = an_object(task.get("statusReason"), "Task.statusReason")
    require(reason.keys() == {"coding", "text"}, "Task.statusReason", "an unexpected element")
    codings = a_list(reason.get("coding"), "Task.statusReason.coding")
    require(len(codings) == 1, "Task.statusReason.coding", "not exactly one")
    system, code = codings[0].get("system"), codings[0].get("code")
    fits = system == site.system(SYSTEM_OF[AnswerCode]) and code in {one.value for one in CODES[status]}
    require(fits, "Task.statusReason.coding", "no reason for that answer")


def _check_note(task: Json, before: Mapping[str, Any]) -> None:
    notes, earlier = a_list(task.get("note"), "Task.note"), list(before.get("note", []))
    require(notes[:-1] == earlier, "Task.note", "earlier notes differ")
    note = an_object(notes[-1], "Task.note")
    require(note.keys() <= _NOTE, "Task.note", "an unexpected element")
    require("authorReference" in note or "authorString" in note, "Task.note", "nobody said it")
    require(instant_of(a_text(note.get("time"), "Task.note.time")) is not None, "Task.note.time", "no instant")
    require(0 < len(a_text(note.get("text"), "Task.note.text")) <= _LONGEST, "Task.note.text", "empty or too long")


def _check_person(provenance: Json, task: Json, site: Site) -> None:
    """Somebody other than the service answers, and the note and the Provenance name the same one."""
    agents = a_list(provenance.get("agent"), "Provenance.agent")
    who = an_object(an_object(agents[0], "Provenance.agent").get("who"), "Provenance.agent.who")
    ours = {"system": site.identifiers("service"), "value": "andante"}
    note = task["note"][-1]
    if "authorString" in note:
        said, named = note["authorString"], who.get("display")
    else:
        said, named = an_object(note["authorReference"], "Task.note").get("reference"), who.get("reference")
    require(bool(named) and who.get("identifier") != ours, "Provenance.agent", "no person answers")
    require(said == named, "Provenance.agent", "somebody else than the note says")
