"""Protocol files are read strictly: whatever is not surely meant is refused with the path of the entry."""

import dataclasses
from copy import deepcopy
from decimal import Decimal
from pathlib import Path

import pytest
import yaml

from andante.domain.protocol import Number, Protocol
from andante.errors import InputError, ProtocolError
from andante.protocol_files import known, load, resolve
from andante.shared_files import shared

GOAL = "energy:\n  goal: {value: 25, unit: kcal/kg/d, source: nutrition board, tag: site}\n"


@pytest.fixture
def overlay(tmp_path: Path):
    """Write a site's file and load the default protocol with it."""

    def write(text: str, protocol: str = "aspen-2020") -> Protocol:
        path = tmp_path / "site.yaml"
        path.write_text(text, encoding="utf-8")
        return load(protocol, path)

    return write


@pytest.fixture
def edited(tmp_path: Path):
    """Load a copy of the default protocol with one entry set to something else."""

    def write(path: str, value: object) -> Protocol:
        tree = deepcopy(DEFAULT)
        place = tree
        *above, last = path.split(".")
        for name in above:
            place = place[int(name) if isinstance(place, list) else name]
        if value is DELETED:
            del place[last]
        else:
            place[int(last) if isinstance(place, list) else last] = value
        target = tmp_path / "edited.yaml"
        target.write_text(yaml.safe_dump(tree, allow_unicode=True), encoding="utf-8")
        return load(str(target))

    return write


DELETED = object()
DEFAULT = yaml.safe_load(shared("protocols", "aspen-2020.yaml").read_text(encoding="utf-8"))


# --------------------------------------------------------------------------- what comes with the package


@pytest.mark.parametrize("name", known())
def test_every_protocol_that_comes_with_the_package_loads(name: str) -> None:
    protocol = load(name)
    assert protocol.id == name
    assert len(protocol.hash) == 64
    assert protocol.overlay == ()


@pytest.mark.parametrize("name", known())
def test_every_entry_has_a_source_and_its_path_leads_back_to_it(name: str) -> None:
    protocol = load(name)
    for path, entry in resolve(protocol).items():
        assert entry.path == path
        assert entry.source.strip()
    assert resolve(protocol)["energy.step"] == protocol.energy.step


def test_the_two_protocols_have_different_hashes_and_the_same_file_always_the_same() -> None:
    assert load("aspen-2020").hash != load("nice-cg32").hash
    assert load("aspen-2020").hash == load("aspen-2020").hash


def test_a_limit_printed_in_mass_units_is_kept_in_mmol_per_litre_and_says_so() -> None:
    low = load("aspen-2020").analytes.magnesium.low
    assert low.unit == "mmol/L"
    assert low.value == Decimal("1.7") * 10 / Decimal("24.305")
    assert low.note.startswith("printed as 1.7 mg/dL")


def test_numbers_are_exactly_what_is_written() -> None:
    low = load("aspen-2020").analytes.phosphate.low
    assert str(low.value) == "0.80"


def test_entries_that_a_protocol_does_not_name_come_from_the_one_it_is_based_on() -> None:
    aspen, nice = load("aspen-2020"), load("nice-cg32")
    assert nice.analytes == aspen.analytes
    assert nice.energy.initial.value == 10
    assert nice.response.low_before_feeding.value == "start-lowest"
    assert nice.id == "nice-cg32"


def test_an_unknown_protocol_is_refused_with_the_known_ones() -> None:
    with pytest.raises(InputError, match="known: aspen-2020, nice-cg32"):
        load("aspen-2030")


@pytest.mark.parametrize("name", ["../secrets", "aspen_2020", "", "A", "/nowhere/x.yaml", "nowhere.yaml"])
def test_what_is_neither_an_id_nor_a_file_is_refused(name: str) -> None:
    with pytest.raises(InputError):
        load(name)


# --------------------------------------------------------------------------- wrong entries

