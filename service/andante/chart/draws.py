"""Orders for draws, and specimens taken: what the laboratory can still be expected to bring."""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from andante.chart.datatypes import Reference
from andante.chart.labs import name_analytes
from andante.chart.models import ServiceRequest, Specimen
from andante.chart.schedule import read_schedule
from andante.chart.sheet import Sheet
from andante.chart.specimens import Collected, specimen_time
from andante.chart.statuses import ORDERED
from andante.chart.wording import seems_like
from andante.domain.picture import Collection, LabOrder, LabOrderState, LabResult
from andante.domain.quantities import Analyte

_STATES = {
    "active": LabOrderState.ACTIVE,
    "completed": LabOrderState.ENDED,
    "revoked": LabOrderState.ENDED,
}
_DAY = timedelta(days=1)


def read_lab_orders(sheet: Sheet) -> list[LabOrder]:
    """Requests for draws of the analytes. One that may not be in force is noted and not counted: a gap shows."""
    return sheet.gather(sheet.chart.service_requests, lambda request: _read_request(sheet, request))


def analytes_of(sheet: Sheet, request: ServiceRequest) -> frozenset[Analyte]:
    """What a request asks to measure, by its code or as a panel."""
    concepts = (request.code, *request.order_detail)
    named = [name_analytes(sheet.codes, concept) for concept in concepts]
    found = {analyte for name in named if name.conflict is None for analyte in name.analytes}
    panels = sheet.codes.panels.among(*concepts)
    return frozenset(found | {analyte for panel in panels for analyte in panel.analytes})


def _read_request(sheet: Sheet, request: ServiceRequest) -> Iterator[LabOrder]:
    analytes = analytes_of(sheet, request)
    if not analytes:
        _note_look_alike(sheet, request)
        return
    if request.do_not_perform:
        sheet.note("do-not-perform", "is an order not to draw; not counted", request)
        return
    state = _STATES.get(request.status or "")
    if state is None or request.intent not in ORDERED:
        sheet.note("lab-order-not-counted", "a lab order is not in force; not counted as ordered", request)
        return
    if not sheet.is_plain(request):
        return
    if request.as_needed_boolean or request.as_needed_codeable_concept is not None:
        sheet.note("lab-order-not-counted", "a lab order is only as needed; not counted as ordered", request)
        return
    authored = sheet.instant(request.authored_on, request)
    yield from _scheduled(sheet, request, analytes, state, authored)


def _scheduled(
    sheet: Sheet,
    request: ServiceRequest,
    analytes: frozenset[Analyte],
    state: LabOrderState,
    authored: datetime | None,
) -> Iterator[LabOrder]:
    if request.occurrence_timing is not None:
        schedule = read_schedule(sheet, request.occurrence_timing, authored, request)
        if schedule.problem is not None or (schedule.repeats and schedule.start is None):
            why = schedule.problem or "it states no start"
            sheet.note("lab-order-not-counted", f"a lab order cannot be placed in time: {why}", request)
            return
        if schedule.repeats:
            yield LabOrder(
                analytes=analytes,
                state=state,
                authored=authored,
                first=schedule.start,
                every=schedule.every,
                daily_at=schedule.times_of_day,
                until=schedule.end,
                source=request.reference,
            )
        if not schedule.repeats:
            planned = schedule.events or ((schedule.start,) if schedule.start else ())
            yield LabOrder(analytes=analytes, state=state, authored=authored, planned=planned, source=request.reference)
        return
    stated = request.occurrence_date_time or (request.occurrence_period.start if request.occurrence_period else None)
    planned_at = sheet.instant(stated, request)
    if planned_at is None and (stated is not None or request.occurrence_period is not None):
        sheet.note("lab-order-not-counted", "a lab order cannot be placed in time; not counted", request)
        return
    yield LabOrder(
        analytes=analytes,
        state=state,
        authored=authored,
        planned=(planned_at,) if planned_at else (),
        source=request.reference,
    )


def _note_look_alike(sheet: Sheet, request: ServiceRequest) -> None:
    concept = request.code
    if concept is None or request.status == "entered-in-error":
        return
    for text in (concept.text, *(coding.display for coding in concept.coding)):
        analyte = seems_like(sheet.codes.words, text) if text else None
        if analyte is not None:
            sheet.note("unmapped-lab-order", f"looks like an order for {analyte}; its code is not mapped", request)
            return


@dataclass(frozen=True, slots=True, kw_only=True)
class _Taken:
    specimen: Specimen
    analytes: frozenset[Analyte]
    collected: Collected


def read_specimens(sheet: Sheet) -> tuple[list[Collection], list[LabResult]]:
    """Draws taken for an order of the analytes; a refused specimen is a result nobody will get."""
    pointing = _pointing_back(sheet)
    taken = sheet.gather(sheet.chart.specimens, lambda specimen: _read_specimen(sheet, specimen, pointing))
    reported = {sheet.key_of(observation.specimen) for observation in sheet.chart.observations}
    collections: list[Collection] = []
    refused: list[LabResult] = []
    for item in taken:
        source, oldest = item.specimen.reference, item.collected.oldest
        if item.specimen.status != "unsatisfactory":
            if oldest is not None:
                collections.append(Collection(analytes=item.analytes, collected=oldest, source=source))
        elif item.specimen.key not in reported:
            refused += [
                LabResult(
                    analyte=analyte,
                    level=None,
                    written="",
                    collected=oldest,
                    collected_latest=item.collected.newest,
                    specimen_problem="specimen unsatisfactory",
                    problem="the laboratory could not use the specimen",
                    specimen=item.specimen.key,
                    source=source,
                )
                for analyte in sorted(item.analytes)
            ]
    return collections, refused


def _read_specimen(
    sheet: Sheet, specimen: Specimen, pointing: Mapping[str, Sequence[ServiceRequest]]
) -> Iterator[_Taken]:
    if sheet.codes.not_blood.among(specimen.type):
        return
    requests = [*_requests(sheet, specimen.request), *pointing.get(specimen.key, ())]
    analytes = frozenset(analyte for request in requests for analyte in analytes_of(sheet, request))
    if not analytes:
        return
    if specimen.status == "entered-in-error":
        sheet.note("void-specimen", "is entered in error; left out", specimen)
        return
    if not sheet.is_plain(specimen):
        return
    collected = specimen_time(sheet, specimen)
    if collected.oldest is None:
        received = sheet.time(specimen.received_time, specimen)
        if received is not None:
            # It was surely taken by then, and how long before is not known.
            collected = Collected(oldest=received.earliest, newest=received.latest)
        else:
            sheet.note("no-collection-time", "a specimen does not say when it was taken", specimen)
    yield _Taken(specimen=specimen, analytes=analytes, collected=collected)


def _requests(sheet: Sheet, references: tuple[Reference, ...]) -> Iterator[ServiceRequest]:
    for reference in references:
        found = sheet.chart.find(reference)
        if isinstance(found, ServiceRequest) and sheet.is_ours(found):
            yield found


def _pointing_back(sheet: Sheet) -> Mapping[str, Sequence[ServiceRequest]]:
    """The requests that name a specimen, by the specimen's key."""
    found: dict[str, list[ServiceRequest]] = defaultdict(list)
    for request in sheet.chart.service_requests:
        keys = {key for reference in request.specimen if (key := sheet.key_of(reference))}
        if keys and sheet.is_ours(request):
            for key in keys:
                found[key].append(request)
    return found
