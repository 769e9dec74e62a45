"""The service over HTTP: is it alive, is it of use, what numbers are in force, and one patient on demand.

No answer of ours repeats what was asked: a wrong patient id is not echoed, and no address is logged.
"""

import asyncio
import hmac
from collections.abc import AsyncIterator, Awaitable, Callable, Collection, Iterable
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from datetime import datetime

from apscheduler.schedulers.asyncio import AsyncIOScheduler  # type: ignore[import-untyped]
from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import ClientDisconnect

from andante import __version__, clock, log
from andante.app import Service
from andante.assess import Outcome, RoundReport, report_on
from andante.changed.memory import Memory
from andante.errors import InputError, ServerError, Unreachable
from andante.fhir_http.connection import Connection
from andante.page.board import Board
from andante.page.offer import offer_page, page_host
from andante.present.as_json import Json
from andante.present.as_protocol import protocol_json
from andante.present.as_round import review_json
from andante.present.shown import instant
from andante.settings import Settings
from andante.state.address import address_of
from andante.state.keeping import Duty, State
from andante.subscriptions.hooks import Hooks
from andante.triggers.api_document import describe
from andante.triggers.cds_hooks.routes import offer_cds_hooks
from andante.triggers.definitions import add_definitions
from andante.triggers.inputs import is_fhir_id
from andante.triggers.json_answer import json_answer
from andante.triggers.notifications import hooks_of, offer_notifications, public_name
from andante.triggers.operations.offer import Operations, offer_operations, operations_of
from andante.triggers.operations.server_look import REACHABLE
from andante.triggers.own_keys import publish_keys
from andante.triggers.patience import Patience
from andante.triggers.schedule import CHANGES, ROUND, SECOND_LOOK, scheduler
from andante.triggers.second_look import SecondLooks
from andante.triggers.shift import Shift
from andante.wording import CAUTION

_LOOPBACK_NAMES = ["127.0.0.1", "localhost", "[::1]"]

Now = Callable[[], datetime]


@dataclass
class _State:
    """What `/ready` tells of the last rounds. Only counts and instants: nothing about a patient."""

    last_round: RoundReport | None = None
    finished: datetime | None = None
    last_changes: RoundReport | None = None
    changes_finished: datetime | None = None
    clockwork: AsyncIOScheduler | None = None


