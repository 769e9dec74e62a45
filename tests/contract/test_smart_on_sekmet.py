"""SMART Backend Services against an authorization server written by others, up to a whole round."""

import json
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl

import httpx
import pytest
from documented import check_part
from joserfc.jwk import ECKey, RSAKey
from lanternmoor import EVENING, ZONE, charts, known_at
from servers import launch
from servers.install import PYTHON
from servers.loading import put_all
from servers.need import need_server
from ward_round import Ran

from andante import app, settings
from andante.errors import AccessRefused
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.keys import KeyFiles
from andante.fhir_http.origin import Origin
from andante.fhir_http.read import FhirReader
from andante.fhir_http.scopes import ScopeVersion, scope_text
from andante.fhir_http.smart_auth import SmartBackend
from andante.fhir_http.smart_source import SmartClient, TokenSource
from andante.sandbox import running
from andante.triggers.web import create_app
from andante.writeback.needs import needs
from authorization_server import decoded

pytestmark = pytest.mark.foreign

HERE = Path(__file__).parent
KEYS = {
    "rsa": RSAKey.generate_key(2048),
    "next": RSAKey.generate_key(2048),
    "ec": ECKey.generate_key("P-384"),
    "stranger": RSAKey.generate_key(2048),
}
NEEDS = needs(app.build(settings.defaults(zone=ZONE)).plan)
WHOLE = scope_text(NEEDS, ScopeVersion.V2)
NARROW = WHOLE.replace("system/MedicationAdministration.rs ", "").replace("system/Provenance.c ", "")
STORIES = frozenset({"plain-course", "severe-fall", "refractory-phosphate"})
LOADER = "loads-the-charts"
Json = dict[str, Any]


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("keys")
    for name, key in KEYS.items():
        (folder / name).write_bytes(key.as_pem(private=True))
        (folder / name).chmod(0o600)
    return {file.name: file for file in folder.iterdir()}


@pytest.fixture(scope="module")
def base(keys: dict[str, Path]) -> Iterator[str]:
    """The server, which reads our keys from our own service, with some charts on it."""
    need_server("sekmet")
    service = app.build(
        settings.defaults(
            zone=ZONE,
            fhir_base="http://127.0.0.1:9/fhir",
            smart_client_id="andante",
            smart_keys=(keys["rsa"], keys["next"]),  # of one kind: this server fails over a set of two kinds
        )
    )
    with running(create_app(service, schedule=False)) as ours:
        clients = [
            {
                "client_id": "andante",
                "jwks_url": f"{ours.removesuffix('/fhir')}/.well-known/jwks.json",
                "scopes": WHOLE,
            },
            {"client_id": "andante-ec", "public_key_path": str(keys["ec"]), "scopes": WHOLE},
            {"client_id": "andante-narrow", "public_key_path": str(keys["ec"]), "scopes": NARROW},
        ]
        auth = {"types": ["smart", "bearer"], "tokens": [LOADER], "smart_clients": clients, "token_lifetime": 300}
        with started(auth) as base:
            with httpx.Client(base_url=base, timeout=60, headers={"Authorization": f"Bearer {LOADER}"}) as client:
                put_all(client, known_at(EVENING, stories=STORIES).values())
            yield base


@contextmanager
def started(server_auth: Json) -> Iterator[str]:
    with tempfile.TemporaryDirectory(prefix="andante-server-") as name:
        folder = Path(name)
        (folder / "auth.json").write_text(json.dumps(server_auth))
        command: list[str | Path] = [PYTHON, HERE / "smart_sekmet_main.py", folder, folder / "auth.json"]
        with launch._process(command, folder / "log.txt") as base:
            yield base


def run_round(base: str, now: datetime, **variables: object) -> Ran:
    done = run("round", "--fhir", base, "--now", now.isoformat(), "--format", "json", **variables)
    return Ran(done.returncode, tuple(json.loads(line) for line in done.stdout.splitlines()), done.stderr)


