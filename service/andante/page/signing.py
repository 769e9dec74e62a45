"""Signing in: by SMART App Launch, from the EHR or on its own; or, for development on loopback, by saying a name."""

import hmac
from typing import Final

from fastapi import FastAPI, Request, Response
from fastapi.responses import RedirectResponse

from andante import log
from andante.errors import InputError, ServerError
from andante.fhir_http.identity import Identity
from andante.fhir_http.smart_launch import PENDING, Busy, LaunchClient
from andante.page.guard import PREFIX, form_of
from andante.page.people import Role, role_of
from andante.page.routes import House
from andante.writeback.answer import Decider

_LONGEST_NAME: Final = 60


def offer_signing_in(app: FastAPI, house: House, launch: LaunchClient | None) -> None:
    """`launch` is None for the development login."""
    guard, sessions, settings = house.guard, house.sessions, house.desk.service.settings

    def welcome(request: Request, person: Decider, role: Role, *, target: str = "") -> Response:
        old = request.cookies.get(guard.cookie)
        if old:
            sessions.close(old)
        root = request.scope.get("root_path", "")
        response = RedirectResponse(f"{root}{PREFIX}{target}", 303, guard.headers)
        guard.set_cookie(response, sessions.open(person, role))
        log.say("page.signed-in", kind=role.word)
        return response

    def refused(request: Request, text: str, *, status: int) -> Response:
        return house.page(request, "plain.html", None, status=status, title="Not signed in", text=text)

    async def door(request: Request) -> Response:
        return house.page(request, "sign-in.html", None, roles=[role.word for role in Role])

    async def say_a_name(request: Request) -> Response:
        try:
            form = await form_of(request)
        except InputError:
            form = {}
        name = " ".join(form.get("name", "").split())[:_LONGEST_NAME]
        role = next((role for role in Role if role.word == form.get("role")), None)
        if not guard.is_from_here(request) or not name.isprintable() or not name or role is None:
            return refused(request, "Say a name and choose a role.", status=422)
        return welcome(request, Decider(name=f"{name} (development login)"), role)

    async def sign_out(request: Request) -> Response:
        session = guard.session(request, sessions)
        try:
            form = await form_of(request)
        except InputError:
            form = {}
        root = request.scope.get("root_path", "")
        response = RedirectResponse(f"{root}{PREFIX}/sign-in", 303, guard.headers)
        if session is not None and guard.is_from_here(request) and session.accepts(form.get("token", "")):
            sessions.close(request.cookies.get(guard.cookie, ""))
            guard.drop_cookie(response)
        return response

    app.add_route(f"{PREFIX}/sign-in", door, ["GET"])
    app.add_route(f"{PREFIX}/sign-out", sign_out, ["POST"])
    if launch is None:
        app.add_route(f"{PREFIX}/sign-in", say_a_name, ["POST"])
        return

    async def begin(request: Request, handed: str | None) -> Response:
        try:
            pending, address = await launch.begin(launch=handed)
        except Busy:
            log.warn("page.launch-busy")
            return refused(request, "Too many people are signing in just now. Begin again in ten minutes.", status=503)
        except ServerError as error:
            log.warn("page.launch-failed", error=error)
            return refused(
                request, "The authorization server does not answer as it should. Nobody is signed in.", status=502
            )
        response = RedirectResponse(address, 303, guard.headers)
        # Bound to this browser: a stranger's link must not sign somebody in as the stranger.
        guard.set_cookie(response, pending.state, name=_begun(guard.cookie), seconds=int(PENDING.total_seconds()))
        return response

    async def from_ehr(request: Request) -> Response:
        handed = request.query_params.get("launch", "")
        if not launch.is_issuer(request.query_params.get("iss", "")) or not 0 < len(handed) <= 2000:
            return refused(
                request, "This launch does not come from the FHIR server that this service looks after.", status=400
            )
        return await begin(request, handed)

    async def alone(request: Request) -> Response:
        return await begin(request, None)

    async def back(request: Request) -> Response:
        said = request.query_params
        state, code = said.get("state", ""), said.get("code", "")
        begun = request.cookies.get(_begun(guard.cookie), "")
        if not state or not hmac.compare_digest(state.encode(), begun.encode()):
            return refused(request, "This sign-in was not begun in this browser. Begin again.", status=400)
        if not code or len(said.multi_items()) != len(said):  # none may be said twice: RFC 6749, 3.1
            launch.abandon(state)
            return refused(request, "The authorization server did not sign you in.", status=403)
        try:
            who = await launch.finish(state=state, code=code, issuer=said.get("iss"))
        except ServerError as error:
            log.warn("page.launch-failed", error=error)
            return refused(request, "Who you are could not be proved. Nobody is signed in. Begin again.", status=403)
        role = role_of(who.user, settings.page_roles)
        response = welcome(request, Decider(name=who.name, reference=who.user), role, target=_opened(house, who))
        guard.drop_cookie(response, name=_begun(guard.cookie))
        return response

    app.add_route(f"{PREFIX}/launch", from_ehr, ["GET"])
    app.add_route(f"{PREFIX}/launch-alone", alone, ["GET"])
    app.add_route(f"{PREFIX}/signed-in", back, ["GET"])


def _opened(house: House, who: Identity) -> str:
    """The sheet of the patient whom the launch came from; the list where there is none, or none that is watched."""
    if who.patient is None:
        return ""
    entry = house.board.entries.get(f"Patient/{who.patient}")
    return f"/p/{entry.token}" if entry is not None else "?launched=elsewhere"


def _begun(cookie: str) -> str:
    return f"{cookie}-begun"
