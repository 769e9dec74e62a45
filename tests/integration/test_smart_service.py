"""SMART in the service as a whole: what it asks to be allowed, its settings, its published keys."""

import asyncio
import json
import re
from collections.abc import Iterator, Mapping
from datetime import datetime
from pathlib import Path
from types import MappingProxyType

import httpx
import pytest
from httpx import ASGITransport, AsyncClient
from joserfc import jwt
from joserfc.jwk import ECKey, KeySet

from andante import app, settings
from andante.chart.read_list import types_read
from andante.demo import Stage, read_script, service_for, staged
from andante.errors import InputError
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.keys import KeyFiles
from andante.fhir_http.origin import Origin
from andante.fhir_http.smart_auth import SmartBackend
from andante.fhir_http.smart_source import SmartClient, TokenSource
from andante.sandbox import Sandbox, Seen, running
from andante.triggers.web import create_app
from andante.writeback.allowlist import load_allowlist
from andante.writeback.needs import needs
from authorization_server import BASE, AuthorizationServer, Clock

ROOT = Path(__file__).resolve().parents[2]
EVENING = datetime.fromisoformat("2031-03-27T20:00:00+00:00")
EC, NEXT = ECKey.generate_key("P-384"), ECKey.generate_key("P-384")
PLAN = app.build(settings.defaults(zone="UTC")).plan


@pytest.fixture
def keys(tmp_path: Path) -> Path:
    path = tmp_path / "keys.json"
    path.write_text(json.dumps({"keys": [key.as_dict(private=True) for key in (EC, NEXT)]}))
    path.chmod(0o600)
    return path


# What is asked for


def test_every_chart_is_read_and_three_types_are_written_and_nothing_else() -> None:
    read = (
        "Condition Encounter Flag Goal Location Medication MedicationAdministration MedicationRequest NutritionOrder "
        "Observation Patient RiskAssessment ServiceRequest Specimen"
    )
    assert needs(PLAN) == dict.fromkeys(read.split(), "rs") | {
        "CommunicationRequest": "crus",
        "Provenance": "c",
        "Task": "crus",
    }


def test_a_narrowed_allow_list_asks_for_less() -> None:
    allowed = {name: one for name, one in load_allowlist().items() if name != "CommunicationRequest"}
    narrowed = needs(PLAN, MappingProxyType(allowed))
    assert narrowed["CommunicationRequest"] == "rs", "what stands in the inbox is still read"
    assert narrowed["Task"] == "crus"


def test_whatever_the_allow_list_says_deletion_is_not_asked_for() -> None:
    assert not [letters for letters in needs(PLAN).values() if "d" in letters]


@pytest.fixture(scope="module")
def seen() -> list[Seen]:
    """Every request of rounds over the whole fictional hospital, writes and answers included."""
    script = read_script()
    found: list[Seen] = []
    with staged(script) as stage:
        sandbox = Sandbox(now=lambda: EVENING, record=found.append)
        stage.play_until(EVENING)
        sandbox.load(_everything(stage))
        with running(sandbox.app) as base:
            asyncio.run(_rounds(base, stage))
    return found


def _everything(stage: Stage) -> Iterator[dict[str, object]]:
    """And a drug that is a resource of its own: in the stories each stands within its order."""
    yield {"resourceType": "Medication", "id": "vitamin", "code": {"text": "a vitamin"}}
    yield {
        "resourceType": "MedicationRequest",
        "id": "of-its-own",
        "status": "active",
        "intent": "order",
        "subject": {"reference": "Patient/quillfeather"},
        "medicationReference": {"reference": "Medication/vitamin"},
    }
    versions = {(body["resourceType"], body["id"]): body for at, body in stage.script.known if at <= EVENING}
    yield from versions.values()


async def _rounds(base: str, stage: Stage) -> None:
    service = service_for(stage.script)
    async with service.connect(base) as connection:
        for _ in range(2):
            await service.run_round(connection, trigger="test", now=EVENING)


def test_a_round_reads_exactly_the_types_of_the_read_list(seen: list[Seen]) -> None:
    read = {one.path.partition("?")[0].partition("/")[0] for one in seen if one.method == "GET"} - {"metadata"}
    assert read == types_read(PLAN)


def test_a_round_writes_only_what_it_asked_to_be_allowed(seen: list[Seen]) -> None:
    written = {kind for one in seen for kind in one.written}
    assert written == {name for name, letters in needs(PLAN).items() if set(letters) & set("cu")}


# Settings


def load(**given: object) -> settings.Settings:
    return settings.load(fhir_base="https://ward.example.org/fhir", zone="UTC", **given)


def test_a_client_id_and_keys_make_a_connection_that_signs_in(keys: Path) -> None:
    connection = app.build(load(smart_client_id="andante", smart_keys=str(keys))).connect()
    assert isinstance(connection._auth, SmartBackend)


def test_without_them_nobody_signs_in() -> None:
    assert app.build(load()).connect()._auth is None
    assert app.build(load()).keys is None


def test_several_key_files_are_named_in_their_order(keys: Path, tmp_path: Path) -> None:
    (tmp_path / "old.pem").write_bytes(ECKey.generate_key("P-384").as_pem(private=True))
    found = app.build(load(smart_client_id="a", smart_keys=f"{tmp_path / 'old.pem'}, {keys}")).keys
    assert found is not None
    assert [key.kid for key in found.keys][1:] == [EC.thumbprint(), NEXT.thumbprint()]


