"""What the wire would carry, and its shape: plain JSON, nothing hidden inside, valid R4. Each refuses with
WriteRefused.

Messages name places and rules, never content, since content may be a patient's.
"""

import json
import re
from collections.abc import Mapping
from typing import Any

from fhir.resources.R4B import get_fhir_model_class
from pydantic import BaseModel, ValidationError

from andante.errors import WriteRefused
from andante.writeback.seal import Json

_PLACE = re.compile(r"[A-Za-z0-9.]{1,60}")
_INDEPENDENT = frozenset({"contained", "modifierExtension", "implicitRules", "resourceType"})
_MAX_DEPTH = 24
_MAX_BYTES = 8 * 1024 * 1024


def copied(bundle: Mapping[str, Any] | BaseModel) -> Json:
    """What the wire would carry: serialised, read back. Refuses what is no plain JSON object."""
    try:
        plain = bundle.model_dump(mode="json") if isinstance(bundle, BaseModel) else dict(bundle)
        text = json.dumps(plain, allow_nan=False)
        require(len(text) <= _MAX_BYTES, "Bundle", "too large")
        copy = json.loads(text)
        copy = json.loads(json.dumps(copy, ensure_ascii=False).encode())  # refuses lone surrogates
    except WriteRefused:
        raise
    except (TypeError, ValueError, RecursionError, OverflowError):
        raise WriteRefused("write gate, Bundle: not JSON") from None
    return an_object(copy, "Bundle")


def check_plain(node: Any, where: str, depth: int = 0) -> None:
    """Nothing below the top may be a resource of its own, turn the meaning round, or be empty."""
    require(depth < _MAX_DEPTH, where, "nested too deeply")
    require(node not in ("", [], {}, None), where, "empty")
    require(not isinstance(node, float), where, "a number where none is ever written")
    if isinstance(node, list):
        for item in node:
            check_plain(item, where, depth + 1)
    if isinstance(node, dict):
        require(not node.keys() & _INDEPENDENT, where, "an element that may not be sent")
        require("extension" not in node, where, "an extension where none may stand")
        require(not any(name.startswith("_") for name in node), where, "an element that may not be sent")
        for item in node.values():
            check_plain(item, where, depth + 1)


def validate(name: str, body: Json, where: str) -> None:
    """Check the shape of one resource with the R4B model of its type. Required bindings are for the gate."""
    try:
        get_fhir_model_class(name).model_validate(body)
    except (ValidationError, ValueError, TypeError, LookupError, RecursionError) as error:
        raise WriteRefused(f"write gate, {where}: not valid R4 ({_path(error)})") from None


def _path(error: BaseException) -> str:
    """Where the library found the fault, without what it found."""
    if not isinstance(error, ValidationError):
        return "structure"
    places = {".".join(map(str, problem["loc"])) for problem in error.errors(include_input=False)}
    named = sorted(place for place in places if _PLACE.fullmatch(place))
    return ", ".join(named[:3]) or "structure"


def an_object(value: Any, where: str) -> Json:
    if not isinstance(value, dict):
        raise WriteRefused(f"write gate, {where}: no JSON object")
    return value


def a_list(value: Any, where: str) -> list[Any]:
    if not isinstance(value, list):
        raise WriteRefused(f"write gate, {where}: no JSON array")
    return value


def a_text(value: Any, where: str) -> str:
    if not isinstance(value, str):
        raise WriteRefused(f"write gate, {where}: missing, or no text")
    return value


def require(condition: bool, where: str, problem: str) -> None:
    if not condition:
        raise WriteRefused(f"write gate, {where}: {problem}")
