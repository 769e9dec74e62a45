"""Hypothesis strategies for charts: ordinary ones, near every threshold, and weird ones, near no sense at all."""

from datetime import datetime, time, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from hypothesis import strategies as st

from andante.domain.picture import (
    Collection,
    Composition,
    DataNote,
    Delivery,
    EnergyGoal,
    EnergyKind,
    EnergyOrder,
    Finding,
    FindingKind,
    Firmness,
    Intake,
    IntakeKind,
    LabOrder,
    LabOrderState,
    LabResult,
    Matrix,
    MeasureKind,
    Measurement,
    OrderState,
    Person,
    Picture,
    ReplacementDose,
    RiskEntry,
    Stay,
    Vitamin,
    VitaminDose,
    VitaminOrder,
)
from andante.domain.quantities import Analyte, Level
from pictures import ALL, MG, NOW, K, P, feed, h, lab, parenteral, picture, propofol

ZONES = (ZoneInfo("UTC"), ZoneInfo("Europe/Berlin"), ZoneInfo("America/St_Johns"))
# Around every limit: critical, low, in range, a warning and a holding fall, high, critical high.
_LEVELS = {
    K: ("2.4", "2.5", "2.6", "3.4", "3.5", "3.6", "4.0", "4.4", "5.0", "5.1", "5.9", "6.0"),
    P: ("0.31", "0.32", "0.33", "0.79", "0.80", "0.81", "0.90", "1.10", "1.45", "1.50", "2.00"),
    MG: ("0.41", "0.42", "0.69", "0.70", "0.72", "0.85", "1.00", "1.01", "1.80", "1.90"),
}
_FINE = {K: ("3.6", "4.0", "4.4", "5.0"), P: ("0.81", "0.90", "1.10"), MG: ("0.70", "0.72", "0.85", "1.00")}


@st.composite
def good_draws(draw: st.DrawFn, analyte: Analyte) -> tuple[LabResult, ...]:
    """A baseline and a recent draw, in range more often than not, so that every rule is reached."""
    recent = draw(st.sampled_from(_FINE[analyte]) | st.sampled_from(_LEVELS[analyte]))
    before = draw(st.sampled_from(_FINE[analyte]))
    return (
        lab(analyte, before, draw(st.sampled_from((60, 130, 160)))),
        lab(analyte, recent, draw(st.sampled_from((1, 4, 9, 13.9, 14, 14.1, 23.9)))),
    )


@st.composite
def odd_result(draw: st.DrawFn, analyte: Analyte) -> LabResult:
    value = Decimal(draw(st.sampled_from(_LEVELS[analyte])))
    level = draw(
        st.sampled_from(
            (
                Level.exact(value),
                None,
                Level.compared("<", value),
                Level.compared(">", value),
                Level.compared("<=", value),
            )
        )
    )
    ago = draw(st.sampled_from((None, -30, -0.1, 0, 1, 4, 13, 15, 40, 90, 200, 4000)))
    fuzzy = ago is not None and draw(st.booleans())
    return lab(
        analyte,
        level,
        ago,
        provisional=draw(st.booleans()),
        haemolysed=draw(st.booleans()),
        blood=draw(st.booleans()),
        collected_latest=h(ago) + timedelta(hours=20) if fuzzy and ago is not None else None,
        reported=draw(st.sampled_from((None, h(2), h(300)))),
    )


@st.composite
def fed_orders(draw: st.DrawFn) -> tuple[EnergyOrder, ...]:
    """Courses a ward knows: continuous, stepped, bolus, cyclic, parenteral, several at once, paused, ended."""
    since = draw(st.sampled_from((2, 10, 23.9, 24, 30, 60, 100, 200)))
    rate = str(draw(st.sampled_from((5, 12, 20, 30, 40, 60, 75, 80, 120))))
    density = draw(st.sampled_from(("1.0", "1.2", "1.5", "2.0")))
    start = h(since)
    deliveries = draw(
        st.sampled_from(
            (
                (Delivery(start=start, rate_ml_h=Decimal(rate)),),
                (Delivery(start=start, rate_ml_h=Decimal(20)), Delivery(start=h(since / 2), rate_ml_h=Decimal(rate))),
                (Delivery(start=start, rate_ml_h=Decimal(20)), Delivery(start=h(-4), rate_ml_h=Decimal(rate))),
                (Delivery(start=start, volume_ml=Decimal(rate) * 4, every=timedelta(hours=4)),),
                (Delivery(start=start, volume_ml=Decimal(rate) * 4, times_of_day=(time(8), time(13), time(20))),),
                (
                    Delivery(
                        start=start,
                        rate_ml_h=Decimal(rate),
                        duration=timedelta(hours=draw(st.sampled_from((7, 12, 16)))),
                        times_of_day=(time(20),),
                    ),
                ),
                (
                    Delivery(start=start, rate_ml_h=Decimal(rate)),
                    Delivery(start=start, volume_ml=Decimal(100), every=timedelta(hours=6)),
                ),
            )
        )
    )
    state = draw(st.sampled_from((OrderState.ACTIVE,) * 6 + (OrderState.PAUSED, OrderState.ENDED, OrderState.PLANNED)))
    ended = None if state in (OrderState.ACTIVE, OrderState.PLANNED) else draw(st.sampled_from((0.5, 5, 23, 25)))
    if ended is not None:
        ended = min(ended, since)
    max_ml = draw(st.sampled_from((None, None, None, "500", "880")))
    orders = [feed(rate, since, density=density, deliveries=deliveries, state=state, ended=ended, max_ml=max_ml)]
    if draw(st.integers(0, 3)) == 0:
        orders.append(parenteral(str(draw(st.sampled_from((10, 40, 83)))), draw(st.sampled_from((5, 30, 60)))))
    if draw(st.integers(0, 3)) == 0:
        orders.append(propofol(str(draw(st.sampled_from((5, 20, 60))))))
    if draw(st.integers(0, 4)) == 0:
        orders = orders[1:]
    return tuple(orders)


