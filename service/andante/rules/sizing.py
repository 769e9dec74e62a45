"""From kcal to a pump rate, rounded so that neither the step nor the goal is passed."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import ROUND_FLOOR, Decimal

from andante.domain.picture import EnergyKind, EnergyOrder, Picture
from andante.domain.protocol import Energy, Protocol
from andante.rules.course import Course
from andante.rules.energy import day_amount, kcal_per_ml, present_pattern, present_rate
from andante.rules.phrases import exact_to_20, number, plain

_TENTH = Decimal("0.1")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sized:
    """An energy as it can be given. `kcal` is the day's total of the rounded rate, other energy included.

    `feed_kcal` and `ml_day` are what the rate itself brings. `rate_ml_h`, `bolus_ml` and `dextrose_g` are None where
    they do not apply; `said` explains the sum in words.
    """

    kcal: Decimal
    feed_kcal: Decimal | None = None
    ml_day: Decimal | None = None
    rate_ml_h: Decimal | None = None
    bolus_ml: Decimal | None = None
    times: Decimal | None = None  # the hours of feeding, or the boluses, of the day that the rate or bolus is meant for
    of: str = ""  # which feed it is a rate or bolus of, where several are pumped
    dextrose_g: Decimal | None = None
    target_kcal: Decimal | None = None  # what it was sized for, before it was rounded down
    bounded_by: str = ""  # the sum of the dextrose limit that bounded it further, in terms
    said: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Vehicle:
    """What carries the energy: the order that would be changed, or a standard formula when nothing is ordered."""

    order: EnergyOrder | None
    density: Decimal  # kcal/mL
    hours: Decimal  # of feeding per day
    boluses: Decimal  # per day; 0 for a rate
    rate: Decimal | None  # in force now, mL/h
    bolus: Decimal | None  # in force now, mL
    fixed_kcal: Decimal  # the other energy of the day, which the vehicle does not change
    dextrose_g_ml: Decimal
    fixed_dextrose_g_h: Decimal = Decimal(0)  # by vein beside it, while it runs
    fixed_dextrose_g_day: Decimal = Decimal(0)  # and over a day
    max_ml_day: Decimal | None = None  # the order's own cap
    capped: bool = False  # the cap ends the day's feed sooner than its schedule would
    alone: bool = True  # no other feed is pumped beside it

    @property
    def times(self) -> Decimal:
        """What a rate or a bolus is multiplied by to give the day's mL."""
        return self.boluses or self.hours

    def kcal_of(self, amount: Decimal) -> Decimal:
        """The day's total for a rate (mL/h) or a bolus (mL)."""
        ml = amount * self.times
        if self.capped and self.max_ml_day is not None:
            ml = min(ml, self.max_ml_day)
        return exact_to_20(ml * self.density + self.fixed_kcal)


def choose_vehicle(picture: Picture, course: Course, protocol: Protocol) -> Vehicle | None:
    """The order whose rate the advice is about.

    None when the energy cannot be put into one rate or bolus: oral feeding, unreadable, protein alone, or given in
    several ways.
    """
    energy = protocol.energy
    at = course.read_at
    others = course.other_kcal
    if others is None:
        return None
    pool = course.running if course.feeding else course.planned
    by_pump = [o for o in pool if o.kind in (EnergyKind.ENTERAL, EnergyKind.PARENTERAL)]
    pumped = [o for o in by_pump if not _is_protein_alone(o)]
    if not pumped:
        if course.feeding or by_pump:
            return None
        return Vehicle(
            order=None,
            density=energy.density_default.value,
            hours=Decimal(24),
            boluses=Decimal(0),
            rate=None,
            bolus=None,
            fixed_kcal=others,
            dextrose_g_ml=Decimal(0),
        )

    # Enteral before parenteral, then the larger one; ties by reference so that order of arrival cannot matter.
    def rank(order: EnergyOrder) -> tuple[bool, Decimal, str]:
        amount = day_amount(order, energy, at=at, zone=picture.zone, frozen=True).kcal or Decimal(0)
        return (order.kind is not EnergyKind.ENTERAL, -amount, order.source)

    order = min(pumped, key=rank)
    density, _ = kcal_per_ml(order, energy)
    if density is None or density <= 0:
        return None
    fixed = others
    if course.feeding:
        for other in course.running:
            if other is not order:
                if other.kind is EnergyKind.ORAL_DIET:
                    continue
                amount = day_amount(other, energy, at=at, zone=picture.zone, frozen=True).kcal
                if amount is None:
                    return None
                fixed += amount
        fixed += course.eaten_kcal or Decimal(0)
    beside = (*(o for o in course.running if o is not order), *course.others)
    pattern = present_pattern(order, at)
    if pattern is None and (course.feeding or order.deliveries):
        return None
    return Vehicle(
        order=order,
        density=density,
        hours=pattern.hours if pattern else Decimal(24),
        boluses=pattern.boluses if pattern else Decimal(0),
        rate=pattern.rate if pattern else None,
        bolus=pattern.bolus if pattern else None,
        fixed_kcal=fixed,
        dextrose_g_ml=order.composition.dextrose_g_ml if order.composition else Decimal(0),
        fixed_dextrose_g_h=dextrose_g_h(beside, at, energy, picture),
        fixed_dextrose_g_day=dextrose_g_day(beside, at, energy, picture),
        max_ml_day=order.max_ml_day,
        capped=pattern.capped if pattern else False,
        alone=len(by_pump) == 1,
    )


