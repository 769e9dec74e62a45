"""The service over HTTP: is it alive, is it of use, what numbers are in force, and one patient on demand.

No answer of ours repeats what was asked: a wrong patient id is not echoed, and no address is logged.
"""

import asyncio
import hmac
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse
from starlette.middleware.trustedhost import TrustedHostMiddleware

from andante import __version__, clock, log
from andante.app import Service
from andante.assess import Outcome, RoundReport
from andante.changed.memory import Memory
from andante.errors import InputError, ServerError, Unreachable
from andante.fhir_http.connection import Connection
from andante.fhir_http.read import FhirReader
from andante.present.as_json import Json, encode
from andante.present.as_protocol import protocol_json
from andante.present.as_round import review_json
from andante.present.shown import instant
from andante.subscriptions.hooks import Hooks
from andante.triggers.cds_hooks.routes import offer_cds_hooks
from andante.triggers.definitions import add_definitions
from andante.triggers.inputs import is_fhir_id
from andante.triggers.notifications import hooks_of, kept, offer_notifications, public_name
from andante.triggers.own_keys import publish_keys
from andante.triggers.schedule import CHANGES, ROUND, next_after, scheduler
from andante.wording import CAUTION

_PATIENCE_S = 5.0  # how long `/ready` waits for the server
_ASKED_AGAIN = timedelta(seconds=15)  # `/ready` is polled: the server is not asked each time
_LOOPBACK_NAMES = ["127.0.0.1", "localhost", "[::1]"]

Now = Callable[[], datetime]


@dataclass
class _State:
    """What `/ready` tells. Only counts and instants: nothing about a patient."""

    started: datetime
    last_round: RoundReport | None = None
    finished: datetime | None = None
    last_changes: RoundReport | None = None
    changes_finished: datetime | None = None
    server: str | None = None
    server_asked: datetime | None = None


def create_app(
    service: Service, *, now: Now = clock.now, connection: Connection | None = None, schedule: bool = True
) -> FastAPI:
    """The application. `connection` defaults to the settings' server; `schedule` runs rounds by the clock."""
    shared = connection or service.connect()
    state = _State(started=now())

    one_at_a_time, memory = asyncio.Lock(), Memory()
    follows = service.settings.changes_every_s or service.hook_site is not None

    async def run(trigger: str) -> RoundReport:
        report = await service.run_round(
            shared,
            trigger=trigger,
            now=now(),
            memory=memory if follows else None,
            only_changed=trigger == CHANGES,
        )
        if hooks is not None:
            hooks.watch.changes_found(memory.news, now=now())
            report = replace(report, remarks=(*report.remarks, *hooks.watch.remarks(now())))
        if trigger == CHANGES:
            # It stands in for no round: one that is late must still be told.
            state.last_changes, state.changes_finished = report, now()
        else:
            state.last_round, state.finished = report, now()
        return report

    hooks = hooks_of(service, shared, memory, lambda: run(CHANGES), lock=one_at_a_time, now=now)

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        async with shared:
            if not schedule:
                yield
                return
            clockwork = scheduler(
                run,
                round_times=service.settings.round_times,
                night_watch_times=service.settings.night_watch_times,
                zone=service.basis.zone,
                misfire_grace_s=service.settings.misfire_grace_s,
                changes_every_s=service.settings.changes_every_s,
                lock=one_at_a_time,
            )
            clockwork.start()
            try:
                async with kept(hooks, now=now):
                    yield
            finally:
                clockwork.shutdown(wait=False)

    app = FastAPI(
        title="Andante", description=CAUTION, version=__version__, lifespan=lifespan, docs_url=None, redoc_url=None
    )
    if service.settings.only_loopback and service.settings.api_token is None:
        # A page of another origin must not reach the service by giving its own name the loopback address.
        app.add_middleware(TrustedHostMiddleware, allowed_hosts=[*_LOOPBACK_NAMES, *public_name(hooks)])
    _handle_errors(app)
    _add_routes(app, service, shared, state, now, hooks)
    offer_notifications(app, hooks, now=now)
    app.state.hooks = hooks
    add_definitions(app, base=service.site.base)
    offer_cds_hooks(app, service, shared, now=now)
    publish_keys(app, service.keys)
    return app


