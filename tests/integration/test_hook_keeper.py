"""Our Subscriptions on a server: created once, renewed, looked after, and nobody else's touched."""

import asyncio
import json
from collections.abc import AsyncIterator
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

import httpx
import pytest

from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.read import FhirReader
from andante.fhir_http.retry import RetryPolicy
from andante.sandbox import BASE_PATH, Sandbox
from andante.subscriptions.keeper import Keeper, State
from andante.subscriptions.on_server import finder
from andante.writeback.gate import Gate
from andante.writeback.hook_writer import hook_writer
from andante.writeback.hooks import CRITERIA, HookSite
from andante.writeback.site import Site

Json = dict[str, Any]
START = datetime.fromisoformat("2031-03-27T06:30:00+00:00")
PLAIN = HookSite(address="https://andante.example/notify", secret="a-secret-of-the-site-0001")
BY_TOPIC = HookSite(
    address="https://andante.example/notify",
    secret="a-secret-of-the-site-0001",
    topic="https://server.example/SubscriptionTopic/charts",
)


@dataclass
class Ward:
    """A sandbox with a clock, and keepers over it."""

    now: datetime = START
    away: bool = False
    caught_up: int = 0
    active: dict[str, bool] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.sandbox = Sandbox(now=lambda: self.now)
        self.requests: list[httpx.Request] = []

    async def handle(self, request: httpx.Request) -> httpx.Response:
        self.requests.append(request)
        if self.away:
            raise httpx.ConnectError("away", request=request)
        return await self._inside.handle_async_request(request)

    def connect(self) -> Connection:
        self._inside = httpx.ASGITransport(self.sandbox.app)
        settings = ServerSettings(base=f"http://sandbox.example{BASE_PATH}", retry=RetryPolicy(attempts=1))
        return Connection(settings, transport=httpx.MockTransport(self.handle))

    def keeper(self, connection: Connection, site: HookSite = PLAIN) -> Keeper:
        def catch_up() -> None:
            self.caught_up += 1

        return Keeper(
            site,
            find=finder(FhirReader(connection)),
            send=hook_writer(connection, Gate(Site(), hook=site)),
            tell=self.active.__setitem__,
            catch_up=catch_up,
        )

    def all(self) -> list[Json]:
        return [v.body for v in self.sandbox.endpoint.store.living("Subscription") if v.body is not None]

    def by_endpoint(self) -> dict[str, list[Json]]:
        found: dict[str, list[Json]] = {}
        for body in self.all():
            found.setdefault(body["channel"]["endpoint"], []).append(body)
        return found

    def set_all(self, status: str) -> None:
        """As the server would."""
        self.sandbox.load([{**body, "status": status} for body in self.all() if body["status"] != "off"])

    def writes(self) -> int:
        return sum(request.method == "POST" for request in self.requests)


@pytest.fixture
def ward() -> Ward:
    return Ward()


@pytest.fixture
async def connection(ward: Ward) -> AsyncIterator[Connection]:
    async with ward.connect() as connection:
        yield connection


async def test_each_hook_is_created_once_with_what_the_settings_say(ward: Ward, connection: Connection) -> None:
    keeper = ward.keeper(connection)
    await keeper.keep(now=ward.now)
    await keeper.keep(now=ward.now)
    assert {body["criteria"] for body in ward.all()} == set(CRITERIA.values())
    assert {len(bodies) for bodies in ward.by_endpoint().values()} == {1}
    for name, criteria in CRITERIA.items():
        [body] = ward.by_endpoint()[f"{PLAIN.address}/{name}"]
        assert (body["status"], body["criteria"]) == ("requested", criteria)
        assert body["channel"] == {
            "type": "rest-hook",
            "endpoint": f"{PLAIN.address}/{name}",
            "header": [f"Authorization: Bearer {PLAIN.secret}"],
        }
    assert keeper.problem == ""
    assert {held.state for held in keeper.hooks.values()} == {State.REQUESTED}


async def test_with_a_topic_there_is_one_of_the_backports_form(ward: Ward, connection: Connection) -> None:
    await ward.keeper(connection, BY_TOPIC).keep(now=ward.now)
    [body] = ward.all()
    assert body["criteria"] == BY_TOPIC.topic
    assert body["meta"]["profile"] == [
        "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-subscription"
    ]
    assert body["channel"]["_payload"]["extension"][0]["valueCode"] == "id-only"


