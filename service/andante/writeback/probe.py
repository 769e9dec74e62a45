"""A test of a server's writing: one Task about nobody, through the same gate as all else, cancelled at once.

It carries the tag that HL7 keeps for tests (https://terminology.hl7.org/CodeSystem-v3-ActReason.html, HTEST), names no
patient, and has an identifier of its own, so that no round ever finds it.
"""

import re
import secrets
from collections.abc import Sequence
from datetime import UTC, datetime
from uuid import uuid4

from andante.domain.advice import AdviceCode
from andante.errors import BadAnswer
from andante.fhir_http.connection import Connection
from andante.fhir_http.write import FhirWriter, Written
from andante.writeback.codes import DISPLAY, CancelReason, InputKind, Kind
from andante.writeback.gate import Gate
from andante.writeback.identity import Identity, digest
from andante.writeback.seal import Json, has_coding, mark, marked, seal_of, sealed
from andante.writeback.site import Site
from andante.writeback.to_fhir import service_reference

TEXT = "Test of this server's writing by Andante. It is about no patient and advises nothing; it may be deleted."
_TAG = {
    "system": "http://terminology.hl7.org/CodeSystem/v3-ActReason",
    "code": "HTEST",
    "display": "test health data",
}
_LOCATION = re.compile(r"(?:^|/)Task/([A-Za-z0-9\-.]{1,64})(?:/_history/([^/]+))?$")


class Probe:
    """The writes of one test. Each method sends one transaction and raises as `FhirWriter.transaction`."""

    def __init__(self, connection: Connection, *, site: Site, gate: Gate, now: datetime) -> None:
        self._server, self._site, self._gate = FhirWriter(connection), site, gate
        self._now = now.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        self._drawn = secrets.token_hex(8)

    def identifier(self, number: int) -> str:
        """`system|value` of the first or second Task."""
        identity = Identity(digest("probe", self._drawn, number), digest("probe"))
        return f"{self._site.identifiers(Kind.ADVICE)}|{identity.value}"

    async def create(self, number: int = 1) -> Written:
        """A Task, unless it is there."""
        return (await self._send([self._creation(number)]))[0]

    async def touch(self, task: Json, version: str) -> Written:
        """Change a word of a Task as read, if it still has this version."""
        body = self._ours(task) | {"note": [{"text": f"{TEXT} Changed once."}]}
        return (await self._send([self._update(body, version)]))[0]

    async def cancel(self, task: Json, version: str, *, creating: int | None = None) -> Written:
        """Cancel a Task as read, if it still has this version; `creating` adds another to the same transaction."""
        reason = {"system": self._site.system("cancel-reason"), "code": CancelReason.NOT_NEEDED}
        body = self._ours(task) | {
            "status": "cancelled",
            "statusReason": {"coding": [{**reason, "display": DISPLAY[CancelReason.NOT_NEEDED]}]},
        }
        first = [] if creating is None else [self._creation(creating)]
        return (await self._send([*first, self._update(body, version)]))[-2]

    def keeps(self, task: Json) -> bool:
        """Whether the server gives back what was written, apart from what is its own."""
        return marked(task, InputKind.SEAL, self._site) == seal_of(task, self._site)

    def keeps_tag(self, task: Json) -> bool:
        """Whether the Task still says that it is a test."""
        return _TAG["code"] in [tag.get("code") for tag in task.get("meta", {}).get("tag", [])]

    def keeps_reason(self, task: Json) -> bool:
        """Whether a Task that was taken back says why: else it looks as if a person had cancelled it."""
        return has_coding(task.get("statusReason"), self._site.system("cancel-reason"), CancelReason.NOT_NEEDED)

    def _ours(self, task: Json) -> Json:
        """A Task as read, without what is the server's."""
        kept = {name: part for name, part in task.items() if name not in ("text", "meta")}
        return kept | {"meta": {"tag": [_TAG]}, "lastModified": self._now}

    @staticmethod
    def _update(body: Json, version: str) -> Json:
        request = {"method": "PUT", "url": f"Task/{body['id']}", "ifMatch": f'W/"{version}"'}
        return {"fullUrl": f"urn:uuid:{uuid4()}", "resource": body, "request": request}

    def _creation(self, number: int) -> Json:
        identifier = self.identifier(number)
        system, _, value = identifier.partition("|")
        advice = {"system": self._site.system("advice"), "code": AdviceCode.STAY, "display": DISPLAY[AdviceCode.STAY]}
        body: Json = {
            "resourceType": "Task",
            "meta": {"tag": [_TAG]},
            "identifier": [{"system": system, "value": value}],
            "status": "requested",
            "intent": "proposal",
            "priority": "routine",
            "code": {"coding": [advice], "text": TEXT},
            "description": TEXT,
            "authoredOn": self._now,
            "lastModified": self._now,
            "requester": service_reference(self._site),
            "restriction": {"period": {"end": self._now}},
            "note": [{"text": TEXT}],
        }
        body = sealed(mark(body, InputKind.FINGERPRINT, digest("probe"), self._site), self._site)
        request = {"method": "POST", "url": "Task", "ifNoneExist": f"identifier={identifier}"}
        return {"fullUrl": f"urn:uuid:{uuid4()}", "resource": body, "request": request}

    async def _send(self, entries: Sequence[Json]) -> tuple[Written, ...]:
        """With the Provenance that the gate asks of every write."""
        targets = [e["fullUrl"] if e["request"]["method"] == "POST" else e["request"]["url"] for e in entries]
        provenance = {
            "resourceType": "Provenance",
            "target": [{"reference": target} for target in targets],
            "recorded": self._now,
            "agent": [{"who": service_reference(self._site)}],
        }
        explained = {
            "fullUrl": f"urn:uuid:{uuid4()}",
            "resource": provenance,
            "request": {"method": "POST", "url": "Provenance"},
        }
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [*entries, explained]}
        return await self._server.transaction(self._gate.clear(bundle))


def task_id(written: Written) -> str:
    """The id the server gave. Raises BadAnswer where it does not say."""
    found = _LOCATION.search(written.location or "")
    if found is None:
        raise BadAnswer("writing to the inbox: the server does not say where the Task is")
    return found[1]
