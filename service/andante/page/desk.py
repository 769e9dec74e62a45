"""What the page does: look at a patient's inbox afresh, and write a person's answer to it."""

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import datetime

from andante import log
from andante.app import Service
from andante.assess import RoundReport
from andante.errors import AndanteError, AuditFailed, Conflict, InputError, ServerError
from andante.fhir_http.connection import Connection
from andante.page.board import Board, Entry
from andante.page.people import Session
from andante.writeback.answer import Given
from andante.writeback.inbox_of_server import answer_writer
from andante.writeback.standing import Standing

_PATIENCE_S = 8.0
"""How long a person waits for the FHIR server before the page says that it does not answer."""

_NOT_KNOWN = "The FHIR server does not answer as it should: whether somebody has answered meanwhile is not known."


class Overtaken(Exception):
    """Somebody else answered first, or the suggestion is another one now. Nothing was written."""


class NotWritten(Exception):
    """The answer could not be written; the text says why, for people."""


class NotKnown(Exception):
    """Whether the answer was written is not known, and the record of it is not whole; the text says so, for people."""


class Gone(Exception):
    """A round has taken the patient off the list meanwhile."""


@dataclass(frozen=True, kw_only=True)
class Desk:
    """One service as the page uses it. `run_round` runs a whole round, and waits for one that is under way."""

    service: Service
    connection: Connection
    board: Board
    now: Callable[[], datetime]
    run_round: Callable[[], Awaitable[RoundReport]]

    async def look_afresh(self, entry: Entry) -> tuple[Entry, str]:
        """The entry with the inbox as it is now, and why it could not be read; empty where it could. Raises Gone."""
        patient = entry.patient.removeprefix("Patient/")
        hospital = self.service.hospital(self.connection, now=self.now())
        try:
            async with asyncio.timeout(_PATIENCE_S):
                (inbox,) = await hospital.reader.inbox([patient])
        except (ServerError, TimeoutError) as error:
            log.warn("page.inbox-failed", error=error)
            return entry, _NOT_KNOWN
        if inbox.incomplete:
            return entry, _NOT_KNOWN
        if entry.patient not in self.board.entries:
            raise Gone
        return self.board.take_inbox(entry.patient, inbox, read=self.now()), ""

    async def answer(self, entry: Entry, given: Given, *, seen: str, session: Session) -> Entry | None:
        """Write the answer to the suggestion in the version `seen`; what stands then, None where that cannot be shown.

        Raises Overtaken, NotWritten, NotKnown and, before anything is written, Gone and AuditFailed.
        """
        fresh, trouble = await self.look_afresh(entry)
        if trouble:
            raise NotWritten(f"Nothing was written. {trouble}")
        task = fresh.suggestion
        if task is None or task.version != seen or not is_about(task, fresh):
            raise Overtaken
        self._record(session, task, given)
        writer = answer_writer(self.connection, site=self.service.site, gate=self.service.gate)
        try:
            await writer.write(task, given)
        except Conflict:
            raise Overtaken from None
        except InputError as error:
            raise NotWritten(f"Nothing was written: {error}.") from None
        except ServerError as error:
            log.warn("page.answer-failed", error=error)
            raise NotWritten(
                "The FHIR server did not confirm the answer. Look at this page again before you answer once more."
            ) from None
        except AuditFailed as error:
            log.warn("page.answer-not-recorded", error=error)
            raise NotKnown(
                "Answers are recorded here, and the record cannot be written. It is not known whether yours was "
                "written: look at the sheet again before you answer once more, and tell whoever runs the service."
            ) from None
        except AndanteError as error:
            log.warn("page.answer-refused", error=error)
            raise NotWritten(
                "Nothing was written: the suggestion holds something that this page may not write. Answer it in the "
                "inbox of the record."
            ) from None
        log.say("page.answered", kind=given.answer.value)
        try:
            after, _ = await self.look_afresh(fresh)
        except (AuditFailed, Gone):
            return None  # what was written stays written
        return after

    def _record(self, session: Session, task: Standing, given: Given) -> None:
        audit = self.service.audit
        if audit is not None:
            user = session.person.reference or "development"
            audit.record("answer", durable=True, user=user, what=task.reference, outcome=given.answer.value)

    def record_look(self, session: Session, entry: Entry) -> None:
        """Who looked at whose sheet. Raises AuditFailed: then it is not shown."""
        audit = self.service.audit
        if audit is not None:
            audit.record("look", user=session.person.reference or "development", patients=(entry.patient,))


def is_about(task: Standing, entry: Entry) -> bool:
    """Whether the Task asks what the sheet says: else an answer would be to something nobody was shown."""
    return task.code is entry.assessment.advice.code
