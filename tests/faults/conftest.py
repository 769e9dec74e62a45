"""A warm process and a ward for the share of the faults that continuous integration runs."""

import logging
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parents[1] / "contract"))

from bedside import Bedside, sandbox_ward
from commands_run import Zygote, zygote


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("faults")


@pytest.fixture(scope="session")
def warm(folder: Path) -> Iterator[Zygote]:
    with zygote(folder) as process:
        yield process


@pytest.fixture(scope="module")
def ward(warm: Zygote) -> Iterator[Bedside]:
    with sandbox_ward(warm) as ward:
        yield ward


@pytest.fixture(autouse=True)
def quiet_sandbox() -> Iterator[None]:
    """It is cut off on purpose all the time; its server would tell of each in full."""
    logger = logging.getLogger("uvicorn.error")
    level = logger.level
    logger.setLevel(logging.CRITICAL + 1)
    yield
    logger.setLevel(level)
