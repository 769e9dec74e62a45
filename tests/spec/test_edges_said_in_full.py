"""Charts that a ward rarely sees, each said in full: every sentence, value, time, reference, protocol entry and sum.

What stands in `arguments/` is what a clinician reads of that chart; `why` is what it is there to show.
"""

# ruff: noqa: E501 - a row is a chart, and is read across

import re
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import date, time
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from andante.domain.picture import (
    DataNote,
    Delivery,
    EnergyKind,
    FindingKind,
    Firmness,
    Intake,
    IntakeKind,
    OrderState,
    Person,
    ReplacementOrder,
    RiskEntry,
    Stay,
    Vitamin,
    VitaminDose,
)
from pictures import (
    MG,
    VITAMINS,
    K,
    P,
    advise,
    aspen,
    bmi,
    bolus,
    citrate,
    collection,
    cyclic,
    days_without_intake,
    delivered,
    dextrose_drip,
    diet,
    dose,
    draw,
    feed,
    finding,
    goal,
    h,
    height,
    lab,
    lab_order,
    nice,
    nil_by_mouth,
    parenteral,
    planned,
    propofol,
    rate,
    vitamin,
    weight,
    with_choice,
    with_number,
)
from said_in_full import in_full, same

ARGUMENTS = Path(__file__).parent / "arguments"
BERLIN = ZoneInfo("Europe/Berlin")
FED = (feed("30", 40), draw(62), draw(5), VITAMINS)


def meals(percent: str, start: float, end: float) -> Intake:
    return delivered(percent, start=start, end=end, kind=IntakeKind.SHARE_OF_MEALS)


def share(percent: str, start: float, end: float) -> Intake:
    return delivered(percent, start=start, end=end, kind=IntakeKind.SHARE_OF_NEED)


BEFORE = (planned("30"), VITAMINS)


def masked(lines: Iterable[str]) -> Iterator[str]:
    """References numbered as they come: the builders count on from test to test."""
    seen: dict[str, str] = {}

    def number(found: re.Match[str]) -> str:
        return seen.setdefault(found[0], f"{found[1]}/{len(seen) + 1}")

    for line in lines:
        yield re.sub(r"([A-Z][A-Za-z]+)/(\d{5})/_history/1", number, line)


def case(id: str, why: str, *items: object, **fields: Any) -> Any:  # noqa: A002 - the word of pytest.param
    return pytest.param(id, why, items, fields, id=id)


