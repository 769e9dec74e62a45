"""Searches over a scripted server at the transport: paging, refusals, damage, and what is sent nowhere."""

import gzip
import json
from collections.abc import AsyncIterator, Callable, Iterable
from datetime import UTC, datetime
from typing import Any

import httpx
import pytest

from andante.errors import Absent, AccessRefused, BadAnswer, Refused, ServerError, Unreachable
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.read import FhirReader, SearchResult
from andante.fhir_http.retry import RetryPolicy

BASE = "https://ward.example.org/fhir"
NOW = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
Handler = Callable[[httpx.Request], httpx.Response]


class Server:
    """Plays answers in their order (the last one for ever) and keeps the requests and the waits."""

    def __init__(self, *answers: httpx.Response | Exception | Handler, **settings: Any) -> None:
        self.answers = list(answers)
        self.requests: list[httpx.Request] = []
        self.waits: list[float] = []
        self.settings = ServerSettings(base=BASE, retry=RetryPolicy(attempts=3), **settings)

    def reader(self, auth: httpx.Auth | None = None) -> FhirReader:
        async def sleep(seconds: float) -> None:
            self.waits.append(seconds)

        return FhirReader(
            Connection(
                self.settings,
                auth=auth,
                transport=httpx.MockTransport(self._answer),
                sleep=sleep,
                now=lambda: NOW,
                dice=lambda: 1.0,
            )
        )

    async def search(self, **kwargs: Any) -> SearchResult:
        params = (("patient", "Patient/a"), ("_count", "2"))
        return await self.reader().search("Observation", params, **kwargs)

    def _answer(self, request: httpx.Request) -> httpx.Response:
        self.requests.append(request)
        answer = self.answers.pop(0) if len(self.answers) > 1 else self.answers[0]
        if isinstance(answer, Exception):
            raise answer
        return answer if isinstance(answer, httpx.Response) else answer(request)


def entry(identity: str = "x", kind: str = "Observation", mode: str | None = "match") -> dict[str, Any]:
    search = {"search": {"mode": mode}} if mode else {}
    return {
        "fullUrl": f"{BASE}/{kind}/{identity}",
        "resource": {"resourceType": kind, "id": identity},
        **search,
    }


def page(*entries: Any, links: dict[str, str] | None = None, **more: Any) -> httpx.Response:
    bundle = {
        "resourceType": "Bundle",
        "type": "searchset",
        "link": [{"relation": name, "url": url} for name, url in (links or {}).items()],
        "entry": list(entries),
        **more,
    }
    return fhir(bundle)


def fhir(body: Any, status: int = 200, **headers: str) -> httpx.Response:
    return httpx.Response(status, json=body, headers={"Content-Type": "application/fhir+json", **headers})


def outcome(severity: str = "warning", code: str = "not-supported", text: str = "Kim Doe") -> dict[str, Any]:
    issue = {"severity": severity, "code": code, "diagnostics": text}
    return {"resourceType": "OperationOutcome", "issue": [issue]}


def ids(result: SearchResult) -> list[str]:
    return [json.loads(bytes(found.body))["id"] for found in result.found]


async def test_pages_are_followed_by_their_next_links_verbatim() -> None:
    server = Server(
        page(entry("1"), entry("2"), links={"next": f"{BASE}?token=a%2Fb&x=1"}),
        page(entry("3"), links={"next": f"{BASE}/Observation?page=3"}),
        page(entry("4")),
    )
    result = await server.search()
    assert ids(result) == ["1", "2", "3", "4"]
    assert not result.truncated
    assert [str(request.url) for request in server.requests[1:]] == [
        f"{BASE}?token=a%2Fb&x=1",
        f"{BASE}/Observation?page=3",
    ]


async def test_searches_ask_for_fresh_strict_fhir_json() -> None:
    server = Server(page())
    await server.search()
    headers = server.requests[0].headers
    assert headers["Accept"] == "application/fhir+json"
    assert headers["Cache-Control"] == "no-cache"
    assert headers["Prefer"] == "handling=strict"
    assert "gzip" in headers["Accept-Encoding"]


@pytest.mark.parametrize("back", [f"{BASE}/Observation?patient=Patient/a&_count=2", f"{BASE}/Observation?page=2"])
async def test_next_links_that_run_in_a_circle_are_an_error(back: str) -> None:
    server = Server(
        page(entry("1"), links={"next": f"{BASE}/Observation?page=2"}),
        page(entry("2"), links={"next": back}),
    )
    with pytest.raises(BadAnswer, match="circle"):
        await server.search()
    assert len(server.requests) == 2


