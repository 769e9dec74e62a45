"""Whether the FHIR server answers, asked by whoever watches us, but not each time."""

import asyncio
from datetime import datetime, timedelta
from typing import Final

from andante.errors import AuditFailed, ServerError, Unreachable
from andante.fhir_http.connection import Connection
from andante.fhir_http.read import FhirReader

REACHABLE: Final = "reachable"
_PATIENCE_S: Final = 5.0
_ASKED_AGAIN: Final = timedelta(seconds=15)


class ServerLook:
    """`said` is what came of the last look; None before the first."""

    def __init__(self, connection: Connection) -> None:
        self._reader = FhirReader(connection)
        self._asked: datetime | None = None
        self.said: str | None = None

    @property
    def is_reachable(self) -> bool | None:
        return None if self.said is None else self.said == REACHABLE

    async def ask(self, now: datetime) -> str:
        """What it says now, or said a moment ago."""
        if self.said is None or self._asked is None or now - self._asked > _ASKED_AGAIN:
            self.said, self._asked = await self._look(), now
        return self.said

    async def _look(self) -> str:
        try:
            async with asyncio.timeout(_PATIENCE_S):
                await self._reader.fhir_version()
        except (TimeoutError, Unreachable):
            return "no answer"
        except ServerError:
            return "refuses or does not speak FHIR R4"
        except AuditFailed:
            # Whoever watches us must hear of a full disk, not be refused because of it.
            return "not asked: the audit log cannot be written"
        return REACHABLE
