"""Bringing one patient's inbox to what the assessment says: plan, gate, one transaction, look again.

Every step may be repeated, raced or cut off. Creates carry their own identifier as condition and updates the
version they were based on; whatever the server answered, the inbox is read again and planned anew, until
nothing is left to do. A server that keeps half of a transaction, or loses its answer, is put right by that
same second look.
"""

from collections.abc import Awaitable, Callable, Collection, Sequence
from dataclasses import dataclass
from typing import Protocol, cast

import msgspec

from andante.chart.chart import Inbox
from andante.domain.advice import Assessment
from andante.errors import Conflict
from andante.fhir_http.cleared import Cleared
from andante.fhir_http.write import Written
from andante.writeback.answer import Given, answered
from andante.writeback.bundle import transaction
from andante.writeback.gate import Gate
from andante.writeback.identity import patient_id
from andante.writeback.plan import Action, Cancel, Create, Plan, Refresh, Revoke
from andante.writeback.reconcile import reconcile
from andante.writeback.seal import Json
from andante.writeback.site import Site
from andante.writeback.standing import Standing

ATTEMPTS = 4
"""Looks at one patient's inbox in one delivery. Who still meets conflicts then leaves the rest to the next
round.
"""


class Transactions(Protocol):
    """What the writer needs of `fhir_http.write.FhirWriter`."""

    async def transaction(self, cleared: Cleared) -> tuple[Written, ...]: ...


ReadInbox = Callable[[str], Awaitable[Inbox]]
"""Reads one patient's inbox afresh, given the patient's id."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """What came of one assessment.

    `done` are the actions the server confirmed, or with `dry_run` those it would have been asked for;
    `inbox` is the patient's inbox as last read; `bundle` is the first transaction, None where nothing was to
    be written. `held_back` says why nothing may be written. `unsettled`: conflicts did not end, or the inbox
    could not be read again; the next round goes on.
    """

    done: tuple[Action, ...] = ()
    inbox: Inbox | None = None
    bundle: Json | None = None
    held_back: str = ""
    conflicts: int = 0
    unsettled: bool = False
    dry_run: bool = False

    def count(self, kind: type[Create] | type[Refresh] | type[Cancel] | type[Revoke]) -> int:
        return sum(isinstance(action, kind) for action in self.done)


class InboxWriter:
    """Writes to the inboxes of one server, for one site."""

    def __init__(self, *, site: Site, gate: Gate, server: Transactions, read_inbox: ReadInbox) -> None:
        self._site = site
        self._gate = gate
        self._server = server
        self._read_inbox = read_inbox

    async def deliver(
        self,
        assessment: Assessment,
        inbox: Inbox,
        *,
        complete: bool = True,
        unread: Collection[str] = (),
        dry_run: bool = False,
    ) -> Delivery:
        """Write the least that is needed; `complete` and `unread` as in `reconcile`.

        Raises WriteRefused for a defect of ours, and a ServerError where the outcome is unknown or refused:
        the next round reads the inbox and sees what is there.
        """
        done: list[Action] = []
        first: Json | None = None
        conflicts = 0
        for attempt in range(ATTEMPTS + 1):
            plan = reconcile(
                assessment,
                inbox,
                site=self._site,
                complete=complete,
                unread=unread,
                after_writing=attempt > 0,
            )
            plan = _without_echoes(plan, done)
            if not plan or attempt == ATTEMPTS:
                break
            bundle = transaction(plan, assessment, self._site)
            cleared = self._gate.clear(bundle)
            first = first or bundle
            if dry_run:
                return Delivery(done=plan.actions, inbox=inbox, bundle=bundle, held_back=plan.held_back, dry_run=True)
            try:
                answers = await self._server.transaction(cleared)
            except Conflict:
                conflicts += 1  # a person, or another instance, was faster: read again and yield
            else:
                done += _confirmed(plan.actions, answers)
            inbox = await self._read_inbox(inbox.patient_id)
        return Delivery(
            done=tuple(done),
            inbox=inbox,
            bundle=first,
            held_back=plan.held_back,
            conflicts=conflicts,
            unsettled=bool(plan) or (first is not None and bool(inbox.incomplete)),
            dry_run=dry_run,
        )


class AnswerWriter:
    """Writes people's answers to one server: through the gate, in the version that the person saw."""

    def __init__(self, *, site: Site, gate: Gate, server: Transactions) -> None:
        self._site = site
        self._gate = gate
        self._server = server

    async def write(self, standing: Standing, given: Given) -> None:
        """Raises Conflict where somebody was faster, InputError for an answer that cannot be given, WriteRefused for
        a Task that holds what we may not send, and a ServerError where the outcome is unknown or refused."""
        bundle = answered(standing, given, self._site)
        await self._server.transaction(self._gate.clear_answer(bundle, standing.body))


def transaction_bundle(assessment: Assessment, site: Site | None = None) -> Json:
    """The transaction that a round would send to an empty inbox; cleared by the gate, sent nowhere."""
    site = site or Site()
    plan = reconcile(assessment, Inbox(patient_id=patient_id(assessment)), site=site)
    cleared = Gate(site).clear(transaction(plan, assessment, site))
    return cast(Json, msgspec.json.decode(cleared.body))


def _confirmed(actions: Sequence[Action], answers: Sequence[Written]) -> list[Action]:
    """The actions that changed something; the answer after them is the Provenance's."""
    pairs = zip(actions, answers, strict=False)
    return [action for action, answer in pairs if answer.created or not isinstance(action, Create)]


def _without_echoes(plan: Plan, done: Sequence[Action]) -> Plan:
    """Drop what this delivery has already written: a search may lag behind a write, and is no reason to
    repeat it.
    """
    ours = {action.identity.value for action in done if isinstance(action, Create)}
    versions = {
        (action.standing.reference, action.standing.version) for action in done if not isinstance(action, Create)
    }
    kept = []
    for action in plan.actions:
        if isinstance(action, Create):
            if action.identity.value in ours:
                continue
        elif (action.standing.reference, action.standing.version) in versions:
            continue
        kept.append(action)
    return Plan(actions=tuple(kept), held_back=plan.held_back)
