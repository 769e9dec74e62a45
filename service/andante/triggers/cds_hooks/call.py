"""One call of a hook, taken apart. Nothing of it is believed yet, and nothing of it is repeated in an error."""

import re
from dataclasses import dataclass, field
from uuid import UUID

import msgspec

from andante.chart.chart import Problem, reference_key
from andante.chart.decoding import decode_resource
from andante.chart.models import MedicationRequest, NutritionOrder, subject_of
from andante.drafts import Draft
from andante.errors import InputError
from andante.fhir_http.envelope import DECODE_ERRORS, decode_bundle, is_too_dense, type_of
from andante.triggers.cds_hooks.catalogue import Hook
from andante.triggers.inputs import is_fhir_id

MOST_DRAFTS = 100
DRAFT_ID = "unsigned-draft-"  # so that a draft is never taken for another version of an order of the chart
_USER = re.compile(r"(Practitioner|PractitionerRole|Patient|RelatedPerson)/[A-Za-z0-9\-.]{1,64}")
_ORDERS = ("NutritionOrder", "MedicationRequest")
_OVER = frozenset({"revoked", "completed", "stopped", "cancelled", "entered-in-error"})


class _Context(msgspec.Struct, frozen=True, rename="camel"):
    patient_id: str
    user_id: str = ""
    draft_orders: msgspec.Raw = msgspec.Raw(b"")


class _Body(msgspec.Struct, frozen=True, rename="camel"):
    hook: str
    hook_instance: str
    context: _Context
    fhir_server: str | None = None
    prefetch: dict[str, msgspec.Raw] | None = None
    # fhirAuthorization is left where it is: the service asks with its own credentials, or not at all.


@dataclass(frozen=True, kw_only=True)
class Call:
    """`drafts` are orders that may bring energy; `unread` says what is wrong with those that cannot be read."""

    instance: str
    patient_id: str
    user: str = ""
    fhir_server: str | None = None
    prefetch: dict[str, bytes] = field(default_factory=dict)
    drafts: tuple[Draft, ...] = ()
    unread: tuple[str, ...] = ()

    @property
    def has_drafts(self) -> bool:
        return bool(self.drafts or self.unread)


def read_call(body: bytes, hook: Hook, *, today: str) -> Call:
    """Take a call apart. `today` dates drafts that carry no date: they begin when they are signed.

    Raises InputError, in words that hold nothing of the call.
    """
    if is_too_dense(body):
        raise InputError("the call holds more values than a chart of its size")
    try:
        found = msgspec.json.decode(body, type=_Body)
    except (*DECODE_ERRORS, ValueError, RecursionError):
        raise InputError("the call is not the JSON of CDS Hooks with hook, hookInstance and context") from None
    if found.hook != hook.value:
        raise InputError(f"this service answers the hook {hook.value} and no other")
    if not is_fhir_id(found.context.patient_id):
        raise InputError("context.patientId is no FHIR id")
    drafts: tuple[Draft, ...] = ()
    unread: tuple[str, ...] = ()
    if hook is not Hook.PATIENT_VIEW:
        drafts, unread = _drafts(found.context, today)
    return Call(
        instance=_uuid(found.hook_instance),
        patient_id=found.context.patient_id,
        user=found.context.user_id if _USER.fullmatch(found.context.user_id) else "",
        fhir_server=found.fhir_server,
        prefetch={key: bytes(raw) for key, raw in (found.prefetch or {}).items() if bytes(raw) != b"null"},
        drafts=drafts,
        unread=unread,
    )


def _uuid(text: str) -> str:
    try:
        return str(UUID(text))
    except ValueError:
        raise InputError("hookInstance is no UUID") from None


def _drafts(context: _Context, today: str) -> tuple[tuple[Draft, ...], tuple[str, ...]]:
    if not len(context.draft_orders):
        raise InputError("context.draftOrders is missing")
    try:
        bundle, misshapen = decode_bundle(bytes(context.draft_orders))
    except (*DECODE_ERRORS, RecursionError):
        raise InputError("context.draftOrders is no FHIR Bundle") from None
    if bundle.resource_type != "Bundle":
        raise InputError("context.draftOrders is no FHIR Bundle")
    if misshapen or any(not entry.has_resource for entry in bundle.entry):
        raise InputError("context.draftOrders has an entry without a resource")
    if len(bundle.entry) > MOST_DRAFTS:
        raise InputError(f"context.draftOrders has more than {MOST_DRAFTS} entries")
    drafts: list[Draft] = []
    unread: list[str] = []
    for number, entry in enumerate(bundle.entry, start=1):
        try:
            kind = type_of(entry.resource)
        except DECODE_ERRORS:
            kind = None
        if kind is None:
            raise InputError("context.draftOrders has an entry that does not say what it is")
        if kind not in _ORDERS:
            continue
        found = decode_resource(kind, entry.resource)
        if isinstance(found, Problem):
            unread.append(f"draft {number}: {found.text}")
        elif isinstance(found, NutritionOrder | MedicationRequest) and found.status not in _OVER:
            drafts.append(_as_draft(found, number, context.patient_id, today))
    return tuple(drafts), tuple(unread)


def _as_draft(order: Draft, number: int, patient_id: str, today: str) -> Draft:
    """The order as what it is, a draft of an order, whatever it calls itself."""
    subject = subject_of(order)
    about = reference_key((subject.reference if subject else None) or "")
    if about is None:
        raise InputError("a draft order does not say whom it is about")
    if about != f"Patient/{patient_id}":
        raise InputError("a draft order is about another patient than the call: nothing was weighed")
    common = {"id": f"{DRAFT_ID}{number}", "meta": None, "status": "draft", "intent": "order"}
    if isinstance(order, NutritionOrder):
        return msgspec.structs.replace(order, **common, date_time=order.date_time or today)
    return msgspec.structs.replace(order, **common, authored_on=order.authored_on or today)
