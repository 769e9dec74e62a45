"""The chart a call is answered from: what the client sent along where that is whole, else our own FHIR server.

The server asked is always the one the service is set up with. An address in a call is compared with it and never
followed, and a token in a call is never used.
"""

import asyncio
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime

import msgspec

from andante.app import Service
from andante.chart.bundle import read_charts
from andante.chart.chart import Chart
from andante.chart.questions import ReadPlan
from andante.errors import AndanteError, InputError
from andante.fhir_http.connection import Connection
from andante.fhir_http.envelope import DECODE_ERRORS, decode_bundle, decode_outcome, type_of
from andante.triggers.cds_hooks.call import Call
from andante.triggers.cds_hooks.catalogue import templates

PATIENCE_S = 20.0  # somebody waits in front of a chart: a later answer is none


class NotEnough(AndanteError):
    """The client has not sent what is needed, and there is no server to ask: 412."""


class Unknown(AndanteError):
    """The patient is not on the server that was asked: 404."""


@dataclass(frozen=True, kw_only=True)
class Source:
    """Where charts come from. `connection` is to our own server."""

    service: Service
    connection: Connection


async def chart_for(call: Call, source: Source, *, now: datetime) -> Chart:
    """The chart of the call's patient.

    Raises InputError for prefetched data that cannot be used, NotEnough, Unknown, a ServerError, TimeoutError.
    """
    missing = [key for key in templates(source.service.plan, now) if not _is_usable(call.prefetch.get(key))]
    if not missing:
        return prefetched(call, source.service.plan, now=now)
    if call.fhir_server is not None and not is_ours(call.fhir_server, source.connection):
        raise NotEnough(
            "the prefetch is not whole, and fhirServer is not the server this service reads: missing are "
            + ", ".join(missing)
        )
    async with asyncio.timeout(PATIENCE_S):
        hospital = source.service.hospital(source.connection, now=now)
        (chart,) = [chart async for chart in hospital.reader.charts([call.patient_id])]
    if chart.patient is None and not chart.incomplete:
        raise Unknown("that patient is not on the FHIR server")
    return chart


def is_ours(address: str, connection: Connection) -> bool:
    """Whether an address is that of our own server, or one it is known to print for itself."""
    known = (connection.settings.base, *connection.settings.rewrite)
    return address.rstrip("/") in {base.rstrip("/") for base in known}


def _is_usable(part: bytes | None) -> bool:
    """There, and not the report of a search that failed."""
    if part is None:
        return False
    try:
        return type_of(msgspec.Raw(part)) not in (None, "OperationOutcome")
    except DECODE_ERRORS:
        return False


def prefetched(call: Call, plan: ReadPlan, *, now: datetime) -> Chart:
    """The chart out of what the client sent: data like those of any file. Raises InputError."""
    wanted = templates(plan, now)
    resources: list[bytes] = []
    incomplete: list[str] = []
    for key in wanted:
        part = call.prefetch[key]
        if type_of(msgspec.Raw(part)) != "Bundle":
            resources.append(part)
            continue
        try:
            bundle, misshapen = decode_bundle(part)
        except DECODE_ERRORS:
            raise InputError(f"prefetch {key} is no FHIR Bundle") from None
        matches = sum(entry.search is None or entry.search.mode in (None, "match") for entry in bundle.entry)
        found = [bytes(entry.resource) for entry in bundle.entry if entry.has_resource]
        failed = any((outcome := decode_outcome(body)) is not None and outcome.is_error for body in found)
        if bundle.link_to("next") is not None or (bundle.total or 0) > matches or misshapen or failed:
            incomplete.append(wanted[key].partition("?")[0])
        resources += found
    charts = {chart.patient_id: chart for chart in _charts(resources, now)}
    chart = charts.get(call.patient_id)
    if chart is None or chart.patient is None:
        raise InputError("the prefetch does not hold the patient of the call")
    if len(charts) > 1:
        raise InputError("the prefetch holds resources of another patient: nothing was concluded from it")
    return replace(chart, incomplete=tuple(dict.fromkeys((*chart.incomplete, *incomplete))))


def _charts(resources: Iterable[bytes], now: datetime) -> tuple[Chart, ...]:
    entries = b",".join(b'{"resource":' + resource + b"}" for resource in resources)
    found = read_charts(b'{"resourceType":"Bundle","type":"collection","entry":[' + entries + b"]}", now=now)
    # What belongs to nobody came in answer to searches for this patient, so it may be about them.
    return tuple(replace(chart, problems=(*chart.problems, *found.unassigned)) for chart in found.charts)
