"""Invariant 5 on the fictional hospital: that time passes is no reason to write.

Each chart is assessed twice, seven minutes apart. Where the decision is the same, so are evidence and every word.
"""

import re
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from andante.assess import assess_chart
from andante.shared_files import fixtures
from andante.triggers import inputs
from andante.writeback.proposal import propose_advice, propose_notices
from andante.writeback.site import Site

SITE = Site()
STORIES = sorted(path for path in fixtures("patients").iterdir() if (path / "chart.json").exists())
ROUNDS = [timedelta(hours=hours) for hours in (-40, -27, -14, -4, 3, 11)]
INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:Z|[+-]\d\d:\d\d)")


@pytest.mark.parametrize("story", STORIES, ids=lambda path: path.name)
def test_the_same_chart_says_the_same_words_seven_minutes_later(story: Path) -> None:
    chart_file = story / "chart.json"
    last = max(map(datetime.fromisoformat, INSTANT.findall(chart_file.read_text())))
    for offset in ROUNDS:
        now, later = last + offset, last + offset + timedelta(minutes=7)
        basis = inputs.service(now=now, protocol=None, overlay=None, site=None).basis
        for chart in inputs.read_chart_file(str(chart_file), now=now).charts:
            first, second = (assess_chart(chart, basis, now=instant) for instant in (now, later))
            one, two = propose_advice(first, SITE), propose_advice(second, SITE)
            if one and two and one.decision == two.decision:
                assert (one.evidence, one.text, one.line) == (two.evidence, two.text, two.line), now
            notices = {notice.decision: notice for notice in propose_notices(second, SITE)}
            for notice in propose_notices(first, SITE):
                if notice.decision in notices and one and two and one.decision == two.decision:
                    assert notice.text == notices[notice.decision].text, now
