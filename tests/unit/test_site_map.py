"""The site map: every fault with its path, and what it says in force: codes, wards, routing, densities."""

from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest

from andante import site_map
from andante.domain.advice import Fact, Priority, Tell
from andante.domain.picture import EnergyOrder
from andante.errors import InputError
from andante.protocol_files import load as load_protocol
from andante.rules import evaluate
from andante.site_map import SiteMap
from andante.writeback.site import Escalation
from charts import DRAWN, SNOMED, Json, a_resource, concept, note_codes, picture_of, quantity

EXAMPLE = Path(__file__).parents[2] / "deploy" / "site.example.toml"
FEEDS = "https://lanternmoor.example/formulary/feeds"
FORMULA = f"""
[systems]
feeds = "{FEEDS}"
[[tables.formula]]
system = "feeds"
code = "HE15"
meaning = "energy-dense"
kcal-per-ml = 1.5
source = "formulary"
tag = "site"
[[tables.formula]]
system = "feeds"
code = "STD"
meaning = "standard"
kcal-per-ml = 1.0
source = "formulary"
tag = "site"
"""


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(text, encoding="utf-8")
    return path


def of(tmp_path: Path, text: str) -> SiteMap:
    return site_map.load(written(tmp_path, text))


def test_the_example_that_comes_along_is_fit_to_be_used() -> None:
    assert site_map.faults_of(EXAMPLE) == ()
    found = site_map.load(EXAMPLE)
    assert found.routing[Tell.DIETITIAN] == "CareTeam/nutrition-support"
    assert found.ward_routing["Heron Ward"] == {Tell.DIETITIAN: "PractitionerRole/dietitian-heron"}
    on_call = "PractitionerRole/medical-officer-on-call"
    assert found.escalation[Priority.STAT] == Escalation(after=timedelta(minutes=30), to=on_call)
    assert {entry.code: entry.kcal_per_ml for entry in found.codes.formulas} == {
        "STD": Decimal("1.0"),
        "HE15": Decimal("1.5"),
    }


def test_without_a_file_nobody_in_particular_is_told_and_no_formula_is_known() -> None:
    found = site_map.load(None)
    assert (dict(found.routing), dict(found.escalation), list(found.codes.formulas)) == ({}, {}, [])


FAULTS = [
    # what stands in the file, the path that is named, a word of what is wrong
    ('[routing]\nporter = "Organization/1"', "routing.porter", "prescriber"),
    ('[routing]\nnurse = "Patient/1"', "routing.nurse", "write a reference"),
    ('[routing]\nnurse = "https://x.example/Organization/1"', "routing.nurse", "write a reference"),
    ("[routing]\nnurse = 7", "routing.nurse", "string"),
    ('[[ward]]\nlocation = "ward-1"\nname = "One"', "ward[0].location", "Location/ward-3"),
    ('[[ward]]\nlocation = "Location/1"\nname = ""', "ward[0].name", "at least 1"),
    ('[[ward]]\nlocation = "Location/1"\nname = "a\\nb"', "ward[0].name", "pattern"),
    ('[[ward]]\nlocation = "Location/1"', "ward[0].name", "required"),
    ('[[ward]]\nlocation = "Location/1"\nname = "One"\nbeds = 7', "ward[0].beds", "not permitted"),
    (
        '[[ward]]\nlocation = "Location/1"\nname = "One"\nrouting = {cook = "CareTeam/1"}',
        "ward[0].routing.cook",
        "",
    ),
    ('ward = [{location = "Location/1", name = "One"}, {location = "Location/1", name = "Two"}]', "ward", "2 times"),
    ('ward = [{location = "Location/1", name = "One"}, {location = "Location/2", name = "One"}]', "ward", "2 times"),
    ('[escalation.soon]\nafter-minutes = 30\nto = "Organization/1"', "escalation.soon", "routine"),
    ('[escalation.stat]\nafter-minutes = 1\nto = "Organization/1"', "escalation.stat.after-minutes", "5"),
    ('[escalation.stat]\nafter-minutes = 9000\nto = "Organization/1"', "escalation.stat.after-minutes", "1440"),
    ('[escalation.stat]\nafter-minutes = "soon"\nto = "Organization/1"', "escalation.stat.after-minutes", "integer"),
    ("[escalation.stat]\nafter-minutes = 30", "escalation.stat.to", "required"),
    ("[wards]\none = 1", "wards", "not permitted"),
    (FORMULA.replace("1.5", '"much"'), "tables.formula[0]", "kcal-per-ml"),
    (FORMULA.replace("1.5", "-1.5"), "tables.formula[0]", "above zero"),
    (FORMULA.replace("1.5", "nan"), "tables.formula[0]", "above zero"),
    (FORMULA.replace("1.5", "inf"), "tables.formula[0]", "above zero"),
    (FORMULA.replace('"site"', '"S"', 1), "formula[0].tag", "site"),
    (FORMULA.replace('"feeds"', '"other"', 1), "formula[0].system", "other"),
    (FORMULA.replace('"STD"', '"HE15"'), "formula[1]", "twice"),
    ('[[tables.lab]]\nsystem = "loinc"\ncode = "1-1"\nanalyte = "iron"', "tables.lab[0]", "iron"),
    ("[tables]\nnonsense = []", "nonsense", "no table"),
]


