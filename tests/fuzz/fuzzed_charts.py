"""From bytes to advice: the reader, the picture, the rules, and everything that is written from them."""

import copy
import io
import json
import zlib
from collections.abc import Iterator
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

from mutator import places
from rich.console import Console
from target import Target, held

from andante import app, settings
from andante.assess import assess_chart
from andante.chart.bundle import read_charts
from andante.chart.to_picture import to_picture
from andante.domain.advice import Assessment
from andante.domain.picture import Picture
from andante.errors import InputError
from andante.present.as_json import assessment_json, encode
from andante.present.as_text import assessment_view, explanation_view
from andante.writeback.writer import transaction_bundle
from limits_of_advice import DUST, UP, broken_limits, present_kcal

Json = Any
FIXTURES = Path(__file__).parents[2] / "fixtures"
NOW = datetime.fromisoformat("2031-03-27T06:30:00+00:00")
SERVICE = app.build(settings.defaults(zone="Europe/Vienna"))
STORIES = (
    "plain-course", "severe-fall", "parenteral", "propofol-bed", "staged-order-under-hold", "start-above-allowance",
    "refractory-phosphate", "boluses-by-shift", "unreadable-results", "haemolysed-potassium", "clinician-flag",
    "below-detection", "dextrose-overnight", "not-at-risk", "own-reference-range", "thiamine-gaps",
)  # fmt: skip


def resources_of(story: str) -> list[Json]:
    """The newest version known at NOW of each resource of a story."""
    found: list[Json] = json.loads(_resources_of(story))
    return found


@cache
def _resources_of(story: str) -> str:
    newest: dict[tuple[str, str], Json] = {}
    for entry in json.loads((FIXTURES / "patients" / story / "chart.json").read_bytes())["entry"]:
        resource = entry["resource"]
        key = (resource["resourceType"], resource["id"])
        if datetime.fromisoformat(resource["meta"]["lastUpdated"]) <= NOW:
            known = newest.get(key)
            if known is None or int(known["meta"]["versionId"]) < int(resource["meta"]["versionId"]):
                newest[key] = resource
    return json.dumps(list(newest.values()))


def bundle_of(resources: list[Json], kind: str = "collection") -> bytes:
    entries = [{"resource": resource} for resource in resources]
    return json.dumps({"resourceType": "Bundle", "type": kind, "entry": entries}).encode()


def whole_files() -> list[bytes]:
    """Stories as Bundles and as NDJSON, one as a history, and HL7's own examples about one patient."""
    stories = [bundle_of(resources_of(story)) for story in STORIES]
    lines = [b"\n".join(json.dumps(one).encode() for one in resources_of("parenteral"))]
    history = json.loads((FIXTURES / "patients" / "implausible-potassium" / "chart.json").read_bytes())
    history["entry"] = history["entry"][:40]
    return [*stories, *lines, json.dumps(history).encode(), *_published()]


def _published() -> Iterator[bytes]:
    resources: list[Json] = []
    for path in sorted((FIXTURES / "hl7-examples").glob("*.json")):
        resource = json.loads(path.read_bytes())
        for name in ("subject", "patient"):
            if name in resource:
                resource[name] = {"reference": "Patient/example"}
        resource.pop("text", None)
        resources.append(resource)
    for start in range(0, len(resources), 25):
        yield bundle_of(resources[start : start + 25], kind="searchset")


def read_and_advise(data: bytes) -> None:
    """An answer within the limits it states itself, in every form; or one clear error."""
    try:
        found = read_charts(data, now=NOW)
    except InputError as error:
        held(str(error).isprintable() and len(str(error)) < 300, "an error of one short, plain line")
        return
    for problem in found.unassigned:
        held(len(problem.text) < 2_000, "a problem is told in few words")
    for chart in found.charts[:3]:
        picture = to_picture(chart, SERVICE.basis.codes, SERVICE.basis.zone)
        said = assess_chart(chart, SERVICE.basis, now=NOW)
        check(said, picture, SERVICE)
        held(not (chart.incomplete and said.advice.code in UP), "an incomplete chart is not fed on")
        if zlib.crc32(data) % 4 == 0:  # the slowest part: every fourth
            show(said)


