"""What the hospital decides about our writing: canonical base, time zone, whom a notice reaches."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, timedelta, tzinfo
from types import MappingProxyType

from andante import __version__
from andante.domain.advice import NoticeCode, Priority, Tell
from andante.errors import InputError

DEFAULT_BASE = "https://andante.example/fhir"
RECIPIENT_HELP = (
    "write a reference to a Practitioner, PractitionerRole, Organization, CareTeam or HealthcareService, such as "
    "PractitionerRole/ward-dietitian"
)
# It becomes part of search strings and of `system|value`, so nothing that means something there may be in it.
_BASE = re.compile(r"https?://[A-Za-z0-9._~:/\-]+[A-Za-z0-9._~\-]")
# What R4 allows both as Task.owner and as CommunicationRequest.recipient, less the patient and their family.
_RECIPIENT = re.compile(r"(Practitioner|PractitionerRole|Organization|CareTeam|HealthcareService)/[A-Za-z0-9\-.]{1,64}")


def is_recipient(reference: str) -> bool:
    """Whether R4 lets it own a Task and receive a CommunicationRequest."""
    return _RECIPIENT.fullmatch(reference) is not None


@dataclass(frozen=True, kw_only=True)
class Escalation:
    """Who is told too of a notice that nobody has answered for so long."""

    after: timedelta
    to: str


@dataclass(frozen=True, kw_only=True)
class Site:
    """`recipients` maps whom to tell to a FHIR reference (`PractitionerRole/ward-dietitian`); the rest are
    named only. `ward_recipients` says so for single wards, by their names, and goes before.

    Notices whose code is in `drafts` are left as `draft`. Raises InputError for a base or reference that
    cannot be used.
    """

    base: str = DEFAULT_BASE
    zone: tzinfo = UTC
    recipients: Mapping[Tell, str] = field(default_factory=lambda: MappingProxyType({}))
    ward_recipients: Mapping[str, Mapping[Tell, str]] = field(default_factory=lambda: MappingProxyType({}))
    escalation: Mapping[Priority, Escalation] = field(default_factory=lambda: MappingProxyType({}))
    drafts: frozenset[NoticeCode] = frozenset()
    version: str = __version__

    def __post_init__(self) -> None:
        if not _BASE.fullmatch(self.base):
            raise InputError("the canonical base must be a plain http(s) address without a trailing slash")
        routes = [("routing", self.recipients), *((f"routing in {w}", r) for w, r in self.ward_recipients.items())]
        named = [(f"{what} of {tell}", reference) for what, route in routes for tell, reference in route.items()]
        named += [(f"escalation of {priority}", step.to) for priority, step in self.escalation.items()]
        for what, reference in named:
            if not is_recipient(reference):
                raise InputError(f"{what}: {RECIPIENT_HELP}")

    def recipient(self, tell: Tell, ward: str = "") -> str | None:
        """The reference of whom to tell about a patient of this ward; None where they are named only."""
        return self.ward_recipients.get(ward, {}).get(tell) or self.recipients.get(tell)

    def system(self, name: str) -> str:
        """One of our code systems."""
        return f"{self.base}/CodeSystem/{name}"

    def identifiers(self, name: str) -> str:
        """One of our identifier systems."""
        return f"{self.base}/identifier/{name}"

    def extension(self, name: str) -> str:
        """One of our extensions."""
        return f"{self.base}/StructureDefinition/{name}"
