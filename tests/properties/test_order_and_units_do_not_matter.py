"""Invariant 4: the same chart shuffled, duplicated or in other units gives the same answer, to the last word."""

from dataclasses import fields, replace
from decimal import Decimal
from random import Random

from generated import ordinary, weird
from hypothesis import given
from hypothesis import strategies as st

from andante.domain.picture import Picture
from andante.domain.quantities import Analyte, mmol_per_l
from andante.rules import evaluate
from pictures import ALL, MG, NOW, K, P, aspen, draw, feed, lab, picture

MG_PER_DL = {K: Decimal("3.9098"), P: Decimal("3.0974"), MG: Decimal("2.4305")}


def rearranged(chart: Picture, random: Random, *, twice: bool) -> Picture:
    changes = {}
    for field in fields(chart):
        value = getattr(chart, field.name)
        if isinstance(value, tuple):
            items = [*value, *value] if twice else list(value)
            random.shuffle(items)
            changes[field.name] = tuple(items)
    return replace(chart, **changes)


@given(ordinary() | weird(), st.randoms(use_true_random=False), st.booleans())
def test_shuffled_or_duplicated_the_whole_answer_is_the_same(chart: Picture, random: Random, twice: bool) -> None:
    other = rearranged(chart, random, twice=twice)
    one, two = evaluate(chart, aspen(), NOW), evaluate(other, aspen(), NOW)
    assert replace(two, versions=()) == replace(one, versions=())


@given(st.sampled_from(ALL), st.integers(20, 180), st.integers(20, 180))
def test_levels_written_in_mass_units_give_the_same_advice(analyte: Analyte, tenths: int, before: int) -> None:
    """The same number of mg/dL, given once as such and once as the mmol/L they are."""
    value, base = Decimal(tenths) / 10 * MG_PER_DL[analyte] / 4, Decimal(before) / 10 * MG_PER_DL[analyte] / 4
    rest = tuple(r for r in (*draw(60), *draw(4)) if r.analyte is not analyte)

    def chart(unit: str) -> Picture:
        def written(v: Decimal, ago: float):  # type: ignore[no-untyped-def]
            amount = v if unit == "mg/dL" else mmol_per_l(analyte, v, "mg/dL")
            result = lab(analyte, str(amount), ago, unit=unit)
            return replace(result, written="as written", source=f"Observation/{ago}")

        return picture(feed("30", 40, source="NutritionOrder/1"), rest, written(base, 60), written(value, 4))

    one, two = (evaluate(chart(unit), aspen(), NOW) for unit in ("mg/dL", "mmol/L"))
    assert one.advice.code == two.advice.code
    assert one.advice.kcal == two.advice.kcal
    assert [v.state for v in one.analytes] == [v.state for v in two.analytes]


def test_a_fall_of_exactly_the_holding_share_holds_in_either_unit() -> None:
    for base, now in (("2.5", "2.0"), ("4.0", "3.2"), ("3.0", "2.4"), ("3.5", "2.8"), ("3.7", "2.96"), ("4.1", "3.28")):
        rest = (*draw(60, p=None), *draw(4, p=None))
        p = (lab(P, base, 60, unit="mg/dL", low="2.0"), lab(P, now, 4, unit="mg/dL", low="1.9"))
        said = evaluate(picture(feed("30", 40), rest, p), aspen(), NOW)
        assert next(v for v in said.analytes if v.analyte is P).fall_percent == 20, base
        assert said.advice.code == "hold", base
