"""Which codes, unit spellings and words are accepted: `shared/codes.toml`, overlaid by a site's own file."""

import hashlib
import tomllib
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from pathlib import Path
from types import MappingProxyType
from typing import Any, Generic, TypeVar

import msgspec

from andante.chart.code_tables import (
    AppliesToCode,
    DietCode,
    Document,
    DrugCode,
    Entry,
    FindingCode,
    FormulaCode,
    IntakeCode,
    LabCode,
    MeasureCode,
    NotSerumCode,
    PanelCode,
    RiskCode,
    SeverityCode,
    Tables,
    TimingCode,
    UnitSpelling,
    Words,
)
from andante.chart.datatypes import CodeableConcept, Coding
from andante.domain.picture import FindingKind
from andante.errors import InputError
from andante.shared_files import shared

E = TypeVar("E", bound=Entry)
OBSERVED_FINDINGS = frozenset({FindingKind.FAT_LOSS, FindingKind.MUSCLE_LOSS})
"""Findings that are charted as Observations too, with the severity as value."""
_MAX_BYTES = 1024 * 1024
Tree = dict[str, Any]


class Index(Generic[E]):
    """One table, looked up by system and code."""

    def __init__(self, entries: Iterable[E], systems: Mapping[str, tuple[str, ...]]) -> None:
        self._entries = tuple(entries)
        self._exact: dict[tuple[str, str], E] = {}
        self._prefixed: dict[str, list[tuple[str, E]]] = defaultdict(list)
        for entry in self._entries:
            for url in systems[entry.system]:
                if entry.prefix:
                    self._prefixed[url].append((_undotted(entry.code), entry))
                else:
                    self._exact[url, entry.code] = entry

    def __iter__(self) -> Iterator[E]:
        return iter(self._entries)

    def tokens(self, wanted: Callable[[E], bool] = lambda entry: True) -> frozenset[str]:
        """`system|code` of every wanted entry that is not a prefix."""
        return frozenset(f"{url}|{code}" for (url, code), entry in self._exact.items() if wanted(entry))

    def of(self, coding: Coding | None) -> E | None:
        """The entry of one coding; of several prefixes the longest."""
        if coding is None or not coding.system or not coding.code:
            return None
        found = self._exact.get((coding.system, coding.code))
        if found is not None:
            return found
        code = _undotted(coding.code)
        fitting = [pair for pair in self._prefixed.get(coding.system, ()) if code.startswith(pair[0])]
        return max(fitting, key=lambda pair: len(pair[0]))[1] if fitting else None

    def among(self, *concepts: CodeableConcept | None) -> tuple[E, ...]:
        """Every entry that one of the concepts' codings names, each once."""
        found: list[E] = []
        for concept in concepts:
            for coding in concept.coding if concept else ():
                entry = self.of(coding)
                if entry is not None and all(entry is not other for other in found):
                    found.append(entry)
        return tuple(found)


def _undotted(code: str) -> str:
    return code.replace(".", "")


@dataclass(frozen=True, kw_only=True, eq=False)
class CodeMap:
    """Every accepted code, by table. `hash` identifies the content; `changes` says in words what a site
    altered. One is equal to itself alone, so that what was looked up in it can be kept.
    """

    labs: Index[LabCode]
    not_serum: Index[NotSerumCode]
    panels: Index[PanelCode]
    measures: Index[MeasureCode]
    intakes: Index[IntakeCode]
    energy_goals: Index[Entry]
    diets: Index[DietCode]
    diet_energies: Index[Entry]
    drugs: Index[DrugCode]
    findings: Index[FindingCode]
    risks: Index[RiskCode]
    severities: Index[SeverityCode]
    specimen_problems: Index[Entry]
    not_blood: Index[Entry]
    timings: Index[TimingCode]
    inpatient_classes: Index[Entry]
    applies_to: Index[AppliesToCode]
    formulas: Index[FormulaCode]
    units: Mapping[str, UnitSpelling]
    ucum_systems: frozenset[str]
    words: Words
    hash: str
    changes: tuple[str, ...] = ()
    wards: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    """What the site calls its wards, by `Location/id`."""

    @property
    def observation_tokens(self) -> tuple[str, ...]:
        """`system|code` of every Observation that can be used, for a search by code."""
        found = self.labs.tokens() | self.panels.tokens() | self.measures.tokens() | self.intakes.tokens()
        return tuple(sorted(found | self.findings.tokens(lambda entry: entry.kind in OBSERVED_FINDINGS)))


