"""The published examples and CapabilityStatements are what the code writes, asks and offers today."""

import json
from collections import defaultdict
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import httpx
import pytest
import statements
from kept import check_file
from published_examples import examples, path_of

from andante.changed.memory import Memory
from andante.demo import read_script, service_for, staged
from andante.fhir_http.connection import Connection, ServerSettings
from andante.sandbox import BASE_PATH
from andante.shared_files import shared
from andante.writeback.allowlist import load_allowlist

Json = dict[str, Any]

EXAMPLES = dict(examples())


@pytest.mark.parametrize("name", EXAMPLES)
def test_an_example_is_what_the_code_writes(name: str) -> None:
    check_file(path_of(name), EXAMPLES[name])


def test_there_is_an_example_of_everything_that_may_be_written_and_no_other() -> None:
    written = {body["resourceType"] for body in EXAMPLES.values()}
    assert written == load_allowlist(hooks=True).keys() | {"Bundle"}
    assert {path.stem for path in shared("fhir", "examples").iterdir()} == EXAMPLES.keys()


@pytest.mark.parametrize("statement", [statements.client, statements.service], ids=["client", "service"])
def test_a_capability_statement_is_what_the_code_does(statement: Callable[[], Json]) -> None:
    body = statement()
    check_file(shared("fhir", f"CapabilityStatement-{body['id']}.json"), body)


async def test_rounds_ask_a_server_for_nothing_that_the_statement_does_not_name() -> None:
    """Three rounds, the later ones by change time, and what was on the wire."""
    requests: list[httpx.Request] = []
    now = datetime.fromisoformat("2031-03-27T06:30:00+00:00")
    with staged(read_script(("parenteral", "severe-fall"))) as stage:
        stage.play_until(now)
        inside, service = httpx.ASGITransport(stage.sandbox.app), service_for(stage.script)

        async def handle(request: httpx.Request) -> httpx.Response:
            requests.append(request)
            return await inside.handle_async_request(request)

        server, memory = ServerSettings(base=f"http://sandbox.example{BASE_PATH}"), Memory()
        async with Connection(server, transport=httpx.MockTransport(handle)) as connection:
            for _ in range(3):
                await service.run_round(connection, trigger="test", now=now, memory=memory, only_changed=True)
                now += timedelta(hours=12)
                stage.play_until(now)
    asked, interactions = on_the_wire(requests)
    named = {resource["type"]: resource for resource in statements.client()["rest"][0]["resource"]}
    assert statements.NEEDED <= asked.keys() <= named.keys()
    for kind, parameters in asked.items():
        assert parameters <= {one["name"] for one in named[kind]["searchParam"]}, kind
    for kind, codes in interactions.items():
        assert codes <= {one["code"] for one in named[kind]["interaction"]}, kind
    assert {"search-type", "history-type", "create", "update"} == set().union(*interactions.values())


def on_the_wire(requests: list[httpx.Request]) -> tuple[dict[str, set[str]], dict[str, set[str]]]:
    """By resource type, the search parameters and the interactions of these requests."""
    asked: defaultdict[str, set[str]] = defaultdict(set)
    interactions: defaultdict[str, set[str]] = defaultdict(set)
    for request in requests:
        match request.method, request.url.path.removeprefix(BASE_PATH).strip("/").split("/"):
            case "POST", [""]:
                for entry in json.loads(request.content)["entry"]:
                    code = {"POST": "create", "PUT": "update"}[entry["request"]["method"]]
                    interactions[entry["resource"]["resourceType"]].add(code)
            case "GET", ["metadata"]:
                pass
            case "GET", [kind]:
                interactions[kind].add("search-type")
                asked[kind] |= request.url.params.keys() - statements.SHAPING
            case "GET", [kind, "_history"]:
                interactions[kind].add("history-type")
            case method, path:
                raise AssertionError(f"{method} {path}")
    return asked, interactions
