"""What was documented as given over the last day: by volume, by food records, or by the share of meals eaten."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

from andante.domain.picture import EnergyKind, EnergyOrder, Firmness, Intake, IntakeKind, OrderState, Picture
from andante.domain.protocol import Energy, Protocol
from andante.rules.energy import DAY, end_of, kcal_between, kcal_per_ml, start_of
from andante.rules.phrases import hours, percent_of, span

_HUNDRED = Decimal(100)
_SHORTEST_DAY = timedelta(hours=23)  # the one on which the clocks go forward
_ENERGY_KINDS = (IntakeKind.FORMULA, IntakeKind.ENERGY)


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivered:
    """One account of what was given: records of one kind that follow each other, oldest first.

    `kcal_day` is what they come to per day, `ordered_day` what feeds, drugs and fluids were ordered to bring over the
    same time (of a volume: what the tube was), None where that cannot be summed. A volume given while feeds of several
    densities ran counts by the lowest.
    """

    records: tuple[Intake, ...]
    kcal_day: Decimal
    ordered_day: Decimal | None
    density: Decimal | None  # kcal/mL, of a volume

    @property
    def percent(self) -> Decimal | None:
        """The share of what was ordered; None where nothing was, or it is not known."""
        return percent_of(self.kcal_day, self.ordered_day) if self.ordered_day else None

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

    @property
    def is_firm(self) -> bool:
        return all(r.firmness is Firmness.FIRM for r in self.records)


@dataclass(frozen=True, slots=True, kw_only=True)
class Accounts:
    """The newest firm account, and of all, final or not, those of the smallest and the largest share of the order."""

    newest: Delivered | None
    least: Delivered | None
    most: Delivered | None


def look_up(picture: Picture, protocol: Protocol, now: datetime, *, orders: list[EnergyOrder]) -> Accounts:
    """What the last day's records of volumes and of energy say.

    A record that the newest run has no place for, since it overlaps it or is not final, counts alone: what was written
    beside it must not hide it.
    """
    runs = {kind: _last_day(picture, protocol, now, kind) for kind in _ENERGY_KINDS}
    told = {record for run in runs.values() for record in run}
    alone = [
        (i,) for i in picture.intakes if i.kind in _ENERGY_KINDS and i not in told and _is_usable(i, now, firm=False)
    ]
    found = [
        one
        for records in dict.fromkeys((*runs.values(), *alone))
        if records and _is_long(records, protocol) and (one := _account(records, picture, protocol, orders)) is not None
    ]
    shown = [one for one in found if one.records in runs.values()]
    rated = [one for one in found if one.percent is not None]
    # Where a diet is ordered, what is documented beyond the feed is what was eaten, and is summed as such.
    fed = [one for one in rated if one.kind is IntakeKind.FORMULA or not _ate_beside(one, orders)]
    return Accounts(
        newest=max(shown, key=lambda one: (one.end, one.kind.value), default=None),
        least=min(rated, key=_share_first, default=None),
        most=max(fed, key=_share_first, default=None),
    )


def _share_first(one: Delivered) -> tuple[Decimal, datetime, str]:
    return one.percent or Decimal(0), one.end, one.records[-1].source


def eaten(
    picture: Picture, protocol: Protocol, now: datetime, *, diets: list[EnergyOrder], delivered: Delivered | None
) -> tuple[Decimal | None, tuple[Intake, ...]]:
    """kcal/day that a diet brings, and the records it is known by; None where it cannot be told.

    Food records cover all sources: what neither feed nor drug was ordered to bring at that time was eaten. Else the
    documented share of the meals, times what the diet serves; meals without a record are taken to be eaten like the
    others, where the records cover enough of a day.
    """
    if not diets:
        return None, ()
    if delivered is not None and delivered.kind is IntakeKind.ENERGY:
        if delivered.ordered_day is None:
            return None, ()
        return max(Decimal(0), delivered.kcal_day - delivered.ordered_day), delivered.records
    least, most = protocol.evidence.diet_min.value, protocol.evidence.diet_max.value
    served = [d.day_kcal for d in diets if d.day_kcal is not None and least <= d.day_kcal <= most]
    records = _last_day(picture, protocol, now, IntakeKind.SHARE_OF_MEALS)
    if len(served) != len(diets) or not records or not _is_long(records, protocol):
        return None, ()
    if any((r.amount or Decimal(0)) > _HUNDRED for r in records):
        return None, ()
    lasted = sum((hours(r.end - r.start) for r in records), Decimal(0))
    share = sum(((r.amount or Decimal(0)) * hours(r.end - r.start) for r in records), Decimal(0)) / lasted
    return sum(served, Decimal(0)) * share / _HUNDRED, records


def _is_usable(intake: Intake, now: datetime, *, firm: bool) -> bool:
    return (
        intake.amount is not None
        and intake.amount >= 0
        and (intake.firmness is Firmness.FIRM or not firm)
        and intake.start < intake.end <= now
        and now - intake.end <= DAY
    )


def _is_long(records: tuple[Intake, ...], protocol: Protocol) -> bool:
    """An hour says little of a day."""
    return records[-1].end - records[0].start >= span(protocol.evidence.shortest_record.value, "h")


def _last_day(picture: Picture, protocol: Protocol, now: datetime, kind: IntakeKind) -> tuple[Intake, ...]:
    """The newest firm record and those that lead up to it, until a day is covered; oldest first."""
    usable = [i for i in picture.intakes if i.kind is kind and _is_usable(i, now, firm=True)]
    # Of those that end together the longest: a day's total stands for the hours it is made of. Of two accounts of the
    # same hours the one that makes less room: the larger of what was eaten, the smaller of what a pump gave.
    sign = 1 if kind is IntakeKind.FORMULA else -1
    usable.sort(key=lambda i: (i.end, -hours(i.end - i.start), sign * (i.amount or Decimal(0)), i.source))
    evidence = protocol.evidence
    gap = span((evidence.intake_gap if kind is IntakeKind.SHARE_OF_MEALS else evidence.record_gap).value, "h")
    run: list[Intake] = []
    for end in sorted({i.end for i in usable}, reverse=True):
        record = next(i for i in usable if i.end == end)
        if run and (run[0].start - record.end > gap or run[-1].end - run[0].start >= _SHORTEST_DAY):
            break
        if not run or record.end <= run[0].start:
            run.insert(0, record)
    return tuple(run)


def _account(
    records: tuple[Intake, ...], picture: Picture, protocol: Protocol, orders: list[EnergyOrder]
) -> Delivered | None:
    """None where a volume cannot be told in kcal."""
    first, last = records[0], records[-1]
    amount = sum((r.amount or Decimal(0) for r in records), Decimal(0))
    kinds = tuple(k for k in EnergyKind if k is not EnergyKind.ORAL_DIET)
    if last.kind is IntakeKind.FORMULA:
        kinds = (EnergyKind.ENTERAL,)
    ran = [o for o in orders if o.kind in kinds and _ran_between(o, first.start, last.end)]
    density = lowest_density(ran, first.start, last.end, protocol.energy) if last.kind is IntakeKind.FORMULA else None
    if last.kind is IntakeKind.FORMULA and density is None:
        return None
    brought = [
        kcal_between(o, protocol.energy, opens=first.start, closes=last.end, zone=picture.zone).kcal for o in ran
    ]
    per_day = 24 / hours(last.end - first.start)
    known = [kcal for kcal in brought if kcal is not None]
    return Delivered(
        records=records,
        kcal_day=amount * (density if density is not None else 1) * per_day,
        ordered_day=sum(known, Decimal(0)) * per_day if len(known) == len(brought) else None,
        density=density,
    )


def lowest_density(orders: Iterable[EnergyOrder], start: datetime, end: datetime, energy: Energy) -> Decimal | None:
    """kcal/mL of what was given by tube between two instants: of several feeds the lowest, lest what was given be
    taken for more than it was. None where there was none, or one of unknown density.
    """
    found = [kcal_per_ml(o, energy)[0] for o in orders if o.kind is EnergyKind.ENTERAL and _ran_between(o, start, end)]
    known = [density for density in found if density is not None]
    return min(known) if known and len(known) == len(found) else None


def _ate_beside(one: Delivered, orders: Iterable[EnergyOrder]) -> bool:
    return any(
        o.kind is EnergyKind.ORAL_DIET and not o.nil_by_mouth and _ran_between(o, one.start, one.end) for o in orders
    )


def _ran_between(order: EnergyOrder, start: datetime, end: datetime) -> bool:
    begins, stops = start_of(order), end_of(order)
    outside = (begins is not None and begins >= end) or (stops is not None and stops <= start)
    return order.state is not OrderState.PLANNED and not outside
