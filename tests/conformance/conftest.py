"""The validator written by others, started once.

It is skipped where it is not installed, unless ANDANTE_TEST_REQUIRE_SERVERS is set, as in continuous integration: then
its absence fails.
"""

import os
from collections.abc import Iterator

import pytest
from install import missing
from validating import Validator, started

from andante.shared_files import shared


@pytest.fixture(scope="session")
def validator() -> Iterator[Validator]:
    """With all our definitions."""
    need_validator()
    with started(sorted(shared("fhir").glob("*.json"))) as validator:
        yield validator


def need_validator() -> None:
    reason = missing()
    if reason and os.environ.get("ANDANTE_TEST_REQUIRE_SERVERS"):
        pytest.fail(f"ANDANTE_TEST_REQUIRE_SERVERS is set, but the validator is {reason}")
    if reason:
        pytest.skip(f"the validator is {reason}")
