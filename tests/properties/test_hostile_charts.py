"""Charts with random parts broken: an answer or one clear error, never a crash, and never energy past the limits.

Real stories of the fictional hospital are taken and some of their JSON nodes deleted, replaced by something of the
wrong kind, doubled, nested or swapped. Whatever comes of it, the limits that the assessment itself states hold.
"""

import copy
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import hypothesis
from hypothesis import given
from hypothesis import strategies as st

from andante import app, settings
from andante.assess import assess_chart
from andante.chart.bundle import read_charts
from andante.chart.to_picture import to_picture
from andante.domain.advice import AdviceCode, Assessment
from andante.domain.picture import Picture
from andante.errors import InputError
from andante.present.as_json import assessment_json, encode
from andante.writeback.writer import transaction_bundle
from limits_of_advice import broken_limits

Json = Any
PATIENTS = Path(__file__).parents[2] / "fixtures" / "patients"
BYSTANDER = "refractory-phosphate"
STORIES = ("plain-course", "parenteral", "propofol-bed", "staged-order-under-hold", "start-above-allowance")
INSTANTS = tuple(
    datetime.fromisoformat(f"2031-03-{day}T{hour}:00+00:00") for day in (24, 26, 28, 31) for hour in ("06:30", "20:00")
)
SERVICE = app.build(settings.defaults(zone="Europe/Vienna"))

# A text beginning with this sign is written into the JSON without quotes.
BARE = "\N{SNOWMAN}"
WRONG: tuple[Json, ...] = (
    None,
    True,
    0,
    -1,
    10**40,
    "",
    " ",
    "x",
    "1",
    "\x1b[31m\u202e\x00\n",
    "Patient/somebody-else",
    "#x",
    "active",
    "final",
    "entered-in-error",
    "2031-02-30",
    "2031",
    "0001-01-01T00:00:00Z",
    "9998-12-31T23:59:59-14:00",
    "2031-03-27T24:00:00Z",
    "mL",
    "kcal",
    "9" * 5000,
    [],
    {},
    [[]],
    [None],
    {"value": 1},
    {"reference": 5},
    {"coding": [None]},
    f"{BARE}1e400",
    f"{BARE}-0",
    f"{BARE}1e-300",
    f"{BARE}0.0000000000000000000000000000000000000001",
    f"{BARE}" + '{"a":' * 2000 + "1" + "}" * 2000,
)


@dataclass(frozen=True)
class Break:
    """Which node, counted through the chart, and what is done to it."""

    at: int
    how: str
    other: int


BREAKS = st.builds(
    Break,
    at=st.integers(min_value=0, max_value=10**6),
    how=st.sampled_from(("delete", "replace", "replace", "double", "nest", "swap")),
    other=st.integers(min_value=0, max_value=10**6),
)


def resources_of(story: str, now: datetime) -> list[Json]:
    """The newest version known at `now` of each resource, to be broken at will."""
    found: list[Json] = json.loads(_resources_of(story, now))
    return found


@cache
def _resources_of(story: str, now: datetime) -> str:
    newest: dict[tuple[str, str], Json] = {}
    for entry in json.loads((PATIENTS / story / "chart.json").read_bytes())["entry"]:
        resource = entry["resource"]
        key = (resource["resourceType"], resource["id"])
        if datetime.fromisoformat(resource["meta"]["lastUpdated"]) <= now:
            known = newest.get(key)
            if known is None or int(known["meta"]["versionId"]) < int(resource["meta"]["versionId"]):
                newest[key] = resource
    return json.dumps(list(newest.values()))


def places(node: Json) -> Iterator[tuple[Json, Any]]:
    """Every node as its parent and the key in it."""
    if isinstance(node, dict | list):
        for key in range(len(node)) if isinstance(node, list) else list(node):
            yield node, key
            yield from places(node[key])


def broken(resources: Json, breaks: list[Break]) -> Json:
    for one in breaks:
        found = list(places(resources))
        parent, key = found[one.at % len(found)]
        _do(parent, key, one, found)
    return resources


def _do(parent: Json, key: Any, one: Break, found: list[tuple[Json, Any]]) -> None:
    match one.how:
        case "delete":
            del parent[key]
        case "replace":
            parent[key] = copy.deepcopy(WRONG[one.other % len(WRONG)])
        case "double":
            twice = copy.deepcopy(parent[key])
            if isinstance(parent, list):
                parent.insert(key, twice)
            else:
                parent[key] = [twice, copy.deepcopy(twice)]
        case "nest":
            parent[key] = {"x": parent[key]} if one.other % 2 else [parent[key]]
        case "swap":
            parent[key] = copy.deepcopy(_value(*found[one.other % len(found)]))


