"""The resource types that are ever read: of everything asked for one patient, and of what patients share."""

from datetime import UTC, datetime

from andante.chart.changes import SHARED
from andante.chart.questions import ReadPlan, census_question, chart_questions, inbox_questions

_ANY_TIME = datetime(2000, 1, 1, tzinfo=UTC)  # the types asked for are the same at every instant


def types_read(plan: ReadPlan) -> frozenset[str]:
    """By the very questions that are asked of a server, so that the two cannot drift apart."""
    questions = (census_question(plan), *chart_questions(plan, _ANY_TIME), *inbox_questions(plan))
    return frozenset(SHARED) | {question.resource_type for question in questions}
