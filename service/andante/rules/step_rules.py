"""Decision rules 9 to 11: all firm and not low while feeding: stay, go up by a step, or keep the goal."""

from decimal import Decimal

from andante.domain.advice import AdviceCode, Fact, Priority
from andante.domain.protocol import Number
from andante.domain.quantities import Analyte
from andante.rules.amounts import keep_present, limit_of, recent_jump
from andante.rules.bands import Band
from andante.rules.beside import content_words, masking_facts, other_energy_words, warnings
from andante.rules.course import Exposure
from andante.rules.decision import Decision, soonest, until_next_look
from andante.rules.facts import delivered_facts, eaten_facts, lab_facts, order_facts
from andante.rules.phrases import at, kcal, names, plain, sentence
from andante.rules.rises import scheduled_rises
from andante.rules.scope_rules import is_at_goal, is_over_goal
from andante.rules.situation import Situation
from andante.rules.sizing import Sized, size
from andante.rules.telling import bound_words, energy_words, figure_words, keep_words, paused_words, rate_words
from andante.rules.trend import draws_to_settle


def over_the_limit(s: Situation) -> Decision | None:
    """More is ordered than the first day's allowance, or than the goal: bring it down."""
    present, day = s.course.present_kcal, s.course.day
    if present is None or day is None:
        return None
    if day == 1 and s.allowance_kcal is not None and present > s.allowance_kcal:
        limit, rule, what = s.allowance_kcal, "over-first-day", "the first day's allowance"
        cite = s.protocol.energy.initial_extreme if s.risk.extreme else s.protocol.energy.initial
    elif s.goal.kcal is not None and present > s.goal.kcal:
        limit, rule, what = s.goal.kcal, "over-goal", "the goal"
        cite = s.protocol.energy.goal
    else:
        return None
    sized = keep_present(s, in_doubt=True)
    return Decision(
        code=AdviceCode.HOLD,
        rule=rule,
        headline=f"{keep_words(s, sized)}: ordered energy is above {what}",
        because=(
            f"Ordered energy is {kcal(present)}; {what} is {kcal(limit)}: {_limit_words(s, cite)}.",
            *_other_limit_words(s),
            *_jump_words(s, recent_jump(s)),
            *content_words(s, sized),
            *warnings(s),
        ),
        sized=sized,
        facts=(*order_facts(s), *s.body.facts, *lab_facts(s.readings)),
        cites=(cite,),
        valid_until=until_next_look(s),
        priority=Priority.ROUTINE if rule == "over-goal" and not is_over_goal(s) else Priority.URGENT,
    )


def _other_limit_words(s: Situation) -> tuple[str, ...]:
    """Where it comes down further than to the goal or the allowance, to what."""
    limit = limit_of(s, in_doubt=True)
    return (f"It comes down to at most {kcal(limit[0])}, {limit[1]}.",) if limit is not None and limit[1] else ()


def _limit_words(s: Situation, cite: Number) -> str:
    """Where the limit comes from: `15 kcal/kg × actual weight 50 kg`, or the goal as it was found."""
    is_goal = cite is s.protocol.energy.goal or s.allowance_kcal == s.goal.kcal
    return (
        s.goal.said.partition(" kcal/day ")[2].removeprefix("= ")
        if is_goal
        else f"{plain(cite.value)} kcal/kg × {s.body.said}"
    )


def at_goal(s: Situation) -> Decision | None:
    """Rule 11: at goal: keep. Of a feed that is off there is nothing to keep: when it resumes comes first."""
    if not is_at_goal(s) or s.course.paused_since is not None:
        return None
    sized = keep_present(s)
    jump = recent_jump(s)
    lags = s.course.lagging(s.protocol)
    because = [f"At {s.goal.said}.", *_jump_words(s, jump), *warnings(s), *other_energy_words(s)]
    because += [f"{words}: find out why." for words in _delivery_words(s)]
    head = f"At goal: keep {energy_words(sized)}"
    if jump is not None:
        head += f": {_jump_head(s, jump)}"
    elif lags is not None and lags.percent is not None:
        head += f", as ordered; {plain(lags.percent)} % of it was delivered"
    return Decision(
        code=AdviceCode.AT_GOAL,
        rule="at-goal",
        headline=head,
        because=tuple(because),
        sized=sized,
        facts=(*order_facts(s), *eaten_facts(s), *_delivery_facts(s), *lab_facts(s.readings)),
        cites=(s.protocol.energy.goal, *((s.protocol.energy.step,) if jump is not None else ())),
        valid_until=s.evidence_expires,
        priority=Priority.URGENT if jump is not None else Priority.ROUTINE,
    )


