"""`site check`: is the site map fit to be used, and what does it not know of what is met in charts?"""

import asyncio
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table
from rich.text import Text

from andante import settings, site_map
from andante.app import Service
from andante.domain.advice import Tell
from andante.errors import InputError
from andante.present.as_text import console
from andante.present.shown import plain
from andante.site_map.wild import Matter, Wild
from andante.triggers import inputs
from andante.triggers.advise import SiteFile

FAULTS_EXIT = 2
_SHOWN = 40  # of each kind

group = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="The site map: local codes, wards, routing.")


@group.callback()
def _group() -> None: ...


@group.command()
def check(
    chart: Annotated[
        str | None, typer.Argument(metavar="[CHART]", help="Chart file to look through, as for advise.")
    ] = None,
    fhir: Annotated[str | None, typer.Option(help="Base address of the FHIR server to look through instead.")] = None,
    site: SiteFile = None,
    now: Annotated[
        str | None, typer.Option(help="Instant to read at, with a time zone; the present one by default.")
    ] = None,
) -> None:
    """Check the site map, and count the codes, units, formulas, drugs and places it does not know.

    Nothing of a patient is shown. Exit status: 0 when the file is fit to be used, 2 with every fault and its path.
    """
    if chart is not None and fhir is not None:
        raise InputError("name either a chart file or a server (--fhir)")
    given = settings.load(site=site)
    path = given.site
    if path is not None:
        _tell_faults(path, given.canonical_base)
    instant = inputs.parse_now(now)
    service = inputs.service(now=instant, fhir=fhir, site=site)
    if path is not None:
        _tell_densities(path, service)
        codes = service.basis.codes
        said = (
            f"{len(codes.changes)} changes to the codes",
            f"{len(list(codes.formulas))} formulas",
            f"{len(codes.wards)} wards",
            f"{len(service.site.recipients)} of {len(Tell)} routed",
            f"{len(service.site.escalation)} escalations",
        )
        typer.echo(f"{plain(path.name)}: fit to be used: {', '.join(said)}")
    else:
        typer.echo("no site map: name one with --site or ANDANTE_SITE")
    wild = Wild()
    if chart is not None:
        for one in inputs.read_chart_file(chart, now=instant).charts:
            wild.look_through(one, service.basis.codes)
    elif fhir is not None:
        asyncio.run(_look_through_server(service, wild, instant))
    if wild.charts:
        _show(wild)


def _tell_faults(path: Path, canonical: str) -> None:
    faults = site_map.faults_of(path, canonical=canonical)
    for fault in faults:
        inputs.note(fault)
    if faults:
        raise typer.Exit(FAULTS_EXIT)


def _tell_densities(path: Path, service: Service) -> None:
    """Densities that the protocol would not believe of an order either."""
    energy = service.basis.protocol.energy
    least, most = energy.density_min.value, energy.density_max.value
    strange = [entry for entry in service.basis.codes.formulas if not least <= entry.kcal_per_ml <= most]
    for entry in strange:
        inputs.note(
            f"{path.name}: formula {entry.code}: {entry.kcal_per_ml} kcal/mL is not plausible by the protocol "
            f"({least} to {most}): orders of it cannot be summed"
        )
    if strange:
        raise typer.Exit(FAULTS_EXIT)


async def _look_through_server(service: Service, wild: Wild, now: datetime) -> None:
    async with service.connect() as connection:
        hospital = service.hospital(connection, now=now)
        await hospital.fhir.check_release()
        census = await hospital.reader.census()
        async for chart in hospital.reader.charts(sorted(census.patients)):
            wild.look_through(chart, service.basis.codes)


def _show(wild: Wild) -> None:
    out = console()
    out.print(Text(f"\nLooked through {wild.charts} charts, {wild.incomplete} of them not read whole."))
    for matter in Matter:
        found = wild.of(matter)
        out.print(Text(f"\n{matter.value.capitalize()}: {wild.mapped[matter]} known; {len(found)} kinds not", "bold"))
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
        for name in ("times", "code", "why it may matter"):
            table.add_column(name, overflow="fold", justify="right" if name == "times" else "left")
        for one, count in found[:_SHOWN]:
            table.add_row(str(count), Text(plain(one.name)), one.hint)
        if found:
            out.print(table)
        if len(found) > _SHOWN:
            out.print(Text(f"and {len(found) - _SHOWN} kinds more"))
