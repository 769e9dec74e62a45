"""The least that must be written so that the inbox says what the assessment says. Pure: no server, no clock.

A person's hand ends the service's: nothing here refreshes or takes back what a person has touched, and what a
person has decided on some evidence is never raised again on that evidence. In doubt less is written, except
that a danger seen is told even where the chart could not be read whole.
"""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

from andante.chart.chart import Inbox
from andante.domain.advice import AdviceCode, AnalyteState, Assessment, NoticeCode
from andante.writeback.codes import CancelReason, Kind
from andante.writeback.identity import Identity, patient_id
from andante.writeback.plan import Action, Create, Plan, Refresh, take_back
from andante.writeback.proposal import Proposal, by_decision, escalated, propose_advice, propose_notices
from andante.writeback.site import Site
from andante.writeback.standing import Hands, Standing, of_kind, read_inbox

NEWER_WITHIN = timedelta(minutes=10)
"""How far ahead another instance's assessment may be and still count as newer than ours.

Longer than a round takes. Beyond it the other clock is wrong, and a wrong clock must not silence this
instance.
"""

# The more careful first: of two assessments of the same instant, read from a chart in motion, it is the one
# kept.
_BY_CAUTION = (
    AdviceCode.URGENT_REVIEW,
    AdviceCode.HALVE,
    AdviceCode.HOLD,
    AdviceCode.CORRECT_FIRST,
    AdviceCode.DRAW_FIRST,
    AdviceCode.STAY,
    AdviceCode.AT_GOAL,
    AdviceCode.ADVANCE,
    AdviceCode.START,
)
_CAREFUL = frozenset(
    {
        AdviceCode.URGENT_REVIEW,
        AdviceCode.HALVE,
        AdviceCode.HOLD,
        AdviceCode.CORRECT_FIRST,
        AdviceCode.DRAW_FIRST,
    }
)
_DANGER = frozenset({AnalyteState.LOW, AnalyteState.CRITICAL_LOW, AnalyteState.CRITICAL_HIGH})
# The reads whose failure could make each notice untrue. Those that rest on something seen need none. None of these
# types is ever written: the gate refuses whatever is not on the allow-list.
_NEEDS: dict[NoticeCode, frozenset[str]] = {
    NoticeCode.URGENT: frozenset(),
    NoticeCode.REPLACEMENT: frozenset(),
    NoticeCode.SCHEDULED_INCREASE: frozenset(),
    NoticeCode.DATA_QUALITY: frozenset({"Patient", "Observation"}),
    NoticeCode.LAB_GAP: frozenset({"Observation", "ServiceRequest", "Specimen"}),
    NoticeCode.LAB_GAP_AHEAD: frozenset({"Observation", "ServiceRequest", "Specimen"}),
    NoticeCode.MICRONUTRIENT: frozenset({"MedicationRequest", "MedicationAdministration", "Medication"}),
}
_ONLY_UNREAD = "incomplete-read"  # the rule that holds for no other reason
# The reads without which it is not certain how much energy runs now.
_ENERGY = frozenset({"NutritionOrder", "MedicationRequest", "MedicationAdministration", "Medication"})


