"""What was documented as given or eaten, weights beside each other, a chart in whatever order: ties and both sides.

Records of volume follow each other within 2 h, meals within 24 h; a record of less than 6 h says little of a day.
60 kg; a feed of 30 mL/h at 1 kcal/mL brings 720 kcal/day.
"""

# ruff: noqa: E501 - a row is a chart, and is read across

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from andante.domain.picture import Firmness, Intake, IntakeKind, Measurement, OrderState, Person
from andante.rules.body import Body, examine
from andante.rules.canonical import in_fixed_offset, settle
from andante.rules.course import Course
from andante.rules.delivered import Accounts, look_up
from andante.rules.phrases import at
from andante.rules.situation import take_in
from pictures import (
    NOW,
    K,
    P,
    advise,
    aspen,
    bmi,
    bolus,
    d,
    delivered,
    diet,
    draw,
    feed,
    h,
    height,
    lab,
    nil_by_mouth,
    picture,
    planned,
    propofol,
    rate,
    weight,
)

ENERGY, FORMULA, MEALS = IntakeKind.ENERGY, IntakeKind.FORMULA, IntakeKind.SHARE_OF_MEALS
BERLIN = ZoneInfo("Europe/Berlin")
FED = feed("30", 60)


def record(amount: str | None, start: float = 24, end: float = 0, kind: IntakeKind = FORMULA, **more: Any) -> Intake:
    fields: dict[str, Any] = {"source": "Observation/1", "firmness": Firmness.FIRM, **more}
    return Intake(kind=kind, amount=None if amount is None else d(amount), start=h(start), end=h(end), **fields)


def doubtful(*args: Any, **more: Any) -> Intake:
    return record(*args, firmness=Firmness.PROVISIONAL, **more)


def accounts(*items: object) -> Accounts:
    chart = picture(*items)
    return look_up(chart, aspen(), NOW, orders=list(chart.energy_orders))


def course(*items: object) -> Course:
    return take_in(picture(*items, draw(5)), aspen(), NOW).course


NEWEST = [
    # records beside the feed, the amounts that the newest account is made of, kcal/day, percent of what was ordered
    pytest.param((record("700"),), ("700",), "700", "97.2", id="one of 24 h"),
    pytest.param((record("700"), record("500")), ("500",), "500", "69.4", id="of two volumes of the same hours the smaller"),
    pytest.param((record("500"), record("700")), ("500",), "500", "69.4", id="in whatever order"),
    pytest.param((record("0"), record("0.5")), ("0",), "0", "0", id="nothing is less than half a mL"),
    pytest.param((record("700", kind=ENERGY), record("500", kind=ENERGY)), ("700",), "700", "97.2", id="of two energies of the same hours the larger"),
    pytest.param((record("300", 12), record("700")), ("700",), "700", "97.2", id="of two that end together the longer"),
    pytest.param((record("300", 24, 12), record("350", 12, 0)), ("300", "350"), "650", "90.3", id="two that follow each other"),
    pytest.param((record("300", 24, 14), record("300", 12, 0)), ("300", "300"), "600", "83.3", id="2 h apart"),
    pytest.param((record("300", 24, 14.1), record("300", 12, 0)), ("300",), "600", "83.3", id="more than 2 h apart: the newer alone"),
    pytest.param((record("400", 24, 10), record("300", 12, 0)), ("300",), "600", "83.3", id="overlapping: the newer alone"),
    pytest.param((record("720", 47, 24), record("300", 24, 12), record("350", 12, 0)), ("300", "350"), "650", "90.3", id="a day is enough"),
    pytest.param((record("300", 35, 23.5), record("300", 23.5, 12), record("300", 12, 0.5)), ("300", "300"), "626.1", "87", id="and 23 h are a day: the clocks may go forward"),
    pytest.param((record("300", 36, 23.4), record("300", 23.4, 12), record("300", 12, 0.5)), ("300", "300", "300"), "608.5", "84.5", id="a few minutes less are none"),
    pytest.param((record("180", 6, 0),), ("180",), "720", "100", id="6 h"),
    pytest.param((record("180", 5.9, 0),), None, None, None, id="less than 6 h"),
    pytest.param((record("700", 48, 24),), ("700",), "700", "97.2", id="ended a day ago"),
    pytest.param((record("700", 48, 24.1),), None, None, None, id="ended more than a day ago"),
    pytest.param((record("700", 20, -1),), None, None, None, id="ends in the future"),
    pytest.param((record("700", 20, 20),), None, None, None, id="of no length"),
    pytest.param((record("-1"),), None, None, None, id="negative"),
    pytest.param((record(None),), None, None, None, id="unreadable"),
    pytest.param((doubtful("700"),), None, None, None, id="not final"),
    pytest.param((record("300", 24, 2), doubtful("700", 20, 1)), ("300",), "327.3", "45.5", id="not final, and newer"),
    pytest.param((record("700", kind=IntakeKind.ALL_FLUID),), None, None, None, id="all fluid: no energy can be taken from it"),
    pytest.param((record("700"), record("900", kind=ENERGY)), ("700",), "700", "97.2", id="volume and energy of the same hours: the volume"),
    pytest.param((record("700", 24, 2), record("900", 24, 1, kind=ENERGY)), ("900",), "939.1", "130.4", id="energy that ends later"),
]  # fmt: skip


