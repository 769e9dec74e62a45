"""The hazard log is true: every hazard has a control, and every control a test that exists."""

from pathlib import Path
from typing import Any

import pytest
import yaml

ROOT = Path(__file__).resolve().parents[2]
LOG = yaml.safe_load((ROOT / "shared" / "safety" / "hazards.yaml").read_text(encoding="utf-8"))
HAZARDS: list[dict[str, Any]] = LOG["hazards"]
FIELDS = {"id", "hazard", "cause", "effect", "severity", "control", "tests"}
SEVERITIES = {"minor", "significant", "considerable", "major", "catastrophic"}


def test_the_hazards_are_numbered_once_each() -> None:
    assert [h["id"] for h in HAZARDS] == [f"H{n}" for n in range(1, len(HAZARDS) + 1)]


@pytest.mark.parametrize("hazard", HAZARDS, ids=lambda h: h["id"])
def test_every_hazard_is_whole(hazard: dict[str, Any]) -> None:
    assert set(hazard) == FIELDS
    assert hazard["severity"] in SEVERITIES
    assert hazard["tests"]


@pytest.mark.parametrize("name", sorted({t for h in HAZARDS for t in h["tests"]}))
def test_every_test_that_proves_a_control_exists(name: str) -> None:
    file, _, function = name.partition("::")
    text = (ROOT / file).read_text(encoding="utf-8")
    assert "def test_" in text
    if function:
        assert f"def {function}(" in text
