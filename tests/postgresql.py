"""A PostgreSQL of one's own: a cluster in a folder of its own, on a free port, as an account that is not root.

Debian: `apt-get install postgresql`, or `deploy/run test` with ANDANTE_TEST_REQUIRE_SERVERS set.
"""

import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Any

import psycopg
import pytest

_NUMBERS = count(1)


def programs() -> Path:
    """Where the server's programs are. Skips where there is none; fails instead where CI requires what it installs."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"), key=lambda path: int(path.parts[-3]))
    on_path = shutil.which("postgres")
    if found:
        return found[-1].parent
    if on_path:
        return Path(on_path).parent
    if os.environ.get("ANDANTE_TEST_REQUIRE_SERVERS"):
        pytest.fail("ANDANTE_TEST_REQUIRE_SERVERS is set, but PostgreSQL is not installed")
    pytest.skip("PostgreSQL is not installed: apt-get install postgresql")


@dataclass
class Cluster:
    folder: Path
    programs: Path
    port: int
    account: str | None
    _server: subprocess.Popen[bytes] | None = field(default=None, repr=False)

    def _run_as(self) -> dict[str, Any]:
        if self.account is None:
            return {}
        entry = pwd.getpwnam(self.account)
        return {"user": entry.pw_uid, "group": entry.pw_gid, "extra_groups": []}

    def make(self) -> None:
        self._do(
            "initdb", "--auth=trust", "--username=andante", "--no-sync", "--encoding=UTF8", "--locale=C", "-D", "data"
        )

    def start(self) -> None:
        words = ("-D", "data", "-p", str(self.port), "-k", str(self.folder), "-c", "listen_addresses=127.0.0.1")
        with (self.folder / "log").open("ab") as log:
            self._server = subprocess.Popen(
                [self.programs / "postgres", *words, "-c", "fsync=off"],
                cwd=self.folder,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=log,
                **self._run_as(),
            )
        self._do("pg_isready", "--host=127.0.0.1", f"--port={self.port}", "--timeout=0", tries=100)

    def stop(self, how: signal.Signals = signal.SIGINT) -> None:
        """SIGINT: at once, in order. SIGQUIT: as if the power had gone, to be recovered from at the next start."""
        if self._server is not None:
            self._server.send_signal(how)
            self._server.wait(timeout=30)
            self._server = None

    def freeze(self) -> None:
        """Connections are taken by the system, and nobody answers them."""
        self._signal_all(signal.SIGSTOP)

    def thaw(self) -> None:
        self._signal_all(signal.SIGCONT)

    def _signal_all(self, how: signal.Signals) -> None:
        assert self._server is not None
        told = subprocess.run(["ps", "-o", "pid=", "--ppid", str(self._server.pid)], capture_output=True, check=False)
        for pid in (self._server.pid, *map(int, told.stdout.split())):
            with suppress(ProcessLookupError):  # a child that has ended since
                os.kill(pid, how)

    def database(self) -> str:
        """A new one; its address."""
        name = f"ward_{next(_NUMBERS)}"
        with psycopg.connect(self.url("postgres"), autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}")  # type: ignore[call-overload]
        return self.url(name)

    def url(self, database: str) -> str:
        return f"postgresql://andante@127.0.0.1:{self.port}/{database}"

    def _do(self, program: str, *words: str, tries: int = 1) -> None:
        for left in reversed(range(tries)):
            done = subprocess.run(
                [self.programs / program, *words], cwd=self.folder, capture_output=True, timeout=120, check=False,
                **self._run_as(),
            )  # fmt: skip
            if done.returncode == 0:
                return
            if left:
                subprocess.run(["sleep", "0.1"], check=True)
        raise RuntimeError((done.stdout + done.stderr).decode() + (self.folder / "log").read_text())


@contextmanager
def cluster() -> Iterator[Cluster]:
    found = programs()
    # Beside pytest's own folders, which are root's alone; short, since the path of a socket may not be long.
    folder = Path(tempfile.mkdtemp(prefix="andante-pg-"))
    account = None
    if os.geteuid() == 0:  # PostgreSQL refuses to run as root
        account = next(name for name in ("postgres", "nobody") if _is_known(name))
        shutil.chown(folder, account)
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    made = Cluster(folder, found, port, account)
    try:
        made.make()
        made.start()
        yield made
    finally:
        made.stop()
        shutil.rmtree(folder, ignore_errors=True)


def _is_known(account: str) -> bool:
    try:
        pwd.getpwnam(account)
    except KeyError:
        return False
    return True