async def test_a_next_link_to_another_host_is_never_asked() -> None:
    server = Server(page(entry("1"), links={"next": "https://elsewhere.example.org/fhir/Observation?page=2"}))
    with pytest.raises(BadAnswer, match="another host"):
        await server.search()
    assert len(server.requests) == 1


async def test_a_redirect_is_not_followed_so_the_token_stays_home() -> None:
    server = Server(httpx.Response(302, headers={"Location": "https://elsewhere.example.org/"}))
    with pytest.raises(BadAnswer, match="redirects are not followed"):
        await server.reader(httpx.BasicAuth("andante", "secret")).search("Observation", ())
    assert [request.url.host for request in server.requests] == ["ward.example.org"]


@pytest.mark.parametrize(
    ("status", "error"),
    [(401, AccessRefused), (403, AccessRefused), (404, Absent), (410, Absent), (422, Refused)],
)
async def test_refusals_are_told_at_once_by_what_they_mean(status: int, error: type[ServerError]) -> None:
    server = Server(fhir(outcome("error", "forbidden"), status))
    with pytest.raises(error) as raised:
        await server.search()
    assert raised.value.status == status
    assert "forbidden" in str(raised.value)
    assert "Kim Doe" not in str(raised.value)
    assert server.waits == []


@pytest.mark.parametrize("status", [408, 425, 429, 500, 502, 503, 504])
async def test_passing_trouble_is_waited_out(status: int) -> None:
    server = Server(httpx.Response(status), httpx.Response(status, html="<p>busy</p>"), page(entry("1")))
    assert ids(await server.search()) == ["1"]
    assert server.waits == [0.5, 1.0]


async def test_retry_after_is_honoured_in_seconds_and_as_date_and_capped() -> None:
    server = Server(
        httpx.Response(429, headers={"Retry-After": "7"}),
        httpx.Response(503, headers={"Retry-After": "Mon, 02 Mar 2026 06:00:11 GMT"}),
        page(entry("1")),
    )
    await server.search()
    assert server.waits == [7.0, 11.0]
    server = Server(httpx.Response(429, headers={"Retry-After": "86400"}), page())
    await server.search()
    assert server.waits == [30.0]


@pytest.mark.parametrize("answer", [httpx.Response(503), httpx.ConnectError("refused"), httpx.ReadTimeout("slow")])
async def test_lasting_trouble_ends_after_the_attempts_allowed(answer: httpx.Response | Exception) -> None:
    server = Server(answer)
    with pytest.raises(Unreachable):
        await server.search()
    assert len(server.requests) == 3


async def test_all_requests_together_share_one_pool_of_retries() -> None:
    server = Server(httpx.Response(503), retry_pool=3)
    reader = server.reader()
    for _ in range(4):
        with pytest.raises(Unreachable):
            await reader.search("Observation", ())
    assert len(server.requests) == 4 + 3


async def test_waiting_stops_at_the_budget_of_one_request() -> None:
    server = Server(httpx.Response(503, headers={"Retry-After": "20"}))
    server.settings = ServerSettings(base=BASE, retry=RetryPolicy(attempts=9, waiting_budget_s=50))
    with pytest.raises(Unreachable):
        await server.search()
    assert server.waits == [20.0, 20.0]


async def test_a_page_that_fails_in_the_middle_fails_the_search() -> None:
    server = Server(page(entry("1"), links={"next": f"{BASE}?p=2"}), httpx.Response(410))
    with pytest.raises(Absent):
        await server.search()


def gzipped(body: bytes, cut: int | None = None) -> httpx.Response:
    headers = {"Content-Type": "application/fhir+json", "Content-Encoding": "gzip"}
    return httpx.Response(200, headers=headers, stream=Chunks([gzip.compress(body)[:cut]]))


class Chunks(httpx.AsyncByteStream):
    """A body given out piece by piece."""

    def __init__(self, chunks: Iterable[bytes]) -> None:
        self._chunks = chunks

    async def __aiter__(self) -> AsyncIterator[bytes]:
        for chunk in self._chunks:
            yield chunk


WHOLE = json.dumps({"resourceType": "Bundle", "type": "searchset", "entry": [entry(str(n)) for n in range(50)]})


