"""A draft order is judged as if it ran beside what runs, by the same decision as the advice; both sums are worked out.

The patient weighs 60 kg: goal 1800, first day 900, step 594 kcal/day under ASPEN.
"""

from datetime import time, timedelta

import pytest

from andante.domain.picture import Delivery, EnergyKind, EnergyOrder, OrderState
from andante.rules.draft import Limit, Weighed, weigh
from pictures import (
    NOW,
    P,
    aspen,
    bolus,
    cyclic,
    d,
    dextrose_drip,
    diet,
    draw,
    feed,
    lab,
    nice,
    nil_by_mouth,
    parenteral,
    picture,
    planned,
    rate,
    with_choice,
)

HELD = (draw(160, p="0.65"), draw(4, p="0.60"))
FINE = (draw(160), draw(4))
RUNS_40 = feed("40", 40)
BEFORE = draw(3)


def weighed(*items: object, draft: EnergyOrder | tuple[EnergyOrder, ...], protocol=None) -> Weighed:  # type: ignore[no-untyped-def]
    drafts = draft if isinstance(draft, tuple) else (draft,)
    found = weigh(picture(*items), protocol or aspen(), NOW, drafts=drafts)
    assert found is not None
    return found


def passed(found: Weighed) -> list[Limit]:
    return [bound.limit for bound in found.passed]


def anyway(found: Weighed) -> list[Limit]:
    return [bound.limit for bound in found.passed_anyway]


E, F, S, N, G = Limit.EVIDENCE, Limit.FIRST_DAY, Limit.STEP, Limit.NOT_YET, Limit.GOAL

SUMS = [
    # what runs, draft, brings, beside, instead, limits passed by both together, limits passed whatever is stopped
    pytest.param((BEFORE,), planned("35"), 840, 840, 840, [], [], id="before feeding, under the first day's 900"),
    pytest.param((BEFORE,), planned("37.5"), 900, 900, 900, [], [], id="exactly the first day's 900"),
    pytest.param((BEFORE,), planned("38"), 912, 912, 912, [F], [F], id="over the first day's 900"),
    pytest.param((BEFORE,), planned("80"), 1920, 1920, 1920, [F, G], [F, G], id="over the first day and the goal"),
    pytest.param((BEFORE,), planned("25", density="1.5"), 900, 900, 900, [], [], id="by its own density"),
    pytest.param((BEFORE, dextrose_drip("20")), planned("35"), 840, d("921.6"), d("921.6"), [F], [F],
                 id="a drip beside it counts: 840 + 81.6"),
    pytest.param((draw(30),), planned("20"), 480, 480, 480, [E, ], [E], id="no baseline: nothing before a draw"),
    pytest.param((draw(3, p="0.60"),), planned("10"), 240, 240, 240, [E], [E], id="low before feeding: correct first"),
    pytest.param((HELD, RUNS_40), feed("40", state=OrderState.PLANNED), 960, 1920, 960, [E, G], [],
                 id="held: the same rate again is fine only if the running feed stops"),
    pytest.param((HELD, RUNS_40), planned("45"), 1080, 2040, 1080, [E, G], [E], id="held: more is more than the hold"),
    pytest.param((HELD, RUNS_40), planned("20"), 480, 1440, 480, [E], [], id="held: less, if the running feed stops"),
    pytest.param((FINE, RUNS_40), planned("64"), 1536, 2496, 1536, [S, G], [], id="one step up, in its place"),
    pytest.param((FINE, RUNS_40), planned("70"), 1680, 2640, 1680, [S, G], [S], id="more than a step"),
    pytest.param((FINE, feed("35", 12)), planned("50"), 1200, 2040, 1200, [N, F, G], [N, F],
                 id="on day 1 the step is not due, and the first day's allowance still counts"),
    pytest.param((FINE, feed("74", 100)), planned("75"), 1800, 3576, 1800, [G], [], id="at goal: to the goal, no more"),
    pytest.param((FINE, feed("74", 100)), planned("76"), 1824, 3600, 1824, [G], [G], id="at goal: past it"),
]  # fmt: skip


@pytest.mark.parametrize(("runs", "draft", "brings", "beside", "instead", "both", "whatever"), SUMS)
def test_the_sum_and_the_limits_it_passes(runs, draft, brings, beside, instead, both, whatever) -> None:  # type: ignore[no-untyped-def]
    found = weighed(*runs, draft=draft)
    assert (found.brings, found.beside, found.instead) == (brings, beside, instead)
    assert (passed(found), anyway(found)) == (both, whatever)
    assert found.is_within is (not both)


AMOUNTS = [
    # a draft, the most it brings in a day
    pytest.param(planned(None, deliveries=(bolus("200", 4, since=0),)), 1200, id="200 mL every 4 h"),
    pytest.param(planned(None, deliveries=(cyclic("50", 12, time(20, 0), since=0),)), 600, id="50 mL/h for 12 h"),
    pytest.param(planned("50", max_ml="700"), 700, id="a cap of 700 mL a day"),
    pytest.param(
        planned(None, deliveries=(rate("20", 0), rate("40", -12))), 960, id="staged within the day: the higher stage"
    ),
    pytest.param(
        planned(None, deliveries=(rate("20", 0), rate("40", -36))), 480, id="staged after the day: the first stage"
    ),
    pytest.param(feed("30", -10, state=OrderState.PLANNED), 720, id="to begin in ten hours"),
]


@pytest.mark.parametrize(("draft", "brings"), AMOUNTS)
def test_a_draft_brings_the_most_of_any_stage_of_its_first_day(draft: EnergyOrder, brings: int) -> None:
    assert weighed(BEFORE, draft=draft).brings == brings