REFUSED: list[tuple[Mapping[str, str], str]] = [
    ({"smart_client_id": "a"}, "set together or not at all"),
    ({"smart_keys": "a.pem"}, "set together or not at all"),
    ({"smart_client_id": "a", "smart_keys": "a.pem", "fhir_token": "verysecret"}, "two ways to say who we are"),
    ({"smart_client_id": "a", "smart_keys": "a.pem", "smart_token_url": "http://ward.example.org/t"}, "https address"),
    ({"smart_client_id": "a", "smart_keys": "a.pem", "smart_token_url": "https://u:verysecret@x/t"}, "https address"),
    ({"smart_client_id": "a", "smart_keys": "a.pem", "smart_token_url": "ftp://x/t"}, "https address"),
    ({"smart_client_id": "", "smart_keys": "a.pem"}, "at least 1 character"),
]


@pytest.mark.parametrize(("given", "why"), REFUSED)
def test_a_half_or_double_identity_is_refused_in_one_line(given: Mapping[str, str], why: str) -> None:
    with pytest.raises(InputError, match=why) as caught:
        load(**given)
    assert "\n" not in str(caught.value)
    assert "verysecret" not in str(caught.value)


def test_a_token_never_travels_unencrypted(keys: Path) -> None:
    service = app.build(load(smart_client_id="andante", smart_keys=str(keys)))
    with pytest.raises(InputError, match="unencrypted"):
        service.connect("http://ward.example.org/fhir")


def test_an_unusable_key_stops_the_start_and_names_the_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="nowhere"):
        app.build(load(smart_client_id="a", smart_keys=str(tmp_path / "nowhere.pem"))).connect()


async def test_ready_says_what_was_not_granted(keys: Path) -> None:
    """`/ready` asks the server, and by then the token's scope is known."""
    clock = Clock()
    public = {"keys": [{**EC.as_dict(private=False), "kid": EC.thumbprint()}]}
    server = AuthorizationServer(clock, public, granted=lambda asked: asked.replace("system/Goal.rs ", ""))
    server.fhir = lambda _: httpx.Response(200, json={"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1"})
    client = SmartClient(client_id=server.client_id, keys=KeyFiles([keys]), needs=needs(PLAN))
    source = TokenSource(client, Origin(BASE, {}), transport=server.transport, now=clock, sleep=clock.sleep)
    auth = SmartBackend(source, Origin(BASE, {}))
    connection = Connection(ServerSettings(base=BASE), auth=auth, transport=server.transport(), now=clock)
    application = create_app(app.build(load()), connection=connection, schedule=False)
    async with AsyncClient(transport=ASGITransport(application), base_url="http://127.0.0.1") as asking:
        body = (await asking.get("/ready")).json()
    assert (body["server"], body["not_granted"]) == ("reachable", ["Goal.rs"])


# Published keys


async def test_the_public_halves_are_published_to_everybody(keys: Path) -> None:
    service = app.build(load(smart_client_id="andante", smart_keys=str(keys)))
    application = create_app(service, connection=service.connect(), schedule=False)
    async with AsyncClient(transport=ASGITransport(application), base_url="http://127.0.0.1") as client:
        answer = await client.get("/.well-known/jwks.json")
        assert (answer.status_code, answer.headers["Content-Type"]) == (200, "application/json")
        published = answer.json()
        keys.write_text(json.dumps(NEXT.as_dict(private=True)))
        assert [key["kid"] for key in (await client.get("/.well-known/jwks.json")).json()["keys"]] == [
            NEXT.thumbprint()
        ]
    assert not {"d", "p", "q", "dp", "dq", "qi"} & {name for key in published["keys"] for name in key}
    signed = KeyFiles([keys]).keys[0].sign({"iss": "andante"})
    assert jwt.decode(signed, KeySet.import_key_set(published), algorithms=["ES384"]).claims["iss"] == "andante"


async def test_without_keys_nothing_is_published() -> None:
    service = app.build(load())
    application = create_app(service, connection=service.connect(), schedule=False)
    async with AsyncClient(transport=ASGITransport(application), base_url="http://127.0.0.1") as client:
        assert (await client.get("/.well-known/jwks.json")).status_code == 404


# The document


def test_the_document_names_every_setting_every_scope_and_every_line_of_the_log() -> None:
    text = (ROOT / "shared" / "docs" / "smart.md").read_text(encoding="utf-8")
    names = {f"ANDANTE_{name.upper()}" for name in settings.Settings.model_fields if name.startswith("smart_")}
    sources = [path.read_text(encoding="utf-8") for path in (ROOT / "service" / "andante" / "fhir_http").glob("*.py")]
    actions = {f"smart.{word}" for source in sources for word in re.findall(r'"smart\.([a-z-]+)"', source)}
    assert len(names) == 3
    assert len(actions) >= 7
    assert not [one for one in names | actions if one not in text]
    read = re.search(r"`system/X\.rs` for ([A-Za-z, ]+) \|", text)
    assert read is not None
    only_read = {name for name, letters in needs(PLAN).items() if letters == "rs"}
    assert set(read[1].split(", ")) == only_read
    assert all(f"system/{name}.{letters}" in text for name, letters in needs(PLAN).items() if name not in only_read)
