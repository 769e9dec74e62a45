"""The HTTP of CDS Hooks: who may call, how much, what is recorded, and what each failure is answered with."""

from collections.abc import Awaitable, Callable
from datetime import datetime
from uuid import uuid4

from fastapi import APIRouter, FastAPI, Request, Response
from starlette.middleware.cors import CORSMiddleware
from starlette.types import ASGIApp, Receive, Scope, Send

from andante import log
from andante.app import Service
from andante.audit import Fact
from andante.errors import AuditFailed, InputError, ServerError
from andante.fhir_http.connection import Connection
from andante.present.as_card import Frame
from andante.settings import LOOPBACK
from andante.triggers.cds_hooks.answers import NotWhole, cards_for
from andante.triggers.cds_hooks.call import read_call
from andante.triggers.cds_hooks.caller import Caller, Gatekeeper, Refused
from andante.triggers.cds_hooks.catalogue import OFFERS, discovery
from andante.triggers.cds_hooks.charts import NotEnough, Source, Unknown
from andante.triggers.cds_hooks.feedback import read_feedback
from andante.triggers.cds_hooks.keys import KeyRing
from andante.triggers.json_answer import json_answer

PATH = "/cds-services"
MOST_BYTES = 32 * 1024 * 1024
"""Of a call with everything sent along."""
MOST_FEEDBACK_BYTES = 256 * 1024
_FORWARDED = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip")
_ON_LOOPBACK = Caller(issuer="loopback, unproved")

Now = Callable[[], datetime]


def offer_cds_hooks(
    app: FastAPI,
    service: Service,
    connection: Connection,
    *,
    now: Now,
    new_uuid: Callable[[], str] = lambda: str(uuid4()),
) -> None:
    """Add the routes, where the settings name clients or say that this is a machine for development.

    Raises InputError for clients whose keys cannot be read.
    """
    given = service.settings
    if not given.cds_clients and not given.cds_development:
        return
    gatekeeper = Gatekeeper({issuer: KeyRing(place, now=now) for issuer, place in given.cds_clients.items()}, now=now)
    desk = _Desk(service, connection, gatekeeper, now=now, new_uuid=new_uuid)
    app.include_router(desk.router())
    if given.cds_origins:
        app.add_middleware(_CorsBelow, path=PATH, origins=given.cds_origins)


class _CorsBelow:
    """Lets pages of the listed origins call what lies below one path; everything else stays closed to browsers."""

    def __init__(self, app: ASGIApp, *, path: str, origins: tuple[str, ...]) -> None:
        self._app, self._path = app, path
        headers = ["Authorization", "Content-Type"]
        self._open = CORSMiddleware(app, allow_origins=origins, allow_methods=["GET", "POST"], allow_headers=headers)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        below = scope["type"] == "http" and (scope["path"] == self._path or scope["path"].startswith(f"{self._path}/"))
        await (self._open if below else self._app)(scope, receive, send)