def create_app(
    service: Service,
    *,
    now: Now = clock.now,
    connection: Connection | None = None,
    schedule: bool = True,
    kept: State | None = None,
) -> FastAPI:
    """The application. `connection` defaults to the settings' server; `schedule` runs rounds by the clock.

    `kept` is the state that outlives it; by default the one that the settings name.
    """
    shared = connection or service.connect()
    state = _State()
    operations = operations_of(service, shared, now=now)
    journal = operations.journal
    board = Board(site=service.site)

    one_at_a_time, memory = asyncio.Lock(), Memory()
    follows = service.settings.changes_every_s or service.hook_site is not None

    async def run(trigger: str) -> RoundReport:
        with (
            log.correlated("round", log.current("round") or log.new_id()),
            journal.round(trigger, began=now(), now=now) as running,
        ):
            report = await run_known(trigger)
            running.take(report)
        await shift.keep()
        return report

    async def run_on_duty(trigger: str) -> None:
        if not shift.stands_by:  # else the one that leads runs it
            await run(trigger)

    async def run_known(trigger: str) -> RoundReport:
        wild, look = operations.eye_for_codes()
        try:
            report = await service.run_round(
                shared,
                trigger=trigger,
                now=now(),
                memory=memory if follows else None,
                only_changed=trigger == CHANGES,
                met=look if trigger != CHANGES else None,
            )
        except ServerError:
            board.note_trouble("the FHIR server did not do what was asked.")
            raise
        if hooks is not None:
            hooks.watch.changes_found(memory.news, now=now())
            report = replace(report, remarks=(*report.remarks, *hooks.watch.remarks(now())))
        if trigger == CHANGES:
            # It stands in for no round: one that is late must still be told.
            state.last_changes, state.changes_finished = report, now()
        else:
            state.last_round, state.finished = report, now()
            journal.met = wild
            if not follows:
                _remember_whom(memory, report, now=now())
            if not service.settings.changes_every_s:  # they read again whom they must
                looks.note(report.outcomes)
        board.take_round(report, finished=now(), watched=memory.watched if trigger == CHANGES else None)
        return report

    async def run_alone() -> RoundReport:
        async with one_at_a_time:
            return await run(ROUND)

    async def run_again(kind: str) -> RoundReport:
        with log.correlated("round", log.new_id()):
            return await run(kind)

    async def look_again(patients: Collection[str]) -> list[Outcome]:
        with (
            log.correlated("round", log.new_id()),
            journal.round(SECOND_LOOK, began=now(), now=now) as running,
        ):
            outcomes = await service.review_hinted(shared, memory, patients, now=now())
            running.take(report_on(outcomes, now=now()))
        told(outcomes)
        for patient in set(patients) - {outcome.patient_id for outcome in outcomes}:
            memory.setbacks.drop(patient)  # no concern of ours any more
        await shift.keep()
        return outcomes

    def told(outcomes: Iterable[Outcome]) -> None:
        board.take(outcomes, read=now())

    hooks = hooks_of(service, shared, memory, lambda: run(CHANGES), lock=one_at_a_time, now=now, told=told)
    shift = Shift(
        state=kept or state_of(service.settings, now=now),
        journal=journal,
        timetable=operations.timetable,
        memory=memory,
        hooks=hooks,
        audit=lambda: service.audit,
        now=now,
        first_round=run_alone,
        stood_down=lambda: board.note_trouble("another instance runs the rounds: what is new is on its page."),
        always_begins=service.settings.page_login is not None,  # the page would be empty until the next round
    )
    looks = SecondLooks(
        journal=journal,
        lock=one_at_a_time,
        now=now,
        stands_by=lambda: shift.stands_by,
        run_pass=run_again,
        review=look_again,
        failing=lambda: () if service.settings.changes_every_s else memory.setbacks.failing,
    )

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        async with shared:
            if not schedule or not service.settings.clock:
                yield
                return
            clockwork = scheduler(
                run_on_duty,
                round_times=service.settings.round_times,
                night_watch_times=service.settings.night_watch_times,
                zone=service.basis.zone,
                misfire_grace_s=service.settings.misfire_grace_s,
                changes_every_s=service.settings.changes_every_s,
                lock=one_at_a_time,
                missed=lambda kind: None if shift.stands_by else journal.missed(kind, now()),
            )
            async with shift.running(), looks.running():
                clockwork.start()
                state.clockwork = clockwork
                try:
                    yield
                finally:
                    clockwork.shutdown(wait=False)

    app = FastAPI(
        title="Andante", description=CAUTION, version=__version__, lifespan=lifespan, docs_url=None, redoc_url=None
    )
    app.add_middleware(Patience)
    if service.settings.only_loopback and service.settings.api_token is None:
        # A page of another origin must not reach the service by giving its own name the loopback address.
        names = [*_LOOPBACK_NAMES, *public_name(hooks), *page_host(service)]
        app.add_middleware(TrustedHostMiddleware, allowed_hosts=names)
    _handle_errors(app)
    _add_routes(app, service, operations, state, hooks, told)
    offer_notifications(app, hooks, now=now)
    app.state.hooks = hooks
    add_definitions(app, base=service.site.base)
    offer_cds_hooks(app, service, shared, now=now)
    publish_keys(app, service.keys)
    offer_page(
        app,
        service,
        shared,
        board=board,
        now=now,
        run_round=run_alone,
        is_late=lambda: ROUND in operations.timetable.late(now()),
    )
    offer_operations(
        app,
        operations,
        hooks,
        clock_runs=lambda: None if state.clockwork is None or shift.stands_by else bool(state.clockwork.running),
    )
    app.state.run_round = run
    app.state.shift = shift
    app.state.second_looks = looks
    describe(app)
    return app


def _remember_whom(memory: Memory, report: RoundReport, *, now: datetime) -> None:
    """Of a pass that reads everybody anew each time: whom it was about, and whose record failed."""
    memory.forget()
    memory.watched = frozenset(outcome.patient_id for outcome in report.outcomes)
    if report.census_complete:
        memory.setbacks.keep_only(memory.watched)
    memory.setbacks.note(report.outcomes, watched=len(report.outcomes), now=now)


def state_of(given: Settings, *, now: Now = clock.now) -> State:
    """Where the settings say. Raises InputError for what is no such place."""
    address = address_of(given.state_url.get_secret_value()) if given.state_url is not None else None
    return State(address, given.fhir_base or "", now=now)


