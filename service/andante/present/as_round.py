"""What a round found and did: a table for people, one object per patient for programs."""

from collections.abc import Iterable
from datetime import tzinfo

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from andante.assess import Outcome, RoundReport
from andante.domain.advice import Priority
from andante.present.as_json import Json, assessment_json
from andante.present.as_text import advice_words, caution, priority_style, priority_words
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


def round_view(report: RoundReport, zone: tzinfo) -> RenderableType:
    """Whom it concerns, most urgent first, ward by ward; then the counts and whatever went wrong."""
    parts: list[RenderableType] = [
        Text(f"Round of {day_time(report.now, zone)}{', nothing written' if report.dry_run else ''}"),
        _table(report.outcomes),
        Text(_sums(report)),
    ]
    if not report.census_complete:
        parts.append(Text("The census could not be read whole: somebody may be missing here.", style="bold"))
    parts += [Text(f"About the server: {plain(remark)}") for remark in report.remarks]
    return Group(*parts, caution())


def _table(outcomes: Iterable[Outcome]) -> RenderableType:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name in ("ward and bed", "patient", "advice", "how soon", "inbox"):
        table.add_column(name, overflow="fold", no_wrap=name in ("ward and bed", "how soon"))
    for outcome in sorted(outcomes, key=_by_urgency):
        found = outcome.assessment
        if found is None:
            table.add_row("", plain(outcome.patient), Text("not assessed", style="bold"), "", _written(outcome))
            continue
        priority = found.advice.priority
        table.add_row(
            plain(", ".join(part for part in (found.ward, found.bed) if part)),
            plain(found.patient.removeprefix("Patient/")),
            advice_words(found.advice.code),
            "" if found.advice.code.is_silent else Text(priority_words(priority), priority_style(priority)),
            _written(outcome),
        )
    return table


def _by_urgency(outcome: Outcome) -> tuple[int, bool, str, str]:
    found = outcome.assessment
    if found is None:
        return (0, False, "", outcome.patient)
    return (_URGENCY.index(found.advice.priority), found.advice.code.is_silent, found.ward, found.bed)


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
