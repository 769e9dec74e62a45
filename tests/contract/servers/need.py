"""Whether a test may do without the foreign servers."""

import os

import pytest

from .install import missing


def need_servers() -> None:
    """Skip where they are not installed; fail instead when ANDANTE_TEST_REQUIRE_SERVERS is set, as it is in CI."""
    reason = missing()
    if reason and os.environ.get("ANDANTE_TEST_REQUIRE_SERVERS"):
        pytest.fail(f"ANDANTE_TEST_REQUIRE_SERVERS is set, but the foreign servers are {reason}")
    if reason:
        pytest.skip(f"the foreign servers are {reason}")
