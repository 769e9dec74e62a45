"""What is asked by schemathesis: the service with everything it can offer, its page, and the sandbox of the demo."""

import asyncio
import json
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import httpx
from fastapi import FastAPI
from joserfc.jwk import ECKey
from pydantic import SecretStr
from starlette.routing import Route

from andante import app, settings
from andante.demo import Stage, read_script
from andante.fhir_http.connection import Connection, ServerSettings
from andante.triggers.web import create_app

Json = dict[str, Any]
MORNING = datetime.fromisoformat("2031-03-27T06:30:00+00:00")
SECRET = "a-secret-of-the-site-0001"
PATIENT = "quillfeather"
BASE = "http://127.0.0.1"
SCRIPT = read_script(("plain-course",))

Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]


@dataclass
class FromLoopback:
    """The application as it is reached on its own machine, by somebody who has `headers` to show."""

    inner: Any
    headers: tuple[tuple[bytes, bytes], ...] = ()

    async def __call__(self, scope: MutableMapping[str, Any], receive: Receive, send: Send) -> None:
        if scope["type"] == "http":
            scope["client"] = ("127.0.0.1", 40_000)
            names = {name for name, _ in scope["headers"]}
            scope["headers"] = [*scope["headers"], *(one for one in self.headers if one[0] not in names)]
        await self.inner(scope, receive, send)


def _stage() -> Stage:
    stage = Stage(SCRIPT)
    stage.play_until(MORNING)
    return stage


def service_with_everything(folder: Path) -> FastAPI:
    """Over the fictional hospital in the same process. Nobody signs in to the page: that is `the_page`."""
    key = folder / "key.json"
    key.write_text(json.dumps(ECKey.generate_key("P-384").as_dict(private=True)))
    service = app.build(
        settings.defaults(
            zone=SCRIPT.zone.key,
            cds_development=True,
            notify_url=f"{BASE}/notify",
            notify_secret=SecretStr(SECRET),
            fhir_base="http://127.0.0.1:9/fhir",
            smart_client_id="andante",
            smart_keys=(key,),
        )
    )
    return create_app(service, now=lambda: MORNING, connection=_connection(), schedule=False)


@dataclass(kw_only=True)
class Page:
    """The page with one patient on it: `sheet` is the name in that patient's address, `cookie` somebody's session."""

    application: FromLoopback
    sheet: str
    cookie: bytes


def page_application() -> FastAPI:
    service = app.build(settings.defaults(zone=SCRIPT.zone.key, page_login="development"))
    return create_app(service, now=lambda: MORNING, connection=_connection(), schedule=False)


def the_page() -> Page:
    application = page_application()

    async def opened() -> Page:
        await application.state.run_round("round")
        (entry,) = application.state.house.board.entries.values()
        transport = httpx.ASGITransport(application)
        async with httpx.AsyncClient(transport=transport, base_url=BASE) as client:
            answer = await client.post("/page/sign-in", data={"name": "Ada Quill", "role": "administer"})
            assert answer.status_code == 303
            cookie = "; ".join(f"{name}={value}" for name, value in client.cookies.items())
        return Page(application=FromLoopback(application), sheet=entry.token, cookie=cookie.encode())

    return asyncio.run(opened())


def _connection() -> Connection:
    transport = httpx.ASGITransport(_stage().sandbox.app)
    return Connection(ServerSettings(base="http://ward.example/fhir"), transport=transport)


def document_of_the_page(application: FastAPI) -> Json:
    """The page is for browsers and stands in no document of ours: here its addresses are written into one."""
    paths: Json = {}
    answers = {"200": "text/html", "303": "", "400": "text/html", "401": "", "403": "text/html", "404": "text/html",
               "409": "text/html", "422": "text/html", "502": "text/html", "503": "text/html"}  # fmt: skip
    for route in application.routes:
        if not isinstance(route, Route) or not route.path.startswith("/page") or route.path.endswith("/live"):
            continue
        for method in (route.methods or set()) - {"HEAD"}:
            names = sorted(route.param_convertors)
            paths.setdefault(route.path, {})[method.lower()] = _operation(names, answers, form=method == "POST")
    return _document(paths)


_FORM = ("token", "answer", "reason", "hours", "words", "seen", "name", "role")
_QUERY = ("ward", "who", "launched", "seen", "iss", "launch", "state", "code")


