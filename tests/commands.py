"""Run the command line in this process, as a shell would see it."""

import logging
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from andante.triggers.cli import main

PATIENTS = Path(__file__).resolve().parents[1] / "fixtures" / "patients"
EXAMPLES = PATIENTS.parent / "hl7-examples"


@dataclass(frozen=True)
class Done:
    status: int
    out: str
    err: str


class Shell:
    """`shell("advise", "chart.json", …)`."""

    def __init__(self, capture: pytest.CaptureFixture[bytes], patch: pytest.MonkeyPatch) -> None:
        self._capture, self._patch = capture, patch

    def __call__(self, *arguments: object) -> Done:
        self._capture.readouterr()
        self._patch.setattr(sys, "argv", ["andante", *map(str, arguments)])
        with kept_logging(), pytest.raises(SystemExit) as ended:
            main()
        out, err = self._capture.readouterr()
        return Done(int(ended.value.code or 0), out.decode(), err.decode())


@contextmanager
def kept_logging() -> Iterator[None]:
    """Put back whatever logging was set up before."""
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    try:
        yield
    finally:
        root.handlers[:] = handlers
        root.setLevel(level)
