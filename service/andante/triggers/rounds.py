"""`round` and `serve`."""

import asyncio
import socket
from datetime import tzinfo
from typing import Annotated

import typer
import uvicorn

from andante import app, log, settings
from andante.assess import Outcome, RoundReport
from andante.errors import InputError
from andante.present.as_json import encode
from andante.present.as_round import Row, review_json, round_view, row_of
from andante.present.as_text import console
from andante.triggers import inputs
from andante.triggers.advise import OverlayFile, ProtocolName, SiteFile
from andante.triggers.inputs import Format
from andante.triggers.operations.traces import traces_to
from andante.triggers.web import create_app, state_of

SERVER_EXIT = 3


def round_(
    fhir: Annotated[
        str | None, typer.Option(help="Base address of the FHIR R4 server; the settings' own by default.")
    ] = None,
    now: Annotated[
        str | None, typer.Option(help="Instant to assess at, with a time zone; the clock's by default.")
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Write nothing; show what would be.")] = False,
    output: Annotated[
        Format,
        typer.Option(
            "--format",
            help="text for people; json: one object per patient and line; fhir: the transaction Bundles "
            "sent (or that would be), one per line; in the order in which they are done.",
        ),
    ] = Format.TEXT,
    protocol: ProtocolName = None,
    overlay: OverlayFile = None,
    site: SiteFile = None,
) -> None:
    """One pass over everybody in the hospital.

    Exit status: 0 when everybody was served, 2 for unusable input, 3 when the server failed for anybody.
    """
    instant = inputs.parse_now(now)
    service = inputs.service(now=instant, fhir=fhir, protocol=protocol, overlay=overlay, site=site)

    zone = service.basis.zone
    rows: list[Row] = []
    unheard: list[OSError] = []

    def show(outcome: Outcome) -> None:
        if output is Format.TEXT:
            rows.append(row_of(outcome))
        elif not unheard and (line := _line(outcome, output, zone)) is not None:
            try:
                inputs.emit([line])
            except OSError as error:  # nobody reads on: the patients still to come must be served all the same
                unheard.append(error)

    async def run() -> RoundReport:
        with inputs.progress_bar("Round") as progress:
            async with service.connect() as connection:
                return await service.run_round(
                    connection, trigger="command", now=instant, dry_run=dry_run, progress=progress, each=show
                )

    report = asyncio.run(run())
    if unheard:
        raise unheard[0]
    if output is Format.TEXT:
        console().print(round_view(report, rows, zone))
    if not report.whole:
        inputs.note("the round was not whole: see the patients marked above")
        raise typer.Exit(SERVER_EXIT)


def _line(outcome: Outcome, output: Format, zone: tzinfo) -> bytes | None:
    """One patient for programs; None where a transaction was asked for and there is none."""
    if output is Format.JSON:
        return encode(review_json(outcome, zone))
    bundle = outcome.delivery.bundle if outcome.delivery is not None else None
    return encode(bundle) if bundle is not None else None


def serve(
    host: Annotated[str | None, typer.Option(help="Address to listen on; loopback by default.")] = None,
    port: Annotated[int | None, typer.Option(help="Port to listen on.")] = None,
) -> None:
    """Run the service: rounds and night watch by the clock, and one patient on demand.

    Everything else is read from ANDANTE_… variables or the file that ANDANTE_CONFIG names.
    """
    given = settings.load(host=host, port=port)
    if given.fhir_base is None:
        raise InputError("no FHIR server is named: set ANDANTE_FHIR_BASE")
    if given.time_zone is None:
        raise InputError("the hospital's time zone is not set: set ANDANTE_ZONE, such as Europe/Vienna")
    if not given.only_loopback and given.api_token is None:
        raise InputError("set ANDANTE_API_TOKEN before listening on anything but loopback")
    _refuse_what_is_taken(given.host, given.port)
    log.start(given.log_level, form=given.log_format)
    service = app.build(given)
    kept = state_of(given)
    if given.clock:
        kept.check()
    log.say(
        "service.started",
        protocol=service.basis.protocol.id,
        version=service.basis.protocol.version,
        protocol_hash=service.basis.protocol.hash,
        overlay_entries=len(service.basis.protocol.overlay),
    )
    # No access log: the addresses of reviews name patients.
    with traces_to(given.traces_url):
        uvicorn.run(
            create_app(service, kept=kept),
            host=given.host,
            port=given.port,
            log_config=None,
            access_log=False,
            timeout_graceful_shutdown=10,  # a live page would otherwise hold the end up for as long as it is open
        )


def _refuse_what_is_taken(host: str, port: int) -> None:
    """Else the server would end without saying why: what it logs of its own is cut down to its name."""
    try:
        socket.create_server((host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET).close()
    except OSError as error:
        raise InputError(f"cannot listen on {host}, port {port}: {error.strerror}") from None
