"""Decision rules 6 to 8: before feeding."""

from datetime import datetime
from decimal import ROUND_FLOOR, Decimal

from andante.domain.advice import AdviceCode, Priority, Tell
from andante.domain.picture import EnergyKind, Vitamin
from andante.domain.protocol import Number, Switch
from andante.rules.bands import Band
from andante.rules.beside import (
    content_words,
    drip_words,
    glucose_words,
    high_words,
    masking_facts,
    masking_words,
    past_danger_words,
    watching_cites,
    watching_words,
)
from andante.rules.decision import Decision, until_next_look
from andante.rules.evidence import Reading, may_overstate
from andante.rules.facts import lab_facts, order_facts
from andante.rules.micronutrients import VitaminGap, vitamin_gaps
from andante.rules.phrases import at, kcal, names, plain, sentence
from andante.rules.situation import Situation
from andante.rules.sizing import Sized, dextrose_g_day, size
from andante.rules.telling import (
    bound_words,
    draw_words,
    energy_words,
    figure_words,
    gap_words,
    level_words,
    recheck_words,
)

_TENTH = Decimal("0.1")


def incomplete_before_feeding(s: Situation) -> Decision | None:
    """A chart that was not read completely starts nobody."""
    if s.course.feeding or not s.picture.incomplete:
        return None
    return Decision(
        code=AdviceCode.HOLD,
        rule="incomplete-read",
        headline="Do not start on this: the chart could not be read completely",
        because=("The chart could not be read completely: " + ", ".join(s.picture.incomplete) + ".",),
        valid_until=until_next_look(s),
        priority=Priority.URGENT,
    )


def baseline_gap(s: Situation) -> Decision | None:
    """Rule 6: a baseline of all three, recent and firm, comes before the first feed."""
    if s.course.feeding:
        return None
    gaps = [r for r in s.readings if r.lacks_evidence]
    if not gaps:
        return None
    low = [r for r in s.readings if r.evidence.danger.is_low]
    because = [f"{sentence(gap_words(s, gaps))}. Before feeding starts {draw_words(gaps)}."]
    because += [f"{sentence(level_words(s, r))}: correct it before feeding starts." for r in low]
    because += drip_words(s)
    return Decision(
        code=AdviceCode.DRAW_FIRST,
        rule="baseline-gap",
        headline=f"Before feeding starts: a draw of {names(r.analyte for r in gaps)}"
        + (f"; {names(r.analyte for r in low)} low" if low else ""),
        because=tuple(because),
        facts=lab_facts((*gaps, *(r for r in low if r not in gaps))),
        cites=(s.protocol.evidence.baseline_max_age,),
        valid_until=until_next_look(s),
        priority=Priority.URGENT,
    )


def low_before_feeding(s: Situation) -> Decision | None:
    """Rule 7: low before feeding. Correct first, unless the protocol's switch starts at its lowest allowance."""
    if s.course.feeding:
        return None
    low = [r for r in s.readings if r.evidence.danger.is_low]
    if not low:
        return None
    switch = s.protocol.response.low_before_feeding
    cites: tuple[Number | Switch, ...] = (switch, *(s.protocol.analytes.of(r.analyte).low for r in low))
    words = tuple(f"{sentence(level_words(s, r))}." for r in low)
    early = [r for r in low if _may_be_lower_still(r, s)]
    doubtful = bool(early) or any(r.is_disputed for r in s.readings)
    if switch.value == "start-lowest" and s.lowest_kcal is not None and not doubtful:
        started = _size_start(s, s.lowest_kcal)
        if started is not None:
            return Decision(
                code=AdviceCode.START,
                rule="start-while-low",
                headline=f"Could start at {energy_words(started)}, the lowest allowance, once replacement runs"
                f"{' and thiamine has been given' if _lacks_thiamine(s) else ''}: {names(r.analyte for r in low)} low",
                because=(
                    *words,
                    "This protocol starts very low while replacement runs; see the chart that it does.",
                    *_thiamine_words(s),
                    *figure_words(s, started),
                    *content_words(s, started),
                    *masking_words(s),
                    *glucose_words(s),
                    *drip_words(s),
                    *bound_words(started),
                    *watching_words(s),
                ),
                sized=started,
                facts=(*lab_facts(s.readings), *s.body.facts, *masking_facts(s)),
                cites=(*cites, s.protocol.response.lowest_start, *watching_cites(s)),
                valid_until=s.evidence_expires,
                priority=Priority.URGENT,
            )
    why, and_head = _why_not_while_low(s, doubtful=doubtful)
    who = names(r.analyte for r in low)
    return Decision(
        code=AdviceCode.CORRECT_FIRST,
        rule="low-before-feeding",
        headline=f"Not yet: {who} low, and {and_head}"
        if and_head
        else f"Not yet: {who} to be corrected before feeding starts",
        because=(
            *words,
            *(
                f"{sentence(names([r.analyte]))} was drawn too soon after a replacement dose: it may be lower still."
                for r in early
            ),
            *recheck_words(s),
            *drip_words(s),
            why,
        ),
        facts=lab_facts(low),
        cites=cites,
        valid_until=until_next_look(s),
        priority=Priority.URGENT,
        tell=Tell.PRESCRIBER,
    )