def run(*arguments: str, **variables: object) -> subprocess.CompletedProcess[str]:
    environment = {name: value for name, value in os.environ.items() if not name.startswith("ANDANTE_")}
    ours = {f"ANDANTE_{name.upper()}": str(value) for name, value in variables.items()}
    return subprocess.run(
        [sys.executable, "-m", "andante", *arguments],
        env=environment | {"ANDANTE_ZONE": ZONE} | ours,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def written(base: str, kind: str) -> list[Json]:
    answer = httpx.get(f"{base}/{kind}?_count=200", headers={"Authorization": f"Bearer {LOADER}"})
    return [entry["resource"] for entry in answer.raise_for_status().json().get("entry", ())]


async def test_the_server_lets_nobody_in_without_a_token(base: str) -> None:
    assert httpx.get(f"{base}/Patient").status_code == 401
    async with Connection(ServerSettings(base=base)) as connection:
        with pytest.raises(AccessRefused):
            await FhirReader(connection).search("Patient", ())


def test_a_whole_round_reads_and_writes_by_the_least_scopes(base: str, keys: dict[str, Path]) -> None:
    inpatients = set(charts(known_at(EVENING, stories=STORIES)))
    how = {"smart_client_id": "andante", "smart_keys": f"{keys['next']},{keys['rsa']}"}
    first = run_round(base, EVENING, **how)
    assert (first.status, first.err) == (0, "")
    assert set(first.patients) == inpatients
    assert sum(body["inbox"]["new"] for body in first.patients.values()) > 0
    tasks = written(base, "Task")
    assert {task["for"]["reference"] for task in tasks if task["status"] == "requested"}
    again = run_round(base, EVENING, **how)
    assert (again.status, sum(body["inbox"]["new"] for body in again.patients.values())) == (0, 0)
    assert len(written(base, "Task")) == len(tasks)


def test_a_grant_too_narrow_is_seen_on_every_chart_and_advances_nobody(base: str, keys: dict[str, Path]) -> None:
    before = {kind: written(base, kind) for kind in ("Task", "CommunicationRequest", "Provenance")}
    ran = run_round(base, EVENING, smart_client_id="andante-narrow", smart_keys=keys["ec"])
    assert ran.status == 3
    assert "smart.scope-not-granted" in ran.err
    assert '"MedicationAdministration.rs"' in ran.err
    assert '"Provenance.c"' in ran.err
    for body in ran.patients.values():
        assert "MedicationAdministration" in body["inbox"]["not_read_whole"]
        assert any("system/MedicationAdministration.rs" in note["text"] for note in body["data_quality"])
        assert body["advice"]["code"] not in ("start", "advance")
    assert {kind: written(base, kind) for kind in before} == before, "a transaction without its Provenance is none"


def test_check_server_signs_in_and_says_what_was_granted(base: str, keys: dict[str, Path]) -> None:
    asked = ("check-server", "--fhir", base, "--write-probe", "--format", "json")
    whole = run(*asked, smart_client_id="andante", smart_keys=keys["rsa"])
    assert (whole.returncode, json.loads(whole.stdout)["verdict"]) == (0, "usable")
    narrow = run(*asked, smart_client_id="andante-narrow", smart_keys=keys["ec"])
    assert narrow.returncode == 3
    found = {one["what"]: (one["found"], one["seen"]) for one in json.loads(narrow.stdout)["findings"]}
    assert found["Scopes granted"] == (
        "missing",
        "not granted: system/MedicationAdministration.rs, system/Provenance.c",
    )
    assert found["MedicationAdministration by patient, effective-time"] == ("missing", "refused (403)")
    assert found["Transaction (tried)"][0] == "missing"


REFUSED = [
    # client, key, what is said
    ("andante", "stranger", "invalid_client"),
    ("nobody", "rsa", "invalid_client"),
]


@pytest.mark.parametrize(("client_id", "key", "said"), REFUSED)
def test_who_is_not_known_is_told_so_in_one_line(
    base: str, keys: dict[str, Path], client_id: str, key: str, said: str
) -> None:
    ran = run_round(base, EVENING, smart_client_id=client_id, smart_keys=keys[key])
    assert ran.status == 3
    assert said in ran.err.splitlines()[-1]
    assert "register them" in ran.err
    assert "Traceback" not in ran.err


class Recorder(httpx.AsyncBaseTransport):
    """Passes everything on, and keeps it."""

    def __init__(self) -> None:
        self.inner = httpx.AsyncHTTPTransport()
        self.seen: list[tuple[httpx.Request, httpx.Response]] = []

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        answer = await self.inner.handle_async_request(request)
        await answer.aread()
        answer.stream = httpx.ByteStream(answer.content)
        content = await request.aread()
        kept = httpx.Request(request.method, request.url, headers=request.headers, content=content)
        self.seen.append((kept, answer))
        return httpx.Response(answer.status_code, headers=answer.headers, content=answer.content)

    async def aclose(self) -> None:
        """Left open for the next client; `recording` closes it."""


@asynccontextmanager
async def recording() -> AsyncIterator[tuple[Recorder, Callable[[], httpx.AsyncBaseTransport]]]:
    recorder = Recorder()
    async with recorder.inner:
        yield recorder, lambda: recorder


@pytest.mark.parametrize(("key", "algorithm"), [("rsa", "RS384"), ("ec", "ES384")])
async def test_both_algorithms_are_accepted(base: str, keys: dict[str, Path], key: str, algorithm: str) -> None:
    async with recording() as (recorder, transport):
        client_id = "andante" if key == "rsa" else "andante-ec"
        source = _source(base, KeyFiles([keys[key]]), transport, client_id)
        assert (await source.current()).scope == WHOLE
        assert not source.lacking
    [asked] = [request for request, _ in recorder.seen if request.method == "POST"]
    assert decoded(asked)[0]["alg"] == algorithm


async def test_a_token_the_server_does_not_know_is_replaced_on_the_way(base: str, keys: dict[str, Path]) -> None:
    client = SmartClient(client_id="andante", keys=KeyFiles([keys["rsa"]]), needs=NEEDS)
    source = TokenSource(client, Origin(base, {}))
    source._token = forged = replace(await source.current(), text="forged")
    async with Connection(ServerSettings(base=base), auth=SmartBackend(source, Origin(base, {}))) as connection:
        assert (await FhirReader(connection).search("Patient", (("_count", "50"),))).found
    assert (await source.current()).text != forged.text


async def test_the_token_flow_in_the_documents_is_what_happens(base: str, keys: dict[str, Path]) -> None:
    async with recording() as (recorder, transport):
        source = _source(base, KeyFiles([keys["rsa"]]), transport, "andante")
        auth = SmartBackend(source, Origin(base, {}))
        async with Connection(ServerSettings(base=base), auth=auth, transport=recorder) as connection:
            await FhirReader(connection).search("Encounter", (("status", "in-progress"), ("_count", "1")))
    check_part("smart.md", "token flow", _as_markdown(recorder.seen[:3], base))


def _source(
    base: str, files: KeyFiles, transport: Callable[[], httpx.AsyncBaseTransport], client_id: str
) -> TokenSource:
    client = SmartClient(client_id=client_id, keys=files, needs=NEEDS)
    return TokenSource(client, Origin(base, {}), transport=transport)


def _as_markdown(seen: list[tuple[httpx.Request, httpx.Response]], base: str) -> str:
    """Requests and answers in words that are the same each time: what is drawn or dated is named, not shown."""
    (discovery, configuration), (asked, token), (read, found) = seen
    header, claims = decoded(asked)
    form = dict(parse_qsl(asked.content.decode()))
    claims |= {"exp": "«150 s from now»", "jti": "«drawn anew each time»"}
    named = json.dumps(header | {"kid": "«thumbprint of the key»"}, ensure_ascii=False)
    assertion = f"{named}\n.{json.dumps(claims, indent=1, ensure_ascii=False)}\n.«signature»"
    form |= {"client_assertion": "«below»", "scope": form["scope"].replace(" ", f"\n{' ' * 7}")}
    granted = token.json() | {"access_token": "«token»", "scope": "«as asked for»"}
    assert token.json()["scope"] == WHOLE
    assert read.headers["Authorization"] == f"Bearer {token.json()['access_token']}"
    parts = [
        ("Where tokens are given out", f"GET {discovery.url}\nAccept: {discovery.headers['Accept']}", "http"),
        (None, _shown(configuration, configuration.json()), "http"),
        (
            "A token is asked for",
            f"POST {asked.url}\nContent-Type: {asked.headers['Content-Type']}\n\n"
            + "\n".join(f"{name}: {value}" for name, value in form.items()),
            "text",
        ),
        ("The assertion, decoded", assertion, "text"),
        (None, _shown(token, granted), "http"),
        ("And it is sent with each request", f"GET {read.url}\nAuthorization: Bearer «token»", "http"),
        (None, f"HTTP/1.1 {found.status_code} {found.reason_phrase}", "http"),
    ]
    lines = []
    for title, text, kind in parts:
        lines += ([f"**{title}**", ""] if title else []) + [f"```{kind}", text, "```", ""]
    root = base.removesuffix("/fhir")
    return re.sub(re.escape(root), "https://ehr.example", "\n".join(lines))


def _shown(answer: httpx.Response, body: Json) -> str:
    return f"HTTP/1.1 {answer.status_code} {answer.reason_phrase}\n\n{json.dumps(body, indent=1, ensure_ascii=False)}"
