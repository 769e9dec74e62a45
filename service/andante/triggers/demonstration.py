"""`demo`: ten days of the fictional hospital, and what lands in the inbox."""

import asyncio
import threading
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated

import typer
from fastapi import FastAPI
from rich.console import Console
from rich.padding import Padding
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from andante import clock
from andante.assess import RoundReport
from andante.demo import Json, Script, Stage, play, served, service_for, staged
from andante.domain.advice import Assessment, Priority
from andante.present.as_inbox import Item, inbox_view
from andante.present.as_text import caution, console, priority_style, priority_words
from andante.present.shown import plain
from andante.triggers.web import create_app
from andante.wording import place_text
from andante.writeback.codes import Kind
from andante.writeback.plan import Create

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_URGENT = (Priority.STAT, Priority.ASAP, Priority.URGENT)
_TOLD = 3  # urgent items told of each round


def demo(
    days: Annotated[int, typer.Option(min=1, max=10, help="How many of the ten days to play.")] = 10,
    keep: Annotated[
        bool, typer.Option("--keep", help="Leave the sandbox and the review page running afterwards, to look at them.")
    ] = False,
) -> None:
    """Play the fictional hospital: a sandbox server in this process, a round each morning and evening.

    Needs no server, no account and no network; it listens on loopback only and keeps nothing.
    """
    out = console()
    with staged() as stage:
        reports, busiest = asyncio.run(_play(stage, out, days))
        last = reports[-1]
        if busiest.urgent:
            out.print()
            out.print(_title(f"What could not wait on day {busiest.day}, {busiest.at}"))
            out.print(inbox_view(busiest.urgent))
            out.print(Text(f"\nBeside it {len(busiest.items) - len(busiest.urgent)} routine items."))
        out.print()
        out.print(_title(f"The whole inbox on the evening of day {days}"))
        out.print(inbox_view(_items(stage, last)))
        out.print()
        for line in _sums(stage, reports):
            out.print(Text(line))
        out.print(caution())
        if keep:
            _stay(stage, out, last)
        else:
            out.print(Text("To see the review page in a browser, and to answer: andante demo --keep"))


@dataclass(frozen=True)
class _Inbox:
    """The open items after one round."""

    day: int
    at: str
    items: tuple[Item, ...]

    @property
    def urgent(self) -> tuple[Item, ...]:
        return tuple(item for item in self.items if item.priority in _URGENT)


async def _play(stage: Stage, out: Console, days: int) -> tuple[list[RoundReport], _Inbox]:
    """The report of each round, and the inbox in which most could not wait."""
    service = service_for(stage.script)
    reports: list[RoundReport] = []
    inboxes: list[_Inbox] = []
    out.print(Text(f"{stage.script.name}: a fictional hospital, played over {days} days", style="bold"))
    protocol = service.basis.protocol
    out.print(Text(f"Protocol {protocol.id} {protocol.version}: {protocol.title}"))
    out.print(Text(f"FHIR R4 sandbox at {stage.base}"))
    out.print(Padding(_row("day", "round", "patients", "new advice", "notices", "taken back"), (1, 0, 0, 0)))

    def tell(day: int, instant: datetime, report: RoundReport) -> None:
        reports.append(report)
        counts, created = report.counts, Counter(_created(report))
        local = instant.astimezone(stage.script.zone)
        inboxes.append(_Inbox(day, f"{local:%H:%M}", tuple(_items(stage, report))))
        out.print(
            _row(
                str(day),
                f"{_DAYS[local.weekday()]} {local:%H:%M}",
                str(counts["patients"]),
                str(created[Kind.ADVICE]),
                str(created[Kind.NOTICE]),
                str(counts["cancelled"] + counts["revoked"]),
            )
        )
        _tell_urgent(out, report)
        for outcome in report.outcomes:
            if not outcome.whole:
                out.print(Text(f"     {outcome.patient}: {outcome.problem or 'not settled'}", style="bold"))

    await play(stage, service, days=days, after_round=tell)
    return reports, max(inboxes, key=lambda inbox: len(inbox.urgent))


def _title(text: str) -> Rule:
    return Rule(Text(text), style="dim", align="left")


def _row(*cells: str) -> Table:
    table = Table.grid(padding=(0, 2, 0, 0))
    for width in (4, 10, 9, 11, 8, 11):
        table.add_column(width=width, justify="left" if width in (4, 10) else "right")
    table.add_row(*cells)
    return table


