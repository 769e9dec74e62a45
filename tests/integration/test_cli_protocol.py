"""`andante protocol check` passes for both protocols, and names the path of the wrong entry in each broken variant."""

from copy import deepcopy
from pathlib import Path

import pytest
import yaml

from andante.shared_files import shared
from commands import Shell

ASPEN = yaml.safe_load(shared("protocols", "aspen-2020.yaml").read_text(encoding="utf-8"))
GONE = object()

BROKEN = [
    # entry, what is put there, the path that is named
    pytest.param("energy.step.value", 101, "energy.step", id="a step above the goal"),
    pytest.param("energy.initial.value", 31, "energy.initial", id="a start above the goal"),
    pytest.param("energy.initial_extreme.value", 16, "energy.initial_extreme", id="the lowest start above the start"),
    pytest.param("response.lowest_start.value", 11, "response.lowest_start", id="a lower start above it"),
    pytest.param("energy.goal.value", 300, "energy.goal", id="a goal with a slipped point"),
    pytest.param("energy.initial_dextrose_low.value", 151, "energy.initial_dextrose_low", id="grams out of order"),
    pytest.param("energy.density_min.value", 1.1, "energy.density_min", id="densities out of order"),
    pytest.param("energy.pump_fine_increment.value", 6, "energy.pump_fine_increment", id="increments out of order"),
    pytest.param("energy.lipid_emulsion_20.value", 1.0, "energy.lipid_emulsion_10", id="emulsions out of order"),
    pytest.param(
        "analytes.potassium.critical_low.value", 3.6, "analytes.potassium.critical_low", id="critical inside normal"
    ),
    pytest.param("analytes.potassium.critical_high.value", 4.9, "analytes.potassium.high", id="critical high inside"),
    pytest.param("analytes.phosphate.low.value", 1.6, "analytes.phosphate.low", id="low above high"),
    pytest.param(
        "analytes.magnesium.plausible_min.value", 0.5, "analytes.magnesium.plausible_min", id="plausible past critical"
    ),
    pytest.param("analytes.phosphate.low.unit", "meq/L", "analytes.phosphate.low.unit", id="a unit that means nothing"),
    pytest.param("fall.mild.value", 21, "fall.mild", id="grades of a fall out of order"),
    pytest.param("fall.hold.value", 9, "fall.mild", id="a hold before the first grade"),
    pytest.param("fall.fast.value", 21, "fall.fast", id="a fast fall above the fall that holds"),
    pytest.param("fall.fast_window.value", 200, "fall.fast_window", id="fast over longer than the window"),
    pytest.param("monitoring.early_interval.value", 25, "monitoring.early_interval", id="draws apart when early"),
    pytest.param("energy.step_interval.value", 6, "monitoring.early_interval", id="a step before the next draw"),
    pytest.param("evidence.lookback.value", 1, "monitoring.late_interval", id="evidence older than it is looked at"),
    pytest.param("evidence.weight_min.value", 400, "evidence.weight_min", id="weights out of order"),
    pytest.param("scope.min_age.value", 12, "scope.min_age", id="children"),
    pytest.param("energy.step.value", GONE, "energy.step.value", id="a number gone"),
    pytest.param("energy.step.source", "", "energy.step.source", id="a number without its source"),
    pytest.param("energy.step.value", -33, "energy.step.value", id="a negative step"),
    pytest.param("response.critical_low.value", "wait", "response.critical_low.value", id="an answer that is none"),
    pytest.param("risk.counting", [], "risk.counting", id="no counting rule"),
    pytest.param("monitoring.vital_signs.value", 25, "monitoring.vital_signs", id="watched less often than once"),
    pytest.param("evidence.bag_change.value", 25, "evidence.bag_change", id="a bag change as long as a step"),
]


@pytest.fixture
def run(capfdbinary: pytest.CaptureFixture[bytes], monkeypatch: pytest.MonkeyPatch) -> Shell:
    return Shell(capfdbinary, monkeypatch)


@pytest.mark.parametrize("name", ["aspen-2020", "nice-cg32"])
def test_both_protocols_pass(run: Shell, name: str) -> None:
    assert run("protocol", "check", name).status == 0


@pytest.mark.parametrize(("entry", "value", "path"), BROKEN)
def test_a_broken_variant_fails_with_the_path_of_the_wrong_entry(
    run: Shell, tmp_path: Path, entry: str, value: object, path: str
) -> None:
    tree = deepcopy(ASPEN)
    *above, last = entry.split(".")
    place = tree
    for name in above:
        place = place[name]
    if value is GONE:
        del place[last]
    else:
        place[last] = value
    file = tmp_path / "broken.yaml"
    file.write_text(yaml.safe_dump(tree, allow_unicode=True), encoding="utf-8")
    done = run("protocol", "check", str(file))
    assert done.status == 2
    assert path in done.err
    assert len(done.err.strip().splitlines()) == 1