def reconcile(
    assessment: Assessment,
    inbox: Inbox,
    *,
    site: Site,
    complete: bool = True,
    unread: Collection[str] = (),
    after_writing: bool = False,
) -> Plan:
    """The actions for one patient, given all that the service ever left for them.

    `complete` is False when some read of the chart failed, and `unread` may name the resource types: then nothing
    is refreshed, nothing that feeds more is created, a suggestion is taken back only for one no less careful on a
    danger seen, and a notice is created only where the failed reads could not have made it untrue. `after_writing`
    says that this looks again after a write of ours: then another instance's suggestion of the same instant is
    settled with, rather than replaced. Raises ValueError for the inbox of another patient.
    """
    if inbox.patient_id != patient_id(assessment):
        raise ValueError("this is another patient's inbox")
    if inbox.incomplete:
        return Plan(held_back="the inbox could not be read whole")
    standings = read_inbox(inbox, site)
    scene = _Scene(
        assessment=assessment,
        complete=complete and not unread,
        unread=frozenset(unread),
        after_writing=after_writing,
    )
    tasks = of_kind(Kind.ADVICE, standings)
    notices = of_kind(Kind.NOTICE, standings)
    newer = [task for task in tasks if scene.is_newer(task, site)]
    if newer:
        settling = (*_yield_to(newer, tasks), *_doubles(notices)) if scene.complete else ()
        return Plan(actions=settling, held_back="another instance has assessed this patient since")
    named = _of_known_stay(scene, standings)
    actions = [*_advice(scene, propose_advice(named, site), tasks)]
    wanted = by_decision(propose_notices(named, site))
    for decision, proposal in wanted.items():
        same = [notice for notice in notices if notice.identity.decision == decision]
        actions += _notice(scene, _escalation(scene, proposal, same, site), same)
    if scene.complete:
        for notice in notices:
            if notice.hands is Hands.OURS and notice.identity.decision not in wanted:
                actions.append(take_back(notice, CancelReason.NO_LONGER_TRUE, "no longer true"))
    return Plan(actions=tuple(actions))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scene:
    assessment: Assessment
    complete: bool
    unread: frozenset[str]
    after_writing: bool

    def is_newer(self, task: Standing, site: Site) -> bool:
        """Whether the service itself, elsewhere, wrote this from an assessment that goes before this one."""
        if task.hands not in (Hands.OURS, Hands.WITHDRAWN) or task.assessed is None:
            return False
        ahead = task.assessed - self.assessment.now
        if timedelta() < ahead <= NEWER_WITHIN:
            return True
        if not self.after_writing or ahead or task.hands is not Hands.OURS or task.code is None:
            return False
        mine = propose_advice(self.assessment, site)
        if mine is None:
            return True  # silence never wins over a suggestion of the same instant
        if task.identity.decision == mine.decision:
            return False
        return (_caution(task.code), task.identity.decision) < (
            _caution(self.assessment.advice.code),
            mine.decision,
        )

    @property
    def has_seen_danger(self) -> bool:
        return any(view.state in _DANGER for view in self.assessment.analytes)

    @property
    def is_only_unread(self) -> bool:
        """Whether the advice rests on nothing but that the chart could not be read whole."""
        return self.assessment.advice.rule == _ONLY_UNREAD

    def supersedes(self, task: Standing) -> bool:
        """Whether an open suggestion gives way to what is decided now.

        Where not all was read it does so only for a danger seen, and never to less care: left open beside each other,
        the two would contradict. Of two with one code the energy says which is the more careful, so the orders must
        have been read.
        """
        if self.complete:
            return True
        code = self.assessment.advice.code
        if not self.has_seen_danger or code not in _CAREFUL or self.is_only_unread:
            return False
        if code is task.code:
            return bool(self.unread) and not _ENERGY & self.unread
        return task.code is None or _caution(code) < _caution(task.code)

    def may_create(self, proposal: Proposal, *, beside: Sequence[Standing], last: Standing | None) -> bool:
        """Whether what was read is enough for this to be new in the inbox, with `beside` left open there.

        `last`: the latest advice left for the patient, in whosever hands.
        """
        if self.complete:
            return True
        if proposal.notice:
            needs = _NEEDS[proposal.notice.code]
            return not needs or (bool(self.unread) and not needs & self.unread)
        # That our own read failed is no reason to contradict what stands, and a more careful suggestion may rest on
        # what was not read now; nor what a person is at, nor that nothing needed to be said. Else, with nothing open,
        # silence would be worse than a hold.
        done_with = last is None or (last.hands is Hands.DECIDED and last.is_final)
        if self.is_only_unread and not self.has_seen_danger and not done_with:
            return False
        return self.assessment.advice.code in _CAREFUL and not beside


def _of_known_stay(scene: _Scene, standings: Sequence[Standing]) -> Assessment:
    """The assessment by which decisions are named. The stay is part of the name: where it could not be read now, it is
    taken to be that of what was left last, or all of it would be told once more."""
    assessment = scene.assessment
    if scene.complete or assessment.encounter or not standings:
        return assessment
    return replace(assessment, encounter=standings[-1].stay)


def _caution(code: AdviceCode) -> int:
    return _BY_CAUTION.index(code) if code in _BY_CAUTION else len(_BY_CAUTION)


def _yield_to(newer: Sequence[Standing], tasks: Sequence[Standing]) -> Iterator[Action]:
    """Keep the newest of the other instance's suggestions, take back ours that it has not seen."""
    standing = [task for task in newer if task.hands is Hands.OURS]
    if not standing:
        return
    kept = max(standing, key=lambda task: (task.assessed, task.age_order))
    same = [task for task in standing if task.identity.decision == kept.identity.decision]
    kept = min(same, key=lambda task: task.age_order)
    for task in tasks:
        if task.hands is Hands.OURS and task is not kept:
            yield take_back(task, CancelReason.SUPERSEDED, f"replaced by {kept.reference}, assessed later")


def _doubles(notices: Sequence[Standing]) -> Iterator[Action]:
    """Of equal notices that a race has left, all but the oldest."""
    kept: dict[str, Standing] = {}
    for notice in notices:
        if notice.hands is Hands.OURS:
            first = kept.setdefault(notice.identity.decision, notice)
            if first is not notice:
                yield take_back(notice, CancelReason.DUPLICATE, f"the same as {first.reference}")


