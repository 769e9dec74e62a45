"""`check-server`: whether a FHIR server has what is needed, before anything rests on it."""

import asyncio
from datetime import datetime
from enum import StrEnum
from typing import Annotated

import typer

from andante import clock, settings
from andante.app import Service, open_item_questions
from andante.errors import Unreachable
from andante.present.as_checked import checked_json, checked_markdown, checked_view
from andante.present.as_json import encode
from andante.present.as_text import console
from andante.server_check.finding import Report, Verdict
from andante.server_check.run import check_server
from andante.triggers import inputs
from andante.triggers.advise import SiteFile
from andante.writeback.allowlist import load_allowlist
from andante.writeback.probe import Probe


class Format(StrEnum):
    TEXT = "text"
    JSON = "json"
    MARKDOWN = "markdown"


def check_server_(
    fhir: Annotated[
        str | None, typer.Option(help="Base address of the FHIR R4 server; the settings' own by default.")
    ] = None,
    write_probe: Annotated[
        bool,
        typer.Option(
            "--write-probe",
            help="Also write: one Task about nobody, tagged as a test and cancelled at once, with its Provenance. "
            "Both stay on the server.",
        ),
    ] = False,
    output: Annotated[
        Format, typer.Option("--format", help="text for people; markdown for a record; json for a program.")
    ] = Format.TEXT,
    site: SiteFile = None,
) -> None:
    """Try what is needed of a FHIR server, and say what is there, done without, or missing. Reads only, by default.

    Exit status: 0 usable, 1 usable with fallbacks, 2 for unusable input, 3 not usable or no answer.
    """
    service = inputs.service(now=clock.now(), fhir=fhir, site=site)
    if write_probe:
        inputs.note("--write-probe writes to this server: one Task about nobody, cancelled at once, and its Provenance")
    report = asyncio.run(_check(service, clock.now(), write_probe=write_probe))
    match output:
        case Format.TEXT:
            console().print(checked_view(report))
        case Format.JSON:
            inputs.emit([encode(checked_json(report))])
        case Format.MARKDOWN:
            inputs.emit(checked_markdown(report).encode().splitlines())
    if report.verdict is not Verdict.USABLE:
        raise typer.Exit(report.verdict.value)


async def _check(service: Service, now: datetime, *, write_probe: bool) -> Report:
    async with service.connect() as connection:
        probe = Probe(connection, site=service.site, gate=service.gate, now=now) if write_probe else None
        try:
            return await check_server(
                connection,
                service.plan,
                open_items=open_item_questions(service.site),
                needs=service.needs,
                methods={name: tuple(one.statuses) for name, one in load_allowlist().items()},
                signs_in=service.settings.smart_client_id is not None,
                is_private=settings.is_private(connection.origin.base),
                probe=probe,
            )
        except Unreachable:
            if write_probe:
                inputs.note("a test Task may have stayed behind: it is about nobody and carries the tag HTEST")
            raise
