"""Charted values as facts of an argument: results, orders with their stages, what was delivered."""

from collections.abc import Iterable
from datetime import timedelta
from decimal import Decimal

from andante.domain.advice import Fact
from andante.domain.picture import (
    Delivery,
    EnergyOrder,
    Firmness,
    Intake,
    IntakeKind,
    LabResult,
    OrderState,
)
from andante.domain.quantities import Analyte
from andante.rules.delivered import Delivered
from andante.rules.energy import DAY
from andante.rules.evidence import Reading
from andante.rules.phrases import at, hours, kcal, level, number, plain, span
from andante.rules.situation import Situation

_TENTH = Decimal("0.1")
_STAGES = 12  # of one order; more would bury the rest
_SHOWN = 300  # signs of a free-text instruction: a line or two


def lab_fact(reading: Reading) -> Fact | None:
    result = reading.evidence.danger_result or reading.shown
    if result is None:
        return None
    doubt = f"; {result.specimen_problem}" if result.specimen_problem is not None else ""
    return Fact(
        label=reading.analyte.value,
        value=f"{written_words(result)} ({reading.state.value}{doubt})",
        when=result.collected,
        source=result.source,
    )


def written_words(result: LabResult) -> str:
    """As the chart writes it, with the mmol/L it is read as where that is another number."""
    value = result.level.value if result.level is not None else None
    if value is None or number(value) in result.written or level(result.analyte, value) in result.written:
        return result.written
    return f"{result.written}, {level(result.analyte, value)}"


def lab_facts(readings: Iterable[Reading]) -> tuple[Fact, ...]:
    return tuple(f for f in (lab_fact(r) for r in readings) if f is not None)


def _order_words(order: EnergyOrder, s: Situation) -> str:
    """Its state, a density it does not state itself, and its instruction as it stands: shown, never parsed."""
    text = " ".join((order.instruction or "").split())
    if len(text) > _SHOWN:
        text = f"{text[:_SHOWN]}… (longer in the chart)"
    said = [order.state.value, *_content_words(order), *(_stage_words(d, s) for d in order.deliveries[:_STAGES])]
    if len(order.deliveries) > _STAGES:
        said.append(f"{len(order.deliveries) - _STAGES} more stages in the chart")
    if order.max_ml_day is not None:
        said.append(f"at most {plain(order.max_ml_day)} mL a day")
    if order.state in (OrderState.ENDED, OrderState.PAUSED) and order.ended is not None:
        said.append(f"until {at(order.ended, s.picture.zone)}")
    return "; ".join([*said, f"instruction: {text}"] if text else said)


def _content_words(order: EnergyOrder) -> list[str]:
    if order.density_kcal_ml is not None:
        by = f" by {order.density_from}" if order.density_from else ""
        return [f"{number(order.density_kcal_ml)} kcal/mL{by}"]
    if order.day_kcal is not None:
        return [f"serves {kcal(order.day_kcal)}"]
    mix = order.composition
    if mix is None:
        return []
    parts = (("dextrose", mix.dextrose_g_ml), ("amino acids", mix.amino_acids_g_ml), ("lipid", mix.lipid_g_ml))
    words = [f"{number(amount)} g/mL {name}" for name, amount in parts if amount]
    if mix.citrate_mmol_ml:
        words.append(f"{number(mix.citrate_mmol_ml)} mmol/mL citrate")
    return words


def _stage_words(delivery: Delivery, s: Situation) -> str:
    """`30 mL/h from Mon 24 Mar 10:00`, `120 mL every 4 h from …`, `75 mL/h for 12 h at 20:00 from …`."""
    zone = s.picture.zone
    rate, volume = delivery.rate_ml_h, delivery.volume_ml
    words = "no amount" if rate is None and volume is None else ""
    if rate is not None:
        words = f"{plain(rate, _TENTH)} mL/h"
    if volume is not None:
        words = f"{words} {plain(volume, _TENTH)} mL".strip()
    if delivery.duration is not None:
        words += f" for {plain(hours(delivery.duration), _TENTH)} h"
    if delivery.every is not None:
        words += f" every {plain(hours(delivery.every), _TENTH)} h{_times_a_day(delivery.every)}"
    if delivery.times_of_day:
        clocks = sorted(set(delivery.times_of_day))
        words += f" {len(clocks)} times a day at " + ", ".join(f"{clock:%H:%M}" for clock in clocks)
    if delivery.start is not None:
        words += f" from {at(delivery.start, zone)}"
    return words + (f" until {at(delivery.end, zone)}" if delivery.end is not None else "")


def _times_a_day(every: timedelta) -> str:
    """In brackets, where it is a whole number; an interval without sense is left to the sums, which refuse it."""
    if every <= timedelta(0) or DAY % every:
        return ""
    return f" ({DAY // every} times a day)"


def energy_facts(orders: Iterable[EnergyOrder], s: Situation) -> tuple[Fact, ...]:
    return tuple(Fact(label=o.kind.value, value=_order_words(o, s), when=o.ordered, source=o.source) for o in orders)


def order_facts(s: Situation) -> tuple[Fact, ...]:
    """The orders the energy of the advice is about: in force, or planned while nothing runs."""
    return energy_facts((*s.course.running, *(() if s.course.feeding else s.course.planned), *s.course.others), s)


def delivered_facts(s: Situation, *accounts: Delivered | None) -> tuple[Fact, ...]:
    """What was documented as given, record by record."""
    records = dict.fromkeys(r for one in accounts if one is not None for r in one.records)
    return tuple(_record_fact(r, f"delivered ({r.kind.value})", s) for r in records)


def eaten_facts(s: Situation) -> tuple[Fact, ...]:
    """The records by which it is known what a diet brings."""
    return tuple(_record_fact(r, f"eaten ({r.kind.value})", s) for r in s.course.eaten_by)


def _record_fact(record: Intake, label: str, s: Situation) -> Fact:
    unit = {IntakeKind.FORMULA: "mL", IntakeKind.SHARE_OF_MEALS: "%"}.get(record.kind, "kcal")
    value = f"{plain(record.amount or Decimal(0))} {unit} over {plain(hours(record.end - record.start), _TENTH)} h"
    value += f" from {at(record.start, s.picture.zone)}"
    if record.firmness is not Firmness.FIRM:
        value += ", not final"
    return Fact(label=label, value=value, when=record.end, source=record.source)


def dose_facts(s: Situation, analyte: Analyte) -> tuple[Fact, ...]:
    """Replacement doses that may still act on a level, or change when the next one tells."""
    oldest = s.now - span(s.protocol.evidence.lookback.value, "d")
    found = [d for d in s.picture.replacements if analyte in d.analytes and oldest <= d.given <= s.now]
    return tuple(
        Fact(
            label=f"{analyte.value} replacement",
            value=(d.text or "given") + (f", until {at(d.ended, s.picture.zone)}" if d.ended is not None else ""),
            when=d.given,
            source=d.source,
        )
        for d in sorted(found, key=lambda d: (d.given, d.source))
    )
