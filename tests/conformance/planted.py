"""Planted faults: one change each to a resource that is sound, and where it must be found, by whom.

`core`: R4 itself forbids it. `profile`: R4 allows it and our profile does not. The validator must say so at `where`.
"""

from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass
from typing import Any

Json = dict[str, Any]
Change = Callable[[Json], None]

OURS = "https://andante.example/fhir"
BACKPORT = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition"
TASK_CODE = "http://hl7.org/fhir/CodeSystem/task-code"


@dataclass(frozen=True)
class Fault:
    """`on`: the example it is planted in."""

    name: str
    on: str
    change: Change
    by: str
    where: str

    def planted(self, sound: Json) -> Json:
        body = deepcopy(sound)
        self.change(body)
        return body


def put(*path: Any, to: Any) -> Change:
    """Put a value in the place of another, or where there was none."""

    def change(body: Json) -> None:
        _at(body, path)[path[-1]] = deepcopy(to)

    return change


def add(*path: Any, item: Any) -> Change:
    """One more item at the end of a list."""
    return lambda body: _at(body, path).setdefault(path[-1], []).append(deepcopy(item))


def drop(*path: Any) -> Change:
    def change(body: Json) -> None:
        del _at(body, path)[path[-1]]

    return change


def keep(*path: Any, count: int = 1) -> Change:
    """Only the first of a list."""

    def change(body: Json) -> None:
        at = _at(body, path)
        at[path[-1]] = at[path[-1]][:count]

    return change


def twice(*path: Any, index: int) -> Change:
    """An item of a list once more."""

    def change(body: Json) -> None:
        items = _at(body, path)[path[-1]]
        items.append(deepcopy(items[index]))

    return change


def _at(body: Json, path: tuple[Any, ...]) -> Any:
    node: Any = body
    for part in path[:-1]:
        node = node[part]
    return node


def _faults(on: str, by: str, *rows: tuple[str, Change, str]) -> list[Fault]:
    return [Fault(name, on, change, by, where) for name, change, where in rows]


def _coded(system: str, code: str) -> Json:
    return {"coding": [{"system": system, "code": code}]}


def _input(code: str, **value: Any) -> Json:
    return {"type": _coded(f"{OURS}/CodeSystem/task-input", code), **value}


def _in_entry(kind: str, inner: Change) -> Change:
    """In the entry of the first new resource of a type."""

    def change(bundle: Json) -> None:
        inner(
            next(
                e for e in bundle["entry"] if e["resource"]["resourceType"] == kind and e["request"]["method"] == "POST"
            )
        )

    return change


def _in_update(inner: Change) -> Change:
    """In the first entry that is an update."""
    return lambda bundle: inner(next(e for e in bundle["entry"] if e["request"]["method"] == "PUT"))


EXTENSION = {"url": "https://x.example/StructureDefinition/x", "valueString": "y"}
A_FLAG = {"url": "https://x.example/StructureDefinition/x", "valueBoolean": True}
ORDER = {
    "resourceType": "NutritionOrder",
    "status": "active",
    "intent": "order",
    "patient": {"reference": "Patient/quillfeather"},
    "dateTime": "2031-03-27",
}
CONTAINED = {"resourceType": "Patient", "id": "inside"}

