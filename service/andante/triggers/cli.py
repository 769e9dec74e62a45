"""The command line. Errors made on purpose end in one line on standard error and a status that tells their kind."""

import os
import sys
from typing import Annotated

import typer

from andante import __version__, log
from andante.collecting import collect_seldom
from andante.errors import AndanteError, InputError
from andante.settings import settings_help
from andante.triggers import advise, audits, demonstration, protocols, rounds, server_check, sites, states
from andante.triggers.inputs import note
from andante.wording import CAUTION

DEFECT_EXIT = 1
INPUT_EXIT = 2

cli = typer.Typer(
    name="andante",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Watches hospital inpatients at risk of refeeding syndrome and suggests, for review, how fast to feed. "
    + CAUTION,
)
cli.command("advise")(advise.advise)
cli.command("explain")(advise.explain)
cli.command("round")(rounds.round_)
cli.command("serve", epilog=settings_help())(rounds.serve)
cli.command("demo")(demonstration.demo)
cli.command("check-server")(server_check.check_server_)
cli.add_typer(protocols.group, name="protocol")
cli.add_typer(sites.group, name="site")
cli.add_typer(audits.group, name="audit")
cli.add_typer(states.group, name="state")


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"andante {__version__}")
        raise typer.Exit


@cli.callback()
def _start(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and stop.")
    ] = False,
) -> None:
    log.start("WARNING")


def main() -> None:
    """Run the command line; the process ends here."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a terminal that cannot show a sign must not cost the advice
    collect_seldom()
    try:
        cli()
    except AndanteError as error:
        note(str(error))
        sys.exit(INPUT_EXIT if isinstance(error, InputError) else rounds.SERVER_EXIT)
    except BrokenPipeError:
        # Whoever reads has enough, as `head` does.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(DEFECT_EXIT)
    except Exception as error:
        # The place is enough to find it; a traceback could show what stands in a chart.
        note(f"a defect of ours: {type(error).__name__} at {log.place_of(error)}")
        sys.exit(DEFECT_EXIT)