WRONG_ENTRIES = [
    # path to change, what is put there, path named, why
    ("energy.step", DELETED, "energy.step", "is missing"),
    ("energy.step.value", DELETED, "energy.step.value", "is missing"),
    ("energy.step.unit", DELETED, "energy.step.unit", "is missing"),
    ("energy.step.source", DELETED, "energy.step.source", "is missing"),
    ("energy.step.tag", DELETED, "energy.step.tag", "is missing"),
    ("energy.step.source", "  ", "energy.step.source", "must not be empty"),
    ("energy.step.tag", "hearsay", "energy.step.tag", "must be one of"),
    ("energy.step.unit", "kcal", "energy.step.unit", "must be %"),
    ("energy.step.value", "33", "energy.step.value", "plain decimal"),
    ("energy.step.value", True, "energy.step.value", "plain decimal"),
    ("energy.step.value", None, "energy.step.value", "plain decimal"),
    ("energy.step.value", float("nan"), "energy.step.value", "plain decimal"),
    ("energy.step.value", float("inf"), "energy.step.value", "plain decimal"),
    ("energy.step.value", 1e30, "energy.step.value", "plain decimal"),
    ("energy.step.value", [33], "energy.step.value", "plain decimal"),
    ("energy.step.value", -33, "energy.step.value", "must not be negative"),
    ("energy.step", 33, "energy.step", "section"),
    ("energy.step.confidence", "high", "energy.step.confidence", "not an entry"),
    ("energy.stride", {}, "energy.stride", "not an entry"),
    ("energy", [], "energy", "section"),
    ("dosing", {}, "dosing", "not an entry"),
    ("scope", DELETED, "scope", "is missing"),
    ("title", DELETED, "title", "is missing"),
    ("version", 1, "version", "must be text"),
    ("id", "Not An Id", "id", "lower-case"),
    ("analytes.potassium.low.unit", "g/L", "analytes.potassium.low.unit", "must be mmol/L"),
    ("analytes.phosphate.low.unit", "meq/L", "analytes.phosphate.low.unit", "must be mmol/L"),
    ("analytes.potassium.recheck.unit", "mg/dL", "analytes.potassium.recheck.unit", "must be h"),
    ("analytes.potassium.low", None, "analytes.potassium.low", "section"),
    ("response.critical_low.value", "wait", "response.critical_low.value", "must be one of: halve, stop"),
    ("response.critical_low.unit", "1", "response.critical_low.unit", "not an entry"),
    ("risk.criteria", [], "risk.criteria", "must not be empty"),
    ("risk.criteria.0.kind", "guess", "risk.criteria.bmi.kind", "must be one of"),
    ("risk.criteria.0.tests.0.limit.unit", "kg", "risk.criteria.bmi.tests[0].limit.unit", "must be kg/m2"),
    ("risk.criteria.0.tests.0.window", {}, "risk.criteria.bmi.tests[0].window", "not an entry"),
    ("risk.criteria.0.tests.0.level", "mild", "risk.criteria.bmi.tests[0].level", "must be one of"),
    ("risk.criteria.0.tests.0.comparison", "=", "risk.criteria.bmi.tests[0].comparison", "must be one of"),
    ("risk.criteria.1.tests.0.window", DELETED, "risk.criteria.weight-loss.tests[0].window", "is missing"),
    ("risk.criteria.5.tests.0.findings", ["x"], "risk.criteria.fat-loss.tests[0].findings[0]", "one of"),
    ("risk.criteria.5.tests.0.severities", [], "risk.criteria.fat-loss.tests[0].severities", "empty"),
    ("risk.criteria.1.id", "bmi", "risk.criteria.bmi", "named twice"),
    ("risk.counting.0.level", "mild", "risk.counting[0].level", "must be one of"),
    ("risk.counting.0.at_least", 0, "risk.counting[0].at_least", "whole number"),
    ("risk.counting.0.at_least", 1.5, "risk.counting[0].at_least", "whole number"),
    ("risk.counting.0.tier", "none", "risk.counting[0].tier", "must be one of"),
    ("risk.needed_to_rule_out", [], "risk.needed_to_rule_out", "must not be empty"),
    ("risk.needed_to_rule_out", ["bmi", "mood"], "risk.needed_to_rule_out[1]", "no criterion"),
    ("risk.needed_to_rule_out", ["bmi", "bmi"], "risk.needed_to_rule_out[1]", "named twice"),
]


@pytest.mark.parametrize(("path", "value", "named", "why"), WRONG_ENTRIES)
def test_a_wrong_entry_is_refused_with_its_path(edited, path: str, value: object, named: str, why: str) -> None:
    with pytest.raises(ProtocolError) as caught:
        edited(path, value)
    assert caught.value.path == named
    assert why in caught.value.problem


def test_a_count_of_a_level_that_no_criterion_has_is_refused(edited) -> None:
    severe_only = [
        {"id": "bmi", "kind": "bmi", "text": "t", "source": "s", "tag": "S", "would_settle": "w", "tests": [
            {"level": "severe", "comparison": "below", "limit": {"value": 16, "unit": "kg/m2"}}]}
    ]  # fmt: skip
    with pytest.raises(ProtocolError, match=r"risk.counting\[1\].level: no criterion has the level moderate"):
        edited("risk", {
            "criteria": severe_only,
            "counting": [{"tier": "severe", "level": "severe", "at_least": 1},
                         {"tier": "moderate", "level": "moderate", "at_least": 1}],
            "needed_to_rule_out": ["bmi"],
        })  # fmt: skip


