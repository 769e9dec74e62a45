"""Start one server for as long as a block lasts."""

import select
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx

from .install import HAPI, HERE, MEDPLUM, PYTHON, java, node

_PATIENCE_SECONDS = 180  # HAPI takes some fifteen seconds of a processor to itself


@dataclass(frozen=True)
class Server:
    """A FHIR server that answers at `base`; `lacks`: what it is known not to do, checked by tests."""

    name: str
    base: str
    lacks: frozenset[str] = frozenset()


LACKS = {
    "sekmet": frozenset[str](),
    "sekmet-bare": frozenset({"nutrition-order-search"}),
    "medplum": frozenset({"rollback", "paging", "search-mode", "unknown-parameter-note"}),
    "hapi": frozenset({"fresh-search", "lenient-search", "status-412", "validation", "versioned-references"}),
}
"""The foreign servers by name; `sekmet-bare` is sekmet as published, without parameters we declare to it."""


@contextmanager
def launched(name: str) -> Iterator[Server]:
    """Start a fresh, empty server. Raises RuntimeError with its log when it does not come up."""
    with (
        tempfile.TemporaryDirectory(prefix="andante-server-") as folder,
        _process(_command(name, Path(folder)), Path(folder) / "log.txt") as base,
    ):
        yield Server(name, base, LACKS[name])


def _command(name: str, folder: Path) -> list[str | Path]:
    if name == "medplum":
        # Node finds packages beside the script, so the script goes to where they were installed.
        return [node(), shutil.copy(HERE / "medplum" / "server.mjs", MEDPLUM)]
    if name == "hapi":
        # One tier of compilation: it is started for minutes, and is up in half the time.
        options = "-Xmx1g -XX:+UseSerialGC -XX:TieredStopAtLevel=1"
        return [java(), *options.split(), "-cp", f"{HAPI / 'classes'}:{HAPI / 'lib' / '*'}", "andante.Server"]
    return [PYTHON, HERE / "sekmet_main.py", folder, "full" if name == "sekmet" else "bare"]


@contextmanager
def _process(command: list[str | Path], log: Path) -> Iterator[str]:
    with log.open("wb") as log_file:
        process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=log_file, text=True)
    try:
        yield _ready_base(process, log)
    finally:
        process.terminate()
        try:
            process.communicate(timeout=10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()


def _ready_base(process: subprocess.Popen[str], log: Path) -> str:
    """The address the process prints once it listens; the first answer waits until it has loaded."""
    assert process.stdout is not None
    ready, _, _ = select.select([process.stdout], [], [], _PATIENCE_SECONDS)
    base = process.stdout.readline().strip() if ready else ""
    try:
        httpx.get(f"{base}/metadata", timeout=_PATIENCE_SECONDS).raise_for_status()
    except httpx.HTTPError as error:
        raise RuntimeError(f"{process.args!r} did not come up: {error}\n{log.read_text()[-2000:]}") from error
    return base
