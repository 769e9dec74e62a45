"""Builders for what the rules see: short words for a chart, so that a table of cases reads like a ward round.

`NOW` never moves. Times are given as hours before it: `h(5)` is five hours ago, `h(-3)` in three hours.
"""

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from functools import cache
from itertools import count
from typing import Any

from andante.domain.advice import Assessment
from andante.domain.picture import (
    Collection,
    Composition,
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
    ReplacementOrder,
    RiskEntry,
    Stay,
    Vitamin,
    VitaminOrder,
)
from andante.domain.protocol import Protocol
from andante.domain.quantities import Analyte, Level, mmol_per_l
from andante.protocol_files import load
from andante.rules import evaluate

NOW = datetime(2025, 3, 6, 8, 0, tzinfo=UTC)  # a Thursday
K, P, MG = Analyte.POTASSIUM, Analyte.PHOSPHATE, Analyte.MAGNESIUM
ALL = (K, P, MG)
FINE = {K: "4.0", P: "1.00", MG: "0.85"}
_numbers = count(1)


def d(value: str | int | Decimal) -> Decimal:
    return Decimal(value)


def h(hours: float | str) -> datetime:
    """The instant so many hours before NOW."""
    return NOW - timedelta(microseconds=int(Decimal(str(hours)) * 3_600_000_000))


@cache
def aspen() -> Protocol:
    return load("aspen-2020")


@cache
def nice() -> Protocol:
    return load("nice-cg32")


def _ref(kind: str) -> str:
    return f"{kind}/{next(_numbers):05d}/_history/1"


# --------------------------------------------------------------------------- laboratory


def lab(
    analyte: Analyte,
    value: str | Level | None,
    ago: float | None = 5,
    *,
    unit: str = "mmol/L",
    low: str | None = None,
    high: str | None = None,
    provisional: bool = False,
    haemolysed: bool = False,
    blood: bool = False,
    **more: Any,
) -> LabResult:
    """A result drawn `ago` hours before NOW (None: not stated). `<0.3` makes an interval; None is unreadable."""
    level: Level | None
    if value is None or isinstance(value, Level):
        level = value
    elif value[0] in "<>":
        sign = value[:2] if value[1] == "=" else value[0]
        level = Level.compared(sign, mmol_per_l(analyte, d(value[len(sign) :]), unit))
    else:
        level = Level.exact(mmol_per_l(analyte, d(value), unit))
    fields: dict[str, Any] = {
        "analyte": analyte,
        "level": level,
        "written": f"{value} {unit}" if isinstance(value, str) else "unreadable",
        "collected": None if ago is None else h(ago),
        "firmness": Firmness.PROVISIONAL if provisional else Firmness.FIRM,
        "matrix": Matrix.BLOOD if blood else Matrix.SERUM_PLASMA,
        "range_low": None if low is None else mmol_per_l(analyte, d(low), unit),
        "range_high": None if high is None else mmol_per_l(analyte, d(high), unit),
        "specimen_problem": "haemolysed" if haemolysed else None,
        "problem": "the unit is missing" if level is None else None,
        "source": _ref("Observation"),
    }
    return LabResult(**{**fields, **more})


def draw(
    ago: float = 5, k: str | None = "4.0", p: str | None = "1.00", mg: str | None = "0.85"
) -> tuple[LabResult, ...]:
    """One draw of all three; None leaves one out."""
    return tuple(lab(a, v, ago) for a, v in ((K, k), (P, p), (MG, mg)) if v is not None)


def lab_order(
    *analytes: Analyte,
    authored: float = 6,
    planned: Iterable[float] = (),
    first: float | None = None,
    every: float | None = None,
    daily_at: tuple[time, ...] = (),
    until: float | None = None,
    ended: bool = False,
) -> LabOrder:
    return LabOrder(
        analytes=frozenset(analytes or ALL),
        state=LabOrderState.ENDED if ended else LabOrderState.ACTIVE,
        authored=h(authored),
        planned=tuple(h(p) for p in planned),
        first=None if first is None else h(first),
        every=None if every is None else timedelta(hours=every),
        daily_at=daily_at,
        until=None if until is None else h(until),
        source=_ref("ServiceRequest"),
    )


def collection(*analytes: Analyte, ago: float) -> Collection:
    return Collection(analytes=frozenset(analytes or ALL), collected=h(ago), source=_ref("Specimen"))


def dose(*analytes: Analyte, ago: float, ended: float | None = None, running: bool = False) -> ReplacementDose:
    return ReplacementDose(
        analytes=frozenset(analytes),
        given=h(ago),
        ended=None if ended is None else h(ended),
        running=running,
        source=_ref("MedicationAdministration"),
    )


