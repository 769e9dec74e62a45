"""Servers to hold the contract against: our sandbox, and servers written by others.

The foreign ones are skipped where they are not installed, unless ANDANTE_TEST_REQUIRE_SERVERS is set: then a
missing server fails, so that continuous integration cannot pass without them. At the end of a run the tests are
counted by server.
"""

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager

import httpx
import pytest
from servers.launch import LACKS, Server, launched
from servers.loading import empty
from servers.need import need_server

from andante.sandbox import Sandbox, running

FOREIGN = [pytest.param(name, marks=pytest.mark.foreign) for name in LACKS]
SLOW_TO_START = {"hapi"}
"""Started once for all tests, and emptied for those that need it empty."""

_SERVED = ("any_server", "own_server", "telling_server")  # the fixtures that stand for a server
_OUTCOMES = ("passed", "failed", "error", "skipped")


@pytest.fixture(scope="session", params=["sandbox", *FOREIGN])
def any_server(request: pytest.FixtureRequest) -> Iterator[Server]:
    """Our sandbox and each foreign server, started once: tests share what is on it, so they use ids of their own."""
    with _started(request) as server:
        yield server


@pytest.fixture(scope="module", params=["sandbox", *FOREIGN])
def own_server(request: pytest.FixtureRequest) -> Iterator[Server]:
    """Our sandbox and each foreign server, empty, for one module alone: for rounds over everybody on it."""
    with _started(request) as server:
        if server.name in SLOW_TO_START:
            empty(server.base)
        yield server


@pytest.fixture(scope="session")
def hapi() -> Iterator[Server]:
    """The one process that stands behind `any_server` and `own_server`."""
    with launched("hapi") as server:
        yield server


@pytest.fixture(scope="module")
def telling_server(request: pytest.FixtureRequest) -> Iterator[Server]:
    """A server for one module alone, whose Subscriptions are the module's. HAPI is one process, and never emptied.

    Where a Subscription is expunged before HAPI's own notice of it was read, HAPI looks for it for a minute on every
    thread that would tell of something, and tells of nothing meanwhile.
    """
    need_server(request.param)
    if request.param in SLOW_TO_START:
        yield request.getfixturevalue(f"telling_{request.param}")
        return
    with launched(request.param) as server:
        yield server


@pytest.fixture(scope="module")
def telling_hapi() -> Iterator[Server]:
    """The one process that stands behind `telling_server`."""
    with launched("hapi") as server:
        yield server


@pytest.fixture
def client(any_server: Server) -> Iterator[httpx.Client]:
    """A plain client of `any_server`."""
    with httpx.Client(base_url=any_server.base, timeout=60) as client:
        yield client


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if isinstance(item, pytest.Function) and hasattr(item, "callspec"):
            servers = (item.callspec.params[name] for name in _SERVED if name in item.callspec.params)
            item.user_properties += [("server", server) for server in servers]


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """How many of the tests that ran on each server passed, and how many did not."""
    counts = Counter(
        (server, outcome)
        for outcome in _OUTCOMES
        for report in terminalreporter.stats.get(outcome, ())
        if isinstance(report, pytest.TestReport)  # a module that cannot be imported has another kind
        for name, server in report.user_properties
        if name == "server"
    )
    servers = [name for name in ("sandbox", *LACKS) if any(counts[name, outcome] for outcome in _OUTCOMES)]
    if servers:
        terminalreporter.section("contract tests by server")
        terminalreporter.write_line("".join(f"{title:>12}" for title in ("", *_OUTCOMES)))
        for server in servers:
            numbers = "".join(f"{counts[server, outcome]:>12}" for outcome in _OUTCOMES)
            terminalreporter.write_line(f"{server:>12}{numbers}")


@contextmanager
def _started(request: pytest.FixtureRequest) -> Iterator[Server]:
    name: str = request.param
    if name == "sandbox":
        with running(Sandbox().app) as base:
            yield Server(name, base)
        return
    need_server(name)
    if name in SLOW_TO_START:
        yield request.getfixturevalue(name)
        return
    with launched(name) as server:
        yield server