def stay(s: Situation) -> Decision | None:
    """Rule 9: the step interval is not over, the feed is paused, or delivery lags far behind the order."""
    if not s.course.feeding:
        return None
    next_step = s.next_step
    because: list[str] = []
    cites = []
    facts: list[Fact] = []
    rule = "interval-open"
    head = ""
    jump = recent_jump(s)
    restart = s.new_start_at
    if s.course.paused_since is not None and restart is not None:
        rule = "feed-paused"
        until = at(restart, s.picture.zone)
        head = f"the feed has been off since {at(s.course.paused_since, s.picture.zone)}"
        because.append(
            f"{sentence(head)}. Resumed before {until}, not above the rate it ran at; after that it is a new start"
            + (f", at most {kcal(s.allowance_kcal)} in its first 24 h." if s.allowance_kcal is not None else ".")
        )
        cites.append(s.protocol.energy.restart_after)
    settling = _settling_words(s)
    facts += _settling_facts(s)
    if settling:
        rule = rule if because else "settling"
        head = head or f"{names(a for a, _ in settling)} must settle first"
        because += [words for _, words in settling]
        cites.append(s.protocol.response.settle_draws)
    if jump is not None:
        rule = rule if because else "jumped"
        head = head or _jump_head(s, jump)
        because += _jump_words(s, jump)
        cites.append(s.protocol.energy.step)
    if next_step is not None and s.now < next_step:
        head = head or f"next step not before {at(next_step, s.picture.zone)}"
        because.append(
            f"The energy was last changed {at(s.course.last_change or s.now, s.picture.zone)}; the next step is not "
            f"before {at(next_step, s.picture.zone)}."
        )
        cites.append(s.protocol.energy.step_interval)
    amiss = _delivery_words(s)
    if amiss:
        exceeds = s.course.exceeding(s.protocol) is not None
        rule = rule if because else "delivery-exceeds" if exceeds else "delivery-lags"
        head = head or ("more is documented than is ordered" if exceeds else "find out why delivery lags")
        because += [f"{words}: find out why before going up." for words in amiss]
        cites.append(s.protocol.energy.delivery_excess if exceeds else s.protocol.energy.delivery_shortfall)
        facts += _delivery_facts(s)
    if not because:
        return None
    sized = keep_present(s)
    waits = next_step if next_step is not None and next_step > s.now else None
    what = paused_words(s, sized) or f"Stay at {energy_words(sized)}"
    return Decision(
        code=AdviceCode.STAY,
        rule=rule,
        headline=f"{what}: {head}",
        because=(*because, *warnings(s)),
        sized=sized,
        facts=(*order_facts(s), *eaten_facts(s), *facts, *lab_facts(s.readings)),
        cites=tuple(cites),
        valid_until=soonest(waits, s.evidence_expires) or until_next_look(s),
        priority=Priority.URGENT if jump is not None else Priority.ROUTINE,
    )


def _jump_head(s: Situation, jump: Exposure) -> str:
    return f"energy rose by more than a step {at(jump.at, s.picture.zone)}"


def _jump_words(s: Situation, jump: Exposure | None) -> tuple[str, ...]:
    if jump is None or jump.kcal_before is None or jump.kcal_after is None:
        return ()
    return (
        f"The energy rose from {kcal(jump.kcal_before)} to {kcal(jump.kcal_after)} within a step interval "
        f"({at(jump.at, s.picture.zone)}), more than one step: close draws start again. Was it meant?",
    )


def _settling_words(s: Situation) -> list[tuple[Analyte, str]]:
    """After a critical level or a severe fall one good draw is not yet calm."""
    found = []
    for reading in s.readings:
        lacking, draw = draws_to_settle(reading.evidence, s.course, s.protocol)
        if lacking and draw is not None:
            more = "one more draw" if lacking == 1 else f"{lacking} more draws"
            which = "critical" if draw.band.is_critical else "a severe fall"
            words = (
                f"{sentence(reading.analyte.value)} was {draw.telling.written} {at(draw.collected, s.picture.zone)}, "
                f"{which}: {more} without danger before the next step."
            )
            found.append((reading.analyte, words))
    return found


