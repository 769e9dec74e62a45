"""What commands are given: instants, chart files, patients. Everything unusable becomes one InputError line."""

import os
import re
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, timedelta
from enum import StrEnum
from pathlib import Path

import typer
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from andante import app, clock, settings
from andante import assess as story
from andante.chart.bundle import ChartFile, read_charts
from andante.errors import InputError
from andante.present.as_text import console
from andante.present.shown import plain

_MAX_FILE_BYTES = 1024 * 1024 * 1024
_FHIR_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_TOLD = 20
_WIDEST_OFFSET = timedelta(hours=14)
_YEARS = range(1900, 2200)  # far enough from both ends of the calendar to reckon with


class Format(StrEnum):
    TEXT = "text"
    JSON = "json"
    FHIR = "fhir"


def parse_instant(text: str) -> datetime:
    """An ISO 8601 instant with a zone. Raises InputError: a time without one could be any of a day's worth."""
    try:
        instant = datetime.fromisoformat(text.strip())
    except ValueError:
        raise InputError("--now is not an instant such as 2031-05-12T06:30:00+02:00") from None
    offset = instant.utcoffset()
    if offset is None:
        raise InputError("--now must carry a time zone, such as 2031-05-12T06:30:00+02:00 or …Z")
    if abs(offset) > _WIDEST_OFFSET or offset % timedelta(minutes=1):
        raise InputError("--now must carry a time zone that exists: at most 14:00 from UTC, in whole minutes")
    if instant.year not in _YEARS:
        raise InputError(f"--now must lie between {_YEARS.start} and {_YEARS.stop - 1}")
    return instant


def parse_now(text: str | None) -> datetime:
    return clock.now() if text is None else parse_instant(text)


def patient_id(text: str) -> str:
    """`abc` or `Patient/abc`. Raises InputError for what cannot be a FHIR id, without repeating it."""
    found = text.removeprefix("Patient/")
    if not is_fhir_id(found):
        raise InputError("a patient is named by the FHIR id: letters, digits, hyphens and dots")
    return found


def is_fhir_id(text: str) -> bool:
    return _FHIR_ID.fullmatch(text) is not None


def read_file(name: str) -> bytes:
    """The bytes of a file, or of standard input for `-`."""
    try:
        with open(sys.stdin.fileno() if name == "-" else name, "rb", closefd=name != "-") as file:
            data = file.read(_MAX_FILE_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else "it cannot be read"
        raise InputError(f"{name[:200]}: {reason}") from None
    if len(data) > _MAX_FILE_BYTES:
        raise InputError(f"{name[:200]}: larger than {_MAX_FILE_BYTES // 1024**3} GiB")
    return data


def read_chart_file(name: str, *, now: datetime) -> ChartFile:
    """The charts of a file; what belongs to no patient is told on standard error."""
    found = read_charts(read_file(name), now=now)
    if not found.charts:
        raise InputError("there is no patient in the file")
    told = [
        f"{problem.text} ({problem.code}{f', {problem.reference}' if problem.reference else ''})"
        for problem in found.unassigned
    ]
    for line in told[:_TOLD]:
        note(f"set aside, of no patient: {line}")
    if len(told) > _TOLD:
        note(f"and {len(told) - _TOLD} more of no patient")
    return found


def note(text: str) -> None:
    """A line for people, beside the output. Plain, since it may name what a chart or a shell holds."""
    typer.echo(f"andante: {plain(text)}", err=True)


def service(
    *,
    now: datetime | None = None,
    fhir: str | None = None,
    protocol: str | None = None,
    overlay: Path | None = None,
    site: Path | None = None,
) -> app.Service:
    """The service by settings and command line; without a configured zone, in the zone of `now`."""
    given = settings.load(fhir_base=fhir, protocol=protocol, overlay=overlay, site=site)
    return app.build(given, zone=now.tzinfo if now is not None else None)


@contextmanager
def progress_bar(title: str) -> Iterator[story.Progress | None]:
    """A bar on a terminal, nothing elsewhere."""
    out = console(stderr=True)
    if not out.is_terminal or os.environ.get("TERM") == "dumb":
        yield None
        return
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("patients"),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=out, transient=True) as bar:
        task = bar.add_task(title, total=None)

        def tell(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total)

        yield tell


def emit(lines: Sequence[bytes]) -> None:
    """One line each, in UTF-8 whatever the terminal's encoding."""
    typer.echo(b"".join(line + b"\n" for line in lines), nl=False)