def _advice(scene: _Scene, proposal: Proposal | None, tasks: Sequence[Standing]) -> Iterator[Action]:
    ours = [task for task in tasks if task.hands is Hands.OURS]
    if proposal is None:
        if scene.complete:
            for task in ours:
                yield take_back(task, CancelReason.NOT_NEEDED, "no suggestion is needed any more")
        return
    same = [task for task in tasks if task.identity.decision == proposal.decision]
    older = [task for task in ours if task not in same]
    answered = _answered(proposal, same)
    if answered is None and same and same[-1] is tasks[-1] and same[-1].hands is Hands.HANDLED:
        answered = same[-1]  # the latest word, and a person is busy with it
    # What a person has answered is not said again: without the whole chart, nothing is taken back in its favour.
    beside = [task for task in older if not scene.supersedes(task) or (answered and not scene.complete)]
    for task in older:
        if task not in beside:
            yield take_back(task, CancelReason.SUPERSEDED, "the decision is another one now")
    with_a_person = [task for task in tasks if task.hands not in (Hands.OURS, Hands.WITHDRAWN)]
    still_open = [task for task in with_a_person if not task.is_final][-1:]
    last = tasks[-1] if tasks else None
    yield from _settle(scene, proposal, same, answered, instead_of=(*older, *still_open), beside=beside, last=last)


def _notice(scene: _Scene, proposal: Proposal, same: Sequence[Standing]) -> Iterator[Action]:
    yield from _settle(scene, proposal, same, _answered(proposal, same), instead_of=(), beside=())


def _escalation(scene: _Scene, proposal: Proposal, same: Sequence[Standing], site: Site) -> Proposal:
    """The notice as it should stand: told to the next in line too, once nobody has touched it for so long.

    It stays the one notice it was. What a person has touched is not open any more, and escalates no further.
    """
    step = site.escalation.get(proposal.priority)
    open_since = next((one.authored for one in same if one.hands is Hands.OURS), None)  # the oldest, which is kept
    if step is None or open_since is None or scene.assessment.now - open_since < step.after:
        return proposal
    if step.to == site.recipient(proposal.tell, scene.assessment.ward):
        return proposal
    return escalated(proposal, to=step.to, after=step.after)


def _settle(
    scene: _Scene,
    proposal: Proposal,
    same: Sequence[Standing],
    answered: Standing | None,
    *,
    instead_of: tuple[Standing, ...],
    beside: Sequence[Standing],
    last: Standing | None = None,
) -> Iterator[Action]:
    """One open item for one decision: none where a person has answered it, else the oldest, else a new one."""
    ours = [one for one in same if one.hands is Hands.OURS]
    if answered is not None:
        if scene.complete:
            for one in ours:
                yield take_back(one, CancelReason.ANSWERED, f"{answered.reference} has been answered by a person")
        return
    if ours:
        kept, *doubles = ours  # oldest first
        if scene.complete:
            for one in doubles:
                yield take_back(one, CancelReason.DUPLICATE, f"the same as {kept.reference}")
            if reason := _staleness(scene, proposal, kept):
                yield Refresh(standing=kept, proposal=proposal, reason=reason)
        return
    if scene.may_create(proposal, beside=beside, last=last):
        earlier = [one.identity.again for one in same if one.identity.evidence == proposal.evidence]
        identity = Identity(proposal.decision, proposal.evidence, max(earlier, default=0) + 1)
        yield Create(proposal=proposal, identity=identity, instead_of=instead_of, reason="new")


def _answered(proposal: Proposal, same: Sequence[Standing]) -> Standing | None:
    """The item on which a person has already answered this decision on this evidence, or is about to."""
    persons = (Hands.DECIDED, Hands.HANDLED)
    return next((one for one in same if one.hands in persons and proposal.evidence in one.rests_on), None)


def _staleness(scene: _Scene, proposal: Proposal, kept: Standing) -> str:
    """Why an untouched item must be renewed; empty when it says what is still so."""
    if kept.shown != proposal.evidence:
        return "the evidence is newer"
    if kept.text != proposal.text or (proposal.kind is Kind.ADVICE and kept.line != proposal.line):
        return "nobody has answered it in time" if proposal.escalated_to else "the text is another one"
    if kept.priority != proposal.priority:
        return "the priority is another one"
    end, now = kept.valid_until, scene.assessment.now
    if end and proposal.valid_until and end <= now < proposal.valid_until:
        return "its validity had run out"
    return ""
