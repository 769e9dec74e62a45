"""The addresses of the page. Each asks for somebody signed in, and answers in words, never with a patient's name."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.responses import RedirectResponse, StreamingResponse

from andante import log
from andante.domain.advice import Tell
from andante.errors import AuditFailed, InputError, ServerError
from andante.page.board import Board, Entry
from andante.page.desk import Desk, Gone, NotKnown, NotWritten, Overtaken, is_about
from andante.page.guard import PREFIX, Guard, form_of
from andante.page.handover import COLUMNS, NO_DRAWS, NOTHING_TO_WATCH, Line, handover_of
from andante.page.handover_pdf import handover_pdf
from andante.page.paper import by_sent_name, render
from andante.page.people import Role, Session
from andante.page.press import NotPrinted
from andante.page.sessions import Sessions
from andante.page.sheet import REMIND_AFTER, sheet_of
from andante.page.worklist import Filter, in_groups, rows_of, stuck, wards_of
from andante.present.shown import day_time
from andante.wording import CAUTION
from andante.writeback.answer import NOTHING_ORDERED, REASONS, Answer, Given
from andante.writeback.codes import DISPLAY, AnswerCode

BREATH_S = 15.0
"""How often a live page is told that the service is still there."""
_LIVE_S = 600.0  # a live stream ends after so long, and the browser begins the next
_MOST_LIVE = 300
_NOTHING_WRITTEN = "Your answer was not written. "

Answering = Callable[[Request], Awaitable[Response]]
Handler = Callable[[Request, Session], Awaitable[Response]]
FormHandler = Callable[[Request, Session, dict[str, str]], Awaitable[Response]]


@dataclass(kw_only=True)
class House:
    """Everything the addresses share. `is_late` tells whether a round that should have been done was not."""

    desk: Desk
    guard: Guard
    sessions: Sessions
    is_late: Callable[[], bool]
    live: int = 0

    @property
    def board(self) -> Board:
        return self.desk.board

    def page(
        self, request: Request, template: str, session: Session | None, *, status: int = 200, **given: Any
    ) -> Response:
        service, now, zone = self.desk.service, self.desk.now(), self.desk.service.basis.zone
        board, settings = self.board, service.settings
        frame = {
            "base": request.scope.get("root_path", "") + PREFIX,
            "caution": CAUTION,
            "session": session,
            "may_decide": session is not None and session.may(Role.DECIDE),
            "may_administer": session is not None and session.may(Role.ADMINISTER),
            "form_token": session.form_token() if session is not None else "",
            "development": settings.page_login == "development",
            "as_of": self.as_of,
            "now": day_time(now, zone),
            "revision": board.revision,
            "troubles": self.troubles(),
            "here": template,
            "where_to_order": settings.page_orders_in,
        }
        return self.guard.respond(request, render(template, **(frame | given)), status=status)

    @property
    def as_of(self) -> str:
        """The instant of the last round; empty where there was none."""
        last = self.board.last
        return day_time(last.now, self.desk.service.basis.zone) if last is not None else ""

    def troubles(self) -> list[str]:
        """What keeps the page from being the whole and present truth."""
        board, found = self.board, []
        if board.trouble:
            found.append(f"The last round failed: {board.trouble} What stands here is older.")
        if board.last is not None and not board.last.census_complete:
            found.append("The list of who is in the hospital could not be read whole: somebody may be missing here.")
        if board.unread:
            found.append(f"{len(board.unread)} charts could not be read and are not among the lines below.")
        if board.last is not None and self.is_late():
            found.append("A round is late: what stands here is older than it should be.")
        return found


def offer_routes(app: FastAPI, house: House) -> None:
    """Everything but signing in."""
    guard, board = house.guard, house.board
    zone = house.desk.service.basis.zone

    def plain_page(request: Request, session: Session, title: str, text: str, *, status: int) -> Response:
        return house.page(request, "plain.html", session, status=status, title=title, text=text)

    def signed_in(handler: Handler, *, needs: Role = Role.VIEW, counts: bool = True) -> Answering:
        async def handle(request: Request) -> Response:
            session = guard.session(request, house.sessions, counts=counts)
            if session is None:
                return _sign_in_first(request, guard)
            if not session.may(needs):
                text = f"Your role here is “{session.role.word}”. This needs “{needs.word}”."
                return plain_page(request, session, "Not yours to do", text, status=403)
            try:
                return await handler(request, session)
            except AuditFailed as error:
                log.warn("page.not-recorded", error=error)
                text = "Who looks is recorded here, and the record cannot be written. Tell whoever runs the service."
                return plain_page(request, session, "Not shown", text, status=503)

        return handle

    def posted(handler: FormHandler, *, needs: Role) -> Answering:
        async def check(request: Request, session: Session) -> Response:
            try:
                form = await form_of(request)
            except InputError:
                form = {}
            if not guard.is_from_here(request) or not session.accepts(form.get("token", "")):
                text = "This form was not sent by this page, or too late. Nothing was written. Open the page again."
                return plain_page(request, session, "Not taken", text, status=403)
            return await handler(request, session, form)

        return signed_in(check, needs=needs)

    def listed(request: Request) -> dict[str, Any]:
        now = house.desk.now()
        everybody = rows_of(board, now=now, zone=zone)
        chosen = Filter(ward=request.query_params.get("ward", "")[:16], who=request.query_params.get("who", "")[:16])
        rows = [row for row in everybody if chosen.lets(row)]
        return {
            "groups": list(in_groups(rows)),
            "shown": len(rows),
            "total": len(everybody),
            "chosen": chosen,
            "wards": wards_of(everybody),
            "tells": [(tell.value, DISPLAY[tell]) for tell in Tell],
            "unread": list(board.unread.values()),
        }

    async def worklist(request: Request, session: Session) -> Response:
        elsewhere = request.query_params.get("launched") == "elsewhere"
        return house.page(request, "worklist.html", session, elsewhere=elsewhere, **listed(request))

    async def lines(request: Request, session: Session) -> Response:
        return house.page(request, "lines.html", session, **listed(request))

    async def night(request: Request, session: Session) -> Response:
        stages = [(DISPLAY[stage], found) for stage, found in stuck(board).items()]
        return house.page(request, "night.html", session, stages=stages)

    async def sheet(request: Request, session: Session) -> Response:
        entry = board.find(request.path_params["token"])
        if entry is None:
            return _gone(house, request, session)
        try:
            entry, trouble = await house.desk.look_afresh(entry)
        except Gone:
            return _gone(house, request, session)
        return shown(request, session, entry, trouble=trouble)

    def shown(
        request: Request,
        session: Session,
        entry: Entry,
        *,
        trouble: str = "",
        alert: str = "",
        done: str = "",
        status: int = 200,
    ) -> Response:
        house.desk.record_look(session, entry)
        task = entry.suggestion
        about = task is None or is_about(task, entry)
        return house.page(
            request,
            "sheet.html",
            session,
            status=status,
            sheet=sheet_of(entry, house.desk.service, now=house.desk.now()),
            trouble=trouble,
            alert=alert,
            done=done,
            about=about,
            reasons=[(code.value, DISPLAY[code].removeprefix("Declined: ")) for code in REASONS],
            remind_after=[int(span.total_seconds() // 3600) for span in REMIND_AFTER],
        )

    async def news(request: Request, session: Session) -> Response:
        """Whether what a sheet shows is still so: an empty answer where it is."""
        entry = board.find(request.path_params["token"])
        seen = request.query_params.get("seen", "")
        version = entry.suggestion.version if entry is not None and entry.suggestion is not None else ""
        assessed = day_time(entry.assessment.now, zone) if entry is not None else ""
        same = entry is not None and seen == f"{version}|{assessed}"
        return house.page(request, "news.html", session, same=same)

    async def answer(request: Request, session: Session, form: dict[str, str]) -> Response:
        entry = board.find(request.path_params["token"])
        if entry is None:
            return _gone(house, request, session, said=_NOTHING_WRITTEN)
        try:
            given = _given(form, session, house.desk.now())
        except InputError as error:
            return shown(request, session, entry, alert=f"Nothing was written: {error}.", status=422)
        try:
            after = await house.desk.answer(entry, given, seen=form.get("seen", ""), session=session)
        except Gone:
            return _gone(house, request, session, said=_NOTHING_WRITTEN)
        except Overtaken:
            try:
                entry, trouble = await house.desk.look_afresh(entry)
            except Gone:
                return _gone(house, request, session, said=_NOTHING_WRITTEN)
            said = "Somebody was faster: the suggestion is not as you saw it any more. Your answer was not written. "
            return shown(request, session, entry, trouble=trouble, alert=said + "What stands now is below.", status=409)
        except NotWritten as error:
            return shown(request, session, entry, alert=str(error), status=502)
        except NotKnown as error:
            return plain_page(request, session, "Not recorded", str(error), status=503)
        where = house.desk.service.settings.page_orders_in
        done = f"Your answer was written at {day_time(given.at, zone)}. {NOTHING_ORDERED} Order in {where}."
        if after is None:
            return plain_page(request, session, "Written", f"{done} The sheet cannot be shown now.", status=200)
        return shown(request, session, after, done=done)

    def handed_over(session: Session, chosen: Filter) -> list[tuple[str, list[Line]]]:
        """The sheets of a ward, or of all. Whose lines are shown is recorded, or nothing is."""
        sheets = handover_of(board, Filter(ward=chosen.ward), now=house.desk.now(), zone=zone)
        for _, here in sheets:
            for line in here:
                house.desk.record_look(session, line.entry)
        return sheets

    async def handover(request: Request, session: Session) -> Response:
        given = listed(request)
        sheets = handed_over(session, given["chosen"])
        words: dict[str, Any] = {"columns": COLUMNS, "nothing_to_watch": NOTHING_TO_WATCH, "no_draws": NO_DRAWS}
        return house.page(request, "handover.html", session, sheets=sheets, **words, **given)

    async def handover_as_pdf(request: Request, session: Session) -> Response:
        sheets = handed_over(session, Filter(ward=request.query_params.get("ward", "")[:16]))
        now, settings = house.desk.now(), house.desk.service.settings
        banner = [("Development login.", "Not for use with patients.")] if settings.page_login == "development" else []
        try:
            body = await asyncio.to_thread(
                handover_pdf,
                sheets,
                as_of=house.as_of or day_time(now, zone),
                order_in=settings.page_orders_in,
                notes=[*banner, *(("Mind.", trouble) for trouble in house.troubles())],
                by=session.person.name,
                now=now,
                zone=zone,
            )
        except NotPrinted as error:
            log.warn("page.pdf-failed", error=error)
            text = "The PDF could not be made. Print the handover from the page instead."
            return plain_page(request, session, "Not made", text, status=500)
        headers = {**guard.headers, "Content-Disposition": 'inline; filename="handover.pdf"', "Vary": "Cookie"}
        return Response(body, 200, headers, media_type="application/pdf")

    async def about_house(request: Request, session: Session) -> Response:
        return house.page(request, "house.html", session, **_house_facts(house))

    async def run_round(request: Request, session: Session, _form: dict[str, str]) -> Response:
        try:
            await house.desk.run_round()
        except ServerError as error:
            board.note_trouble("the FHIR server did not answer.")
            log.warn("page.round-failed", error=error)
        return RedirectResponse(f"{request.scope.get('root_path', '')}{PREFIX}/house", 303, guard.headers)

    async def live(request: Request, session: Session) -> Response:
        if house.live >= _MOST_LIVE:
            return Response(status_code=503, headers={**guard.headers, "Retry-After": "60"})
        stream = _live(request, house)
        return StreamingResponse(
            stream, media_type="text/event-stream", headers={**guard.headers, "X-Accel-Buffering": "no"}
        )

    async def static(request: Request) -> Response:
        file = by_sent_name().get(request.path_params["name"])
        if file is None:
            return Response(status_code=404, headers=guard.headers)
        packs = "gzip" in request.headers.get("accept-encoding", "")
        headers = {**guard.headers, "Cache-Control": "public, max-age=31536000, immutable", "Vary": "Accept-Encoding"}
        if packs:
            headers["Content-Encoding"] = "gzip"
        return Response(file.packed if packs else file.body, 200, headers, media_type=file.media_type)

    get = ["GET"]
    app.add_route(PREFIX, signed_in(worklist), get)
    app.add_route(f"{PREFIX}/lines", signed_in(lines, counts=False), get)
    app.add_route(f"{PREFIX}/night", signed_in(night), get)
    app.add_route(f"{PREFIX}/p/{{token}}", signed_in(sheet), get)
    app.add_route(f"{PREFIX}/p/{{token}}/news", signed_in(news, counts=False), get)
    app.add_route(f"{PREFIX}/p/{{token}}", posted(answer, needs=Role.DECIDE), ["POST"])
    app.add_route(f"{PREFIX}/handover", signed_in(handover), get)
    app.add_route(f"{PREFIX}/handover.pdf", signed_in(handover_as_pdf), get)
    app.add_route(f"{PREFIX}/house", signed_in(about_house, needs=Role.ADMINISTER), get)
    app.add_route(f"{PREFIX}/house", posted(run_round, needs=Role.ADMINISTER), ["POST"])
    app.add_route(f"{PREFIX}/live", signed_in(live, counts=False), get)
    app.add_route(f"{PREFIX}/static/{{name}}", static, get)


def _sign_in_first(request: Request, guard: Guard) -> Response:
    target = f"{request.scope.get('root_path', '')}{PREFIX}/sign-in"
    asks_for_part = request.headers.get("hx-request") == "true" or request.method != "GET"
    if asks_for_part or "text/event-stream" in request.headers.get("accept", ""):
        return Response(status_code=401, headers={**guard.headers, "HX-Redirect": target})
    return RedirectResponse(target, 303, guard.headers)


def _gone(house: House, request: Request, session: Session, *, said: str = "") -> Response:
    text = f"{said}This sheet is not on the list any more: the patient has left, or the service was started anew."
    return house.page(request, "plain.html", session, status=404, title="Not on the list", text=text)


def _given(form: dict[str, str], session: Session, now: datetime) -> Given:
    """Raises InputError for what is no answer."""
    try:
        answer = Answer(form.get("answer", ""))
    except ValueError:
        raise InputError("choose an answer") from None
    reason = next((code for code in AnswerCode if code.value == form.get("reason")), None)
    if answer is Answer.DECLINE and reason is None:
        raise InputError("to decline, choose a reason")
    hours = form.get("hours", "")
    spans = {str(int(span.total_seconds() // 3600)): span for span in REMIND_AFTER}
    if answer is Answer.REMIND and hours not in spans:
        raise InputError("to be reminded, choose when")
    return Given(
        answer=answer,
        by=session.person,
        at=now,
        reason=reason if answer is Answer.DECLINE else None,
        until=now + spans[hours] if answer is Answer.REMIND else None,
        words=form.get("words", ""),
    )


async def _live(request: Request, house: House) -> AsyncIterator[str]:
    """Revision numbers and signs of life. Nothing of a patient travels here."""
    zone = house.desk.service.basis.zone
    house.live += 1
    revision = house.board.revision
    try:
        yield f"retry: 3000\nevent: here\ndata: {day_time(house.desk.now(), zone)}\n\n"
        for _ in range(int(_LIVE_S // BREATH_S)):
            changed = await house.board.wait_for_change(seconds=BREATH_S)
            if await request.is_disconnected() or house.guard.session(request, house.sessions, counts=False) is None:
                return
            if changed or revision != house.board.revision:
                revision = house.board.revision
                yield f"event: changed\ndata: {revision}\n\n"
            yield f"event: here\ndata: {day_time(house.desk.now(), zone)}\n\n"
            await asyncio.sleep(0)
    finally:
        house.live -= 1


def _house_facts(house: House) -> dict[str, Any]:
    board, service = house.board, house.desk.service
    zone, report = service.basis.zone, house.board.last
    protocol = service.basis.protocol
    return {
        "protocol": f"{protocol.id} {protocol.version}, {protocol.hash[:12]}",
        "overlay": list(protocol.overlay),
        "finished": day_time(board.finished, zone) if board.finished else "",
        "counts": list(report.counts.items()) if report is not None else [],
        "remarks": list(report.remarks) if report is not None else [],
        "problems": sorted(
            {one.problem for one in board.unread.values()} | {e.behind for e in board.entries.values() if e.behind}
        ),
        "present": [(one.person.name, one.role.word, day_time(one.used, zone)) for one in house.sessions.present],
    }
