"""What the hospital decides about our writing: canonical base, time zone, whom a notice reaches."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, tzinfo
from types import MappingProxyType

from andante import __version__
from andante.domain.advice import NoticeCode, Tell
from andante.errors import InputError

DEFAULT_BASE = "https://andante.example/fhir"
# It becomes part of search strings and of `system|value`, so nothing that means something there may be in it.
_BASE = re.compile(r"https?://[A-Za-z0-9._~:/\-]+[A-Za-z0-9._~\-]")
# What R4 allows both as Task.owner and as CommunicationRequest.recipient, less the patient and their family.
_RECIPIENT = re.compile(r"(Practitioner|PractitionerRole|Organization|CareTeam|HealthcareService)/[A-Za-z0-9\-.]{1,64}")


@dataclass(frozen=True, kw_only=True)
class Site:
    """`recipients` maps whom to tell to a FHIR reference (`PractitionerRole/ward-dietitian`); the rest are
    named only.

    Notices whose code is in `drafts` are left as `draft`. Raises InputError for a base or reference that
    cannot be used.
    """

    base: str = DEFAULT_BASE
    zone: tzinfo = UTC
    recipients: Mapping[Tell, str] = field(default_factory=lambda: MappingProxyType({}))
    drafts: frozenset[NoticeCode] = frozenset()
    version: str = __version__

    def __post_init__(self) -> None:
        if not _BASE.fullmatch(self.base):
            raise InputError("the canonical base must be a plain http(s) address without a trailing slash")
        for tell, reference in self.recipients.items():
            if not _RECIPIENT.fullmatch(reference):
                raise InputError(
                    f"routing of {tell}: write a reference to a Practitioner, PractitionerRole, Organization, "
                    "CareTeam or HealthcareService, such as PractitionerRole/ward-dietitian"
                )

    def system(self, name: str) -> str:
        """One of our code systems."""
        return f"{self.base}/CodeSystem/{name}"

    def identifiers(self, name: str) -> str:
        """One of our identifier systems."""
        return f"{self.base}/identifier/{name}"

    def extension(self, name: str) -> str:
        """One of our extensions."""
        return f"{self.base}/StructureDefinition/{name}"
