"""The course as it is drawn, said as text: every point, step, dose and vitamin of charts that a ward rarely sees.

What stands in `drawings/` is what the drawing shows; `why` is what the chart is there for. The rules that decide are the
same as for the advice, so a line here may be held beside the argument of the same chart.
"""

# ruff: noqa: E501 - a row is a chart, and is read across

import re
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from andante.domain.picture import (
    EnergyKind,
    Firmness,
    Intake,
    IntakeKind,
    OrderState,
    Vitamin,
    VitaminDose,
    VitaminOrder,
)
from andante.domain.trace import EnergyStep, Trace
from andante.rules import evaluate, trace
from pictures import (
    MG,
    NOW,
    VITAMINS,
    K,
    P,
    aspen,
    bolus,
    d,
    delivered,
    dextrose_drip,
    diet,
    dose,
    draw,
    feed,
    goal,
    h,
    lab,
    nil_by_mouth,
    picture,
    planned,
    propofol,
    rate,
    vitamin,
)
from said_in_full import same

DRAWINGS = Path(__file__).parent / "drawings"
BERLIN = ZoneInfo("Europe/Berlin")
THIAMINE, MULTIVITAMIN = Vitamin.THIAMINE, Vitamin.MULTIVITAMIN


def intake(name: str, amount: str | None, start: float, end: float, kind: IntakeKind, **more: Any) -> Intake:
    return Intake(
        kind=kind, amount=None if amount is None else d(amount), start=h(start), end=h(end), source=name, **more
    )


def said(one: Trace, zone: tzinfo) -> Iterator[str]:
    """All of it, one line for each thing drawn."""
    yield f"now {_at(one.now, zone)}"
    for line in one.analytes:
        yield (
            f"{line.analyte.value}: {_n(line.low)} to {_n(line.high)}, critical {_n(line.critical)}; falls from "
            f"{_n(line.reference)} of {_at(line.reference_at, zone)}; next {_at(line.next_due, zone)}"
        )
        for p in line.points:
            fell = f", fell {_n(p.fall_percent)} %" if p.fall_percent is not None else ""
            aside = f", set aside: {p.set_aside}" if p.set_aside else ""
            yield f"  {_at(p.at, zone)}  {p.comparator}{_n(p.value)} of {_n(p.low)} to {_n(p.high)}{fell}{aside} [{p.source}]"
    for given in one.doses:
        yield f"dose {_at(given.at, zone)} {' '.join(given.analytes)}: {given.said} [{given.source}]"
    yield from (f"ordered {_step(s, zone)}" for s in one.ordered)
    yield from (f"delivered {_step(s, zone)}" for s in one.delivered)
    yield f"goal {_step(one.goal, zone) if one.goal else '-'}"
    yield f"suggested {_step(one.suggested, zone) if one.suggested else '-'}"
    for v in one.vitamins:
        yield f"{v.name}: {v.given} given, the last {_at(v.last_given, zone)}; {v.gap or 'no gap'}"
        yield from (f"  {_step(s, zone)}" for s in v.orders)


def _step(step: EnergyStep, zone: tzinfo) -> str:
    return f"{_at(step.start, zone)} to {_at(step.end, zone)}: {_n(step.kcal)} kcal, {step.said} [{' '.join(step.sources)}]"


def _at(instant: datetime | None, zone: tzinfo) -> str:
    return "-" if instant is None else instant.astimezone(zone).strftime("%d.%m. %H:%M")


def _n(value: object) -> str:
    if value is None:
        return "-"
    text = f"{value:.2f}"
    return text.rstrip("0").rstrip(".")


def named(items: Iterable[Any]) -> tuple[Any, ...]:
    """Their references counted through, so that they can be told apart here."""
    return tuple(
        replace(item, source=re.sub(r"/\d{5}/.*", f"-{n}", item.source)) for n, item in enumerate(items, start=1)
    )


def case(id: str, why: str, *items: object, **fields: Any) -> Any:  # noqa: A002 - the word of pytest.param
    return pytest.param(id, why, items, fields, id=id)


