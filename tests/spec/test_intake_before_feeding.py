"""What was eaten before feeding: days of nil intake and the share of the need, from statements, orders and records.

ASPEN 2020, adult risk table: nil or negligible 5-6 days (moderate), more than 7 days (severe); below 75 % for more than
7 days (moderate), below 50 % for more than 5 days (severe), in acute illness. How records are joined is common practice, no source.
"""

# ruff: noqa: E501 - a row is a patient, and is read across

from dataclasses import replace

import pytest

from andante.domain.advice import Assessment, RiskTier
from andante.domain.picture import Firmness, Intake, IntakeKind, OrderState
from pictures import advise, bmi, days_without_intake, delivered, diet, draw, feed, nil_by_mouth

D = 24


def seen(said: Assessment, name: str = "intake") -> str:
    view = next(c for c in said.risk.criteria if c.id == name)
    return view.level or view.state


def judged(*items: object) -> Assessment:
    return advise(*items, at_risk=False)


def share(percent: str, start: float, end: float) -> Intake:
    return delivered(percent, start=start, end=end, kind=IntakeKind.SHARE_OF_NEED)


def record(kcal: str, start: float, end: float) -> Intake:
    """Of a need of 1800 kcal/day: 30 kcal/kg × 60 kg."""
    return delivered(kcal, start=start, end=end, kind=IntakeKind.ENERGY)


NIL = [
    pytest.param((nil_by_mouth(4.9 * D),), "unknown", id="nil by mouth for 4.9 days does not say what came before"),
    pytest.param((nil_by_mouth(5 * D),), "moderate", id="nil by mouth for 5 days"),
    pytest.param((nil_by_mouth(7 * D),), "moderate", id="nil by mouth for 7 days exactly"),
    pytest.param((nil_by_mouth(7.1 * D),), "severe", id="nil by mouth for more than 7 days"),
    pytest.param(
        (nil_by_mouth(9 * D, until=2 * D),), "moderate", id="nil by mouth for 7 days, lifted two days ago"
    ),
    pytest.param((nil_by_mouth(19 * D, until=7.1 * D),), "unknown", id="an order that ended over a week ago is old"),
    pytest.param((nil_by_mouth(9 * D, state=OrderState.PLANNED),), "unknown", id="a proposal proves nothing"),
    pytest.param(
        (nil_by_mouth(9 * D), feed("40", 8 * D)), "unknown", id="nil by mouth beside a tube feed is no starvation"
    ),
    pytest.param((nil_by_mouth(9 * D), diet(9 * D)), "severe", id="an order for a diet proves nothing eaten"),
    pytest.param(
        (nil_by_mouth(9 * D), record("1500", 6 * D, 5 * D)), "moderate", id="a day that was eaten ends the run"
    ),
    pytest.param(
        (nil_by_mouth(9 * D), record("180", 6 * D, 5 * D)), "severe", id="10 % of the need exactly is negligible"
    ),
    pytest.param((nil_by_mouth(9 * D), record("181", 6 * D, 5 * D)), "moderate", id="more than 10 % is not"),
    pytest.param(
        (nil_by_mouth(8 * D, until=5 * D), nil_by_mouth(4 * D)), "severe", id="two orders 24 h apart are one run"
    ),
    pytest.param(
        (nil_by_mouth(8 * D, until=5.1 * D), nil_by_mouth(4 * D)), "unknown", id="two orders more than 24 h apart are not"
    ),
    pytest.param((days_without_intake("6", 3 * D),), "severe", id="6 days stated three days ago, nothing since: 9"),
    pytest.param((days_without_intake("7", 23.9),), "moderate", id="7 days stated 23.9 h ago are 7: whole days count"),
    pytest.param((days_without_intake("7", 24),), "severe", id="7 days stated 24 h ago, nothing since: 8"),
    pytest.param((days_without_intake("6", 3 * D), diet(2 * D)), "moderate", id="a diet since: the statement stands as it is"),
    pytest.param((days_without_intake("6", 3 * D), record("900", 2 * D, D)), "moderate", id="eaten since: as stated"),
    pytest.param((days_without_intake("0"),), "not-met", id="a statement of none"),
    pytest.param((days_without_intake("4", 30), nil_by_mouth(30)), "moderate", id="4 days stated, then 30 h nil by mouth"),
    pytest.param((days_without_intake("9999"),), "severe", id="a slip of a number still shows a danger"),
    pytest.param((share("10", 6 * D, 0),), "moderate", id="a diet history of 10 % for 6 days is negligible"),
]  # fmt: skip


@pytest.mark.parametrize(("items", "level"), NIL)
def test_days_of_nil_or_negligible_intake(items: tuple[object, ...], level: str) -> None:
    assert seen(judged(items)) == level


