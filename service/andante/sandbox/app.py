"""The sandbox over HTTP: routes, headers and content types around the endpoint."""

from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from email.utils import format_datetime
from threading import RLock
from urllib.parse import parse_qsl

import msgspec
from fastapi import FastAPI, Request, Response
from fastapi.responses import HTMLResponse
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware

from andante import clock
from andante.sandbox.capability import NOTICE, capability_statement
from andante.sandbox.endpoint import Answer, Endpoint
from andante.sandbox.faults import Fault, Issue, Json, fault, operation_outcome
from andante.sandbox.recording import Seen, describe
from andante.sandbox.store import Store
from andante.sandbox.transaction import process_bundle
from andante.sandbox.validation import decode

BASE_PATH = "/fhir"

_JSON = "application/fhir+json; charset=utf-8"
_JSON_TYPES = {"application/fhir+json", "application/json"}
_encoder = msgspec.json.Encoder(decimal_format="number")


class Sandbox:
    """An empty in-memory FHIR server. `app` is the ASGI application, with the endpoint under `BASE_PATH`.

    `now` gives the instant of every write. `record` is told of every request, before it is carried out.
    """

    def __init__(
        self,
        *,
        now: Callable[[], datetime] = clock.now,
        record: Callable[[Seen], None] | None = None,
    ) -> None:
        self.now = now
        self.endpoint = Endpoint(Store(now))
        self.lock = RLock()
        self._record = record
        self.app = _application(self)

    def load(self, resources: Iterable[Json]) -> None:
        """Put resources that carry their own ids straight into the store, all or none."""
        with self.lock, self.endpoint.store.all_or_nothing():
            for resource in resources:
                self.endpoint.update(resource["resourceType"], resource["id"], resource)

    def note(self, request: Request, body: Json | None = None) -> None:
        """Tell the recorder, if there is one."""
        if self._record is not None:
            path = request.url.path.removeprefix(BASE_PATH).removeprefix("/")
            self._record(describe(request.method, path, request.url.query, body))


def _application(sandbox: Sandbox) -> FastAPI:
    app = FastAPI(title=f"Andante {NOTICE}", openapi_url=None, redirect_slashes=False)
    app.add_middleware(GZipMiddleware, minimum_size=1000)
    endpoint = sandbox.endpoint

    @app.exception_handler(Fault)
    async def refuse(_request: Request, problem: Exception) -> Response:
        assert isinstance(problem, Fault)  # noqa: S101 - for the type checker
        return _send(sandbox, Answer(problem.status, operation_outcome(problem.issues)))

    @app.exception_handler(HTTPException)
    async def refuse_route(_request: Request, problem: Exception) -> Response:
        assert isinstance(problem, HTTPException)  # noqa: S101 - for the type checker
        issue = Issue("not-supported" if problem.status_code == 405 else "not-found", str(problem.detail))
        return _send(sandbox, Answer(problem.status_code, operation_outcome([issue])))

    @app.get("/")
    async def front_page() -> HTMLResponse:
        text = f"<!doctype html><title>{NOTICE}</title><p>Andante {NOTICE}. See {BASE_PATH}/metadata"
        return HTMLResponse(text)

    @app.get(BASE_PATH + "/metadata")
    async def metadata(request: Request) -> Response:
        sandbox.note(request)
        return _send(sandbox, Answer(200, capability_statement(base=_base(request), now=sandbox.now())))

    @app.post(BASE_PATH)
    @app.post(BASE_PATH + "/")
    async def bundle(request: Request) -> Response:
        body = await _body(request)
        sandbox.note(request, body)
        with sandbox.lock:
            done = process_bundle(endpoint, body, base=_base(request), strict=_strict(request))
        return _send(sandbox, Answer(200, done))

    @app.get(BASE_PATH + "/{kind}")
    async def search(request: Request, kind: str) -> Response:
        sandbox.note(request)
        pairs = parse_qsl(request.url.query, keep_blank_values=True)
        with sandbox.lock:
            answer = endpoint.search(kind, pairs, base=_base(request), strict=_strict(request))
        return _send(sandbox, answer)

    @app.post(BASE_PATH + "/{kind}")
    async def create(request: Request, kind: str) -> Response:
        sandbox.note(request)
        body, condition = await _body(request), request.headers.get("if-none-exist")
        with sandbox.lock:
            answer = endpoint.create(kind, body, base=_base(request), if_none_exist=condition)
        return _send(sandbox, answer, base=_base(request))

    @app.get(BASE_PATH + "/{kind}/_history")
    async def history_of_type(request: Request, kind: str) -> Response:
        sandbox.note(request)
        pairs = parse_qsl(request.url.query, keep_blank_values=True)
        with sandbox.lock:
            answer = endpoint.history_of_type(kind, pairs, base=_base(request))
        return _send(sandbox, answer)

    @app.get(BASE_PATH + "/{kind}/{ident}")
    async def read(request: Request, kind: str, ident: str) -> Response:
        sandbox.note(request)
        return _send(sandbox, endpoint.read(kind, ident))

    @app.put(BASE_PATH + "/{kind}/{ident}")
    async def update(request: Request, kind: str, ident: str) -> Response:
        sandbox.note(request)
        body, condition = await _body(request), request.headers.get("if-match")
        with sandbox.lock:
            answer = endpoint.update(kind, ident, body, if_match=condition)
        return _send(sandbox, answer, base=_base(request))

    @app.delete(BASE_PATH + "/{kind}/{ident}")
    async def delete(request: Request, kind: str, ident: str) -> Response:
        sandbox.note(request)
        with sandbox.lock:
            return _send(sandbox, endpoint.delete(kind, ident, if_match=request.headers.get("if-match")))

    @app.get(BASE_PATH + "/{kind}/{ident}/_history")
    async def history(request: Request, kind: str, ident: str) -> Response:
        sandbox.note(request)
        return _send(sandbox, endpoint.history(kind, ident, base=_base(request)))

    @app.get(BASE_PATH + "/{kind}/{ident}/_history/{number}")
    async def vread(request: Request, kind: str, ident: str, number: str) -> Response:
        sandbox.note(request)
        return _send(sandbox, endpoint.vread(kind, ident, number))

    return app


def _base(request: Request) -> str:
    return f"{request.url.scheme}://{request.url.netloc}{BASE_PATH}"


def _strict(request: Request) -> bool:
    return "handling=strict" in request.headers.get("prefer", "").replace(" ", "")


async def _body(request: Request) -> Json:
    """The resource that was sent. Raises a 415 Fault for anything that does not call itself JSON."""
    content_type = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if content_type not in _JSON_TYPES:
        raise fault(415, "not-supported", f"send application/fhir+json, not {content_type or 'nothing'}")
    return decode(await request.body())


def _send(sandbox: Sandbox, answer: Answer, *, base: str = "") -> Response:
    """The HTTP response; its Date is the sandbox's own time, so that a scripted day is consistent."""
    headers = {"Date": _http_date(sandbox.now()), "X-Notice": NOTICE}
    version = answer.version
    if version is not None:
        headers |= {"ETag": version.etag, "Last-Modified": _http_date(version.instant)}
        if answer.located:
            headers["Location"] = f"{base}/{version.reference}/_history/{version.number}"
    content = b"" if answer.body is None else _encoder.encode(answer.body)
    return Response(content, answer.status, headers, media_type=None if answer.body is None else _JSON)


def _http_date(instant: datetime) -> str:
    return format_datetime(instant.astimezone(UTC), usegmt=True)