def check(said: Assessment, picture: Picture, service: app.Service) -> None:
    """Within the limits, and written without a hitch."""
    broken = broken_limits(said, picture, service.basis.protocol)
    held(not broken, "; ".join(broken))
    json.loads(encode(assessment_json(said, service.basis.zone)))
    encode(transaction_bundle(said, service.site))


def show(said: Assessment) -> None:
    for view in (assessment_view, explanation_view):
        Console(file=io.StringIO(), width=100).print(view(said, SERVICE.basis.zone))


# --------------------------------------------------------------------------- the asymmetry


_KEEPS_ITS_PLACE = frozenset(
    {"resourceType", "id", "meta", "subject", "patient", "code", "status", "intent", "encounter"}
)
"""Without these a resource is another one, or nobody's: that it is missing cannot be known."""
_UNREADABLE: tuple[Json, ...] = (5, "x", [[]], {"x": 1}, True, [5], {"value": []}, "2031-02-30", "\x00")


def spoil(resources: list[Json], choices: bytes) -> bool:
    """Put what cannot be read into places of the chart. False where nothing was changed."""
    found = [
        (parent, key)
        for resource in resources
        for name in resource
        if name not in _KEEPS_ITS_PLACE
        for parent, key in ((resource, name), *places(resource[name]))
    ]
    changed = False
    for at in range(0, min(len(choices) - 2, 12), 3):
        parent, key = found[int.from_bytes(choices[at : at + 2]) % len(found)]
        wrong = _UNREADABLE[choices[at + 2] % len(_UNREADABLE)]
        there = key < len(parent) if isinstance(parent, list) else key in parent
        if there and type(parent[key]) is not type(wrong):
            parent[key] = copy.deepcopy(wrong)
            changed = True
    return changed


@cache
def _before(story: str) -> tuple[Assessment, Any, Any]:
    (chart,) = read_charts(bundle_of(resources_of(story)), now=NOW).charts
    said = assess_chart(chart, SERVICE.basis, now=NOW)
    picture = to_picture(chart, SERVICE.basis.codes, SERVICE.basis.zone)
    return said, present_kcal(said, picture, SERVICE.basis.protocol), said.advice.kcal


def less_to_read(data: bytes) -> None:
    """What can no longer be read never brings more feeding than the whole chart did, nor than what runs."""
    if len(data) < 4:
        return
    story = STORIES[data[0] % len(STORIES)]
    resources = resources_of(story)
    if not spoil(resources, data[1:]):
        return
    before, present, kcal = _before(story)
    try:
        charts = read_charts(bundle_of(resources), now=NOW).charts
    except InputError:
        return
    for chart in charts:
        after = assess_chart(chart, SERVICE.basis, now=NOW).advice
        held(after.code not in UP or before.advice.code in UP, f"{story}: from {before.advice.code} to {after.code}")
        limits = [limit for limit in (kcal, present) if limit is not None]
        if after.kcal is not None and limits:
            held(after.kcal <= max(limits) + DUST, f"{story}: from {kcal} ({present} runs) to {after.kcal} kcal/day")


def choices() -> list[bytes]:
    return [bytes([number]) + bytes(range(number, number + 12)) for number in range(len(STORIES))]


TARGETS = (
    Target(
        name="charts",
        what="chart files → reader → picture → rules → JSON, the inbox's Bundle, text",
        seeds=whole_files,
        run=read_and_advise,
        share=12,
    ),
    Target(
        name="less-to-read",
        what="charts in which places can no longer be read, beside the same charts whole: never more feeding",
        seeds=choices,
        run=less_to_read,
        by_structure=False,
        longest=16,
        share=6,
    ),
)