def _add_routes(
    app: FastAPI, service: Service, shared: Connection, state: _State, now: Now, hooks: Hooks | None
) -> None:
    protocol = protocol_json(service.basis.protocol)

    @app.get("/", response_class=HTMLResponse)
    async def front() -> str:
        return _front_page(service)

    @app.get("/health")
    async def health() -> Response:
        return _json({"status": "alive", "version": __version__})

    @app.get("/ready")
    async def ready() -> Response:
        server = await _ask_server(shared, state, now())
        late = _is_late(service, state, now())
        body = {
            "status": "ready" if server == "reachable" and not late else "not ready",
            "protocol": {key: protocol[key] for key in ("id", "version", "hash")},
            "server": server,
            "rounds": "late" if late else "on time",
            "not_granted": [f"{name}.{letters}" for name, letters in shared.lacking.items()],
            "last_round": _told(service, ROUND, state.last_round, state.finished),
            "last_changes": _told(service, CHANGES, state.last_changes, state.changes_finished),
            **({} if hooks is None else {"notifications": hooks.shown(now())}),
        }
        return _json(body, status=200 if body["status"] == "ready" else 503)

    @app.get("/protocol")
    async def show_protocol() -> Response:
        return _json(protocol)

    @app.post("/review/{patient_id}")
    async def review(request: Request, patient_id: str) -> Response:
        if not _may_ask(service, request):
            return _json({"problem": "a bearer token is needed"}, status=401, headers={"WWW-Authenticate": "Bearer"})
        if not is_fhir_id(patient_id):
            return _json({"problem": "that is no FHIR id"}, status=400)
        outcome = await service.review(shared, patient_id, now=now())
        if outcome is None:
            return _json({"problem": "that patient is not in the hospital"}, status=404)
        return _json(review_json(outcome, service.basis.zone), status=_status(outcome))


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
        return _json({"problem": str(error)}, status=status, headers=headers)

    @app.exception_handler(InputError)
    async def unusable(_request: Request, error: InputError) -> Response:
        return _json({"problem": str(error)}, status=400)

    @app.exception_handler(RequestValidationError)
    async def malformed(_request: Request, _error: RequestValidationError) -> Response:
        return _json({"problem": "the request is malformed"}, status=400)

    @app.middleware("http")
    async def keep_private(request: Request, call_next: Callable[[Request], Awaitable[Response]]) -> Response:
        try:
            response = await call_next(request)
        except Exception as error:
            log.warn("request.failed", error=error)
            response = _json({"problem": "a defect of ours; it has been logged"}, status=500)
        response.headers["Cache-Control"] = "no-store"
        response.headers["X-Content-Type-Options"] = "nosniff"
        return response


async def _ask_server(connection: Connection, state: _State, now: datetime) -> str:
    if state.server is None or state.server_asked is None or now - state.server_asked > _ASKED_AGAIN:
        try:
            async with asyncio.timeout(_PATIENCE_S):
                await FhirReader(connection).fhir_version()
            state.server = "reachable"
        except TimeoutError:
            state.server = "no answer"
        except ServerError as error:
            state.server = "no answer" if isinstance(error, Unreachable) else "refuses or does not speak FHIR R4"
        state.server_asked = now
    return state.server


def _is_late(service: Service, state: _State, now: datetime) -> bool:
    """Whether a round should have been completed since the last one, or since the start, and was not."""
    settings = service.settings
    since = state.finished or state.started
    due = next_after(since, settings.round_times, service.basis.zone)
    return now > due + timedelta(seconds=settings.misfire_grace_s) + timedelta(hours=1)


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


def _json(body: Any, *, status: int = 200, headers: dict[str, str] | None = None) -> Response:
    return Response(encode(body), status, headers, media_type="application/json")


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