CASES = [
    case(
        "levels-of-every-kind",
        "firm, bounded, set aside, of another matrix, with its own range, of one instant, in the future, without a place",
        feed("30", 60, source="NutritionOrder/1"), VITAMINS,
        lab(K, "4.0", 80, source="Observation/1"), lab(K, "4.2", 62, source="Observation/2"),
        lab(K, "4.1", 62, source="Observation/1b"),  # lower, of the instant of the baseline: no fall
        lab(K, "4.1", 30, source="Observation/3b"),
        lab(K, "4.2", 30, source="Observation/3"),  # as high as the baseline
        lab(K, "3.9", 20, low="3.4", high="5.2", source="Observation/4"),
        lab(K, "3.0", 10, blood=True, source="Observation/5"),  # another method
        lab(K, "6.4", 6, haemolysed=True, source="Observation/6"), lab(K, "6.5", 20, haemolysed=True, source="Observation/0"),
        lab(K, "3.6", 5, low="3.2", high="5.4", source="Observation/7"),
        lab(P, "1.20", 62, source="Observation/8"), lab(P, "<0.9", 20, source="Observation/9"),
        lab(P, "0.95", 5, source="Observation/b"), lab(P, "1.00", 5, source="Observation/a"),
        lab(P, ">=1.1", 4, source="Observation/10"), lab(P, "0.70", -30, source="Observation/11"),
        lab(P, "1.30", 3, provisional=True, source="Observation/11p"),
        lab(MG, None, 5, source="Observation/12"), lab(MG, "0.80", None, reported=h(2), source="Observation/13"),
        lab(MG, "9", 4, source="Observation/14"),
        zone=BERLIN,
    ),
    case(
        "doses", "given, running, of two analytes, of one instant, charted for later; text as it stands",
        feed("30", 60, source="NutritionOrder/1"), VITAMINS, draw(80), draw(14), draw(2),
        replace(dose(P, ago=4, ended=1), text="sodium glycerophosphate 10 mmol", source="MedicationAdministration/0"),
        replace(dose(P, K, ago=20), source="MedicationAdministration/2"),
        replace(dose(MG, ago=20), source="MedicationAdministration/1"),
        replace(dose(K, ago=0), source="MedicationAdministration/4"),
        replace(dose(K, ago=-1), source="MedicationAdministration/5"),
    ),
    case(
        "energy-of-every-kind",
        "stages, a bag change, a drip, a drug without a reference, nil by mouth, an order whose end nobody knows, a plan",
        nil_by_mouth(100),
        feed("20", 90, state=OrderState.ENDED, source="NutritionOrder/1"),
        feed(deliveries=(rate("20", 80), rate("30", 50)), since=80, state=OrderState.ENDED, ended=24, source="NutritionOrder/2"),
        feed("35", 24.5, source="NutritionOrder/3"),  # half an hour beside the one before
        dextrose_drip("40", 60, state=OrderState.ENDED, ended=30, source="MedicationRequest/4"),
        propofol("10", 10, source=""),
        planned("50", source="NutritionOrder/5"),
        draw(100), draw(20), draw(5), VITAMINS, goal("1900", 70, ),
    ),
    case(
        "energy-not-known", "a feed of unknown density, then on hold: a gap in the line, then nothing runs",
        feed("30", 60, density=None, state=OrderState.PAUSED, ended=12, source="NutritionOrder/1"), draw(80), draw(5),
    ),
    case(
        "delivered-of-every-kind",
        "volumes and energy count for their own time; not final, unreadable, of no length, to come, or a share: not drawn",
        feed("30", 60, density="1.5", source="NutritionOrder/1"), draw(80), draw(5), VITAMINS,
        intake("Observation/e", "600", 24, 0, IntakeKind.FORMULA),
        intake("Observation/b", "300", 36, 24, IntakeKind.FORMULA),
        intake("Observation/a", "310", 36, 24, IntakeKind.FORMULA),  # of the same time: the reference decides
        intake("Observation/c", "200", 36, 30, IntakeKind.FORMULA),
        intake("Observation/d", "900", 48, 36, IntakeKind.ENERGY),
        intake("Observation/f", "900", 48, 36, IntakeKind.ENERGY, firmness=Firmness.PROVISIONAL),
        intake("Observation/g", None, 48, 36, IntakeKind.ENERGY),
        intake("Observation/h", "100", 20, 20, IntakeKind.ENERGY),
        intake("Observation/i", "100", 2, -1, IntakeKind.ENERGY),
        intake("Observation/j", "80", 60, 50, IntakeKind.SHARE_OF_MEALS), intake("Observation/l", "240", 40, 12, IntakeKind.FORMULA),
        intake("Observation/k", "80", 20, 10, IntakeKind.ALL_FLUID),
    ),
    case(
        "delivered-by-two-feeds", "of several densities the lowest; before any feed, and of unknown density, the volume alone",
        feed("30", 60, density="1.5", source="NutritionOrder/1"), feed("20", 30, density="1", source="NutritionOrder/2"),
        feed("10", 10, density=None, source="NutritionOrder/3"), feed("25", 75, density="0.8", state=OrderState.ENDED, ended=62, source="NutritionOrder/4"),
        draw(80), draw(5), VITAMINS,
        intake("Observation/1", "300", 80, 70, IntakeKind.FORMULA), intake("Observation/2", "300", 54, 44, IntakeKind.FORMULA),
        intake("Observation/3", "500", 30, 20, IntakeKind.FORMULA), intake("Observation/4", "100", 8, 0, IntakeKind.FORMULA),
    ),
    case("start-suggested", "nothing ordered: the goal by weight since yesterday, the start until the levels grow old", draw(5)),
    case("no-goal", "no weight: neither a goal nor an advised energy", draw(5), kg=None),
    case("goal-of-no-date", "a charted goal without a date begins now", draw(5), goal("1500", None)),
    case("advice-that-soon-expires", "drawn an hour wide at least", feed("30", 60, source="NutritionOrder/1"), draw(80), draw(13.7), VITAMINS),
    case("a-feed-that-is-paused", "off: nothing runs, and the old rate is still meant",
         feed("40", 60, state=OrderState.PAUSED, ended=5, source="NutritionOrder/1"), draw(80), draw(5), VITAMINS),
    case("a-diet", "it is in force, and what it brings is not known", diet(60, kcal="1200", source="NutritionOrder/1"), draw(80), draw(5), VITAMINS),
    case("boluses", "told by their energy", feed(deliveries=(bolus("120", 4),), source="NutritionOrder/1"), draw(62), draw(5), VITAMINS),
    case(
        "vitamins-of-every-kind", "ordered, planned, without a dose, without a start; doses given, to come, of the other vitamin",
        feed("30", 60, source="NutritionOrder/1"), draw(80), draw(5),
        VitaminOrder(vitamin=THIAMINE, state=OrderState.ACTIVE, daily_mg=d(100), start=h(50), end=h(-200), source="MedicationRequest/2"),
        VitaminOrder(vitamin=THIAMINE, state=OrderState.PLANNED, start=h(50), source="MedicationRequest/1"),
        VitaminOrder(vitamin=THIAMINE, state=OrderState.ENDED, daily_mg=d("75.5"), start=h(70), end=h(51), source="MedicationRequest/3"),
        VitaminOrder(vitamin=THIAMINE, state=OrderState.ACTIVE, daily_mg=d(10), start=None, source="MedicationRequest/4"),
        vitamin_doses=(
            VitaminDose(vitamin=THIAMINE, given=h(40)), VitaminDose(vitamin=THIAMINE, given=h(16)), VitaminDose(vitamin=THIAMINE, given=h(30)),
            VitaminDose(vitamin=THIAMINE, given=h(-8)), VitaminDose(vitamin=MULTIVITAMIN, given=h(0)),
        ),
    ),
    case("a-multivitamin-from-two-orders", "each is drawn", feed("30", 60, source="NutritionOrder/1"), draw(80), draw(5),
         replace(vitamin(MULTIVITAMIN, start=20), source="MedicationRequest/2"), replace(vitamin(MULTIVITAMIN, start=20, end=5), source="MedicationRequest/1")),
]  # fmt: skip