def _is_protein_alone(order: EnergyOrder) -> bool:
    """Amino acids without dextrose and lipid: to size the energy by them would be to size the protein."""
    mix = order.composition
    return mix is not None and mix.amino_acids_g_ml > 0 and not mix.dextrose_g_ml and not mix.lipid_g_ml


def size(
    target_kcal: Decimal,
    vehicle: Vehicle,
    protocol: Protocol,
    *,
    more_than: Decimal | None = None,
    dosing_kg: Decimal | None = None,
    dextrose_limit_g: Decimal | None = None,
) -> Sized | None:
    """The largest rate that keeps the day's total at or below `target_kcal`.

    Rounded down to the pump's increment; to the fine increment where the coarse one would give nothing, or would
    swallow the whole rise above `more_than` (the present rate or bolus). None when no rate can be given at all.
    `dextrose_limit_g` and the glucose-rate ceiling (with `dosing_kg`) bound a parenteral rate further.
    """
    if vehicle.capped:
        return _size_by_cap(target_kcal, vehicle, protocol, dosing_kg, dextrose_limit_g)
    times = vehicle.times
    exact = (target_kcal - vehicle.fixed_kcal) / vehicle.density / times
    said: list[str] = []
    bounded_by = ""
    if vehicle.dextrose_g_ml > 0:
        exact, bounded_by = _bounded_by_dextrose(exact, times, vehicle, protocol, dosing_kg, dextrose_limit_g, said)
    energy = protocol.energy
    coarse = energy.bolus_increment.value if vehicle.boluses else energy.pump_increment.value
    amount = _floor(exact, coarse)
    floor = more_than if more_than is not None else Decimal(0)
    if amount <= floor:
        fine = energy.pump_fine_increment.value
        amount = _floor(exact, fine)
        if amount <= floor:
            return None
        said.append(f"rounded down to whole mL, since steps of {plain(coarse)} mL would swallow the increase")
    if vehicle.max_ml_day is not None and amount * times > vehicle.max_ml_day:
        said.append(f"the order's own cap of {plain(vehicle.max_ml_day)} mL a day would have to change with it")
    return replace(describe(amount, vehicle, said=tuple(said)), target_kcal=target_kcal, bounded_by=bounded_by)


def _size_by_cap(
    target_kcal: Decimal,
    vehicle: Vehicle,
    protocol: Protocol,
    dosing_kg: Decimal | None,
    dextrose_limit_g: Decimal | None,
) -> Sized | None:
    """Under a cap the rate says nothing about the day: what changes is the cap, in mL a day.

    None where the rate, which stays, brings more glucose per minute than the protocol's ceiling.
    """
    exact = (target_kcal - vehicle.fixed_kcal) / vehicle.density
    if vehicle.dextrose_g_ml > 0:
        if dextrose_limit_g is not None:
            exact = min(exact, (dextrose_limit_g - vehicle.fixed_dextrose_g_day) / vehicle.dextrose_g_ml)
        grams = (vehicle.rate or Decimal(0)) * vehicle.dextrose_g_ml + vehicle.fixed_dextrose_g_h
        if dosing_kg is not None and glucose_rate(grams, dosing_kg) > protocol.energy.glucose_rate_ceiling.value:
            return None
    ml = _floor(exact, protocol.energy.bolus_increment.value)
    if ml <= 0:
        return None
    words = f"at most {plain(ml)} mL a day, in place of the order's own cap; its rate stays"
    dextrose = ml * vehicle.dextrose_g_ml if vehicle.dextrose_g_ml > 0 else None
    return Sized(kcal=exact_to_20(ml * vehicle.density + vehicle.fixed_kcal), dextrose_g=dextrose, said=(words,))