def test_a_rise_after_the_first_day_is_told_and_never_counts_as_within() -> None:
    found = weighed(BEFORE, draft=planned(None, deliveries=(rate("20", 0), rate("60", -48))))
    assert found.rises_later == "to 1440 kcal/day Sat 8 Mar 08:00"
    assert not found.passed
    assert not found.is_within


UNREADABLE = [
    pytest.param(planned("30", density=None), "density", id="no density"),
    pytest.param(planned("30", density="1000"), "not plausible", id="a density a thousandfold off"),
    pytest.param(planned("-30"), "negative", id="a negative rate"),
    pytest.param(planned("0"), "zero", id="a rate of nothing"),
    pytest.param(planned(None), "no rate or volume", id="no rate"),
    pytest.param(planned("30", deliveries=(Delivery(problem="the rate cannot be read"),)), "rate", id="unreadable"),
    pytest.param(diet(1, state=OrderState.PLANNED), "states no energy", id="a diet"),
    pytest.param(feed("30", None, state=OrderState.PLANNED), "no start", id="no start"),
    pytest.param(feed("30", 30, until=10, state=OrderState.PLANNED), "gives nothing", id="over before it is signed"),
]


@pytest.mark.parametrize(("draft", "why"), UNREADABLE)
def test_a_draft_that_cannot_be_summed_is_never_within(draft: EnergyOrder, why: str) -> None:
    found = weighed(BEFORE, draft=draft)
    assert found.beside is None
    assert not found.is_within
    assert why in " ".join(found.problems)


def test_what_runs_and_cannot_be_summed_makes_the_sum_unknown() -> None:
    found = weighed(FINE, feed("40", 40, density=None), draft=planned("10"))
    assert (found.brings, found.beside) == (240, None)
    assert not found.is_within


def test_a_feed_already_due_to_begin_counts_with_the_draft() -> None:
    found = weighed(BEFORE, feed("20", -5), draft=planned("20"))
    assert (found.runs, found.beside) == (480, 960)
    assert passed(found) == [F]


def test_several_drafts_are_one_sum() -> None:
    found = weighed(BEFORE, draft=(planned("20"), planned("20", density="1.5")))
    assert (found.brings, passed(found)) == (480 + 720, [F])


def test_only_a_feed_of_the_same_kind_could_be_replaced() -> None:
    bag = parenteral("40", 40)
    beside_the_bag = weighed(FINE, bag, draft=planned("20"))
    assert not beside_the_bag.replaces
    assert beside_the_bag.instead == beside_the_bag.beside
    another_bag = weighed(FINE, bag, draft=parenteral("40", 1, state=OrderState.PLANNED))
    assert another_bag.replaces
    assert another_bag.instead == another_bag.brings


def test_a_draft_for_nothing_by_mouth_brings_nothing() -> None:
    above_what_is_advised = (draw(160), draw(4, p="0.60"))  # a severe fall: to be cut to 480
    for levels in (HELD, above_what_is_advised):
        found = weighed(levels, RUNS_40, draft=nil_by_mouth(0, state=OrderState.PLANNED))
        assert (found.brings, found.beside) == (0, 960)
        assert found.is_within


def test_a_parenteral_draft_is_bound_by_its_dextrose_too() -> None:
    # 900 kcal would be allowed, but of a 20 % solution they are 212 g dextrose, and 150 are the most to start with.
    bag = parenteral("50", 1, dextrose="0.20", amino_acids="0.01", state=OrderState.PLANNED)
    bounds = {b.limit: b.kcal for b in weigh(picture(BEFORE, bag), aspen(), NOW, drafts=(bag,)).bounds}  # type: ignore[union-attr]
    assert bounds[E] < bounds[F]


def test_a_protocol_that_starts_low_while_replacing_bounds_by_its_lowest_allowance() -> None:
    low = (draw(3, p="0.60"),)
    found = weighed(*low, draft=planned("12"), protocol=nice())
    assert {b.limit: b.kcal for b in found.bounds}[E] == 300  # 5 kcal/kg
    assert found.is_within
    assert passed(weighed(*low, draft=planned("13"), protocol=nice())) == [E]
    never = with_choice(nice(), "low_before_feeding", "correct-first")
    assert passed(weighed(*low, draft=planned("12"), protocol=never)) == [E]


def test_urgent_findings_allow_what_the_cut_leaves() -> None:
    critical = (draw(160), draw(4), lab(P, "0.25", 2))
    found = weighed(*critical, RUNS_40, draft=planned("25"))
    assert anyway(found) == [E]  # 600 is more than half of 960
    assert anyway(weighed(*critical, RUNS_40, draft=planned("20"))) == []


def test_nothing_is_weighed_for_somebody_whom_the_protocol_does_not_concern() -> None:
    assert weigh(picture(BEFORE, at_risk=False, kg="80"), aspen(), NOW, drafts=(planned("80"),)) is None


def test_the_clock_of_the_answer_must_have_a_zone() -> None:
    with pytest.raises(ValueError, match="time zone"):
        weigh(picture(BEFORE), aspen(), NOW.replace(tzinfo=None), drafts=(planned("20"),))


def test_minutes_later_the_sum_is_the_same() -> None:
    draft = planned("64")
    first = weighed(FINE, RUNS_40, draft=draft)
    later = weigh(picture(FINE, RUNS_40), aspen(), NOW + timedelta(minutes=7), drafts=(draft,))
    assert first == later


def test_a_supplement_states_no_energy() -> None:
    found = weighed(BEFORE, draft=feed(None, 1, kind=EnergyKind.SUPPLEMENT, density=None, state=OrderState.PLANNED))
    assert found.beside is None
