"""Whether a test may do without a foreign server."""

import os

import pytest

from .install import missing


def need_server(name: str) -> None:
    """Skip where it is not installed; fail instead when ANDANTE_TEST_REQUIRE_SERVERS is set, as it is in CI."""
    reason = missing(name)
    if reason and os.environ.get("ANDANTE_TEST_REQUIRE_SERVERS"):
        pytest.fail(f"ANDANTE_TEST_REQUIRE_SERVERS is set, but the foreign server {name} is {reason}")
    if reason:
        pytest.skip(f"the foreign server {name} is {reason}")
