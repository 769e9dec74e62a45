"""The course as drawn never says anything else than the assessment it belongs to: every story, every morning."""

from datetime import datetime, timedelta
from pathlib import Path

import pytest
from stories import chart_bytes, hospital, protocol_of, rows_of, stories

from andante.chart.bundle import read_charts
from andante.chart.codes import load_codes
from andante.chart.to_picture import to_picture
from andante.domain.advice import AnalyteState, Assessment
from andante.domain.trace import Trace
from andante.rules import evaluate, trace

CODES = load_codes()
FIRM = (AnalyteState.IN_RANGE, AnalyteState.LOW, AnalyteState.CRITICAL_LOW, AnalyteState.HIGH)


def course(story: Path, now: datetime) -> tuple[Assessment, Trace]:
    (chart,) = read_charts(chart_bytes(story), now=now).charts
    picture = to_picture(chart, CODES, hospital().zone)
    assessment = evaluate(picture, protocol_of(story), now)
    return assessment, trace(picture, protocol_of(story), assessment)


@pytest.mark.parametrize("story", stories(), ids=lambda story: story.name)
def test_the_drawing_says_what_the_assessment_says(story: Path) -> None:
    looked_at = 0
    for row in rows_of(story):
        now = hospital().instant(row.at)
        found, drawn = course(story, now)
        assert drawn.now == now
        assert (drawn.suggested.kcal if drawn.suggested else None) == found.advice.kcal
        assert (drawn.goal.kcal if drawn.goal else None) == found.feeding.goal_kcal
        for view, one in zip(found.analytes, drawn.analytes, strict=True):
            looked_at += 1
            assert one.analyte is view.analyte
            assert one.next_due == view.next_due
            assert list(one.points) == sorted(one.points, key=lambda p: (p.at, p.source))
            shown = [p for p in one.points if p.source == view.source and p.at == view.collected]
            if view.value is not None and view.collected is not None:
                assert [p.value for p in shown] == [view.value]
            if view.state in FIRM and shown:
                assert not shown[0].set_aside
            for point in one.points:
                assert point.fall_percent is None or 0 < point.fall_percent < 100
            if view.fall_percent and shown and shown[0].fall_percent is not None:
                assert shown[0].fall_percent <= view.fall_percent
        for step in (*drawn.ordered, *drawn.delivered):
            assert step.start <= now
            assert step.end is None or step.end - step.start >= timedelta()
            assert step.kcal is None or step.kcal >= 0
        for step in drawn.ordered:
            assert step.sources or step.kcal == 0
    assert looked_at
