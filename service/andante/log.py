"""Structured logs: one JSON object a line, a stable `action`, and no patient data by construction.

Only the facts named in `_FACTS` can be logged; a text among them must look like a code, not like a sentence.
What other libraries log is cut down to their name and level, since their messages may hold patient ids.
"""

import json
import logging
import re
import sys
import traceback
from datetime import UTC, datetime
from typing import TextIO

_LOGGER = logging.getLogger("andante")
_PACKAGE = __name__.rpartition(".")[0]
# Names of facts, each of which cannot hold who a patient is or what was measured.
_FACTS = frozenset(
    {
        "actions", "advised", "cancelled", "complete", "created", "dry_run", "error", "failed", "incomplete",
        "kept", "kind", "overlay_entries", "patients", "protocol", "protocol_hash", "revoked", "seconds",
        "status", "trigger", "unchanged", "version", "where", "yielded",
    }
)  # fmt: skip
_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_./:-]{0,79}")


def start(level: str = "INFO", stream: TextIO | None = None) -> None:
    """Send all logs to `stream` (standard error by default), replacing whatever was set up before."""
    handler = logging.StreamHandler(stream or sys.stderr)
    handler.setFormatter(_Formatter())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    _LOGGER.setLevel(level)


def say(action: str, *, level: int = logging.INFO, **facts: float | bool | str | None) -> None:
    """Log that something was done. Raises ValueError for a fact outside the list: a defect of ours."""
    unknown = facts.keys() - _FACTS
    if unknown:
        raise ValueError(f"facts that may hold patient data are not logged: {', '.join(sorted(unknown))}")
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


class _Formatter(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        line: dict[str, object] = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
        }
        if record.name == _LOGGER.name:
            line["action"] = record.msg
            facts = getattr(record, "facts", {})
            line |= {name: _plain(value) for name, value in facts.items() if value is not None}
        else:
            line |= {"action": "library.message", "kind": record.name}
            if record.exc_info and record.exc_info[0]:
                line["error"] = record.exc_info[0].__name__
        return json.dumps(line)


def _plain(value: float | bool | str) -> object:
    if isinstance(value, str):
        return value if _CODE.fullmatch(value) else "(left out)"
    return round(value, 3) if isinstance(value, float) else value
