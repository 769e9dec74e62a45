"""The only way to write. What may be written was decided before, by the gate that makes a `Cleared`."""

import re
from dataclasses import dataclass

import msgspec

from andante.errors import BadAnswer, Conflict, Refused, ServerError, Unreachable
from andante.fhir_http.cleared import Cleared
from andante.fhir_http.connection import Connection, check_json
from andante.fhir_http.envelope import DECODE_ERRORS, EntryResponse, decode_bundle, decode_outcome

_WHAT = "writing to the inbox"
_STATUS = re.compile(r"([1-5][0-9]{2})\b")


@dataclass(frozen=True, kw_only=True)
class Written:
    """What the server did with one entry, in the order of the entries sent.

    `created` is False where a conditional create found that it was there already. `etag` is the server's own.
    """

    status: int
    location: str | None
    etag: str | None
    outcome: str | None

    @property
    def created(self) -> bool:
        return self.status == 201


class FhirWriter:
    """Writes to the server of a Connection."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    async def transaction(self, cleared: Cleared) -> tuple[Written, ...]:
        """Send one transaction; all of it is done or nothing.

        Raises Conflict (409, 412: somebody else changed it: read again and yield), Refused, AccessRefused,
        Unreachable and BadAnswer. After the last two the outcome is unknown: it is never sent again
        blindly; the caller reads the server's state first.
        """
        sent = _entries_in(cleared.body)
        answer = await self._connection.post(cleared.body, what=_WHAT, headers={"Prefer": "return=minimal"})
        check_json(answer, _WHAT)
        try:
            bundle, misshapen = decode_bundle(answer.body)
        except DECODE_ERRORS:
            raise BadAnswer(f"{_WHAT}: the answer is not JSON, is cut short, or is no Bundle") from None
        if bundle.resource_type != "Bundle" or bundle.type != "transaction-response":
            raise BadAnswer(f"{_WHAT}: the answer is not a Bundle of type transaction-response")
        if misshapen or len(bundle.entry) != sent:
            raise BadAnswer(f"{_WHAT}: {sent} entries were sent, {len(bundle.entry)} answered")
        return tuple(_written(entry.response) for entry in bundle.entry)


class _Sent(msgspec.Struct):
    entry: list[msgspec.Raw] = []


def _entries_in(body: bytes) -> int:
    return len(msgspec.json.decode(body, type=_Sent).entry)


def _written(response: EntryResponse | None) -> Written:
    stated = _STATUS.match(response.status or "") if response else None
    if response is None or stated is None:
        raise BadAnswer(f"{_WHAT}: an entry was answered without a status")
    status = int(stated[1])
    outcome = decode_outcome(response.outcome) if len(response.outcome) else None
    if not 200 <= status < 300:
        raise _entry_error(status, outcome.summary if outcome else "no outcome given")
    return Written(
        status=status,
        location=response.location,
        etag=response.etag,
        outcome=outcome.summary if outcome else None,
    )


def _entry_error(status: int, summary: str) -> ServerError:
    message = f"{_WHAT}: the FHIR server answered {status} for an entry ({summary})"
    if status in (409, 412):
        return Conflict(message, status=status)
    if 400 <= status < 500:
        return Refused(message, status=status)
    return Unreachable(message, status=status) if status >= 500 else BadAnswer(message, status=status)
