"""The one way to write: what the answers mean, and that nothing is sent twice on a guess."""

import json
from typing import Any

import httpx
import pytest

from andante.errors import AccessRefused, BadAnswer, Conflict, Refused, ServerError, Unreachable
from andante.fhir_http.cleared import Cleared
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.write import FhirWriter, Written

BASE = "https://ward.example.org/fhir"
BODY = json.dumps({"resourceType": "Bundle", "type": "transaction", "entry": [{}, {}]}).encode()


class Server:
    def __init__(self, *answers: httpx.Response | Exception) -> None:
        self.answers = list(answers)
        self.requests: list[httpx.Request] = []

    async def write(self) -> tuple[Written, ...]:
        async def no_wait(seconds: float) -> None:
            return None

        transport = httpx.MockTransport(self._answer)
        async with Connection(ServerSettings(base=BASE), transport=transport, sleep=no_wait) as connection:
            return await FhirWriter(connection).transaction(Cleared(BODY))

    def _answer(self, request: httpx.Request) -> httpx.Response:
        self.requests.append(request)
        answer = self.answers.pop(0) if len(self.answers) > 1 else self.answers[0]
        if isinstance(answer, Exception):
            raise answer
        return answer


def answered(*entries: dict[str, Any], kind: str = "transaction-response") -> httpx.Response:
    return httpx.Response(200, json={"resourceType": "Bundle", "type": kind, "entry": list(entries)})


def done(status: str, **more: Any) -> dict[str, Any]:
    return {"response": {"status": status, **more}}


async def test_each_entry_is_answered_with_its_status_place_and_etag() -> None:
    server = Server(answered(done("201 Created", location="Task/1/_history/1", etag='W/"1"'), done("200")))
    first, second = await server.write()
    assert first == Written(status=201, location="Task/1/_history/1", etag='W/"1"', outcome=None)
    assert (first.created, second.created) == (True, False)
    (request,) = server.requests
    assert (request.method, str(request.url), request.content) == ("POST", BASE, BODY)
    assert request.headers["Content-Type"] == "application/fhir+json"


@pytest.mark.parametrize(
    ("answer", "error"),
    [
        (httpx.Response(412), Conflict),
        (httpx.Response(409), Conflict),
        (httpx.Response(401), AccessRefused),
        (httpx.Response(422), Refused),
        (httpx.Response(302, headers={"Location": "https://elsewhere.example.org"}), BadAnswer),
        (answered(done("201"), done("412 Precondition Failed")), Conflict),
        (answered(done("409"), done("201")), Conflict),
        (answered(done("201"), done("400")), Refused),
        (answered(done("201"), done("500")), Unreachable),
        (answered(done("201")), BadAnswer),
        (answered(done("201"), {}), BadAnswer),
        (answered(done("201"), done("good")), BadAnswer),
        (answered(done("201"), done("200"), kind="batch-response"), BadAnswer),
        (httpx.Response(200, html="<p>gone</p>"), BadAnswer),
        (httpx.Response(200, content=b'{"resourceType":"Bundle"'), BadAnswer),
        (httpx.Response(503, headers={"Retry-After": "1"}), Unreachable),
        (httpx.Response(500), Unreachable),
        (httpx.ReadTimeout("slow"), Unreachable),
        (httpx.ConnectTimeout("dropped"), Unreachable),
    ],
)
async def test_a_write_that_did_not_surely_succeed_is_sent_once_and_told(
    answer: httpx.Response | Exception, error: type[ServerError]
) -> None:
    server = Server(answer)
    with pytest.raises(error):
        await server.write()
    assert len(server.requests) == 1


async def test_too_many_requests_says_that_nothing_was_done_so_it_is_sent_again() -> None:
    server = Server(httpx.Response(429, headers={"Retry-After": "1"}), answered(done("201"), done("201")))
    assert len(await server.write()) == 2
    assert len(server.requests) == 2
