"""`andante` as a process of its own: its real command line, or forked from one that has already loaded everything.

A fork spares the second that loading takes, so that hundreds of kills are a matter of minutes; what runs in it is the
same `main()` with the same arguments. Time runs faster for a command where libfaketime is given a pace.
"""

import json
import os
import resource
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Protocol

from lanternmoor import ZONE

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
PATIENCE_S = 180
_FAKETIME = [
    *Path("/usr/lib").glob("*/faketime/libfaketime.so.1"),
    *Path("/usr/local/lib").glob("faketime/libfaketime.so.1"),
]


def can_bend_time() -> bool:
    """Whether libfaketime is installed (Debian: `faketime`)."""
    return bool(_FAKETIME)


def environment(**settings: str) -> dict[str, str]:
    """The defaults and these settings, whatever the machine's environment says."""
    bare = {name: value for name, value in os.environ.items() if not name.startswith("ANDANTE_")}
    given = {f"ANDANTE_{name.upper()}": value for name, value in settings.items()}
    return {**bare, "ANDANTE_ZONE": ZONE, "PYTHONDONTWRITEBYTECODE": "1", **given}


def bent_time(
    pace: float, *, begin: datetime | None = None, file: Path | None = None, timers: bool = True
) -> dict[str, str]:
    """Environment in which the clocks of the process run `pace` times as fast, from `begin` on.

    Without `timers` that is true of the calendar only. With a `file` the calendar is what that file says at each
    moment, and timers are left alone: so clocks jump.
    """
    bent = {"LD_PRELOAD": str(_FAKETIME[0]), "TZ": "UTC", "FAKETIME_NO_CACHE": "1"}
    if file is not None or not timers:
        bent["FAKETIME_DONT_FAKE_MONOTONIC"] = "1"
    if file is not None:
        return bent | {"FAKETIME_TIMESTAMP_FILE": str(file)}
    at = f"@{begin:%Y-%m-%d %H:%M:%S}" if begin is not None else "+0"
    return bent | {"FAKETIME": f"{at} x{pace:g}"}


@dataclass(frozen=True)
class Ended:
    """How a command ended: its status (negative for a signal) and what it said."""

    status: int
    out: str
    err: str

    @property
    def has_traceback(self) -> bool:
        return "Traceback (most recent call last)" in self.err


class Running(Protocol):
    """A command that runs, however it was started."""

    def kill(self) -> None: ...

    def end(self) -> Ended: ...


class Command:
    """A command that runs."""

    def __init__(self, process: "subprocess.Popen[bytes]", folder: Path, name: str) -> None:
        self.process, self.pid = process, process.pid
        self._folder, self._name = folder, name

    def kill(self) -> None:
        with _already_gone():
            os.kill(self.pid, signal.SIGKILL)

    def stop(self) -> Ended:
        self.process.terminate()
        return self.end()

    def end(self) -> Ended:
        try:
            status = self.process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            raise
        return Ended(status, *_said(self._folder, self._name))


def start(
    *arguments: str,
    folder: Path,
    name: str,
    env: Mapping[str, str],
    limit: Callable[[], None] | None = None,
    program: Sequence[str] = ("-m", "andante"),
    code: Path = ROOT,
) -> Command:
    """The command line itself, unless another `program`. `limit` runs in the new process before anything else."""
    with (folder / f"{name}.out").open("wb") as out, (folder / f"{name}.err").open("wb") as err:
        process = subprocess.Popen(
            [sys.executable, *program, *arguments],
            env={**env, "PYTHONPATH": str(code / "service")},
            cwd=folder,
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=err,
            preexec_fn=limit,
        )
    return Command(process, folder, name)


def round_arguments(base: str, now: datetime) -> list[str]:
    return ["round", "--fhir", base, "--now", now.isoformat(), "--format", "json"]


def small_disk(size: int) -> Callable[[], None]:
    """No file of the process grows beyond `size` bytes: writing more fails as on a full disk."""
    return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))


class Zygote:
    """Has loaded everything once. `round` forks it: one at a time."""

    def __init__(self, process: "subprocess.Popen[str]", folder: Path) -> None:
        assert process.stdin is not None
        assert process.stdout is not None
        self._asks: IO[str] = process.stdin
        self._tells: IO[str] = process.stdout
        self._folder = folder
        self.pid = 0

    def start(self, arguments: list[str], env: Mapping[str, str]) -> None:
        self._asks.write(json.dumps({"argv": arguments, "env": dict(env), "folder": str(self._folder)}) + "\n")
        self._asks.flush()
        self.pid = int(self._tells.readline())

    def kill(self) -> None:
        with _already_gone():
            os.kill(self.pid, signal.SIGKILL)

    def end(self) -> Ended:
        """Wait until it has ended."""
        status = int(self._tells.readline())
        return Ended(status, *_said(self._folder, "zygote"))


@contextmanager
def zygote(folder: Path) -> Iterator[Zygote]:
    process = subprocess.Popen(
        [sys.executable, HERE / "zygote_main.py"],
        env={**environment(), "PYTHONPATH": str(ROOT / "service")},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        yield Zygote(process, folder)
    finally:
        process.communicate(timeout=10)  # it ends with its standard input


@contextmanager
def _already_gone() -> Iterator[None]:
    with suppress(ProcessLookupError):  # it was faster
        yield


def _said(folder: Path, name: str) -> tuple[str, str]:
    return tuple((folder / f"{name}.{end}").read_text(errors="replace") for end in ("out", "err"))  # type: ignore[return-value]
