"""The drawing and its tables: every point of the course is there once, where it belongs, with its source and time."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest

from andante.domain.quantities import Analyte
from andante.domain.trace import AnalyteTrace, Dose, EnergyStep, Point, Trace
from andante.page.drawing import NARROW, WIDE, draw, tables_of
from andante.page.paper import environment

NOW = datetime(2031, 3, 27, 6, 30, tzinfo=UTC)
d = Decimal


def h(hours: float) -> datetime:
    return NOW + timedelta(hours=hours)


def point(hours: float, value: str, **more: object) -> Point:
    return Point(at=h(hours), value=d(value), comparator="", low=d("0.80"), high=d("1.45"), **more)  # type: ignore[arg-type]


PHOSPHATE = AnalyteTrace(
    analyte=Analyte.PHOSPHATE,
    points=(
        point(-50, "1.20", source="Observation/a/_history/1"),
        point(-26, "0.70", source="Observation/b/_history/1", fall_percent=d(42)),
        point(-2, "0.95", source="Observation/c/_history/2", set_aside="haemolysed"),
    ),
    low=d("0.80"),
    high=d("1.45"),
    critical=d("0.32"),
    reference=d("1.20"),
    reference_at=h(-50),
    next_due=h(10),
)
COURSE = Trace(
    now=NOW,
    analytes=(PHOSPHATE,),
    doses=(Dose(at=h(-20), analytes=(Analyte.PHOSPHATE,), said="Sodium phosphate 20 mmol", source="MA/1/_history/1"),),
    ordered=(
        EnergyStep(
            start=h(-48), end=h(-24), kcal=d(600), said="enteral feed", sources=("NutritionOrder/1/_history/1",)
        ),
        EnergyStep(start=h(-24), end=None, kcal=d(1200), said="enteral feed", sources=("NutritionOrder/1/_history/2",)),
    ),
    delivered=(
        EnergyStep(start=h(-24), end=h(-12), kcal=d(900), said="450 mL", sources=("Observation/i/_history/1",)),
    ),
    goal=EnergyStep(start=h(-48), end=None, kcal=d(1800), said="goal as charted", sources=("Goal/1/_history/1",)),
    suggested=EnergyStep(start=NOW, end=h(24), kcal=d(1500), said="Go up"),
    vitamins=(),
)


@pytest.mark.parametrize("width", [WIDE, NARROW])
def test_every_point_says_its_value_time_and_source(width: int) -> None:
    drawn = draw(COURSE, UTC, width=width, name="x")
    said = [mark.says for mark in drawn.marks if mark.shape in ("dot", "low", "ring")]
    assert said == [
        "phosphate 1.20 mmol/L, 25 Mar 04:30, Observation/a/_history/1",
        "phosphate 0.70 mmol/L, 26 Mar 04:30, 42 % below the reference, Observation/b/_history/1",
        "phosphate 0.95 mmol/L, 27 Mar 04:30, does not count: haemolysed, Observation/c/_history/2",
    ]
    assert [mark.shape for mark in drawn.marks if mark.shape in ("dot", "low", "ring")] == ["dot", "low", "ring"]
    (dose,) = [mark.says for mark in drawn.marks if mark.shape == "dose"]
    assert dose == "dose 26 Mar 10:30: Sodium phosphate 20 mmol, MA/1/_history/1"


@pytest.mark.parametrize("width", [WIDE, NARROW])
def test_time_runs_to_the_right_and_levels_upwards_and_nothing_leaves_the_paper(width: int) -> None:
    drawn = draw(COURSE, UTC, width=width, name="x")
    first, second, third = (mark for mark in drawn.marks if mark.shape in ("dot", "low", "ring"))
    assert first.x < second.x < third.x
    assert first.y < third.y < second.y  # 1.20 above 0.95 above 0.70
    for mark in drawn.marks:
        assert 0 <= mark.x <= width
        assert 0 <= mark.y <= drawn.height
    for box in drawn.boxes:
        assert box.width >= 0
        assert box.height >= 0
        assert box.x + box.width <= width


def test_energy_is_drawn_as_stairs_and_the_suggestion_goes_on_from_where_they_end() -> None:
    drawn = draw(COURSE, UTC, width=WIDE, name="x")
    stairs = [line.points for line in drawn.lines if line.kind == "ordered"]
    (suggested,) = [line.points for line in drawn.lines if line.kind == "suggested"]
    assert len(stairs) == 2
    assert stairs[1].startswith(stairs[0].split(" ")[-1])  # it rises from where the one before ends
    assert suggested.startswith(stairs[1].split(" ")[-1])
    ends = [[float(pair.split(",")[1]) for pair in points.split(" ")][-1] for points in (*stairs, suggested)]
    assert ends[0] > ends[1] > ends[2]  # 600 below 1200 below 1500


def test_a_set_aside_level_is_no_part_of_the_line() -> None:
    drawn = draw(COURSE, UTC, width=WIDE, name="x")
    (path,) = [line.points for line in drawn.lines if line.kind == "path"]
    assert len(path.split(" ")) == 2


def test_the_tables_hold_every_point_and_step() -> None:
    tables = tables_of(COURSE, UTC)
    assert [(row.level, row.counts, row.source) for row in tables.levels] == [
        ("0.95 mmol/L", "haemolysed", "Observation/c/_history/2"),
        ("0.70 mmol/L", "counts", "Observation/b/_history/1"),
        ("1.20 mmol/L", "counts", "Observation/a/_history/1"),
    ]
    assert [(row.kind, row.kcal) for row in tables.energy] == [
        ("suggested", "1500"),
        ("goal", "1800"),
        ("ordered", "1200"),
        ("ordered", "600"),
        ("delivered", "900"),
    ]
    assert len(tables.doses) == 1


def test_energy_that_cannot_be_summed_is_a_gap_with_a_question_mark() -> None:
    unknown = EnergyStep(start=h(-24), end=None, kcal=None, said="enteral feed")
    drawn = draw(Trace(**{**_fields(COURSE), "ordered": (COURSE.ordered[0], unknown)}), UTC, width=WIDE, name="x")
    assert [line for line in drawn.lines if line.kind == "ordered"] != []
    assert any(label.text == "?" for label in drawn.labels)


def test_an_empty_course_is_drawn_too() -> None:
    empty = AnalyteTrace(analyte=Analyte.PHOSPHATE, points=(), low=d("0.80"), high=d("1.45"), critical=d("0.32"))
    nothing = Trace(
        now=NOW, analytes=(empty,), doses=(), ordered=(), delivered=(), goal=None, suggested=None, vitamins=()
    )
    drawn = draw(nothing, UTC, width=NARROW, name="x")
    assert "no level that counts" in drawn.desc
    assert tables_of(nothing, UTC).levels == ()


def test_what_stands_in_a_chart_cannot_become_part_of_the_page() -> None:
    hostile = Dose(at=h(-1), analytes=(Analyte.PHOSPHATE,), said='</title><script>alert("x")</script>\u202e')
    drawn = draw(Trace(**{**_fields(COURSE), "doses": (hostile,)}), UTC, width=WIDE, name="x")
    text = str(environment().from_string('{% from "drawing.html" import drawn %}{{ drawn(d) }}').render(d=drawn))
    assert "<script" not in text
    assert "\u202e" not in text
    assert "&lt;script&gt;" in text


def _fields(trace: Trace) -> dict[str, object]:
    return {name: getattr(trace, name) for name in Trace.__dataclass_fields__}