def test_days_end_where_feeding_began() -> None:
    """Nil by mouth goes on beside the feed; what counts is the time before it."""
    said = judged(nil_by_mouth(9 * D), feed("30", 3 * D), draw(5))
    assert seen(said) == "moderate"
    text = next(c.text for c in said.risk.criteria if c.id == "intake")
    assert text == "6 days of nil or negligible intake, from Tue 25 Feb 08:00 to Mon 3 Mar 08:00"


def test_days_say_where_they_come_from() -> None:
    said = judged(days_without_intake("4", 3 * D), nil_by_mouth(3 * D))
    facts = next(c.facts for c in said.risk.criteria if c.id == "intake")
    assert [f.label for f in facts] == ["days of nil or negligible intake, as stated", "nil by mouth ordered"]
    assert all(f.source for f in facts)


def test_more_than_15_days_in_hospital_without_food_make_the_lowest_start() -> None:
    """NICE CG32: extreme, negligible intake for more than 15 days."""
    assert not judged(nil_by_mouth(15 * D)).risk.extreme
    assert judged(nil_by_mouth(15.1 * D)).risk.extreme


SHARE = [
    pytest.param((share("74", 8 * D, 0),), "moderate", id="74 % for 8 days"),
    pytest.param((share("75", 8 * D, 0),), "not-met", id="75 % exactly is not below 75 %"),
    pytest.param((share("74", 7 * D, 0),), "unknown", id="74 % for 7 days exactly is not more than 7 days"),
    pytest.param((share("49", 5.1 * D, 0),), "severe", id="49 % for more than 5 days"),
    pytest.param((share("49", 5 * D, 0),), "unknown", id="49 % for 5 days exactly says nothing yet"),
    pytest.param((share("50", 8 * D, 0),), "moderate", id="50 % exactly is not below 50 %"),
    pytest.param((share("60", 8 * D, 4 * D), share("80", 4 * D, 0)), "moderate", id="a mean of 70 % over 8 days"),
    pytest.param((share("40", 14 * D, 8 * D),), "unknown", id="a history that ended over a week ago is old"),
    pytest.param((share("40", 8 * D, 2 * D),), "severe", id="a history up to admission two days ago"),
    pytest.param(tuple(record("800", (i + 1) * D, i * D) for i in range(6)), "severe", id="six food records of 44 %"),
    pytest.param(tuple(record("800", (i + 1) * D, i * D) for i in range(5)), "unknown", id="five of them"),
    pytest.param(
        tuple(record("800", (i + 1) * D, i * D) for i in (0, 1, 2, 4, 5, 6)), "severe", id="a missing day does not end the run"
    ),
    pytest.param(
        tuple(record("800", (i + 1) * D, i * D) for i in (0, 1, 2, 5, 6, 7)), "unknown", id="two missing days do"
    ),
    pytest.param((nil_by_mouth(3 * D), share("60", 9 * D, 3 * D)), "severe", id="60 % for 6 days, then nothing for 3: 40 %"),
    pytest.param((share("80", 9 * D, 0), share("40", 9 * D, 0)), "severe", id="two that disagree: the lower counts"),
]  # fmt: skip


@pytest.mark.parametrize(("items", "level"), SHARE)
def test_intake_below_the_need(items: tuple[object, ...], level: str) -> None:
    assert seen(judged(items), "reduced-intake") == level


def test_records_of_the_present_course_do_not_count() -> None:
    said = judged(feed("30", 6 * D), tuple(record("300", (i + 1) * D, i * D) for i in range(6)), draw(5))
    assert seen(said, "reduced-intake") == "unknown"


def test_without_a_need_a_food_record_is_no_share() -> None:
    said = advise(tuple(record("300", (i + 1) * D, i * D) for i in range(9)), at_risk=False, kg=None)
    assert seen(said, "reduced-intake") == "unknown"


def test_the_two_intake_criteria_are_one_row_of_the_table_and_count_once() -> None:
    """Two moderate rows make a moderate risk; nil for 5 days and below 75 % for 12 are one row."""
    said = judged(share("0", 12 * D, 7 * D), share("90", 7 * D, 0))
    assert (seen(said), seen(said, "reduced-intake")) == ("moderate", "moderate")
    assert said.risk.tier is RiskTier.UNKNOWN
    assert judged(share("0", 12 * D, 7 * D), share("90", 7 * D, 0), bmi("17")).risk.tier is RiskTier.MODERATE


def test_a_record_without_an_amount_says_nothing_and_one_that_is_not_final_may_show_a_danger() -> None:
    history = share("40", 9 * D, 0)
    assert seen(judged(replace(history, amount=None)), "reduced-intake") == "unknown"
    assert seen(judged(replace(history, firmness=Firmness.PROVISIONAL)), "reduced-intake") == "severe"
