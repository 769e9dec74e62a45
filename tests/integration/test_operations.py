"""What whoever keeps the service running is told: alive, ready, late, stuck; metrics; and one page."""

import asyncio
import base64
import hashlib
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import datetime, timedelta
from typing import Any

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families
from pydantic import SecretStr

from andante import app, assess, settings
from andante.demo import Stage, read_script
from andante.errors import Unreachable
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.retry import RetryPolicy
from andante.triggers.operations.journal import Ending, Journal
from andante.triggers.operations.timetable import Timetable
from andante.triggers.web import create_app

SCRIPT = read_script(("plain-course", "severe-fall"))
MORNING = datetime.fromisoformat("2031-03-27T06:30:00+00:00")
EVENING = datetime.fromisoformat("2031-03-27T20:00:00+00:00")
HOUR = timedelta(hours=1)
TOKEN = "operations-0123456789abcdef"


class Away(httpx.AsyncBaseTransport):
    """The server, while `away` is false."""

    def __init__(self, inner: httpx.AsyncBaseTransport) -> None:
        self._inner, self.away = inner, False

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        if self.away:
            raise httpx.ConnectError("away")
        return await self._inner.handle_async_request(request)


class Ward:
    """The service before a server of its own, and a clock to be moved by hand."""

    def __init__(self, **given: Any) -> None:
        self.stage = Stage(SCRIPT)
        self.at(MORNING)
        self.server = Away(httpx.ASGITransport(self.stage.sandbox.app))
        self.given = settings.defaults(zone=SCRIPT.zone.key, **given)
        connection = Connection(
            ServerSettings(base="http://ward.example/fhir", retry=RetryPolicy(attempts=1)), transport=self.server
        )
        self.app = create_app(
            app.build(self.given), now=lambda: self.stage.now, connection=connection, schedule=bool(given.get("clock"))
        )

    def at(self, instant: datetime) -> None:
        self.stage.play_until(instant)

    async def round(self, kind: str = "round") -> None:
        await self.app.state.run_round(kind)

    @asynccontextmanager
    async def served(self) -> AsyncIterator[httpx.AsyncClient]:
        transport = httpx.ASGITransport(self.app, raise_app_exceptions=False)
        async with (
            self.app.router.lifespan_context(self.app),
            httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client,
        ):
            yield client


@pytest.fixture
def ward() -> Ward:
    return Ward()


async def metrics(client: httpx.AsyncClient, **given: Any) -> dict[str, float]:
    """By name and labels, `name{a=b}`."""
    answer = await client.get("/metrics", **given)
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/plain")
    return {
        f"{one.name}{{{','.join(f'{name}={value}' for name, value in sorted(one.labels.items()))}}}": one.value
        for family in text_string_to_metric_families(answer.text)
        for one in family.samples
    }


# --------------------------------------------------------------------------- ready and alive


async def test_ready_is_false_when_a_pass_over_everybody_is_overdue_and_true_again_after_the_next(ward: Ward) -> None:
    """The round of 06:30 may begin 15 minutes late and take an hour; a night watch reads everybody too."""
    async with ward.served() as client:
        await ward.round()
        for after, status in ((13.4, 200), (14.8, 503)):  # the night watch of 20:00 is 13.5 hours later
            ward.at(MORNING + timedelta(hours=after))
            answer = await client.get("/ready")
            assert answer.status_code == status, after
        assert answer.json()["late"] == ["round"]
        await ward.round("night-watch")
        assert (await client.get("/ready")).status_code == 200


async def test_a_round_that_served_nobody_counts_for_none(ward: Ward, monkeypatch: pytest.MonkeyPatch) -> None:
    def stumble(*_: object) -> None:
        raise ZeroDivisionError

    async with ward.served() as client:
        monkeypatch.setattr(assess, "evaluate", stumble)
        await ward.round()
        told = await metrics(client)
        assert told["andante_rounds_total{ending=in vain,kind=round}"] == 1
        assert "andante_round_last_completed_timestamp_seconds{kind=round}" not in told
        ward.at(EVENING + 2 * HOUR)
        assert (await client.get("/ready")).status_code == 503


