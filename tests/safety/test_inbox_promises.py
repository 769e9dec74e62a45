"""Invariants 5 and 7 under any story: rounds, people, crashes and half-read charts in any order.

The machine plays a hospital day; after each round it asks whether the service kept its promises.
"""

import asyncio
import os
from collections.abc import Coroutine
from contextlib import suppress
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from typing import Any

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from andante.domain.advice import AdviceCode, AnalyteState, Assessment, NoticeCode
from andante.domain.quantities import Analyte
from andante.errors import Unreachable
from andante.writeback.gate import Gate
from andante.writeback.reconcile import reconcile
from andante.writeback.site import Site
from andante.writeback.standing import Hands, Standing, read_inbox
from andante.writeback.writer import Delivery, InboxWriter
from builders import NOW, a_fact, a_notice, an_advice, an_assessment
from inbox_server import InboxServer

SITE = Site()
GATE = Gate(SITE)
ADVANCES = {AdviceCode.START.value, AdviceCode.ADVANCE.value}

ADVICES = st.sampled_from(
    [
        an_advice(AdviceCode.HOLD, rule="low-while-feeding"),
        an_advice(AdviceCode.HOLD, rule="evidence-gap", kcal="480", rate_ml_h=Decimal(20)),
        an_advice(AdviceCode.ADVANCE, rule="step-up", kcal="1440", rate_ml_h=Decimal(60)),
        an_advice(AdviceCode.URGENT_REVIEW, rule="urgent-review"),
        an_advice(AdviceCode.STOOD_DOWN, rule="stand-down", kcal=None, rate_ml_h=None),
    ]
)
# Written down again here, not taken from the code under test.
BY_CARE = ["urgent-review", "halve", "hold", "correct-first", "draw-first", "stay", "at-goal", "advance", "start"]
UNREAD = st.sampled_from([[], ["Flag"], ["NutritionOrder"], ["Flag", "MedicationAdministration"]])
EVIDENCE = st.sampled_from(["0.62 mmol/L", "0.66 mmol/L", "0.91 mmol/L"])
NOTICES = st.lists(
    st.sampled_from(
        [
            a_notice(),
            a_notice(text="Phosphate (due Thu 26 Nov 06:00): no draw is ordered."),
            a_notice(NoticeCode.REPLACEMENT, "Please review replacement: phosphate 0.62 mmol/L, low."),
        ]
    ),
    max_size=3,
)
TASK_STATUSES = st.sampled_from(
    [
        "draft",
        "requested",
        "received",
        "accepted",
        "rejected",
        "ready",
        "cancelled",
        "in-progress",
        "on-hold",
        "failed",
        "completed",
        "entered-in-error",
    ]
)
NOTICE_STATUSES = st.sampled_from(["draft", "active", "on-hold", "revoked", "completed", "entered-in-error", "unknown"])


def code_of(task: dict[str, Any]) -> str:
    return str(task["code"]["coding"][0]["code"])


def now_run(coroutine: Coroutine[Any, Any, Delivery]) -> Delivery:
    return asyncio.run(coroutine)


