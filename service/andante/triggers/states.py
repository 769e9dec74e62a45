"""`state`: what is kept between starts, its version, and how to begin anew."""

from datetime import UTC, datetime
from typing import Annotated

import typer

from andante import clock, settings
from andante.errors import InputError
from andante.present.as_json import encode
from andante.state import steps
from andante.state.address import Address, address_of
from andante.state.snapshot import Snapshot
from andante.state.store import Store
from andante.triggers import inputs

group = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="What is kept between starts, at ANDANTE_STATE_URL, of the server at ANDANTE_FHIR_BASE. It may be lost.",
)

Base = Annotated[str | None, typer.Option("--fhir", help="Base address of the FHIR server; the settings' by default.")]


@group.callback()
def _group() -> None: ...


@group.command()
def show(
    fhir: Base = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object instead of text.")] = False,
) -> None:
    """What is kept: rounds, how far changes were followed, patients whose record fails (by id), Subscriptions."""
    store, address = _store(fhir)
    if address.path is not None and not address.path.exists():
        raise InputError(f"{address}: there is none yet; serve makes it, or state migrate")
    version = store.version()
    kept = store.load() if version == steps.newest() else Snapshot()
    if as_json:
        inputs.emit([encode(_json(kept, version))])
        return
    behind = (
        ""
        if version in (None, steps.newest())
        else f"; this version of Andante has {steps.newest()}: run state migrate"
    )
    typer.echo(f"{address}: version {version or 'none yet'}{behind}")
    for one in kept.rounds:
        typer.echo(f"last completed {one.kind}: {_at(one.ended)}{'' if one.whole else ', not whole'}")
    if kept.mark is not None:
        typer.echo(f"changes followed to: {_at(kept.mark.newest)}, the server's time")
    for failing in kept.setbacks:
        typer.echo(f"Patient/{failing.patient}: failed {failing.failures} times running, last {_at(failing.last)}")
    for hook in kept.hooks:
        typer.echo(f"Subscription {hook.name}: {hook.ident or 'id not known'}, written {_at(hook.written)}")
    for head in kept.audit:
        typer.echo(f"audit log {head.chain[:12]}…: last line {head.head}, noted {_at(head.noted)}")


@group.command()
def migrate(fhir: Base = None) -> None:
    """Bring it to this version's form, or make it. `serve` does the same when it starts."""
    store, address = _store(fhir)
    opened = store.open(now=clock.now())
    if opened.put_aside is not None:
        inputs.note(f"it was damaged: put aside as {opened.put_aside}")
    typer.echo(f"{address}: from {opened.before or 'nothing'} to {opened.after}")


@group.command()
def forget(
    fhir: Base = None,
    everything: Annotated[
        bool, typer.Option("--everything", help="Every table of ours, of all servers, and of a newer version too.")
    ] = False,
) -> None:
    """Begin anew: the next start runs a round over everybody. Nothing on the FHIR server is touched."""
    store, address = _store(fhir)
    if everything:
        store.clear()
    else:
        store.forget()
    typer.echo(f"{address}: {'nothing is left' if everything else 'nothing is left of that server'}")


def _store(fhir: str | None) -> tuple[Store, Address]:
    given = settings.load(fhir_base=fhir)
    if given.state_url is None:
        raise InputError("nothing is kept between starts: ANDANTE_STATE_URL is not set")
    if given.fhir_base is None:
        raise InputError("no FHIR server is named: give --fhir or set ANDANTE_FHIR_BASE")
    address = address_of(given.state_url.get_secret_value())
    return Store(address, given.fhir_base), address


def _json(kept: Snapshot, version: str | None) -> dict[str, object]:
    mark = kept.mark
    return {
        "version": version,
        "newest_version": steps.newest(),
        "rounds": [
            {"kind": one.kind, "ended": _at(one.ended), "whole": one.whole, "counts": dict(one.counts)}
            for one in kept.rounds
        ],
        "changes_followed_to": _at(mark.newest) if mark is not None else None,
        "failing": [
            {"patient": f"Patient/{one.patient}", "failures": one.failures, "last": _at(one.last)}
            for one in kept.setbacks
        ],
        "subscriptions": [
            {"name": one.name, "id": one.ident, "written": _at(one.written), "failures": one.failures}
            for one in kept.hooks
        ],
        "audit": [{"chain": one.chain, "last": one.head, "noted": _at(one.noted)} for one in kept.audit],
    }


def _at(instant: datetime) -> str:
    return instant.astimezone(UTC).isoformat(timespec="seconds")
