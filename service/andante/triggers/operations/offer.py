"""What is told of the state of the service, and where: `/health`, `/metrics`, `/operations`."""

import base64
import binascii
import hmac
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime

from fastapi import FastAPI, Request, Response

from andante import __version__, log
from andante.app import Service
from andante.chart.chart import Chart
from andante.fhir_http.connection import Connection
from andante.present.shown import day_time
from andante.site_map.wild import Wild
from andante.state.keeping import Duty
from andante.subscriptions.hooks import Hooks
from andante.triggers.json_answer import json_answer
from andante.triggers.operations.journal import Ending, Journal
from andante.triggers.operations.meters import CONTENT_TYPE, Meters, meters
from andante.triggers.operations.overview import headers, overview
from andante.triggers.operations.requests import Attended
from andante.triggers.operations.server_look import REACHABLE, ServerLook
from andante.triggers.operations.timetable import Timetable


@dataclass(frozen=True, kw_only=True)
class Operations:
    """Everything that tells of the state of one service."""

    service: Service
    connection: Connection
    journal: Journal
    timetable: Timetable
    look: ServerLook
    now: Callable[[], datetime]

    @property
    def not_granted(self) -> tuple[str, ...]:
        return tuple(f"{name}.{letters}" for name, letters in self.connection.lacking.items())

    def sickness(self, *, clock_runs: bool | None) -> str:
        """What only a new start mends; empty while there is nothing. `clock_runs` is None where there is no clock."""
        now = self.now()
        if self.timetable.is_stuck(now):
            return "a round has been running for longer than any should"
        if clock_runs is False:
            return "the clock has stopped"
        if clock_runs and self.timetable.is_asleep(now):
            return "the clock has begun no round for longer than the schedule allows"
        return ""

    def troubles(self, hooks: Hooks | None, *, clock_runs: bool | None) -> Iterator[str]:
        """What an operator has to look at, the gravest first."""
        if sickness := self.sickness(clock_runs=clock_runs):
            yield f"{sickness.capitalize()}: start the service again."
        if self.look.said not in (None, REACHABLE):
            yield f"The FHIR server: {self.look.said}."
        for kind in self.timetable.late(self.now()):
            since = self.journal.completed.get(kind)
            told = f"the last on {day_time(since.ended, self.service.basis.zone)}" if since else "none since the start"
            yield f"No {kind} was completed for longer than the schedule allows ({told})."
        for kind, one in self.journal.last.items():
            match one.ending:
                case Ending.FAILED:
                    yield f"The last {kind} failed ({one.error}): see the log by its id below."
                case Ending.MISSED:
                    yield f"The last {kind} was missed."
                case Ending.IN_VAIN:
                    yield f"The last {kind} served nobody, or could not read who is in the hospital."
                case Ending.IN_PART:
                    yield (
                        f"The last {kind} was not whole: {one.counts['incomplete']} not read whole, "
                        f"{one.counts['failed']} failed."
                    )
        if self.journal.failing:
            yield f"Records that failed when last read: {self.journal.failing}; `andante state show` has their ids."
        if self.journal.state_problem:
            yield f"Nothing outlives this process at present: {self.journal.state_problem}."
        if self.not_granted:
            yield f"The FHIR server does not grant {', '.join(self.not_granted)}."
        if hooks is not None and hooks.keeper.problem:
            yield f"Subscriptions: {hooks.keeper.problem}"

    def eye_for_codes(self) -> tuple[Wild, Callable[[Chart], None]]:
        """What the charts of one pass hold that the site map does not know. Looking must never fail a patient."""
        wild = Wild()

        def look(chart: Chart) -> None:
            try:
                wild.look_through(chart, self.service.basis.codes)
            except Exception as error:
                log.warn("codes.failed", error=error)

        return wild, look


def operations_of(service: Service, connection: Connection, *, now: Callable[[], datetime]) -> Operations:
    journal = Journal(started=now())
    return Operations(
        service=service,
        connection=connection,
        journal=journal,
        timetable=Timetable(settings=service.settings, zone=service.basis.zone, journal=journal),
        look=ServerLook(connection),
        now=now,
    )


def offer_operations(
    app: FastAPI, operations: Operations, hooks: Hooks | None, *, clock_runs: Callable[[], bool | None]
) -> None:
    """The routes, and an id, a span and a count for every request."""
    measured = _measured(operations, hooks)

    @app.get("/leads")
    async def leads() -> Response:
        """For a proxy that has to find, of several instances, the one that runs the rounds."""
        clock_is_here = operations.service.settings.clock and operations.journal.duty is not Duty.STANDS_BY
        return json_answer({"leads": clock_is_here}, status=200 if clock_is_here else 503)

    @app.get("/health")
    async def health() -> Response:
        sickness = operations.sickness(clock_runs=clock_runs())
        body = {"status": "sick" if sickness else "alive", "version": __version__}
        return json_answer(body | {"problem": sickness} if sickness else body, status=503 if sickness else 200)

    @app.get("/metrics")
    async def metrics(request: Request) -> Response:
        if not _may_look(operations.service, request):
            return _refused("Bearer")
        await operations.look.ask(operations.now())
        return Response(measured.text(), media_type=CONTENT_TYPE)

    @app.get("/operations")
    async def operations_page(request: Request) -> Response:
        if not _may_look(operations.service, request):
            return _refused('Basic realm="Andante, operations", charset="UTF-8"')
        now = operations.now()
        server = await operations.look.ask(now)
        page = overview(
            operations.service,
            operations.journal,
            operations.timetable,
            hooks,
            server=server,
            not_granted=operations.not_granted,
            troubles=tuple(operations.troubles(hooks, clock_runs=clock_runs())),
            now=now,
        )
        return Response(page, headers=headers(), media_type="text/html; charset=utf-8")

    app.add_middleware(Attended, meters=measured)


def _measured(operations: Operations, hooks: Hooks | None) -> Meters:
    return meters(
        operations.service,
        operations.connection,
        operations.journal,
        operations.timetable,
        hooks,
        reached=lambda: operations.look.is_reachable,
        now=operations.now,
    )


def _may_look(service: Service, request: Request) -> bool:
    """By the token as a bearer, or as the password of whatever name: a browser asks for that by itself."""
    token = service.settings.operations_token
    if token is None:
        return True
    way, _, given = request.headers.get("authorization", "").partition(" ")
    shown = given.encode("latin-1")
    if way.lower() == "basic":
        try:
            shown = base64.b64decode(shown, validate=True).partition(b":")[2]
        except (binascii.Error, ValueError):
            return False
    elif way.lower() != "bearer":
        return False
    return hmac.compare_digest(shown, token.get_secret_value().encode())


def _refused(challenge: str) -> Response:
    return json_answer(
        {"problem": "the operations token is needed"}, status=401, headers={"WWW-Authenticate": challenge}
    )
