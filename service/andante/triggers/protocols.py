"""`protocol show`, `check` and `compare`: what numbers are in force, and where each comes from."""

from typing import Annotated

import typer
from rich.table import Table
from rich.text import Text

from andante.domain.protocol import Number, Protocol, Switch
from andante.present.as_text import console
from andante.present.shown import words
from andante.protocol_files import load, resolve
from andante.protocol_files.overlay import counting_words
from andante.triggers.advise import OverlayFile

group = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Show, check and compare protocols.")

One = Annotated[str, typer.Argument(metavar="ONE", help="Id or file of a protocol.")]
Other = Annotated[str, typer.Argument(metavar="OTHER", help="Id or file of another.")]


@group.command()
def show(
    name: Annotated[str, typer.Argument(metavar="PROTOCOL", help="Id or file of a protocol.")] = "aspen-2020",
    overlay: OverlayFile = None,
) -> None:
    """Every number and switch with its source, and the site's differences."""
    protocol = load(name, overlay)
    out = console()
    out.print(Text(_title(protocol), style="bold"))
    out.print(Text(f"Signature: {protocol.signature}. Hash {protocol.hash}"))
    for sentence in protocol.overlay:
        out.print(Text(f"Changed by this site: {sentence}"))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("entry", overflow="fold")
    table.add_column("value", justify="right", overflow="fold")
    table.add_column("known", overflow="fold")
    table.add_column("source", overflow="fold")
    for path, entry in resolve(protocol).items():
        note = f" ({entry.note})" if entry.note else ""
        table.add_row(path, _value(entry), entry.tag, Text(f"{entry.source}{note}"))
    out.print(table)
    out.print(
        Text(
            "known: S read in a text that prints it, M from memory, M? from memory and shaky, D arithmetic on "
            "a stated fact, practice common practice without a published source, site a local choice"
        )
    )


@group.command()
def check(
    files: Annotated[list[str], typer.Argument(metavar="PROTOCOL...", help="Ids or files of protocols.")],
    overlay: OverlayFile = None,
) -> None:
    """Read protocols as the service would; exit status 2 and the path of the first wrong entry if it would not."""
    for name in files:
        protocol = load(name, overlay)
        typer.echo(f"{_title(protocol)}: {len(resolve(protocol))} entries, fit to be used")
        for sentence in protocol.overlay:
            typer.echo(f"  {sentence}")


@group.command()
def compare(one: One, other: Other) -> None:
    """Where two protocols differ."""
    first, second = load(one), load(other)
    mine, theirs = resolve(first), resolve(second)
    table = Table(box=None, pad_edge=False, padding=(0, 3, 0, 0), header_style="dim")
    for name in ("entry", first.id, second.id):
        table.add_column(name, overflow="fold")
    for path in dict.fromkeys([*mine, *theirs]):
        left = _value(mine[path]) if path in mine else "none"
        right = _value(theirs[path]) if path in theirs else "none"
        if left != right:
            table.add_row(path, left, right)
    counts = counting_words(first.risk.counting), counting_words(second.risk.counting)
    if counts[0] != counts[1]:
        table.add_row("risk.counting", *counts)
    console().print(table)


def _title(protocol: Protocol) -> str:
    return f"{protocol.id} {protocol.version}, {protocol.title}"


def _value(entry: Number | Switch) -> str:
    if isinstance(entry, Switch):
        return entry.value
    return words(entry.value, "" if entry.unit == "1" else entry.unit, places=3)