@st.composite
def ordinary(draw: st.DrawFn) -> Picture:
    """A watched adult whose chart makes sense; sometimes with one odd result in it."""
    results = tuple(r for a in ALL for r in draw(good_draws(a)))
    odd = tuple(draw(st.lists(st.sampled_from(ALL).flatmap(odd_result), max_size=1)))
    goal = draw(st.sampled_from((None, None, "650", "1500", "2400", "9999", "3")))
    goals = (EnergyGoal(kcal_day=Decimal(goal), stated=h(60), source="Goal/1/_history/1"),) if goal else ()
    doses = tuple(
        ReplacementDose(analytes=frozenset({a}), given=h(ago), source=f"MedicationAdministration/{i}")
        for i, (a, ago) in enumerate(
            draw(st.lists(st.tuples(st.sampled_from(ALL), st.sampled_from((2, 8, 30, 50))), max_size=3))
        )
    )
    return picture(
        *draw(fed_orders()),
        results,
        odd,
        goals,
        doses,
        kg=draw(st.sampled_from(("60", "60", "38.5", "97.3", None))),
        zone=draw(st.sampled_from(ZONES)),
    )


# --------------------------------------------------------------------------- no sense at all

_numbers = st.sampled_from(
    tuple(
        Decimal(n) for n in ("0", "-1", "-1E+30", "1E-30", "1E+30", "0.5", "1", "1.00", "20", "75", "1440", "0.00001")
    )
) | st.decimals(min_value=Decimal("-10"), max_value=Decimal("5000"), allow_nan=False, allow_infinity=False, places=3)
_maybe = st.none() | _numbers


@st.composite
def _instants(draw: st.DrawFn) -> datetime:
    hours = draw(
        st.sampled_from((-900000, -48, -24, -1, 0, 0.001, 1, 12, 24, 48, 72, 120, 168, 900000)) | st.floats(-400, 400)
    )
    return h(round(hours, 3)).astimezone(draw(st.sampled_from(ZONES)))


_when = st.none() | _instants()
_SECONDS = (0.000001, 60, 3600, 14_400, 18_000, 86_400, 0, -14_400, 86_400 * 400_000)
_spans = st.none() | st.sampled_from(tuple(timedelta(seconds=s) for s in _SECONDS))
_problems = st.none() | st.just("it cannot be read")
_refs = st.sampled_from(("", "X/1/_history/1", "X/2/_history/1", "X/3/_history/9"))


def _weird_delivery() -> st.SearchStrategy[Delivery]:
    return st.builds(
        Delivery,
        start=_when,
        end=_when,
        rate_ml_h=_maybe,
        volume_ml=_maybe,
        every=_spans,
        duration=_spans,
        times_of_day=st.lists(st.sampled_from((time(0), time(2, 30), time(8), time(8), time(23, 59))), max_size=4).map(
            tuple
        ),
        problem=_problems,
    )


def _weird_order() -> st.SearchStrategy[EnergyOrder]:
    mixes = st.none() | st.builds(
        Composition,
        dextrose_g_ml=_numbers,
        amino_acids_g_ml=_numbers,
        lipid_g_ml=_numbers,
        lipid_is_emulsion=st.booleans(),
        citrate_mmol_ml=_numbers,
    )
    return st.builds(
        EnergyOrder,
        kind=st.sampled_from(EnergyKind),
        state=st.sampled_from(OrderState),
        ordered=_when,
        ended=_when,
        density_kcal_ml=_maybe,
        composition=mixes,
        deliveries=st.lists(_weird_delivery(), max_size=4).map(tuple),
        max_ml_day=_maybe,
        nil_by_mouth=st.booleans(),
        problem=_problems,
        source=_refs,
    )


