"""The same validator that passes what we write finds each planted fault, at the place where it was planted.

`faults.py` is the list. What R4 itself forbids must be found without any profile of ours; what our profiles forbid must
be sound R4, so that it is the profile that finds it.
"""

import json

import pytest
from planted import FAULTS, Fault
from profiles import answer_profiles_of, profiles_of, untold
from published_examples import ANSWERED, examples
from validating import Issue, Validator

SOUND = dict(examples())
TEXT = json.dumps(SOUND["Task-advice"])


def profiles(name: str) -> tuple[str, ...]:
    return (answer_profiles_of if name in ANSWERED else profiles_of)(SOUND[name])


def at(issues: tuple[Issue, ...], where: str) -> list[Issue]:
    return [issue for issue in issues if where in f"{issue.location} {issue.message}"]


@pytest.mark.parametrize("name", SOUND)
def test_the_sound_originals_pass(validator: Validator, name: str) -> None:
    assert untold(validator.issues(SOUND[name])) == []
    assert untold(validator.issues(SOUND[name], *profiles(name))) == []


@pytest.mark.parametrize("fault", [f for f in FAULTS if f.by == "core"], ids=lambda fault: f"{fault.on}: {fault.name}")
def test_what_r4_forbids_is_found(validator: Validator, fault: Fault) -> None:
    found = validator.errors(fault.planted(SOUND[fault.on]))
    assert at(found, fault.where), found


@pytest.mark.parametrize(
    "fault", [f for f in FAULTS if f.by == "profile"], ids=lambda fault: f"{fault.on}: {fault.name}"
)
def test_what_our_profiles_forbid_is_found(validator: Validator, fault: Fault) -> None:
    body = fault.planted(SOUND[fault.on])
    assert not validator.errors({name: part for name, part in body.items() if name != "meta"})  # it may name a profile
    found = validator.errors(body, *profiles(fault.on))
    assert at(found, fault.where), found


@pytest.mark.parametrize(
    "text",
    [
        TEXT[:-1],
        TEXT[: len(TEXT) // 2],
        TEXT + "}",
        TEXT.replace('"intent": "proposal"', '"intent": proposal'),
        TEXT.replace('"Task"', '"Advice"', 1),
        TEXT.replace('"resourceType": "Task", ', "", 1),
        TEXT.replace('"intent": "proposal"', '"intent": "proposal", "intent": "order"'),
        "[]",
        "null",
    ],
    ids=["last-brace-missing", "cut-off", "more-after-it", "bare-word", "type-of-nobody", "no-type", "name-twice",
         "a-list", "null"],
)  # fmt: skip
def test_what_is_no_resource_is_refused(validator: Validator, text: str) -> None:
    assert validator.errors(text)


def test_faults_are_planted_in_everything_we_write_and_each_changes_something() -> None:
    assert {(fault.on, fault.by) for fault in FAULTS} >= {
        (name, by)
        for name in SOUND.keys() - {"Task-taken-back", "Subscription-laboratory"}
        for by in ("core", "profile")
    }
    assert len({(fault.on, fault.name) for fault in FAULTS}) == len(FAULTS) >= 25
    for fault in FAULTS:
        assert fault.planted(SOUND[fault.on]) != SOUND[fault.on], fault.name
