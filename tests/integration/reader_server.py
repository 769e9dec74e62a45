"""A FHIR server for the reader's tests, at the transport seam: obedient unless told to misbehave."""

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qsl, urlencode, urlsplit

import httpx

from andante.chart.models import READABLE
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.read import FhirReader
from andante.fhir_http.retry import RetryPolicy

BASE = "https://ward.example.org/fhir"
Resource = dict[str, Any]


@dataclass
class ReaderServer:
    """Filters by patient, `_id`, `status` and `class` only: whatever else is asked, the reader must check."""

    resources: list[Resource]
    page_size: int = 1000
    paging: bool = True
    """If not, a page ends without `next`, though its total is right."""
    ignores_filters: frozenset[str] = frozenset()
    """Types of which everything is answered, with an outcome entry saying so."""
    refuses_unknown: bool = False
    """Answers 400 to strict searches of the types above."""
    failing: dict[str, int] = field(default_factory=dict)
    """Status answered for a type."""
    poison: Callable[[Resource], bool] = lambda resource: False
    """A page that holds such a resource comes out as broken JSON."""
    requests: list[httpx.Request] = field(default_factory=list)

    def reader(self, **settings: Any) -> FhirReader:
        async def no_wait(seconds: float) -> None:
            return None

        transport = httpx.MockTransport(self.answer)
        settings = {"retry": RetryPolicy(attempts=2), **settings}
        return FhirReader(Connection(ServerSettings(base=BASE, **settings), transport=transport, sleep=no_wait))

    def asked(self, kind: str) -> list[dict[str, str]]:
        """The parameters of each search of a type."""
        urls = [urlsplit(str(request.url)) for request in self.requests]
        return [dict(parse_qsl(url.query)) for url in urls if url.path.endswith(f"/{kind}")]

    def answer(self, request: httpx.Request) -> httpx.Response:
        self.requests.append(request)
        url = urlsplit(str(request.url))
        kind = url.path.rsplit("/", 1)[-1]
        params = dict(parse_qsl(url.query))
        if kind == "metadata":
            return self._statement()
        if kind in self.failing:
            return httpx.Response(self.failing[kind])
        if kind in self.ignores_filters and self.refuses_unknown and "Prefer" in request.headers:
            return httpx.Response(400)
        ignored = kind in self.ignores_filters
        found = [r for r in self.resources if r["resourceType"] == kind and (ignored or _matches(r, params))]
        return self._page(kind, found, params, ignored)

    def _statement(self) -> httpx.Response:
        """Says that it offers every type but those it fails with."""
        offered = [{"type": kind} for kind in READABLE if kind not in self.failing]
        statement = {"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1", "rest": [{"resource": offered}]}
        return httpx.Response(200, json=statement)

    def _page(self, kind: str, found: list[Resource], params: dict[str, str], ignored: bool) -> httpx.Response:
        start = int(params.get("page", "0"))
        size = min(int(params.get("_count", "1000")), self.page_size)
        shown = found[start : start + size]
        entries: list[Resource] = [{"resource": r, "search": {"mode": "match"}} for r in shown]
        if ignored:
            issue = {"severity": "warning", "code": "not-supported", "diagnostics": "parameters ignored"}
            outcome = {"resourceType": "OperationOutcome", "issue": [issue]}
            entries.append({"resource": outcome, "search": {"mode": "outcome"}})
        bundle: Resource = {"resourceType": "Bundle", "type": "searchset", "total": len(found), "entry": entries}
        if self.paging and start + size < len(found):
            following = urlencode({**params, "page": start + size})
            bundle["link"] = [{"relation": "next", "url": f"{BASE}/{kind}?{following}"}]
        body = json.dumps(bundle)
        if any(self.poison(resource) for resource in shown):
            body = body[:-10]
        return httpx.Response(200, text=body, headers={"Content-Type": "application/fhir+json"})


def _matches(resource: Resource, params: dict[str, str]) -> bool:
    if "_id" in params and resource["id"] not in params["_id"].split(","):
        return False
    if "patient" in params:
        about = resource.get("subject") or resource.get("patient") or resource.get("for") or {}
        # Typed references only, as some servers have it.
        if about.get("reference") not in params["patient"].split(","):
            return False
    if "status" in params and resource.get("status") not in params["status"].split(","):
        return False
    return "class" not in params or resource.get("class", {}).get("code") in params["class"].split(",")