async def test_a_round_by_change_time_stands_in_for_no_pass(ward: Ward) -> None:
    ward = Ward(changes_every_s=300)
    async with ward.served() as client:
        await ward.round()
        ward.at(EVENING + 2 * HOUR)
        await ward.round("changes")
        assert (await client.get("/ready")).json()["late"] == ["round"]
        await ward.round()
        ward.at(EVENING + 4 * HOUR)
        assert (await client.get("/ready")).json()["late"] == ["changes"]


async def test_an_instance_without_the_clock_is_ready_without_rounds(ward: Ward) -> None:
    """One leader for the clock, many for the web: what the many answer needs the server, and no round of theirs."""
    ward = Ward(clock=False)
    async with ward.served() as client:
        ward.at(MORNING + timedelta(days=3))
        answer = await client.get("/ready")
        assert (answer.status_code, answer.json()["rounds"]) == (200, "run by another instance")
        assert (await metrics(client))["andante_clock{}"] == 0
        assert "another instance has the clock" in (await client.get("/operations")).text
        assert (await client.post("/review/quillfeather")).status_code == 200
        ward.server.away = True
        ward.at(MORNING + timedelta(days=4))
        assert (await client.get("/ready")).status_code == 503


@pytest.mark.parametrize(("clock", "running"), [(True, True), (False, False)])
async def test_only_with_the_clock_does_a_scheduler_run(clock: bool, running: bool) -> None:
    ward = Ward()
    service = app.build(settings.defaults(zone="UTC", clock=clock, fhir_base="http://127.0.0.1:9/fhir"))
    ward.app = create_app(service, now=lambda: ward.stage.now)
    async with ward.served() as client:
        await asyncio.sleep(0.01)  # nothing vouches for the last round that was due: with a clock one begins at once
        ward.at(MORNING + timedelta(days=3))
        answer = await client.get("/health")
        # It should have ended by now; without a clock there is nothing to have been begun.
        assert answer.status_code == (503 if running else 200)


