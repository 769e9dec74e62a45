"""The sandbox declares R4's own search parameters, checked against HL7's published list."""

import json
from typing import Any

import pytest
from servers.install import MEDPLUM
from servers.need import need_server

from andante.sandbox.parameters import COMMON, TYPES, Parameter

LIST = MEDPLUM / "node_modules" / "@medplum" / "definitions" / "dist" / "fhir" / "r4" / "search-parameters.json"
DECLARED = [(kind, name, parameter) for kind, table in TYPES.items() for name, parameter in table.items()]


@pytest.fixture(scope="module")
def published() -> dict[tuple[str, str], Any]:
    """HL7's SearchParameter resources by type and name; a copy comes with one of the foreign servers."""
    need_server("medplum")
    resources = [entry["resource"] for entry in json.loads(LIST.read_text())["entry"]]
    return {(base, found["code"]): found for found in resources for base in found["base"]}


@pytest.mark.foreign
@pytest.mark.parametrize(("kind", "name", "parameter"), DECLARED)
def test_a_parameter_is_r4s_own(
    published: dict[tuple[str, str], Any], kind: str, name: str, parameter: Parameter
) -> None:
    found = published[kind, name]
    assert found["type"] == parameter.kind
    # Each path starts at an element that HL7's expression names; a choice element without its type.
    for path in parameter.paths:
        first = path.split(".")[0]
        assert any(
            f"{kind}.{first[:length]}" in found["expression"].replace("(", "").replace(" ", "")
            for length in range(3, len(first) + 1)
            if length == len(first) or first[length].isupper()
        ), found["expression"]


@pytest.mark.foreign
@pytest.mark.parametrize("name", list(COMMON))
def test_a_common_parameter_is_r4s_own(published: dict[tuple[str, str], Any], name: str) -> None:
    assert published["Resource", name]["type"] == COMMON[name].kind