async def test_a_compressed_answer_is_read() -> None:
    assert len((await Server(gzipped(WHOLE.encode())).search()).found) == 50


@pytest.mark.parametrize(
    ("answer", "told"),
    [
        (gzipped(WHOLE.encode(), cut=-40), "cut short"),
        (httpx.Response(200, headers={"Content-Encoding": "gzip"}, stream=Chunks([b"no gzip"])), "damaged"),
        (httpx.Response(200, content=WHOLE[:-30].encode()), "cut short"),
        (httpx.Response(200, content=b""), "cut short"),
        (httpx.Response(200, html="<html>sign in</html>"), "text/html"),
        (httpx.Response(200, content=WHOLE.encode(), headers={"Content-Type": "text/html"}), "text/html"),
        (httpx.Response(200, text="<Bundle/>", headers={"Content-Type": "application/fhir+xml"}), "xml"),
        (fhir(outcome("error", "exception")), "OperationOutcome came instead"),
        (fhir({"resourceType": "Bundle", "type": "collection"}), "searchset"),
        (fhir({"resourceType": "Bundle"}), "searchset"),
        (fhir({"resourceType": "Patient", "id": "a"}), "searchset"),
        (fhir({"resourceType": "Bundle", "type": "searchset", "entry": 7}), "no Bundle"),
        (fhir({"message": "Internal error"}), "no Bundle"),
        (fhir([]), "no Bundle"),
        (
            httpx.Response(200, content=b'{"resourceType":"Bundle","x":' + b"[" * 9_000 + b"]" * 9_000 + b"}"),
            "Bundle",
        ),
        (
            page(entry("1"), {"resource": outcome("error", "exception"), "search": {"mode": "outcome"}}),
            "reports",
        ),
    ],
)
async def test_what_is_not_a_whole_fhir_searchset_is_a_bad_answer(answer: httpx.Response, told: str) -> None:
    with pytest.raises(BadAnswer, match=told) as raised:
        await Server(answer).search()
    assert "Kim Doe" not in str(raised.value)


@pytest.mark.parametrize(
    ("settings", "told"),
    [
        ({"max_body_bytes": 1000}, "larger than 1000 bytes"),
        ({"max_search_bytes": 1000}, "more bytes"),
        ({"max_entries": 49}, "pages or entries"),
        ({"max_pages": 0}, "pages or entries"),
    ],
)
async def test_answers_beyond_the_caps_are_refused(settings: dict[str, int], told: str) -> None:
    with pytest.raises(BadAnswer, match=told):
        await Server(httpx.Response(200, content=WHOLE.encode()), **settings).search()


async def test_a_page_of_two_hundred_thousand_entries_is_read_whole() -> None:
    def pieces() -> Iterable[bytes]:
        yield b'{"resourceType":"Bundle","type":"searchset","entry":['
        for n in range(200_000):
            yield b'%s{"resource":{"resourceType":"Observation","id":"%d"}}' % (b"," if n else b"", n)
        yield b"]}"

    server = Server(httpx.Response(200, stream=Chunks(pieces())))
    assert len((await server.search()).found) == 200_000


async def test_an_endless_answer_is_cut_off_at_the_cap() -> None:
    def endless() -> Iterable[bytes]:
        while True:
            yield b" " * 65_536

    with pytest.raises(BadAnswer, match="larger"):
        await Server(httpx.Response(200, stream=Chunks(endless())), max_body_bytes=1_000_000).search()


async def test_one_misshapen_entry_leaves_the_others() -> None:
    result = await Server(page(entry("1"), "nonsense", {"search": "no"}, entry("2"))).search()
    assert (ids(result), result.misshapen) == (["1", "2"], 2)


async def test_other_types_are_dropped_and_included_ones_told_apart() -> None:
    server = Server(
        page(
            entry("1"),
            entry("m", "Medication", "include"),
            entry("n", "Medication", "match"),
            entry("q", "Patient", "include"),
            entry("2", mode=None),
            entry("p", "Patient", mode=None),
        )
    )
    result = await server.search(include=frozenset({"Medication"}))
    assert [(found.resource_type, found.included) for found in result.found] == [
        ("Observation", False),
        ("Medication", True),
        ("Observation", False),
    ]
    assert result.foreign == 3


async def test_the_type_is_found_wherever_it_stands_in_the_resource() -> None:
    late = {"resource": {"contained": [{"resourceType": "Patient"}], "id": "late", "resourceType": "Observation"}}
    assert ids(await Server(page(late)).search()) == ["late"]