@pytest.mark.parametrize(("records", "amounts", "kcal", "percent"), NEWEST)
def test_the_newest_account(records, amounts, kcal, percent) -> None:  # type: ignore[no-untyped-def]
    found = accounts(FED, *records).newest
    if amounts is None:
        assert found is None
        return
    assert found is not None
    assert tuple(r.amount for r in found.records) == tuple(d(a) for a in amounts)
    assert (round(found.kcal_day, 1), round(found.percent, 1)) == (d(kcal), d(percent))  # type: ignore[arg-type]
    assert (found.amount, found.start, found.end) == (
        sum(d(a) for a in amounts),
        found.records[0].start,
        found.records[-1].end,
    )
    assert found.is_firm


def test_of_two_records_alike_the_reference_decides() -> None:
    one, other = record("700", source="Observation/a"), record("700", source="Observation/b")
    for records in ((one, other), (other, one)):
        newest = accounts(FED, *records).newest
        assert newest is not None
        assert newest.records == (one,)


ORDERED = [
    # orders, kcal/day that were ordered over the 24 h of the volume; kcal/mL it counts by
    pytest.param((FED,), 720, 1, id="a feed"),
    pytest.param((FED, planned("30")), 720, 1, id="nobody has signed the other"),
    pytest.param((FED, feed("30", 90, state=OrderState.ENDED, ended=24)), 720, 1, id="the other stopped as it began"),
    pytest.param((FED, feed("30", 90, state=OrderState.ENDED, ended=23)), 750, 1, id="the other ran an hour of it"),
    pytest.param((FED, feed("30", 0)), 720, 1, id="the other begins now"),
    pytest.param((FED, feed("30", 0, density="0.8")), 720, 1, id="a thinner one begins now"),
    pytest.param((FED, feed("30", 1)), 750, 1, id="the other began an hour ago"),
    pytest.param((FED, propofol("10", 60)), 720, 1, id="sedation is no feed"),
    pytest.param((FED, diet(60, kcal="1000")), 720, 1, id="nor is a diet"),
    pytest.param((feed("30", 90, state=OrderState.ENDED, ended=1),), 690, 1, id="it stopped an hour ago"),
    pytest.param((feed("30", 60, density="1.5"), feed("30", 60)), 1800, 1, id="of two densities the lower"),
    pytest.param((feed("30", 60, density="1.5"),), 1080, d("1.5"), id="a dense feed"),
    pytest.param((feed(deliveries=(rate("20", 60), rate("40", 12)), since=60),), 720, 1, id="by its stages"),
    pytest.param((feed("30", 60, density=None),), None, None, id="of unknown density: no account"),
    pytest.param((FED, feed("30", 60, density=None)), None, None, id="beside one of unknown density: no account"),
    pytest.param((propofol("10", 60),), None, None, id="no feed at all: no account"),
]  # fmt: skip


