"""Thiamine and the multivitamin: running, missing, too low, ending early. Feeding began 40 h ago, or has not."""

import pytest

from andante.domain.advice import Assessment, Tell
from andante.domain.picture import OrderState, Vitamin, VitaminDose, VitaminOrder
from pictures import advise, draw, feed, h, nice, planned, vitamin

THIAMINE, MULTI = Vitamin.THIAMINE, Vitamin.MULTIVITAMIN
FED, DRAWN = feed("30", 40), (draw(62), draw(5))
RUNNING = vitamin(MULTI)


def gaps(said: Assessment) -> list[str]:
    return [n.topic for n in said.notices if n.code == "micronutrient"]


ROWS = [
    pytest.param((), ["thiamine-missing"], id="no thiamine"),
    pytest.param((vitamin(THIAMINE, "100"),), [], id="100 mg a day exactly"),
    pytest.param((vitamin(THIAMINE, "99"),), ["thiamine-too-low"], id="99 mg a day is too low"),
    pytest.param((vitamin(THIAMINE, "50"), vitamin(THIAMINE, "50")), [], id="two orders add up"),
    pytest.param((vitamin(THIAMINE, None),), ["thiamine-unreadable"], id="no readable dose"),
    pytest.param((vitamin(THIAMINE, "100"), vitamin(THIAMINE, None)), [], id="enough without the unreadable one"),
    # wanted for 7 days from the first feed, until 128 h from now; the last daily dose covers its day: 104 h
    pytest.param((vitamin(THIAMINE, "100", end=-104),), [], id="ends on the last day"),
    pytest.param((vitamin(THIAMINE, "100", end=-103),), ["thiamine-ending-early"], id="ends a day early"),
    pytest.param((vitamin(THIAMINE, "100", end=1),), ["thiamine-missing"], id="has ended"),
    pytest.param((vitamin(THIAMINE, "100", start=-2),), [], id="today's dose is still to come"),
    pytest.param((vitamin(THIAMINE, "100", start=-25),), ["thiamine-missing"], id="begins only tomorrow"),
    pytest.param(
        (vitamin(THIAMINE, "100", end=-30), vitamin(THIAMINE, "100", start=-30)),
        [],
        id="a later order takes over where one ends",
    ),
    pytest.param(
        (vitamin(THIAMINE, "100", end=-30), vitamin(THIAMINE, "100", start=-60)),
        ["thiamine-ending-early"],
        id="a later order leaves a gap of more than a day",
    ),
]


BEFORE = [
    # thiamine before the first feed: nobody knows yet when it comes
    pytest.param((vitamin(THIAMINE, "100"),), [], id="without an end"),
    pytest.param((vitamin(THIAMINE, "300", end=-1.5),), ["thiamine-ending-early"], id="ends in 90 minutes"),
    pytest.param((vitamin(THIAMINE, "300", end=-23.9),), ["thiamine-ending-early"], id="ends within a day"),
    pytest.param((vitamin(THIAMINE, "300", end=-24),), [], id="ends in a day"),
    pytest.param(
        (vitamin(THIAMINE, "300", end=-1.5), vitamin(THIAMINE, "100", start=-20)), [], id="another order takes over"
    ),
    pytest.param((vitamin(THIAMINE, "300", end=1),), ["thiamine-missing"], id="has ended"),
]


@pytest.mark.parametrize(("orders", "expected"), BEFORE)
def test_thiamine_that_ends_before_feeding_is_not_thiamine_with_the_feed(
    orders: tuple[VitaminOrder, ...], expected: list[str]
) -> None:
    said = advise(planned(), draw(5), orders)
    assert gaps(said) == expected
    early = "Thiamine ends Thu 6 Mar 09:30, and nothing continues it; wanted 100 mg daily for 7 days, from before the "
    if orders[-1].end == h(-1.5):
        assert early + "first feed on." in said.advice.because


@pytest.mark.parametrize(("orders", "expected"), ROWS)
def test_thiamine_while_feeding(orders: tuple[VitaminOrder, ...], expected: list[str]) -> None:
    assert gaps(advise(FED, DRAWN, orders, RUNNING)) == expected


def test_thiamine_is_wanted_before_the_first_feed_the_multivitamin_with_it() -> None:
    assert gaps(advise(planned(), draw(5))) == ["thiamine-missing"]
    assert gaps(advise(FED, DRAWN)) == ["thiamine-missing", "multivitamin-missing"]


DAYS = [
    # since when fed (h), which is still missing: thiamine for 7 days, the multivitamin for 10
    pytest.param(167.9, ["thiamine-missing", "multivitamin-missing"], id="just inside 7 days"),
    pytest.param(168, ["multivitamin-missing"], id="after 7 days"),
    pytest.param(239.9, ["multivitamin-missing"], id="just inside 10 days"),
    pytest.param(240, [], id="after 10 days"),
]


@pytest.mark.parametrize(("since", "expected"), DAYS)
def test_the_days_are_counted_from_the_first_feed(since: float, expected: list[str]) -> None:
    assert gaps(advise(feed("30", since), draw(since + 2), draw(5))) == expected


def test_nice_wants_more_thiamine_for_longer() -> None:
    said = advise(feed("30", 200), draw(202), draw(5), vitamin(THIAMINE, "199"), RUNNING, protocol=nice())
    assert gaps(said) == ["thiamine-too-low"]
    assert gaps(advise(FED, DRAWN, vitamin(THIAMINE, "200"), RUNNING, protocol=nice())) == []


def test_a_dose_without_an_order_is_said() -> None:
    dose = VitaminDose(vitamin=THIAMINE, given=h(4), source="MedicationAdministration/1")
    said = advise(FED, DRAWN, RUNNING, vitamin_doses=(dose,))
    note = next(n for n in said.notices if n.code == "micronutrient")
    assert "a dose was given within the last day, but no order continues it" in note.text
    assert note.tell is Tell.PRESCRIBER


def test_an_order_on_hold_is_not_running() -> None:
    held = VitaminOrder(vitamin=THIAMINE, state=OrderState.PAUSED, daily_mg=None, source="MedicationRequest/9")
    assert gaps(advise(FED, DRAWN, held, RUNNING)) == ["thiamine-missing"]
