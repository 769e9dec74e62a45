"""Codes, units and places met in charts that the site map does not know, counted. Nothing of a patient is kept."""

import re
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum

from andante.chart.chart import Chart, reference_key
from andante.chart.codes import CodeMap
from andante.chart.datatypes import CodeableConcept, Quantity
from andante.chart.labs import name_analytes
from andante.chart.models import (
    Location,
    Medication,
    MedicationAdministration,
    MedicationRequest,
    NutritionOrder,
    Observation,
)
from andante.chart.places import PHYSICAL_TYPES
from andante.chart.units import Unreadable, convert, unit_of
from andante.chart.wording import any_word, seems_like
from andante.domain.quantities import Analyte, UnknownUnit, mmol_per_l

_BELOW_A_WARD = frozenset({"bd", "ro"})  # bed, room
# A code or a system is shown only where it looks like one: in a badly filled field there could be anything.
_SHOWN = re.compile(r"[A-Za-z0-9\[{%][A-Za-z0-9._:/\-^~+%*'\[\](){}]{0,119}")
NO_CODE = "(no code, only text)"
NOT_SHOWN = "(not shown: does not look like a code)"


class Matter(StrEnum):
    LABORATORY = "laboratory codes"
    UNIT = "units"
    FORMULA = "formulas without a density"
    DRUG = "drugs"
    LOCATION = "locations"


@dataclass(frozen=True, slots=True)
class Unmapped:
    """One thing that is not in the map. `hint` says why it may matter, by words we know, never by quoting."""

    matter: Matter
    name: str
    hint: str = ""


@dataclass
class Wild:
    """What was met: how often each unmapped thing, and how often one that is mapped."""

    unmapped: Counter[Unmapped] = field(default_factory=Counter)
    mapped: Counter[Matter] = field(default_factory=Counter)
    charts: int = 0
    incomplete: int = 0

    def look_through(self, chart: Chart, codes: CodeMap) -> None:
        self.charts += 1
        self.incomplete += bool(chart.incomplete)
        for observation in chart.observations:
            self._laboratory(observation, codes)
        for order in chart.nutrition_orders:
            self._order(order, codes)
        drugs: list[MedicationRequest | MedicationAdministration] = [*chart.medication_requests]
        for drug in [*drugs, *chart.medication_administrations]:
            self._drug(drug, chart, codes)
        self._places(chart, codes)

    def of(self, matter: Matter) -> list[tuple[Unmapped, int]]:
        """The most telling first: what may matter, then by count and name."""
        found = ((one, count) for one, count in self.unmapped.items() if one.matter is matter)
        return sorted(found, key=lambda pair: (not pair[0].hint, -pair[1], pair[0].name))

    def _note(self, matter: Matter, names: Iterable[str], hint: str = "") -> None:
        for name in dict.fromkeys(names):
            self.unmapped[Unmapped(matter, name, hint)] += 1

    def _laboratory(self, observation: Observation, codes: CodeMap) -> None:
        tables = (codes.labs, codes.not_serum, codes.panels, codes.measures, codes.intakes, codes.findings)
        parts = [(observation.code, observation.value_quantity)]
        parts += [(part.code, part.value_quantity) for part in observation.component]
        is_lab = any(c.code == "laboratory" for concept in observation.category for c in concept.coding)
        for concept, quantity in parts:
            if any(table.among(concept) for table in tables):
                self.mapped[Matter.LABORATORY] += 1
                for analyte in name_analytes(codes, concept).analytes:
                    self._unit(quantity, codes, analyte)
            elif is_lab:
                likely = {seems_like(codes.words, text) for text in _texts(concept)} - {None}
                hint = "its text speaks of " + ", ".join(sorted(a.value for a in likely if a)) if likely else ""
                self._note(Matter.LABORATORY, _names(concept), hint)

    def _unit(self, quantity: Quantity | None, codes: CodeMap, wanted: Analyte | str) -> None:
        if quantity is None or quantity.value is None:
            return
        try:
            ucum = unit_of(quantity, codes).ucum
            if isinstance(wanted, Analyte):
                mmol_per_l(wanted, Decimal(1), ucum)
            else:
                convert(Decimal(1), ucum, wanted)
        except (Unreadable, UnknownUnit):
            written = _shown(quantity.code or quantity.unit)
            self._note(Matter.UNIT, [f"{written} for {wanted if isinstance(wanted, str) else wanted.value}"])
        else:
            self.mapped[Matter.UNIT] += 1

    def _order(self, order: NutritionOrder, codes: CodeMap) -> None:
        formula = order.enteral_formula
        if formula is None:
            return
        for given in formula.administration:
            self._unit(given.rate_quantity, codes, "mL/h")
            self._unit(given.quantity, codes, "mL")
        if formula.caloric_density is not None:
            self._unit(formula.caloric_density, codes, "kcal/mL")
        elif codes.formulas.among(formula.base_formula_type):
            self.mapped[Matter.FORMULA] += 1
        else:
            self._note(Matter.FORMULA, _names(formula.base_formula_type), "its energy cannot be summed")

    def _drug(self, drug: MedicationRequest | MedicationAdministration, chart: Chart, codes: CodeMap) -> None:
        medication = chart.find(drug.medication_reference, within=drug)
        concepts = [drug.medication_codeable_concept]
        if isinstance(medication, Medication):
            concepts += [medication.code, *(part.item_codeable_concept for part in medication.ingredient)]
        given = [concept for concept in concepts if concept is not None]
        if codes.drugs.among(*given):
            self.mapped[Matter.DRUG] += 1
            return
        energy = any(any_word(codes.words.energy_drug, text) for one in given for text in _texts(one))
        names = [name for one in given for name in _names(one)]
        self._note(Matter.DRUG, names or [NO_CODE], "its text speaks of what carries energy" if energy else "")

    def _places(self, chart: Chart, codes: CodeMap) -> None:
        places = {location.key: location for location in chart.locations}
        for encounter in chart.encounters:
            for place in encounter.location:
                keys = list(_upwards(reference_key((place.location.reference if place.location else "") or ""), places))
                if any(key in codes.wards for key in keys):
                    self.mapped[Matter.LOCATION] += 1
                else:
                    wards = [key for key in keys if _kind(places.get(key)) not in _BELOW_A_WARD]
                    self._note(Matter.LOCATION, map(_shown, wards[:1]))


def _names(concept: CodeableConcept | None) -> Iterator[str]:
    codings = [c for c in (concept.coding if concept is not None else ()) if c.code]
    if not codings:
        yield NO_CODE
    for coding in codings:
        system, code = _shown(coding.system or "(no system)"), _shown(coding.code)
        yield f"{system}|{code}" if NOT_SHOWN not in (system, code) else NOT_SHOWN


def _texts(concept: CodeableConcept | None) -> Iterator[str]:
    if concept is not None:
        yield from (text for text in (concept.text, *(c.display for c in concept.coding)) if text)


def _shown(text: str | None) -> str:
    if text is None or text == "(no system)":
        return text or "(none)"
    return text if _SHOWN.fullmatch(text) else NOT_SHOWN


def _upwards(key: str | None, places: dict[str, Location]) -> Iterator[str]:
    seen: set[str] = set()
    while key is not None and key not in seen:
        seen.add(key)
        yield key
        place = places.get(key)
        above = place.part_of if place is not None else None
        key = reference_key(above.reference or "") if above is not None else None


def _kind(location: Location | None) -> str:
    concept = location.physical_type if location is not None else None
    return next((c.code or "" for c in concept.coding if c.system == PHYSICAL_TYPES), "") if concept is not None else ""
