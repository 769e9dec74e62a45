"""Some rounds of the fictional hospital said in full: every sentence, value, time, reference and protocol entry.

One file of `arguments/` is one round as a clinician could sign it. Together they reach all but a few lines of the
rules. When a change of the rules changes them on purpose, write them anew and read the difference before committing:

    ANDANTE_TEST_REWRITE_ARGUMENTS=1 python -m pytest tests/scenarios/test_edges_arguments.py
"""

from pathlib import Path

import pytest
from stories import FIXTURES, assess, hospital

from said_in_full import in_full, same

ARGUMENTS = Path(__file__).parent / "arguments"


@pytest.mark.parametrize("file", sorted(ARGUMENTS.glob("*.txt")), ids=lambda file: file.stem)
def test_the_whole_argument_of_a_round(file: Path) -> None:
    story, _, at = file.stem.partition(" ")
    at = at.replace(".", ":")
    said = assess(FIXTURES / "patients" / story, hospital().instant(at))
    assert same(file, f"{story}, {at}", in_full(said, hospital().zone))


def test_enough_of_the_hospital_is_read_in_full() -> None:
    """Otherwise the test above could pass by comparing nothing."""
    files = sorted(ARGUMENTS.glob("*.txt"))
    assert len(files) >= 40
    assert all(len(file.read_text(encoding="utf-8").splitlines()) > 30 for file in files)
