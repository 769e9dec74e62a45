"""The names of decisions and evidence: the same for the same, on every machine, whatever the clock says."""

from dataclasses import replace
from datetime import datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from andante.writeback.identity import Identity, advice_decision, digest, evidence, notice_decision
from builders import DRAWN, NOW, a_fact, a_notice, an_assessment


def test_a_name_is_the_same_on_every_machine() -> None:
    # Written down once: a change here makes every open suggestion of every site look like another one.
    assert digest("advice", "Patient/p1", ["a", None]) == "59a5fc011083de2591b71b30"


def test_the_clock_does_not_enter_a_name() -> None:
    assert advice_decision(an_assessment()) == advice_decision(an_assessment(now=NOW + timedelta(days=2)))


@given(decision=st.binary(min_size=1), evidence=st.binary(min_size=1), again=st.integers(1, 999_999))
def test_an_identifier_can_be_read_back(decision: bytes, evidence: bytes, again: int) -> None:
    identity = Identity(digest(decision.hex()), digest(evidence.hex()), again)
    assert Identity.parse(identity.value) == identity
    assert identity.value.startswith(identity.decision)


@pytest.mark.parametrize("value", ["", ".", "x.y", "A" * 24 + "." + "b" * 24, "a" * 24, f"{'a' * 24}.{'b' * 24}.0"])
def test_what_is_not_one_of_our_identifiers_is_not_read_as_one(value: str) -> None:
    assert Identity.parse(value) is None


def test_an_instant_counts_not_its_zone() -> None:
    vienna = DRAWN.astimezone(timezone(timedelta(hours=1)))
    assert evidence([a_fact()]) == evidence([a_fact(when=vienna)])


@pytest.mark.parametrize(
    "changed",
    [
        a_fact(value="0.63 mmol/L"),
        a_fact(when=datetime(2026, 11, 25, 5, 11, tzinfo=DRAWN.tzinfo)),
        a_fact(source="Observation/po4-2/_history/1"),
        a_fact(label="magnesium"),
    ],
)
def test_evidence_is_new_when_what_it_says_is_new(changed: object) -> None:
    assert evidence([a_fact()]) != evidence([changed])  # type: ignore[list-item]


def test_patients_and_stays_never_share_a_decision() -> None:
    one = an_assessment()
    names = {
        advice_decision(one),
        advice_decision(replace(one, patient="Patient/p2")),
        advice_decision(replace(one, encounter="Encounter/e2")),
        notice_decision(one, a_notice()),
        notice_decision(replace(one, patient="Patient/p2"), a_notice()),
    }
    assert len(names) == 5


def test_a_name_shows_nothing_of_the_patient() -> None:
    value = Identity(advice_decision(an_assessment()), evidence([a_fact()])).value
    assert "p1" not in value
    assert "phosphate" not in value