def _settling_facts(s: Situation) -> list[Fact]:
    """The dangerous draws that something waits for."""
    found = []
    for reading in s.readings:
        lacking, draw = draws_to_settle(reading.evidence, s.course, s.protocol)
        if lacking and draw is not None:
            told = draw.telling
            found.append(Fact(label=reading.analyte.value, value=told.written, when=draw.collected, source=told.source))
    return found


def _delivery_words(s: Situation) -> list[str]:
    """What the records say of far more, or far less, than was ordered."""
    zone, words = s.picture.zone, []
    for given in (s.course.exceeding(s.protocol), s.course.lagging(s.protocol)):
        if given is not None and given.percent is not None:
            doubt = "" if given.is_firm else " by a record that is not final"
            words.append(
                f"From {at(given.start, zone)} to {at(given.end, zone)} delivered energy was "
                f"{kcal(given.kcal_day)}{doubt}, {plain(given.percent)} % of what was ordered over the same time"
            )
    return words


def _delivery_facts(s: Situation) -> tuple[Fact, ...]:
    return delivered_facts(s, s.course.exceeding(s.protocol), s.course.lagging(s.protocol))


def advance(s: Situation) -> Decision | None:
    """Rule 10: below goal, all firm and not low: one step up, never past the goal."""
    present, goal, step = s.course.present_kcal, s.goal.kcal, s.step_kcal
    if not s.course.feeding or present is None or goal is None or step is None:
        return None
    if not all(r.may_advance for r in s.readings):
        return None
    target = min(goal, present + step)
    sized = _size_step(s, target)
    if sized is None or sized.kcal <= present:
        return _no_room(s)
    energy = s.protocol.energy
    reaches = "the goal" if sized.kcal == goal else f"{plain(sized.kcal / goal * 100)} % of the goal"
    because = [
        "All three results are back, recent and firm, and none is low.",
        f"Present energy {kcal(present)}, step {kcal(step)} ({plain(energy.step.value)} % of the goal), {s.goal.said}.",
        *figure_words(s, sized),
        *content_words(s, sized),
        *warnings(s),
        *bound_words(sized),
    ]
    if s.course.delivered is None and s.vehicle is not None:
        because.append("No delivered volume is documented for the last day: check the pump before going up.")
    because += other_energy_words(s)
    because += [
        f"{at(r.when, s.picture.zone)} {r.words}: with this step, more than one. See which of them is meant."
        for r in scheduled_rises(s)
        if r.beside
    ]
    now = rate_words(s)
    high = [r.analyte for r in s.readings if r.evidence.danger is Band.HIGH]
    head = f"Go up {f'from {now} ' if now else ''}to {energy_words(sized)}"
    if sized.dextrose_g is not None:
        head += f", {plain(sized.dextrose_g)} g dextrose"
    return Decision(
        code=AdviceCode.ADVANCE,
        rule="step-up",
        headline=f"{head}: a step up to {reaches}, none of the three low" + (f"; {names(high)} high" if high else ""),
        because=tuple(because),
        sized=sized,
        facts=(*lab_facts(s.readings), *order_facts(s), *eaten_facts(s), *s.body.facts, *masking_facts(s)),
        cites=(energy.step, energy.step_interval),
        valid_until=s.evidence_expires,
    )


def _size_step(s: Situation, target: Decimal) -> Sized | None:
    if s.vehicle is None:
        return Sized(kcal=target, target_kcal=target)  # oral feeding: energy only, no pump
    more_than = s.vehicle.bolus if s.vehicle.boluses else s.vehicle.rate
    return size(target, s.vehicle, s.protocol, more_than=more_than, dosing_kg=s.body.dosing_kg)


def _no_room(s: Situation) -> Decision:
    sized = keep_present(s)
    return Decision(
        code=AdviceCode.STAY,
        rule="no-room",
        headline=f"Stay at {energy_words(sized)}: no step fits below the goal or the ceiling",
        because=(
            "A step, rounded down to what the pump can run, would not exceed the present rate.",
            *warnings(s),
        ),
        sized=sized,
        facts=(*order_facts(s), *lab_facts(s.readings)),
        cites=(s.protocol.energy.pump_fine_increment, s.protocol.energy.glucose_rate_ceiling),
        valid_until=s.evidence_expires,
    )
