"""Decision rule 1: who gets no advice, and why."""

from datetime import timedelta
from decimal import Decimal

from andante.domain.advice import AdviceCode, RiskTier
from andante.domain.picture import Finding, FindingKind
from andante.rules.bands import Band
from andante.rules.body import current_findings
from andante.rules.course import follow
from andante.rules.decision import Decision
from andante.rules.energy import DAY
from andante.rules.phrases import plain, sentence, span
from andante.rules.situation import Situation
from andante.rules.sizing import increment_kcal
from andante.rules.trend import LowRun, consecutive


def watch_ended(s: Situation) -> Decision | None:
    """Died, discharged: the watch is over."""
    if s.picture.person.deceased:
        why = "the chart records that the patient has died"
    elif s.picture.stay is not None and not s.picture.stay.in_progress:
        why = "the hospital stay is over"
    else:
        return None
    return Decision(
        code=AdviceCode.STOOD_DOWN,
        rule="watch-ended",
        headline=f"Watch ended: {why}",
        because=(sentence(why) + ".",),
    )


def not_covered(s: Situation) -> Decision | None:
    """Children, unknown age, pregnancy, outpatients: not covered by this protocol."""
    minimum = s.protocol.scope.min_age
    age = s.body.age
    findings = {f.kind: f for f in current_findings(s.picture, s.now)}
    if age is None:
        why = "the age is not known"
    elif age < minimum.value:
        why = f"the patient is younger than {plain(minimum.value)}"
    elif FindingKind.PREGNANCY in findings:
        why = "a pregnancy is coded"
    elif FindingKind.INFANT_FORMULA in findings:
        why = "an infant formula is ordered"
    elif s.picture.stay is not None and not s.picture.stay.inpatient:
        why = "the encounter is not an inpatient stay"
    else:
        return None
    return Decision(
        code=AdviceCode.NOT_COVERED,
        rule="not-covered",
        headline=f"Not covered by this protocol: {why}",
        because=(f"Not covered by this protocol: {why}.",),
        cites=(minimum,),
    )


def not_at_risk(s: Situation) -> Decision | None:
    """No published criterion count reached, and no clinician's entry."""
    if s.is_watched:
        return None
    if s.risk.tier is RiskTier.UNKNOWN:
        unknown = (c.would_settle for c in s.risk.criteria if c.state == "unknown" and c.would_settle)
        missing = "; ".join(dict.fromkeys(unknown))
        met = [c.text for c in s.risk.criteria if c.state == "met"]
        shown = f"met so far: {'; '.join(met)}" if met else "no risk is charted"
        return Decision(
            code=AdviceCode.NOT_AT_RISK,
            rule="risk-not-shown",
            headline=f"Not watched yet, and risk is not ruled out: {shown}",
            because=("No risk tier is reached by what is charted.", f"It would be settled by: {missing}."),
        )
    return Decision(
        code=AdviceCode.NOT_AT_RISK,
        rule="not-at-risk",
        headline="Not watched: not at risk by the protocol's criteria",
        because=("Fewer criteria are met than the protocol counts as risk.",),
    )


def stood_down(s: Situation) -> Decision | None:
    """Late in the course, at goal, all in range without replacement: the watch may end."""
    rule = s.protocol.stand_down
    course = s.course
    if s.picture.incomplete or course.started is None or course.day is None or course.day < rule.day.value:
        return None
    if course.paused_since is not None or not is_at_goal(s) or is_over_goal(s):
        return None
    long = span(rule.in_range.value, "h")
    if course.last_change is None or s.now - course.last_change < long:
        return None  # in range at the lower energy says little about the goal
    window = span(s.protocol.monitoring.early_window.value, "h")
    if course.latest_exposure is None or s.now - course.latest_exposure < window:
        return None  # after a jump the close watch begins anew
    if any(r.running or long > s.now - (r.ended or r.given) for r in s.picture.replacements if r.given <= s.now):
        return None
    if any(order.runs(s.now) for order in s.picture.replacement_orders):
        return None
    for reading in s.readings:
        run = consecutive(reading.evidence, lambda d: d.band is Band.IN_RANGE)
        if not run or run[-1].collected - run[0].collected < long or reading.evidence.unsettled:
            return None
        if reading.evidence.danger is not Band.IN_RANGE:
            return None
        # Fresh at some instant of that day or later. Afterwards draws may cease: the watch has ended.
        if run[-1].collected + s.max_age < course.started + span(rule.day.value - 1, "d"):
            return None
    if not _ate_enough_throughout(s, long):
        return None
    if course.lagging(s.protocol) is not None or course.exceeding(s.protocol) is not None:
        return None  # what really runs is not what is ordered: the goal has not been lived with
    if any(f.holds for f in s.falls) or organ_dysfunction(s):
        return None
    words = plain(rule.in_range.value)
    return Decision(
        code=AdviceCode.STOOD_DOWN,
        rule="stand-down",
        headline=f"Watch stood down on feeding day {course.day}: at goal, all in range for {words} h",
        because=(
            f"Feeding day {course.day}, at goal, and all three in range for at least {words} h without replacement.",
        ),
        cites=(rule.day, rule.in_range),
    )


def _ate_enough_throughout(s: Situation, long: timedelta) -> bool:
    """Where the goal is only reached by what is eaten, it was so on each day before: one good day proves little."""
    present, goal = s.course.present_kcal, s.goal.kcal
    if not s.course.eaten_kcal or present is None or goal is None or present - s.course.eaten_kcal >= goal:
        return True
    for days in range(1, long // DAY + 1):
        then = follow(s.picture, s.protocol, s.now - days * DAY, goal).present_kcal
        if then is None or not _reaches(then, goal, s):
            return False
    return True


def is_at_goal(s: Situation) -> bool:
    """At the goal, or within one pump increment of it."""
    present, goal = s.course.present_kcal, s.goal.kcal
    if present is None or goal is None or not s.course.feeding:
        return False
    return _reaches(present, goal, s)


def _reaches(kcal_day: Decimal, goal: Decimal, s: Situation) -> bool:
    """Where nothing is pumped there is no increment: exactly the goal is at the goal then too."""
    return kcal_day > goal - _slack(s) or kcal_day >= goal


def is_over_goal(s: Situation) -> bool:
    """Above the goal by a pump increment or more."""
    present, goal = s.course.present_kcal, s.goal.kcal
    if present is None or goal is None:
        return False
    return present > goal and present >= goal + _slack(s)


def _slack(s: Situation) -> Decimal:
    return increment_kcal(s.vehicle, s.protocol) if s.vehicle is not None else Decimal(0)


def organ_dysfunction(s: Situation) -> list[Finding]:
    """Flags that fall in a course: recorded since it began, or undated (the safer direction)."""
    started = s.course.started
    kinds = (FindingKind.ORGAN_DYSFUNCTION, FindingKind.THIAMINE_DEFICIENCY)
    return [
        f
        for f in current_findings(s.picture, s.now)
        if f.kind in kinds and (f.recorded is None or (started is not None and f.recorded >= started))
    ]


def refractory_runs(s: Situation) -> list[LowRun]:
    """Lows that are difficult to correct, while feeding, and still low by what is credible now."""
    if not s.course.feeding:
        return []
    return [r for r in s.runs if r.is_refractory and s.reading(r.analyte).evidence.danger.is_low]