@pytest.mark.parametrize(("orders", "ordered", "density"), ORDERED)
def test_a_volume_is_held_beside_what_the_feeds_were_ordered_to_bring(orders, ordered, density) -> None:  # type: ignore[no-untyped-def]
    found = accounts(*orders, record("500")).newest
    assert (found and found.ordered_day, found and found.density) == (ordered, density)


def test_energy_is_held_beside_everything_that_was_ordered() -> None:
    found = accounts(FED, propofol("10", 60), record("500", kind=ENERGY)).newest
    assert found is not None
    assert (found.ordered_day, found.density, found.kind) == (984, None, ENERGY)
    unknown = accounts(FED, propofol(None, 60), record("500", kind=ENERGY)).newest
    assert unknown is not None
    assert (unknown.ordered_day, unknown.percent, unknown.kcal_day) == (None, None, 500)


EXTREMES = [
    # records beside the feed, amounts of the least and of the most that was given for what was ordered
    pytest.param((record("700"),), "700", "700", id="one"),
    pytest.param((record("700"), doubtful("300", 20, 4), doubtful("1100", 18, 2)), "300", "1100", id="what is not final may be the extreme"),
    pytest.param((record("700"), record("300", 20, 4)), "300", "700", id="what was written beside the newest"),
    pytest.param((record("700"), doubtful("10", 3, 2)), "700", "700", id="an hour says little"),
    pytest.param((record("0"), doubtful("3", 20, 4)), "0", "3", id="nothing at all"),
    pytest.param((doubtful("700"), doubtful("700", 23)), "700", "700", id="not final alone"),
]  # fmt: skip


@pytest.mark.parametrize(("records", "least", "most"), EXTREMES)
def test_the_smallest_and_the_largest_account(records: tuple[Intake, ...], least: str, most: str) -> None:
    found = accounts(FED, *records)
    assert found.least is not None
    assert found.most is not None
    assert (found.least.amount, found.most.amount) == (d(least), d(most))


def test_an_account_that_cannot_be_held_beside_an_order_is_no_extreme() -> None:
    found = accounts(FED, propofol(None, 60), record("700"), record("100", 24, 1, kind=ENERGY))
    assert found.least is not None
    assert found.most is not None
    assert (found.least.kind, found.most.kind) == (FORMULA, FORMULA)


def test_of_accounts_alike_the_reference_decides() -> None:
    one, other = (doubtful("300", 20, 4, source=f"Observation/{name}") for name in "ab")
    for records in ((one, other), (other, one)):
        found = accounts(FED, record("700", source="Observation/c"), *records).least
        assert found is not None
        assert found.records == (one,)
    earlier, later = doubtful("300", 20, 4, source="Observation/b"), doubtful("300", 18, 2, source="Observation/a")
    found = accounts(FED, record("700", source="Observation/c"), later, earlier).least
    assert found is not None
    assert found.records == (earlier,)  # and before it the earlier end


def test_what_is_eaten_beside_a_diet_is_not_given_in_excess() -> None:
    beside = accounts(FED, diet(60), record("1500", kind=ENERGY))
    assert beside.most is None
    assert beside.least is not None
    assert accounts(FED, record("1500", kind=ENERGY)).most is not None
    assert accounts(FED, nil_by_mouth(60), record("1500", kind=ENERGY)).most is not None
    assert accounts(FED, diet(90, state=OrderState.ENDED, ended=24), record("1500", kind=ENERGY)).most is not None


def test_an_account_of_which_a_part_is_not_final_is_not_firm() -> None:
    found = accounts(FED, record("700"), doubtful("300", 20, 4)).least
    assert found is not None
    assert not found.is_firm