CASES = [
    # ---- what runs
    case("a-second-feed-to-come", "a further order is told before it begins", FED, feed("20", -3, ordered=2)),
    case("two-feeds-at-once", "both count, and somebody has to look", FED, feed("10", 30)),
    case(
        "everything-together",
        "feed, vein, drip and sedation: who brings what, and what is left for the feed",
        feed("20", 60), parenteral("20", 60), dextrose_drip("40", 60), propofol("8", 30), goal("2100"),
        draw(80), draw(5), VITAMINS,
    ),
    case("boluses", "a step in mL a bolus", feed(deliveries=(bolus("120", 4),)), draw(62), draw(5), VITAMINS),
    case(
        "boluses-by-the-clock", "three meals by tube, in the hospital's zone",
        feed(deliveries=(Delivery(start=h(40), volume_ml=Decimal(200), times_of_day=(time(8), time(13), time(19))),)),
        draw(62), draw(5), VITAMINS, zone=BERLIN,
    ),
    case(
        "by-night-only", "a feed of 10 h a night",
        feed(deliveries=(cyclic("60", 10, time(20)),)), draw(62), draw(5), VITAMINS, zone=BERLIN,
    ),
    case("under-its-cap", "the cap counts, not the rate", feed("60", 40, max_ml="700"), draw(62), draw(5), VITAMINS),
    case(
        "an-order-that-rises", "stages of an order, one of them past the step",
        feed(deliveries=(rate("20", 40, 16), rate("30", 16, -4), rate("70", -4)), since=40), draw(62), draw(5), VITAMINS,
    ),
    case(
        "an-order-that-rises-under-a-hold", "told before it happens, urgent under a hold",
        feed(deliveries=(rate("30", 40, -4), rate("40", -4)), since=40), draw(62), draw(5, p="0.70"), VITAMINS,
    ),
    case("ended-nobody-knows-when", "an order without its end",
         FED, feed("10", 90, state=OrderState.ENDED)),
    case("no-density", "the energy cannot be summed", feed("30", 40, density=None), draw(62), draw(5), VITAMINS),
    case("paused", "off for five hours", feed("40", 60, state=OrderState.PAUSED, ended=5), draw(80), draw(5), VITAMINS),
    case("paused-without-a-weight", "off, and no allowance can be told",
         feed("40", 60, state=OrderState.PAUSED, ended=5), draw(80), draw(5), VITAMINS, kg=None),
    case("restarted", "an earlier course, stopped for more than a day",
         feed("40", 120, state=OrderState.ENDED, ended=60), feed("20", 30), draw(130), draw(5), VITAMINS),
    case("ready-after-an-earlier-course", "a new exposure",
         feed("40", 120, state=OrderState.ENDED, ended=60), BEFORE, draw(5)),
    case("eating", "oral diet only: no pump", diet(60, kcal="900"), draw(80), draw(5), VITAMINS),
    case("not-begun-when", "an order that does not say since when it runs",
         feed("30", None, ordered=None, deliveries=(Delivery(rate_ml_h=Decimal(30)),)), draw(5), VITAMINS),
    # ---- how much
    case("delivered-far-under", "find out why", FED, delivered("350")),
    case("delivered-in-kcal", "stated as energy", FED, delivered("300", kind=IntakeKind.ENERGY)),
    case("above-the-first-day", "1080 of 900 on day 1", feed("45", 10), draw(20), draw(3), VITAMINS),
    case("above-the-goal", "brought down", feed("80", 110), draw(130), draw(5), VITAMINS),
    case("a-little-above-the-goal", "within an increment", feed("76", 110), draw(130), draw(5), VITAMINS),
    case("just-under-the-goal", "no step fits", feed("74", 60), goal("1860"), draw(80), draw(5), VITAMINS),
    case("at-goal-delivered-under", "at goal by order, not by pump", feed("75", 110), draw(130), draw(5), VITAMINS, delivered("900")),
    case("goal-far-too-high", "a slip: the lesser of what is left", FED, goal("9000")),
    case("goal-far-too-low", "1.8 for 1800", FED, goal("1.8")),
    case("goal-unreadable-after-a-readable-one", "the readable one bounds", FED, goal("1500", 60), goal(None, 10)),
    case("jumped", "960 to 1800 in a step interval", feed(deliveries=(rate("40", 60), rate("75", 6)), since=60), draw(80), draw(3), VITAMINS),
    case("jumped-twice", "the later one is told", feed(deliveries=(rate("10", 60), rate("40", 20), rate("75", 6)), since=60), draw(80), draw(3), VITAMINS),
    case("settling", "one draw after a critical phosphate", feed("30", 60), draw(80), draw(20, p="0.30"), draw(3, p="0.95"), VITAMINS),
    case("by-vein", "a parenteral step and its grams", parenteral("40", 60), draw(80), draw(5), VITAMINS),
    case("by-vein-with-lipid", "an emulsion in the bag", parenteral("30", 60, lipid="0.04"), draw(80), draw(5), VITAMINS),
    case("ready-by-vein", "both limits of a parenteral start",
         parenteral("30", 1, state=OrderState.PLANNED), draw(5), VITAMINS),
    case("ready-nothing-ordered", "a standard formula is assumed", draw(5), VITAMINS),
    case("ready-with-sedation", "other energy is subtracted", BEFORE, propofol("10"), draw(5, k="5.4")),
    case("no-room-left-by-sedation", "other energy fills the allowance", BEFORE, propofol("40"), draw(5)),
    case("sedation-not-readable", "other energy cannot be summed", BEFORE, propofol(None), draw(5)),
    # ---- levels
    case("refractory", "three lows over a day and a half, two doses",
         feed("30", 60), draw(80), draw(39, p="0.70"), draw(27, p="0.70"), draw(3, p="0.70"), dose(P, ago=30), dose(P, ago=20), VITAMINS),
    case("refractory-and-cut", "the cut was made: held there",
         feed(deliveries=(rate("30", 60), rate("15", 20)), since=60), draw(80), draw(39, p="0.70"), draw(27, p="0.70"), draw(3, p="0.70"),
         dose(P, ago=30), dose(P, ago=24), VITAMINS),
    case("low-again-lower", "two lows, the second lower, two doses",
         feed("30", 60), draw(80), draw(30, p="0.75"), draw(3, p="0.70"), dose(P, ago=28), dose(P, ago=20), VITAMINS),
    case("critical-and-low", "one critical, one low, one high", feed("30", 60), draw(80), draw(3, k="2.4", p="0.75", mg="1.2"), VITAMINS),
    case("critically-high", "a high potassium may be the specimen", feed("30", 60), draw(80), draw(3, k="6.2"), VITAMINS),
    case("critical-before-feeding", "nothing to cut", BEFORE, draw(3, mg="0.40")),
    case("critical-while-paused", "off, and critical", feed("40", 60, state=OrderState.PAUSED, ended=5), draw(80), draw(3, p="0.30"), VITAMINS),
    case("severe-fall-bounded", "a fall known only as a bound", feed("30", 60), draw(80, p="1.60"), lab(P, "<0.9", 3), draw(3, p=None), VITAMINS),
    case("fall-from-above-the-range", "the kidney or treatment may be the cause", feed("30", 60), draw(80, p="2.00"), draw(3, p="1.55"), VITAMINS),
    case("organ-flag", "recorded an hour ago", FED, finding(FindingKind.ORGAN_DYSFUNCTION, ago=1, text="heart failure")),
    case("organ-flag-undated", "counts: the safer direction", FED, finding(FindingKind.THIAMINE_DEFICIENCY, ago=None)),
    case("doubtful-high-potassium", "a haemolysed high asks for a repeat", feed("30", 40), draw(62), draw(5, k=None), lab(K, "6.4", 5, haemolysed=True), VITAMINS),
    case("disagreeing-results", "the lower of two results of a draw counts", FED, lab(P, "0.75", 5)),
    case("own-range-not-believed", "a reference range that is a slip", feed("30", 40), draw(62), draw(5, k=None), lab(K, "4.0", 5, low="1.0", high="9.0"), VITAMINS),
    case("own-range", "its own believable range decides", feed("30", 40), draw(62), draw(5, k=None), lab(K, "3.6", 5, low="3.8", high="5.2"), VITAMINS),
    case("date-without-a-time", "the oldest instant for feeding, the newest for danger",
         feed("30", 40), draw(62), draw(5, p=None), lab(P, "0.95", 20, collected_latest=h(-4)), VITAMINS),
    case("undated-low", "no collection time", FED, lab(P, "0.60", None, reported=h(2))),
    case("from-the-future", "a collection time in the future", FED, lab(MG, "0.60", -30)),
    case("open-comparator", "more than 1.0 proves no high", feed("30", 40), draw(62), draw(5, k=None), lab(K, ">4.0", 5), VITAMINS),
    case("unreadable-and-implausible", "neither is used; both are named", FED, lab(K, None, 3), lab(P, "45", 3)),
    case("provisional-low", "may hold", FED, lab(MG, "0.60", 2, provisional=True)),
    case("provisional-in-range", "stale, with a provisional one in range", feed("30", 60), draw(80), draw(30), tuple(lab(a, v, 2, provisional=True) for a, v in ((K, "4.0"), (P, "1.0"), (MG, "0.8"))), VITAMINS),
    case("too-soon-after-a-dose", "not low, not firm", feed("30", 40), draw(62), draw(3), dose(P, ago=4, ended=3.5), VITAMINS),
    case("drawn-by-gas-and-serum", "whole blood beside serum", feed("30", 60), draw(80), draw(20), lab(K, "3.3", 3, blood=True), VITAMINS),
    # ---- draws
    case("drawn-never", "no result at all", feed("30", 10), VITAMINS),
    case("ordered-not-collected", "a draw is ordered", feed("30", 60), draw(80), draw(20), lab_order(planned=(3,)), VITAMINS),
    case("collected-no-result", "a specimen was taken", feed("30", 60), draw(80), draw(20), collection(ago=5), VITAMINS),
    case("gaps-of-three-kinds", "each analyte fails at another stage",
         feed("30", 60), draw(80), draw(20), lab_order(K, planned=(3,)), collection(P, ago=5), VITAMINS),
    case("series-of-draws", "every 12 h, none missed", FED, lab_order(first=65, every=12)),
    case("none-ordered-ahead", "due tonight, nobody ordered it", feed("30", 40), draw(62), draw(2), VITAMINS),
    case("before-feeding-stale", "the baseline is too old", BEFORE, draw(30)),
    case("before-feeding-low-and-missing", "one low, one missing", BEFORE, draw(5, p="0.70", mg=None)),
    case("before-feeding-low", "correct first, drawn too soon after a dose", BEFORE, draw(5, p="0.70"), dose(K, ago=6)),
    case("nice-before-feeding-low", "starts lowest while replacing", BEFORE, draw(5, p="0.70"), protocol=nice()),
    case("nice-before-feeding-low-disputed", "not with a result in doubt", BEFORE, draw(5, p="0.70"), lab(K, None, 3), protocol=nice()),
    # ---- vitamins
    case("thiamine-missing", "before and after", feed("30", 40), draw(62), draw(5)),
    case("thiamine-missing-after-a-dose", "a dose, but no order", feed("30", 40), draw(62), draw(5),
         vitamin_doses=(VitaminDose(vitamin=Vitamin.THIAMINE, given=h(4), source="MedicationAdministration/1"),)),
    case("thiamine-too-low", "50 mg", feed("30", 40), draw(62), draw(5), vitamin(Vitamin.THIAMINE, "50"), vitamin(Vitamin.MULTIVITAMIN)),
    case("thiamine-unreadable", "no dose stated", feed("30", 40), draw(62), draw(5), vitamin(Vitamin.THIAMINE), vitamin(Vitamin.MULTIVITAMIN)),
    case("vitamins-ending-early", "both end tomorrow", feed("30", 40), draw(62), draw(5), vitamin(Vitamin.THIAMINE, "100", end=-24), vitamin(Vitamin.MULTIVITAMIN, end=-24)),
    # ---- the patient
    case("read-in-part-while-fed", "holds", FED, incomplete=("Observation", "MedicationAdministration")),
    case("read-in-part-before-feeding", "starts nobody", BEFORE, draw(5), incomplete=("Observation",)),
    case("no-encounter", "named, and advised", FED, stay=None),
    case("outpatient", "not covered", FED, stay=Stay(source="Encounter/9/_history/1", in_progress=True, inpatient=False)),
    case("a-child", "not covered", FED, person=Person(born=date(2010, 1, 1))),
    case("age-not-known", "not covered", FED, person=Person()),
    case("dead", "the watch is over", FED, person=Person(born=date(1960, 5, 1), deceased=True)),
    case("gone-home", "the watch is over", FED, stay=Stay(source="Encounter/9/_history/1", in_progress=False, ended=h(2))),
    case("no-weight", "no allowance, no goal", BEFORE, draw(5), kg=None),
    case("old-weight", "not for sums", BEFORE, draw(5), weight("60", 24 * 31), kg=None),
    case("heavy-without-height", "obesity cannot be told", BEFORE, draw(5), weight("110"), kg=None),
    case("obese-with-oedema", "adjusted weight, and the oedema is said", BEFORE, draw(5), weight("120"), height("170"), finding(FindingKind.FLUID_OVERLOAD), kg=None),
    case("amputation", "said beside the weight", BEFORE, draw(5), height("170"), finding(FindingKind.AMPUTATION)),
    case("lighter-not-final", "a lower weight that is not firm feeds less", BEFORE, draw(5), weight("60", 30), weight("52", 4, firmness=Firmness.PROVISIONAL), kg=None),
    case("uncoded-analyte", "a note of the reader is told", FED, notes=(DataNote(code="uncoded-analyte", text="a result named K+ has no code", source="Observation/9/_history/1"),)),
    case("kidney", "may mask a depletion", FED, finding(FindingKind.RENAL_IMPAIRMENT)),
    # ---- risk
    case("risk-none", "everything charted, nothing met", draw(5), height("165"), weight("62", 24 * 60), weight("61", 24 * 120), days_without_intake("0"), at_risk=False),
    case("risk-unknown-fed-by-tube", "watched: the safer direction", FED, at_risk=False, kg=None),
    case("risk-unknown", "what would settle it", draw(5), at_risk=False, kg=None),
    case("risk-by-weight-loss", "9 % in three months", draw(5), height("165"), weight("66", 24 * 80), days_without_intake("2"), at_risk=False),
    case("risk-many-moderate", "several criteria of the second column", draw(5, k="3.3"), bmi("17.5"), finding(FindingKind.FAT_LOSS, "moderate"), finding(FindingKind.MUSCLE_LOSS, "severe"), finding(FindingKind.COMORBIDITY, "moderate"), days_without_intake("5"), at_risk=False),
    case("risk-extreme", "16 days without intake", BEFORE, draw(5), days_without_intake("16"), at_risk=False),
    case("risk-by-a-clinician", "wins upward only", draw(5), RiskEntry(tier="moderate", source="Flag/7/_history/1"), height("165"), days_without_intake("0"), at_risk=False),
    case("nice-risk", "the other protocol's criteria", draw(5), bmi("17.9"), days_without_intake("6"), finding(FindingKind.ALCOHOL_OR_DRUGS), finding(FindingKind.DRUG_HISTORY), at_risk=False, protocol=nice()),
    # ---- late
    case("stood-down", "day 8, at goal, all in range", feed("75", 185), tuple(draw(ago) for ago in (200, 100, 76, 52, 28, 4)), VITAMINS),
    case("late-low", "a low on day 8", feed("75", 185), tuple(draw(ago) for ago in (200, 100, 76, 52, 28)), draw(4, p="0.70"), VITAMINS),
    case("stable-every-24-h", "wider once stable", feed("75", 100), draw(120), draw(30), draw(20), VITAMINS),
    # ---- what is eaten, and what is documented
    case("eats-two-thirds", "three meals of the day, documented by share", diet(60, kcal="1200"),
         meals("50", 24, 18), meals("100", 16, 10), meals("50", 8, 1), draw(80), draw(5), VITAMINS),
    case("eats-beside-a-feed", "the feed is a part of it", feed("20", 60), diet(60, kcal="900"),
         meals("60", 24, 0), goal("1900"), draw(80), draw(5), VITAMINS),
    case("food-records-beside-a-feed", "all sources, less the feed and the sedation", feed("20", 60), diet(60), propofol("5", 60),
         delivered("1000", kind=IntakeKind.ENERGY), goal("1900"), draw(80), draw(5), VITAMINS),
    case("diet-of-unknown-energy", "how much is eaten is not known", feed("20", 60), diet(60, kcal="900"), draw(80), draw(5), VITAMINS),
    case("two-densities", "no energy can be told from the volume", feed("20", 60), feed("20", 60, density="1.5"),
         delivered("900"), draw(80), draw(5), VITAMINS),
    case("delivered-in-two-shifts", "two records follow each other", FED, delivered("300", start=24, end=12), delivered("250", start=12, end=1)),
    case("supplement-beside-a-feed", "a sip feed counts", feed("20", 60), feed("10", 60, kind=EnergyKind.SUPPLEMENT, density="1.5"),
         draw(80), draw(5), VITAMINS),
    case("citrate", "energy of an anticoagulant", feed("20", 60), citrate("100", 30), draw(80), draw(5), VITAMINS),
    case("emulsion-beside-a-feed", "a lipid emulsion by its printed energy", feed("20", 60),
         parenteral("10", 60, dextrose="0", amino_acids="0", lipid="0.2", emulsion=True), draw(80), draw(5), VITAMINS),
    # ---- what an order says
    case("an-instruction", "shown as it stands", feed("30", 40, instruction="pause  for theatre\nat noon"), draw(62), draw(5), VITAMINS),
    case("a-long-instruction", "cut to a line or two", feed("30", 40, instruction="slowly " * 60), draw(62), draw(5), VITAMINS),
    case("many-stages", "the first twelve are written out",
         feed(deliveries=tuple(rate(str(10 + i), 60 - i, 59 - i if i < 13 else None) for i in range(14)), since=60), draw(80), draw(5), VITAMINS),
    case("density-from-the-site", "the density is not the order's own", feed("30", 40, density_from="the site's table"), draw(62), draw(5), VITAMINS),
    case("boluses-that-rise", "a larger amount, without a rate",
         feed(deliveries=(bolus("100", 4, 60, until=-4), bolus("160", 4, -4)), since=60), draw(80), draw(5), VITAMINS),
    case("a-feed-to-come-of-unknown-energy", "it is told all the same", FED, feed("20", -3, ordered=2, density=None)),
    case("two-feeds-to-come", "the first one is told", FED, feed("20", -6, ordered=2), feed("15", -3, ordered=2)),
    case("a-start-to-come", "ordered to begin before anything was advised", feed("20", -3, ordered=2), draw(5), VITAMINS),
    case("goal-with-its-own-problem", "what the reader says of it", FED, goal(None, 10, problem="it is written in kJ a day")),
    case("by-vein-near-the-ceiling", "bounded by glucose", parenteral("60", 60, dextrose="0.25"), draw(80), draw(5), VITAMINS),
    case("by-vein-above-the-ceiling", "all glucose together", parenteral("60", 60, dextrose="0.15"), dextrose_drip("110", 60, percent="10"),
         draw(80), draw(5), VITAMINS),
    case("by-vein-under-its-cap", "the cap is sized, in grams too", parenteral("60", 60, max_ml="700"), draw(80), draw(5), VITAMINS),
    case("ready-under-a-cap", "a planned bag with a most a day", parenteral("60", 1, state=OrderState.PLANNED, max_ml="800"), draw(5), VITAMINS),
    case("ready-with-an-infusion", "glucose that drips already", parenteral("30", -1), dextrose_drip("50", 60), draw(5), VITAMINS),
    case("ready-by-boluses", "a start in mL a bolus", feed(deliveries=(bolus("100", 4, -1),), since=-1, ordered=2), draw(5), VITAMINS),
    case("no-room-for-a-step", "at the glucose ceiling, below the goal", parenteral("72", 60, dextrose="0.25"), goal("2400"), draw(80), draw(5), VITAMINS),
    # ---- levels
    case("lower-limit-not-believed", "a lower reference limit that is a slip", feed("30", 40), draw(62), draw(5, k=None),
         lab(K, "4.0", 5, low="1.0", high="5.0"), VITAMINS),
    case("two-high", "two highs beside a step", feed("30", 60), draw(80), draw(3, k="5.6", mg="1.20"), VITAMINS),
    case("high-after-a-dose", "a high and a dose on the same day", feed("30", 60), draw(80), draw(3, k="5.6"), dose(K, ago=20), VITAMINS),
    case("fast-fall", "fast, though mild", feed("30", 60), draw(80, p="1.20"), draw(12, p="1.18"), draw(3, p="1.00"), VITAMINS),
    case("fast-fall-of-no-grade", "a site that holds from 8 % in its hours", feed("30", 60), draw(80, p="1.18"), draw(12, p="1.18"),
         draw(3, p="1.08"), VITAMINS, protocol=with_number(aspen(), "fall.fast", "8")),
    case("fast-within-a-far-fall", "a part of it fast", feed("30", 60), draw(80, p="1.30"), draw(14, p="1.20"), draw(3, p="1.00"), VITAMINS),
    case("settling-two", "two analytes settle", feed("30", 60), draw(80), draw(20, p="0.30", k="2.4"), draw(3, p="0.95", k="3.9"), VITAMINS),
    case("settling-while-paused", "off, and not settled", feed("40", 60, state=OrderState.PAUSED, ended=5), draw(80), draw(20, p="0.30"),
         draw(3, p="0.95"), VITAMINS),
    case("settling-after-a-jump", "both are said",
         feed(deliveries=(rate("20", 60), rate("55", 10)), since=60), draw(80), draw(20, p="0.30"), draw(3, p="0.95"), VITAMINS),
    case("two-too-soon", "the newest of two is told", feed("30", 40), draw(62), draw(3), draw(2), dose(P, ago=4, ended=3.5), VITAMINS),
    case("implausible-and-undated", "set aside, each with its reason", FED, lab(K, "12", 3), lab(P, "0.95", None, reported=h(2)),
         lab(MG, None, 2), lab(MG, "0.85", 2, haemolysed=True)),
    case("low-by-a-bound", "less than 0.5", feed("30", 60), draw(80), draw(20), lab(P, "<0.5", 3), draw(3, p=None), VITAMINS),
    case("refractory-and-critical", "the stricter of two answers",
         feed("30", 60), draw(80), draw(39, p="0.70"), draw(27, p="0.70"), draw(3, p="0.70", k="6.2"), dose(P, ago=30), dose(P, ago=20), VITAMINS),
    case("doses-named", "two doses in words, one still running", feed("30", 60), draw(80), draw(3, p="0.70"),
         replace(dose(P, ago=20), text="sodium glycerophosphate 10 mmol"), dose(P, K, ago=10, ended=4), VITAMINS),
    case("low-and-above-the-first-day", "brought down under a low", feed("45", 10), draw(20), draw(3, p="0.75"), VITAMINS),
    case("gap-and-above-the-goal", "brought down under a gap", feed("80", 60), draw(80), draw(20), VITAMINS),
    case("critical-on-the-first-day", "halved, and not above the allowance", feed("90", 10), draw(20), draw(3, p="0.30"), VITAMINS),
    case("critical-with-sedation", "what a drug brings stays", feed("30", 60), propofol("30", 60), draw(80), draw(3, p="0.30"), VITAMINS),
    case("stop-at-a-critical-level", "a site that stops", feed("30", 60), draw(80), draw(3, p="0.30"), VITAMINS,
         protocol=with_choice(aspen(), "critical_low", "stop")),
    # ---- draws and vitamins
    case("specimen-taken-then-another", "both are with the laboratory", feed("30", 60), draw(80), draw(20), collection(K, ago=5), collection(K, ago=3), VITAMINS),
    case("dues-apart", "due at different hours", feed("30", 60), draw(80), draw(20, p=None, mg=None), draw(18, k=None, mg=None), draw(4, k=None, p=None), VITAMINS),
    case("ahead-apart", "two due at different hours, nobody ordered them", feed("30", 40), draw(62), draw(5, p=None), draw(3, k=None, mg=None), VITAMINS),
    case("thiamine-from-two-orders", "both count, the later end", feed("30", 40), draw(62), draw(5), vitamin(Vitamin.THIAMINE, "50", end=-24),
         vitamin(Vitamin.THIAMINE, "50", end=-30), vitamin(Vitamin.MULTIVITAMIN)),
    case("thiamine-taken-over", "an order takes over where one ends", feed("30", 40), draw(62), draw(5), vitamin(Vitamin.THIAMINE, "100", end=-24),
         vitamin(Vitamin.THIAMINE, "100", start=-30, end=-70), vitamin(Vitamin.MULTIVITAMIN)),
    # ---- risk
    case("risk-fine-by-record", "an old weight and a diet history settle it", draw(5), height("165"), weight("62", 24 * 100), weight("62", 24 * 25),
         weight("61", 24 * 170), share("90", 24 * 12, 2), days_without_intake("0"), at_risk=False),
    case("risk-by-a-reduced-intake", "half of the need over eight days", draw(5), share("45", 24 * 8, 1), height("165"), at_risk=False),
    case("risk-by-intake-in-parts", "a record, an order for nothing, a statement", draw(5), share("40", 24 * 9, 24 * 5), nil_by_mouth(24 * 5),
         days_without_intake("2", 24), height("165"), at_risk=False),
    case("risk-by-low-levels", "two low before feeding", draw(5, k="3.3", p="0.60"), height("165"), days_without_intake("0"), at_risk=False),
    case("risk-by-findings", "two findings of one kind", draw(5), finding(FindingKind.COMORBIDITY, "severe", text="anorexia nervosa"),
         finding(FindingKind.COMORBIDITY, "moderate", ago=None, text="short bowel"), height("165"), at_risk=False),
    case("risk-seen-on-a-feed", "levels and intake before it began", feed("30", 60), draw(80, p="0.60"), draw(5), share("30", 24 * 12, 60),
         height("165"), VITAMINS, at_risk=False),
    case("risk-by-an-old-weight", "a thin patient weighed long ago", draw(5), weight("45", 24 * 40), height("165", 24 * 40), at_risk=False, kg=None),
    # ---- sums that a ward rarely sees
    case("risk-by-a-charted-index", "an index without a weight", draw(5), height("165"), bmi("17.5"), at_risk=False, kg=None),
    case("obese-and-short", "shorter than the ideal weight counts from", BEFORE, draw(5), weight("100"), height("150"), kg=None),
    case("lowest-start-of-a-site", "a site that starts its lowest tier at 12 kcal/kg", BEFORE, draw(5), days_without_intake("16"), at_risk=False,
         protocol=with_number(aspen(), "energy.initial_extreme", "12")),
    case("nice-lowest-start", "the heart rhythm is watched", BEFORE, draw(5), bmi("13.5"), protocol=nice()),
    case("by-vein-with-an-emulsion", "an emulsion mixed with dextrose and amino acids", parenteral("30", 60, lipid="0.2", emulsion=True), draw(80), draw(5), VITAMINS),
    case("two-bags-by-vein", "both bring dextrose", parenteral("30", 60), parenteral("20", 60, dextrose="0.2"), draw(80), draw(5), VITAMINS),
    case("by-vein-without-a-weight", "no rate of glucose can be told", parenteral("30", 60), goal("1800"), draw(80), draw(5), VITAMINS, kg=None),
    case("ready-by-vein-beside-two-drips", "the day's dextrose, less what two drips bring",
         parenteral("30", 1, state=OrderState.PLANNED), dextrose_drip("20", 30), dextrose_drip("10", 30, percent="10"), draw(5), VITAMINS),
    case("eats-nothing", "a diet that stays on the tray", diet(60, kcal="1800"), meals("0", 24, 0), draw(80), draw(5), VITAMINS),
    case("eats-above-the-goal", "nothing is pumped that could be brought down", diet(60, kcal="2000"), meals("100", 24, 0), draw(80), draw(5), VITAMINS),
    case("eats-and-waits", "the interval is open", diet(20, kcal="800"), meals("100", 14, 0), draw(30), draw(5), VITAMINS),
    case("food-records-of-23-hours", "a day with a short night", feed("20", 60), diet(60), delivered("1000", start=23, end=0, kind=IntakeKind.ENERGY),
         goal("1900"), draw(80), draw(5), VITAMINS),
    case("energy-recorded-beside-a-feed-of-unknown-density", "no share of what was ordered", feed("30", 60, density=None),
         delivered("700", kind=IntakeKind.ENERGY), draw(80), draw(5), VITAMINS),
    case("three-accounts", "of records that contradict each other all are told", feed("30", 60), delivered("700"),
         replace(delivered("300", start=20, end=4), firmness=Firmness.PROVISIONAL), replace(delivered("1100", start=18, end=2), firmness=Firmness.PROVISIONAL),
         draw(80), draw(5), VITAMINS),
    case("delivered-nothing", "a record of no volume", FED, delivered("0")),
    case("diet-of-implausible-energy", "a slip is not summed", diet(60, kcal="100"), meals("100", 24, 0), draw(80), draw(5), VITAMINS),
    # ---- dangers where nothing is pumped, or something was cut
    case("critical-while-eating", "half of what is eaten", diet(60, kcal="1800"), meals("100", 24, 0), draw(80), draw(3, p="0.30"), VITAMINS),
    case("refractory-while-eating", "no rate to name", diet(60, kcal="1800"), meals("100", 24, 0),
         draw(80), draw(39, p="0.70"), draw(27, p="0.70"), draw(3, p="0.70"), dose(P, ago=30), dose(P, ago=20), VITAMINS),
    case("critical-and-cut-beside-sedation", "the feed was halved since", feed(deliveries=(rate("60", 60), rate("30", 8)), since=60), propofol("10", 60),
         draw(80), draw(10, p="0.30"), draw(3, p="0.31"), VITAMINS),
    case("refractory-before-feeding", "nothing runs that could be cut", BEFORE, draw(39, p="0.70"), draw(27, p="0.70"), draw(3, p="0.70"),
         dose(P, ago=30), dose(P, ago=20)),
    case("falling-and-above-the-goal", "brought down under a fall", feed("80", 60), draw(80, p="1.30"), draw(3, p="1.00"), VITAMINS),
    case("no-room-with-a-high-level", "no step fits, and a high is said", parenteral("120", 60), goal("2600"), draw(80), draw(5, k="5.4"), VITAMINS),
    case("two-matrices-falling-fast", "the further of two falls is told", feed("30", 200), draw(12, k="4.8"), draw(3, k="3.9"),
         lab(K, "4.9", 12, blood=True), lab(K, "3.8", 3, blood=True), VITAMINS),
    # ---- gaps and entries in odd orders
    case("gaps-of-two-states", "each is told with its own lack", feed("30", 60), draw(80, k=None), draw(20, k=None), lab(K, None, 3), VITAMINS),
    case("entered-late", "of two drawn too soon the newest is told, whichever was entered last", feed("30", 40), draw(62), draw(2), draw(3), dose(P, ago=4, ended=3.5), VITAMINS),
    case("read-in-two-parts-before-feeding", "both are named", BEFORE, draw(5), incomplete=("Observation", "MedicationAdministration")),
    case("weights-disagree", "two weights of a week, a sixth apart", BEFORE, draw(5), weight("70", 24 * 4), weight("60"), kg=None),
    case("paused-by-vein", "what is off brings no glucose", parenteral("60", 60, state=OrderState.PAUSED, ended=5), draw(80), draw(5), VITAMINS),
    case("goal-far-too-low-before-feeding", "1.8 for 1800: nobody starts on it", BEFORE, draw(5), goal("1.8")),
    case("interval-open-and-delivered-under", "both are said", feed(deliveries=(rate("20", 60), rate("30", 10)), since=60), delivered("200"), draw(80), draw(5), VITAMINS),
    case("nice-low-by-vein-with-kidney-disease", "starts lowest by vein, and levels may look better than the stores",
         parenteral("30", 1, state=OrderState.PLANNED), draw(5, p="0.70"), finding(FindingKind.RENAL_IMPAIRMENT), protocol=nice()),
    case("two-drugs-not-readable", "both are named", BEFORE, propofol(None), dextrose_drip(None), draw(5)),
    case("kidney-and-dried-out", "two reasons why levels may look better than the stores", FED, finding(FindingKind.RENAL_IMPAIRMENT), finding(FindingKind.DEHYDRATION)),
    case("planned-of-unknown-density", "a plan that cannot be summed", planned("30", density=None), VITAMINS, draw(5)),
    case("goal-below-the-first-day", "the goal bounds the first day", BEFORE, goal("800"), draw(5)),
    case("critical-by-vein", "half of a bag that brings no whole number", parenteral("35", 60), draw(80), draw(3, p="0.30"), VITAMINS),
    case("no-grace-of-a-site", "a site that wants each draw to the hour", FED, protocol=with_number(aspen(), "evidence.freshness_grace", "0")),
    case("two-critical", "two dangers, each with its limit", feed("30", 60), draw(80), draw(3, k="2.4", p="0.30"), VITAMINS),
    case("eats-at-the-goal", "by what was documented", diet(60, kcal="1800"), meals("100", 24, 0), draw(80), draw(5), VITAMINS),
    case("settling-and-delivered-under", "both with their facts", feed("30", 60), delivered("350"), draw(80), draw(20, p="0.30"), draw(3, p="0.95"), VITAMINS),
    case("a-plan-beside-a-feed", "what nobody has signed is no part of the course", FED, planned("50")),
    case("low-and-too-soon-entered-late", "one low; of two drawn too soon the newest is told", feed("30", 40), draw(62), draw(2, p="1.05", mg="0.60"), draw(3), dose(P, ago=4, ended=3.5), VITAMINS),
    case("low-and-too-soon-entered-in-order", "whichever was entered last", feed("30", 40), draw(62), draw(3), draw(2, p="1.05", mg="0.60"), dose(P, ago=4, ended=3.5), VITAMINS),
    case("dried-out", "no dialysis is spoken of", FED, finding(FindingKind.DEHYDRATION)),
    case("refractory-with-another-dose", "a dose of potassium is no answer to phosphate", feed("30", 60), draw(80), draw(39, p="0.70"), draw(27, p="0.70"), draw(3, p="0.70"),
         dose(P, ago=30), dose(P, ago=20), dose(K, ago=25), VITAMINS),
    case("by-vein-without-dextrose", "no glucose is spoken of", parenteral("30", 60, dextrose="0", amino_acids="0.1"), draw(80), draw(5), VITAMINS),
    case("settling-by-a-site", "a site that wants three draws", feed("30", 60), draw(80), draw(20, p="0.30"), draw(3, p="0.95"), VITAMINS,
         protocol=with_number(aspen(), "response.settle_draws", "3")),

    # ---- what is easily passed over
    case("low-beside-a-running-dose", "a low, and potassium drawn while its dose still runs", feed("30", 40), draw(62), draw(5, p="0.70"), dose(K, ago=8, running=True), VITAMINS),
    case("running-dose-alone", "held for a draw during a dose", feed("30", 40), draw(62), draw(5), dose(K, ago=8, running=True), VITAMINS),
    case("low-beside-a-spread-dose", "a dose of another electrolyte still runs, this one has ended", feed("30", 40), draw(62), draw(5, p="0.70"), dose(K, ago=6, ended=5.5), dose(MG, ago=8, running=True), VITAMINS),
    case("drip-before-the-feed", "glucose runs before the first feed", dextrose_drip("84", 20), planned("30"), goal("3000"), draw(5), VITAMINS),
    case("drip-and-critical", "a critical level under a drip", dextrose_drip("84", 20), planned("30"), goal("3000"), draw(5, k="2.4"), VITAMINS),
    case("drip-and-missing", "a draw first, under a drip", dextrose_drip("84", 20), planned("30"), goal("3000"), draw(5, mg=None), VITAMINS),
    case("past-danger-of-two", "two critical levels of days before a start", planned("30"), draw(100, k="2.4", p="0.30"), draw(90, k="2.5"), draw(20), draw(5), VITAMINS),
    case("ordered-and-not-given", "orders for replacement, and no dose", feed("30", 40), draw(62), draw(5, p="0.70", k="3.2"), VITAMINS,
         ReplacementOrder(analytes=frozenset({P}), start=h(9), source="MedicationRequest/b"), ReplacementOrder(analytes=frozenset({K, P}), start=h(8), text="Potassium phosphate", source="MedicationRequest/a")),
    case("feed-gives-way-to-two", "a drip and a drug above the goal", feed("60", 60), propofol("50", 60), dextrose_drip("200", 60), draw(80), draw(5), VITAMINS),
    case("no-draw-since-a-jump", "all were drawn before the energy jumped, days after the start", feed(deliveries=(rate("30", 200), rate("60", 3)), since=200), draw(210), draw(5), VITAMINS),
    case("no-draw-since-a-restart", "all were drawn before feeding was restarted", feed("30", 120, state=OrderState.ENDED, ended=90), feed("30", 3), draw(125), draw(5), VITAMINS),
    case("ended-three-hours-ago", "nothing runs, and no rate is known", feed("30", 40, state=OrderState.ENDED, ended=3), draw(62), draw(5), VITAMINS),
    case("ended-and-critical", "a critical level after the order was ended", feed("30", 40, state=OrderState.ENDED, ended=3), draw(62), draw(5, k="2.4"), VITAMINS),
    case("above-what-steps-come-to", "full energy on the second day, and a low", feed("75", 40), draw(62), draw(5, p="0.75"), VITAMINS),
    case("slip-of-the-pen", "ten times the rate", feed(deliveries=(rate("30", 60), rate("300", 3)), since=60), draw(80), draw(5), VITAMINS),
    case("held-after-a-jump-by-a-site", "a site that holds at a critical level, after a jump", feed(deliveries=(rate("30", 60), rate("75", 3)), since=60), draw(80), draw(5, k="2.4"), VITAMINS,
         protocol=with_choice(aspen(), "critical_low", "hold")),
    case("feed-gives-way-to-a-bag", "a tube feed beside a bag that is above the goal", feed("60", 60), parenteral("120", 60), draw(80), draw(5), VITAMINS),
    case("boluses-under-a-cap", "kept, the cap ends the day's feed", feed(deliveries=(bolus("120", 4),), max_ml="500"), draw(62), draw(5, p="0.70"), VITAMINS),
    case("by-night-under-a-cap", "kept, the cap ends the night's feed", feed(deliveries=(cyclic("60", 10, time(20)),), max_ml="300"), draw(62), draw(5, p="0.70"), VITAMINS),
    case("low-haemolysed-and-fallen", "a doubtful specimen is named once", feed("30", 40), draw(62), draw(5, k=None), lab(K, "3.2", 5, haemolysed=True), VITAMINS),
    case("two-lows-two-highs-in-doubt", "each low waits for its repeat", feed("30", 40), draw(62), draw(9, k="3.2", p="0.70"), lab(K, "6.4", 3, haemolysed=True), lab(P, "2.4", 3, haemolysed=True), VITAMINS),
    case("protein-alone", "amino acids by vein and nothing else", parenteral("30", 60, dextrose="0", amino_acids="0.1"), draw(80), draw(5), VITAMINS),
    case("protein-alone-planned", "nothing to size a start by", parenteral("30", dextrose="0", amino_acids="0.1", state=OrderState.PLANNED), draw(5), VITAMINS),
    case("by-vein-beside-a-drip", "dextrose that drips counts in the grams of a start by vein", parenteral("30", state=OrderState.PLANNED), dextrose_drip("40", 20), draw(5), VITAMINS),
    case("first-drawn-on-a-feed", "no baseline", feed("30", 40), draw(14), draw(5), VITAMINS),
    case("two-reasons-unusable", "one to be drawn again, one to be put right", feed("30", 40), draw(62), draw(20), lab(K, "45", 3), lab(P, None, 3), VITAMINS),
    case("due-now-and-later", "one draw is due since an hour, the others are to come", feed("30", 40), draw(62), lab(K, "4.0", 13), lab(P, "1.00", 11), lab(MG, "0.80", 11), VITAMINS),
]  # fmt: skip


@pytest.mark.parametrize(("name", "why", "items", "fields"), CASES)
def test_what_is_said_in_full(name: str, why: str, items: tuple[object, ...], fields: dict[str, Any]) -> None:
    said = advise(*items, **{"zone": BERLIN, **fields})  # not the zone of the machine: every instant must be told in it
    assert same(
        ARGUMENTS / f"{name}.txt",
        f"{name}: {why}",
        masked(in_full(said, BERLIN, with_risk="risk" in name)),
    )