async def test_health_fails_where_only_a_new_start_helps(ward: Ward, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[httpx.Response] = []

    async def hang(*_: object, **__: object) -> None:
        for after in (3, 5):
            ward.at(MORNING + after * HOUR)
            seen.append(await client.get("/health"))
        raise Unreachable("away")

    async with ward.served() as client:
        monkeypatch.setattr("andante.app.round_over", hang)
        with pytest.raises(Unreachable):
            await ward.round()
        assert [answer.status_code for answer in seen] == [200, 503]
        assert seen[1].json()["problem"] == "a round has been running for longer than any should"
        assert (await client.get("/health")).status_code == 200


def test_a_failed_round_is_the_servers_fault_and_one_never_begun_the_clocks() -> None:
    journal = Journal(started=MORNING)
    table = Timetable(settings=settings.defaults(), zone=SCRIPT.zone, journal=journal)
    later = EVENING + 2 * HOUR
    assert table.is_asleep(later)
    with pytest.raises(Unreachable), journal.round("night-watch", began=EVENING, now=lambda: EVENING):
        raise Unreachable("away")
    assert not table.is_asleep(later)
    assert table.late(later) == ("round",)
    assert journal.last["night-watch"].ending is Ending.FAILED
    assert journal.running is None


# --------------------------------------------------------------------------- metrics


async def test_the_dead_mans_switch_tells_when_each_kind_was_last_completed(ward: Ward) -> None:
    async with ward.served() as client:
        assert not [name for name in await metrics(client) if "last_completed" in name]
        await ward.round()
        ward.at(EVENING)
        await ward.round("night-watch")
        ward.server.away = True
        ward.at(MORNING + timedelta(days=1))
        with pytest.raises(Unreachable):
            await ward.round()
        told = await metrics(client)
    assert told["andante_round_last_completed_timestamp_seconds{kind=round}"] == MORNING.timestamp()
    assert told["andante_round_last_completed_timestamp_seconds{kind=night-watch}"] == EVENING.timestamp()
    assert told["andante_round_due_timestamp_seconds{kind=round}"] == (MORNING + 24 * HOUR).timestamp()
    assert told["andante_rounds_total{ending=failed,kind=round}"] == 1
    assert told["andante_fhir_server_reachable{}"] == 0
    assert told["andante_fhir_answers_total{method=GET,status=0}"] >= 1
    assert told["andante_inbox_entries_total{action=created}"] >= 2


async def test_requests_are_counted_by_the_route_they_met(ward: Ward) -> None:
    async with ward.served() as client:
        for path in ("/review/quillfeather", "/review/nobody", "/nowhere/quillfeather"):
            await client.post(path)
        told = await metrics(client)
    assert told["andante_request_seconds_count{method=POST,route=/review/{patient_id},status=200}"] == 1
    assert told["andante_request_seconds_count{method=POST,route=/review/{patient_id},status=404}"] == 1
    assert told["andante_request_seconds_count{method=POST,route=none of ours,status=404}"] == 1


async def test_each_answer_carries_an_id_of_ours_and_never_the_callers(ward: Ward) -> None:
    async with ward.served() as client:
        ids = [
            (await client.get("/health", headers={"X-Request-Id": "quillfeather"})).headers["x-request-id"]
            for _ in range(2)
        ]
    assert len(set(ids)) == 2
    assert all(re.fullmatch(r"[0-9a-f]{16}", ident) for ident in ids)


# --------------------------------------------------------------------------- the page


async def test_the_page_tells_rounds_failures_codes_numbers_and_versions(ward: Ward) -> None:
    async with ward.served() as client:
        await ward.round()
        calm = (await client.get("/operations")).text
        ward.server.away = True
        ward.at(EVENING)
        with pytest.raises(Unreachable):
            await ward.round("night-watch")
        page = (await client.get("/operations")).text
    assert "<p>In order.</p>" in calm
    assert "The FHIR server: no answer." in page
    assert "The last night-watch failed (Unreachable)" in page
    for told in (
        "aspen-2020 1.0.0",
        "laboratory codes",
        "<dt>Python</dt>",
        "27 Mar 06:30",
        "Nothing has been ordered.",
    ):
        assert told in page, told


async def test_the_page_runs_nothing_and_loads_nothing(ward: Ward) -> None:
    """The one style sheet is inside it, named by its hash: https://www.w3.org/TR/CSP3/#match-element-to-source-list."""
    async with ward.served() as client:
        answer = await client.get("/operations")
    policy = answer.headers["content-security-policy"]
    (style,) = re.findall(r"<style>(.*?)</style>", answer.text, flags=re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert policy == (
        f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )
    assert not re.search(r"<(script|link|img|iframe|form)\b|\sstyle=|\son\w+=", answer.text)
    assert answer.headers["cache-control"] == "no-store"


BASIC = base64.b64encode(f"anybody:{TOKEN}".encode()).decode()
SHOWN = [
    ({}, 401),
    ({"Authorization": f"Bearer {TOKEN}"}, 200),
    ({"Authorization": f"bearer {TOKEN}"}, 200),
    ({"Authorization": f"Basic {BASIC}"}, 200),
    ({"Authorization": f"Bearer {TOKEN}x"}, 401),
    ({"Authorization": f"Digest {TOKEN}"}, 401),
    ({"Authorization": TOKEN}, 401),
    ({"Authorization": "Basic !!!"}, 401),
    ({"Authorization": "Basic " + base64.b64encode(TOKEN.encode()).decode()}, 401),
    ({"Authorization": b"Bearer \xff"}, 401),
]


@pytest.mark.parametrize(("headers", "status"), SHOWN)
@pytest.mark.parametrize("path", ["/metrics", "/operations"])
async def test_where_a_token_is_set_it_is_asked_for(path: str, headers: Any, status: int) -> None:
    async with Ward(operations_token=SecretStr(TOKEN)).served() as client:
        assert (await client.get(path, headers=headers)).status_code == status
        assert (await client.get("/health")).status_code == 200