@pytest.mark.parametrize(("text", "path", "why"), FAULTS)
def test_every_fault_is_told_with_its_path_and_stops_the_start(tmp_path: Path, text: str, path: str, why: str) -> None:
    file = written(tmp_path, text)
    told = site_map.faults_of(file)
    assert any(path in line and why in line for line in told), told
    assert all(line.startswith("site.toml: ") and "\n" not in line for line in told)
    with pytest.raises(InputError) as caught:
        site_map.load(file)
    assert str(caught.value).startswith(told[0])


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    several = '[routing]\nnurse = "x"\ncook = "y"\n[[tables.lab]]\ncode = "1"\n[[tables.lab]]\ncode = "2"\n'
    file = written(tmp_path, several)
    told = "\n".join(site_map.faults_of(file))
    for path in ("routing.nurse", "routing.cook", "tables.lab[0]", "tables.lab[1]"):
        assert path in told
    with pytest.raises(InputError, match="and 4 more: see `andante site check`"):
        site_map.load(file)


@pytest.mark.parametrize("text", ["[routing", "\x00", "a = 1\na = 2"])
def test_what_is_no_toml_is_told_in_one_line(tmp_path: Path, text: str) -> None:
    with pytest.raises(InputError, match=r"site\.toml is not readable as TOML"):
        site_map.load(written(tmp_path, text))


# --------------------------------------------------------------------------- densities

RATE = [{"schedule": {"repeat": {"boundsPeriod": {"start": "2026-03-01T08:00:00+01:00"}}}}]


def a_feed(formula: Json, **more: object) -> Json:
    administration = [{**RATE[0], "rateQuantity": quantity(40, "mL/h")}]
    return a_resource(
        "NutritionOrder",
        "feed",
        status="active",
        intent="order",
        dateTime="2026-03-01T08:00:00+01:00",
        enteralFormula={"baseFormulaType": formula, "administration": administration, **more},
    )


def order_of(tmp_path: Path, formula: Json, **more: object) -> tuple[EnergyOrder, set[str]]:
    picture = picture_of(a_feed(formula, **more), codes=of(tmp_path, FORMULA).codes)
    (order,) = picture.energy_orders
    return order, note_codes(picture)


def test_a_density_the_order_lacks_comes_from_the_site_map_and_is_named_as_such(tmp_path: Path) -> None:
    order, notes = order_of(tmp_path, concept((FEEDS, "HE15")))
    assert (order.density_kcal_ml, order.problem) == (Decimal("1.5"), None)
    assert order.density_from == "the site map, formula HE15"
    assert "density-from-site" in notes


def test_the_derivation_says_that_the_density_is_the_site_maps(tmp_path: Path) -> None:
    picture = picture_of(a_feed(concept((FEEDS, "HE15"))), codes=of(tmp_path, FORMULA).codes)
    assessment = evaluate(picture, load_protocol("aspen-2020"), datetime.fromisoformat(DRAWN))
    facts: list[Fact] = [fact for reason in assessment.derivation for fact in reason.facts]
    assert any("1.5 kcal/mL by the site map, formula HE15" in fact.value for fact in facts)
    assert assessment.feeding.ordered_kcal == 1440


NOT_USED = [
    pytest.param(concept((FEEDS, "XX")), {}, "states no energy density", id="a formula that is not listed"),
    pytest.param(concept((SNOMED, "HE15")), {}, "states no energy density", id="the same code of another system"),
    pytest.param(concept(text="HE15"), {}, "states no energy density", id="text is never matched"),
    pytest.param(concept((FEEDS, "HE15"), (FEEDS, "STD")), {}, "different ones", id="codes that contradict each other"),
    pytest.param(
        concept((FEEDS, "HE15")), {"additiveProductName": "fibre"}, "something is added", id="with an additive"
    ),
    pytest.param(
        concept((FEEDS, "HE15")), {"caloricDensity": quantity(1.5, "furlong")}, "cannot be read", id="unreadable"
    ),
]


@pytest.mark.parametrize(("formula", "more", "why"), NOT_USED)
def test_the_site_map_never_guesses(tmp_path: Path, formula: Json, more: Json, why: str) -> None:
    order, _ = order_of(tmp_path, formula, **more)
    assert order.density_kcal_ml is None
    assert why in (order.problem or "")
    assert order.density_from == ""


def test_what_the_order_states_itself_goes_before(tmp_path: Path) -> None:
    order, notes = order_of(tmp_path, concept((FEEDS, "HE15")), caloricDensity=quantity(1.2, "kcal/mL"))
    assert (order.density_kcal_ml, order.density_from) == (Decimal("1.2"), "")
    assert "density-from-site" not in notes


# --------------------------------------------------------------------------- wards


def test_a_ward_is_called_what_the_site_calls_it(tmp_path: Path) -> None:
    codes = of(tmp_path, '[[ward]]\nlocation = "Location/w7"\nname = "Heron"').codes
    bed = a_resource("Location", "b1", subject=None, name="Bed 12", partOf={"reference": "Location/w7"})
    bed["physicalType"] = concept(("http://terminology.hl7.org/CodeSystem/location-physical-type", "bd"))
    ward = a_resource("Location", "w7", subject=None, name="3W-MED-OLD")
    stay = a_resource(
        "Encounter",
        "e1",
        status="in-progress",
        location=[{"location": {"reference": "Location/b1"}}],
        **{"class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"}},
    )
    found = picture_of(stay, bed, ward, codes=codes).stay
    assert found is not None
    assert (found.ward, found.bed) == ("Heron", "Bed 12")
