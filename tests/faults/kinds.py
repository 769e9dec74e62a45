"""The kinds of fault that a round meets on its way to the server: what each does, and what must hold while it stands.

What must hold for every one of them, once it is lifted, is in `faulting.py`.
"""

import asyncio
import gzip
import json
import random
import socket
import threading
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Any

from spoiling_proxy import Exchange, Spoil, SpoilingProxy, head_of

Json = dict[str, Any]
WHOLE, NOT_WHOLE = frozenset({0}), frozenset({3})
EITHER = WHOLE | NOT_WHOLE
POISONED = "Patient/fennimore-pugh"


@dataclass
class Scene:
    """What a fault may use: the proxy, seeded chance, and a place for writes that come late."""

    proxy: SpoilingProxy
    draw: random.Random
    held: list[bytes] = field(default_factory=list)
    strangers: "Strangers | None" = None


@dataclass(frozen=True)
class Kind:
    """`ends`: the exit statuses allowed to the disturbed round (0 whole, 3 not whole). `pace`: how much faster its
    clocks run. `keeps_halves`: the server itself breaks up transactions, so that a moment may show half of one.
    `interim`: reads fail, so that a hold or a notice may be written for as long as it stands, and taken back."""

    name: str
    does: str
    holds: str
    begin: Callable[[Scene], Spoil]
    ends: frozenset[int]
    pace: float = 1.0
    keeps_halves: bool = False
    interim: bool = False
    spares: frozenset[str] | None = None
    """All but these patients must be served while it stands; None where nobody need be."""
    lift: Callable[[Scene], None] = lambda scene: None


async def _pass(_exchange: Exchange) -> bool:
    return False


def _on(wanted: Callable[[Exchange], bool], do: Callable[[Exchange], Awaitable[object]]) -> Callable[[Scene], Spoil]:
    async def spoil(exchange: Exchange) -> bool:
        if not wanted(exchange):
            return False
        await do(exchange)
        return True

    return lambda scene: spoil


def _writes(exchange: Exchange) -> bool:
    return exchange.is_write


def _reads(exchange: Exchange) -> bool:
    return not exchange.is_write


def _results(exchange: Exchange) -> bool:
    return exchange.asks_for("Observation")


def _half(wanted: Callable[[Exchange], bool], do: Callable[[Exchange], Awaitable[object]]) -> Callable[[Scene], Spoil]:
    """Every other one, by chance."""

    def begin(scene: Scene) -> Spoil:
        async def spoil(exchange: Exchange) -> bool:
            if not wanted(exchange) or scene.draw.random() < 0.5:
                return False
            await do(exchange)
            return True

        return spoil

    return begin


def _first_times(times: int, do: Callable[[Exchange], Awaitable[object]]) -> Callable[[Scene], Spoil]:
    """The first so many times that each thing is asked."""

    def begin(scene: Scene) -> Spoil:
        asked: dict[tuple[str, str, bytes], int] = {}

        async def spoil(exchange: Exchange) -> bool:
            key = (exchange.method, exchange.path, exchange.body)
            asked[key] = asked.get(key, 0) + 1
            if asked[key] > times:
                return False
            await do(exchange)
            return True

        return spoil

    return begin


def _saying(*statuses: int, **headers: str) -> Callable[[Exchange], Awaitable[None]]:
    async def say(exchange: Exchange) -> None:
        await exchange.say(statuses[exchange.number % len(statuses)], **headers)

    return say


# --- the connection -----------------------------------------------------------------------------------------------


def _down(scene: Scene) -> Spoil:
    scene.proxy.go_down()
    return _pass


def _up_again(scene: Scene) -> None:
    scene.proxy.come_up()


def _down_at(wanted: Callable[[Exchange], bool], most: int) -> Callable[[Scene], Spoil]:
    def begin(scene: Scene) -> Spoil:
        left = [scene.draw.randint(1, most)]

        async def spoil(exchange: Exchange) -> bool:
            left[0] -= wanted(exchange)
            if left[0] > 0:
                return False
            await scene.proxy.stop_now()
            return True

        return spoil

    return begin


async def _hang(_exchange: Exchange) -> None:
    await asyncio.sleep(3600)


async def _reset(exchange: Exchange) -> None:
    exchange.reset()