class _Desk:
    def __init__(
        self,
        service: Service,
        connection: Connection,
        gatekeeper: Gatekeeper,
        *,
        now: Now,
        new_uuid: Callable[[], str],
    ) -> None:
        self._service, self._gatekeeper, self._now, self._new_uuid = service, gatekeeper, now, new_uuid
        self._source = Source(service=service, connection=connection)
        self._frame = Frame(site=service.site, address=service.settings.public_url)

    def router(self) -> APIRouter:
        router = APIRouter(prefix=PATH)
        router.add_api_route("", self.discover, methods=["GET"])
        router.add_api_route("/{service_id}", self.call, methods=["POST"])
        router.add_api_route("/{service_id}/feedback", self.feedback, methods=["POST"])
        return router

    async def discover(self) -> Response:
        """Open to all: it holds nothing of a patient."""
        return json_answer(discovery(self._service.plan, self._now()))

    async def call(self, request: Request, service_id: str) -> Response:
        return await self._answered(request, service_id, "cds-call", self._call)

    async def feedback(self, request: Request, service_id: str) -> Response:
        return await self._answered(request, service_id, "cds-feedback", self._feedback)

    async def _answered(
        self,
        request: Request,
        service_id: str,
        action: str,
        do: Callable[[Request, str, Caller], Awaitable[Response]],
    ) -> Response:
        if service_id not in OFFERS:
            return _problem(404, "there is no such service: see GET /cds-services")
        try:
            caller = await self._let_in(request, service_id)
        except Refused as refusal:
            log.warn("cds.refused", kind=refusal.why)
            return _problem(401, str(refusal), {"WWW-Authenticate": 'Bearer error="invalid_token"'})
        try:
            return await self._done(request, service_id, action, caller, do)
        except AuditFailed as error:
            log.warn("audit.failed", error=error)
            return _problem(503, str(error))

    async def _done(
        self,
        request: Request,
        service_id: str,
        action: str,
        caller: Caller,
        do: Callable[[Request, str, Caller], Awaitable[Response]],
    ) -> Response:
        try:
            return await do(request, service_id, caller)
        except _Unfit as error:
            return _problem(error.status, str(error))
        except InputError as error:
            return self._failed(action, service_id, 400, str(error))
        except NotEnough as error:
            return self._failed(action, service_id, 412, str(error))
        except Unknown as error:
            return self._failed(action, service_id, 404, str(error))
        except NotWhole as error:
            return self._failed(action, service_id, 503, str(error), retry=True)
        except (ServerError, TimeoutError) as error:
            log.warn("cds.failed", error=error)
            return self._failed(action, service_id, 503, "the FHIR server did not answer as it should", retry=True)

    def _failed(self, action: str, service_id: str, status: int, text: str, *, retry: bool = False) -> Response:
        self._record(action, service=service_id, outcome=str(status))
        return _problem(status, text, {"Retry-After": "60"} if retry else {})

    async def _let_in(self, request: Request, service_id: str) -> Caller:
        settings = self._service.settings
        if not settings.cds_clients:
            host = request.client.host if request.client is not None else ""
            if host not in LOOPBACK or any(name in request.headers for name in _FORWARDED):
                raise Refused("not-loopback")
            return _ON_LOOPBACK
        here = f"{settings.public_url}{PATH}/{service_id}"
        # Clients that make one token a service use it for the feedback about it too.
        audiences = [here, f"{here}/feedback"] if request.url.path.endswith("/feedback") else [here]
        return await self._gatekeeper.check(request.headers.get("authorization", ""), audiences=audiences)

    async def _call(self, request: Request, service_id: str, caller: Caller) -> Response:
        now, hook = self._now(), OFFERS[service_id].hook
        call = read_call(await _body(request, MOST_BYTES), hook, today=now.isoformat())
        cards = await cards_for(call, hook, self._source, self._frame, now=now, new_uuid=self._new_uuid)
        self._record(
            "cds-call",
            service=service_id,
            caller=caller.issuer,
            user=call.user or None,
            patients=(f"Patient/{call.patient_id}",),
            request=call.instance,
            outcome=f"{len(cards)} cards",
            cards=tuple(card["uuid"] for card in cards) or None,
        )
        log.say("cds.answered", kind=service_id, actions=len(cards))
        return json_answer({"cards": cards})

    async def _feedback(self, request: Request, service_id: str, caller: Caller) -> Response:
        body = await _body(request, MOST_FEEDBACK_BYTES)
        for one in read_feedback(body, reasons_system=self._service.site.system("override-reason")):
            self._record(
                "cds-feedback",
                service=service_id,
                caller=caller.issuer,
                cards=(one.card,),
                outcome=one.outcome,
                reason=one.reason or None,
            )
            log.say("cds.feedback", kind=service_id, status=one.outcome)
        return Response(status_code=200)

    def _record(self, action: str, **facts: Fact) -> None:
        if self._service.audit is not None:
            self._service.audit.record(action, durable=False, **facts)


class _Unfit(Exception):
    """A request that is not even read."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status = status


async def _body(request: Request, most: int) -> bytes:
    # A page of another origin cannot send this type without asking first, and is refused then.
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
        raise _Unfit(415, "send application/json")
    received = bytearray()
    async for chunk in request.stream():
        received += chunk
        if len(received) > most:
            raise _Unfit(413, f"more than {most} bytes")
    return bytes(received)


def _problem(status: int, text: str, headers: dict[str, str] | None = None) -> Response:
    return json_answer({"problem": text}, status=status, headers=headers)
