"""Servers to hold the contract against: our sandbox, and servers written by others.

The foreign ones are skipped where they are not installed, unless ANDANTE_TEST_REQUIRE_SERVERS is set: then a
missing server fails, so that continuous integration cannot pass without them.
"""

from collections.abc import Iterator
from contextlib import contextmanager

import httpx
import pytest
from servers.launch import LACKS, Server, launched
from servers.need import need_servers

from andante.sandbox import Sandbox, running

FOREIGN = [pytest.param(name, marks=pytest.mark.foreign) for name in LACKS]


@pytest.fixture(scope="session", params=FOREIGN)
def foreign_server(request: pytest.FixtureRequest) -> Iterator[Server]:
    """Each foreign server, started once: tests share what is on it, so they use ids of their own."""
    with _started(request.param) as server:
        yield server


@pytest.fixture(params=FOREIGN)
def fresh_foreign_server(request: pytest.FixtureRequest) -> Iterator[Server]:
    """Each foreign server, empty and for one test only; starting one takes a second or two."""
    with _started(request.param) as server:
        yield server


@pytest.fixture(scope="session", params=["sandbox", *FOREIGN])
def any_server(request: pytest.FixtureRequest) -> Iterator[Server]:
    """Our sandbox and each foreign server, started once."""
    with _started(request.param) as server:
        yield server


@pytest.fixture(scope="module", params=["sandbox", *FOREIGN])
def own_server(request: pytest.FixtureRequest) -> Iterator[Server]:
    """Our sandbox and each foreign server, empty, for one module alone: for rounds over everybody on it."""
    with _started(request.param) as server:
        yield server


@pytest.fixture
def client(any_server: Server) -> Iterator[httpx.Client]:
    """A plain client of `any_server`."""
    with httpx.Client(base_url=any_server.base, timeout=60) as client:
        yield client


@contextmanager
def _started(name: str) -> Iterator[Server]:
    if name == "sandbox":
        with running(Sandbox().app) as base:
            yield Server(name, base)
        return
    need_servers()
    with launched(name) as server:
        yield server
