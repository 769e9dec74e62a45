"""One search condition: how the text of a parameter is read, and what it is compared with in a resource."""

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from andante.sandbox.dates import EARLIEST, LATEST, Span, compare, parse_span
from andante.sandbox.faults import fault
from andante.sandbox.parameters import TYPES, Parameter
from andante.sandbox.store import Version

_HISTORY = re.compile(r"/_history/[^/]+$")
_PREFIXED = re.compile(r"(eq|ne|gt|lt|ge|le|sa|eb|ap)?(.+)", re.DOTALL)
_IMPLICIT = "\0implicit"  # the system of a plain code element, which carries none


@dataclass(frozen=True)
class Criterion:
    """One condition; the alternatives are OR, the criteria of a query are AND."""

    name: str
    parameter: Parameter
    alternatives: tuple[Callable[[Any], bool], ...]
    negated: bool = False

    def accepts(self, version: Version) -> bool:
        found = any(
            test(value) for value in values_of(version, self.name, self.parameter) for test in self.alternatives
        )
        return found is not self.negated


def read_criterion(name: str, modifier: str, parameter: Parameter, text: str, *, base: str) -> Criterion:
    target = parameter.target
    if parameter.kind == "reference" and modifier in TYPES and target in (None, modifier):
        target, modifier = modifier, ""
    negated = parameter.kind == "token" and modifier == "not"
    if modifier and not negated:
        raise fault(400, "not-supported", f"the modifier :{modifier} of {name} is not supported")
    test = _TESTS[parameter.kind]
    try:
        alternatives = tuple(test(part, target, base) for part in _split(text))
    except ValueError as error:
        raise fault(400, "invalid", f"{name}={text}: {error}") from None
    return Criterion(name, parameter, alternatives, negated)


def _token_test(text: str, _target: str | None, _base: str) -> Callable[[Any], bool]:
    """`code`, `system|code`, `system|` or `|code`. A plain code element has no system to compare."""
    head, *rest = map(_unescaped, re.split(r"(?<!\\)\|", text, maxsplit=1))
    if not rest:
        return lambda value: bool(value[1] == head)
    code = rest[0]
    return lambda value: (not code or value[1] == code) and value[0] in (head, _IMPLICIT)


def _reference_test(text: str, target: str | None, base: str) -> Callable[[Any], bool]:
    """`Type/id`, a bare id, or the address of a resource on this server."""
    wanted = _unescaped(text).removeprefix(f"{base}/")
    if "/" in wanted:
        if target and "://" not in wanted and not wanted.startswith(f"{target}/"):
            raise ValueError(f"expected a reference to {target}")
        return lambda value: _relative(value[0], base) == wanted
    if target:
        return lambda value: _relative(value[0], base) == f"{target}/{wanted}"
    return lambda value: _relative(value[0], base).rpartition("/")[2] == wanted


def _date_test(text: str, _target: str | None, _base: str) -> Callable[[Any], bool]:
    match = _PREFIXED.fullmatch(text)
    assert match is not None  # noqa: S101 - the pattern takes any text, and empty text never comes here
    prefix, wanted = match[1] or "eq", parse_span(match[2])
    compare(prefix, wanted, wanted)  # an unsupported prefix is refused now, not at the first match
    return lambda value: compare(prefix, value, wanted)


def _uri_test(text: str, _target: str | None, _base: str) -> Callable[[Any], bool]:
    wanted = _unescaped(text)
    return lambda value: bool(value[0] == wanted)


_TESTS = {"token": _token_test, "reference": _reference_test, "date": _date_test, "uri": _uri_test}


def values_of(version: Version, name: str, parameter: Parameter) -> tuple[Any, ...]:
    """What `parameter` compares in this version; worked out once, since a version never changes."""
    if name not in version.memo:
        read = _READERS[parameter.kind]
        elements = (element for path in parameter.paths for element in _walk(version.body, path.split(".")))
        values = tuple(value for element in elements for value in read(element))
        if parameter.kind == "reference" and parameter.target:
            # Keep only references to the one type; a bare address elsewhere cannot be told and is kept.
            values = tuple(v for v in values if f"{parameter.target}/" in v[0])
        version.memo[name] = values
    values = version.memo[name]
    assert isinstance(values, tuple)  # noqa: S101 - for the type checker
    return values


def _walk(element: Any, path: list[str]) -> Iterator[Any]:
    if isinstance(element, list):
        for item in element:
            yield from _walk(item, path)
    elif not path:
        if element is not None:
            yield element
    elif isinstance(element, dict):
        yield from _walk(element.get(path[0]), path[1:])


def _read_tokens(element: Any) -> Iterator[tuple[str | None, str]]:
    match element:
        case bool():
            yield _IMPLICIT, str(element).lower()
        case str():
            yield _IMPLICIT, element
        case {"coding": codings}:
            for coding in codings:
                yield from _read_tokens(coding)
        case {"code": code}:
            yield element.get("system", ""), code
        case {"value": value}:
            yield element.get("system", ""), value


def _read_references(element: Any) -> Iterator[tuple[str]]:
    if reference := element.get("reference"):
        yield (_HISTORY.sub("", reference),)


def _read_spans(element: Any) -> Iterator[Span]:
    """A date, a Period with open ends, or a Timing with events and bounds."""
    match element:
        case str():
            yield parse_span(element)
        case {"start": _} | {"end": _}:
            start = parse_span(element["start"]).start if "start" in element else EARLIEST
            yield Span(start, parse_span(element["end"]).end if "end" in element else LATEST)
        case dict():
            for event in element.get("event", ()):
                yield from _read_spans(event)
            bounds = element.get("repeat", {}).get("boundsPeriod")
            if bounds:
                yield from _read_spans(bounds)


def _read_uris(element: Any) -> Iterator[tuple[str]]:
    yield (element,)


_READERS: dict[str, Callable[[Any], Iterator[Any]]] = {
    "token": _read_tokens,
    "reference": _read_references,
    "date": _read_spans,
    "uri": _read_uris,
}


def _relative(reference: str, base: str) -> str:
    return reference.removeprefix(f"{base}/")


def _split(text: str) -> list[str]:
    """The OR list; a comma that is meant is escaped."""
    return re.split(r"(?<!\\),", text)


def _unescaped(text: str) -> str:
    return re.sub(r"\\([,|$\\])", r"\1", text)
