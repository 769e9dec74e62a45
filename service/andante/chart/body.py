"""Body measurements and documented intake, each in the one unit of its kind."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from decimal import Decimal

from andante.chart.code_tables import IntakeCode, MeasureCode
from andante.chart.models import Observation
from andante.chart.sheet import Sheet
from andante.chart.statuses import firmness_of
from andante.chart.units import Unreadable, amount, to
from andante.domain.picture import Intake, IntakeKind, MeasureKind, Measurement

_UNITS = {
    MeasureKind.WEIGHT: "kg",
    MeasureKind.HEIGHT: "cm",
    MeasureKind.BMI: "kg/m2",
    MeasureKind.DAYS_WITHOUT_INTAKE: "d",
}
_NOT_A_QUANTITY = "its value is not a quantity, and text is never read as a number"


def read_measurements(sheet: Sheet) -> list[Measurement]:
    """Weights, heights, body mass indices, and stated days without intake."""
    return sheet.gather(sheet.chart.observations, lambda observation: _read_measures(sheet, observation))


def read_intakes(sheet: Sheet) -> list[Intake]:
    """Energy and volumes documented as given."""
    return sheet.gather(sheet.chart.observations, lambda observation: _read_intakes(sheet, observation))


def _read_measures(sheet: Sheet, observation: Observation) -> Iterator[Measurement]:
    entries = sheet.codes.measures.among(observation.code)
    if not entries:
        return
    firmness = firmness_of(sheet, observation)
    if firmness is None:
        return
    kinds = {entry.kind for entry in entries}
    for kind in sorted(kinds):
        value, problem = None, None
        try:
            if len(kinds) > 1:
                raise Unreadable("its codes name different measurements")
            if not sheet.is_plain(observation):
                raise Unreadable("a modifier extension may change its meaning")
            value = _measure(sheet, observation, entries[0])
        except Unreadable as error:
            problem = str(error)
            sheet.note("unreadable-measurement", f"a {kind} cannot be read: {problem}", observation)
        yield Measurement(
            kind=kind,
            value=value,
            taken=_taken(sheet, observation),
            firmness=firmness,
            problem=problem,
            source=observation.reference,
        )


def _measure(sheet: Sheet, observation: Observation, entry: MeasureCode) -> Decimal:
    if observation.value_quantity is None:
        raise Unreadable(_NOT_A_QUANTITY)
    days = entry.kind is MeasureKind.DAYS_WITHOUT_INTAKE
    value, notes = amount(
        observation.value_quantity,
        to(_UNITS[entry.kind]),
        sheet.codes,
        coded_only=entry.kind in (MeasureKind.WEIGHT, MeasureKind.HEIGHT),
        zero=days,
        # "more than 10 days" is at least 10: the bound understates the danger, unknown would hide it.
        comparators=(">", ">=") if days else (),
    )
    sheet.note_units(notes, observation)
    return value


def _taken(sheet: Sheet, observation: Observation) -> datetime | None:
    """The oldest instant the measurement can be from."""
    if observation.effective_period is not None:
        return sheet.span(observation.effective_period, observation)[0]
    return sheet.instant(observation.effective_date_time or observation.effective_instant, observation)


def _read_intakes(sheet: Sheet, observation: Observation) -> Iterator[Intake]:
    entries = sheet.codes.intakes.among(observation.code)
    if not entries:
        return
    firmness = firmness_of(sheet, observation)
    if firmness is None or not sheet.is_plain(observation):
        return
    period = _intake_period(sheet, observation, whole_day=any(entry.whole_day for entry in entries))
    if period is None:
        sheet.note("intake-without-period", "an intake does not state the period it is for", observation)
        return
    start, end = period
    value, problem = None, None
    try:
        if len({entry.kind for entry in entries}) > 1:
            raise Unreadable("its codes name different intakes")
        value = _intake(sheet, observation, entries[0], end - start)
    except Unreadable as error:
        problem = str(error)
        sheet.note("unreadable-intake", f"an intake cannot be read: {problem}", observation)
    yield Intake(
        kind=entries[0].kind,
        amount=value,
        start=start,
        end=end,
        firmness=firmness,
        problem=problem,
        source=observation.reference,
    )


def _intake_period(sheet: Sheet, observation: Observation, *, whole_day: bool) -> tuple[datetime, datetime] | None:
    if observation.effective_period is not None:
        start, end = sheet.span(observation.effective_period, observation)
        return (start, end) if start is not None and end is not None and start < end else None
    day = sheet.time(observation.effective_date_time, observation)
    # A 24-hour total on a bare date is that day's; at an instant it might be the day before or after.
    if whole_day and day is not None and not day.precise and day.latest - day.earliest < timedelta(hours=26):
        return day.earliest, day.latest
    return None


def _intake(sheet: Sheet, observation: Observation, entry: IntakeCode, lasted: timedelta) -> Decimal:
    """kcal, mL, or percent. A figure per day is taken for as long as the period lasted."""
    if observation.value_quantity is None:
        raise Unreadable(_NOT_A_QUANTITY)
    if entry.kind in (IntakeKind.SHARE_OF_NEED, IntakeKind.SHARE_OF_MEALS):
        share, notes = amount(observation.value_quantity, to("%"), sheet.codes, zero=True)
        sheet.note_units(notes, observation)
        return share
    unit = "kcal" if entry.kind is IntakeKind.ENERGY else "mL"
    try:
        value, notes = amount(observation.value_quantity, to(unit), sheet.codes, zero=True)
    except Unreadable as first:
        try:
            daily, notes = amount(observation.value_quantity, to(f"{unit}/d"), sheet.codes, zero=True)
        except Unreadable:
            raise first from None
        value = daily * Decimal(lasted // timedelta(seconds=1)) / Decimal(86400)
    sheet.note_units(notes, observation)
    return value