def _add_routes(
    app: FastAPI,
    service: Service,
    operations: Operations,
    state: _State,
    hooks: Hooks | None,
    told: Callable[[Iterable[Outcome]], None],
) -> None:
    shared, now = operations.connection, operations.now
    protocol = protocol_json(service.basis.protocol)

    @app.get("/", response_class=HTMLResponse)
    async def front() -> str:
        return _front_page(service)

    @app.get("/ready")
    async def ready() -> Response:
        server = await operations.look.ask(now())
        late = operations.timetable.late(now())
        has_clock = service.settings.clock and operations.journal.duty is not Duty.STANDS_BY
        rounds = "late" if late else "on time" if has_clock else "run by another instance"
        body = {
            "status": "ready" if server == REACHABLE and not late else "not ready",
            "protocol": {key: protocol[key] for key in ("id", "version", "hash")},
            "server": server,
            "rounds": rounds,
            "late": list(late),
            "outlives_a_start": _outlives(operations.journal.state_problem),
            "not_granted": list(operations.not_granted),
            "last_round": _told(service, ROUND, state.last_round, state.finished),
            "last_changes": _told(service, CHANGES, state.last_changes, state.changes_finished),
            **({} if hooks is None else {"notifications": hooks.shown(now())}),
        }
        return json_answer(body, status=200 if body["status"] == "ready" else 503)

    @app.get("/protocol")
    async def show_protocol() -> Response:
        return json_answer(protocol)

    @app.post("/review/{patient_id}")
    async def review(request: Request, patient_id: str) -> Response:
        if not _may_ask(service, request):
            return json_answer(
                {"problem": "a bearer token is needed"}, status=401, headers={"WWW-Authenticate": "Bearer"}
            )
        if not is_fhir_id(patient_id):
            return json_answer({"problem": "that is no FHIR id"}, status=400)
        outcome = await service.review(shared, patient_id, now=now())
        if outcome is None:
            return json_answer({"problem": "that patient is not in the hospital"}, status=404)
        told([outcome])
        return json_answer(review_json(outcome, service.basis.zone), status=_status(outcome))


def _outlives(problem: str | None) -> str:
    """Not why: that names places, and is for /operations."""
    if problem is None:
        return "nothing"
    return "nothing at present" if problem else "what the next start needs"


def _status(outcome: Outcome) -> int:
    """Anything that is not whole is told by its status too: a caller must not take it for the last word."""
    if outcome.assessment is None:
        return 500
    return 200 if outcome.whole else 502


def _handle_errors(app: FastAPI) -> None:
    @app.exception_handler(ServerError)
    async def server_failed(_request: Request, error: ServerError) -> Response:
        log.warn("review.failed", error=error)
        status = 503 if isinstance(error, Unreachable) else 502
        headers = {"Retry-After": "60"} if status == 503 else {}
        return json_answer({"problem": str(error)}, status=status, headers=headers)

    @app.exception_handler(InputError)
    async def unusable(_request: Request, error: InputError) -> Response:
        return json_answer({"problem": str(error)}, status=400)

    @app.exception_handler(ClientDisconnect)
    async def gone(_request: Request, _error: ClientDisconnect) -> Response:
        return Response(status_code=400)  # who sent half of it hears no answer, and it is no defect of ours

    @app.exception_handler(RequestValidationError)
    async def malformed(_request: Request, _error: RequestValidationError) -> Response:
        return json_answer({"problem": "the request is malformed"}, status=400)

    @app.middleware("http")
    async def keep_private(request: Request, call_next: Callable[[Request], Awaitable[Response]]) -> Response:
        try:
            response = await call_next(request)
        except Exception as error:
            log.warn("request.failed", error=error)
            response = json_answer({"problem": "a defect of ours; it has been logged"}, status=500)
        response.headers.setdefault("Cache-Control", "no-store")  # only files of ours may be kept
        response.headers["X-Content-Type-Options"] = "nosniff"
        return response


def _told(service: Service, kind: str, report: RoundReport | None, finished: datetime | None) -> Json | None:
    if report is None:
        return None
    return {
        "kind": kind,
        "now": instant(report.now, service.basis.zone),
        "finished": instant(finished, service.basis.zone),
        "whole": report.whole,
        **report.counts,
        "remarks": list(report.remarks),
    }


def _may_ask(service: Service, request: Request) -> bool:
    token = service.settings.api_token
    if token is None:
        return True
    given = request.headers.get("authorization", "").encode("latin-1")  # the bytes that came
    return hmac.compare_digest(given, f"Bearer {token.get_secret_value()}".encode())


def _front_page(service: Service) -> str:
    protocol = service.basis.protocol
    return f"""<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width">
<title>Andante</title>
<style>body {{ font: 1.1rem/1.6 serif; max-width: 40rem; margin: 3rem auto; padding: 0 1rem }}</style>
<h1>Andante</h1>
<p>How fast to feed, suggested for review. This service reads charts from a FHIR R4 server and leaves
suggestions with their reasons in the clinician's inbox there.</p>
<p><strong>{CAUTION}</strong></p>
<p>In force: protocol {protocol.id} {protocol.version}. See <a href="protocol">every number and its source</a>,
<a href="ready">whether the service is of use now</a>.</p>
</html>
"""
