"""The exchange that stands in the documents is what the service and a client with keys of its own have just said."""

import json
from contextlib import asynccontextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

from documented import check_part
from httpx import ASGITransport, AsyncClient, Response
from joserfc import jwt

from andante import app
from andante.demo import read_script, staged
from andante.settings import Settings
from andante.triggers.cds_hooks.routes import offer_cds_hooks
from andante.triggers.web import create_app
from cds_client import ISSUER, SERVICE, Client, a_call, a_draft, drafts, ec_key, key_set

NOW = datetime.fromisoformat("2031-03-27T06:30:00+00:00")
SIGN = "/cds-services/andante-order-sign"
CARD = "f5f5a1b0-7d5e-4d54-9a55-9a1c3a1d2e01"
Json = dict[str, Any]


async def test_the_documented_exchange_is_what_is_said(tmp_path: Path) -> None:
    client_key = ec_key("ehr-2031-03")
    (tmp_path / "keys.json").write_bytes(key_set(client_key))
    given = {
        "zone": "Europe/Dublin",
        "cds_clients": {ISSUER: str(tmp_path / "keys.json")},
        "public_url": SERVICE,
        "host": "0.0.0.0",
        "api_token": "t" * 24,
    }
    ehr = Client(client_key, lambda: NOW)
    with staged(read_script(("plain-course",))) as stage:
        stage.play_until(NOW)
        service = app.build(Settings.model_validate(given))
        async with served(service, stage.base) as client:
            told = [*await discovered(client), *await weighed(client, ehr), *await answered(client, ehr)]
        assert stage.inbox() == []
    check_part("cds-hooks.md", "exchange", "\n" + "\n\n".join(told) + "\n\n")


@asynccontextmanager
async def served(service: app.Service, base: str) -> Any:
    bare = service.settings.model_copy(update={"cds_clients": {}})
    connection = service.connect(base)
    application = create_app(
        app.build(bare), now=lambda: NOW, connection=connection, schedule=False
    )  # its hooks are offered here, with card ids that stay the same
    offer_cds_hooks(application, service, connection, now=lambda: NOW, new_uuid=lambda: CARD)
    started = application.router.lifespan_context(application)
    async with started, AsyncClient(transport=ASGITransport(application), base_url=SERVICE) as client:
        yield client


async def discovered(client: AsyncClient) -> list[str]:
    body = (await client.get("/cds-services")).json()
    body["services"] = [service for service in body["services"] if service["hook"] == "order-sign"]
    return [
        "What is offered (the last of three services):",
        "```http\nGET https://andante.lanternmoor.example/cds-services\n```",
        block(body),
    ]


async def weighed(client: AsyncClient, ehr: Client) -> list[str]:
    call = a_call("order-sign", encounterId="quillfeather-stay", draftOrders=drafts(a_draft(70)))
    token = ehr.token(SERVICE + SIGN, jti="5f1c0d2e-0001")
    answer = await client.post(SIGN, json=call, headers={"Authorization": f"Bearer {token}"})
    assert answer.status_code == 200
    (card,) = answer.json()["cards"]
    assert card["indicator"] == "warning"
    return [
        "A draft of 70 mL/h is about to be signed while 50 mL/h run:",
        f"```http\nPOST {SERVICE}{SIGN}\nAuthorization: Bearer …\nContent-Type: application/json\n```",
        "with a token of this header and these claims:",
        block(decoded(token, ehr)),
        block(call),
        "The answer:",
        status_of(answer),
        block(answer.json()),
        "Its `detail`, as a client shows it:",
        "\n".join(f"> {line}".rstrip() for line in card["detail"].splitlines()),
    ]


async def answered(client: AsyncClient, ehr: Client) -> list[str]:
    reason = {"system": "https://andante.example/fhir/CodeSystem/override-reason", "code": "running-feed-stops"}
    body = {
        "feedback": [
            {
                "card": CARD,
                "outcome": "overridden",
                "overrideReason": {"reason": reason},
                "outcomeTimestamp": "2031-03-27T06:31:00Z",
            }
        ]
    }
    token = ehr.token(f"{SERVICE}{SIGN}/feedback", jti="5f1c0d2e-0002")
    answer = await client.post(f"{SIGN}/feedback", json=body, headers={"Authorization": f"Bearer {token}"})
    assert answer.status_code == 200
    return [
        "The clinician goes on all the same, and says why:",
        f"```http\nPOST {SERVICE}{SIGN}/feedback\nAuthorization: Bearer …\nContent-Type: application/json\n```",
        block(body),
        status_of(answer),
    ]


def decoded(token: str, ehr: Client) -> Json:
    read = jwt.decode(token, ehr.key, algorithms=["ES384"])
    return {"header": read.header, "claims": read.claims}


def block(body: Any) -> str:
    return f"```json\n{json.dumps(body, indent=2, ensure_ascii=False)}\n```"


def status_of(answer: Response) -> str:
    return f"```http\nHTTP/1.1 {answer.status_code} {answer.reason_phrase}\n```"
