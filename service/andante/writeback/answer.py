"""A person's answer to one suggestion, as the Task that says so: who, when, and in whose words.

Pure. Everything of the Task but status, its reason, the instant and one more note stays as it stands on the server. The
suggestion is answered in the version the person saw: somebody else's answer in between makes the server refuse.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from types import MappingProxyType
from uuid import NAMESPACE_URL, uuid5

from andante.chart.assembly import instant_of
from andante.errors import InputError
from andante.writeback.codes import DISPLAY, SYSTEM_OF, AnswerCode, Kind
from andante.writeback.seal import Json, has_coding
from andante.writeback.site import Site
from andante.writeback.standing import Standing
from andante.writeback.to_fhir import service_reference

_AGENT = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
_ACTIVITY = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"
_REMIND = "Remind at "
_LONGEST_WORDS = 500
# Of those who sign in, whom R4 lets write a note (Annotation.author), and be an agent (Provenance.agent.who).
_WRITES_NOTES = ("Practitioner/",)
_SPEAKS = ("Practitioner/", "PractitionerRole/")
NOTHING_ORDERED = "Nothing has been ordered by this answer."


class Answer(StrEnum):
    AGREE = "agree"
    DECLINE = "decline"
    REMIND = "remind"
    DONE = "done"


STATUS: Mapping[Answer, str] = MappingProxyType(
    {Answer.AGREE: "accepted", Answer.DECLINE: "rejected", Answer.REMIND: "received", Answer.DONE: "completed"}
)
"""https://hl7.org/fhir/R4/valueset-task-status.html"""

OPEN_TO: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        "accepted": frozenset({"requested", "received"}),
        "rejected": frozenset({"requested", "received", "accepted"}),
        "received": frozenset({"requested", "received"}),
        "completed": frozenset({"requested", "received", "accepted", "in-progress"}),
    }
)
"""Which statuses each answer may follow. What is final stays final."""

CODES: Mapping[str, frozenset[AnswerCode]] = MappingProxyType(
    {
        "accepted": frozenset({AnswerCode.AGREED}),
        "received": frozenset({AnswerCode.PUT_OFF}),
        "completed": frozenset({AnswerCode.DONE}),
        "rejected": frozenset(AnswerCode) - {AnswerCode.AGREED, AnswerCode.PUT_OFF, AnswerCode.DONE},
    }
)
"""Which of our codes may give the reason of each status."""

REASONS: tuple[AnswerCode, ...] = tuple(code for code in AnswerCode if code in CODES["rejected"])
"""Why a person may decline, in the order in which it is asked."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decider:
    """Who answers: a name to be read, and a FHIR reference where the sign-in told one."""

    name: str
    reference: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """One answer. `reason` is for declining, `until` for a reminder, `words` are the person's own."""

    answer: Answer
    by: Decider
    at: datetime
    reason: AnswerCode | None = None
    until: datetime | None = None
    words: str = ""


def answers_to(standing: Standing) -> tuple[Answer, ...]:
    """Which answers this suggestion is still open to, in the order in which they are offered."""
    if standing.kind is not Kind.ADVICE or not standing.version:
        return ()
    return tuple(answer for answer in Answer if standing.status in OPEN_TO[STATUS[answer]])


def answered(standing: Standing, given: Given, site: Site) -> Json:
    """The transaction that writes the answer. Raises InputError for one that cannot be given."""
    if given.answer not in answers_to(standing):
        raise InputError("this suggestion is not open to that answer any more")
    code = _code(given)
    status = STATUS[given.answer]
    at = given.at.astimezone(site.zone).isoformat(timespec="seconds")
    body = {name: value for name, value in standing.body.items() if name not in ("meta", "text")}
    if kept := _kept_meta(standing.body):
        body["meta"] = kept
    system = site.system(SYSTEM_OF[AnswerCode])
    body["status"] = status
    body["statusReason"] = {
        "coding": [{"system": system, "code": code.value, "display": DISPLAY[code]}],
        "text": _reason_text(given, code, site),
    }
    modified = max(given.at, standing.authored) if standing.authored is not None else given.at
    body["lastModified"] = modified.astimezone(site.zone).isoformat(timespec="seconds")
    body["note"] = [*standing.body.get("note", []), {**_author(given.by), "time": at, "text": _note(given, code)}]
    address = f"urn:uuid:{uuid5(NAMESPACE_URL, f'{standing.reference} {standing.version} {status} {at}')}"
    return {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            {
                "fullUrl": f"urn:uuid:{uuid5(NAMESPACE_URL, standing.reference)}",
                "resource": body,
                "request": {"method": "PUT", "url": standing.reference, "ifMatch": f'W/"{standing.version}"'},
            },
            {
                "fullUrl": address,
                "resource": _provenance(standing, given, site, at),
                "request": {"method": "POST", "url": "Provenance"},
            },
        ],
    }