async def test_what_is_active_is_left_alone_until_it_nears_its_end(ward: Ward, connection: Connection) -> None:
    keeper = ward.keeper(connection)
    await keeper.keep(now=ward.now)
    ward.set_all("active")
    for _ in range(6):
        ward.now += timedelta(days=1)
        await keeper.keep(now=ward.now)
    assert ward.writes() == len(CRITERIA)
    assert ward.active == dict.fromkeys(CRITERIA, True)
    assert ward.caught_up == len(CRITERIA)  # once each, when it became active
    ward.now += timedelta(days=2)
    await keeper.keep(now=ward.now)
    assert ward.writes() == 2 * len(CRITERIA)
    assert all(datetime.fromisoformat(body["end"]) == ward.now + timedelta(days=14) for body in ward.all())


@pytest.mark.parametrize("status", ["error", "off"])
async def test_what_the_server_gave_up_is_renewed_at_longer_and_longer_intervals(
    ward: Ward, connection: Connection, status: str
) -> None:
    keeper = ward.keeper(connection)
    await keeper.keep(now=ward.now)
    ward.set_all("active")
    await keeper.keep(now=ward.now)
    written: list[float] = []
    began = ward.now
    for _ in range(240):
        ward.now += timedelta(minutes=1)
        ward.sandbox.load([{**body, "status": status} for body in ward.all()])
        before = ward.writes()
        await keeper.keep(now=ward.now)
        if ward.writes() > before:
            written.append((ward.now - began).total_seconds() / 60)
    gaps = [later - earlier for earlier, later in pairwise(written)]
    assert written[0] == 1
    assert gaps[:5] == [2, 4, 8, 16, 32]
    assert max(gaps) == 60
    assert {held.state for held in keeper.hooks.values()} == {State.GIVEN_UP}
    assert not any(ward.active.values())


async def test_what_was_missed_is_asked_for_once_the_server_tells_again(ward: Ward, connection: Connection) -> None:
    keeper = ward.keeper(connection)
    await keeper.keep(now=ward.now)
    ward.set_all("active")
    await keeper.keep(now=ward.now)
    ward.caught_up = 0
    ward.set_all("error")
    ward.now += timedelta(minutes=5)
    await keeper.keep(now=ward.now)
    assert ward.caught_up == 0
    ward.set_all("active")
    await keeper.keep(now=ward.now)
    assert ward.caught_up == len(CRITERIA)


async def test_a_new_start_renews_each_so_that_a_new_secret_is_in_force(ward: Ward, connection: Connection) -> None:
    await ward.keeper(connection).keep(now=ward.now)
    ward.set_all("active")
    other = HookSite(address=PLAIN.address, secret="another-secret-of-the-site")
    await ward.keeper(connection, other).keep(now=ward.now)
    assert len(ward.all()) == len(CRITERIA)
    assert {body["channel"]["header"][0] for body in ward.all()} == {f"Authorization: Bearer {other.secret}"}


async def test_of_two_that_tell_the_same_one_is_turned_off(ward: Ward, connection: Connection) -> None:
    keeper = ward.keeper(connection)
    await keeper.keep(now=ward.now)
    ward.sandbox.load([{**body, "id": f"double-{body['id']}"} for body in ward.all()])
    ward.now += timedelta(minutes=1)
    await keeper.keep(now=ward.now)
    for bodies in ward.by_endpoint().values():
        assert sorted(body["status"] for body in bodies) == ["off", "requested"]
    ward.now += timedelta(minutes=1)
    before = ward.writes()
    await keeper.keep(now=ward.now)
    assert ward.writes() == before


async def test_two_instances_that_start_at_once_leave_one_of_each(ward: Ward, connection: Connection) -> None:
    await asyncio.gather(*(ward.keeper(connection).keep(now=ward.now) for _ in range(3)))
    assert {len(bodies) for bodies in ward.by_endpoint().values()} == {1}


async def test_one_that_searches_do_not_find_yet_is_not_created_again(ward: Ward, connection: Connection) -> None:
    keeper = ward.keeper(connection)
    await keeper.keep(now=ward.now)
    ward.sandbox.endpoint.is_indexed = lambda version: version.kind != "Subscription"
    ward.now += timedelta(hours=2)
    await keeper.keep(now=ward.now)
    assert {len(bodies) for bodies in ward.by_endpoint().values()} == {1}