EATEN = [
    # chart, kcal/day eaten (None: not known), from how many records
    pytest.param((FED, record("1000", kind=ENERGY)), None, 0, id="no diet is ordered"),
    pytest.param((FED, diet(60), record("1000", kind=ENERGY)), 280, 1, id="food records, less the feed"),
    pytest.param((FED, diet(60), record("700", kind=ENERGY)), 0, 1, id="less than the feed: nothing eaten"),
    pytest.param((FED, diet(60), propofol(None, 60), record("1000", kind=ENERGY)), None, 0, id="less something unknown"),
    pytest.param((diet(60, kcal="1200"), record("50", kind=MEALS)), 600, 1, id="half of the meals"),
    pytest.param((diet(60, kcal="1200"), record("0", kind=MEALS)), 0, 1, id="nothing of them"),
    pytest.param((diet(60, kcal="1200"), record("100", kind=MEALS)), 1200, 1, id="all of them"),
    pytest.param((diet(60, kcal="1200"), record("101", kind=MEALS)), None, 0, id="more than all is a slip"),
    pytest.param((diet(60, kcal="1200"), record("25", 24, 18, kind=MEALS), record("75", 6, 0, kind=MEALS)), 600, 2, id="two meals, 12 h apart"),
    pytest.param((diet(60, kcal="1200"), record("25", 24, 15, kind=MEALS), record("75", 3, 0, kind=MEALS)), 450, 2, id="each by its length"),
    pytest.param((diet(60, kcal="1200"), record("50", 5, 0, kind=MEALS)), None, 0, id="5 h say little"),
    pytest.param((diet(60, kcal="1200"), doubtful("50", kind=MEALS)), None, 0, id="not final"),
    pytest.param((diet(60, kcal="1200"), record("30", kind=MEALS), record("60", kind=MEALS)), 720, 1, id="of two alike the larger makes less room"),
    pytest.param((diet(60, kcal="300"), record("50", kind=MEALS)), 150, 1, id="300 kcal are a diet"),
    pytest.param((diet(60, kcal="299"), record("50", kind=MEALS)), None, 0, id="299 are a slip"),
    pytest.param((diet(60, kcal="6000"), record("50", kind=MEALS)), 3000, 1, id="6000 are a diet"),
    pytest.param((diet(60, kcal="6001"), record("50", kind=MEALS)), None, 0, id="6001 are a slip"),
    pytest.param((diet(60), record("50", kind=MEALS)), None, 0, id="nobody knows what is served"),
    pytest.param((diet(60, kcal="600"), diet(50, kcal="600"), record("50", kind=MEALS)), 600, 1, id="two diets"),
    pytest.param((diet(60, kcal="600"), diet(50), record("50", kind=MEALS)), None, 0, id="two diets, one unknown"),
    pytest.param((diet(60, kcal="1200"),), None, 0, id="no record"),
    pytest.param((FED, diet(60, kcal="1200"), record("700"), record("50", kind=MEALS)), 600, 1, id="a volume beside it is no food record"),
]  # fmt: skip


@pytest.mark.parametrize(("chart", "kcal", "records"), EATEN)
def test_what_a_diet_brings(chart: tuple[object, ...], kcal: int | None, records: int) -> None:
    found = course(*chart)
    assert (found.eaten_kcal, len(found.eaten_by)) == (kcal, records)


def test_the_shares_of_a_diet_say_why_they_are_not_known() -> None:
    words = {
        "a diet order states no energy": diet(60),
        "the energy that the diet order states is not plausible": diet(60, kcal="100"),
        "how much of the diet is eaten is not known": diet(60, kcal="1200"),
    }
    for lack, order in words.items():
        assert [w for w, _ in course(order).energy_problems] == [f"oral diet: {lack}; record what is eaten over 24 h"]


def test_the_least_and_the_most_that_a_diet_may_serve_are_plausible() -> None:
    for kcal, lack in (
        ("299", "the energy that the diet order states is not plausible"),
        ("300", "how much of the diet is eaten is not known"),
        ("6000", "how much of the diet is eaten is not known"),
        ("6001", "the energy that the diet order states is not plausible"),
    ):
        assert [w for w, _ in course(diet(60, kcal=kcal)).energy_problems] == [
            f"oral diet: {lack}; record what is eaten over 24 h"
        ]


