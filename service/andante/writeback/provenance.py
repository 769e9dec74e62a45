"""Where each write comes from: what was read, when, by which protocol, so that it can be worked out again.

https://hl7.org/fhir/R4/provenance.html
"""

from collections.abc import Iterable, Sequence

from fhir.resources.R4B.provenance import Provenance

from andante.domain.advice import Assessment
from andante.writeback.seal import Json
from andante.writeback.site import Site
from andante.writeback.standing import Standing
from andante.writeback.to_fhir import service_reference

_ACTIVITY = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"
_AGENT = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"


def provenance(
    assessment: Assessment,
    site: Site,
    *,
    targets: Sequence[str],
    creates: bool,
    replaced: Iterable[Standing] = (),
) -> Json:
    """One Provenance for all targets of a transaction.

    Every version read is an entity, and the versions that this write replaces are too; `occurredDateTime` is
    the instant the rules were given, to the microsecond; the policies name the protocol and its hash.
    """
    instant = assessment.now.astimezone(site.zone).isoformat()
    device = service_reference(site)
    sources = [_entity("source", version) for version in dict.fromkeys(assessment.versions) if version]
    earlier = [_entity("revision", f"{one.reference}/_history/{one.version}") for one in replaced]
    body: Json = {
        "resourceType": "Provenance",
        "target": [{"reference": target} for target in targets],
        "occurredDateTime": instant,
        "recorded": instant,
        "policy": protocol_policies(assessment, site),
        "activity": {"coding": [{"system": _ACTIVITY, "code": "CREATE" if creates else "UPDATE"}]},
        "agent": [
            {
                "type": {"coding": [{"system": _AGENT, "code": "assembler"}]},
                "who": {**device, "display": f"{device['display']} {site.version}"},
            }
        ],
    }
    if sources or earlier:
        body["entity"] = [*sources, *earlier]
    dumped: Json = Provenance.model_validate(body).model_dump(mode="json")
    return dumped


def protocol_policies(assessment: Assessment, site: Site) -> list[str]:
    """Identity and hash of the protocol as it was in force, the site's own numbers included."""
    identity = f"{site.base}/protocol/{assessment.protocol_id}|{assessment.protocol_version}"
    return [identity, f"{site.base}/protocol-hash/{assessment.protocol_hash}"]


def _entity(role: str, version: str) -> Json:
    # The version also as display: some servers cut it off a reference they store, and without it nothing can
    # be worked out again.
    return {"role": role, "what": {"reference": version, "display": version}}
