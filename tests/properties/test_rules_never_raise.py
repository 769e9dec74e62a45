"""Whatever the chart says, the rules answer: with a reason, from the fixed lists of codes, line by line."""

from decimal import Decimal

from generated import ordinary, weird
from hypothesis import given

from andante.domain.advice import AdviceCode, AnalyteState, Assessment, GapStage, NoticeCode
from andante.domain.picture import Picture
from andante.rules import evaluate
from pictures import NOW, aspen, nice
from rule_ids import is_known


def check(said: Assessment) -> None:
    advice = said.advice
    assert advice.code in AdviceCode
    assert advice.headline
    assert advice.because
    assert all(sentence.strip() for sentence in advice.because)
    assert said.derivation
    assert all(is_known(reason.rule) for reason in said.derivation), [r.rule for r in said.derivation]
    assert advice.rule in {reason.rule for reason in said.derivation}
    assert len(said.analytes) == 3
    assert all(view.state in AnalyteState for view in said.analytes)
    for notice in said.notices:
        assert notice.code in NoticeCode
        assert notice.stage is None or notice.stage in GapStage
        assert notice.text
    if advice.kcal is not None:
        assert advice.kcal >= Decimal(0)
    if advice.code.is_silent:
        assert said.notices == ()
        assert advice.kcal is None


@given(weird())
def test_a_chart_without_any_sense_gets_an_answer(chart: Picture) -> None:
    for protocol in (aspen(), nice()):
        check(evaluate(chart, protocol, NOW))


@given(ordinary())
def test_an_ordinary_chart_gets_an_answer(chart: Picture) -> None:
    for protocol in (aspen(), nice()):
        check(evaluate(chart, protocol, NOW))
