"""`audit verify`: does every line of the audit log follow from the one before?"""

from pathlib import Path
from typing import Annotated

import typer

from andante import settings
from andante.audit import chain_of, verify
from andante.errors import StateTooNew, StateUnavailable
from andante.state.address import address_of
from andante.state.store import Store
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

    Where ANDANTE_STATE_URL is set, the last line that the service noted there must still stand too.

    Exit status: 0 when every line follows from the one before, 4 when not.
    """
    found = verify(file, noted=noted.lower() if noted else _noted_in_state(file))
    typer.echo(f"{found.lines} lines, last {found.head}")
    if found.torn:
        inputs.note(f"cut short by a crash, but in their place: lines {_numbers(found.torn)}")
    if found.broken:
        inputs.note(f"the chain is broken at lines {_numbers(found.broken)}")
    if not found.holds_noted:
        inputs.note("no line has the hash that was noted: lines were cut off, or all was written anew")
    if not found.whole:
        raise typer.Exit(BROKEN_EXIT)


def _noted_in_state(file: Path) -> str | None:
    """The head noted for the chain of this file; None where there is no state, or it knows nothing of the chain."""
    given = settings.load()
    if given.state_url is None or given.fhir_base is None:
        return None
    try:
        with file.open("rb") as beginning:
            chain = chain_of(beginning.readline())
        kept = Store(address_of(given.state_url.get_secret_value()), given.fhir_base).load()
    except (OSError, StateUnavailable, StateTooNew) as error:
        inputs.note(f"what the state noted could not be asked: {type(error).__name__}")
        return None
    found = next((one for one in kept.audit if one.chain == chain), None)
    if found is None:
        inputs.note("the state has noted nothing of a log that begins like this one")
        return None
    inputs.note(f"noted in the state on {found.noted:%Y-%m-%d %H:%M} UTC: {found.head}")
    return found.head


def _numbers(lines: tuple[int, ...]) -> str:
    told = ", ".join(map(str, lines[:_TOLD]))
    return f"{told} and {len(lines) - _TOLD} more" if len(lines) > _TOLD else told