def drawn(items: tuple[object, ...], fields: dict[str, Any]) -> tuple[Trace, tzinfo]:
    chart = picture(*items, **fields)
    chart = replace(
        chart,
        results=named(chart.results),
        goals=named(chart.goals),
        vitamin_orders=named(chart.vitamin_orders),
        measurements=named(chart.measurements),
    )
    return trace(chart, aspen(), evaluate(chart, aspen(), NOW)), chart.zone


@pytest.mark.parametrize(("name", "why", "items", "fields"), CASES)
def test_what_is_drawn_of_a_course(name: str, why: str, items: tuple[object, ...], fields: dict[str, Any]) -> None:
    one, zone = drawn(items, fields)
    assert same(DRAWINGS / f"{name}.txt", f"{name}: {why}", said(one, zone))


def test_the_day_of_the_goal_is_24_hours_long_when_the_clocks_go_forward() -> None:
    """Europe/Berlin, 30 March 2025: 02:00 became 03:00."""
    now = datetime(2025, 3, 30, 8, 0, tzinfo=BERLIN)
    chart = picture(lab(K, "4.0"), zone=BERLIN)
    one = trace(chart, aspen(), evaluate(chart, aspen(), now))
    assert one.goal is not None
    assert (one.now - one.goal.start).total_seconds() == 24 * 3600
    assert one.now.utcoffset() is not None
    assert one.goal.start.astimezone(BERLIN).hour == 7


def test_the_order_of_arrival_does_not_matter() -> None:
    for _, _, items, fields in (c.values for c in CASES):
        chart = picture(*items, **fields)
        turned = replace(
            chart, results=chart.results[::-1], energy_orders=chart.energy_orders[::-1], intakes=chart.intakes[::-1],
            replacements=chart.replacements[::-1], vitamin_orders=chart.vitamin_orders[::-1],
        )  # fmt: skip
        assert trace(chart, aspen(), evaluate(chart, aspen(), NOW)) == trace(
            turned, aspen(), evaluate(turned, aspen(), NOW)
        )


def test_a_sip_feed_counts_among_the_orders() -> None:
    one, _ = drawn((feed("10", 30, kind=EnergyKind.SUPPLEMENT, density="1.5"), draw(40), draw(5)), {})
    assert [(s.kcal, s.said) for s in one.ordered] == [(360, "oral supplement")]


def test_each_delivered_step_names_its_record() -> None:
    one, _ = drawn((feed("30", 40), delivered("700"), draw(62), draw(5)), {})
    assert [(s.kcal, len(s.sources)) for s in one.delivered] == [(700, 1)]
