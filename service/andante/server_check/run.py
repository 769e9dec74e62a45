"""The whole check, in the order in which it is told."""

from collections.abc import Callable, Iterable, Mapping
from datetime import datetime

from andante import clock
from andante.chart.questions import ReadPlan
from andante.errors import AccessRefused, ServerError
from andante.fhir_http.capability import Claims, read_claims
from andante.fhir_http.connection import Connection
from andante.fhir_http.read import FhirReader, Params
from andante.fhir_http.scopes import Needs
from andante.server_check.claims import check_hooks, check_private, check_release, check_signing_in, check_writes
from andante.server_check.finding import Finding, Report, State, raise_if_away
from andante.server_check.reads import check_clock, check_reads
from andante.server_check.searches import check_searches
from andante.server_check.writes import try_writes
from andante.writeback.probe import Probe


async def check_server(
    connection: Connection,
    plan: ReadPlan,
    *,
    open_items: Mapping[str, Params],
    needs: Needs,
    methods: Mapping[str, Iterable[str]],
    signs_in: bool = False,
    is_private: bool = True,
    probe: Probe | None = None,
    now: Callable[[], datetime] = clock.now,
) -> Report:
    """Try everything that is needed. Writes only with a `probe`.

    `open_items` are the searches for what was left open; `needs` and `methods` what is to be allowed and written.

    Raises Unreachable when the server is away, and AccessRefused when it lets us do nothing at all.
    """
    claims = await _claims(connection)
    release = check_release(claims)
    findings: list[Finding] = [release, check_private(is_private)]
    if release.state is State.MISSING:
        return Report(base=connection.origin.base, software=_software(claims), findings=findings)
    findings.append(check_clock(claims.date if claims else None, now()))
    reader = FhirReader(connection)
    offered = claims.types if claims else frozenset()
    searches, patients = await check_searches(reader, plan, offered, open_items=open_items, now=now())
    findings += searches
    findings += await check_reads(connection, plan, patients, now=now())
    findings += await check_signing_in(connection, needs, signs_in=signs_in)
    findings.append(check_hooks(claims))
    if probe is None:
        findings += check_writes(claims, methods)
        return Report(base=connection.origin.base, software=_software(claims), findings=findings)
    tried = await try_writes(probe, reader)
    return Report(
        base=connection.origin.base,
        software=_software(claims),
        findings=[*findings, *tried.findings],
        wrote=True,
        left=tried.left,
    )


async def _claims(connection: Connection) -> Claims | None:
    """None for a server that is there and keeps its statement to itself: it is judged by what it does."""
    try:
        return await read_claims(connection)
    except AccessRefused:
        raise
    except ServerError as error:
        raise_if_away(error)
        return None


def _software(claims: Claims | None) -> str:
    return claims.software if claims else ""
