"""Laboratory observations as results of the three analytes. Whatever cannot be read says why and still counts
as unread: a newer result nobody can use is a reason to hold, never a reason to use an older one."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from math import inf

from andante.chart.code_tables import LabCode
from andante.chart.codes import CodeMap
from andante.chart.datatypes import CodeableConcept, Coding
from andante.chart.limits import normal_limits
from andante.chart.models import Observation
from andante.chart.plain_text import cut
from andante.chart.sheet import Sheet, label, written
from andante.chart.specimens import Collected, collection_time, doubt_about, specimen_key, specimen_of
from andante.chart.statuses import firmness_of
from andante.chart.times import parse_fhir_time
from andante.chart.units import Unreadable, amount, unit_of
from andante.chart.wording import seems_like
from andante.domain.picture import Collection, Firmness, LabResult, Matrix, Person
from andante.domain.quantities import Analyte, Level, is_mass_unit, mmol_per_l

Part = Observation | Observation.Component
_MOST_RESULTS = 5_000  # of one analyte: seven months of a draw each hour
_USUAL_CODINGS = 8  # more are not kept
_COMPARATORS = ("<", "<=", ">", ">=")


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """What a code says was measured. With a `conflict` the codings contradict each other."""

    analytes: frozenset[Analyte] = frozenset()
    entry: LabCode | None = None
    conflict: str | None = None
    other_matter: bool = False  # a known code of the substance elsewhere than in blood


_NAMELESS = Named()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Circumstances:
    """What the results of one observation share."""

    collected: Collected
    reported: datetime | None
    firmness: Firmness
    specimen: str | None


def read_results(sheet: Sheet, person: Person) -> tuple[list[LabResult], list[Collection]]:
    """Every result of an analyte, and every draw whose result is still pending."""
    found = sheet.gather(
        sheet.chart.observations,
        lambda observation: _read_observation(sheet, observation, person),
        rescue=lambda observation: _rescue(sheet, observation),
    )
    results = [*(item for item in found if isinstance(item, LabResult)), *_salvaged(sheet)]
    return (
        [result for analyte in Analyte for result in _newest(sheet, [r for r in results if r.analyte is analyte])],
        [item for item in found if isinstance(item, Collection)],
    )


def _newest(sheet: Sheet, results: list[LabResult]) -> list[LabResult]:
    """All of them; of more than a long stay can bring, the newest, and nothing may be concluded from the rest."""
    if len(results) <= _MOST_RESULTS:
        return results
    sheet.lack(f"more than {_MOST_RESULTS} results of {results[0].analyte.value}: only the newest were read")
    return sorted(results, key=_recency, reverse=True)[:_MOST_RESULTS]


def _recency(result: LabResult) -> tuple[float, str]:
    when = result.collected_latest or result.collected or result.reported
    return when.timestamp() if when else inf, result.source


def _salvaged(sheet: Sheet) -> Iterator[LabResult]:
    """Observations that could not be read at all but are coded as an analyte: they block, for they may be low."""
    for problem in sheet.chart.problems:
        found = problem.salvaged
        if found is None or found.status in ("entered-in-error", "cancelled"):
            continue
        try:
            drawn = parse_fhir_time(found.effective, sheet.zone) if found.effective else None
            reported = parse_fhir_time(found.issued, sheet.zone).latest if found.issued else None
        except (ValueError, OverflowError):
            drawn, reported = None, None
        for analyte in sorted(name_analytes(sheet.codes, found.concept).analytes):
            yield LabResult(
                analyte=analyte,
                level=None,
                written="",
                collected=drawn.earliest if drawn else None,
                collected_latest=drawn.latest if drawn else None,
                reported=reported,
                firmness=Firmness.PROVISIONAL,
                problem="the resource cannot be read",
                source=problem.reference or "",
            )


def name_analytes(codes: CodeMap, concept: CodeableConcept | None) -> Named:
    """Which analyte a code names; never by its text."""
    if concept is None or not concept.coding:
        return _NAMELESS
    pairs = tuple((coding.system, coding.code) for coding in concept.coding)
    return _named(codes, pairs) if len(pairs) <= _USUAL_CODINGS else _named.__wrapped__(codes, pairs)


@lru_cache(maxsize=1024)
def _named(codes: CodeMap, pairs: tuple[tuple[str | None, str | None], ...]) -> Named:
    concept = CodeableConcept(coding=tuple(Coding(system=system, code=code) for system, code in pairs))
    entries = codes.labs.among(concept)
    elsewhere = codes.not_serum.among(concept)
    if not entries:
        return Named(other_matter=bool(elsewhere))
    analytes = frozenset((*(entry.analyte for entry in entries), *(entry.analyte for entry in elsewhere)))
    if len(analytes) > 1:
        return Named(analytes=analytes, entry=entries[0], conflict="its codes name different analytes")
    if elsewhere:
        return Named(analytes=analytes, entry=entries[0], conflict="its codes name serum and something else")
    if len({(entry.matrix, entry.property) for entry in entries}) > 1:
        return Named(analytes=analytes, entry=entries[0], conflict="its codes disagree on what was measured")
    return Named(analytes=analytes, entry=entries[0])


def _read_observation(sheet: Sheet, observation: Observation, person: Person) -> Iterator[LabResult | Collection]:
    own = name_analytes(sheet.codes, observation.code)
    parts: list[tuple[Part, Named]] = [(observation, own)]
    parts += [(part, name_analytes(sheet.codes, part.code)) for part in observation.component]
    coded = [(part, named) for part, named in parts if named.analytes]
    panel = frozenset(analyte for entry in sheet.codes.panels.among(observation.code) for analyte in entry.analytes)
    for part, named in parts:
        if not named.analytes and not named.other_matter and not (panel and part is observation):
            _note_look_alike(sheet, observation, part)
    if not coded and not panel:
        return
    firmness = firmness_of(sheet, observation)
    if firmness is None:
        return
    specimen = specimen_of(sheet, observation)
    around = _Circumstances(
        collected=collection_time(sheet, observation, specimen),
        reported=sheet.instant(observation.issued, observation),
        firmness=firmness,
        specimen=specimen_key(sheet, observation),
    )
    plain = sheet.is_plain(observation)
    elsewhere = sheet.codes.not_blood.among(specimen.type) if specimen is not None else ()
    if coded == [(observation, own)] or panel:
        bare = not _has_value(observation) and not observation.has_member and not observation.component
        if plain and bare and observation.status == "registered" and observation.data_absent_reason is None:
            yield from _pending(sheet, observation, own.analytes or panel, around)
            return
    if panel and not coded and observation.data_absent_reason is not None and not observation.has_member:
        for analyte in sorted(panel):
            yield _unread(observation, observation, Named(), analyte, around, _absence(observation))
    for part, named in coded:
        if part is observation and not _has_value(part) and (observation.has_member or len(coded) > 1):
            continue  # a heading over its own members
        if not plain:
            problem: str | None = "a modifier extension may change its meaning"
        else:
            problem = named.conflict or (f"its specimen is {elsewhere[0].meaning}" if elsewhere else None)
            if problem:
                sheet.note("conflicting-codes", f"{problem}; unreadable", observation)
        doubt = doubt_about(sheet, observation, part, specimen)
        if problem or named.entry is None:
            for analyte in sorted(named.analytes):
                yield _unread(observation, part, named, analyte, around, problem or "", doubt)
        else:
            yield _read_part(sheet, observation, part, named.entry, around, person, doubt)


def _read_part(
    sheet: Sheet,
    observation: Observation,
    part: Part,
    entry: LabCode,
    around: _Circumstances,
    person: Person,
    doubt: str | None,
) -> LabResult:
    problem: str | None = None
    level: Level | None = None
    try:
        level = _level(sheet, observation, part, entry, doubt)
    except Unreadable as error:
        problem = str(error)
        sheet.note("unreadable-result", f"a {entry.analyte} result cannot be read: {problem}", observation)
    oldest = around.collected.oldest or around.reported
    low, high = normal_limits(
        sheet,
        observation,
        part.reference_range,
        entry.analyte,
        person,
        oldest.astimezone(sheet.zone).date() if oldest else None,
    )
    return LabResult(
        analyte=entry.analyte,
        level=level,
        written=_written(part),
        collected=around.collected.oldest,
        collected_latest=around.collected.newest,
        reported=around.reported,
        firmness=around.firmness,
        matrix=entry.matrix,
        range_low=low,
        range_high=high,
        specimen_problem=doubt,
        problem=problem,
        specimen=around.specimen,
        source=observation.reference,
    )


def _level(sheet: Sheet, observation: Observation, part: Part, entry: LabCode, doubt: str | None) -> Level:
    """The level in mmol/L. Raises Unreadable."""
    if part.value_quantity is None:
        raise Unreadable(_absence(part))
    if part.data_absent_reason is not None and doubt is None:
        raise Unreadable("it holds a value and a reason for having none")
    quantity = part.value_quantity
    value, notes = amount(
        quantity,
        lambda value, ucum: mmol_per_l(entry.analyte, value, ucum),
        sheet.codes,
        comparators=_COMPARATORS,
    )
    _check_property(sheet, part, entry)
    sheet.note_units(notes, observation)
    return Level.compared(quantity.comparator, value) if quantity.comparator else Level.exact(value)


def _check_property(sheet: Sheet, part: Part, entry: LabCode) -> None:
    """Raises Unreadable when a mass code carries a molar unit or the other way round."""
    if part.value_quantity is None or entry.property == "any":
        return
    ucum = unit_of(part.value_quantity, sheet.codes).ucum
    if is_mass_unit(ucum) != (entry.property == "mass"):
        raise Unreadable(f"its unit {ucum} does not fit its code {entry.code} ({entry.property} concentration)")


def _unread(
    observation: Observation,
    part: Part,
    named: Named,
    analyte: Analyte,
    around: _Circumstances,
    problem: str,
    doubt: str | None = None,
) -> LabResult:
    return LabResult(
        analyte=analyte,
        level=None,
        written=_written(part),
        collected=around.collected.oldest,
        collected_latest=around.collected.newest,
        reported=around.reported,
        firmness=around.firmness,
        matrix=named.entry.matrix if named.entry else Matrix.SERUM_PLASMA,
        specimen_problem=doubt,
        problem=problem,
        specimen=around.specimen,
        source=observation.reference,
    )


def _pending(
    sheet: Sheet, observation: Observation, analytes: frozenset[Analyte], around: _Circumstances
) -> Iterator[Collection]:
    if around.collected.oldest is not None:
        yield Collection(analytes=analytes, collected=around.collected.oldest, source=observation.reference)


def _rescue(sheet: Sheet, observation: Observation) -> Iterator[LabResult]:
    """A lab observation that tripped up the mapping still blocks, as a result nobody could read."""
    nothing = _Circumstances(collected=Collected(), reported=None, firmness=Firmness.PROVISIONAL, specimen=None)
    parts: list[Part] = [observation, *observation.component]
    for part in parts:
        named = name_analytes(sheet.codes, part.code)
        for analyte in sorted(named.analytes):
            yield _unread(observation, observation, named, analyte, nothing, "it could not be mapped")


def _has_value(part: Part) -> bool:
    """Whether any kind of value[x] is there, usable or not."""
    return any(getattr(part, name) is not None for name in part.__struct_fields__ if name.startswith("value_"))


def _absence(part: Part) -> str:
    """Why there is no number, in words."""
    if _has_value(part):
        return "its value is not a quantity, and text is never read as a number"
    if part.data_absent_reason is not None:
        return f"it has no value ({label(part.data_absent_reason, 'no reason coded')})"
    return "it has no value"


def _written(part: Part) -> str:
    if part.value_quantity is not None:
        return written(part.value_quantity)
    if part.value_string is not None:
        return cut(f'"{part.value_string[:60]}"')
    return str(part.value_integer) if part.value_integer is not None else ""


def _note_look_alike(sheet: Sheet, observation: Observation, part: Part) -> None:
    """An uncoded or unmapped result that looks like an analyte must be seen by whoever keeps the code map."""
    concept = part.code
    if concept is None or observation.status in ("entered-in-error", "cancelled"):
        return
    is_coded = any(coding.system and coding.code for coding in concept.coding)
    if is_coded and not _is_laboratory(observation):
        return
    for text in (concept.text, *(coding.display for coding in concept.coding)):
        analyte = seems_like(sheet.codes.words, text) if text else None
        if analyte is not None:
            how = "its code is not mapped" if is_coded else "it carries no code"
            sheet.note("uncoded-analyte", f"looks like {analyte}, but {how}; not used", observation)
            return


def _is_laboratory(observation: Observation) -> bool:
    if not observation.category:
        return True
    return any(
        coding.code and coding.code.casefold() in ("laboratory", "lab")
        for category in observation.category
        for coding in category.coding
    )
