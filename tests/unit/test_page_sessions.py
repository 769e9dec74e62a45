"""Sessions end after an hour without a person's doing and after twelve hours in any case; whatever store keeps them."""

from dataclasses import FrozenInstanceError
from datetime import UTC, datetime, timedelta

import pytest

from andante.page.people import Role, Session
from andante.page.session_store import SessionsInMemory
from andante.page.sessions import IDLE, LONGEST, Sessions
from andante.writeback.answer import Decider

ADA, START = Decider(name="Ada Quill", reference="Practitioner/ada"), datetime(2031, 3, 27, 6, 30, tzinfo=UTC)
SECOND = timedelta(seconds=1)


class Watched(SessionsInMemory):
    """Remembers the keys it was given."""

    def __init__(self, *, most: int = 2000) -> None:
        super().__init__(most=most)
        self.keys: list[bytes] = []

    def put(self, key: bytes, session: Session) -> None:
        self.keys.append(key)
        super().put(key, session)


class House:
    def __init__(self, *, most: int = 2000) -> None:
        self.at, self.store = START, Watched(most=most)
        self.sessions = Sessions(now=lambda: self.at, store=self.store)


ENDS = [
    pytest.param([IDLE], True, id="an hour without a doing: still there"),
    pytest.param([IDLE + SECOND], False, id="a second more: over"),
    pytest.param([IDLE] * 12, True, id="twelve hours of doing: still there"),
    pytest.param([IDLE] * 12 + [SECOND], False, id="a second more than the longest: over"),
]


@pytest.mark.parametrize(("pauses", "is_there"), ENDS)
def test_a_session_ends(pauses: list[timedelta], is_there: bool) -> None:
    assert timedelta(hours=12) == LONGEST
    house = House()
    text = house.sessions.open(ADA, Role.DECIDE)
    found = None
    for pause in pauses:
        house.at += pause
        found = house.sessions.find(text)
    assert (found is not None) is is_there
    assert (house.store.get(house.store.keys[0]) is not None) is is_there


def test_live_updates_keep_nobody_signed_in() -> None:
    house = House()
    text = house.sessions.open(ADA, Role.VIEW)
    for _ in range(4):
        house.at += IDLE / 4
        assert house.sessions.find(text, counts=False) is not None
    house.at += SECOND
    assert house.sessions.find(text, counts=False) is None


def test_what_is_kept_gives_nobody_a_session() -> None:
    house = House()
    text = house.sessions.open(ADA, Role.ADMINISTER)
    (key,) = house.store.keys
    assert text.encode() not in key
    assert house.sessions.find(key.hex()) is None


def test_signing_out_ends_it_at_once_and_twice_is_no_error() -> None:
    house = House()
    text = house.sessions.open(ADA, Role.VIEW)
    house.sessions.close(text)
    house.sessions.close(text)
    assert house.sessions.find(text) is None


def test_who_is_present_is_who_could_still_ask() -> None:
    house = House()
    house.sessions.open(ADA, Role.VIEW)
    house.at += IDLE
    house.sessions.open(Decider(name="Otto Bell"), Role.ADMINISTER)
    assert [one.person.name for one in house.sessions.present] == ["Ada Quill", "Otto Bell"]
    house.at += SECOND
    assert [one.person.name for one in house.sessions.present] == ["Otto Bell"]
    assert house.store.get(house.store.keys[0]) is None


def test_when_there_are_too_many_the_one_used_longest_ago_goes() -> None:
    house = House(most=2)
    texts = []
    for _ in range(2):
        texts.append(house.sessions.open(ADA, Role.VIEW))
        house.at += SECOND
    assert house.sessions.find(texts[0]) is not None  # now the second was used longest ago
    house.at += SECOND
    texts.append(house.sessions.open(ADA, Role.VIEW))
    assert [house.sessions.find(text) is not None for text in texts] == [True, False, True]


def test_a_form_is_good_for_its_own_session_only() -> None:
    house = House()
    mine, other = (house.sessions.find(house.sessions.open(ADA, Role.DECIDE)) for _ in range(2))
    assert mine is not None
    assert other is not None
    assert mine.accepts(mine.form_token())
    assert not other.accepts(mine.form_token())


def test_a_session_is_not_changed_in_place() -> None:
    """A store that writes to a disk would not see it."""
    house = House()
    found = house.sessions.find(house.sessions.open(ADA, Role.VIEW))
    assert found is not None
    with pytest.raises(FrozenInstanceError):
        found.role = Role.ADMINISTER  # type: ignore[misc]
