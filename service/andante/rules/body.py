"""Age, weight, body mass index and the weight the sums use."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal

from andante.domain.advice import Fact
from andante.domain.picture import Finding, FindingKind, Firmness, MeasureKind, Measurement, Picture
from andante.domain.protocol import Protocol
from andante.rules.phrases import at, plain, span

_CM_PER_INCH = Decimal("2.54")
_TENTH = Decimal("0.1")


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjusted:
    """The dosing weight in obesity: the ideal weight for the height, from `base_kg`, and a share of the rest."""

    base_kg: Decimal
    height_cm: Decimal
    ideal_kg: Decimal
    kg: Decimal


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """`dosing_kg` is None when no usable weight is charted; `said` says in words which weight it is and why.

    `is_stale`: the last weight is older than the protocol allows for sums.
    """

    age: int | None
    weight: Measurement | None
    bmi: Decimal | None
    dosing_kg: Decimal | None
    said: str
    facts: tuple[Fact, ...]
    adjusted: Adjusted | None = None
    is_stale: bool = False
    disagreeing: Measurement | None = None  # a weight of the same week that contradicts the one that counts


def age_in_years(born: date | None, now: datetime) -> int | None:
    if born is None:
        return None
    today = now.date()
    return today.year - born.year - ((today.month, today.day) < (born.month, born.day))


def examine(picture: Picture, protocol: Protocol, now: datetime) -> Body:
    age = age_in_years(picture.person.born, now.astimezone(picture.zone))
    weight, disagreeing = _present_weight(picture, protocol, now)
    height = latest(picture, protocol, MeasureKind.HEIGHT, now)
    charted_bmi = latest(picture, protocol, MeasureKind.BMI, now)
    facts = [_fact(m) for m in (weight, disagreeing, height) if m is not None]
    bmi: Decimal | None = None
    if weight and height and weight.value and height.value:
        bmi = weight.value / (height.value / 100) ** 2
    elif charted_bmi and charted_bmi.value:
        bmi = charted_bmi.value
        facts.append(_fact(charted_bmi))
    dosing, said, adjusted = _dosing(picture, protocol, weight, height, bmi, now)
    if dosing is not None and disagreeing is not None and disagreeing.value is not None:
        other = f"{plain(disagreeing.value, _TENTH)} kg {_when(disagreeing, picture)}"
        said += f" (taken {_when(weight, picture)}; {other}: weigh again)"
    return Body(
        age=age,
        weight=weight,
        bmi=bmi,
        dosing_kg=dosing,
        said=said,
        facts=tuple(facts),
        adjusted=adjusted,
        is_stale=weight is not None and _is_stale(weight, protocol, now),
        disagreeing=disagreeing,
    )


def _when(taken: Measurement | None, picture: Picture) -> str:
    return at(taken.taken, picture.zone) if taken is not None and taken.taken is not None else "at an unknown time"


def _is_stale(weight: Measurement, protocol: Protocol, now: datetime) -> bool:
    return weight.taken is None or now - weight.taken > span(protocol.evidence.weight_max_age.value, "d")


def _present_weight(
    picture: Picture, protocol: Protocol, now: datetime
) -> tuple[Measurement | None, Measurement | None]:
    """The weight that counts, and one of the days before it that contradicts it.

    The latest firm one, or a lower one since that is not firm: a doubt may feed less, never more. Of firm weights that
    contradict each other the lower: nobody puts on a tenth in a week but by water, or by a slip.
    """
    last = latest(picture, protocol, MeasureKind.WEIGHT, now)
    if last is None or last.value is None or last.taken is None:
        return last, None
    oldest = last.taken - span(protocol.evidence.lookback.value, "d")
    near = weights_before(picture, protocol, now, before=last.taken, window=last.taken - oldest)
    firm = min((*near, last), key=lambda m: (m.value or Decimal(0), m.source))
    heaviest = max((*near, last), key=lambda m: (m.value or Decimal(0), m.source))
    if firm.value is None or heaviest.value is None or firm.taken is None or not _contradict(firm, heaviest, protocol):
        firm, disagreeing = last, None
    else:
        disagreeing = heaviest
    return _or_lower_since(firm, picture, protocol, now), disagreeing


def _contradict(lower: Measurement, higher: Measurement, protocol: Protocol) -> bool:
    if lower.value is None or higher.value is None:
        return False
    return higher.value - lower.value > lower.value * protocol.evidence.weight_disagree.value / 100


def _or_lower_since(firm: Measurement, picture: Picture, protocol: Protocol, now: datetime) -> Measurement:
    if firm.value is None or firm.taken is None:
        return firm
    since = [
        m
        for m in picture.measurements
        if m.kind is MeasureKind.WEIGHT and m.firmness is not Firmness.FIRM and is_plausible(m, protocol)
        if m.value is not None and m.value < firm.value and m.taken is not None and firm.taken <= m.taken <= now
    ]
    return min(since, key=lambda m: (m.value or Decimal(0), m.source)) if since else firm


def latest(picture: Picture, protocol: Protocol, kind: MeasureKind, now: datetime) -> Measurement | None:
    """The latest firm, plausible measurement taken by `now`; of two at one instant the lower (it feeds less)."""
    usable = [
        m
        for m in picture.measurements
        if m.kind is kind
        and m.value is not None
        and m.taken is not None
        and m.taken <= now
        and m.firmness is Firmness.FIRM
        and is_plausible(m, protocol)
    ]
    if not usable:
        return None
    newest = max(m.taken for m in usable if m.taken)
    return min((m for m in usable if m.taken == newest), key=lambda m: (m.value or Decimal(0), m.source))


def is_plausible(measurement: Measurement, protocol: Protocol) -> bool:
    value = measurement.value
    evidence = protocol.evidence
    if value is None:
        return False
    match measurement.kind:
        case MeasureKind.WEIGHT:
            return evidence.weight_min.value <= value <= evidence.weight_max.value
        case MeasureKind.HEIGHT:
            return evidence.height_min.value <= value <= evidence.height_max.value
        case MeasureKind.BMI | MeasureKind.DAYS_WITHOUT_INTAKE:
            return value > 0 or measurement.kind is MeasureKind.DAYS_WITHOUT_INTAKE


def _dosing(
    picture: Picture,
    protocol: Protocol,
    weight: Measurement | None,
    height: Measurement | None,
    bmi: Decimal | None,
    now: datetime,
) -> tuple[Decimal | None, str, Adjusted | None]:
    energy = protocol.energy
    if weight is None or weight.value is None or weight.taken is None:
        return None, "no usable weight is charted", None
    if _is_stale(weight, protocol, now):
        # An old weight overstates what a starved patient weighs now, and so the feed.
        return None, f"the last weight is older than {plain(protocol.evidence.weight_max_age.value)} days", None
    firm = latest(picture, protocol, MeasureKind.WEIGHT, now)
    heaviest = max(m.value for m in (weight, firm) if m is not None and m.value is not None)
    if bmi is None and heaviest > protocol.evidence.weight_without_height.value:
        # The actual weight of an obese patient overstates the feed: no sum without knowing. A lower weight that is
        # not firm does not settle it.
        return None, f"a weight of {plain(heaviest, _TENTH)} kg needs a height, to tell obesity", None
    said = f"actual weight {plain(weight.value, _TENTH)} kg"
    if any(f.kind is FindingKind.FLUID_OVERLOAD for f in current_findings(picture, now)):
        said += " (oedema or ascites is coded: the true weight may be lower)"
    if any(f.kind is FindingKind.AMPUTATION for f in current_findings(picture, now)):
        said += " (an amputation is coded: the body mass index understates)"
    if bmi is None or bmi < energy.obesity_bmi.value:
        return weight.value, said, None
    base = energy.ideal_weight_male if picture.person.sex == "male" else energy.ideal_weight_female
    height_cm = height.value if height and height.value else (weight.value / bmi).sqrt() * 100
    over = max(Decimal(0), height_cm / _CM_PER_INCH - energy.ideal_weight_height.value)
    ideal = base.value + energy.ideal_weight_per_inch.value * over
    excess = max(Decimal(0), weight.value - ideal)
    kg = min(weight.value, ideal + excess * energy.adjusted_weight_share.value / 100)
    said = (
        f"adjusted weight {plain(kg, _TENTH)} kg (actual {plain(weight.value, _TENTH)} kg, "
        f"body mass index {plain(bmi, _TENTH)}, ideal {plain(ideal, _TENTH)} kg)"
    )
    return kg, said, Adjusted(base_kg=base.value, height_cm=height_cm, ideal_kg=ideal, kg=kg)


def current_findings(picture: Picture, now: datetime) -> list[Finding]:
    """Findings recorded by `now` (an undated one counts: the safer direction)."""
    return [f for f in picture.findings if f.recorded is None or f.recorded <= now]


def weights_before(
    picture: Picture, protocol: Protocol, now: datetime, *, before: datetime, window: timedelta
) -> list[Measurement]:
    """Firm, plausible weights taken within `window` before `before`."""
    return [
        m
        for m in picture.measurements
        if m.kind is MeasureKind.WEIGHT
        and m.value is not None
        and m.taken is not None
        and before - window <= m.taken < before
        and m.taken <= now
        and m.firmness is Firmness.FIRM
        and is_plausible(m, protocol)
    ]


def _fact(measurement: Measurement) -> Fact:
    unit = {MeasureKind.WEIGHT: "kg", MeasureKind.HEIGHT: "cm", MeasureKind.BMI: "kg/m²"}[measurement.kind]
    value = plain(measurement.value, _TENTH) if measurement.value is not None else "unreadable"
    return Fact(
        label=measurement.kind.value.replace("bmi", "body mass index"),
        value=f"{value} {unit}",
        when=measurement.taken,
        source=measurement.source,
    )