def _operation(names: list[str], answers: dict[str, str], *, form: bool) -> Json:
    found: Json = {
        "parameters": [
            *({"name": n, "in": "path", "required": True, "schema": {"type": "string"}} for n in names),
            *({"name": n, "in": "query", "schema": {"type": "string"}} for n in _QUERY),
            {"name": "hx-request", "in": "header", "schema": {"enum": ["true", "false"]}},
        ],
        "responses": {
            status: {"description": status, **({"content": {kind: {}, "text/css": {}}} if kind else {})}
            for status, kind in answers.items()
        },
    }
    if form:
        fields = {name: {"type": "string"} for name in _FORM}
        schema = {"type": "object", "properties": fields}
        found["requestBody"] = {"content": {"application/x-www-form-urlencoded": {"schema": schema}}}
    return found


def _document(paths: Json) -> Json:
    return {"openapi": "3.1.0", "info": {"title": "x", "version": "1"}, "paths": paths}


# --------------------------------------------------------------------------- the sandbox


def the_sandbox() -> Any:
    return _stage().sandbox.app


def document_of_the_sandbox() -> Json:
    """FHIR's own interactions, as far as the sandbox says in its CapabilityStatement that it offers them."""
    statuses = (200, 201, 204, 304, 400, 404, 405, 406, 409, 410, 412, 415, 422)
    content = {"application/fhir+json": {"schema": {"type": "object"}}}
    responses = {str(status): {"description": "x", "content": content} for status in statuses}
    kinds = ["Observation", "Task", "Patient", "NutritionOrder", "Nonsense"]
    kind = {"name": "kind", "in": "path", "required": True, "schema": {"enum": kinds}}
    identity = {"name": "id", "in": "path", "required": True, "schema": {"type": "string"}}
    version = {"name": "version", "in": "path", "required": True, "schema": {"type": "string"}}
    query = [
        {"name": name, "in": "query", "schema": {"type": "string"}}
        for name in ("_id", "patient", "code", "status", "_count", "_sort", "_lastUpdated", "date", "_include", "_page")
    ]
    conditions = [
        {"name": name, "in": "header", "schema": {"type": "string"}}
        for name in ("If-Match", "If-None-Exist", "If-None-Match", "Prefer")
    ]
    body = {"content": {"application/fhir+json": {"schema": _RESOURCE}}}

    def operation(*parameters: Json, body: Json | None = None) -> Json:
        return {"parameters": list(parameters), "responses": responses, **({"requestBody": body} if body else {})}

    form = {"content": {"application/x-www-form-urlencoded": {"schema": {"type": "object", "properties": {
        "_id": {"type": "string"}, "code": {"type": "string"}}}}}}  # fmt: skip
    return _document(
        {
            "/fhir/metadata": {"get": operation()},
            "/fhir": {"post": operation(body={"content": {"application/fhir+json": {"schema": _BUNDLE}}})},
            "/fhir/{kind}": {"get": operation(kind, *query), "post": operation(kind, *conditions, body=body)},
            "/fhir/{kind}/_search": {"post": operation(kind, body=form)},
            "/fhir/{kind}/{id}": {
                "get": operation(kind, identity, *conditions),
                "put": operation(kind, identity, *conditions, body=body),
                "delete": operation(kind, identity),
            },
            "/fhir/{kind}/{id}/_history/{version}": {"get": operation(kind, identity, version)},
        }
    )


_RESOURCE: Json = {
    "type": "object",
    "required": ["resourceType"],
    "properties": {
        "resourceType": {"enum": ["Observation", "Task", "Patient", "NutritionOrder"]},
        "id": {"type": "string"},
        "status": {"type": "string"},
        "subject": {"type": "object", "properties": {"reference": {"type": "string"}}},
    },
}
_BUNDLE: Json = {
    "type": "object",
    "required": ["resourceType", "type"],
    "properties": {
        "resourceType": {"enum": ["Bundle"]},
        "type": {"enum": ["transaction", "batch", "history"]},
        "entry": {
            "type": "array",
            "maxItems": 3,
            "items": {
                "type": "object",
                "properties": {
                    "fullUrl": {"type": "string"},
                    "resource": _RESOURCE,
                    "request": {
                        "type": "object",
                        "properties": {
                            "method": {"enum": ["GET", "POST", "PUT", "DELETE", "PATCH"]},
                            "url": {"type": "string"},
                            "ifMatch": {"type": "string"},
                            "ifNoneExist": {"type": "string"},
                        },
                    },
                },
            },
        },
    },
}