def _created(report: RoundReport) -> Iterator[Kind]:
    for create, _ in _new(report):
        yield create.proposal.kind


def _new(report: RoundReport) -> Iterator[tuple[Create, Assessment]]:
    for outcome in report.outcomes:
        if outcome.delivery is not None and outcome.assessment is not None:
            for action in outcome.delivery.done:
                if isinstance(action, Create):
                    yield action, outcome.assessment


def _tell_urgent(out: Console, report: RoundReport) -> None:
    by_line = {pair[0].proposal.line: pair for pair in _new(report) if pair[0].proposal.priority in _URGENT}
    urgent = sorted(by_line.values(), key=lambda pair: _URGENT.index(pair[0].proposal.priority))
    for create, assessment in urgent[:_TOLD]:
        proposal = create.proposal
        line = Text(f"     {plain(assessment.bed) or assessment.patient}, ")
        line.append(priority_words(proposal.priority), style=priority_style(proposal.priority))
        line.append(f", {proposal.tell.value}: {plain(proposal.line.removeprefix(_place(assessment)))}")
        line.truncate(out.width, overflow="ellipsis")
        out.print(line)
    if len(urgent) > _TOLD:
        out.print(Text(f"     and {len(urgent) - _TOLD} more that cannot wait", style="dim"))


# --------------------------------------------------------------------------- the inbox as it stands


def _items(stage: Stage, last: RoundReport) -> Iterator[Item]:
    where = {outcome.patient: outcome.assessment for outcome in last.outcomes}
    for resource in stage.inbox():
        assessment = where.get((resource.get("for") or resource["subject"])["reference"])
        yield Item(
            ward=assessment.ward if assessment else "",
            bed=assessment.bed if assessment else "",
            priority=Priority(resource["priority"]),
            tell=_told(resource),
            text=_first_line(resource).removeprefix(_place(assessment)),
            is_advice=resource["resourceType"] == "Task",
        )


def _place(assessment: Assessment | None) -> str:
    """What a line begins with, and what is shown beside it here."""
    place = place_text(assessment) if assessment else ""
    return f"{place}: " if place else ""


def _first_line(resource: Json) -> str:
    text = resource.get("description") or resource["payload"][0]["contentString"]
    return str(text).partition("\n")[0]


def _told(resource: Json) -> str:
    if resource["resourceType"] == "Task":
        return str(resource["performerType"][0]["coding"][0]["code"])
    return str(resource["recipient"][0]["identifier"]["value"])


def _sums(stage: Stage, reports: Iterable[RoundReport]) -> Iterator[str]:
    created = Counter(kind for report in reports for kind in _created(report))
    yield (
        f"In all: {created[Kind.ADVICE]} suggestions and {created[Kind.NOTICE]} notices left for people; "
        "nothing ordered."
    )
    kinds = ", ".join(f"{count} {kind}" for kind, count in sorted(stage.written.items()))
    reads = stage.requests["GET"]
    yield f"On the wire: {_grouped(reads)} reads; entries written: {kinds or 'nothing'}."


def _grouped(count: int) -> str:
    return f"{count:,}".replace(",", " ")


def _stay(stage: Stage, out: Console, last: RoundReport) -> None:
    script: Script = stage.script
    now = last.now.astimezone(script.zone).isoformat()
    out.print()
    out.print(Text(f"The sandbox stays at {stage.base} until Ctrl-C. For example:"))
    out.print(Text(f"  andante round --fhir {stage.base} --now {now} --dry-run"))
    patient = last.outcomes[0].patient.removeprefix("Patient/")
    out.print(Text(f"  andante explain {patient} --fhir {stage.base} --now {now}"))
    with served(page_of(stage, last)) as address:
        out.print(Text(f"The review page, with a development login: {address}/page"))
        try:
            threading.Event().wait()
        except KeyboardInterrupt:
            out.print()


def page_of(stage: Stage, last: RoundReport) -> FastAPI:
    """The service with its page, as the last round left it; its clock goes on from that round."""
    began = clock.now()
    service = service_for(stage.script, page_login="development", fhir_base=stage.base)
    application = create_app(
        service,
        now=lambda: last.now + (clock.now() - began),
        connection=service.connect(stage.base),
        schedule=False,
    )
    application.state.house.board.take_round(last, finished=last.now, watched=None)
    return application