async def _reset_in_the_body(exchange: Exchange) -> None:
    whole = exchange.packed(await exchange.forward())
    await exchange.send(whole[: whole.index(b"\r\n\r\n") + 4 + len(whole) // 4])
    await asyncio.sleep(0.01)
    exchange.reset()


async def _drip(exchange: Exchange) -> None:
    whole = exchange.packed(await exchange.forward())
    for at in range(len(whole)):
        await exchange.send(whole[at : at + 1])
        await asyncio.sleep(0.03)


def _one_at_a_time(scene: Scene) -> Spoil:
    one = asyncio.Lock()

    async def spoil(exchange: Exchange) -> bool:
        async with one:
            await exchange.reply(await exchange.forward())
        return True

    return spoil


# --- the bytes of an answer ---------------------------------------------------------------------------------------


async def _truncated_gzip(exchange: Exchange) -> None:
    answer = await exchange.forward()
    packed = gzip.compress(answer.body)
    packed = packed[: len(packed) // 2]
    headers = answer.headers | {"Content-Encoding": "gzip", "Content-Length": str(len(packed))}
    await exchange.send(head_of(200, headers) + packed)


async def _promises_more(exchange: Exchange) -> None:
    answer = await exchange.forward()
    await exchange.send(head_of(200, answer.headers | {"Content-Length": str(len(answer.body) + 100)}) + answer.body)
    exchange.close()


async def _promises_less(exchange: Exchange) -> None:
    answer = await exchange.forward()
    await exchange.send(head_of(200, answer.headers | {"Content-Length": str(len(answer.body) // 2)}) + answer.body)


async def _cut_json(exchange: Exchange) -> None:
    answer = await exchange.forward()
    await exchange.say(200, answer.body[: len(answer.body) * 2 // 3])


async def _sign_in_page(exchange: Exchange) -> None:
    await exchange.say(200, b"<!doctype html><title>Sign in</title>", kind="text/html")


async def _nothing(exchange: Exchange) -> None:
    await exchange.say(200)


# --- the meaning of an answer -------------------------------------------------------------------------------------


def _edited(wanted: Callable[[Exchange], bool], change: Callable[[Json, Exchange], object]) -> Callable[[Scene], Spoil]:
    async def do(exchange: Exchange) -> None:
        answer = await exchange.forward()
        await exchange.reply(answer.edited(lambda bundle: change(bundle, exchange)))

    return _on(wanted, do)


def _other_patients(bundle: Json, _exchange: Exchange) -> None:
    """Everybody's results under the next one's name."""
    subjects = [entry["resource"]["subject"] for entry in bundle.get("entry", ()) if "subject" in entry["resource"]]
    for entry in bundle.get("entry", ()):
        entry["resource"]["resourceType"] = "Device"
        entry["resource"].pop("subject", None)
    assert subjects or not bundle.get("entry")


def _circle(bundle: Json, exchange: Exchange) -> None:
    own = next(link["url"] for link in bundle["link"] if link["relation"] == "self")
    bundle["link"] = [{"relation": "self", "url": own}, {"relation": "next", "url": own}]


class Strangers:
    """Another host, which must never be spoken to."""

    def __init__(self) -> None:
        self.calls = 0
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.address = f"http://localhost:{self._listening.getsockname()[1]}/fhir"
        threading.Thread(target=self._count, daemon=True).start()

    def _count(self) -> None:
        while True:
            try:
                connection, _ = self._listening.accept()
            except OSError:
                return
            self.calls += 1
            connection.close()

    def close(self) -> None:
        self._listening.close()


def _elsewhere(scene: Scene) -> Spoil:
    scene.strangers = strangers = Strangers()

    async def spoil(exchange: Exchange) -> bool:
        if not _results(exchange):
            return False
        answer = await exchange.forward()
        link = {"relation": "next", "url": f"{strangers.address}/Observation?page=2"}
        await exchange.reply(answer.edited(lambda bundle: bundle["link"].append(link)))
        return True

    return spoil


def _stale(bundle: Json, _exchange: Exchange) -> None:
    for entry in bundle.get("entry", ()):
        entry["resource"]["meta"]["versionId"] = "0"


def _inbox(exchange: Exchange) -> bool:
    return exchange.asks_for("Task") or exchange.asks_for("CommunicationRequest")


def _unauthorised_after(scene: Scene) -> Spoil:
    left = scene.draw.randint(8, 40)

    async def spoil(exchange: Exchange) -> bool:
        if exchange.number <= left:
            return False
        await exchange.say(401, WWW_Authenticate="Bearer")
        return True

    return spoil


def _about(patient: str) -> Callable[[Exchange], bool]:
    name = patient.removeprefix("Patient/")
    return lambda exchange: _reads(exchange) and exchange.path.startswith("/Observation") and name in exchange.path


_UNREADABLE = [
    lambda body: body.update(valueQuantity={"value": "1e999999", "unit": 7, "code": []}),
    lambda body: body.update(effectiveDateTime="2031-13-99T99:99:99Z"),
    lambda body: body.update(status=["final", None]),
    lambda body: body.update(code={"coding": [None, 3, {"system": {}, "code": 1}]}),
    lambda body: body.update(referenceRange=[{"low": {"value": -1e308}, "high": {"value": True}}]),
    lambda body: body.update(component="a" * 100_000, subject=body["subject"] | {"display": "\ud800"}),
]


def _poisoned(bundle: Json, _exchange: Exchange) -> None:
    """Every result of one patient is spoiled, each in another way."""
    number = 0
    for entry in bundle.get("entry", ()):
        if entry["resource"].get("subject", {}).get("reference") == POISONED:
            _UNREADABLE[number % len(_UNREADABLE)](entry["resource"])
            number += 1


# --- what becomes of a write --------------------------------------------------------------------------------------


async def _done_but_untold(exchange: Exchange) -> None:
    await exchange.forward()
    exchange.reset()


async def _done_but_said_504(exchange: Exchange) -> None:
    await exchange.forward()
    await exchange.say(504)


async def _done_but_garbled(exchange: Exchange) -> None:
    await exchange.forward()
    await _sign_in_page(exchange)


async def _twice(exchange: Exchange) -> None:
    first, second = await asyncio.gather(exchange.forward(), exchange.forward())
    await exchange.reply(max(first, second, key=lambda answer: answer.status))


def _after_giving_up(scene: Scene) -> Spoil:
    async def spoil(exchange: Exchange) -> bool:
        if not exchange.is_write:
            return False

        async def later() -> None:
            await asyncio.sleep(scene.draw.uniform(0.05, 0.6))
            await exchange.forward()

        scene.proxy.later(later())
        exchange.reset()
        return True

    return spoil


def _half_kept(scene: Scene) -> Spoil:
    async def spoil(exchange: Exchange) -> bool:
        if not exchange.is_write:
            return False
        bundle = json.loads(exchange.body)
        kept = [entry for entry in bundle["entry"] if entry["resource"]["resourceType"] != "Provenance"]
        part = bundle | {"entry": kept[: max(1, len(kept) // 2)]}
        await exchange.forward(json.dumps(part).encode())
        await exchange.say(500)
        return True

    return spoil


async def _refused_as_stale(exchange: Exchange) -> None:
    await exchange.say(412)


_ANY = lambda exchange: True  # noqa: E731 - a word for the table
_SERVED_OTHERS = frozenset({POISONED})

KINDS = (
    Kind("down from the start", "The server refuses every connection.", "one clear line, nothing written",
         _down, NOT_WHOLE, lift=_up_again),
    Kind("down in the middle", "It goes away at a random request.", "the round ends; whoever was not reached is named",
         _down_at(_ANY, 45), NOT_WHOLE, lift=_up_again, interim=True),
    Kind("down at a write", "It goes away when a random write arrives.", "the round ends; who was not reached is named",
         _down_at(_writes, 8), NOT_WHOLE, lift=_up_again),
    Kind("silence", "Connections are taken, and nothing is ever answered: every place in the pool is held.",
         "the round ends in its own time", _on(_ANY, _hang), NOT_WHOLE, pace=100),
    Kind("slow drip", "Results come at a byte every three seconds.", "given up after the time for one request; held",
         _on(_results, _drip), NOT_WHOLE, pace=100, interim=True),
    Kind("one at a time", "The server answers one request, and lets seven wait.", "the round is whole",
         _one_at_a_time, WHOLE),
    Kind("reset before the headers", "Every other connection is reset instead of answered.", "nothing is done twice",
         _half(_ANY, _reset), EITHER, interim=True),
    Kind("reset in the body", "Every other answer to a read is broken off by a reset.", "a part is never the whole",
         _half(_reads, _reset_in_the_body), EITHER, interim=True),
    Kind("truncated gzip", "Compressed results end in the middle, the length told being that of the part.",
         "a part is never the whole", _on(_results, _truncated_gzip), NOT_WHOLE, interim=True),
    Kind("length too long", "Results are a hundred bytes shorter than promised.", "a part is never the whole",
         _on(_results, _promises_more), NOT_WHOLE, interim=True),
    Kind("length too short", "Half of the results is promised, all of them come.",
         "a part is never the whole, nor the next answer", _on(_results, _promises_less), NOT_WHOLE, interim=True),
    Kind("cut JSON", "Results end in the middle of a resource.", "a part is never the whole",
         _on(_results, _cut_json), NOT_WHOLE, interim=True),
    Kind("429 with Retry-After", "Everything is refused once, with a second to wait.",
         "it waits as told, and the round is whole", _first_times(1, _saying(429, Retry_After="1")), WHOLE),
    Kind("429 storm", "Everything is refused, without a word on when to come back.", "the round ends, nothing written",
         _on(_ANY, _saying(429)), NOT_WHOLE, pace=20),
    Kind("408", "Everything is answered 408 once.", "reads are asked again, writes are not repeated blindly",
         _first_times(1, _saying(408)), EITHER, interim=True),
    Kind("500, 502, 503, 504", "Every other request is answered with one of them in turn.",
         "reads are asked again, writes are not repeated blindly", _half(_ANY, _saying(500, 502, 503, 504)), EITHER,
         pace=5, interim=True),
    Kind("sign-in page", "Reads are answered 200 with a page of HTML.", "never taken for an empty chart",
         _on(_reads, _sign_in_page), NOT_WHOLE, interim=True),
    Kind("empty answer", "Results are answered 200 with nothing.", "never taken for an empty chart",
         _on(_results, _nothing), NOT_WHOLE, interim=True),
    Kind("another resource", "Results come as devices, of nobody.", "never taken for an empty chart",
         _edited(_results, _other_patients), NOT_WHOLE, interim=True),
    Kind("next in a circle", "The link to the next page leads to the same.", "it ends; held",
         _edited(_results, _circle), NOT_WHOLE, interim=True),
    Kind("next elsewhere", "The link to the next page leads to another host.", "the other host is never spoken to",
         _elsewhere, NOT_WHOLE, interim=True),
    Kind("401 in the middle", "From a random request on everything is answered 401.", "the round ends and says so",
         _unauthorised_after, NOT_WHOLE, interim=True),
    Kind("stale versions", "The inbox is read with outdated versions, so that updates are refused.",
         "nobody is overwritten", _edited(_inbox, _stale), EITHER),
    Kind("412 storm", "Every write is answered 412.", "it gives in after four looks",
         _on(_writes, _refused_as_stale), NOT_WHOLE),
    Kind("request lost", "Writes are lost before they reach the server.", "said, and done by the next round",
         _on(_writes, _reset), NOT_WHOLE),
    Kind("answer lost", "Writes are carried out, their answers are lost.", "nothing is done twice",
         _on(_writes, _done_but_untold), NOT_WHOLE),
    Kind("504 though done", "Writes are carried out and answered 504.", "nothing is done twice",
         _on(_writes, _done_but_said_504), NOT_WHOLE),
    Kind("garbled though done", "Writes are carried out and answered with a page of HTML.", "nothing is done twice",
         _on(_writes, _done_but_garbled), NOT_WHOLE),
    Kind("delivered twice", "Every write reaches the server twice at once.", "nothing stands there twice",
         _on(_writes, _twice), EITHER),
    Kind("carried out too late", "Writes are carried out after the service has given them up.",
         "nothing is done twice", _after_giving_up, NOT_WHOLE),
    Kind("half of a transaction", "Of a transaction only a part is kept, without its Provenance; the answer is 500.",
         "the next round completes the inbox", _half_kept, NOT_WHOLE, keeps_halves=True),
    Kind("one patient breaks the server", "Every search for one patient's results is answered 500.",
         "everybody else is served, the one is named", _on(_about(POISONED), _saying(500)), NOT_WHOLE,
         spares=_SERVED_OTHERS, pace=5, interim=True),
    Kind("one poisoned record", "One patient's results are spoiled, each in another way.",
         "everybody else is served; of the one no number is made up", _edited(_results, _poisoned), EITHER,
         spares=_SERVED_OTHERS, interim=True),
)  # fmt: skip