def _why_not_while_low(s: Situation, *, doubtful: bool) -> tuple[str, str]:
    """Why not now: the protocol's rule, or what stands against the start that its switch would allow.

    A sentence, and in the second case what the headline adds.
    """
    if s.protocol.response.low_before_feeding.value != "start-lowest":
        return "All three are to be in range before feeding starts.", ""
    allows = "This protocol would start very low while replacement runs"
    if doubtful:
        return f"{allows}, but not while a result of the three is in doubt.", "a result is in doubt"
    why, head = _not_sizeable(s, s.lowest_kcal, "the lowest allowance") or (
        "The start cannot be worked out.",
        "the start cannot be worked out",
    )
    return f"{allows}, but not now. {why.removesuffix('.')}.", head


def start_cannot_be_sized(s: Situation) -> Decision | None:
    """Levels allow a start, but the sum cannot be done, or other energy already fills the allowance."""
    if s.course.feeding:
        return None
    found = _not_sizeable(s, s.allowance_kcal, "the first day's allowance")
    if found is None:
        return None
    why, head = found
    return Decision(
        code=AdviceCode.HOLD,
        rule="start-not-sizeable",
        headline=f"Do not start on this yet: {head}",
        because=(why,),
        facts=(*s.body.facts, *order_facts(s)),
        cites=(s.protocol.energy.initial,),
        valid_until=until_next_look(s),
        priority=Priority.URGENT,
    )


def _not_sizeable(s: Situation, allowance: Decimal | None, named: str) -> tuple[str, str] | None:
    """Why no rate comes of an allowance, as a sentence and for a headline; None where one does."""
    if s.course.unplaced:
        why = (
            "An order does not say since when, or until when, it runs: the patient may be fed already. "
            "Correct the order first."
        )
        head = "a feed may be running already"
    elif s.goal.kcal is None and s.goal.problem is not None and s.body.dosing_kg is not None:
        why = f"{sentence(s.goal.problem)}: state the goal."
        head = "the energy goal has to be checked"
    elif allowance is None:
        why = f"{sentence(named)} cannot be worked out: {s.body.said}. Weigh the patient."
        head = "the dosing weight is not known"
    elif s.course.other_kcal is None:
        why = "Energy from drugs or fluids cannot be worked out: " + "; ".join(
            words for words, _ in s.course.energy_problems
        )
        head = "energy from drugs or fluids is not known"
    elif s.vehicle is None:
        why = "The planned order cannot be put into one rate or bolus of known energy: complete the order first."
        head = "the planned order cannot be worked out"
    elif _size_start(s, allowance) is None:
        other = kcal(s.course.other_kcal)
        why = f"Energy from drugs and fluids ({other}) leaves no room in {named} of {kcal(allowance)}."
        head = f"no room in {named}"
    else:
        return None
    return why, head


