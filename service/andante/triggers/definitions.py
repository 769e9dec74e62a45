"""Our FHIR definitions over HTTP, read-only: code systems, value sets, profiles, and what the service asks and offers.

They hold nothing of any patient, so anybody may read them. https://hl7.org/fhir/R4/http.html#read
"""

import json
from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from fastapi import FastAPI, Request, Response

from andante.errors import InputError
from andante.present.as_json import encode
from andante.shared_files import shared
from andante.writeback.site import DEFAULT_BASE

Json = dict[str, Any]

PATH = "/fhir"
TYPES = ("CapabilityStatement", "CodeSystem", "StructureDefinition", "ValueSet")
SEARCH_PARAMETERS = ("_id", "url")
_SERVICE = ("CapabilityStatement", "service")
_FHIR_JSON = "application/fhir+json"
_JSON_FORMATS = frozenset({_FHIR_JSON, "application/json", "json"})


def load_definitions(base: str = DEFAULT_BASE) -> Mapping[tuple[str, str], Json]:
    """By type and id, named under the site's canonical base. Raises InputError for a file that is no resource."""
    found: dict[tuple[str, str], Json] = {}
    for path in sorted(shared("fhir").glob("*.json")):
        try:
            body = json.loads(path.read_text(encoding="utf-8").replace(DEFAULT_BASE, base))
            found[body["resourceType"], body["id"]] = body
        except (OSError, ValueError, LookupError, TypeError):
            raise InputError(f"{path.name} is no FHIR resource; install the package again") from None
    return found


def add_definitions(app: FastAPI, *, base: str) -> None:
    """Routes below `/fhir`: metadata, read, and search by address."""
    definitions = load_definitions(base)

    @app.get(f"{PATH}/metadata")
    async def metadata(request: Request) -> Response:
        return _fault(request, known=()) or _fhir(definitions[_SERVICE])

    @app.get(f"{PATH}/{{kind}}/{{identity}}")
    async def read(request: Request, kind: str, identity: str) -> Response:
        if (fault := _fault(request, known=())) is not None:
            return fault
        body = definitions.get((kind, identity))
        return _outcome(404, "not-found", "there is no such definition") if body is None else _fhir(body)

    @app.get(f"{PATH}/{{kind}}")
    async def search(request: Request, kind: str) -> Response:
        if kind not in TYPES:
            return _outcome(404, "not-supported", f"only {', '.join(TYPES)} can be read here")
        if (fault := _fault(request, known=SEARCH_PARAMETERS)) is not None:
            return fault
        asked = [(name, value) for name, value in request.query_params.multi_items() if name in SEARCH_PARAMETERS]
        found = [body for (type_, _), body in definitions.items() if type_ == kind and _matches(body, asked)]
        return _fhir(_searchset(found, f"{str(request.base_url).rstrip('/')}{PATH}", kind, asked))


def _matches(body: Json, asked: list[tuple[str, str]]) -> bool:
    """Every parameter must hold; a value may list alternatives. An address may name the version it wants."""
    own = {"_id": {body["id"]}, "url": {body["url"], f"{body['url']}|{body['version']}"}}
    return all(own[name] & set(value.split(",")) for name, value in asked)


def _searchset(found: list[Json], base: str, kind: str, asked: list[tuple[str, str]]) -> Json:
    query = f"?{urlencode(asked)}" if asked else ""
    entries = [
        {"fullUrl": f"{base}/{kind}/{body['id']}", "resource": body, "search": {"mode": "match"}} for body in found
    ]
    return {
        "resourceType": "Bundle",
        "type": "searchset",
        "total": len(found),
        "link": [{"relation": "self", "url": f"{base}/{kind}{query}"}],
        **({"entry": entries} if entries else {}),
    }


def _fault(request: Request, *, known: tuple[str, ...]) -> Response | None:
    """An unknown parameter is refused: whoever sends one would take the answer for something else."""
    for name, value in request.query_params.multi_items():
        if name == "_format":
            if value not in _JSON_FORMATS:
                return _outcome(406, "not-supported", "only JSON is spoken here")
        elif name not in known:
            return _outcome(400, "not-supported", f"only {', '.join((*known, '_format'))} can be asked for here")
    return None


def _outcome(status: int, code: str, text: str) -> Response:
    issue = {"severity": "error", "code": code, "diagnostics": text}
    return _fhir({"resourceType": "OperationOutcome", "issue": [issue]}, status=status)


def _fhir(body: Json, *, status: int = 200) -> Response:
    return Response(encode(body), status, media_type=_FHIR_JSON)
