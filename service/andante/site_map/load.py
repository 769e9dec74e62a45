"""Reading the site map: every fault with its path when it is checked, the first one when the service starts."""

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from andante.chart.codes import CodeMap, faults_in_rows, lay_over, load_codes, read_toml
from andante.domain.advice import Priority, Tell
from andante.errors import InputError
from andante.site_map.sections import Sections
from andante.writeback.site import Escalation

_CODES = frozenset({"systems", "ucum", "tables", "words", "remove"})


@dataclass(frozen=True, kw_only=True)
class SiteMap:
    """What the site map says; without a file, what comes with the package and nobody in particular to tell."""

    codes: CodeMap
    sections: Sections

    @property
    def routing(self) -> Mapping[Tell, str]:
        return self.sections.routing

    @property
    def ward_routing(self) -> Mapping[str, Mapping[Tell, str]]:
        return {ward.name: ward.routing for ward in self.sections.ward if ward.routing}

    @property
    def escalation(self) -> Mapping[Priority, Escalation]:
        steps = self.sections.escalation.items()
        return {
            priority: Escalation(after=timedelta(minutes=step.after_minutes), to=step.to) for priority, step in steps
        }


def load(path: Path | None, *, canonical: str | None = None) -> SiteMap:
    """The site map of a file. `canonical` is the base of our own code systems.

    Raises InputError with the first fault, and says how many more there are.
    """
    if path is None:
        return SiteMap(codes=load_codes(canonical=canonical), sections=Sections())
    tree = read_toml(path)
    faults = list(_faults(tree, path.name, canonical))
    if faults:
        more = f" (and {len(faults) - 1} more: see `andante site check`)" if len(faults) > 1 else ""
        raise InputError(f"{faults[0]}{more}")
    sections = Sections.model_validate(_sections(tree))
    wards = {ward.location: ward.name for ward in sections.ward}
    return SiteMap(codes=lay_over(_codes(tree), path.name, canonical=canonical, wards=wards), sections=sections)


def faults_of(path: Path, *, canonical: str | None = None) -> tuple[str, ...]:
    """Every fault of the file, one line each with the path of the entry. Raises InputError for what is no TOML."""
    return tuple(_faults(read_toml(path), path.name, canonical))


def _faults(tree: dict[str, Any], name: str, canonical: str | None) -> Iterator[str]:
    try:
        sections = Sections.model_validate(_sections(tree))
    except ValidationError as error:
        for fault in error.errors(include_input=False, include_url=False):
            yield f"{name}: {_path(fault['loc'])}: {fault['msg'].removeprefix('Value error, ')}"
    else:
        for label, values in (
            ("location", [ward.location for ward in sections.ward]),
            ("name", [ward.name for ward in sections.ward]),
        ):
            for value, count in Counter(values).items():
                if count > 1:
                    yield f"{name}: ward: the {label} {value} stands there {count} times"
    rows = faults_in_rows(tree, name)
    yield from rows
    if not rows:
        try:
            lay_over(_codes(tree), name, canonical=canonical)
        except InputError as error:
            yield str(error)


def _codes(tree: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in tree.items() if key in _CODES}


def _sections(tree: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in tree.items() if key not in _CODES}


def _path(places: tuple[int | str, ...]) -> str:
    """`ward[1].routing.dietitian`, as it stands in the file."""
    text = ""
    for place in places:
        if isinstance(place, int):
            text += f"[{place}]"
        elif place != "[key]":
            text += f".{place}" if text else str(place)
    return text or "the file"
