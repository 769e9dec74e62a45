"""From a call to its cards. Reads, assesses, answers; writes nothing and holds nothing back for later."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

from andante.assess import assess_chart
from andante.chart.chart import Chart
from andante.drafts import weigh_drafts
from andante.errors import AndanteError, InputError
from andante.present.as_card import Frame, draft_card, patient_card
from andante.triggers.cds_hooks.call import DRAFT_ID, Call
from andante.triggers.cds_hooks.catalogue import Hook
from andante.triggers.cds_hooks.charts import Source, chart_for

Json = dict[str, Any]


class NotWhole(AndanteError):
    """Nothing to say, but the chart was not read whole: silence would look like an answer. 503."""


async def cards_for(
    call: Call, hook: Hook, source: Source, frame: Frame, *, now: datetime, new_uuid: Callable[[], str]
) -> list[Json]:
    """The cards of one call, most often one or none. Raises NotWhole, and as `chart_for`."""
    if hook is not Hook.PATIENT_VIEW and not call.has_drafts:
        return []  # nothing among the drafts that we could know anything about: no chart is read for it
    chart = await chart_for(call, source, now=now)
    if hook is Hook.PATIENT_VIEW:
        card = _patient(chart, source, frame, now, new_uuid)
    else:
        card = _draft(call, chart, source, frame, now, new_uuid)
    if card is None and chart.incomplete:
        raise NotWhole("the chart could not be read completely: " + ", ".join(chart.incomplete))
    return [card] if card is not None else []


def _patient(chart: Chart, source: Source, frame: Frame, now: datetime, new_uuid: Callable[[], str]) -> Json | None:
    return patient_card(assess_chart(chart, source.service.basis, now=now), frame, uuid=new_uuid())


def _draft(
    call: Call, chart: Chart, source: Source, frame: Frame, now: datetime, new_uuid: Callable[[], str]
) -> Json | None:
    if any((resource.id or "").startswith(DRAFT_ID) for resource in chart.nutrition_orders):
        raise InputError("the chart holds an order under a name that is kept for drafts")
    verdict = weigh_drafts(chart, call.drafts, source.service.basis, now=now, unread=call.unread)
    return draft_card(verdict, frame, uuid=new_uuid()) if verdict is not None else None
