"""Invariants 1, 2 and 3 over the whole discretised state space, under both protocols.

`ANDANTE_TEST_WHOLE_SPACE=1` visits every state, in minutes on two cores; otherwise every n-th block, always the same.
"""

import os
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import astuple
from itertools import product

import pytest
import space

from andante.rules import evaluate
from pictures import ALL, NOW

WHOLE = os.environ.get("ANDANTE_TEST_WHOLE_SPACE") == "1"
EVERY = 1 if WHOLE else 41  # coprime to the size of every axis, so that all of their values are met


def test_no_state_of_the_whole_space_is_fed_more_than_its_evidence_allows(capsys: pytest.CaptureFixture[str]) -> None:
    blocks = space.BLOCKS[::EVERY]
    with ProcessPoolExecutor() as pool:
        found = list(pool.map(space.search, blocks, chunksize=4 if WHOLE else 1))
    states, compared = sum(f.states for f in found), sum(f.compared for f in found)
    wrong = [v for f in found for v in f.violations]
    codes = sum((f.codes for f in found), Counter())
    with capsys.disabled():
        whole = len(space.BLOCKS) * space.STATES_IN_A_BLOCK
        print(f"\n{states:,} of {whole:,} states, {compared:,} pairs of which one is worse, {len(wrong)} violations")  # noqa: T201
        print(", ".join(f"{code} {count:,}" for code, count in codes.most_common()))  # noqa: T201
    assert states == len(blocks) * space.STATES_IN_A_BLOCK
    assert wrong == []
    # Otherwise the check could pass by never advising anything.
    assert {"start", "advance", "stay", "at-goal", "hold", "halve", "urgent-review"} <= set(codes)


def test_the_sample_meets_every_value_of_every_axis() -> None:
    sample = space.BLOCKS[::41]
    for values in zip(*(astuple(block) for block in sample), strict=True):
        assert set(values) in [set(axis) for axis in (space.PROTOCOLS, space.COURSES, space.ENERGIES, space.HISTORIES)]


def test_a_state_taken_apart_says_what_its_whole_chart_says() -> None:
    """The search works each part of a chart out once; here the whole chart is assessed, as a round does."""
    triples = list(product(space.STATES, repeat=len(ALL)))
    for number, block in enumerate(space.BLOCKS[::97]):
        taken_apart = space.decisions(block)
        for states in triples[number % 23 :: 211]:
            advice = evaluate(space.chart_of(block, states), space.protocol_of(block), NOW).advice
            sized = taken_apart[states].sized
            assert (advice.rule, advice.kcal) == (taken_apart[states].rule, sized.kcal if sized else None)