def load_codes(path: Path | None = None, overlay: Path | None = None, *, canonical: str | None = None) -> CodeMap:
    """The code map of `path` (default: the one that comes along), with a site's `overlay` laid over it.

    `canonical` is the base of our own code systems. Raises InputError with the path of the wrong entry.
    """
    if overlay is None:
        return _load(path, canonical)
    return lay_over(read_toml(overlay), overlay.name, path=path, canonical=canonical)


def lay_over(
    site: Tree,
    name: str,
    *,
    path: Path | None = None,
    canonical: str | None = None,
    wards: Mapping[str, str] = MappingProxyType({}),
) -> CodeMap:
    """The code map with the codes of a site's file called `name` laid over it, and its wards' names.

    Raises as `load_codes`.
    """
    return replace(_load(path, canonical, (site, name)), wards=wards)


def faults_in_rows(site: Tree, name: str) -> tuple[str, ...]:
    """What is wrong with each entry of the site's tables by itself, with its path; not how they fit together."""
    types = {one.encode_name: one.type for one in msgspec.structs.fields(Tables)}
    found = []
    tables = site.get("tables", {})
    for table, rows in tables.items() if isinstance(tables, dict) else ():
        if table not in types or not isinstance(rows, list):
            continue
        for number, row in enumerate(rows):
            try:
                msgspec.convert(row, types[table].__args__[0])
            except msgspec.ValidationError as error:
                found.append(f"{name}: tables.{table}[{number}]: {error}")
    return tuple(found)


def _load(path: Path | None, canonical: str | None, overlay: tuple[Tree, str] | None = None) -> CodeMap:
    path = path or shared("codes.toml")
    tree = read_toml(path)
    if canonical:
        tree.setdefault("systems", {})["chart"] = f"{canonical.rstrip('/')}/CodeSystem/chart"
    changes: tuple[str, ...] = ()
    name = overlay[1] if overlay is not None else path.name
    if overlay is not None:
        tree, changes = _laid_over(tree, overlay[0], name)
    try:
        document = msgspec.convert(tree, Document)
    except msgspec.ValidationError as error:
        raise InputError(f"{name}: {error}") from error
    return _index(document, changes, name)


def read_toml(path: Path) -> Tree:
    """A TOML file, its decimals exact. Raises InputError in one line."""
    try:
        with path.open("rb") as file:
            data = file.read(_MAX_BYTES + 1)  # not by the size it claims: a device claims none and never ends
        if len(data) > _MAX_BYTES:
            raise InputError(f"{path.name} is too large to be a file of codes")
        return tomllib.loads(data.decode("utf-8"), parse_float=Decimal)
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path.name} is not UTF-8 text") from error
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(f"{path.name} is not readable as TOML: {str(error)[:200]}") from error


