"""The import contracts hold, and each of them would be broken by what it forbids."""

import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CONTRACTS = [
    contract["name"]
    for contract in tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["importlinter"][
        "contracts"
    ]
]

# contract, file the violation is planted in, what is planted
PLANTS = [
    ("the house: imports go down only", "chart/times.py", "import andante.writeback.writer"),
    ("the house: imports go down only", "present/shown.py", "import andante.app"),
    ("the core is pure: no I/O, no clock, no framework, no FHIR", "rules/phrases.py", "import andante.clock"),
    ("the core is pure: no I/O, no clock, no framework, no FHIR", "domain/quantities.py", "import msgspec"),
    ("the core is pure: no I/O, no clock, no framework, no FHIR", "rules/engine.py", "import os"),
    ("reading, writing and wording know no rules", "writeback/plan.py", "import andante.rules.engine"),
    ("only writeback can write to a server", "app.py", "import andante.fhir_http.write"),
    ("only writeback can write to a server", "server_check/writes.py", "import andante.fhir_http.write"),
    ("only the gate clears what is written", "writeback/plan.py", "import andante.fhir_http.cleared"),
    ("only fhir_http speaks HTTP as a client", "app.py", "import httpx"),
    (
        "the page decides nothing: it knows no rules, and writes only by the gate",
        "page/board.py",
        "import andante.rules.engine",
    ),
    ("only the state speaks to a database", "changed/memory.py", "import sqlalchemy"),
    ("what reads, assesses and writes depends on nothing that is kept", "writeback/plan.py", "import andante.state"),
    (
        "the sandbox stands alone",
        "sandbox/store.py",
        "import andante.domain.quantities",
    ),
    ("only the demo uses the sandbox", "app.py", "import andante.sandbox.store"),
]


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the source and its contracts."""
    copy = tmp_path_factory.mktemp("house")
    shutil.copytree(ROOT / "service", copy / "service", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", copy)
    return copy


def broken(house: Path) -> set[str]:
    """The contracts that do not hold in the copy."""
    done = subprocess.run(
        [str(Path(sys.executable).with_name("lint-imports"))],
        cwd=house,
        env={**os.environ, "PYTHONPATH": str(house / "service"), "COLUMNS": "200"},
        capture_output=True,
        text=True,
        check=False,
    )
    told = {name for name in CONTRACTS if f"{name} BROKEN" in done.stdout}
    assert done.returncode == (1 if told else 0), done.stdout + done.stderr
    return told


def test_every_contract_holds(house: Path) -> None:
    assert broken(house) == set()


def test_every_contract_has_a_planted_violation() -> None:
    assert {contract for contract, _, _ in PLANTS} == set(CONTRACTS)


@pytest.mark.parametrize(("contract", "file", "plant"), PLANTS)
def test_a_planted_violation_breaks_its_contract(house: Path, contract: str, file: str, plant: str) -> None:
    target = house / "service" / "andante" / file
    before = target.read_text(encoding="utf-8")
    target.write_text(f"{before}\n{plant}\n", encoding="utf-8")
    try:
        assert contract in broken(house)
    finally:
        target.write_text(before, encoding="utf-8")


def test_a_module_without_a_place_in_the_house_breaks_the_first_contract(house: Path) -> None:
    target = house / "service" / "andante" / "somewhere.py"
    target.write_text("", encoding="utf-8")
    try:
        assert CONTRACTS[0] in broken(house)
    finally:
        target.unlink()
