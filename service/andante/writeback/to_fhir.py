"""One proposal as an R4 Task or CommunicationRequest, built and serialised by `fhir.resources`.

Pure. The R4B models of the library fit R4 for these types (https://hl7.org/fhir/R4/task.html,
https://hl7.org/fhir/R4/communicationrequest.html).
"""

from collections.abc import Iterable, Iterator
from datetime import datetime
from enum import StrEnum
from typing import Any

from fhir.resources.R4B.communicationrequest import CommunicationRequest
from fhir.resources.R4B.task import Task

from andante.chart.chart import reference_key
from andante.domain.advice import Advice, Assessment, Fact, Notice
from andante.wording import fact_text
from andante.writeback.codes import DISPLAY, SYSTEM_OF, InputKind, Kind
from andante.writeback.identity import Identity, unversioned
from andante.writeback.plan import Cancel, Create, Refresh, Revoke
from andante.writeback.proposal import Proposal
from andante.writeback.seal import Json, holds, mark, sealed
from andante.writeback.site import Site
from andante.writeback.standing import Hands, Standing

SERVICE_NAME = "Andante"
_REASONS = ("Condition", "Observation", "DiagnosticReport", "DocumentReference")  # what R4 allows as reason
_META_KEPT = ("profile", "security", "tag")  # the rest of meta is the server's to write


def created(create: Create, assessment: Assessment, site: Site) -> Json:
    """The body of a new resource."""
    return _body(
        create.proposal,
        create.identity,
        assessment,
        site,
        authored=assessment.now,
        instead_of=create.instead_of,
    )


def refreshed(refresh: Refresh, assessment: Assessment, site: Site) -> Json:
    """The body that renews an untouched resource: its name, birth and links stay, what it says is new."""
    standing = refresh.standing
    old = standing.body
    authored = standing.authored or assessment.now
    new = _body(refresh.proposal, standing.identity, assessment, site, authored=authored)
    new |= _kept_by_server(old)
    if standing.kind is Kind.ADVICE:
        new["note"] = [*new["note"], *old.get("note", [])[1:]]
        links = (part for part in old.get("input", ()) if holds(part, InputKind.SUPERSEDES, site))
        new["input"] = [*new["input"], *links]
    elif "replaces" in old:
        new["replaces"] = old["replaces"]
    return sealed(new, site)


def taken_back(action: Cancel | Revoke, assessment: Assessment, site: Site) -> Json:
    """The body that cancels or revokes, everything else as it stands."""
    standing = action.standing
    body = {name: value for name, value in standing.body.items() if name not in ("meta", "text")}
    body |= _kept_by_server(standing.body)
    body["statusReason"] = _concept(action.why, site, text=f"{DISPLAY[action.why]}: {action.reason}.")
    if isinstance(action, Cancel):
        body["status"] = "cancelled"
        body["lastModified"] = _instant(_not_before(standing.authored, assessment.now), site)
        return _dump(Task, body)
    body["status"] = "revoked"
    return _dump(CommunicationRequest, body)


def service_reference(site: Site) -> Json:
    """The service as a logical reference: it has no resource of its own on the server."""
    return {
        "type": "Device",
        "identifier": {"system": site.identifiers("service"), "value": "andante"},
        "display": SERVICE_NAME,
    }


def _body(
    proposal: Proposal,
    identity: Identity,
    assessment: Assessment,
    site: Site,
    *,
    authored: datetime,
    instead_of: tuple[Standing, ...] = (),
) -> Json:
    body = (
        _task(proposal, assessment, site, authored, instead_of)
        if proposal.notice is None
        else _communication_request(proposal, proposal.notice, assessment, site, authored, instead_of)
    )
    body["identifier"] = [{"system": site.identifiers(proposal.kind), "value": identity.value}]
    body = mark(body, InputKind.FINGERPRINT, proposal.evidence, site)
    return sealed(body, site)


def _task(
    proposal: Proposal,
    assessment: Assessment,
    site: Site,
    authored: datetime,
    instead_of: tuple[Standing, ...],
) -> Json:
    advice = assessment.advice
    body: Json = {
        "resourceType": "Task",
        "status": "requested",
        "intent": "proposal",
        "priority": proposal.priority.value,
        "code": _advice_code(advice, site),
        "description": proposal.line,
        "for": {"reference": unversioned(assessment.patient)},
        "authoredOn": _instant(authored, site),
        "lastModified": _instant(_not_before(authored, assessment.now), site),
        "requester": service_reference(site),
        "performerType": [_concept(proposal.tell, site)],
        "note": [_annotation(proposal.text, assessment, site)],
        "input": [*_evidence_inputs(proposal.facts, site), *_links(instead_of, site)],
    }
    if (focus := _reference(advice.focus)) is not None:
        body["focus"] = focus
    if assessment.encounter:
        body["encounter"] = {"reference": unversioned(assessment.encounter)}
    if (owner := site.recipient(proposal.tell, assessment.ward)) is not None:
        body["owner"] = {"reference": owner}
    if proposal.valid_until is not None:
        body["restriction"] = {"period": {"end": _instant(proposal.valid_until, site)}}
    with_a_person = [one for one in instead_of if one.hands is not Hands.OURS]
    body["note"] += [_annotation(_left_alone(one), assessment, site) for one in with_a_person]
    return _dump(Task, body)