def _laid_over(base: Tree, site: Tree, name: str) -> tuple[Tree, tuple[str, ...]]:
    """The base with the site's entries added, changed or removed, and each difference in a sentence."""
    changes: list[str] = []
    tables: dict[str, list[Tree]] = {table: list(rows) for table, rows in base.get("tables", {}).items()}
    tables.setdefault("formula", [])  # only a site can know what its formulas hold
    unknown = set(site) - {"systems", "ucum", "tables", "words", "remove"}
    if unknown:
        raise InputError(f"{name}: {sorted(unknown)[0]} is not something a site can overlay")
    for number, gone in enumerate(_rows(site.get("remove", []), name, "remove")):
        rows = tables.get(str(gone.get("table")), [])
        kept = [row for row in rows if _key(row) != _key(gone)]
        if len(kept) == len(rows):
            raise InputError(f"{name}: remove[{number}] names no entry of the table {gone.get('table')}")
        tables[str(gone["table"])] = kept
        changes.append(f"{gone['table']}: {' '.join(_key(gone))} removed")
    for table, found in _mapping(site.get("tables", {}), name, "tables").items():
        if table not in tables:
            raise InputError(f"{name}: there is no table {table}")
        rows = _rows(found, name, table)
        for number, row in enumerate(rows):
            if any(_key(other) == _key(row) for other in rows[:number]):
                raise InputError(f"{name}: {table}[{number}]: {' '.join(_key(row))} stands there twice")
            if row.get("tag") != "site":
                raise InputError(f'{name}: {table}[{number}].tag must be "site"')
            known = [_key(other) for other in tables[table]]
            changes.append(f"{table}: {' '.join(_key(row))} {'changed' if _key(row) in known else 'added'}")
            tables[table] = [other for other in tables[table] if _key(other) != _key(row)] + [row]
    merged = dict(base, tables=tables)
    for section in ("systems", "ucum", "words"):
        if section in site:
            merged[section] = {**base.get(section, {}), **_mapping(site[section], name, section)}
            changes += [f"{section}: {key} changed" for key in site[section]]
    return merged, tuple(changes)


def _mapping(value: Any, name: str, section: str) -> Tree:
    if not isinstance(value, dict):
        raise InputError(f"{name}: {section} must be a table")
    return value


def _rows(value: Any, name: str, section: str) -> list[Tree]:
    if not isinstance(value, list) or not all(isinstance(row, dict) for row in value):
        raise InputError(f"{name}: {section} must be a list of entries")
    return value


def _key(row: Tree) -> tuple[str, ...]:
    return (str(row["written"]),) if "written" in row else (str(row.get("system")), str(row.get("code")))


def _index(document: Document, changes: tuple[str, ...], name: str) -> CodeMap:
    urls: dict[str, tuple[str, ...]] = {alias: (url,) for alias, url in document.systems.items()}
    for other, original in document.same_codes.items():
        if other not in urls or original not in urls:
            raise InputError(f"{name}: same-codes.{other} names a system that is not listed")
        urls[original] = (*urls[original], document.systems[other])
    for table in document.tables.__struct_fields__:
        _check_rows(table.replace("_", "-"), getattr(document.tables, table), urls, name)
    tables = document.tables
    return CodeMap(
        labs=Index(tables.lab, urls),
        not_serum=Index(tables.not_serum, urls),
        panels=Index(tables.panel, urls),
        measures=Index(tables.measure, urls),
        intakes=Index(tables.intake, urls),
        energy_goals=Index(tables.energy_goal, urls),
        diets=Index(tables.diet, urls),
        diet_energies=Index(tables.diet_energy, urls),
        drugs=Index(tables.drug, urls),
        findings=Index(tables.finding, urls),
        risks=Index(tables.risk, urls),
        severities=Index(tables.severity, urls),
        specimen_problems=Index(tables.specimen_problem, urls),
        not_blood=Index(tables.not_blood, urls),
        timings=Index(tables.timing, urls),
        inpatient_classes=Index(tables.inpatient_class, urls),
        applies_to=Index(tables.applies_to, urls),
        formulas=Index(tables.formula, urls),
        units={unit.written: unit for unit in tables.unit},
        ucum_systems=document.ucum.systems,
        words=document.words,
        hash=hashlib.sha256(msgspec.json.encode(document, order="deterministic")).hexdigest(),
        changes=changes,
    )


def _check_rows(table: str, rows: Iterable[Entry | UnitSpelling], urls: Mapping[str, Any], name: str) -> None:
    seen: set[tuple[str, ...]] = set()
    for number, row in enumerate(rows):
        if isinstance(row, Entry) and row.system not in urls:
            raise InputError(f"{name}: {table}[{number}].system: {row.system!r} is not among [systems]")
        key = (row.written,) if isinstance(row, UnitSpelling) else (row.system, row.code)
        if key in seen:
            raise InputError(f"{name}: {table}[{number}]: {' '.join(key)} stands there twice")
        seen.add(key)