# --------------------------------------------------------------------------- body


def weight(kg: str, ago: float = 20, **more: Any) -> Measurement:
    return Measurement(kind=MeasureKind.WEIGHT, value=d(kg), taken=h(ago), source=_ref("Observation"), **more)


def height(cm: str, ago: float = 20, **more: Any) -> Measurement:
    return Measurement(kind=MeasureKind.HEIGHT, value=d(cm), taken=h(ago), source=_ref("Observation"), **more)


def bmi(value: str, ago: float = 20) -> Measurement:
    return Measurement(kind=MeasureKind.BMI, value=d(value), taken=h(ago), source=_ref("Observation"))


def days_without_intake(days: str, ago: float = 20) -> Measurement:
    return Measurement(kind=MeasureKind.DAYS_WITHOUT_INTAKE, value=d(days), taken=h(ago), source=_ref("Observation"))


def finding(kind: FindingKind, severity: str | None = None, ago: float | None = 20, text: str = "") -> Finding:
    recorded = None if ago is None else h(ago)
    return Finding(kind=kind, text=text or kind.value, severity=severity, recorded=recorded, source=_ref("Condition"))


# --------------------------------------------------------------------------- energy


def feed(
    rate: str | None = "30",
    since: float | None = 40,
    *,
    until: float | None = None,
    density: str | None = "1.0",
    state: OrderState = OrderState.ACTIVE,
    ended: float | None = None,
    ordered: float | None = None,
    deliveries: tuple[Delivery, ...] | None = None,
    max_ml: str | None = None,
    kind: EnergyKind = EnergyKind.ENTERAL,
    **more: Any,
) -> EnergyOrder:
    """A tube feed at a plain rate in mL/h since so many hours ago; 1 kcal/mL unless said otherwise."""
    start = None if since is None else h(since)
    if deliveries is None:
        single = Delivery(
            start=start, end=None if until is None else h(until), rate_ml_h=None if rate is None else d(rate)
        )
        deliveries = (single,) if rate is not None else ()
    fields: dict[str, Any] = {
        "kind": kind,
        "state": state,
        "ordered": start if ordered is None else h(ordered),
        "ended": None if ended is None else h(ended),
        "density_kcal_ml": None if density is None else d(density),
        "deliveries": deliveries,
        "max_ml_day": None if max_ml is None else d(max_ml),
        "source": _ref("NutritionOrder"),
    }
    return EnergyOrder(**{**fields, **more})


def planned(rate: str | None = "30", **more: Any) -> EnergyOrder:
    """A feed that somebody proposes: not begun."""
    return feed(rate, since=1, state=OrderState.PLANNED, **more)


def diet(since: float | None = 40, *, kcal: str | None = None, **more: Any) -> EnergyOrder:
    """A diet order; `kcal` is what it serves in a day."""
    fields = {"kind": EnergyKind.ORAL_DIET, "density": None, "day_kcal": None if kcal is None else d(kcal)}
    return feed(None, since, **{**fields, **more})


def nil_by_mouth(since: float, *, until: float | None = None, state: OrderState | None = None) -> EnergyOrder:
    known = state or (OrderState.ACTIVE if until is None else OrderState.ENDED)
    return diet(since, nil_by_mouth=True, state=known, ended=until, ordered=since)


def bolus(ml: str, every: float, since: float = 40, *, until: float | None = None) -> Delivery:
    return Delivery(
        start=h(since), end=None if until is None else h(until), volume_ml=d(ml), every=timedelta(hours=every)
    )


def cyclic(rate: str, hours: float, at: time, since: float = 40) -> Delivery:
    return Delivery(start=h(since), rate_ml_h=d(rate), duration=timedelta(hours=hours), times_of_day=(at,))


def rate(ml_h: str, since: float, until: float | None = None) -> Delivery:
    return Delivery(start=h(since), end=None if until is None else h(until), rate_ml_h=d(ml_h))


def parenteral(
    ml_h: str | None,
    since: float = 40,
    *,
    dextrose: str = "0.15",
    amino_acids: str = "0.05",
    lipid: str = "0",
    emulsion: bool = False,
    kind: EnergyKind = EnergyKind.PARENTERAL,
    **more: Any,
) -> EnergyOrder:
    """Contents in g per mL: `0.15` is a 15 % solution."""
    mix = Composition(
        dextrose_g_ml=d(dextrose), amino_acids_g_ml=d(amino_acids), lipid_g_ml=d(lipid), lipid_is_emulsion=emulsion
    )
    return feed(ml_h, since, density=None, kind=kind, composition=mix, **more)