async def test_somebody_elses_are_not_touched(ward: Ward, connection: Connection) -> None:
    theirs = {
        "resourceType": "Subscription",
        "id": "theirs",
        "status": "error",
        "reason": "something else",
        "criteria": "Observation?category=laboratory",
        "channel": {"type": "rest-hook", "endpoint": f"{PLAIN.address}/laboratory/other"},
    }
    ward.sandbox.load([theirs])
    keeper = ward.keeper(connection)
    for _ in range(3):
        ward.now += timedelta(hours=1)
        await keeper.keep(now=ward.now)
    [found] = [body for body in ward.all() if body["id"] == "theirs"]
    assert (found["status"], found["meta"]["versionId"]) == ("error", "1")


async def test_a_server_that_is_away_is_told_of_and_asked_again(ward: Ward, connection: Connection) -> None:
    keeper = ward.keeper(connection)
    ward.away = True
    await keeper.keep(now=ward.now)
    assert "no answer" in keeper.problem
    ward.away = False
    ward.now += timedelta(minutes=1)
    await keeper.keep(now=ward.now)
    assert keeper.problem == ""
    assert len(ward.all()) == len(CRITERIA)


async def test_the_secret_is_in_no_problem_and_no_representation(ward: Ward, connection: Connection) -> None:
    keeper = ward.keeper(connection)
    await keeper.keep(now=ward.now)
    assert PLAIN.secret not in json.dumps([keeper.problem, repr(PLAIN), repr(keeper.hooks)])


# --------------------------------------------------------------------------- from one process to the next


async def test_a_start_soon_after_another_writes_nothing_again(ward: Ward, connection: Connection) -> None:
    before = ward.keeper(connection)
    await before.keep(now=ward.now)
    ward.set_all("active")
    written = ward.writes()
    for seconds, writes in ((10, 0), (50, 0), (61, 5)):
        ward.requests.clear()
        after = ward.keeper(connection)
        after.restore(before.records())
        await after.keep(now=ward.now + timedelta(seconds=seconds))
        assert ward.writes() == writes, seconds
    assert written == 5
    assert {len(bodies) for bodies in ward.by_endpoint().values()} == {1}


async def test_failures_are_counted_on_so_that_a_loop_of_starts_waits_as_long(
    ward: Ward, connection: Connection
) -> None:
    records, now = ward.keeper(connection).records(), ward.now
    wrote = []
    for minute in range(120):  # the server never makes any active, and the service starts every minute
        ward.requests.clear()
        keeper = ward.keeper(connection)
        keeper.restore(records)
        now = ward.now + timedelta(minutes=minute)
        await keeper.keep(now=now)
        if ward.writes():
            wrote.append(minute)
        records = keeper.records()
        ward.set_all("error")
    assert wrote == [0, 1, 3, 7, 15, 31, 63]  # as one process would, that is not started again


@pytest.mark.parametrize(
    "other",
    [
        HookSite(address=PLAIN.address, secret="another-secret-0123456789abcdef"),
        HookSite(address=PLAIN.address, secret=PLAIN.secret, content="full-resource"),
        HookSite(address="https://other.example/notify", secret=PLAIN.secret),
    ],
)
async def test_what_the_settings_say_anew_is_written_at_once(
    ward: Ward, connection: Connection, other: HookSite
) -> None:
    before = ward.keeper(connection)
    await before.keep(now=ward.now)
    ward.requests.clear()
    after = ward.keeper(connection, other)
    after.restore(before.records())
    await after.keep(now=ward.now + timedelta(seconds=10))
    assert ward.writes() == 5


async def test_records_from_the_future_hold_nothing_up_and_strange_ids_do_no_harm(
    ward: Ward, connection: Connection
) -> None:
    before = ward.keeper(connection)
    await before.keep(now=ward.now)
    after = ward.keeper(connection)
    after.restore(
        replace(record, ident="gone", written=record.written + timedelta(days=1)) for record in before.records()
    )
    ward.requests.clear()
    await after.keep(now=ward.now + timedelta(seconds=10))
    assert ward.writes() == 5
    assert {len(bodies) for bodies in ward.by_endpoint().values()} == {1}


async def test_the_secret_is_not_in_what_is_kept(ward: Ward, connection: Connection) -> None:
    keeper = ward.keeper(connection)
    await keeper.keep(now=ward.now)
    assert PLAIN.secret not in repr(keeper.records())
    assert len({record.fingerprint for record in keeper.records()}) == 5
