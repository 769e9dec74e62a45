"""A small, always equal share of what the fuzzers do, every find of theirs again, and whether they would find at all.

`deploy/run fuzz` runs them for long, guided by the code that inputs reach; see shared/docs/hostile-input.md.
"""

import io
import json
from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from random import Random
from typing import Any

import pytest
from mutator import Mutator, written
from target import Target, Violated
from targets import TARGETS

from andante import log
from commands import kept_logging

FINDS = Path(__file__).parent / "finds"
INPUTS = {"charts": 60, "less-to-read": 80, "cds-hooks": 60, "answers": 150}
USUALLY = 300


@pytest.fixture(autouse=True)
def quiet() -> Iterator[None]:
    with kept_logging():
        log.start("CRITICAL", io.StringIO())
        yield


@pytest.mark.parametrize("target", TARGETS.values(), ids=TARGETS.keys())
def test_what_it_begins_with_is_no_defect(target: Target) -> None:
    assert target.texts
    for text in target.texts:
        target.run(text)


@pytest.mark.parametrize("target", TARGETS.values(), ids=TARGETS.keys())
def test_a_fixed_share_of_inputs_shows_no_defect(target: Target) -> None:
    for text in inputs(target, INPUTS.get(target.name, USUALLY)):
        target.run(text)


def inputs(target: Target, count: int) -> Iterator[bytes]:
    dice = Random(target.name)
    for seed in range(count):
        start = dice.choice(target.texts)
        yield target.mutator.mutate(start, seed, target.longest) if target.by_structure else spoilt(start, dice)


def spoilt(text: bytes, dice: Random) -> bytes:
    found = bytearray(text)
    for _ in range(3):
        found[dice.randrange(len(found))] = dice.randrange(256)
    return bytes(found)


@pytest.mark.parametrize("find", sorted(FINDS.iterdir()), ids=lambda path: path.stem)
def test_what_was_found_once_is_not_found_again(find: Path) -> None:
    """Each file is named after its target and what went wrong with it."""
    name = max((name for name in TARGETS if find.stem.startswith(f"{name}--")), key=len)
    TARGETS[name].run(find.read_bytes())


# --------------------------------------------------------------------------- would they find anything


PLANTED: dict[str, tuple[str, str, Any]] = {
    "anybody may notify": ("notifications", "andante.triggers.notifications._is_the_server", lambda *_: True),
    "a token is good for ever": ("tokens", "andante.triggers.cds_hooks.caller.Gatekeeper._use_once", lambda *_: None),
    "an identity is for everybody": (
        "identities",
        "andante.fhir_http.identity.CodeIDToken.validate",
        lambda *_, **__: 0,
    ),
    "links lead anywhere": ("links", "andante.fhir_http.origin._same_place", lambda *_: True),
    "what cannot be read is nothing": ("less-to-read", "andante.chart.to_picture._MUST_BE_READ", frozenset()),
    "one bad resource costs the file": ("charts", "andante.chart.decoding.DECODE_ERRORS", ()),
    "a resource that crashes": ("answers", "andante.fhir_http.read.type_of", lambda raw: {}[bytes(raw)]),
    "any host gets assertions": ("grants", "andante.fhir_http.smart_discovery._place", lambda parts: ""),
    "cards order": ("cds-hooks", "andante.triggers.cds_hooks.answers.patient_card", lambda *_, **__: ORDERING),
    "feedback crashes": ("cds-feedback", "andante.triggers.cds_hooks.routes.read_feedback", lambda *_, **__: 1 / 0),
}
ORDERING = {"uuid": "x", "summary": "x", "suggestions": []}


@pytest.mark.parametrize(("name", "where", "wrong"), PLANTED.values(), ids=PLANTED.keys())
def test_a_planted_defect_is_found(name: str, where: str, wrong: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    target = TARGETS[name]
    monkeypatch.setattr(where, wrong)
    with pytest.raises((Violated, ArithmeticError, LookupError, TypeError, ValueError)):
        run_all(target)


def run_all(target: Target) -> None:
    for text in chain(inputs(target, 10), target.texts, inputs(target, 1_000)):
        target.run(text)


def test_every_target_has_a_planted_defect() -> None:
    assert {name for name, _, _ in PLANTED.values()} == set(TARGETS)


def test_the_mutator_is_always_the_same_and_always_another() -> None:
    start = b'{"resourceType": "Patient", "birthDate": "1961-03-04", "n": 1.5, "list": [{"a": "x"}]}'
    mutator = Mutator([start])
    once = [mutator.mutate(start, seed) for seed in range(300)]
    assert once == [Mutator([start]).mutate(start, seed) for seed in range(300)]
    assert len(set(once)) > 150
    assert sum(_is_json(text) for text in once) > 200
    assert all(len(mutator.mutate(start, seed, 90)) <= 90 for seed in range(300))


def _is_json(text: bytes) -> bool:
    try:
        json.loads(text)
    except ValueError:
        return False
    return True


def test_what_is_written_bare_is_no_text_any_more() -> None:
    assert written({"a": "\N{SNOWMAN}1e999999", "b": "x"}) == b'{"a": 1e999999, "b": "x"}'
