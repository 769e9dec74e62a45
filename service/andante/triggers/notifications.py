"""Our endpoint for notifications: `/notify/{hook}`. It proves the caller, takes a hint, and answers at once.

A payload is never relied upon: all that is taken from it is whom to read again, from the server itself.
"""

import asyncio
import hmac
from collections.abc import AsyncIterator, Awaitable, Callable, Collection, Iterable
from contextlib import asynccontextmanager
from datetime import datetime, timedelta
from urllib.parse import urlsplit

from fastapi import FastAPI, Request, Response
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect

from andante import log
from andante.app import Service
from andante.assess import Outcome, RoundReport
from andante.changed.memory import Memory
from andante.chart.whose import patient_of
from andante.errors import InputError
from andante.fhir_http.connection import Connection
from andante.fhir_http.read import FhirReader
from andante.subscriptions.hooks import Hooks, build_hooks
from andante.subscriptions.notification import HANDSHAKE, HEARTBEAT, read_notification
from andante.subscriptions.worker import Work

PATH = "/notify"
MOST_BYTES = 1024 * 1024
CATCH_UPS_APART = timedelta(minutes=1)
WHOLE_ROUNDS_APART = timedelta(minutes=15)  # where the server does not tell what changed, each hint costs a whole round
LOOKED_AFTER_EVERY_S = 60.0

_JSON_TYPES = frozenset({"application/fhir+json", "application/json", "application/json+fhir"})

Now = Callable[[], datetime]


def hooks_of(
    service: Service,
    connection: Connection,
    memory: Memory,
    run_changed: Callable[[], Awaitable[RoundReport]],
    *,
    lock: asyncio.Lock,
    now: Now,
    told: Callable[[Iterable[Outcome]], None],
) -> Hooks | None:
    """None where the settings name no endpoint of ours. `run_changed` is a round by change time, without the lock;
    `told` hears what came of those who were read again."""
    site = service.hook_site
    if site is None:
        return None
    reader = FhirReader(connection)

    async def catch_up() -> timedelta:
        await run_changed()
        return WHOLE_ROUNDS_APART if memory.doubt else CATCH_UPS_APART

    async def review(patients: Collection[str]) -> Collection[str]:
        outcomes = await service.review_hinted(connection, memory, patients, now=now())
        told(outcomes)
        return [outcome.patient_id for outcome in outcomes if not outcome.whole or outcome.overtaken]

    work = Work(
        review=review,
        catch_up=catch_up,
        whose=lambda key: patient_of(reader, service.plan, key),
    )
    settings = service.settings
    again = None if settings.changes_every_s else timedelta(seconds=settings.changes_overlap_s)
    return build_hooks(site, connection, service.gate, work, lock=lock, now=now, again_after=again)


@asynccontextmanager
async def kept(hooks: Hooks | None, *, now: Now) -> AsyncIterator[None]:
    """While the block lasts our Subscriptions are looked after, and hints are worked off."""
    if hooks is None:
        yield
        return

    async def look_after(hooks: Hooks) -> None:
        while True:
            try:
                await hooks.keeper.keep(now=now())
            except Exception as error:
                log.warn("hooks.failed", error=error)  # a defect of ours; the next look must still come
            await asyncio.sleep(LOOKED_AFTER_EVERY_S)

    running = [asyncio.create_task(look_after(hooks)), asyncio.create_task(hooks.worker.run())]
    try:
        yield
    finally:
        for task in running:
            task.cancel()
        await asyncio.gather(*running, return_exceptions=True)


def public_name(hooks: Hooks | None) -> list[str]:
    """The host by which the server knows our endpoint."""
    host = urlsplit(hooks.site.address).hostname if hooks is not None else None
    return [host] if host else []


def offer_notifications(app: FastAPI, hooks: Hooks | None, *, now: Now) -> None:
    """The routes; none where the settings name no endpoint of ours."""
    if hooks is None:
        return

    # Some servers send to the very address, others to that of the resource below it.
    @app.post(f"{PATH}/{{hook}}")
    @app.put(f"{PATH}/{{hook}}/{{kind}}/{{ident}}")
    @app.post(f"{PATH}/{{hook}}/{{kind}}/{{ident}}")
    async def notify(request: Request, hook: str, kind: str = "", ident: str = "") -> Response:
        if not _is_the_server(request, hooks):
            _count_refused(hooks)
            return Response(status_code=401, headers={"WWW-Authenticate": "Bearer"})
        if hook not in hooks.watch.hooks:
            return Response(status_code=404)
        try:
            status, body = await _body(request)
        except HTTPException as late:
            _wish_catch_up(hooks, hook, status=late.status_code)
            raise
        if status is None:
            try:
                notification = read_notification(body, addressed=f"{kind}/{ident}" if kind else None)
            except InputError:
                status = 400
            else:
                hooks.heard(hook, notification, now=now())
                return Response(status_code=200 if notification.kind in (HANDSHAKE, HEARTBEAT) else 202)
        _wish_catch_up(hooks, hook, status=status)
        return Response(status_code=status)


def _wish_catch_up(hooks: Hooks, hook: str, *, status: int) -> None:
    """It came from the server: something changed, and it could not be told what."""
    hooks.hints.add(catch_up=True)
    log.warn("notification.unusable", status=status, kind=hook)


def _is_the_server(request: Request, hooks: Hooks) -> bool:
    given = request.headers.get("authorization", "").encode("latin-1")  # the bytes that came
    return hmac.compare_digest(given, f"Bearer {hooks.site.secret}".encode())


def _count_refused(hooks: Hooks) -> None:
    hooks.watch.refused += 1
    count = hooks.watch.refused
    if count & (count - 1) == 0:  # the first, the second, the fourth …: whoever tries must not fill the log
        log.say("notification.refused", failed=count)


async def _body(request: Request) -> tuple[int | None, bytes]:
    """The body; with a status where it is refused: too large, cut short, or not FHIR JSON. Raises HTTPException where
    it is not whole in time."""
    received = bytearray()
    try:
        async for chunk in request.stream():
            received += chunk
            if len(received) > MOST_BYTES:
                return 413, b""
    except ClientDisconnect:
        return 400, b""  # nobody hears it
    body = bytes(received)
    content_type = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    is_plain = request.headers.get("content-encoding", "").strip().lower() in ("", "identity")
    if body.strip() and not (content_type in _JSON_TYPES and is_plain):
        return 415, b""
    return None, body
