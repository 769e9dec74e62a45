"""The validator written by others, started once.

It is skipped where it is not installed, unless ANDANTE_TEST_REQUIRE_SERVERS is set, as in continuous integration: then
its absence fails.
"""

import json
import os
from collections import Counter
from collections.abc import Iterator

import backport
import pytest
from another_site import BASE
from install import missing
from validating import Validator, started

from andante.shared_files import shared
from andante.triggers.definitions import load_definitions

_ASKED: Counter[str] = Counter()


@pytest.fixture(scope="session")
def validator(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Validator]:
    """With all our definitions, also as another site serves them, and with those of the subscriptions backport."""
    need_validator()
    others = tmp_path_factory.mktemp("definitions")
    served = [*load_definitions(BASE).values(), *backport.definitions()]
    for number, body in enumerate(served):
        (others / f"{number}.json").write_text(json.dumps(body), encoding="utf-8")
    with started([*sorted(shared("fhir").glob("*.json")), *sorted(others.iterdir())]) as validator:
        yield validator
    _ASKED.update(validator.asked)


def need_validator() -> None:
    reason = missing()
    if reason and os.environ.get("ANDANTE_TEST_REQUIRE_SERVERS"):
        pytest.fail(f"ANDANTE_TEST_REQUIRE_SERVERS is set, but the validator is {reason}")
    if reason:
        pytest.skip(f"the validator is {reason}")


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if _ASKED:
        counts = ", ".join(f"{count} {kind}" for kind, count in sorted(_ASKED.items()))
        terminalreporter.write_line(f"asked of the external FHIR validator: {counts}")