def _levels() -> st.SearchStrategy[Level | None]:
    compared = st.builds(Level.compared, st.sampled_from(("<", "<=", ">", ">=")), _numbers)
    return st.none() | _numbers.map(Level.exact) | compared


def weird() -> st.SearchStrategy[Picture]:
    """Anything the types allow, with three ordinary draws mixed in now and then so that later rules are reached."""
    analytes = st.frozensets(st.sampled_from(ALL))
    results = st.lists(
        st.builds(
            LabResult,
            analyte=st.sampled_from(ALL),
            level=_levels(),
            written=st.just("as written"),
            collected=_when,
            collected_latest=_when,
            reported=_when,
            firmness=st.sampled_from(Firmness),
            matrix=st.sampled_from(Matrix),
            range_low=_maybe,
            range_high=_maybe,
            specimen_problem=st.none() | st.just("haemolysed"),
            problem=_problems,
            source=_refs,
        ),
        max_size=6,
    ).map(tuple)
    fine = st.tuples(*(st.sampled_from(_FINE[a]).map(lambda v, a=a: lab(a, v, 3)) for a in ALL))  # type: ignore[misc]
    return st.builds(
        Picture,
        patient=st.just("Patient/1"),
        person=st.builds(
            Person,
            born=st.sampled_from((None, NOW.date(), NOW.date().replace(year=1950), NOW.date().replace(year=2020))),
            sex=st.sampled_from((None, "male", "female", "unknown")),
            deceased=st.sampled_from((False, False, False, True)),
        ),
        stay=st.none()
        | st.builds(
            Stay, source=_refs, in_progress=st.sampled_from((True, True, True, False)), admitted=_when, ended=_when
        ),
        zone=st.sampled_from(ZONES),
        results=st.tuples(results, st.just(()) | fine).map(lambda pair: pair[0] + pair[1]),
        lab_orders=st.lists(
            st.builds(
                LabOrder,
                analytes=analytes,
                state=st.sampled_from(LabOrderState),
                authored=_when,
                planned=st.lists(_instants(), max_size=3).map(tuple),
                first=_when,
                every=_spans,
                until=_when,
                source=_refs,
            ),
            max_size=2,
        ).map(tuple),
        collections=st.lists(
            st.builds(Collection, analytes=analytes, collected=_instants(), source=_refs), max_size=2
        ).map(tuple),
        measurements=st.lists(
            st.builds(
                Measurement,
                kind=st.sampled_from(MeasureKind),
                value=_maybe,
                taken=_when,
                firmness=st.sampled_from(Firmness),
                source=_refs,
            ),
            max_size=5,
        ).map(tuple),
        energy_orders=st.lists(_weird_order(), max_size=4).map(tuple),
        intakes=st.lists(
            st.builds(
                Intake,
                kind=st.sampled_from(IntakeKind),
                amount=_maybe,
                start=_instants(),
                end=_instants(),
                source=_refs,
            ),
            max_size=2,
        ).map(tuple),
        goals=st.lists(st.builds(EnergyGoal, kcal_day=_maybe, stated=_when, source=_refs), max_size=2).map(tuple),
        vitamin_orders=st.lists(
            st.builds(
                VitaminOrder,
                vitamin=st.sampled_from(Vitamin),
                state=st.sampled_from(OrderState),
                daily_mg=_maybe,
                start=_when,
                end=_when,
                source=_refs,
            ),
            max_size=3,
        ).map(tuple),
        vitamin_doses=st.lists(
            st.builds(VitaminDose, vitamin=st.sampled_from(Vitamin), given=_instants(), mg=_maybe), max_size=2
        ).map(tuple),
        replacements=st.lists(
            st.builds(ReplacementDose, analytes=analytes, given=_instants(), ended=_when, source=_refs), max_size=3
        ).map(tuple),
        findings=st.lists(
            st.builds(
                Finding,
                kind=st.sampled_from(FindingKind),
                text=st.just("coded"),
                severity=st.sampled_from((None, "mild", "moderate", "severe", "odd")),
                recorded=_when,
                source=_refs,
            ),
            max_size=2,
        ).map(tuple),
        risk_entries=st.lists(
            st.builds(RiskEntry, tier=st.sampled_from(("moderate", "severe")), recorded=_when), max_size=1
        ).map(tuple),
        notes=st.lists(
            st.builds(DataNote, code=st.just("uncoded-analyte"), text=st.just("x"), source=_refs), max_size=1
        ).map(tuple),
        incomplete=st.sampled_from(((), (), (), ("observations",))),
    )