class Inbox(RuleBasedStateMachine):
    def __init__(self) -> None:
        super().__init__()
        self.server = InboxServer()
        self.clock = NOW
        self.persons: dict[str, dict[str, Any]] = {}

    @rule(rolls_back=st.booleans(), keeps_conditions=st.booleans())
    def the_server_changes_its_habits(self, rolls_back: bool, keeps_conditions: bool) -> None:
        self.server.rolls_back, self.server.keeps_conditions = rolls_back, keeps_conditions

    @rule(hours=st.integers(1, 30))
    def time_passes(self, hours: int) -> None:
        self.clock += timedelta(hours=hours)

    @rule(advice=ADVICES, value=EVIDENCE, notices=NOTICES)
    def a_round(self, advice: Any, value: str, notices: list[Any]) -> None:
        assessment = self._assessment(advice, value, notices)
        self._deliver(assessment)
        self._check_settled(assessment)

    @rule(advice=ADVICES, value=EVIDENCE, notices=NOTICES, lose=st.sampled_from(["before", "after"]))
    def a_round_that_breaks_off(self, advice: Any, value: str, notices: list[Any], lose: str) -> None:
        assessment = self._assessment(advice, value, notices)
        self.server.lose = lose
        with suppress(Unreachable):
            self._deliver(assessment)
        self.server.lose = ""

    @rule(advice=ADVICES, value=EVIDENCE, notices=NOTICES, unread=UNREAD)
    def a_round_on_a_half_read_chart(self, advice: Any, value: str, notices: list[Any], unread: list[str]) -> None:
        before = {name: body for name, body in self.server.resources.items() if body["resourceType"] != "Provenance"}
        self._deliver(self._assessment(advice, value, notices), complete=False, unread=unread)
        new = [code_of(body) for name, body in self.server.of_type("Task").items() if name not in before]
        assert not ADVANCES & set(new), "a half-read chart fed more"
        still_open = [code_of(task.body) for task in self._ours() if task.reference.startswith("Task")]
        for reference, body in before.items():
            after = self.server.resources[reference]
            if after == body:
                continue
            # The one thing it may change: a danger seen takes the place of a suggestion of our own.
            assert (body["status"], after["status"]) == ("requested", "cancelled"), "a half-read chart changed it"
            assert value.startswith("0.6"), "a half-read chart without a danger took a suggestion back"
            assert len(still_open) == 1, "a suggestion was taken back and none stands in its place"
            care, old = BY_CARE.index(still_open[0]), BY_CARE.index(code_of(body))
            assert care <= old, "a half-read chart took back the more careful one"
            assert care < old or unread == ["Flag"], "without the orders, one hold took the place of another"

    @rule(data=st.data())
    def a_person_acts(self, data: st.DataObject) -> None:
        shown = self.server.of_type("Task") | self.server.of_type("CommunicationRequest")
        if not shown:
            return
        reference = data.draw(st.sampled_from(sorted(shown)))
        statuses = TASK_STATUSES if reference.startswith("Task") else NOTICE_STATUSES
        changes = data.draw(
            st.one_of(
                st.fixed_dictionaries({"status": statuses, "note": st.just([{"text": "by hand"}])}),
                st.just({"note": [{"text": "seen"}]}),
            )
        )
        self.server.person(reference, **changes)
        self.persons[reference] = self.server.resources[reference]

    @invariant()
    def what_a_person_touched_is_as_they_left_it(self) -> None:
        assert not self.server.overwritten
        for reference, body in self.persons.items():
            assert self.server.resources[reference] == body

    @invariant()
    def everything_written_is_of_the_three_types(self) -> None:
        written = {entry["resource"]["resourceType"] for bundle in self.server.sent for entry in bundle["entry"]}
        assert written <= {"Task", "CommunicationRequest", "Provenance"}

    def _assessment(self, advice: Any, value: str, notices: list[Any]) -> Assessment:
        low = {Analyte.PHOSPHATE: AnalyteState.LOW} if value.startswith("0.6") else {}
        return an_assessment(
            advice,
            now=self.clock,
            evidence=(a_fact(value=value, source=f"Observation/po4-{value[2:4]}/_history/1"),),
            notices=dict.fromkeys(notices),
            states=low,
        )

    def _ours(self) -> list[Standing]:
        return [one for one in read_inbox(self.server.inbox(), SITE) if one.hands is Hands.OURS]

    def _deliver(self, assessment: Assessment, **options: Any) -> Delivery:
        writer = InboxWriter(site=SITE, gate=GATE, server=self.server, read_inbox=self.server.read_inbox)
        return now_run(writer.deliver(assessment, self.server.inbox(), **options))

    def _check_settled(self, assessment: Assessment) -> None:
        sent = len(self.server.sent)
        for minutes in (0, 1, 59):
            again = replace(assessment, now=self.clock + timedelta(minutes=minutes))
            assert not reconcile(again, self.server.inbox(), site=SITE), "the same chart would write again"
            self._deliver(again)
        assert len(self.server.sent) == sent
        ours = self._ours()
        tasks = [one for one in ours if one.reference.startswith("Task")]
        assert len(tasks) <= 1, "more than one open advice"
        if assessment.advice.code.is_silent:
            assert not tasks, "an advice stands although there is nothing to say"
        names = [one.identity.decision for one in ours]
        assert len(set(names)) == len(names), "the same thing is open twice"


TestInbox = Inbox.TestCase
_DAYS = 1_500 if os.environ.get("ANDANTE_TEST_DEEP") == "1" else 40
TestInbox.settings = settings(max_examples=_DAYS, stateful_step_count=20)