# --------------------------------------------------------------------------- contradictions

CONTRADICTIONS = [
    # entry, a value that cannot be meant together with the others
    ("scope.min_age", 16),
    ("analytes.potassium.low", 5.0),
    ("analytes.potassium.low", 6.5),
    ("analytes.potassium.critical_low", 3.5),
    ("analytes.potassium.critical_low", 4.0),
    ("analytes.potassium.critical_high", 5.0),
    ("analytes.potassium.critical_high", 4.2),
    ("analytes.potassium.critical_high", 12.5),
    ("analytes.potassium.plausible_min", 2.5),
    ("analytes.phosphate.plausible_max", 1.2),
    ("analytes.potassium.range_low_min", 2.5),
    ("analytes.potassium.range_low_min", 3.6),
    ("analytes.potassium.range_low_max", 3.4),
    ("analytes.potassium.range_high_min", 3.9),
    ("analytes.potassium.range_high_max", 6.1),
    ("evidence.weight_min", 350),
    ("evidence.height_max", 100),
    ("evidence.lookback", 1),
    ("fall.mild", 20),
    ("fall.moderate", 30),
    ("fall.severe", 20),
    ("fall.severe", 101),
    ("fall.hold", 9),
    ("fall.hold", 31),
    ("refractory.draws", 2.5),
    ("response.settle_draws", 1.5),
    ("refractory.draws", 0),
    ("energy.goal", 14),
    ("energy.goal", 101),
    ("energy.initial", 31),
    ("energy.initial_extreme", 16),
    ("energy.initial_dextrose_low", 151),
    ("energy.step", 101),
    ("energy.step", 0),
    ("energy.step_interval", 0),
    ("energy.step_interval", 6),
    ("energy.cut", 150),
    ("energy.density_default", 0.4),
    ("energy.density_max", 0.9),
    ("energy.pump_increment", 0),
    ("energy.pump_fine_increment", 6),
    ("energy.bolus_increment", 0),
    ("response.lowest_start", 16),
    ("response.lowest_start", 11),
    ("monitoring.early_interval", 0),
    ("monitoring.early_interval", 25),
    ("monitoring.late_interval", 11),
    ("monitoring.early_window", 6),
    ("monitoring.one_needle", 13),
]


@pytest.mark.parametrize(("path", "value"), CONTRADICTIONS)
def test_numbers_that_contradict_each_other_are_refused(edited, path: str, value: float) -> None:
    with pytest.raises(ProtocolError) as caught:
        edited(f"{path}.value", value)
    assert caught.value.path in resolve(load("aspen-2020"))


# --------------------------------------------------------------------------- files that are not protocols

NOT_PROTOCOLS = [
    ("", "holds no protocol"),
    ("just text", "holds no protocol"),
    ("- a\n- b", "holds no protocol"),
    ("energy: [", "not readable as YAML"),
    ("energy: {a: 1, a: 2}", "named twice"),
    ("energy: &x {a: 1}\nfall: *x", "aliases are not accepted"),
    ("energy: !!python/object/apply:os.getcwd []", "tags are not accepted"),
    ("energy: !!float 1", "tags are not accepted"),
    ("? [a]\n: 1", "plain text"),
    ("a: 1\n---\nb: 2", "not readable as YAML"),
    ("[" * 40 + "]" * 40, "nested too deeply"),
    ("a: \x01", "not readable as YAML"),
    ("# " + "x" * 300_000, "larger than"),
]


@pytest.mark.parametrize(("text", "why"), NOT_PROTOCOLS)
def test_a_file_that_is_no_protocol_is_refused_in_one_line(tmp_path: Path, text: str, why: str) -> None:
    path = tmp_path / "x.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=why) as caught:
        load(str(path))
    assert "\n" not in str(caught.value)


def test_a_file_that_is_not_utf_8_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "x.yaml"
    path.write_bytes(b"\xff\xfe\x00a")
    with pytest.raises(InputError, match="UTF-8"):
        load(str(path))


def test_protocols_based_on_each_other_are_refused(tmp_path: Path) -> None:
    head = 'version: "1"\ntitle: t\neffective: "2020"\nsignature: none\n'
    (tmp_path / "one.yaml").write_text(f"id: one\n{head}based_on: two\n")
    (tmp_path / "two.yaml").write_text(f"id: two\n{head}based_on: one\n")
    with pytest.raises(ProtocolError, match="based on itself"):
        load(str(tmp_path / "one.yaml"))


# --------------------------------------------------------------------------- a site's overlay