def test_a_diet_and_a_drug_that_cannot_be_summed_are_both_named() -> None:
    words = [w for w, _ in course(diet(60), propofol(None, 60)).energy_problems]
    assert words == [
        "lipid-based sedation: the order states no rate or volume",
        "oral diet: a diet order states no energy; record what is eaten over 24 h",
    ]


DOUBTS = [
    # records, rule, what is said of the share
    ((delivered("350"),), "delivery-lags", "350 kcal/day, 49 % of what was ordered over the same time"),
    ((doubtful("350"),), "delivery-lags", "350 kcal/day by a record that is not final, 49 % of what was ordered over the same time"),
    ((delivered("540"),), "step-up", ""),  # 75 %
    ((delivered("539"),), "delivery-lags", "539 kcal/day, 75 % of what was ordered over the same time"),
    ((delivered("864"),), "step-up", ""),  # 120 %
    ((delivered("865"),), "delivery-exceeds", "865 kcal/day, 120 % of what was ordered over the same time"),
]  # fmt: skip


@pytest.mark.parametrize(("records", "rule", "words"), DOUBTS)
def test_far_less_or_far_more_than_ordered_is_found_out_first(
    records: tuple[Intake, ...], rule: str, words: str
) -> None:
    advice = advise(FED, records, draw(80), draw(5)).advice
    assert advice.rule == rule
    assert not words or advice.because[0].endswith(f"delivered energy was {words}: find out why before going up.")


# --------------------------------------------------------------------------- weights beside each other


def body(*items: object) -> Body:
    return examine(picture(*items, kg=None, person=Person(born=None, sex="female")), aspen(), NOW)


DISAGREE = [
    # weights, the one that counts, the one that contradicts it
    pytest.param((weight("60", 72), weight("66", 20)), "66", None, id="a tenth exactly"),
    pytest.param((weight("60", 72), weight("66.1", 20)), "60", "66.1", id="more than a tenth: the lower"),
    pytest.param((weight("66.1", 72), weight("60", 20)), "60", "66.1", id="in whatever order"),
    pytest.param((weight("60", 20 + 168), weight("70", 20)), "60", "70", id="a week apart"),
    pytest.param((weight("60", 20.1 + 168), weight("70", 20)), "70", None, id="more than a week apart"),
    pytest.param((weight("60", 72), weight("64", 48), weight("70", 20)), "60", "70", id="of three the lowest and the highest"),
    pytest.param((weight("70", 72), weight("75", 48), weight("60", 20)), "60", "75", id="the last is the lowest"),
    pytest.param((weight("60", 72, firmness=Firmness.PROVISIONAL), weight("70", 20)), "70", None, id="not final, and older"),
    pytest.param((weight("60", 72), weight("70", 20), weight("55", 10, firmness=Firmness.PROVISIONAL)), "55", "70", id="a lower one since that is not final"),
]  # fmt: skip


def _taken(measured: Measurement | None) -> str:
    assert measured is not None
    assert measured.taken is not None
    return at(measured.taken, UTC)


@pytest.mark.parametrize(("weights", "kg", "other"), DISAGREE)
def test_weights_of_a_week_that_contradict_each_other(weights: tuple[object, ...], kg: str, other: str | None) -> None:
    found = body(*weights)
    assert found.weight is not None
    assert (found.weight.value, found.dosing_kg) == (d(kg), d(kg))
    assert (found.disagreeing and found.disagreeing.value) == (None if other is None else d(other))
    assert found.said == f"actual weight {kg} kg" + (
        f" (taken {_taken(found.weight)}; {other} kg {_taken(found.disagreeing)}: weigh again)" if other else ""
    )
    assert [f.value for f in found.facts] == [f"{kg} kg", *([f"{other} kg"] if other else [])]


