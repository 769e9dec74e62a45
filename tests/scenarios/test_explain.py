"""Every number of an argument traces to a resource version, to a protocol entry, or to a sum of such numbers.

Checked over every round of every fictional patient: the sentences of the derivation are taken apart, and each sum that
stands beside them is worked out again here.
"""

import re
from collections.abc import Iterable, Iterator
from decimal import Decimal
from pathlib import Path

import pytest
from stories import assess, hospital, rows_of, stories

from andante.domain.advice import Assessment, Reason, Working
from andante.domain.protocol import Number
from andante.rules.phrases import at

STORIES = [pytest.param(story, id=story.name) for story in stories()]

_INSTANT = re.compile(
    r"(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun) \d{1,2} (?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec) \d\d:\d\d"
)
_NUMBER = re.compile(r"(?<![\w.])\d+(?:\.\d+)?")
# Constants of arithmetic and of units: hours and minutes, percent, mg per g, cm per inch, m per cm.
_CONSTANTS = {Decimal(n) for n in ("24", "60", "100", "1000", "2.54", "0")}


def numbers(text: str) -> Iterator[Decimal]:
    for found in _NUMBER.findall(_INSTANT.sub(" ", text)):
        yield Decimal(found)


def instants(text: str) -> Iterator[str]:
    yield from _INSTANT.findall(text)


class Known:
    """What a reader can look up: charted values and instants, protocol entries, and sums of these."""

    def __init__(self, said: Assessment) -> None:
        zone = hospital().zone
        self.numbers = set(_CONSTANTS)
        self.instants = {at(said.now, zone)}
        for reason in said.derivation:
            for fact in reason.facts:
                assert fact.source or fact.label in ("scheduled increase",), f"{reason.rule}: {fact} has no source"
                self.numbers |= set(numbers(fact.value))
                self.instants |= set(instants(fact.value))
                if fact.when is not None:
                    self.instants.add(at(fact.when, zone))
            for cited in reason.cites:
                if isinstance(cited, Number):
                    self.numbers.add(cited.value)
        self.lines = tuple(dict.fromkeys(line for r in said.derivation for line in r.working))

    def has(self, value: Decimal) -> bool:
        """Known, or a known number (or sum) rounded as it is shown."""
        places = Decimal(1).scaleb(value.as_tuple().exponent)  # type: ignore[arg-type]
        return any(value in (known, _rounded(known, places)) for known in self.numbers)


def _rounded(value: Decimal, places: Decimal) -> Decimal:
    try:
        return value.quantize(places, rounding="ROUND_HALF_UP")
    except ArithmeticError:
        return value


def evaluate(terms: str) -> Decimal | None:
    """The value of a line's terms; None where they are words."""
    plain = _INSTANT.sub("", terms).split(",")[0]
    plain = re.sub(r"([\d)]) ?%", r"\1 ÷ 100", plain)
    plain = re.sub(r"[a-zA-Z/²]+(?: of [a-z ]+)?", " ", plain).replace("×", "*").replace("÷", "/").replace("−", "-")
    if not re.fullmatch(r"[\d.\s*/()+-]*\d[\d.\s*/()+-]*", plain) or re.search(r"\d\s+[\d(]", plain):
        return None
    exact = re.sub(r"\d+(?:\.\d+)?", lambda m: f"Decimal('{m[0]}')", plain)
    return Decimal(eval(exact, {"Decimal": Decimal}))  # our own text, checked above


def check_line(line: Working, known: Known) -> Iterator[str]:
    for value in numbers(line.terms):
        if not known.has(value):
            yield f"{value} in the terms of {line}"
    for instant in instants(line.terms):
        if instant not in known.instants:
            yield f"{instant} in the terms of {line}"
    worth = evaluate(line.terms)
    shown = list(numbers(line.result))
    if worth is None or not shown or line.terms.endswith("as it is read"):  # conversions are tried against pint
        return
    rounded_down = "rounded down" in line.terms
    place = Decimal(1).scaleb(shown[0].as_tuple().exponent)  # type: ignore[arg-type]
    if rounded_down and not worth - 5 < shown[0] <= worth + Decimal("0.0001"):
        yield f"{line} comes to {worth}"
    if not rounded_down and abs(worth - shown[0]) > max(place * Decimal("0.51"), abs(worth) * Decimal("0.000001")):
        yield f"{line} comes to {worth}"


def learn(lines: Iterable[Working], known: Known) -> None:
    """Results of sums become known; a sum may build on another, so until nothing new comes."""
    pending = list(lines)
    while True:
        ready = [
            line
            for line in pending
            if all(known.has(n) for n in numbers(line.terms)) and set(instants(line.terms)) <= known.instants
        ]
        if not ready:
            return
        for line in ready:
            worth = evaluate(line.terms)
            known.numbers |= {*numbers(line.result), *([worth] if worth is not None else [])}
            known.instants |= set(instants(line.result))
            pending.remove(line)


def untraced(reason: Reason, known: Known) -> Iterator[str]:
    counts = {
        Decimal(n) for n in range(1, len(reason.facts) + 1)
    }  # "in 3 draws running": as many facts stand beside it
    for value in numbers(reason.sentence):
        if value not in counts and not known.has(value):
            yield f"{reason.rule}: {value} in {reason.sentence!r}"
    for instant in instants(reason.sentence):
        if instant not in known.instants:
            yield f"{reason.rule}: {instant} in {reason.sentence!r}"


def gaps_in(said: Assessment) -> list[str]:
    known = Known(said)
    learn(known.lines, known)
    found = [gap for line in known.lines for gap in check_line(line, known)]
    return found + [gap for reason in said.derivation for gap in untraced(reason, known)]


@pytest.mark.parametrize("story", STORIES)
def test_every_number_of_every_argument_can_be_traced(story: Path) -> None:
    found = []
    for row in rows_of(story):
        found += [f"{row.at}: {gap}" for gap in gaps_in(assess(story, hospital().instant(row.at)))]
    assert found == []
