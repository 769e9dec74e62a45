"""A plan as one transaction Bundle: either all of it happens, or nothing.

https://hl7.org/fhir/R4/http.html#transaction
"""

from uuid import NAMESPACE_URL, uuid5

from andante.domain.advice import Assessment
from andante.writeback.plan import Action, Cancel, Create, Plan, Refresh, Revoke
from andante.writeback.provenance import provenance
from andante.writeback.seal import Json
from andante.writeback.site import Site
from andante.writeback.to_fhir import created, refreshed, taken_back


def transaction(plan: Plan, assessment: Assessment, site: Site) -> Json:
    """The Bundle of a plan that has actions, its Provenance last; entries in the order of the actions.

    The same plan gives the same bytes: temporary addresses are derived from the identifiers, not drawn.
    """
    entries = [_entry(action, assessment, site) for action in plan.actions]
    if entries:
        creates = [action for action in plan.actions if isinstance(action, Create)]
        changed = [action.standing for action in plan.actions if not isinstance(action, Create)]
        targets = [address_of(entry) for entry in entries]
        body = provenance(assessment, site, targets=targets, creates=bool(creates), replaced=changed)
        address = _address(*targets, assessment.now.isoformat())
        entries.append({"fullUrl": address, "resource": body, "request": {"method": "POST", "url": "Provenance"}})
    return {"resourceType": "Bundle", "type": "transaction", **({"entry": entries} if entries else {})}


def _entry(action: Action, assessment: Assessment, site: Site) -> Json:
    match action:
        case Create(identity=identity, proposal=proposal):
            body = created(action, assessment, site)
            identifier = f"{site.identifiers(proposal.kind)}|{identity.value}"
            return {
                "fullUrl": _address(identifier),
                "resource": body,
                "request": {
                    "method": "POST",
                    "url": body["resourceType"],
                    "ifNoneExist": f"identifier={identifier}",
                },
            }
        case Refresh():
            body = refreshed(action, assessment, site)
        case Cancel() | Revoke():
            body = taken_back(action, assessment, site)
    standing = action.standing
    return {
        "fullUrl": _address(standing.reference),  # R4 lets only a POST do without one
        "resource": body,
        "request": {"method": "PUT", "url": standing.reference, "ifMatch": f'W/"{standing.version}"'},
    }


def address_of(entry: Json) -> str:
    """How other entries refer to this one: by its place on the server, or until it has one by its temporary address."""
    address: str = entry["request"]["url"] if entry["request"]["method"] == "PUT" else entry["fullUrl"]
    return address


def _address(*parts: str) -> str:
    return f"urn:uuid:{uuid5(NAMESPACE_URL, ' '.join(parts))}"
