"""What may turn a resource's meaning round is seen at any depth; references are told apart."""

import json
from typing import Any

import pytest

from andante.chart.chart import reference_key
from andante.chart.decoding import decode_resource
from andante.chart.models import Resource
from andante.chart.modifiers import has_modifiers

TURNS = [{"url": "https://example.org/not", "valueBoolean": True}]


@pytest.mark.parametrize(
    ("elements", "modified"),
    [
        ({}, False),
        ({"extension": TURNS}, False),
        ({"modifierExtension": TURNS}, True),
        ({"implicitRules": "https://example.org/rules"}, True),
        ({"enteralFormula": {"modifierExtension": TURNS}}, True),
        ({"enteralFormula": {"administration": [{}, {"modifierExtension": TURNS}]}}, True),
        ({"enteralFormula": {"administration": [{"schedule": {"modifierExtension": TURNS}}]}}, True),
        ({"oralDiet": {"nutrient": [{"modifierExtension": TURNS}]}}, True),
    ],
)
def test_modifiers_are_seen_at_any_depth(elements: dict[str, Any], modified: bool) -> None:
    order = {"resourceType": "NutritionOrder", "id": "n", **elements}
    resource = decode_resource("NutritionOrder", json.dumps(order).encode())
    assert isinstance(resource, Resource)
    assert has_modifiers(resource) is modified


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("Patient/a", "Patient/a"),
        ("Patient/a/_history/2", "Patient/a"),
        ("https://ward.example.org/fhir/Patient/a", "Patient/a"),
        ("https://ward.example.org/fhir/Patient/a/_history/2", "Patient/a"),
        ("Patient", None),
        ("", None),
        ("#p", None),
        ("urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0", None),
        ("Patient?identifier=1", None),
        ("Patient/a?x=1", None),
        ("Patient/a,Patient/b", None),
        ("https://ward.example.org/questionnaire/form|2", None),
        ("patient/a", None),
    ],
)
def test_a_reference_names_one_resource_or_none(text: str, key: str | None) -> None:
    assert reference_key(text) == key
