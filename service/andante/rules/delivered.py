"""What was documented as given over the last day: by volume, by food records, or by the share of meals eaten."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

from andante.domain.picture import EnergyKind, EnergyOrder, Firmness, Intake, IntakeKind, OrderState, Picture
from andante.domain.protocol import Protocol
from andante.rules.energy import DAY, end_of, kcal_between, kcal_per_ml, start_of
from andante.rules.phrases import hours, percent_of, span

_HUNDRED = Decimal(100)
_SHORTEST_DAY = timedelta(hours=23)  # the one on which the clocks go forward


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivered:
    """`kcal_day` is what the records come to per day, `percent` their share of what was ordered over the same time.

    `records` follow each other without a gap, oldest first, and are of one kind.
    """

    records: tuple[Intake, ...]
    kcal_day: Decimal
    percent: Decimal | None

    @property
    def kind(self) -> IntakeKind:
        return self.records[-1].kind

    @property
    def amount(self) -> Decimal:
        return sum((r.amount or Decimal(0) for r in self.records), Decimal(0))

    @property
    def start(self) -> datetime:
        return self.records[0].start

    @property
    def end(self) -> datetime:
        return self.records[-1].end


def look_up(
    picture: Picture,
    protocol: Protocol,
    now: datetime,
    *,
    orders: list[EnergyOrder],
    running: tuple[EnergyOrder, ...],
    other_kcal: Decimal | None,
) -> Delivered | None:
    """The newest documented day that says energy: a formula volume, or energy from all sources."""
    runs = [_last_day(picture, protocol, now, kind) for kind in (IntakeKind.FORMULA, IntakeKind.ENERGY)]
    for records in sorted((r for r in runs if r), key=lambda r: (r[-1].end, r[-1].kind.value), reverse=True):
        first, last = records[0], records[-1]
        amount = sum((r.amount or Decimal(0) for r in records), Decimal(0))
        kcal = amount
        if last.kind is IntakeKind.FORMULA:
            densities = {kcal_per_ml(o, protocol.energy)[0] for o in running if o.kind is EnergyKind.ENTERAL}
            density = densities.pop() if len(densities) == 1 else None
            if density is None:
                continue
            kcal = amount * density
        lasted = hours(last.end - first.start)
        ordered = _ordered(picture, protocol, orders, first.start, last.end, last.kind)
        if last.kind is IntakeKind.ENERGY and ordered is not None and other_kcal is not None:
            # Documented energy is from all sources: energy of drugs must not pass for delivered feed.
            ordered += other_kcal * lasted / 24
        return Delivered(
            records=records,
            kcal_day=kcal * 24 / lasted,
            percent=percent_of(kcal, ordered) if ordered else None,
        )
    return None


def eaten(
    picture: Picture,
    protocol: Protocol,
    now: datetime,
    *,
    diets: list[EnergyOrder],
    delivered: Delivered | None,
    fed_kcal: Decimal | None,
    other_kcal: Decimal | None,
) -> Decimal | None:
    """kcal/day that a diet brings; None where it cannot be told.

    Food records cover all sources: what is neither feed nor drug was eaten. Else the documented share of the meals,
    times what the diet serves; meals without a record are taken to be eaten like the others.
    """
    if not diets:
        return None
    if delivered is not None and delivered.kind is IntakeKind.ENERGY:
        return max(Decimal(0), delivered.kcal_day - (fed_kcal or Decimal(0)) - (other_kcal or Decimal(0)))
    served = [d.day_kcal for d in diets if d.day_kcal is not None and d.day_kcal > 0]
    records = _last_day(picture, protocol, now, IntakeKind.SHARE_OF_MEALS)
    if len(served) != len(diets) or not records or any((r.amount or Decimal(0)) > _HUNDRED for r in records):
        return None
    lasted = sum((hours(r.end - r.start) for r in records), Decimal(0))
    share = sum(((r.amount or Decimal(0)) * hours(r.end - r.start) for r in records), Decimal(0)) / lasted
    return sum(served, Decimal(0)) * share / _HUNDRED


def _last_day(picture: Picture, protocol: Protocol, now: datetime, kind: IntakeKind) -> tuple[Intake, ...]:
    """The newest record and those that lead up to it, until a day is covered; oldest first."""
    usable = [
        i
        for i in picture.intakes
        if i.kind is kind
        and i.amount is not None
        and i.amount >= 0
        and i.firmness is Firmness.FIRM
        and i.start < i.end <= now
        and now - i.end <= DAY
    ]
    # Of those that end together the longest: a day's total stands for the hours it is made of.
    usable.sort(key=lambda i: (i.end, -hours(i.end - i.start), i.source))
    gap = span(protocol.evidence.intake_gap.value, "h") if kind is IntakeKind.SHARE_OF_MEALS else timedelta(0)
    run: list[Intake] = []
    for end in sorted({i.end for i in usable}, reverse=True):
        record = next(i for i in usable if i.end == end)
        if run and (run[0].start - record.end > gap or run[-1].end - run[0].start >= _SHORTEST_DAY):
            break
        if not run or record.end <= run[0].start:
            run.insert(0, record)
    return tuple(run)


def _ordered(
    picture: Picture,
    protocol: Protocol,
    orders: list[EnergyOrder],
    start: datetime,
    end: datetime,
    kind: IntakeKind,
) -> Decimal | None:
    """kcal the feeds would have brought over the same time; None where none ran, or one cannot be summed."""
    kinds = (EnergyKind.ENTERAL,) if kind is IntakeKind.FORMULA else (*EnergyKind,)
    total = Decimal(0)
    for order in orders:
        if order.kind not in kinds or not order.kind.is_nutrition or order.kind is EnergyKind.ORAL_DIET:
            continue
        begins, stops = start_of(order), end_of(order)
        outside = (begins is not None and begins >= end) or (stops is not None and stops <= start)
        if order.state is OrderState.PLANNED or outside:
            continue
        amount = kcal_between(order, protocol.energy, opens=start, closes=end, zone=picture.zone)
        if amount.kcal is None:
            return None
        total += amount.kcal
    return total or None