def _communication_request(
    proposal: Proposal,
    notice: Notice,
    assessment: Assessment,
    site: Site,
    authored: datetime,
    instead_of: tuple[Standing, ...],
) -> Json:
    sources = list(_sources(proposal.facts))
    body: Json = {
        "resourceType": "CommunicationRequest",
        "status": "draft" if notice.code in site.drafts else "active",
        "category": list(_categories(notice, site)),
        "priority": proposal.priority.value,
        "subject": {"reference": unversioned(assessment.patient)},
        "payload": [{"contentString": proposal.text}, *({"contentReference": source} for source in sources)],
        "authoredOn": _instant(authored, site),
        "requester": service_reference(site),
        "sender": service_reference(site),
        "recipient": list(_recipients(proposal, site, assessment.ward)),
    }
    if sources:
        body["about"] = sources
    if reasons := [source for source in sources if _type(source) in _REASONS]:
        body["reasonReference"] = reasons
    if assessment.encounter:
        body["encounter"] = {"reference": unversioned(assessment.encounter)}
    if instead_of:
        body["replaces"] = [{"reference": one.reference} for one in instead_of]
    return _dump(CommunicationRequest, body)


def _advice_code(advice: Advice, site: Site) -> Json:
    coded = _concept(advice.code, site)
    coded["coding"].append({"system": site.system("rule"), "code": advice.rule})
    return coded


def _categories(notice: Notice, site: Site) -> Iterator[Json]:
    yield _concept(notice.code, site)
    if notice.stage is not None:
        yield _concept(notice.stage, site)


def _recipients(proposal: Proposal, site: Site, ward: str) -> Iterator[Json]:
    """Whom to tell, and after an escalation whom else."""
    reference = site.recipient(proposal.tell, ward)
    if reference is not None:
        yield {"reference": reference}
    else:
        yield {
            "type": "PractitionerRole",
            "identifier": {"system": site.system("tell"), "value": proposal.tell.value},
            "display": DISPLAY[proposal.tell],
        }
    if proposal.escalated_to not in ("", reference):
        yield {"reference": proposal.escalated_to}


def _evidence_inputs(facts: Iterable[Fact], site: Site) -> Iterator[Json]:
    """Two inputs for each fact, since an input holds one value: the version read, and what it says."""
    for fact in facts:
        if (source := _reference(fact.source)) is not None:
            yield {"type": _concept(InputKind.EVIDENCE, site, text=fact.label), "valueReference": source}
        yield {
            "type": _concept(InputKind.VALUE, site, text=fact.label),
            "valueString": fact_text(fact, site.zone),
        }


def _links(instead_of: Iterable[Standing], site: Site) -> Iterator[Json]:
    # R4 has no Task.replaces; partOf and basedOn would mean something else, so the link is an input.
    for one in instead_of:
        yield {
            "type": _concept(InputKind.SUPERSEDES, site),
            "valueReference": {"reference": one.reference},
        }


def _left_alone(standing: Standing) -> str:
    return (
        f"Replaces the earlier suggestion {standing.reference} ({standing.line}), which is with a person "
        f"({standing.status}) and was left as it is."
    )


def _sources(facts: Iterable[Fact]) -> Iterator[Json]:
    for text in dict.fromkeys(fact.source for fact in facts):
        if (source := _reference(text)) is not None:
            yield source


def _reference(text: str) -> Json | None:
    """The versioned reference, repeated as display: some servers cut the version off a reference they store."""
    if reference_key(text) is None:
        return None
    return {"reference": text, "display": text} if "/_history/" in text else {"reference": text}


def _type(reference: Json) -> str:
    return unversioned(reference["reference"]).partition("/")[0]


def _concept(code: StrEnum, site: Site, *, text: str | None = None) -> Json:
    system = site.system(SYSTEM_OF[type(code)])
    coding = {"system": system, "code": code.value, "display": DISPLAY[code]}
    return {"coding": [coding], "text": text or DISPLAY[code]}


def _annotation(text: str, assessment: Assessment, site: Site) -> Json:
    return {"authorString": SERVICE_NAME, "time": _instant(assessment.now, site), "text": text}


def _kept_by_server(body: Json) -> Json:
    meta = {name: body["meta"][name] for name in _META_KEPT if body.get("meta", {}).get(name)}
    return {"id": body["id"], **({"meta": meta} if meta else {})}


def _not_before(authored: datetime | None, now: datetime) -> datetime:
    """R4 inv-1: a Task is never modified before it was authored."""
    return max(authored, now) if authored else now


def _instant(instant: datetime, site: Site) -> str:
    return instant.astimezone(site.zone).isoformat()


def _dump(model: Any, body: Json) -> Json:
    """Through the library's model and back, so that what leaves has the shape of R4."""
    dumped: Json = model.model_validate(body).model_dump(mode="json")
    return dumped
