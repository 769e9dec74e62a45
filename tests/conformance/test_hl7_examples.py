"""The validator passes HL7's own R4 examples, and finds in them what is really wrong with them: it is not ours to bend.

`fixtures/hl7-examples` holds 203 resources of the package hl7.fhir.r4.examples 4.0.1. What is listed here is at odds
with R4 or UCUM, each with the reason; everything else must pass.
"""

import json
import re
from collections.abc import Iterable
from pathlib import Path

import pytest
from inbox_rounds import FIXTURES
from validating import Issue, Validator

EXAMPLES = sorted((FIXTURES / "hl7-examples").glob("*.json"))

NOT_UCUM = "is no UCUM unit (https://ucum.org/ucum)"
NO_SUCH_FORM = "is no code of v3-orderableDrugForm, whose codes are in capitals"
UNKNOWN_EXTENSION = "an extension defined neither by R4 nor here; we allow none that is not defined"
DISPENSER = "MedicationRequest.dispenseRequest.performer may only be an Organization"
PERFORMER = "Observation.performer may not be an Encounter"

AT_ODDS: dict[str, tuple[str, ...]] = {
    "MedicationAdministration-medadmin0312": (f"'patch' {NO_SUCH_FORM}",),
    "MedicationRequest-medrx0301": (DISPENSER,),
    "MedicationRequest-medrx0304": (f"'drop' {NOT_UCUM}",),
    "MedicationRequest-medrx0313": (f"'Tab' {NO_SUCH_FORM}",),
    "MedicationRequest-medrx0314": (f"'mcg' {NOT_UCUM}", f"'Tab' {NO_SUCH_FORM}"),
    "MedicationRequest-medrx0319": (f"'hr' {NOT_UCUM}",),
    "MedicationRequest-medrx0322": (f"'mEq' {NOT_UCUM}",),
    "MedicationRequest-medrx0325": (f"'ea' {NOT_UCUM}",),
    "MedicationRequest-medrx0326": (f"'ea' {NOT_UCUM}",),
    "MedicationRequest-medrx0327": (f"'patch' {NO_SUCH_FORM}",),
    "MedicationRequest-medrx0328": (f"'ea' {NOT_UCUM}",),
    "MedicationRequest-medrx0329": (f"'ea' {NOT_UCUM}",),
    "MedicationRequest-medrx0334": (f"'ea' {NOT_UCUM}",),
    "MedicationRequest-medrx0335": (f"'ea' {NOT_UCUM}",),
    "Observation-clinical-gender": (PERFORMER,),
    "Observation-example-genetics-brcapat": (UNKNOWN_EXTENSION,),
    "Patient-glossy": (UNKNOWN_EXTENSION,),
    "Patient-pat2": (UNKNOWN_EXTENSION,),
}


def in_our_words(errors: Iterable[Issue]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(_in_our_words(error) for error in errors))


def _in_our_words(error: Issue) -> str:
    if error.id == "Extension_EXT_Unknown_NotHere":
        return UNKNOWN_EXTENSION
    if error.id in ("Reference_REF_CantMatchType", "Reference_REF_BadTargetType"):
        return {"MedicationRequest.dispenseRequest.performer": DISPENSER, "Observation.performer[0]": PERFORMER}.get(
            error.location, str(error)
        )
    if found := re.search(r"The unit ('[^']+') is unknown", error.message):
        return f"{found[1]} {NOT_UCUM}"
    if found := re.search(r"v3-orderableDrugForm#(\w+)", error.message):
        return f"'{found[1]}' {NO_SUCH_FORM}"
    return str(error)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_an_example_of_hl7_passes_or_is_known_to_be_at_odds(validator: Validator, path: Path) -> None:
    body = json.loads(path.read_text(encoding="utf-8"))
    assert in_our_words(validator.errors(body)) == AT_ODDS.get(path.stem, ())


def test_all_the_examples_are_there() -> None:
    assert len(EXAMPLES) == 203
    assert AT_ODDS.keys() <= {path.stem for path in EXAMPLES}