def test_of_weights_alike_the_reference_decides() -> None:
    one, other = (replace(weight("60"), source=f"Observation/{name}") for name in "ab")
    assert [body(*pair).weight for pair in ((one, other), (other, one))] == [one, one]
    doubt = [replace(weight("50", 4, firmness=Firmness.PROVISIONAL), source=f"Observation/{n}") for n in "cd"]
    assert [body(one, *pair).weight for pair in (doubt, doubt[::-1])] == [doubt[0], doubt[0]]
    low, high = (replace(weight("60", ago), source=f"Observation/{n}") for n, ago in (("e", 60), ("f", 40)))
    top, last = replace(weight("70", 30), source="Observation/g"), replace(weight("70", 20), source="Observation/0")
    other_top = replace(weight("70", 35), source="Observation/h")
    for weights in ((high, low, top, other_top, last), (last, other_top, top, low, high)):
        found = body(*weights)
        assert (found.weight, found.disagreeing) == (low, other_top)


def test_a_weight_that_is_not_final_counts_only_where_it_is_lower() -> None:
    firm = weight("60")
    assert body(firm, weight("60", 10, firmness=Firmness.PROVISIONAL)).weight == firm


def test_a_birthday_begins_at_midnight_in_the_hospital() -> None:
    """23:30 UTC is past midnight in Berlin."""
    chart = picture(person=Person(born=date(2007, 3, 6)), zone=BERLIN)
    assert examine(chart, aspen(), datetime(2025, 3, 5, 23, 30, tzinfo=UTC)).age == 18
    assert examine(chart, aspen(), datetime(2025, 3, 5, 22, 30, tzinfo=UTC)).age == 17


def test_an_index_that_is_not_final_is_no_lower_weight() -> None:
    assert body(weight("60"), replace(bmi("25", 10), firmness=Firmness.PROVISIONAL)).dosing_kg == 60


def test_the_charted_height_is_used_as_it_is() -> None:
    adjusted = body(weight("103.7"), height("171.3")).adjusted
    assert adjusted is not None
    assert adjusted.height_cm == d("171.3")


# --------------------------------------------------------------------------- one chart, one picture


def test_items_of_one_reference_have_one_order() -> None:
    """A panel's components share its reference."""
    one, two, three = (lab(a, v, 5, source="Observation/panel") for a, v in ((K, "4.0"), (P, "1.00"), (P, "1.10")))
    first, second = settle(picture(one, two, three)).results, settle(picture(three, two, one)).results
    assert first == second
    assert len(first) == 3


def test_an_item_that_comes_twice_counts_once() -> None:
    one = lab(K, "4.0", 5)
    assert settle(picture(one, one)).results == (one,)


def test_the_stages_of_an_order_have_one_order_and_every_instant_a_fixed_offset() -> None:
    def local(ago: float) -> datetime:
        return h(ago).astimezone(BERLIN)

    stages = (rate("30", 8), rate("20", 40), bolus("100", 4))
    order = feed(deliveries=stages, since=40, source="NutritionOrder/1")
    turned = replace(
        order, ordered=local(40),
        deliveries=tuple(replace(s, start=s.start and s.start.astimezone(BERLIN)) for s in stages[::-1]),
    )  # fmt: skip
    (one,), (found,) = settle(picture(order)).energy_orders, settle(picture(turned)).energy_orders
    assert one == found
    assert isinstance(found.ordered.tzinfo if found.ordered else None, timezone)
    assert all(isinstance(s.start.tzinfo, timezone) for s in found.deliveries if s.start)


def test_an_instant_with_a_fixed_offset_stays_as_it_is_written() -> None:
    fixed = datetime(2025, 3, 6, 9, tzinfo=timezone(timedelta(hours=1)))
    assert in_fixed_offset(fixed).utcoffset() == timedelta(hours=1)
    assert in_fixed_offset(fixed.astimezone(BERLIN)).tzinfo is UTC


def test_what_was_read_in_part_is_named_in_one_order() -> None:
    assert settle(picture(incomplete=("b", "a", "b"))).incomplete == ("a", "b")
