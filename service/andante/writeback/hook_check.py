"""What the gate asks of a Subscription: that it is, element by element, one that tells our own endpoint, and no other.

Written apart from what builds them. Messages name places and rules, never content: the content holds the secret.
"""

import re
from typing import Any

from andante.chart.assembly import instant_of
from andante.writeback.allowlist import Allowed
from andante.writeback.hooks import HookSite
from andante.writeback.seal import Json
from andante.writeback.wire import a_list, a_text, an_object, require

_NAME = re.compile(r"[a-z]+(-[a-z]+)*")
_CHANNEL = frozenset({"extension", "type", "endpoint", "header", "payload", "_payload"})
_EXTENSION = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-"
_TIMES = (f"{_EXTENSION}heartbeat-period", f"{_EXTENSION}timeout")
_CONTENTS = frozenset({"empty", "id-only", "full-resource"})
_MOST_S = 86_400


def check_subscription(
    resource: Json, request: Json, method: str, allowed: Allowed, hook: HookSite, where: str
) -> None:
    """Raises WriteRefused unless it may be sent."""
    require(resource.keys() <= allowed.elements, where, "an element that may not be sent")
    status = a_text(resource.get("status"), f"{where}.status")
    require(status in allowed.statuses[method], f"{where}.status", "not allowed")
    require(instant_of(a_text(resource.get("end"), f"{where}.end")) is not None, f"{where}.end", "no instant")
    a_text(resource.get("reason"), f"{where}.reason")
    criteria = a_text(resource.get("criteria"), f"{where}.criteria")
    if hook.topic is None:
        require(criteria in allowed.criteria, f"{where}.criteria", "not one of ours")
        require("meta" not in resource, f"{where}.meta", "unexpected")
    else:
        require(criteria == hook.topic, f"{where}.criteria", "not the topic that the settings name")
        require(resource.get("meta") == {"profile": [f"{_EXTENSION}subscription"]}, f"{where}.meta", "unexpected")
    endpoint = _check_channel(an_object(resource.get("channel"), f"{where}.channel"), hook, f"{where}.channel")
    if method == "POST":
        # Without this very condition two services that start at once would be told everything twice.
        require(request.get("ifNoneExist") == f"url={endpoint}", f"{where}.request.ifNoneExist", "not its endpoint")


def _check_channel(channel: Json, hook: HookSite, where: str) -> str:
    require(channel.keys() <= _CHANNEL, where, "an unexpected element")
    require(channel.get("type") == "rest-hook", f"{where}.type", "no rest-hook")
    endpoint = a_text(channel.get("endpoint"), f"{where}.endpoint")
    base, _, name = endpoint.rpartition("/")
    require(base == hook.address, f"{where}.endpoint", "not our own, as the settings name it")
    require(_NAME.fullmatch(name) is not None, f"{where}.endpoint", "not one of ours")
    require(channel.get("header") == [f"Authorization: Bearer {hook.secret}"], f"{where}.header", "not ours")
    require(channel.get("payload") in (None, "application/fhir+json"), f"{where}.payload", "not FHIR JSON")
    plain = hook.topic is None
    _check_extensions(channel.get("extension", []), f"{where}.extension", plain=plain)
    _check_content(channel.get("_payload"), f"{where}._payload", plain=plain)
    return endpoint


def _check_extensions(extensions: Any, where: str, *, plain: bool) -> None:
    found = a_list(extensions, where)
    require(not (plain and found), where, "unexpected without a topic")
    for extension in found:
        one = an_object(extension, where)
        require(one.keys() == {"url", "valueUnsignedInt"} and one["url"] in _TIMES, where, "not one of ours")
        seconds = one["valueUnsignedInt"]
        require(type(seconds) is int and 0 < seconds <= _MOST_S, where, "no number of seconds")


def _check_content(payload: Any, where: str, *, plain: bool) -> None:
    if plain:
        require(payload is None, where, "unexpected without a topic")
        return
    match payload:
        case {"extension": [{"url": str(url), "valueCode": str(code), **more_of_it}], **more}:
            fine = not more and not more_of_it and url == f"{_EXTENSION}payload-content" and code in _CONTENTS
            require(fine, where, "not one of ours")
        case _:
            require(False, where, "missing, or not one of ours")