def _value(parent: Json, key: Any) -> Json:
    return parent[key]


def written(resources: Json) -> bytes:
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": one} for one in resources]}
    parts = json.dumps(bundle).split(json.dumps(BARE)[:-1])
    bare = (_unquoted(part) for part in parts[1:])
    return "".join((parts[0], *bare)).encode()


def _unquoted(part: str) -> str:
    """What stood in quotes, without them."""
    end = next(place for place, sign in enumerate(part) if sign == '"' and part[place - 1] != "\\")
    return part[:end].replace('\\"', '"') + part[end + 1 :]


@hypothesis.settings(max_examples=hypothesis.settings().max_examples * 2 // 3)  # each is a file of two patients
@given(st.sampled_from(STORIES), st.sampled_from(INSTANTS), st.lists(BREAKS, min_size=1, max_size=4))
def test_a_broken_chart_gets_an_answer_within_the_limits_or_one_clear_error(
    story: str, now: datetime, breaks: list[Break]
) -> None:
    resources = broken([one for one in resources_of(story, now) if one["resourceType"] != "Location"], breaks)
    try:
        charts = read_charts(written([*resources, *resources_of(BYSTANDER, now)]), now=now).charts
    except InputError:
        return
    for chart in charts:
        said = assess_chart(chart, SERVICE.basis, now=now)
        transaction_bundle(said, SERVICE.site)
        picture = to_picture(chart, SERVICE.basis.codes, SERVICE.basis.zone)
        assert broken_limits(said, picture, SERVICE.basis.protocol) == []
        if chart.patient_id == alone(now)[0]:
            assert told(said) == alone(now)[1], "another patient's broken chart changed this one's"
    assert alone(now)[0] in {chart.patient_id for chart in charts}


def told(said: Assessment) -> bytes:
    return encode(assessment_json(said, SERVICE.basis.zone))


@cache
def alone(now: datetime) -> tuple[str, bytes]:
    """The bystander's id, and what is said when nobody else is in the file."""
    (chart,) = read_charts(written(resources_of(BYSTANDER, now)), now=now).charts
    return chart.patient_id, told(assess_chart(chart, SERVICE.basis, now=now))


# --------------------------------------------------------------------------- what breaking is for


def test_the_unbroken_stories_reach_start_and_advance() -> None:
    """Else the property above would prove nothing about them."""
    codes = {said.advice.code for said, _ in unbroken()}
    assert {AdviceCode.START, AdviceCode.ADVANCE, AdviceCode.HOLD} <= codes


def test_the_limits_tell_when_they_are_exceeded() -> None:
    found = [
        broken_limits(more(said), picture, SERVICE.basis.protocol)
        for said, picture in unbroken()
        if said.advice.code in (AdviceCode.START, AdviceCode.ADVANCE)
    ]
    assert found
    assert all(found)


def unbroken() -> Iterator[tuple[Assessment, Picture]]:
    for story in STORIES:
        for now in INSTANTS:
            (chart,) = read_charts(written(resources_of(story, now)), now=now).charts
            picture = to_picture(chart, SERVICE.basis.codes, SERVICE.basis.zone)
            yield assess_chart(chart, SERVICE.basis, now=now), picture


def more(said: Assessment) -> Assessment:
    """The same with a kilocalorie more than the goal."""
    goal = said.feeding.goal_kcal or Decimal(0)
    return replace(said, advice=replace(said.advice, kcal=goal + 1))


def test_every_way_of_breaking_is_understood() -> None:
    ways: dict[str, Callable[[Json], bool]] = {
        "delete": lambda after: after == [{}],
        "replace": lambda after: after == [{"a": WRONG[3]}],
        "double": lambda after: after == [{"a": [1, 1]}],
        "nest": lambda after: after == [{"a": {"x": 1}}],
        "swap": lambda after: after == [{"a": 1}],
    }
    for how, is_done in ways.items():
        assert is_done(broken([{"a": 1}], [Break(at=1, how=how, other=3)])), how
    assert json.loads(written([{"a": f"{BARE}-0"}]))["entry"][0]["resource"] == {"a": 0}
