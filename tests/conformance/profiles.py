"""Which of our profiles a resource of ours is held against, and which remarks of the validator are known and why."""

from typing import Any

from statements import ANSWER_PROFILE_OF, PROFILE_OF
from validating import Issue

from andante.writeback.hooks import PROFILE as HOOK_BY_TOPIC
from andante.writeback.site import DEFAULT_BASE

Json = dict[str, Any]

TRANSACTION, ANSWER_TRANSACTION = "advice-transaction", "answer-transaction"

TOLERATED = {
    "http://hl7.org/fhir/StructureDefinition/DomainResource#dom-6": "a narrative is advised, not required. What people "
    "read stands in a Task's note, a notice's payload and a definition's description; a second text beside them could "
    "come to differ, and the gate lets none pass",
    "BUNDLE_BUNDLE_POSSIBLE_MATCH_WRONG_FU": "what stands on the server already is referred to by its address there. "
    "Its entry's fullUrl is a temporary one, since the service does not know by which address the server calls itself",
    "Terminology_TX_NoValid_3_CC": "R4 gives examples of a performer's role; ours says whom to tell, and the profile "
    "binds it to our own list",
}
"""Remarks that are no errors, by the validator's name for them, each with the reason why it stays."""


def profiles_of(resource: Json, base: str = DEFAULT_BASE) -> tuple[str, ...]:
    """The addresses of the profiles that what we write must meet, beside R4 itself."""
    kind = resource["resourceType"]
    if kind == "Subscription":
        return (HOOK_BY_TOPIC,) if "meta" in resource else ()
    return (f"{base}/StructureDefinition/{TRANSACTION if kind == 'Bundle' else PROFILE_OF[kind]}",)


def answer_profiles_of(resource: Json, base: str = DEFAULT_BASE) -> tuple[str, ...]:
    """The same, of what is written when a person answers. Which of the two it is, no resource says of itself."""
    kind = resource["resourceType"]
    return (f"{base}/StructureDefinition/{ANSWER_TRANSACTION if kind == 'Bundle' else ANSWER_PROFILE_OF[kind]}",)


def untold(issues: tuple[Issue, ...]) -> list[str]:
    """What the validator found beside what is known."""
    return [str(issue) for issue in issues if issue.is_error or issue.id not in TOLERATED]
