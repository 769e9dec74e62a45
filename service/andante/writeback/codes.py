"""Every code we write, with the words shown beside it. The CodeSystems in `shared/fhir` hold the same lists."""

from enum import StrEnum

from andante.domain.advice import AdviceCode, GapStage, NoticeCode, Priority, Tell


class Kind(StrEnum):
    """The two things left in the inbox; also the names of their identifier systems."""

    ADVICE = "advice"  # a Task
    NOTICE = "notice"  # a CommunicationRequest


class CancelReason(StrEnum):
    """Why the service took back something of its own that nobody had touched."""

    SUPERSEDED = "superseded"
    NOT_NEEDED = "not-needed"
    NO_LONGER_TRUE = "no-longer-true"
    DUPLICATE = "duplicate"
    ANSWERED = "answered"


class InputKind(StrEnum):
    """What an entry of Task.input holds."""

    EVIDENCE = "evidence"
    VALUE = "evidence-value"
    SUPERSEDES = "supersedes"
    FINGERPRINT = "evidence-fingerprint"
    SEAL = "seal"


class AnswerCode(StrEnum):
    """What a person answered to a suggestion on our page; why, where they declined."""

    AGREED = "agreed"
    PUT_OFF = "put-off"
    DONE = "done"
    NEWER_FACTS = "newer-facts"
    CHART_WRONG = "chart-wrong"
    OTHER_GOAL = "other-goal"
    REPLACEMENT_RUNS = "replacement-runs"
    COMFORT_CARE = "comfort-care"
    LOCAL_PROTOCOL = "local-protocol"
    JUDGEMENT = "judgement"


SILENT = frozenset(code for code in AdviceCode if code.is_silent)

DISPLAY: dict[StrEnum, str] = {
    AdviceCode.NOT_COVERED: "Not covered by this protocol",
    AdviceCode.NOT_AT_RISK: "Not at risk",
    AdviceCode.DRAW_FIRST: "Draw first",
    AdviceCode.CORRECT_FIRST: "Correct first, do not start",
    AdviceCode.START: "Ready to start",
    AdviceCode.STAY: "Stay at the present energy",
    AdviceCode.ADVANCE: "Advance by one step",
    AdviceCode.AT_GOAL: "At goal",
    AdviceCode.HOLD: "Hold: no more energy than now",
    AdviceCode.HALVE: "Cut the energy",
    AdviceCode.URGENT_REVIEW: "Urgent medical review",
    AdviceCode.STOOD_DOWN: "Stood down",
    NoticeCode.LAB_GAP: "A result is missing",
    NoticeCode.LAB_GAP_AHEAD: "A result will be missing",
    NoticeCode.REPLACEMENT: "Replacement to review",
    NoticeCode.MICRONUTRIENT: "Vitamin gap",
    NoticeCode.URGENT: "Urgent finding",
    NoticeCode.DATA_QUALITY: "Data that could not be used",
    NoticeCode.SCHEDULED_INCREASE: "A scheduled increase that the evidence does not support",
    GapStage.NOT_ORDERED: "Not ordered",
    GapStage.NOT_COLLECTED: "Ordered, not collected",
    GapStage.NO_RESULT: "Collected, no result",
    GapStage.UNUSABLE: "Resulted but unusable",
    Tell.PRESCRIBER: "Prescriber",
    Tell.NURSE: "Nurse or phlebotomy",
    Tell.LABORATORY: "Laboratory",
    Tell.DIETITIAN: "Dietitian",
    CancelReason.SUPERSEDED: "A newer suggestion replaces this one",
    CancelReason.NOT_NEEDED: "No suggestion is needed any more",
    CancelReason.NO_LONGER_TRUE: "No longer true",
    CancelReason.DUPLICATE: "The same suggestion was left twice",
    CancelReason.ANSWERED: "The same suggestion was already answered by a person",
    InputKind.EVIDENCE: "Evidence",
    InputKind.VALUE: "What the evidence says",
    InputKind.SUPERSEDES: "Earlier suggestion that this one replaces",
    InputKind.FINGERPRINT: "Fingerprint of the evidence",
    InputKind.SEAL: "Seal over what the service wrote",
    AnswerCode.AGREED: "Agreed",
    AnswerCode.PUT_OFF: "Put off until later",
    AnswerCode.DONE: "Done",
    AnswerCode.NEWER_FACTS: "Declined: more is known than the chart shows",
    AnswerCode.CHART_WRONG: "Declined: the chart it rests on is wrong",
    AnswerCode.OTHER_GOAL: "Declined: another energy goal has been agreed",
    AnswerCode.REPLACEMENT_RUNS: "Declined: replacement is running and watched",
    AnswerCode.COMFORT_CARE: "Declined: comfort care, the protocol does not apply",
    AnswerCode.LOCAL_PROTOCOL: "Declined: the local protocol says otherwise",
    AnswerCode.JUDGEMENT: "Declined: clinical judgement",
}

ENUMS: dict[str, type[StrEnum]] = {
    "advice": AdviceCode,
    "notice": NoticeCode,
    "gap-stage": GapStage,
    "tell": Tell,
    "cancel-reason": CancelReason,
    "task-input": InputKind,
    "answer": AnswerCode,
}
"""Our closed code systems by name. `rule` is open: its codes are the ids of the rules."""

SYSTEM_OF: dict[type[StrEnum], str] = {enum: name for name, enum in ENUMS.items()}

PRIORITIES = frozenset(priority.value for priority in Priority)