def ready_to_start(s: Situation) -> Decision | None:
    """Rule 8: all firm and in range: the initial energy, as kcal, mL/h or grams of dextrose."""
    if s.course.feeding or s.allowance_kcal is None or not all(r.may_advance for r in s.readings):
        return None
    sized = _size_start(s, s.allowance_kcal)
    if sized is None:
        return None
    energy = s.protocol.energy
    per_kg = energy.initial_extreme if s.risk.extreme else energy.initial
    order = s.vehicle.order if s.vehicle is not None else None
    limits = f"First 24 h: {plain(per_kg.value)} kcal/kg × {s.body.said}, at most {kcal(s.allowance_kcal)}"
    by_vein = order is None or order.kind is EnergyKind.PARENTERAL
    if by_vein:
        limits += f"; {'or, if by vein instead,' if order is None else 'of it'} {dextrose_words(s, s.allowance_kcal)}"
    because = [
        f"All three results are back and none is low (oldest drawn {at(min(_collected(s)), s.picture.zone)}).",
        f"{limits}.",
        *_thiamine_words(s),
        *figure_words(s, sized),
        *content_words(s, sized),
        *high_words(s),
        *masking_words(s),
        *glucose_words(s),
        *drip_words(s),
        *past_danger_words(s),
        *bound_words(sized),
    ]
    if order is None and s.vehicle is not None:
        because.append(
            f"No feed is ordered: {plain(s.vehicle.density, _TENTH)} kcal/mL is assumed for the rate; "
            "what counts are the kcal."
        )
    if s.course.other_kcal:
        because.append(f"{kcal(s.course.other_kcal)} already come from drugs or fluids and are subtracted.")
    if s.course.earlier_course:
        because.append("An earlier course stopped for so long that this start counts as a new exposure.")
    because += watching_words(s)
    high = [r.analyte for r in s.readings if r.evidence.danger is Band.HIGH]
    head = f"Ready to start at {energy_words(sized)}"
    if sized.dextrose_g is not None:
        head += f", {plain(sized.dextrose_g)} g dextrose"
    return Decision(
        code=AdviceCode.START,
        rule="ready-to-start",
        headline=f"{head} for the first 24 h"
        + (", once thiamine has been given" if _lacks_thiamine(s) else "")
        + (f"; {names(high)} high" if high else ""),
        because=tuple(because),
        sized=sized,
        facts=(*lab_facts(s.readings), *s.body.facts, *order_facts(s), *masking_facts(s)),
        cites=(
            per_kg,
            energy.initial_dextrose_low,
            energy.initial_dextrose_high,
            *((energy.dextrose,) if by_vein else ()),
            *watching_cites(s),
        ),
        valid_until=s.evidence_expires,
    )


def dextrose_words(s: Situation, allowance_kcal: Decimal) -> str:
    """`100–150 g dextrose`, what drips already included, as far as the first day's allowance has room for it."""
    energy = s.protocol.energy
    low, high = energy.initial_dextrose_low.value, energy.initial_dextrose_high.value
    room = dextrose_room(s, allowance_kcal).quantize(Decimal(1), rounding=ROUND_FLOOR)
    if room <= low:
        return f"at most {plain(max(room, Decimal(0)))} g dextrose in all"
    return f"{plain(low)}–{plain(min(room, high))} g dextrose in all"


def dextrose_room(s: Situation, allowance_kcal: Decimal) -> Decimal:
    """Grams of dextrose a day that the allowance holds, beside what drugs and fluids bring otherwise."""
    per_g = s.protocol.energy.dextrose.value
    return (allowance_kcal - (s.course.other_kcal or Decimal(0))) / per_g + dextrose_dripping(s)


def dextrose_dripping(s: Situation) -> Decimal:
    """Grams of dextrose a day from drips, which count in the first day's grams."""
    return dextrose_g_day(s.course.others, s.now, s.protocol.energy, s.picture)


def _may_be_lower_still(reading: Reading, s: Situation) -> bool:
    """Whether the low level was drawn before a replacement dose had spread: it overstates what is left."""
    shown = reading.evidence.danger_result
    return shown is not None and may_overstate(shown, s.picture, s.protocol)


def _thiamine_gaps(s: Situation) -> list[VitaminGap]:
    gaps = vitamin_gaps(s.picture, s.course, s.protocol, s.now)
    return [g for g in gaps if g.vitamin is Vitamin.THIAMINE]


def _lacks_thiamine(s: Situation) -> bool:
    return any(g.state == "missing" for g in _thiamine_gaps(s))


def _thiamine_words(s: Situation) -> tuple[str, ...]:
    """Thiamine comes before the first feed, so a start says when it is not running."""
    return tuple(f"{sentence(g.text)}." for g in _thiamine_gaps(s))


def _collected(s: Situation) -> list[datetime]:
    return [r.shown.collected for r in s.readings if r.shown is not None and r.shown.collected is not None]


def _size_start(s: Situation, allowance: Decimal) -> Sized | None:
    vehicle = s.vehicle
    goal_in_doubt = s.goal.kcal is None and s.goal.problem is not None
    if vehicle is None or s.course.unplaced or goal_in_doubt:
        return None
    parenteral = vehicle.order is not None and vehicle.order.kind is EnergyKind.PARENTERAL
    return size(
        allowance,
        vehicle,
        s.protocol,
        dosing_kg=s.body.dosing_kg,
        dextrose_limit_g=s.protocol.energy.initial_dextrose_high.value if parenteral else None,
    )
