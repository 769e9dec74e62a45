"""The code map: strict when loaded, a site's overlay laid over it, every entry with its source."""

import tomllib
from pathlib import Path

import pytest

from andante.chart.codes import load_codes
from andante.chart.datatypes import CodeableConcept, Coding
from andante.domain.picture import FindingKind
from andante.domain.quantities import Analyte
from andante.errors import InputError
from andante.shared_files import shared
from charts import ATC, CODES, LOINC, OURS

SITE = "https://hospital.example/laboratory"


def concept(system: str, code: str) -> CodeableConcept:
    return CodeableConcept(coding=(Coding(system=system, code=code),))


def overlay(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(text, encoding="utf-8")
    return path


A_LOCAL_POTASSIUM = f"""
[systems]
lab = "{SITE}"
[tables]
lab = [{{system = "lab", code = "K", meaning = "potassium, serum", analyte = "potassium",
  matrix = "serum or plasma", property = "any", source = "laboratory catalogue 2026", tag = "site"}}]
""".replace("\n  matrix", " matrix")


def test_a_code_is_found_in_its_own_system_only() -> None:
    assert [entry.analyte for entry in CODES.labs.among(concept(LOINC, "2823-3"))] == [Analyte.POTASSIUM]
    assert CODES.labs.among(concept("http://elsewhere.example", "2823-3")) == ()
    assert CODES.labs.among(CodeableConcept(coding=(Coding(code="2823-3"),))) == ()


@pytest.mark.parametrize("code", ["2597-3", "2824-1", "2828-2", "2778-9", "19124-7"])
def test_red_cell_and_urine_codes_are_never_serum(code: str) -> None:
    assert CODES.labs.among(concept(LOINC, code)) == ()
    assert len(CODES.not_serum.among(concept(LOINC, code))) == 1


@pytest.mark.parametrize(
    ("system", "code", "kind"),
    [
        ("icd-10", "F10.2", FindingKind.ALCOHOL_OR_DRUGS),
        ("icd-10-cm", "F10.20", FindingKind.ALCOHOL_OR_DRUGS),
        ("icd-10-cm", "F1020", FindingKind.ALCOHOL_OR_DRUGS),
        ("icd-10", "N18.5", FindingKind.RENAL_IMPAIRMENT),
        ("icd-10", "O24.4", FindingKind.PREGNANCY),
        ("icd-10", "F17.2", None),  # tobacco is not an alcohol or drug use disorder here
        ("icd-10", "I10", None),
        ("icd-9", "F10.2", None),
    ],
)
def test_a_prefix_takes_every_code_below_it(system: str, code: str, kind: FindingKind | None) -> None:
    found = CODES.findings.among(concept(f"http://hl7.org/fhir/sid/{system}", code))
    assert [entry.kind for entry in found] == ([kind] if kind else [])


def test_every_entry_states_its_source_and_how_it_is_known() -> None:
    document = tomllib.loads(shared("codes.toml").read_text(encoding="utf-8"))
    rows = [row for table in document["tables"].values() for row in table]
    assert len(rows) > 100
    assert all(row["source"].strip() and row["tag"] for row in rows)
    memorised = [row for row in rows if row["source"] == "from memory"]
    assert memorised
    assert all(row["tag"] == "M" for row in memorised)


def test_our_own_codes_follow_the_canonical_base() -> None:
    codes = load_codes(canonical="https://hospital.example/base/")
    assert codes.risks.among(concept("https://hospital.example/base/CodeSystem/chart", "refeeding-risk-severe"))
    assert not codes.risks.among(concept(OURS, "refeeding-risk-severe"))


def test_a_site_maps_its_own_code_and_the_change_is_said(tmp_path: Path) -> None:
    codes = load_codes(overlay=overlay(tmp_path, A_LOCAL_POTASSIUM))
    assert [entry.analyte for entry in codes.labs.among(concept(SITE, "K"))] == [Analyte.POTASSIUM]
    assert codes.labs.among(concept(LOINC, "2823-3"))
    assert codes.changes == ("lab: lab K added", "systems: lab changed")
    assert codes.hash != CODES.hash
    assert f"{SITE}|K" in codes.observation_tokens


def test_a_site_changes_and_removes_entries(tmp_path: Path) -> None:
    text = """
remove = [{table = "finding", system = "icd10", code = "F10"}, {table = "unit", written = "cal/oz"}]
[tables]
lab = [{system = "loinc", code = "2601-3", meaning = "magnesium", analyte = "magnesium", matrix = "serum or plasma", property = "any", source = "catalogue", tag = "site"}]
[words]
specimen-doubt = ["haemolys"]
"""  # noqa: E501 - an inline table stands on one line
    codes = load_codes(overlay=overlay(tmp_path, text))
    assert codes.findings.among(concept("http://hl7.org/fhir/sid/icd-10", "F10.2")) == ()
    assert "cal/oz" not in codes.units
    assert [entry.property for entry in codes.labs.among(concept(LOINC, "2601-3"))] == ["any"]
    assert codes.words.specimen_doubt == ("haemolys",)
    assert len(codes.changes) == 4


def test_what_is_searched_for_are_the_codes_that_can_be_used() -> None:
    tokens = CODES.observation_tokens
    assert {f"{LOINC}|2823-3", f"{LOINC}|29463-7", f"{LOINC}|9057-1", f"{OURS}|muscle-loss"} <= set(tokens)
    assert not any(token.startswith(ATC) for token in tokens)
    assert f"{LOINC}|2824-1" not in tokens
    assert f"{OURS}|organ-dysfunction" not in tokens  # a Flag, never an Observation


NO_SOURCE = 'system = "loinc", code = "1-1", meaning = "m", source = " ", tag = "site"'
ENTRY = 'system = "loinc", code = "1-1", meaning = "m", source = "s", tag = "site"'


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[tables", "not readable as TOML"),
        ("[tabels]\n", "tabels is not something a site can overlay"),
        ("[tables]\nlabs = []", "there is no table labs"),
        ('[tables]\nlab = "K"', "lab must be a list"),
        ("tables = 1", "tables must be a table"),
        (f"[tables]\nlab = [{{{ENTRY}}}]", "missing required field `analyte`"),
        (f'[tables]\npanel = [{{{ENTRY}, analytes = ["kalium"]}}]', "Invalid enum value 'kalium'"),
        (f"[tables]\nenergy-goal = [{{{ENTRY}, colour = 1}}]", "unknown field `colour`"),
        (f"[tables]\nenergy-goal = [{{{ENTRY.replace('site', 'S')}}}]", 'energy-goal[0].tag must be "site"'),
        (f"[tables]\nenergy-goal = [{{{ENTRY.replace('loinc', 'loink')}}}]", "'loink' is not among [systems]"),
        (f"[tables]\nenergy-goal = [{{{NO_SOURCE}}}]", "must not be empty"),
        (f'[tables]\ndrug = [{{{ENTRY}, roles = ["replacement"]}}]', "a replacement names its analytes"),
        (f"[tables]\ntiming = [{{{ENTRY}, every-hours = 0}}]", "between an hour and a week"),
        ('remove = [{table = "lab", system = "loinc", code = "0-0"}]', "names no entry"),
        ("[same-codes]\na = 'b'", "same-codes is not something"),
    ],
)
def test_a_wrong_overlay_is_refused_with_the_wrong_entry(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(InputError) as refused:
        load_codes(overlay=overlay(tmp_path, text))
    assert says in str(refused.value)
    assert "site.toml" in str(refused.value)


def test_a_missing_or_unreadable_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        load_codes(tmp_path / "none.toml")
    (tmp_path / "huge.toml").write_text("#" * (1024 * 1024 + 1), encoding="utf-8")
    with pytest.raises(InputError, match="too large"):
        load_codes(tmp_path / "huge.toml")
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(InputError, match="UTF-8"):
        load_codes(tmp_path / "bytes.toml")


def test_an_entry_that_stands_there_twice_is_refused(tmp_path: Path) -> None:
    text = shared("codes.toml").read_text(encoding="utf-8")
    line = next(line for line in text.splitlines() if "182923009" in line)
    (tmp_path / "codes.toml").write_text(text.replace(line, f"{line}\n{line}"), encoding="utf-8")
    with pytest.raises(InputError, match="stands there twice"):
        load_codes(tmp_path / "codes.toml")
