"""What a round found and did: a table for people, one object per patient for programs."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import tzinfo

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from andante.assess import Outcome, RoundReport
from andante.domain.advice import AdviceCode, Priority
from andante.present.as_json import Json, assessment_json
from andante.present.as_text import advice_name, caution, priority_style, priority_words
from andante.present.shown import day_time, plain
from andante.writeback.plan import Cancel, Create, Refresh, Revoke

_URGENCY = (Priority.STAT, Priority.ASAP, Priority.URGENT, Priority.ROUTINE)
_ACTIONS = (("new", Create), ("renewed", Refresh), ("cancelled", Cancel), ("revoked", Revoke))


def review_json(outcome: Outcome, zone: tzinfo) -> Json:
    """The assessment as `advise` prints it, and `inbox`: what was done about it."""
    found = outcome.assessment
    body: Json = {"patient": outcome.patient} if found is None else assessment_json(found, zone)
    delivery = outcome.delivery
    counts = {} if delivery is None else {name: delivery.count(kind) for name, kind in _ACTIONS}
    return body | {
        "inbox": {
            **counts,
            "dry_run": bool(delivery and delivery.dry_run),
            "held_back": (delivery.held_back if delivery else "") or None,
            "unsettled": bool(delivery and delivery.unsettled),
            "not_read_whole": list(outcome.incomplete),
            "problem": outcome.problem or None,
        }
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What the table says of one patient. `code` and `priority` are None where nobody could assess."""

    patient: str
    ward: str
    bed: str
    code: AdviceCode | None
    name: str
    priority: Priority | None
    written: str


def row_of(outcome: Outcome) -> Row:
    found = outcome.assessment
    return Row(
        patient=outcome.patient,
        ward=found.ward if found else "",
        bed=found.bed if found else "",
        code=found.advice.code if found else None,
        name=advice_name(found.advice) if found else "",
        priority=found.advice.priority if found else None,
        written=_written(outcome),
    )


def round_view(report: RoundReport, rows: Iterable[Row], zone: tzinfo) -> RenderableType:
    """Whom it concerns, most urgent first, ward by ward; then the counts and whatever went wrong."""
    parts: list[RenderableType] = [
        Text(f"Round of {day_time(report.now, zone)}{', nothing written' if report.dry_run else ''}"),
        _table(rows),
        Text(_sums(report)),
    ]
    if not report.census_complete:
        parts.append(Text("The census could not be read whole: somebody may be missing here.", style="bold"))
    parts += [Text(f"About the server: {plain(remark)}") for remark in report.remarks]
    return Group(*parts, caution())


def _table(rows: Iterable[Row]) -> RenderableType:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name in ("ward and bed", "patient", "advice", "how soon", "inbox"):
        table.add_column(name, overflow="fold", no_wrap=name in ("ward and bed", "how soon"))
    for row in sorted(rows, key=_by_urgency):
        if row.code is None or row.priority is None:
            table.add_row("", plain(row.patient), Text("not assessed", style="bold"), "", row.written)
            continue
        table.add_row(
            plain(", ".join(part for part in (row.ward, row.bed) if part)),
            plain(row.patient.removeprefix("Patient/")),
            row.name,
            "" if row.code.is_silent else Text(priority_words(row.priority), priority_style(row.priority)),
            row.written,
        )
    return table


def _by_urgency(row: Row) -> tuple[int, bool, str, str, str]:
    if row.code is None or row.priority is None:
        return (0, False, "", "", row.patient)
    return (_URGENCY.index(row.priority), row.code.is_silent, row.ward, row.bed, row.patient)


def _written(outcome: Outcome) -> str:
    if outcome.problem:
        return f"failed: {plain(outcome.problem)}"
    told: list[str] = []
    if outcome.delivery is not None:
        told += [f"{count} {name}" for name, kind in _ACTIONS if (count := outcome.delivery.count(kind))]
        if outcome.delivery.held_back:
            told.append(outcome.delivery.held_back)
        if outcome.delivery.unsettled:
            told.append("to be settled by the next round")
    if outcome.incomplete:
        told.append(plain(f"not read whole: {', '.join(outcome.incomplete)}"))
    return ", ".join(told) or "as it was"


def _sums(report: RoundReport) -> str:
    counts = report.counts
    told = f"{counts['patients']} patients, {counts['advised']} with advice. Inbox: {counts['created']} new"
    for name, word in (("kept", "renewed"), ("cancelled", "cancelled"), ("revoked", "revoked")):
        told += f", {counts[name]} {word}"
    return f"{told}. {counts['incomplete']} not read whole, {counts['failed']} failed."