def dextrose_drip(ml_h: str, since: float = 40, *, percent: str = "5", **more: Any) -> EnergyOrder:
    grams = d(percent) / 100
    return parenteral(ml_h, since, dextrose=str(grams), amino_acids="0", kind=EnergyKind.IV_DEXTROSE, **more)


def propofol(ml_h: str, since: float = 10, **more: Any) -> EnergyOrder:
    return feed(ml_h, since, density=None, kind=EnergyKind.LIPID_SEDATION, **more)


def citrate(ml_h: str, since: float) -> EnergyOrder:
    """0.136 mmol citrate a mL, as in a 4 % solution of trisodium citrate dihydrate (40 g/L ÷ 294.1 g/mol)."""
    mix = Composition(citrate_mmol_ml=d("0.136"))
    return feed(ml_h, since, density=None, kind=EnergyKind.CITRATE, composition=mix)


def delivered(amount: str, *, start: float = 24, end: float = 0, kind: IntakeKind = IntakeKind.FORMULA) -> Intake:
    return Intake(kind=kind, amount=d(amount), start=h(start), end=h(end), source=_ref("Observation"))


def goal(kcal: str | None, ago: float | None = 30, **more: Any) -> EnergyGoal:
    return EnergyGoal(
        kcal_day=None if kcal is None else d(kcal), stated=None if ago is None else h(ago), source=_ref("Goal"), **more
    )


def vitamin(which: Vitamin, mg: str | None = None, *, start: float = 50, end: float | None = None) -> VitaminOrder:
    return VitaminOrder(
        vitamin=which,
        state=OrderState.ACTIVE,
        daily_mg=None if mg is None else d(mg),
        start=h(start),
        end=None if end is None else h(end),
        source=_ref("MedicationRequest"),
    )


VITAMINS = (vitamin(Vitamin.THIAMINE, "200"), vitamin(Vitamin.MULTIVITAMIN))


# --------------------------------------------------------------------------- the patient


def picture(*items: object, kg: str | None = "60", at_risk: bool = True, **fields: Any) -> Picture:
    """A watched adult of 60 kg (goal 1800 kcal/day, first day 900, step 594 under ASPEN) and what else is charted.

    `items` are sorted into their places; tuples of items are opened, however deep.
    """
    flat = list(_opened(items))

    def of(kind: type) -> tuple[Any, ...]:
        return tuple(i for i in flat if isinstance(i, kind))

    body = (weight(kg),) if kg is not None else ()
    base: dict[str, Any] = {
        "patient": "Patient/anna-beispiel",
        "person": Person(born=date(1960, 5, 1), sex="female"),
        "stay": Stay(source="Encounter/e1/_history/1", in_progress=True, admitted=h(200), ward="Linden", bed="4"),
        "results": of(LabResult),
        "lab_orders": of(LabOrder),
        "collections": of(Collection),
        "measurements": (*body, *of(Measurement)),
        "energy_orders": of(EnergyOrder),
        "intakes": of(Intake),
        "goals": of(EnergyGoal),
        "vitamin_orders": of(VitaminOrder),
        "replacements": of(ReplacementDose),
        "replacement_orders": of(ReplacementOrder),
        "findings": of(Finding),
        "risk_entries": (
            *((RiskEntry(tier="severe", source="Flag/f1/_history/1"),) if at_risk else ()),
            *of(RiskEntry),
        ),
    }
    return Picture(**{**base, **fields})


def _opened(items: Iterable[object]) -> Iterable[object]:
    for item in items:
        if isinstance(item, tuple):
            yield from _opened(item)
        else:
            yield item


def advise(*items: object, protocol: Protocol | None = None, now: datetime = NOW, **fields: Any) -> Assessment:
    return evaluate(picture(*items, **fields), protocol or aspen(), now)


def with_number(protocol: Protocol, path: str, value: str) -> Protocol:
    """The protocol with one of its numbers changed."""
    section, name = path.split(".")
    part = getattr(protocol, section)
    return replace(protocol, **{section: replace(part, **{name: replace(getattr(part, name), value=d(value))})})


def with_choice(protocol: Protocol, name: str, choice: str) -> Protocol:
    """The protocol with one of its answers to danger changed."""
    switch = replace(getattr(protocol.response, name), value=choice)
    return replace(protocol, response=replace(protocol.response, **{name: switch}))