def reminder_of(standing: Standing, site: Site) -> datetime | None:
    """When a suggestion that was put off is to be looked at again; None for any other."""
    reason = standing.body.get("statusReason")
    is_ours = has_coding(reason, site.system(SYSTEM_OF[AnswerCode]), AnswerCode.PUT_OFF)
    if standing.status != STATUS[Answer.REMIND] or not is_ours or not isinstance(reason, dict):
        return None
    text = reason.get("text")
    return instant_of(text.removeprefix(_REMIND)) if isinstance(text, str) and text.startswith(_REMIND) else None


def _code(given: Given) -> AnswerCode:
    match given.answer:
        case Answer.AGREE:
            return AnswerCode.AGREED
        case Answer.DONE:
            return AnswerCode.DONE
        case Answer.REMIND:
            if given.until is None or given.until <= given.at:
                raise InputError("a reminder needs an instant that is still to come")
            return AnswerCode.PUT_OFF
        case Answer.DECLINE:
            if given.reason is None or given.reason not in REASONS:
                raise InputError("declining needs a reason from the list")
            return given.reason


def _reason_text(given: Given, code: AnswerCode, site: Site) -> str:
    if given.until is not None and code is AnswerCode.PUT_OFF:
        return _REMIND + given.until.astimezone(site.zone).isoformat(timespec="seconds")
    return DISPLAY[code]


def _note(given: Given, code: AnswerCode) -> str:
    words = " ".join(sign for sign in given.words.split() if sign.isprintable())[:_LONGEST_WORDS]
    return ". ".join((DISPLAY[code], *((words.rstrip("."),) if words else ()))) + f". {NOTHING_ORDERED}"


def _author(by: Decider) -> Json:
    named = _who(by, _WRITES_NOTES)
    return {"authorReference": named} if "reference" in named else {"authorString": named["display"]}


def _who(by: Decider, kinds: tuple[str, ...]) -> Json:
    """By reference where R4 lets a resource of that type stand; in words in any case, with the reference where not."""
    display = by.name if not by.reference or by.reference.startswith(_WRITES_NOTES) else f"{by.name} ({by.reference})"
    return {"reference": by.reference, "display": display} if by.reference.startswith(kinds) else {"display": display}


def _kept_meta(body: Json) -> Json:
    """The rest of meta is the server's to write."""
    meta = body.get("meta", {})
    return {name: meta[name] for name in ("profile", "security", "tag") if meta.get(name)}


def _provenance(standing: Standing, given: Given, site: Site, at: str) -> Json:
    device = service_reference(site)
    seen = f"{standing.reference}/_history/{standing.version}"
    return {
        "resourceType": "Provenance",
        "target": [{"reference": standing.reference}],
        "occurredDateTime": at,
        "recorded": at,
        "activity": {"coding": [{"system": _ACTIVITY, "code": "UPDATE"}]},
        "agent": [
            {"type": {"coding": [{"system": _AGENT, "code": "author"}]}, "who": _who(given.by, _SPEAKS)},
            {
                "type": {"coding": [{"system": _AGENT, "code": "enterer"}]},
                "who": {**device, "display": f"{device['display']} {site.version}"},
            },
        ],
        "entity": [{"role": "revision", "what": {"reference": seen, "display": seen}}],
    }
