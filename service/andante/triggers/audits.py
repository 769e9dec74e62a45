"""`audit verify`: does every line of the audit log follow from the one before?"""

from pathlib import Path
from typing import Annotated

import typer

from andante.audit import verify
from andante.triggers import inputs

BROKEN_EXIT = 4
_TOLD = 20

group = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="The audit log.")


@group.callback()
def _group() -> None: ...


@group.command("verify")
def verify_(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The audit log.")],
    noted: Annotated[
        str | None, typer.Option(help="Hash of a last line, noted earlier: one of the lines must still have it.")
    ] = None,
) -> None:
    """Check the chain, and print the hash of the last line, to be kept somewhere else.

    Exit status: 0 when every line follows from the one before, 4 when not.
    """
    found = verify(file, noted=noted.lower() if noted else None)
    typer.echo(f"{found.lines} lines, last {found.head}")
    if found.torn:
        inputs.note(f"cut short by a crash, but in their place: lines {_numbers(found.torn)}")
    if found.broken:
        inputs.note(f"the chain is broken at lines {_numbers(found.broken)}")
    if not found.holds_noted:
        inputs.note("no line has the hash that was noted: lines were cut off, or all was written anew")
    if not found.whole:
        raise typer.Exit(BROKEN_EXIT)


def _numbers(lines: tuple[int, ...]) -> str:
    told = ", ".join(map(str, lines[:_TOLD]))
    return f"{told} and {len(lines) - _TOLD} more" if len(lines) > _TOLD else told
