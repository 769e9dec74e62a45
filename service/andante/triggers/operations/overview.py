"""The operator's page: plain HTML from the server, no script, nothing loaded. Counts and instants only."""

import base64
import hashlib
import platform
from datetime import datetime, timedelta, tzinfo
from functools import cache
from importlib import metadata, resources
from typing import Final

from jinja2 import Environment, PackageLoader, StrictUndefined

from andante import __version__
from andante.app import Service
from andante.present.as_protocol import protocol_json
from andante.present.shown import day_time, plain
from andante.site_map.wild import Matter, Wild
from andante.state.keeping import Duty
from andante.subscriptions.hooks import Hooks
from andante.triggers.operations.journal import WRITTEN, Ending, Journal, Round
from andante.triggers.operations.timetable import Timetable
from andante.wording import CAUTION

_COUNTED: Final = ("patients", "advised", *WRITTEN, "incomplete", "failed", "unchanged")
_CLOCK: Final = {
    Duty.LEADS: "yes",
    Duty.STANDS_BY: "no: another instance leads, and this one stands by",
    Duty.UNSURE: "yes, since nobody can say who leads",
}
_LIBRARIES: Final = ("fastapi", "uvicorn", "httpx", "aiohttp", "pydantic", "msgspec", "apscheduler", "fhir.resources")


def overview(
    service: Service,
    journal: Journal,
    timetable: Timetable,
    hooks: Hooks | None,
    *,
    server: str | None,
    not_granted: tuple[str, ...],
    troubles: tuple[str, ...],
    now: datetime,
) -> str:
    """The page. `server` is what was last said of the FHIR server; None where nobody has looked."""
    zone = service.basis.zone
    protocol = protocol_json(service.basis.protocol)
    last = next((one for one in reversed(journal.recent) if one.ending not in (Ending.FAILED, Ending.MISSED)), None)
    running = journal.running
    facts = [
        ("FHIR server", server or "not looked for yet"),
        ("Not granted there", ", ".join(not_granted) or "nothing known"),
        ("Running now", f"{running.kind}, since {_at(running.began, zone)}" if running else "no"),
        ("This process since", _at(journal.started, zone)),
        ("Runs the clock", _CLOCK[journal.duty] if service.settings.clock else "no"),
        ("Outlives a start", _kept(journal.state_problem)),
    ]
    return _environment().get_template("operations.html").render(
        now=_at(now, zone),
        style=_style(),
        troubles=(*troubles, *(plain(remark) for remark in (last.remarks if last else ()))),
        facts=facts,
        kinds=[_kind(kind, journal, timetable, zone) for kind in timetable.kinds],
        rounds=[_round(one, zone) for one in reversed(journal.recent)],
        counted=_COUNTED,
        hooks=None if hooks is None else _hooks(hooks, now, zone),
        charts=journal.met.charts if journal.met else 0,
        unmapped=None if journal.met is None else [_unmapped(journal.met, matter) for matter in Matter],
        protocol=protocol,
        versions=_versions(),
        caution=CAUTION,
    )  # fmt: skip


@cache
def headers() -> dict[str, str]:
    """Nothing may be loaded, sent or framed; the one style sheet is named by its hash."""
    style = base64.b64encode(hashlib.sha256(_style().encode()).digest()).decode()
    return {
        "Content-Security-Policy": f"default-src 'none'; style-src 'sha256-{style}'; base-uri 'none'; "
        "form-action 'none'; frame-ancestors 'none'",
        "Referrer-Policy": "no-referrer",
        "X-Frame-Options": "DENY",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Cross-Origin-Resource-Policy": "same-origin",
    }


def _kept(problem: str | None) -> str:
    if problem is None:
        return "nothing: ANDANTE_STATE_URL is not set"
    return problem or "what the next start needs is kept"


def _kind(kind: str, journal: Journal, timetable: Timetable, zone: tzinfo) -> dict[str, object]:
    completed, whole = journal.completed.get(kind), journal.whole.get(kind)
    return {
        "name": kind,
        "completed": _at(completed.ended, zone) if completed else "none known of",
        "whole": _at(whole.ended, zone) if whole else "none known of",
        "due": _at(timetable.due(kind), zone),
        "failures": sum(journal.ended[kind, ending] for ending in (Ending.FAILED, Ending.MISSED, Ending.IN_VAIN)),
    }


def _round(one: Round, zone: tzinfo) -> dict[str, object]:
    return {
        "ended": _at(one.ended, zone),
        "kind": one.kind,
        "ending": one.ending.value,
        "took": _lasted(one.lasted),
        "counts": [one.counts.get(name, "") for name in _COUNTED],
        "error": one.error,
        "ident": one.ident,
    }


def _hooks(hooks: Hooks, now: datetime, zone: tzinfo) -> list[dict[str, object]]:
    silent = hooks.watch.silent(now)
    return [
        {
            "name": name,
            "state": "silent" if name in silent else "active" if hook.active_since else "not active",
            "last": _at(hook.last, zone) if hook.last else "never",
            "notifications": hook.notifications,
        }
        for name, hook in hooks.watch.hooks.items()
    ]


def _unmapped(met: Wild, matter: Matter) -> dict[str, object]:
    found = met.of(matter)
    return {
        "matter": matter.value,
        "known": met.mapped[matter],
        "times": sum(count for _, count in found),
        "kinds": len(found),
        "telling": sum(bool(one.hint) for one, _ in found),
    }


def _lasted(lasted: timedelta) -> str:
    seconds = int(lasted.total_seconds())
    return "under 1 s" if seconds < 1 else f"{seconds} s" if seconds < 120 else f"{seconds // 60} min"


def _at(instant: datetime, zone: tzinfo) -> str:
    return day_time(instant, zone)


@cache
def _versions() -> list[tuple[str, str]]:
    return [
        ("andante", __version__),
        ("Python", platform.python_version()),
        *((name, metadata.version(name)) for name in _LIBRARIES),
    ]


@cache
def _style() -> str:
    return (resources.files(__package__) / "templates" / "operations.css").read_text(encoding="utf-8")


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader(__package__),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