FAULTS = [
    *_faults(
        "Task-advice",
        "core",
        ("a status that does not exist", put("status", to="bogus"), "Task.status"),
        ("no status", drop("status"), "Task"),
        ("no intent", drop("intent"), "Task"),
        ("an intent that does not exist", put("intent", to="suggestion"), "Task.intent"),
        ("a priority that does not exist", put("priority", to="high"), "Task.priority"),
        ("a day that does not exist", put("authoredOn", to="2031-02-30T06:30:00Z"), "Task.authoredOn"),
        ("a time without zone", put("authoredOn", to="2031-03-24T06:30:00"), "Task.authoredOn"),
        ("a time in another notation", put("lastModified", to="27.03.2031 06:30"), "Task.lastModified"),
        ("inv-1: modified before it was authored", put("lastModified", to="2031-01-01T06:30:00Z"), "inv-1"),
        ("per-1: a period that ends before it starts",
         put("restriction", "period", to={"start": "2031-03-29T06:30:00Z", "end": "2031-03-28T06:30:00Z"}), "per-1"),
        ("ref-1: a reference to nothing contained", put("focus", "reference", to="#gone"), "Task.focus"),
        ("dom-3: something contained that nobody points to", put("contained", to=[CONTAINED]), "dom-3"),
        ("qty-3: a coded unit without its system",
         add("input", item=_input("evidence-value", valueQuantity={"value": 1, "code": "mmol/L"})), "qty-3"),
        ("ext-1: an extension with value and parts",
         put("extension", to=[{**EXTENSION, "extension": [EXTENSION]}]), "ext-1"),
        ("an owner that cannot own", put("owner", to={"reference": "Observation/1"}), "Task.owner"),
        ("a requester of another type than its reference",
         put("requester", to={"reference": "Patient/1", "type": "Device"}), "Task.requester"),
        ("two values in one choice", put("input", 0, "valueBoolean", to=True), "Task.input[0]"),
        ("an input without value", drop("input", 0, "valueReference"), "Task.input[0]"),
        ("an input without type", drop("input", 0, "type"), "Task.input[0]"),
        ("a note without text", drop("note", 0, "text"), "Task.note[0]"),
        ("an unknown element", put("orderNow", to=True), "orderNow"),
        ("an unknown element deep inside", put("code", "orderNow", to=True), "orderNow"),
        ("an element of another release", put("requestedPerformer", to=[]), "requestedPerformer"),
        ("an empty list", put("reasonReference", to=[]), "Task.reasonReference"),
        ("an empty object", put("reasonCode", to={}), "Task.reasonCode"),
        ("an empty text", put("description", to=""), "Task.description"),
        ("null in the place of a value", put("description", to=None), "Task.description"),
        ("a list where one value stands", put("description", to=["a", "b"]), "Task.description"),
        ("one value where a list stands", lambda b: b.update(note=b["note"][0]), "Task.note"),
        ("a number where a text stands", put("description", to=7), "Task.description"),
        ("an id that is none", put("id", to="a b"), "Task.id"),
        ("an unknown extension", put("extension", to=[EXTENSION]), "Task.extension[0]"),
        ("an unknown extension deep inside", put("code", "extension", to=[EXTENSION]), "Task.code.extension[0]"),
        ("an unknown modifier extension", put("modifierExtension", to=[A_FLAG]), "Task.modifierExtension[0]"),
        ("a narrative with a script",
         put("text", to={"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml"><script/></div>'}),
         "Task.text"),
        ("a profile that nobody knows", put("meta", to={"profile": ["https://x.example/StructureDefinition/x"]}),
         "Task"),
        ("a code that our code system does not have", put("code", "coding", 0, "code", to="stop-everything"),
         "Task.code"),
        ("a notice's extension on a Task",
         put("extension", to=[{"url": f"{OURS}/StructureDefinition/seal", "valueString": "x"}]),
         "StructureDefinition/seal"),
    ),
    *_faults(
        "Task-advice",
        "profile",
        ("an order", put("intent", to="order"), "Task.intent"),
        ("a plan", put("intent", to="plan"), "Task.intent"),
        ("a status that belongs to people", put("status", to="accepted"), "Task.status"),
        ("a completed Task", put("status", to="completed"), "Task.status"),
        ("nobody it is for", drop("for"), "Task.for"),
        ("a group it is for", put("for", "reference", to="Group/1"), "Task.for"),
        ("no code", drop("code"), "Task.code"),
        ("a code of another system alone", put("code", "coding", to=_coded(TASK_CODE, "approve")["coding"]),
         "Task.code"),
        ("one more code that says fulfil", add("code", "coding", item=_coded(TASK_CODE, "fulfill")["coding"][0]),
         "Task.code"),
        ("an advice that is never told", lambda b: b["code"]["coding"][0].update(
            code="not-at-risk", display="Not at risk"), "Task.code"),
        ("no rule", keep("code", "coding"), "Task.code"),
        ("no words beside the code", drop("code", "text"), "Task.code"),
        ("no priority", drop("priority"), "Task.priority"),
        ("no first line", drop("description"), "Task.description"),
        ("an order of another type under review", put("focus", "reference", to="ServiceRequest/1"), "Task.focus"),
        ("no identifier", drop("identifier"), "Task.identifier"),
        ("two identifiers", twice("identifier", index=0), "Task.identifier"),
        ("an identifier of another system", put("identifier", 0, "system", to="https://x.example/id"),
         "Task.identifier[0].system"),
        ("an identifier of another form", put("identifier", 0, "value", to="7"), "Task.identifier[0].value"),
        ("a requester with an address", put("requester", "reference", to="Device/1"), "Task.requester"),
        ("another service", put("requester", "identifier", "value", to="other"), "Task.requester"),
        ("a performer's role of another list",
         put("performerType", to=[_coded("http://snomed.info/sct", "159033005")]), "Task.performerType"),
        ("no time of writing", drop("authoredOn"), "Task.authoredOn"),
        ("no note", drop("note"), "Task.note"),
        ("a note by a person", lambda b: (b["note"][0].pop("authorString"), b["note"][0].update(
            authorReference={"reference": "Practitioner/1"})), "Task.note[0]"),
        ("no time on a note", drop("note", 0, "time"), "Task.note[0]"),
        ("how often to do it", put("restriction", "repetitions", to=2), "Task.restriction"),
        ("who may do it", put("restriction", "recipient", to=[{"reference": "Practitioner/1"}]), "Task.restriction"),
        ("no input", drop("input"), "Task.input"),
        ("no seal", lambda b: b["input"].pop(), "Task.input"),
        ("two seals", twice("input", index=-1), "Task.input"),
        ("an input that is not ours", add("input", item={"type": {"text": "x"}, "valueString": "y"}), "Task.input"),
        ("evidence without address", put("input", 0, to=_input("evidence", valueString="y")), "Task.input[0]"),
        ("evidence in numbers", add("input", item=_input("evidence-value", valueDecimal=0.6)), "Task.input"),
        ("basedOn, which would tie it to an order", put("basedOn", to=[{"reference": "NutritionOrder/1"}]),
         "Task.basedOn"),
        ("partOf, which would tie it to another Task", put("partOf", to=[{"reference": "Task/1"}]), "Task.partOf"),
        ("output, which is a person's", put("output", to=[{"type": {"text": "x"}, "valueString": "y"}]), "Task.output"),
        ("executionPeriod, which is a person's", put("executionPeriod", to={"start": "2031-03-27"}),
         "Task.executionPeriod"),
        ("something contained", lambda b: (b.update(contained=[{**ORDER, "id": "inside"}]),
                                           b["focus"].update(reference="#inside")), "Task.contained"),
        ("a narrative", put("text", to={"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml">x</div>'}),
         "Task.text"),
        ("implicit rules", put("implicitRules", to="https://x.example/rules"), "Task.implicitRules"),
        ("a language", put("language", to="en"), "Task.language"),
        ("a business status", put("businessStatus", to={"text": "x"}), "Task.businessStatus"),
        ("a place", put("location", to={"reference": "Location/1"}), "Task.location"),
        ("a reason beside the evidence", put("reasonCode", to={"text": "x"}), "Task.reasonCode"),
        ("taken back without being cancelled",
         put("statusReason", to={**_coded(f"{OURS}/CodeSystem/cancel-reason", "superseded"), "text": "x"}),
         "andante-2"),
    ),
    *_faults(
        "Task-taken-back",
        "profile",
        ("cancelled without a reason", drop("statusReason"), "andante-2"),
        ("cancelled for a reason of another list", put("statusReason", to={**_coded(TASK_CODE, "abort"), "text": "x"}),
         "Task.statusReason"),
        ("cancelled for a reason in words alone", put("statusReason", to={"text": "x"}), "Task.statusReason"),
    ),
    *_faults(
        "CommunicationRequest-notice",
        "core",
        ("a notice's status that does not exist", put("status", to="requested"), "CommunicationRequest.status"),
        ("a notice without status", drop("status"), "CommunicationRequest"),
        ("a payload without content", drop("payload", 0, "contentString"), "CommunicationRequest.payload[0]"),
        ("a payload with two contents", put("payload", 0, "contentReference", to={"reference": "Task/1"}),
         "CommunicationRequest.payload[0]"),
        ("a recipient that cannot be told", put("recipient", to=[{"reference": "Observation/1"}]),
         "CommunicationRequest.recipient[0]"),
        ("a reason that cannot be one", put("reasonReference", to=[{"reference": "NutritionOrder/1"}]),
         "CommunicationRequest.reasonReference[0]"),
        ("one reason where a list stands", put("reasonReference", to={"reference": "Observation/1"}),
         "CommunicationRequest.reasonReference"),
        ("an intent, which R4 does not have here", put("intent", to="proposal"), "intent"),
        ("an extension of ours with another type of value",
         lambda b: (b["extension"][0].pop("valueString"), b["extension"][0].update(valueInteger=7)),
         "CommunicationRequest.extension[0]"),
        ("an extension without value", drop("extension", 0, "valueString"), "CommunicationRequest.extension[0]"),
        ("somebody's extension", add("extension", item=EXTENSION), "CommunicationRequest.extension[2]"),
    ),
    *_faults(
        "CommunicationRequest-notice",
        "profile",
        ("a notice's status that belongs to people", put("status", to="completed"), "CommunicationRequest.status"),
        ("a notice about nobody", drop("subject"), "CommunicationRequest.subject"),
        ("a notice about a group", put("subject", "reference", to="Group/1"), "CommunicationRequest.subject"),
        ("a notice without kind", drop("category"), "CommunicationRequest.category"),
        ("a notice of another kind", put("category", to=[_coded(TASK_CODE, "fulfill")]),
         "CommunicationRequest.category"),
        ("a notice of two kinds",
         add("category", item=_coded(f"{OURS}/CodeSystem/notice", "urgent")), "CommunicationRequest.category"),
        ("a notice without priority", drop("priority"), "CommunicationRequest.priority"),
        ("a notice without words", put("payload", to=[{"contentReference": {"reference": "Observation/1"}}]),
         "CommunicationRequest.payload:text"),
        ("a notice with a file", add("payload", item={"contentAttachment": {"url": "https://x.example/a.pdf"}}),
         "CommunicationRequest.payload"),
        ("a notice to nobody", drop("recipient"), "CommunicationRequest.recipient"),
        ("a notice to a device", put("recipient", to=[{"reference": "Device/1"}]), "CommunicationRequest.recipient"),
        ("a notice to a relative", put("recipient", to=[{"reference": "RelatedPerson/1"}]),
         "CommunicationRequest.recipient"),
        ("a notice that is scheduled", put("occurrenceDateTime", to="2031-03-28"), "CommunicationRequest.occurrence"),
        ("a notice that says: do not", put("doNotPerform", to=True), "CommunicationRequest.doNotPerform"),
        ("a notice based on an order", put("basedOn", to=[{"reference": "NutritionOrder/1"}]),
         "CommunicationRequest.basedOn"),
        ("a notice by a given medium", put("medium", to=[{"text": "pager"}]), "CommunicationRequest.medium"),
        ("a notice with a person's note", put("note", to=[{"text": "x"}]), "CommunicationRequest.note"),
        ("a notice without seal", lambda b: b["extension"].pop(), "CommunicationRequest.extension"),
        ("a notice from another sender", put("sender", "identifier", "value", to="other"),
         "CommunicationRequest.sender"),
        ("a notice revoked without a reason", put("status", to="revoked"), "andante-3"),
    ),
    *_faults(
        "Provenance-provenance",
        "core",
        ("a provenance of nothing", drop("target"), "Provenance"),
        ("a provenance by nobody", drop("agent"), "Provenance"),
        ("an agent without name", drop("agent", 0, "who"), "Provenance.agent[0]"),
        ("recorded on a day", put("recorded", to="2031-03-27"), "Provenance.recorded"),
        ("occurred twice", put("occurredPeriod", to={"start": "2031-03-27"}), "Provenance"),
        ("a role that does not exist", put("entity", 0, "role", to="origin"), "Provenance.entity[0].role"),
        ("an entity without what", drop("entity", 0, "what"), "Provenance.entity[0]"),
        ("a policy that is no address", put("policy", 0, to="the protocol of the house"), "Provenance.policy[0]"),
    ),
    *_faults(
        "Provenance-provenance",
        "profile",
        ("a provenance of an order", put("target", to=[{"reference": "NutritionOrder/1"}]), "Provenance.target"),
        ("two agents", twice("agent", index=0), "Provenance.agent"),
        ("an author", put("agent", 0, "type", "coding", 0, "code", to="author"), "Provenance.agent"),
        ("an agent on somebody's behalf", put("agent", 0, "onBehalfOf", to={"reference": "Organization/1"}),
         "Provenance.agent"),
        ("a quotation", put("entity", 0, "role", to="quotation"), "Provenance.entity[0].role"),
        ("an entity by identifier", put("entity", 0, "what", to={"identifier": {"value": "1"}}),
         "Provenance.entity[0]"),
        ("no protocol", drop("policy"), "Provenance.policy"),
        ("a protocol without its hash", keep("policy"), "Provenance.policy"),
        ("the hash alone, twice", lambda b: b.update(policy=[b["policy"][1]] * 2), "andante-4"),
        ("no instant", drop("occurredDateTime"), "Provenance.occurred"),
        ("no activity", drop("activity"), "Provenance.activity"),
        ("a deletion", put("activity", "coding", 0, "code", to="DELETE"), "Provenance.activity"),
        ("a signature", put("signature", to=[{"type": [{"code": "x"}], "when": "2031-03-27T06:30:00Z",
                                              "who": {"display": "x"}}]), "Provenance.signature"),
    ),
    *_faults(
        "Bundle-transaction",
        "core",
        ("an entry without request", drop("entry", 0, "request"), "Bundle"),
        ("the same address twice", lambda b: b["entry"][1].update(fullUrl=b["entry"][0]["fullUrl"]), "Bundle"),
        ("an update without an address", _in_update(drop("fullUrl")), "Bundle.entry"),
        ("a method that does not exist", put("entry", 0, "request", "method", to="UPSERT"), "request.method"),
        ("an answer in a request", put("entry", 0, "response", to={"status": "200"}), "Bundle"),
        ("a reference to a temporary address that is nobody's",
         _in_entry("Task", put("resource", "focus", "reference", to="urn:uuid:00000000-0000-4000-8000-000000000000")),
         "Bundle.entry"),
        ("a fault in a resource of a transaction", _in_entry("Task", put("resource", "status", to="bogus")),
         "Bundle.entry"),
    ),
    *_faults(
        "Bundle-transaction",
        "profile",
        ("a batch, which may be done by half", put("type", to="batch"), "Bundle.type"),
        ("an order in the transaction",
         add("entry", item={"fullUrl": "urn:uuid:00000000-0000-4000-8000-000000000000", "resource": ORDER,
                            "request": {"method": "POST", "url": "NutritionOrder"}}), "Bundle.entry"),
        ("a deletion in the transaction", add("entry", item={"request": {"method": "DELETE", "url": "Task/1"}}),
         "Bundle.entry"),
        ("a create without condition", _in_entry("Task", drop("request", "ifNoneExist")), "andante-5"),
        ("a create on another condition",
         _in_entry("CommunicationRequest", put("request", "ifNoneExist", to="status=active")), "andante-5"),
        ("an update of whatever version stands there", _in_update(drop("request", "ifMatch")), "andante-5"),
        ("a write without provenance", lambda b: b["entry"].pop(), "andante-6"),
        ("a fault against a profile inside a transaction",
         _in_entry("Task", put("resource", "intent", to="order")), "Task.intent"),
    ),
    *_faults(
        "Task-answered",
        "core",
        ("an answer that does not exist", put("status", to="agreed"), "Task.status"),
        ("an answer's note without text", drop("note", -1, "text"), "Task.note[1]"),
        ("an answer's note by a role, which R4 does not let write one",
         put("note", -1, "authorReference", "reference", to="PractitionerRole/1"), "Task.note[1]"),
        ("an answer's note by two", put("note", -1, "authorString", to="Ada Quill"), "Task.note[1]"),
        ("an answer before the question", put("lastModified", to="2031-01-01T06:30:00Z"), "inv-1"),
        ("an answer that our code system does not have",
         put("statusReason", "coding", 0, "code", to="maybe"), "Task.statusReason"),
    ),
    *_faults(
        "Task-answered",
        "profile",
        ("an answer that makes it an order", put("intent", to="order"), "Task.intent"),
        ("a status that is no answer", put("status", to="in-progress"), "Task.status"),
        ("the service's own status", put("status", to="requested"), "Task.status"),
        ("taken back in the place of an answer", put("status", to="cancelled"), "Task.status"),
        ("an answer without a reason", drop("statusReason"), "Task.statusReason"),
        ("an answer in words alone", put("statusReason", to={"text": "x"}), "Task.statusReason"),
        ("an answer without words", drop("statusReason", "text"), "Task.statusReason"),
        ("an answer of another list", put("statusReason", "coding", to=_coded(TASK_CODE, "abort")["coding"]),
         "Task.statusReason"),
        ("two answers", twice("statusReason", "coding", index=0), "Task.statusReason"),
        ("agreed, for a reason to decline", put("status", to="accepted"), "andante-10"),
        ("done, for a reason to decline", put("status", to="completed"), "andante-10"),
        ("declined, and agreed", put("statusReason", "coding", 0, to={
            "system": f"{OURS}/CodeSystem/answer", "code": "agreed", "display": "Agreed"}), "andante-10"),
        ("put off, until nobody knows when",
         lambda b: (b.update(status="received"), b["statusReason"].update(text="Later", coding=[
             {"system": f"{OURS}/CodeSystem/answer", "code": "put-off", "display": "Put off until later"}])),
         "andante-11"),
        ("an answer that nobody gave", drop("note", -1, "authorReference"), "andante-12"),
        ("an answer given never", drop("note", -1, "time"), "andante-12"),
        ("an answer that does not say that it orders nothing", put("note", -1, "text", to="Agreed."), "andante-12"),
        ("an answer without any note", drop("note"), "Task.note"),
        ("an answer by a patient", put("note", -1, "authorReference", "reference", to="Patient/quillfeather"),
         "andante-13"),
        ("an answer with an output", put("output", to=[{"type": {"text": "x"}, "valueString": "y"}]), "Task.output"),
        ("an answer based on an order", put("basedOn", to=[{"reference": "NutritionOrder/1"}]), "Task.basedOn"),
        ("an answer that is carried out", put("executionPeriod", to={"start": "2031-03-27"}), "Task.executionPeriod"),
        ("an answer with something contained", lambda b: (b.update(contained=[{**ORDER, "id": "inside"}]),
                                                          b["focus"].update(reference="#inside")), "Task.contained"),
        ("an answer with a narrative",
         put("text", to={"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml">x</div>'}),
         "Task.text"),
        ("an answer to a suggestion of others", put("identifier", 0, "system", to="https://x.example/id"),
         "Task.identifier[0].system"),
        ("an answer about nobody", drop("for"), "Task.for"),
        ("an answer to something else than advice",
         put("code", "coding", to=_coded(TASK_CODE, "approve")["coding"]), "Task.code"),
    ),
    *_faults(
        "Provenance-answer",
        "core",
        ("an answer of nobody's", drop("agent"), "Provenance"),
        ("an answer by somebody without name", drop("agent", 0, "who"), "Provenance.agent[0]"),
        ("an answer by a Person, which R4 does not let act",
         put("agent", 0, "who", "reference", to="Person/1"), "Provenance.agent[0]"),
    ),
    *_faults(
        "Provenance-answer",
        "profile",
        ("an answer that the service alone gives", lambda b: b["agent"].pop(0), "Provenance.agent"),
        ("an answer that nobody entered", keep("agent"), "Provenance.agent"),
        ("an answer that the service assembled",
         put("agent", 0, "type", "coding", 0, "code", to="assembler"), "Provenance.agent"),
        ("an answer by a device", put("agent", 0, "who", "reference", to="Device/1"), "Provenance.agent"),
        ("an answer by a patient themself", put("agent", 0, "who", "reference", to="Patient/quillfeather"),
         "Provenance.agent"),
        ("an answer by somebody whose name is not said", drop("agent", 0, "who", "display"), "andante-14"),
        ("an answer on somebody's behalf", put("agent", 0, "onBehalfOf", to={"reference": "Organization/1"}),
         "Provenance.agent"),
        ("an answer entered by another service", put("agent", 1, "who", "identifier", "value", to="other"),
         "Provenance.agent[1]"),
        ("an answer to an order", put("target", to=[{"reference": "NutritionOrder/1"}]), "Provenance.target"),
        ("an answer to two", twice("target", index=0), "Provenance.target"),
        ("an answer to no version", put("entity", 0, "what", "reference", to="Task/advice"), "andante-15"),
        ("an answer to nothing that was seen", drop("entity"), "Provenance.entity"),
        ("an answer made out of something", put("entity", 0, "role", to="source"), "Provenance.entity[0].role"),
        ("an answer that creates", put("activity", "coding", 0, "code", to="CREATE"), "Provenance.activity"),
        ("an answer by a protocol", put("policy", to=["https://andante.example/fhir/protocol/x"]),
         "Provenance.policy"),
        ("an answer at no time", drop("occurredDateTime"), "Provenance.occurred"),
    ),
    *_faults(
        "Bundle-answer",
        "core",
        ("an answer's entry without request", drop("entry", 0, "request"), "Bundle"),
        ("an answer without an address", drop("entry", 0, "fullUrl"), "Bundle.entry"),
    ),
    *_faults(
        "Bundle-answer",
        "profile",
        ("an answer as a batch", put("type", to="batch"), "Bundle.type"),
        ("an answer to whatever version stands there", drop("entry", 0, "request", "ifMatch"), "Bundle.entry"),
        ("an answer to a weak idea of a version", put("entry", 0, "request", "ifMatch", to="*"), "andante-16"),
        ("an answer to another Task than it holds", put("entry", 0, "request", "url", to="Task/other"), "andante-16"),
        ("an answer that is a new Task", put("entry", 0, "request", to={"method": "POST", "url": "Task"}),
         "Bundle.entry"),
        ("an answer that is nobody's", lambda b: b["entry"].pop(), "Bundle.entry"),
        ("an order beside an answer",
         add("entry", item={"fullUrl": "urn:uuid:00000000-0000-4000-8000-000000000000", "resource": ORDER,
                            "request": {"method": "POST", "url": "NutritionOrder"}}), "Bundle.entry"),
        ("a deletion beside an answer", add("entry", item={"request": {"method": "DELETE", "url": "Task/1"}}),
         "Bundle.entry"),
        ("a fault against the profile inside an answer", put("entry", 0, "resource", "intent", to="order"),
         "Task.intent"),
    ),
    *_faults(
        "Subscription-laboratory",
        "core",
        ("a subscription's status that does not exist", put("status", to="on"), "Subscription.status"),
        ("a subscription to nothing", drop("criteria"), "Subscription"),
        ("a subscription without a reason", drop("reason"), "Subscription"),
        ("a subscription by carrier pigeon", put("channel", "type", to="pigeon"), "Subscription.channel.type"),
        ("a subscription without channel", drop("channel"), "Subscription"),
        ("a subscription that ends on a day", put("end", to="2031-04-07"), "Subscription.end"),
        ("one header where a list stands", put("channel", "header", to="x"), "Subscription.channel.header"),
    ),
    *_faults(
        "Subscription-by-topic",
        "core",
        ("a payload's content that does not exist", put("channel", "_payload", "extension", 0, "valueCode", to="some"),
         "Subscription.channel.payload"),
        ("a heartbeat in words", put("channel", "extension", 0, to={
            "url": f"{BACKPORT}/backport-heartbeat-period", "valueString": "often"}),
         "Subscription.channel.extension[0]"),
        ("a heartbeat outside the channel", put("extension", to=[{
            "url": f"{BACKPORT}/backport-heartbeat-period", "valueUnsignedInt": 1}]), "backport-heartbeat-period"),
    ),
    *_faults(
        "Subscription-by-topic",
        "profile",
        ("a topic without payload", lambda b: (b["channel"].pop("payload"), b["channel"].pop("_payload")),
         "Subscription.channel.payload"),
        ("a payload that does not say what is in it", drop("channel", "_payload"), "Subscription.channel.payload"),
        ("two heartbeats", twice("channel", "extension", index=0), "heartbeatPeriod"),
    ),
]  # fmt: skip
