"""The page, put together and offered by the service."""

from collections.abc import Awaitable, Callable
from datetime import datetime
from urllib.parse import urlsplit

from fastapi import FastAPI

from andante.app import Service
from andante.assess import RoundReport
from andante.fhir_http.client_proof import Credentials
from andante.fhir_http.connection import Connection
from andante.fhir_http.smart_launch import LaunchClient
from andante.page.board import Board
from andante.page.desk import Desk
from andante.page.guard import PREFIX, Guard
from andante.page.routes import House, offer_routes
from andante.page.sessions import Sessions
from andante.page.signing import offer_signing_in


def offer_page(
    app: FastAPI,
    service: Service,
    connection: Connection,
    *,
    board: Board,
    now: Callable[[], datetime],
    run_round: Callable[[], Awaitable[RoundReport]],
    is_late: Callable[[], bool],
) -> None:
    """Nothing is offered where the settings say nobody may look."""
    if service.settings.page_login is None:
        return
    desk = Desk(service=service, connection=connection, board=board, now=now, run_round=run_round)
    house = House(desk=desk, guard=Guard(service.settings), sessions=Sessions(now=now), is_late=is_late)
    offer_routes(app, house)
    offer_signing_in(app, house, _launch_client(service, now))
    app.state.house = house


def page_host(service: Service) -> list[str]:
    """The name by which browsers reach the page through a proxy; none where nobody signs in by SMART."""
    settings = service.settings
    name = urlsplit(settings.public_url or "").hostname
    return [name] if settings.page_login == "smart" and name else []


def _launch_client(service: Service, now: Callable[[], datetime]) -> LaunchClient | None:
    settings = service.settings
    if settings.page_login != "smart" or settings.page_client_id is None:
        return None
    secret = settings.page_client_secret
    return LaunchClient(
        fhir_base=settings.fhir_base or "",
        client_id=settings.page_client_id,
        redirect_uri=f"{settings.public_url}{PREFIX}/signed-in",
        credentials=Credentials(secret=secret.get_secret_value() if secret else None, keys=service.keys),
        now=now,
    )
