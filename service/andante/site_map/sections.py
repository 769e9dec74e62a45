"""The sections of the site map that are not codes: wards, routing, escalation. Strict: an unknown key is an error."""

import re
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints

from andante.domain.advice import Priority, Tell
from andante.writeback.site import RECIPIENT_HELP, is_recipient

_LOCATION = re.compile(r"Location/[A-Za-z0-9\-.]{1,64}")
_LONGEST_MIN = 24 * 60  # an escalation a day later helps nobody


def _recipient(text: str) -> str:
    if not is_recipient(text):
        raise ValueError(RECIPIENT_HELP)
    return text


def _location(text: str) -> str:
    if not _LOCATION.fullmatch(text):
        raise ValueError("write a reference such as Location/ward-3")
    return text


Recipient = Annotated[str, AfterValidator(_recipient)]
Routing = dict[Tell, Recipient]
Name = Annotated[str, StringConstraints(min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f]*$")]


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=False, alias_generator=lambda n: n.replace("_", "-"))


class Ward(_Section):
    """What a Location is called here, and who is told of its patients instead of whoever is told elsewhere."""

    location: Annotated[str, AfterValidator(_location)]
    name: Name
    routing: Routing = {}


class Step(_Section):
    """After how many minutes without an answer whom else is told."""

    after_minutes: Annotated[int, Field(ge=5, le=_LONGEST_MIN, strict=True)]
    to: Recipient


class Sections(_Section):
    """Everything of the file but its codes."""

    hospital: Name = "this hospital"
    ward: tuple[Ward, ...] = ()
    routing: Routing = {}
    escalation: dict[Priority, Step] = {}
