"""Structured logs: one JSON object (or one line of text) each, a stable `action`, and no patient data by construction.

Lines that belong together carry the id of their round or request. Only the facts named in `_FACTS` can be logged; a
text among them must look like a code, not like a sentence.
What other libraries log is cut down to their name and level, since their messages may hold patient ids.
"""

import json
import logging
import re
import secrets
import sys
import traceback
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import UTC, datetime
from typing import TextIO

_LOGGER = logging.getLogger("andante")
_PACKAGE = __name__.rpartition(".")[0]
# Names of facts, each of which cannot hold who a patient is or what was measured.
_FACTS = frozenset(
    {
        "actions", "advised", "cancelled", "complete", "created", "dry_run", "error", "failed", "incomplete",
        "kept", "kind", "method", "overlay_entries", "patients", "protocol", "protocol_hash", "revoked", "seconds",
        "status", "trigger", "unchanged", "version", "where", "yielded",
    }
)  # fmt: skip
_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_./:-]{0,79}")


# Ids of ours, made by chance: what a caller sends is never taken for one, since it could hold anything.
_IDS: ContextVar[Mapping[str, str]] = ContextVar("ids", default={})  # noqa: B039 - never written into, only replaced


def start(level: str = "INFO", stream: TextIO | None = None, *, form: str = "json") -> None:
    """Send all logs to `stream` (standard error by default), replacing whatever was set up before.

    `form` is `json`, or `text` for a person's eyes; both say the same.
    """
    handler = logging.StreamHandler(stream or sys.stderr)
    handler.setFormatter(_Text() if form == "text" else _Json())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    _LOGGER.setLevel(level)


def new_id() -> str:
    """An id for a round or a request, by chance."""
    return secrets.token_hex(8)


@contextmanager
def correlated(kind: str, ident: str) -> Iterator[None]:
    """Every line said inside, in tasks begun inside too, carries `ident` as its `kind`: `round` or `request`."""
    token = _IDS.set({**_IDS.get(), kind: ident})
    try:
        yield
    finally:
        _IDS.reset(token)


def current(kind: str) -> str | None:
    """The id of the round or request that this belongs to."""
    return _IDS.get().get(kind)


def plain_facts(facts: Mapping[str, float | bool | str | None]) -> dict[str, float | bool | str]:
    """The facts as they may be told anywhere outside. Raises ValueError for one outside the list."""
    _refuse_unknown(facts)
    return {name: _plain(value) for name, value in facts.items() if value is not None}


def say(action: str, *, level: int = logging.INFO, **facts: float | bool | str | None) -> None:
    """Log that something was done. Raises ValueError for a fact outside the list: a defect of ours."""
    _refuse_unknown(facts)
    if _LOGGER.isEnabledFor(level):
        _LOGGER.log(level, action, extra={"facts": facts})


def warn(action: str, *, error: BaseException | None = None, **facts: float | bool | str | None) -> None:
    """Log something to look at. Of an error only its kind and the place in our code are kept."""
    if error is not None:
        facts |= {"error": type(error).__name__, "where": place_of(error)}
    say(action, level=logging.WARNING, **facts)


def place_of(error: BaseException) -> str | None:
    """The innermost line of ours the error came through, such as `chart/reader.py:120`."""
    for frame in reversed(traceback.extract_tb(error.__traceback__)):
        _, found, inside = frame.filename.replace("\\", "/").rpartition(f"/{_PACKAGE}/")
        if found:
            return f"{inside}:{frame.lineno}"
    return None


def _refuse_unknown(facts: Mapping[str, object]) -> None:
    unknown = facts.keys() - _FACTS
    if unknown:
        raise ValueError(f"facts that may hold patient data are not logged: {', '.join(sorted(unknown))}")


class _Json(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        return json.dumps(self.line(record))

    def line(self, record: logging.LogRecord) -> dict[str, object]:
        line: dict[str, object] = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
        }
        if record.name == _LOGGER.name:
            line["action"] = record.msg
            line |= plain_facts(getattr(record, "facts", {}))
        else:
            line |= {"action": "library.message", "kind": record.name}
            if record.exc_info and record.exc_info[0]:
                line["error"] = record.exc_info[0].__name__
        return {**line, **_IDS.get()}


class _Text(_Json):
    def format(self, record: logging.LogRecord) -> str:
        line = self.line(record)
        head = [str(line.pop(name)) for name in ("time", "level", "action")]
        return " ".join((*head, *(f"{name}={value}" for name, value in line.items())))


def _plain(value: float | bool | str) -> float | bool | str:
    if isinstance(value, str):
        return value if _CODE.fullmatch(value) else "(left out)"
    return round(value, 3) if isinstance(value, float) else value
