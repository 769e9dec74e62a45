"""Our own definitions are sound R4, at the default base and at a site's own; so is what is served of them."""

import json
from collections.abc import AsyncIterator
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from another_site import BASE
from fastapi import FastAPI
from httpx import ASGITransport, AsyncClient
from profiles import untold
from validating import Validator

from andante.shared_files import shared
from andante.triggers.definitions import TYPES, add_definitions, load_definitions
from andante.writeback.site import DEFAULT_BASE

Json = dict[str, Any]

FILES = sorted(shared("fhir").glob("*.json"))


def without_lookup(body: Json) -> Json:
    """An extension's place is looked up by the validator in a package that it would fetch from the network.

    So its definition is tried with the same place written as a FHIRPath, which is not looked up, but remarked on. That
    the place holds is proved by a planted fault: the extension on another type.
    """
    body = deepcopy(body)
    for place in body.get("context", []) if body.get("type") == "Extension" else []:
        place["type"] = "fhirpath"
    return body


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_definition_is_sound(validator: Validator, path: Path) -> None:
    assert wrong_with(validator, json.loads(path.read_text(encoding="utf-8"))) == []


def test_every_definition_is_as_sound_under_a_sites_own_base(validator: Validator) -> None:
    definitions = load_definitions(BASE)
    assert len(definitions) == len(FILES)
    for body in definitions.values():
        assert DEFAULT_BASE not in json.dumps(body)
        assert wrong_with(validator, body) == [], body["url"]


def wrong_with(validator: Validator, body: Json) -> list[str]:
    return [told for told in untold(validator.issues(without_lookup(body))) if "SHOULD_NOT_BE_FHIRPATH" not in told]


def _with(name: str, /, **changes: Any) -> Json:
    """A definition of ours with one part changed."""
    path = next(path for path in FILES if path.stem == name)
    return {**json.loads(path.read_text(encoding="utf-8")), **changes}


@pytest.mark.parametrize(
    "path", [path for path in FILES if path.stem.startswith("ValueSet")], ids=lambda path: path.stem
)
def test_a_value_set_names_only_codes_that_its_code_system_has(path: Path) -> None:
    """The validator does not look. What is R4's own is found out where a resource uses it."""
    for part in json.loads(path.read_text(encoding="utf-8"))["compose"]["include"]:
        if part["system"].startswith(DEFAULT_BASE):
            name = part["system"].rpartition("/")[2]
            system = json.loads(shared("fhir", f"CodeSystem-{name}.json").read_text(encoding="utf-8"))
            codes = {concept["code"] for concept in system["concept"]}
            assert {concept["code"] for concept in part.get("concept", [])} <= codes
            assert f"{DEFAULT_BASE}/ValueSet/{name}" == system["valueSet"]


@pytest.mark.parametrize(
    ("broken", "where"),
    [
        (_with("CodeSystem-rule", count=25), "CodeSystem.count"),
        (_with("CodeSystem-rule", status="valid"), "CodeSystem.status"),
        (_with("CodeSystem-tell", concept=[{"code": "x"}, {"code": "x"}], count=2), "csd-1"),
        (_with("ValueSet-tell", compose={"include": []}), "ValueSet.compose"),
        (_with("StructureDefinition-advice-task", baseDefinition=f"{DEFAULT_BASE}/StructureDefinition/gone"),
         "StructureDefinition"),
        (_with("StructureDefinition-advice-task",
              differential={"element": [{"id": "Task.order", "path": "Task.order", "max": "0"}]}), "Task.order"),
        (_with("StructureDefinition-advice-task",
              differential={"element": [{"id": "Task.intent", "path": "Task.intent", "binding": {"strength": "odd"}}]}),
         "binding.strength"),
        (_with("CapabilityStatement-service", kind="capability"), "cpb-15"),
        (_with("CapabilityStatement-client", rest=[]), "CapabilityStatement"),
    ],
    ids=["wrong-count", "wrong-status", "code-twice", "set-of-nothing", "base-of-nobody", "element-of-nobody",
         "strength-of-nobody", "kind-at-odds", "nothing-said"],
)  # fmt: skip
def test_a_fault_in_a_definition_is_found(validator: Validator, broken: Json, where: str) -> None:
    told = [str(issue) for issue in validator.issues(broken) if issue.severity != "information"]
    assert any(where in text and "dom-6" not in text for text in told), told


@pytest.fixture
async def client() -> AsyncIterator[AsyncClient]:
    app = FastAPI()
    add_definitions(app, base=BASE)
    async with AsyncClient(transport=ASGITransport(app), base_url="https://hospital.example") as client:
        yield client


@pytest.mark.parametrize("address", ["metadata", "Task", "ValueSet?name=x", "ValueSet/gone", *TYPES])
async def test_what_is_served_is_sound(validator: Validator, client: AsyncClient, address: str) -> None:
    body = (await client.get(f"/fhir/{address}")).json()
    if body["resourceType"] == "Bundle":
        assert body["total"] == len(body["entry"]) > 0
        body["entry"] = [{**entry, "resource": without_lookup(entry["resource"])} for entry in body["entry"]]
    assert wrong_with(validator, body) == []
