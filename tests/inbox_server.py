"""A FHIR server small enough to see through, for the inbox: versions, conditional create, If-Match, and bad
habits.
"""

import json
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Any

import msgspec

from andante.chart.chart import Inbox, InboxItem
from andante.chart.decoding import decode_resource
from andante.chart.models import CommunicationRequest, Task
from andante.errors import Conflict, Unreachable
from andante.fhir_http.cleared import Cleared
from andante.fhir_http.write import Written

Json = dict[str, Any]


async def at_once() -> None:
    """No waiting before a request is served."""


@dataclass
class InboxServer:
    """`rolls_back`: whether a failed entry undoes the others. `keeps_conditions`: whether a conditional
    create that races another is still held to its condition. `lose`: how the next transaction gets lost,
    before or after it is carried out. `before_each` is awaited before each request, so that a test can let
    others go first.
    """

    rolls_back: bool = True
    keeps_conditions: bool = True
    lose: str = ""
    before_each: Callable[[], Awaitable[None]] = at_once
    hidden: set[str] = field(default_factory=set)
    resources: dict[str, Json] = field(default_factory=dict)
    sent: list[Json] = field(default_factory=list)
    hands: dict[str, str] = field(default_factory=dict)
    overwritten: list[str] = field(default_factory=list)

    async def transaction(self, cleared: Cleared) -> tuple[Written, ...]:
        await self.before_each()
        bundle = json.loads(cleared.body)
        lost, self.lose = self.lose, ""
        if lost == "before":
            raise Unreachable("the request was lost")
        self.sent.append(bundle)
        backup = dict(self.resources), dict(self.hands), list(self.overwritten)
        answers, failed = [], False
        for entry in bundle.get("entry", []):
            status = self._carry_out(entry)
            failed = failed or status >= 400
            answers.append(Written(status=status, location=None, etag=None, outcome=None))
        if failed and self.rolls_back:
            self.resources, self.hands, self.overwritten = backup
        if lost == "after":
            raise Unreachable("the answer was lost")
        if failed:
            raise Conflict("somebody else was faster", status=412)
        return tuple(answers)

    async def read_inbox(self, patient_id: str) -> Inbox:
        await self.before_each()
        return self.inbox(patient_id)

    def inbox(self, patient_id: str = "p1", *, incomplete: tuple[str, ...] = ()) -> Inbox:
        items = []
        for reference, body in self.resources.items():
            subject = (body.get("for") or body.get("subject") or {}).get("reference", "")
            if subject.endswith(f"Patient/{patient_id}") and reference not in self.hidden:
                raw = json.dumps(body).encode()
                resource = decode_resource(body["resourceType"], msgspec.Raw(raw))
                assert isinstance(resource, Task | CommunicationRequest), resource
                items.append(InboxItem(resource=resource, body=raw))
        return Inbox(patient_id=patient_id, items=tuple(items), incomplete=incomplete)

    def person(self, reference: str, **changes: Any) -> None:
        """A person changes a resource."""
        self._store(reference, {**self.resources[reference], **changes}, by="person")

    def of_type(self, name: str, *statuses: str) -> dict[str, Json]:
        return {
            reference: body
            for reference, body in self.resources.items()
            if body["resourceType"] == name and (not statuses or body["status"] in statuses)
        }

    def open_tasks(self) -> dict[str, Json]:
        return self.of_type("Task", "requested")

    def _carry_out(self, entry: Json) -> int:
        request, body = entry["request"], entry["resource"]
        if request["method"] == "POST":
            condition = request.get("ifNoneExist")
            if condition and self.keeps_conditions and self._matching(body):
                return 200 if len(self._matching(body)) == 1 else 412
            self._store(f"{body['resourceType']}/{len(self.resources) + 1}", body, by="service")
            return 201
        reference = request["url"]
        if request["ifMatch"] != f'W/"{self.resources[reference]["meta"]["versionId"]}"':
            return 412
        if self.hands[reference] == "person":
            self.overwritten.append(reference)
        self._store(reference, body, by="service")
        return 200

    def _matching(self, body: Json) -> list[str]:
        wanted = body["identifier"][0]
        return [
            reference
            for reference, other in self.of_type(body["resourceType"]).items()
            if wanted in other["identifier"]
        ]

    def _store(self, reference: str, body: Json, *, by: str) -> None:
        version = int(self.resources.get(reference, {"meta": {"versionId": "0"}})["meta"]["versionId"]) + 1
        meta = {**body.get("meta", {}), "versionId": str(version), "lastUpdated": "2026-11-25T06:30:00Z"}
        self.resources[reference] = {**body, "id": reference.partition("/")[2], "meta": meta}
        self.hands[reference] = by
