"""What a drug or fluid is to us: by the codes of the product and of its ingredients, never by its name."""

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from andante.chart.code_tables import DrugCode, Role
from andante.chart.datatypes import CodeableConcept
from andante.chart.models import Medication, MedicationAdministration, MedicationRequest
from andante.chart.modifiers import has_modifiers
from andante.chart.plain_text import cut
from andante.chart.sheet import Sheet, label
from andante.chart.units import Unreadable, ratio_amount
from andante.chart.wording import any_word
from andante.domain.picture import Composition, EnergyKind, Vitamin
from andante.domain.quantities import Analyte

_ENERGY_INGREDIENTS = ("dextrose", "amino-acids", "lipid-emulsion", "citrate")
_OVER = frozenset({"completed", "stopped", "cancelled", "entered-in-error", "not-done", "draft"})
_UNITS = {"citrate": "mmol/mL"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Drug:
    """One product. `kind` is set when it carries energy; then `composition` or `problem` says how much.

    `vitamins` maps those of the product itself, whose dose is the vitamin's dose, and those that are one
    ingredient among others, whose dose is not known.
    """

    name: str
    codes: frozenset[str]
    kind: EnergyKind | None = None
    composition: Composition | None = None
    problem: str | None = None
    replaces: frozenset[Analyte] = frozenset()
    vitamins: frozenset[Vitamin] = frozenset()
    dosed_as: Vitamin | None = None
    is_history: bool = False


def identify(sheet: Sheet, resource: MedicationRequest | MedicationAdministration) -> Drug:
    """The product a request or administration is about."""
    concept = resource.medication_codeable_concept
    medication: Medication | None = None
    if resource.medication_reference is not None:
        found = sheet.chart.find(resource.medication_reference, within=resource)
        medication = found if isinstance(found, Medication) else None
        if medication is None and concept is None:
            _note_unknown(sheet, resource, "medication-not-read", "the medication it refers to was not read")
    elif concept is None:
        _note_unknown(sheet, resource, "no-medication", "does not say which medication it is about")
    own = sheet.codes.drugs.among(concept, medication.code if medication else None)
    parts = list(_ingredients(sheet, resource, medication)) if medication else []
    name = label(concept) or label(medication.code if medication else None)
    name = name or cut((resource.medication_reference.display if resource.medication_reference else None) or "drug")
    roles = {role for entry in own for role in entry.roles}
    inner = {role for part in parts for entry in part.entries for role in entry.roles}
    kind = _kind(roles, inner)
    composition, problem = _compose(sheet, resource, kind, parts)
    if medication is not None and has_modifiers(medication):
        problem = "a modifier extension may change what it contains"
    if kind is None:
        _note_look_alike(sheet, resource, concept, medication)
    vitamins = frozenset(vitamin for vitamin in Vitamin if vitamin.value in roles | inner)
    own_vitamins = [vitamin for vitamin in Vitamin if vitamin.value in roles]
    replaces = {analyte for entry in own for analyte in entry.analytes}
    if kind is not EnergyKind.PARENTERAL:
        # The electrolytes of a nutrition bag are its daily allowance, not a dose against a low level.
        replaces |= {analyte for part in parts for entry in part.entries for analyte in entry.analytes}
    return Drug(
        name=name,
        codes=frozenset(f"{entry.system}|{entry.code}" for entry in own),
        kind=kind,
        composition=composition,
        problem=problem,
        replaces=frozenset(replaces),
        vitamins=vitamins,
        dosed_as=own_vitamins[0] if len(own_vitamins) == 1 else None,
        is_history="drug-history" in roles | inner,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    entries: tuple[DrugCode, ...]
    ingredient: Medication.Ingredient


def _ingredients(
    sheet: Sheet, resource: MedicationRequest | MedicationAdministration, medication: Medication
) -> Iterator[_Part]:
    for ingredient in medication.ingredient:
        concepts = [ingredient.item_codeable_concept]
        if ingredient.item_reference is not None:
            item = sheet.chart.find(ingredient.item_reference, within=resource)
            concepts.append(item.code if isinstance(item, Medication) else None)
        yield _Part(entries=sheet.codes.drugs.among(*concepts), ingredient=ingredient)


def _kind(roles: set[Role], inner: set[Role]) -> EnergyKind | None:
    every = roles | inner
    if "lipid-sedation" in every:
        return EnergyKind.LIPID_SEDATION
    if every & {"parenteral-nutrition", "amino-acids", "lipid-emulsion"}:
        return EnergyKind.PARENTERAL
    if "dextrose" in every:
        return EnergyKind.IV_DEXTROSE
    return EnergyKind.CITRATE if "citrate" in every else None


def _compose(
    sheet: Sheet,
    resource: MedicationRequest | MedicationAdministration,
    kind: EnergyKind | None,
    parts: list[_Part],
) -> tuple[Composition | None, str | None]:
    """Grams (citrate: mmol) per mL of everything that carries energy, or why that is not known."""
    if kind is None or kind is EnergyKind.LIPID_SEDATION:
        return None, None  # of a sedative in lipid the rate alone tells the energy
    held = dict.fromkeys(_ENERGY_INGREDIENTS, Decimal(0))
    seen = False
    for part in parts:
        found = {role for entry in part.entries for role in entry.roles if role in held}
        if not found:
            if not part.entries and not _has_code(part.ingredient):
                return None, "an ingredient carries no code, so its energy is not known"
            continue
        role = found.pop()
        if found:
            return None, "the codes of an ingredient contradict each other"
        try:
            strength, notes = ratio_amount(part.ingredient.strength, _UNITS.get(role, "g/mL"), sheet.codes)
        except Unreadable as error:
            return None, f"the strength of an ingredient ({role}) cannot be read: {error}"
        except ArithmeticError:
            return None, f"the strength of an ingredient ({role}) is beyond calculating"
        sheet.note_units(notes, resource)
        held[role] += strength
        seen = True
    if not seen:
        return None, "it does not state what it contains"
    only_lipid = held["lipid-emulsion"] > 0 and not (held["dextrose"] or held["amino-acids"])
    return Composition(
        dextrose_g_ml=held["dextrose"],
        amino_acids_g_ml=held["amino-acids"],
        lipid_g_ml=held["lipid-emulsion"],
        lipid_is_emulsion=only_lipid,
        citrate_mmol_ml=held["citrate"],
    ), None


def _note_unknown(sheet: Sheet, resource: MedicationRequest | MedicationAdministration, code: str, text: str) -> None:
    """What is given and may carry energy is not known: while it runs, nothing may be concluded from that."""
    sheet.note(code, text, resource)
    if resource.status not in _OVER:
        sheet.lack(f"{resource.key}: {text}")


def _has_code(ingredient: Medication.Ingredient) -> bool:
    concept = ingredient.item_codeable_concept
    return ingredient.item_reference is not None or any(
        coding.system and coding.code for coding in (concept.coding if concept else ())
    )


def _note_look_alike(
    sheet: Sheet,
    resource: MedicationRequest | MedicationAdministration,
    concept: CodeableConcept | None,
    medication: Medication | None,
) -> None:
    """A drug that seems to carry energy but is not mapped must be seen by whoever keeps the code map."""
    concepts = [concept]
    if medication is not None:
        concepts += [medication.code, *(part.item_codeable_concept for part in medication.ingredient)]
    texts = [text for found in concepts if found for text in (found.text, *(c.display for c in found.coding))]
    if any(text and any_word(sheet.codes.words.energy_drug, text) for text in texts):
        sheet.note("unmapped-energy-drug", "may carry energy, but its code is not mapped; not counted", resource)
