"""`advise` and `explain`: charts from a file (or a server, to explain), nothing written."""

import asyncio
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from andante.app import Service
from andante.assess import assess_chart
from andante.chart.chart import Chart
from andante.domain.advice import Assessment
from andante.errors import InputError
from andante.present.as_json import assessment_json, encode
from andante.present.as_text import assessment_view, console, explanation_view
from andante.triggers import inputs
from andante.triggers.inputs import Format
from andante.writeback.writer import transaction_bundle

Now = Annotated[str, typer.Option(help="Instant to assess at, with a time zone: 2031-05-12T06:30:00+02:00.")]
ProtocolName = Annotated[str | None, typer.Option(help="Id or file of the protocol; the settings' own by default.")]
OverlayFile = Annotated[Path | None, typer.Option(help="File with the site's own numbers.")]
SiteFile = Annotated[Path | None, typer.Option(help="The site map: local codes, wards, routing and formulas.")]


def advise(
    chart: Annotated[
        str,
        typer.Argument(
            metavar="CHART",
            help="FHIR R4 Bundle (collection, searchset, transaction) or NDJSON of one or more patients; "
            "- reads standard input.",
        ),
    ],
    now: Now,
    protocol: ProtocolName = None,
    output: Annotated[
        Format,
        typer.Option(
            "--format",
            help="text for people; json: one object per patient and line; fhir: the transaction Bundle that "
            "a round would send, one per patient and line.",
        ),
    ] = Format.TEXT,
    overlay: OverlayFile = None,
    site: SiteFile = None,
) -> None:
    """Assess every patient of a chart file. No server is asked, nothing is written.

    Exit status: 0 with advice for every patient, 2 when the input cannot be used.
    """
    instant = inputs.parse_instant(now)
    service = inputs.service(now=instant, protocol=protocol, overlay=overlay, site=site)
    found = inputs.read_chart_file(chart, now=instant)
    defects = 0
    for number, one in enumerate(found.charts):
        try:
            _show(assess_chart(one, service.basis, now=instant), service, output, first=number == 0)
        except Exception as error:
            # The other patients of the file are still served; the text of the error may hold patient data.
            defects += 1
            inputs.note(f"one patient could not be assessed: a defect of ours ({type(error).__name__})")
    if defects:
        raise typer.Exit(1)


def _show(assessment: Assessment, service: Service, output: Format, *, first: bool) -> None:
    match output:
        case Format.JSON:
            inputs.emit([encode(assessment_json(assessment, service.basis.zone))])
        case Format.FHIR:
            inputs.emit([encode(transaction_bundle(assessment, service.site))])
        case Format.TEXT:
            out = console()
            if not first:
                out.print()
            out.print(assessment_view(assessment, service.basis.zone))


def explain(
    patient: Annotated[str, typer.Argument(metavar="PATIENT", help="FHIR id of the patient.")],
    now: Now,
    chart: Annotated[str | None, typer.Option(help="Chart file, as for advise; - reads standard input.")] = None,
    fhir: Annotated[str | None, typer.Option(help="Base address of the FHIR server to read instead.")] = None,
    protocol: ProtocolName = None,
    overlay: OverlayFile = None,
    site: SiteFile = None,
) -> None:
    """Show the derivation: every rule that fired, with facts, times, sources and protocol entries."""
    instant = inputs.parse_instant(now)
    wanted = inputs.patient_id(patient)
    if (chart is None) == (fhir is None):
        raise InputError("name either a chart file (--chart) or a server (--fhir)")
    service = inputs.service(now=instant, fhir=fhir, protocol=protocol, overlay=overlay, site=site)
    one = _of_file(chart, wanted, instant) if chart else asyncio.run(_of_server(service, wanted, instant))
    console().print(explanation_view(assess_chart(one, service.basis, now=instant), service.basis.zone))


def _of_file(name: str, wanted: str, now: datetime) -> Chart:
    for one in inputs.read_chart_file(name, now=now).charts:
        if one.patient_id == wanted:
            return one
    raise InputError("that patient is not in the file")


async def _of_server(service: Service, wanted: str, now: datetime) -> Chart:
    async with service.connect() as connection:
        hospital = service.hospital(connection, now=now)
        await hospital.fhir.check_release()
        (one,) = [chart async for chart in hospital.reader.charts([wanted])]
    if one.patient is None and not one.incomplete:
        raise InputError("that patient is not on the server")
    for part in one.incomplete:
        inputs.note(f"{part} could not be read whole: nothing is concluded from what is missing")
    return one