@pytest.mark.parametrize(
    ("answers", "ignored"),
    [
        ([page(entry("1"), {"resource": outcome(), "search": {"mode": "outcome"}})], "within its answer"),
        ([page(entry("1"), {"resource": outcome()})], "within its answer"),
        (
            [page(entry("1"), links={"self": f"{BASE}/Observation?_count=2&_sort=date"})],
            "left a search parameter out",
        ),
        ([httpx.Response(400), page(entry("1"))], "does not know every search parameter"),
        ([page(entry("1"), links={"self": f"{BASE}/Observation?patient:Patient=a"})], None),
        ([page(entry("1"), links={"self": f"{BASE}?_getpages=77"})], None),
        ([page(entry("1"), links={"self": f"{BASE}/Observation"})], None),
        ([page(entry("1"))], None),
    ],
)
async def test_signs_of_an_ignored_filter_are_told(answers: list[httpx.Response], ignored: str | None) -> None:
    result = await Server(*answers).search()
    assert ids(result) == ["1"]
    if ignored is None:
        assert result.filters_ignored is None
    else:
        assert ignored in (result.filters_ignored or "")


async def test_a_strict_refusal_is_asked_again_leniently_once_and_remembered() -> None:
    def lenient_only(request: httpx.Request) -> httpx.Response:
        return httpx.Response(400) if "Prefer" in request.headers else page(entry("1"))

    server = Server(lenient_only)
    reader = server.reader()
    for _ in range(2):
        assert (await reader.search("Observation", (("patient", "Patient/a"),))).filters_ignored
    assert ["Prefer" in request.headers for request in server.requests] == [True, False, False]


async def test_a_lenient_refusal_stands() -> None:
    server = Server(httpx.Response(400))
    with pytest.raises(Refused):
        await server.search()
    assert len(server.requests) == 2


@pytest.mark.parametrize(
    ("total", "entries", "truncated"),
    [(3, 2, True), (2, 2, False), (1, 2, False), (0, 0, False), (1, 0, True)],
)
async def test_fewer_results_than_the_total_and_no_next_link_is_truncated(
    total: int, entries: int, truncated: bool
) -> None:
    result = await Server(page(*(entry(str(n)) for n in range(entries)), total=total)).search()
    assert result.truncated is truncated


async def test_a_full_last_page_without_total_or_next_link_is_taken_for_truncated() -> None:
    assert (await Server(page(entry("1"), entry("2"))).search()).truncated
    assert not (await Server(page(entry("1"))).search()).truncated


async def test_included_resources_do_not_count_towards_the_total() -> None:
    answer = page(entry("1"), entry("m", "Medication", "include"), total=2)
    assert (await Server(answer).search(include=frozenset({"Medication"}))).truncated


async def test_reading_by_id_gives_the_etag_verbatim() -> None:
    answer = fhir({"resourceType": "Task", "id": "t/1"}, ETag='W/"a-b"')
    server = Server(answer)
    read = await server.reader().read("Task", "t/1")
    assert (json.loads(read.body)["id"], read.etag) == ("t/1", 'W/"a-b"')
    assert server.requests[0].url.raw_path == b"/fhir/Task/t%2F1"


@pytest.mark.parametrize("body", [{"resourceType": "Task", "id": "2"}, {"resourceType": "Patient", "id": "1"}, {}])
async def test_another_resource_than_the_one_asked_for_is_a_bad_answer(body: dict[str, str]) -> None:
    with pytest.raises(BadAnswer, match="another resource"):
        await Server(fhir(body)).reader().read("Task", "1")


async def test_only_a_server_that_speaks_r4_is_accepted() -> None:
    statement = {"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1"}
    assert await Server(fhir(statement)).reader().fhir_version() == "4.0.1"
    with pytest.raises(BadAnswer, match="R4"):
        await Server(fhir({**statement, "fhirVersion": "5.0.0"})).reader().fhir_version()
    with pytest.raises(BadAnswer, match="CapabilityStatement"):
        await Server(fhir({"resourceType": "CapabilityStatement"})).reader().fhir_version()


async def test_errors_name_the_type_searched_and_no_patient() -> None:
    with pytest.raises(Unreachable) as raised:
        await Server(httpx.ConnectError("no route to Patient/a")).search()
    assert str(raised.value) == "searching Observation: no answer from the FHIR server (ConnectError)"