def test_an_overlay_changes_its_entries_and_tells_each_difference(overlay) -> None:
    local, published = overlay(GOAL), load("aspen-2020")
    assert local.energy.goal.value == 25
    assert local.energy.step == published.energy.step
    assert local.overlay == ("energy.goal: 25 kcal/kg/d instead of 30 (site: nutrition board)",)
    assert local.hash != published.hash


DIFFERENCES = [
    (
        "analytes:\n  phosphate:\n    low: {value: 2.5, unit: mg/dL, source: our lab, tag: site}",
        "analytes.phosphate.low: 2.5 mg/dL (0.807 mmol/L) instead of 0.8 mmol/L (site: our lab)",
    ),
    (
        "analytes:\n  phosphate:\n    critical_high: {value: 2.9, unit: mmol/L, source: our lab, tag: site}",
        "analytes.phosphate.critical_high: 2.9 mmol/L instead of none (site: our lab)",
    ),
    (
        "response:\n  critical_low: {value: stop, source: board, tag: site}",
        "response.critical_low: stop instead of halve (site: board)",
    ),
    (
        "energy:\n  step: {value: 33, unit: '%', source: checked against the text, tag: site}",
        "energy.step: 33 %, kept and signed by the site (site: checked against the text)",
    ),
    (
        "risk:\n  counting:\n    - {tier: severe, level: severe, at_least: 1}\n"
        "    - {tier: moderate, level: moderate, at_least: 1}",
        "risk.counting: severe from 1 severe, moderate from 1 moderate instead of "
        "severe from 1 severe, moderate from 2 moderate (site)",
    ),
    (
        "risk:\n  needed_to_rule_out: [bmi]",
        "risk.needed_to_rule_out: bmi instead of bmi, weight-loss, intake (site)",
    ),
    ("signature: signed by the board on 2 May", "signature: signed by the board on 2 May"),
]


@pytest.mark.parametrize(("text", "sentence"), DIFFERENCES)
def test_each_difference_is_one_sentence(overlay, text: str, sentence: str) -> None:
    assert overlay(text).overlay == (sentence,)


def test_changed_added_and_dropped_criteria_are_told(overlay) -> None:
    text = """
risk:
  needed_to_rule_out: [bmi]
  criteria:
    - id: bmi
      kind: bmi
      text: body mass index
      source: nutrition board
      tag: site
      would_settle: a weight and a height
      tests:
        - {level: severe, comparison: below, limit: {value: 17, unit: kg/m2}}
        - {level: moderate, comparison: at-most, limit: {value: 18.5, unit: kg/m2}}
"""
    told = overlay(text).overlay
    assert told[0] == "risk.criteria.bmi: changed (site: nutrition board)"
    assert "risk.criteria.intake: not used at this site" in told
    assert len(told) == 9


REFUSED_OVERLAYS = [
    ("energy:\n  gaol: {value: 25, unit: kcal/kg/d, source: s, tag: site}", "energy.gaol"),
    ("enrgy: {}", "enrgy"),
    ("id: mine", "id"),
    ("version: '9'", "version"),
    (GOAL.replace("tag: site", "tag: S"), "energy.goal.tag"),
    ("energy:\n  goal: {value: 25}", "energy.goal.unit"),
    (GOAL.replace("25", "14"), "energy.initial"),
    ("analytes:\n  potassium:\n    critical_high: null", "analytes.potassium.critical_high"),
    ("protocol: nice-cg32\n" + GOAL, "protocol"),
]


@pytest.mark.parametrize(("text", "path"), REFUSED_OVERLAYS)
def test_an_overlay_that_cannot_be_meant_is_refused(overlay, text: str, path: str) -> None:
    with pytest.raises(ProtocolError) as caught:
        overlay(text)
    assert caught.value.path == path


def test_an_overlay_may_name_the_protocol_it_was_written_for(overlay) -> None:
    assert overlay("protocol: aspen-2020\n" + GOAL).energy.goal.value == 25


def test_the_hash_covers_every_entry() -> None:
    """A protocol that differs in any one number, source or note has another hash."""
    from andante.protocol_files import _hash  # the whole content is not reachable from outside

    protocol = load("aspen-2020")
    seen = {_hash(protocol)}
    changes = [
        dataclasses.replace(protocol, signature="signed"),
        *(
            dataclasses.replace(
                protocol,
                energy=dataclasses.replace(protocol.energy, goal=dataclasses.replace(goal, **change)),
            )
            for goal in [protocol.energy.goal]
            for change in ({"value": Decimal(31)}, {"source": "other"}, {"tag": "M"}, {"note": "other"})
        ),
    ]
    for changed in changes:
        seen.add(_hash(changed))
    assert len(seen) == len(changes) + 1
    assert isinstance(protocol.energy.goal, Number)
