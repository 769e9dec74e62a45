"""The course as one drawing: three levels, the doses beneath each, and the energy as stairs, on one time axis.

Only geometry and words; the template writes them as SVG, so that every text of a chart is escaped like all others. (The
SVG libraries looked at either do not escape text, or write styles and scripts into the drawing that a strict policy for
content forbids.) A table with the same rows stands behind it: no point is told by its place alone.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta, tzinfo
from decimal import Decimal

from andante.domain.trace import AnalyteTrace, EnergyStep, Point, Trace
from andante.present.shown import day_time, number, plain, words

WIDE, NARROW = 860, 350
_LEFT, _RIGHT, _TOP = 52, 12, 26
_PANEL, _LANE, _GAP, _ENERGY, _FOOT = 82, 16, 16, 128, 30
_LONGEST = timedelta(days=10)
_AHEAD = timedelta(hours=26)
_SIGN = 7.6  # width of a sign at the size of the labels, roughly and rather more
_ROOM = Decimal("0.12")  # of the span of levels, above and below


@dataclass(frozen=True, kw_only=True)
class Mark:
    """One sign with what it says. `shape`: dot, ring (does not count), low (a triangle on its tip), dose."""

    x: float
    y: float
    shape: str
    says: str


@dataclass(frozen=True, kw_only=True)
class Line:
    """A line or a level stretch, with what it says where it says something."""

    points: str
    kind: str
    says: str = ""


@dataclass(frozen=True, kw_only=True)
class Label:
    x: float
    y: float
    text: str
    kind: str = ""


@dataclass(frozen=True, kw_only=True)
class Box:
    x: float
    y: float
    width: float
    height: float
    kind: str
    says: str = ""


@dataclass(frozen=True, kw_only=True)
class Drawing:
    name: str
    width: int
    height: int
    title: str
    desc: str
    boxes: tuple[Box, ...]
    lines: tuple[Line, ...]
    marks: tuple[Mark, ...]
    labels: tuple[Label, ...]


@dataclass(frozen=True, kw_only=True)
class LevelRow:
    analyte: str
    at: str
    level: str
    limits: str
    fall: str
    counts: str
    source: str


@dataclass(frozen=True, kw_only=True)
class EnergyRow:
    kind: str
    start: str
    end: str
    kcal: str
    says: str
    source: str


@dataclass(frozen=True, kw_only=True)
class Tables:
    """What stands behind the drawing, row by row."""

    levels: tuple[LevelRow, ...]
    energy: tuple[EnergyRow, ...]
    doses: tuple[tuple[str, str, str, str], ...]


def level_text(point: Point) -> str:
    return f"{point.comparator}{number(point.value):f} mmol/L"


def tables_of(trace: Trace, zone: tzinfo) -> Tables:
    """Newest first, as a chart is read."""
    levels = [(point, one) for one in trace.analytes for point in one.points]
    levels.sort(key=lambda pair: (-pair[0].at.timestamp(), pair[1].analyte.value))
    return Tables(
        levels=tuple(
            LevelRow(
                analyte=one.analyte.value,
                at=day_time(point.at, zone),
                level=level_text(point),
                limits=f"{number(point.low):f} to {number(point.high):f}",
                fall="" if point.fall_percent is None else words(point.fall_percent, "%"),
                counts=plain(point.set_aside) or "counts",
                source=plain(point.source),
            )
            for point, one in levels
        ),
        energy=tuple(_energy_rows(trace, zone)),
        doses=tuple(
            (day_time(d.at, zone), ", ".join(a.value for a in d.analytes), plain(d.said), plain(d.source))
            for d in reversed(trace.doses)
        ),
    )


def _energy_rows(trace: Trace, zone: tzinfo) -> Iterator[EnergyRow]:
    steps = [
        *(("suggested", one) for one in (trace.suggested,) if one is not None),
        *(("goal", one) for one in (trace.goal,) if one is not None),
        *(("ordered", one) for one in reversed(trace.ordered)),
        *(("delivered", one) for one in reversed(trace.delivered)),
    ]
    for kind, step in steps:
        yield EnergyRow(
            kind=kind,
            start=day_time(step.start, zone),
            end=day_time(step.end, zone) if step.end is not None else "still so",
            kcal=words(step.kcal),
            says=plain(step.said),
            source=", ".join(plain(source) for source in step.sources),
        )


def draw(trace: Trace, zone: tzinfo, *, width: int, name: str) -> Drawing:
    """The drawing at one width in pixels. `name` tells several drawings of one page apart."""
    opens, closes = _span(trace)
    total = (closes - opens).total_seconds()
    inner = width - _LEFT - _RIGHT

    def x(at: datetime) -> float:
        share = (max(opens, min(closes, at)) - opens).total_seconds() / total
        return round(_LEFT + share * inner, 1)

    pen = _Pen(trace=trace, zone=zone, x=x, opens=opens, closes=closes, right=width - _RIGHT)
    y = _TOP
    for one in trace.analytes:
        pen.panel(one, y)
        y += _PANEL + _LANE + _GAP
    pen.energy(y)
    bottom = y + _ENERGY
    pen.days(bottom, inner)
    return Drawing(
        name=name,
        width=width,
        height=bottom + _FOOT,
        title="Levels, doses and energy over time",
        desc=_desc(trace, zone),
        boxes=tuple(pen.boxes),
        lines=tuple(pen.lines),
        marks=tuple(pen.marks),
        labels=tuple(pen.labels),
    )


def _span(trace: Trace) -> tuple[datetime, datetime]:
    first = [p.at for one in trace.analytes for p in one.points]
    first += [s.start for s in (*trace.ordered, *trace.delivered)]
    opens = max(min(first, default=trace.now), trace.now - _LONGEST)
    return min(opens, trace.now - timedelta(days=1)) - timedelta(hours=3), trace.now + _AHEAD


def _desc(trace: Trace, zone: tzinfo) -> str:
    """What the drawing shows, in a few sentences for who does not see it."""
    said = []
    for one in trace.analytes:
        counted = [p for p in one.points if not p.set_aside]
        if counted:
            said.append(
                f"{one.analyte.value.capitalize()} last {level_text(counted[-1])} on {day_time(counted[-1].at, zone)}, "
                f"limits {number(one.low):f} to {number(one.high):f}."
            )
        else:
            said.append(f"{one.analyte.value.capitalize()}: no level that counts.")
    if trace.ordered:
        said.append(f"Energy ordered now {words(trace.ordered[-1].kcal, 'kcal/day')}.")
    if trace.goal is not None:
        said.append(f"Goal {words(trace.goal.kcal, 'kcal/day')}.")
    if trace.suggested is not None:
        said.append(f"Suggested {words(trace.suggested.kcal, 'kcal/day')}.")
    said.append("The tables below hold every point with its time and source.")
    return " ".join(said)


class _Pen:
    """Collects what is drawn."""

    def __init__(
        self,
        *,
        trace: Trace,
        zone: tzinfo,
        x: Callable[[datetime], float],
        opens: datetime,
        closes: datetime,
        right: float,
    ) -> None:
        self.trace, self.zone, self.x = trace, zone, x
        self.opens, self.closes, self.right = opens, closes, right
        self.boxes: list[Box] = []
        self.lines: list[Line] = []
        self.marks: list[Mark] = []
        self.labels: list[Label] = []

    def panel(self, one: AnalyteTrace, top: int) -> None:
        points = [p for p in one.points if p.at >= self.opens]
        low, high = _bounds(one, points)

        def y(value: Decimal) -> float:
            share = (min(high, max(low, value)) - low) / (high - low)
            return round(top + _PANEL - float(share) * _PANEL, 1)

        limits = f"{number(one.low):f} to {number(one.high):f} mmol/L"
        band = Box(
            x=_LEFT,
            y=y(one.high),
            width=self.right - _LEFT,
            height=round(y(one.low) - y(one.high), 1),
            kind="band",
            says=f"{one.analyte.value}: in range from {limits}",
        )
        self.boxes.append(band)
        self.labels.append(Label(x=_LEFT, y=top - 6, text=f"{one.analyte.value}, mmol/L", kind="name"))
        for value in (one.low, one.high):
            self.labels.append(Label(x=_LEFT - 6, y=y(value) + 4, text=f"{number(value):f}", kind="end"))
        if one.critical > low:
            says = f"critical at or below {number(one.critical):f} mmol/L"
            line = f"{_LEFT},{y(one.critical)} {self.right},{y(one.critical)}"
            self.lines.append(Line(points=line, kind="critical", says=says))
        if one.reference is not None and one.reference_at is not None:
            when = day_time(one.reference_at, self.zone)
            says = f"{number(one.reference):f} mmol/L on {when}: falls are counted from it"
            begin, height = self.x(one.reference_at), y(one.reference)
            self.lines.append(
                Line(points=f"{begin},{height} {self.x(self.trace.now)},{height}", kind="reference", says=says)
            )
        counted = [p for p in points if not p.set_aside]
        if len(counted) > 1:
            path = " ".join(f"{self.x(p.at)},{y(p.value)}" for p in counted)
            self.lines.append(Line(points=path, kind="path"))
        for point in points:
            shape = "ring" if point.set_aside else "low" if point.value < point.low else "dot"
            self.marks.append(Mark(x=self.x(point.at), y=y(point.value), shape=shape, says=self._says(one, point)))
        if counted:
            last = counted[-1]
            text = f"{last.comparator}{number(last.value):f}"
            if last.fall_percent is not None:
                text += f" (−{words(last.fall_percent)} %)"
            self._label_last(self.x(last.at), y(last.value), text)
        if one.next_due is not None and self.opens < one.next_due <= self.closes:
            says = f"next {one.analyte.value} draw due {day_time(one.next_due, self.zone)}"
            self.marks.append(Mark(x=self.x(one.next_due), y=top + _PANEL + _LANE / 2, shape="due", says=says))
        self._doses(one, top + _PANEL + _LANE / 2)

    def _label_last(self, x: float, y: float, text: str) -> None:
        """Beside the last point, clear of the line that is now; above it where there is no room beside it."""
        now = self.x(self.trace.now)
        beside = now + 6 if x + 8 <= now + 6 and now - x < len(text) * _SIGN + 8 else x + 8
        if beside + len(text) * _SIGN > self.right:
            self.labels.append(Label(x=self.right, y=y - 9, text=text, kind="end value"))
        else:
            self.labels.append(Label(x=beside, y=y + 4, text=text, kind="value"))

    def _doses(self, one: AnalyteTrace, y: float) -> None:
        for dose in self.trace.doses:
            if one.analyte in dose.analytes and dose.at >= self.opens:
                source = f", {plain(dose.source)}" if dose.source else ""
                says = f"dose {day_time(dose.at, self.zone)}: {plain(dose.said)}{source}"
                self.marks.append(Mark(x=self.x(dose.at), y=y, shape="dose", says=says))

    def _says(self, one: AnalyteTrace, point: Point) -> str:
        parts = [f"{one.analyte.value} {level_text(point)}", day_time(point.at, self.zone)]
        if point.fall_percent is not None:
            parts.append(f"{words(point.fall_percent, '%')} below the reference")
        if point.set_aside:
            parts.append(f"does not count: {plain(point.set_aside)}")
        if point.source:
            parts.append(plain(point.source))
        return ", ".join(parts)

    def energy(self, top: int) -> None:
        trace = self.trace
        all_steps = [*trace.ordered, *trace.delivered, *(s for s in (trace.goal, trace.suggested) if s is not None)]
        most = max((s.kcal for s in all_steps if s.kcal is not None), default=Decimal(0))
        ceiling = max(most * Decimal("1.12"), Decimal(100))

        def y(value: Decimal) -> float:
            return round(top + _ENERGY - float(value / ceiling) * _ENERGY, 1)

        self.labels.append(Label(x=_LEFT, y=top - 6, text="energy, kcal/day", kind="name"))
        self.labels.append(Label(x=_LEFT - 6, y=top + _ENERGY + 4, text="0", kind="end"))
        self.lines.append(Line(points=f"{_LEFT},{top + _ENERGY} {self.right},{top + _ENERGY}", kind="ground"))
        for step in trace.delivered:
            self._delivered(step, y, top + _ENERGY)
        self._stairs(trace.ordered, y)
        if trace.goal is not None and trace.goal.kcal is not None:
            height = y(trace.goal.kcal)
            says = self._step_says("goal", trace.goal)
            self.lines.append(Line(points=f"{_LEFT},{height} {self.right},{height}", kind="goal", says=says))
            self.labels.append(Label(x=_LEFT - 6, y=height + 4, text=words(trace.goal.kcal), kind="end"))
            self.labels.append(Label(x=_LEFT + 4, y=height - 4, text="goal", kind="small"))
        if trace.suggested is not None and trace.suggested.kcal is not None:
            self._suggested(trace.suggested, trace.suggested.kcal, y)
        now = self.x(trace.now)
        self.lines.append(Line(points=f"{now},{_TOP - 10} {now},{top + _ENERGY}", kind="now", says="the last round"))

    def _delivered(self, step: EnergyStep, y: Callable[[Decimal], float], ground: float) -> None:
        if step.kcal is None or step.end is None or step.end <= self.opens:
            return
        left, right = self.x(step.start), self.x(step.end)
        says = self._step_says("delivered", step)
        height = round(ground - y(step.kcal), 1)
        box = Box(
            x=left, y=y(step.kcal), width=max(1.0, round(right - left, 1)), height=height, kind="given", says=says
        )
        self.boxes.append(box)

    def _stairs(self, steps: Sequence[EnergyStep], y: Callable[[Decimal], float]) -> None:
        before: tuple[float, float] | None = None
        for step in steps:
            end = min(step.end or self.trace.now, self.trace.now)
            if end <= self.opens:
                continue
            left, right = self.x(step.start), self.x(end)
            if step.kcal is None:
                self.labels.append(Label(x=left + 2, y=y(Decimal(0)) - 6, text="?", kind="value"))
                before = None
                continue
            height = y(step.kcal)
            rise = f"{before[0]},{before[1]} " if before is not None else ""
            says = self._step_says("ordered", step)
            self.lines.append(Line(points=f"{rise}{left},{height} {right},{height}", kind="ordered", says=says))
            before = (right, height)

    def _suggested(self, step: EnergyStep, kcal: Decimal, y: Callable[[Decimal], float]) -> None:
        present = self.trace.ordered[-1].kcal if self.trace.ordered else None
        left, right = self.x(step.start), self.x(self.closes)
        rise = f"{left},{y(present)} " if present is not None else ""
        height = y(kcal)
        says = self._step_says("suggested", step)
        self.lines.append(Line(points=f"{rise}{left},{height} {right},{height}", kind="suggested", says=says))
        self.labels.append(Label(x=right, y=height - 5, text=words(kcal), kind="end strong"))

    def _step_says(self, kind: str, step: EnergyStep) -> str:
        end = f" to {day_time(step.end, self.zone)}" if step.end is not None else ""
        source = f", {', '.join(plain(s) for s in step.sources)}" if step.sources else ""
        said = f", {plain(step.said)}" if step.said else ""
        return f"{kind} {words(step.kcal, 'kcal/day')}, from {day_time(step.start, self.zone)}{end}{said}{source}"

    def days(self, bottom: float, inner: int) -> None:
        """A line at each midnight of the hospital, and the day's name beneath where there is room."""
        local = self.opens.astimezone(self.zone).date()
        count = (self.closes.astimezone(self.zone).date() - local).days
        every = max(1, -(-count * 58 // inner))
        for day in range(1, count + 1):
            midnight = datetime.combine(local + timedelta(days=day), time(), self.zone)
            if not self.opens < midnight < self.closes:
                continue
            at = self.x(midnight)
            self.lines.insert(0, Line(points=f"{at},{_TOP} {at},{bottom}", kind="day"))
            if day % every == 0:
                text = day_time(midnight, self.zone).rpartition(" ")[0]
                self.labels.append(Label(x=at, y=bottom + 18, text=text, kind="middle"))


def _bounds(one: AnalyteTrace, points: Sequence[Point]) -> tuple[Decimal, Decimal]:
    """The span of levels drawn: the limits, and every level that counts."""
    values = [one.low, one.high, *(p.value for p in points if not p.set_aside)]
    if one.reference is not None:
        values.append(one.reference)
    if min(values) < one.low:
        values.append(min(one.critical, min(values)))
    low, high = min(values), max(values)
    room = (high - low) * _ROOM
    return low - room, high + room
