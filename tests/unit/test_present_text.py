"""What people read: the advice first, states in words, and nothing of the chart's text taken for markup."""

import io
from dataclasses import replace
from datetime import UTC
from decimal import Decimal

import pytest
from rich.console import Console

from andante.domain.advice import AdviceCode, AnalyteState, DataQuality, Priority, Reason
from andante.domain.protocol import Number
from andante.domain.quantities import Analyte
from andante.present.as_inbox import Item, inbox_view
from andante.present.as_text import advice_words, assessment_view, explanation_view
from builders import a_fact, a_notice, an_advice, an_assessment


def printed(view: object, width: int = 100, *, colour: bool = False) -> str:
    out = io.StringIO()
    Console(file=out, width=width, force_terminal=colour, markup=False, highlight=False).print(view)
    return out.getvalue()


def test_the_advice_comes_first_and_the_caution_last() -> None:
    text = printed(assessment_view(an_assessment(an_advice(headline="Hold at 40 mL/h")), UTC))
    lines = [line for line in text.splitlines() if line.strip()]
    assert lines[1].startswith("Hold at 40 mL/h")
    assert "Nothing has been ordered." in lines[-1]


def test_every_part_a_clinician_checks_is_there() -> None:
    assessment = replace(
        an_assessment(notices=[a_notice()], states={Analyte.PHOSPHATE: AnalyteState.CRITICAL_LOW}),
        data_quality=(DataQuality(code="unit-missing", text="a result without unit"),),
        overlay=("energy.goal: 25 kcal/kg/d instead of 30 (site: board)",),
    )
    text = printed(assessment_view(assessment, UTC))
    for part in (
        "Patient/p1",
        "Ward 3",
        "Phosphate 0.62 mmol/L is low.",
        "phosphate 0.80 mmol/L or more in a firm draw",
        "critical-low",
        "no draw is ordered",
        "a result without unit",
        "Changed by this site",
        "energy.goal: 25",
    ):
        assert part in text


def test_the_state_is_told_in_words_without_any_colour() -> None:
    stat = an_advice(AdviceCode.URGENT_REVIEW, priority=Priority.STAT)
    assert "at once" in printed(assessment_view(an_assessment(stat), UTC))


def test_markup_and_escapes_in_a_chart_stay_plain_text() -> None:
    hostile = an_assessment(an_advice(headline="[bold red]Advance[/] \x1b[31mnow"), ward="[link=x]W[/link]")
    text = printed(assessment_view(hostile, UTC))
    assert "[bold red]Advance[/]" in text
    assert "[link=x]W[/link]" in text
    assert "\x1b" not in text


def test_every_advice_code_has_words() -> None:
    assert all(advice_words(code) for code in AdviceCode)


@pytest.mark.parametrize(
    ("code", "rule", "lowers", "name"),
    [
        (AdviceCode.NOT_AT_RISK, "risk-not-shown", False, "Risk not known"),
        (AdviceCode.NOT_AT_RISK, "not-at-risk", False, "Not at risk"),
        (AdviceCode.HOLD, "over-goal", True, "Bring down"),
        (AdviceCode.HOLD, "low-while-feeding", False, "Hold"),
        (AdviceCode.HALVE, "difficult-to-correct", True, "Halve"),
    ],
)
def test_the_name_over_an_advice_agrees_with_what_it_does(code: AdviceCode, rule: str, lowers: bool, name: str) -> None:
    said = replace(an_assessment(), advice=replace(an_advice(), code=code, rule=rule, lowers=lowers))
    assert f"{name}; " in printed(assessment_view(said, UTC))


def test_a_note_on_the_data_begins_with_what_it_is_about() -> None:
    note = DataQuality(code="uncoded-analyte", text="looks like phosphate; not used", source="Observation/1/_history/2")
    text = printed(assessment_view(replace(an_assessment(), data_quality=(note,)), UTC))
    assert "Observation/1: looks like phosphate; not used (uncoded-analyte)" in text
    bare = replace(an_assessment(), data_quality=(replace(note, source=""),))
    assert "- looks like phosphate; not used" in printed(assessment_view(bare, UTC))


def test_the_explanation_names_rule_fact_time_source_and_protocol_entry() -> None:
    number = Number(path="fall.hold", value=Decimal(20), unit="%", source="ASPEN 2020", tag="practice")
    reason = Reason(rule="falling", sentence="Phosphate fell by 22 %.", facts=(a_fact(),), cites=(number,))
    text = printed(explanation_view(replace(an_assessment(), derivation=(reason,)), UTC), width=160)
    assert "1. falling" in text
    assert "Phosphate fell by 22 %." in text
    assert "phosphate: 0.62 mmol/L, 25 Nov 05:10 [Observation/po4-1/_history/1]" in text
    assert "protocol fall.hold = 20 %: ASPEN 2020 (practice)" in text


def test_an_inbox_shows_the_most_urgent_bed_first_and_its_suggestion_before_its_notices() -> None:
    def item(bed: str, priority: Priority, text: str, *, is_advice: bool) -> Item:
        return Item(ward="W", bed=bed, priority=priority, tell="nurse", text=text, is_advice=is_advice)

    text = printed(
        inbox_view(
            [
                item("1", Priority.ROUTINE, "stay", is_advice=True),
                item("2", Priority.STAT, "tell somebody", is_advice=False),
                item("2", Priority.URGENT, "hold", is_advice=True),
            ]
        )
    )
    assert text.index("hold") < text.index("tell somebody") < text.index("stay")