def describe(amount: Decimal, vehicle: Vehicle, *, said: tuple[str, ...] = ()) -> Sized:
    """A rate or bolus as it is."""
    dextrose = amount * vehicle.times * vehicle.dextrose_g_ml
    total = vehicle.kcal_of(amount)
    return Sized(
        kcal=total,
        feed_kcal=total - vehicle.fixed_kcal,
        ml_day=(total - vehicle.fixed_kcal) / vehicle.density,
        rate_ml_h=None if vehicle.boluses else amount,
        bolus_ml=amount if vehicle.boluses else None,
        times=None if vehicle.capped else vehicle.times,
        of=vehicle.order.kind.value if vehicle.order is not None and not vehicle.alone else "",
        dextrose_g=dextrose if vehicle.dextrose_g_ml > 0 else None,
        said=said,
    )


def _bounded_by_dextrose(
    exact: Decimal,
    times: Decimal,
    vehicle: Vehicle,
    protocol: Protocol,
    dosing_kg: Decimal | None,
    limit_g: Decimal | None,
    said: list[str],
) -> tuple[Decimal, str]:
    """The rate or bolus within the grams a day and the glucose infusion rate, and the sum that bounds it."""
    beside, terms = vehicle.fixed_dextrose_g_h, ""
    per_ml, other = f"{number(vehicle.dextrose_g_ml)} g/mL", f"{number(beside)} g/h"
    daily = vehicle.fixed_dextrose_g_day
    if limit_g is not None and exact * times * vehicle.dextrose_g_ml + daily > limit_g:
        exact = (limit_g - daily) / (times * vehicle.dextrose_g_ml)
        terms = f"({number(limit_g)} g − {number(daily)} g/day) ÷ {number(times)} ÷ {per_ml}"
        said.append(f"bounded by {plain(limit_g)} g dextrose a day{_beside_words(beside)}")
    ceiling = protocol.energy.glucose_rate_ceiling.value
    if dosing_kg is not None and glucose_rate(exact * vehicle.dextrose_g_ml + beside, dosing_kg) > ceiling:
        exact = (ceiling * dosing_kg * 60 / 1000 - beside) / vehicle.dextrose_g_ml
        terms = f"({number(ceiling)} mg/kg/min × {number(dosing_kg)} kg × 60 ÷ 1000 − {other}) ÷ {per_ml}"
        said.append(
            f"bounded by the glucose infusion rate of {plain(ceiling, _TENTH)} mg/kg/min{_beside_words(beside)}"
        )
    return exact, terms


def _beside_words(grams_per_hour: Decimal) -> str:
    return f", {plain(grams_per_hour, _TENTH)} g/h of it from elsewhere" if grams_per_hour else ""


def dextrose_g_h(orders: Iterable[EnergyOrder], at: datetime, energy: Energy, picture: Picture) -> Decimal:
    """Dextrose by vein while it runs, g/h; of boluses, or of several rates at once, what they come to in an hour.

    One that cannot be summed adds nothing here: its energy is not known either, and that holds.
    """
    total = Decimal(0)
    for order in orders:
        if order.composition is None:
            continue
        rate = present_rate(order, at)
        ml_h = rate if rate is not None else _ml_day(order, at, energy, picture) / 24
        total += ml_h * order.composition.dextrose_g_ml
    return total


def dextrose_g_day(orders: Iterable[EnergyOrder], at: datetime, energy: Energy, picture: Picture) -> Decimal:
    """Dextrose by vein in a day, in grams."""
    mixed = [(o, o.composition.dextrose_g_ml) for o in orders if o.composition is not None]
    return sum((_ml_day(o, at, energy, picture) * grams for o, grams in mixed), Decimal(0))


def _ml_day(order: EnergyOrder, at: datetime, energy: Energy, picture: Picture) -> Decimal:
    return day_amount(order, energy, at=at, zone=picture.zone, frozen=True).ml or Decimal(0)


def glucose_rate(dextrose_g_h: Decimal, kg: Decimal) -> Decimal:
    """Glucose infusion rate in mg/kg/min, while it runs. GIR = g/h × 1000 / (kg × 60) (hpn.hms.harvard.edu)."""
    return dextrose_g_h * 1000 / (kg * 60)


def increment_kcal(vehicle: Vehicle, protocol: Protocol) -> Decimal:
    """The day's energy of one pump increment: within it of the goal is at goal."""
    energy = protocol.energy
    coarse = energy.bolus_increment.value if vehicle.boluses else energy.pump_increment.value
    return vehicle.kcal_of(coarse) - vehicle.fixed_kcal


def _floor(value: Decimal, increment: Decimal) -> Decimal:
    steps = exact_to_20(value / increment).to_integral_value(rounding=ROUND_FLOOR)
    return max(Decimal(0), steps * increment)
