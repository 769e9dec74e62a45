"""A mutator that knows JSON: what it changes is mostly still JSON, and mostly still FHIR.

Bytes flipped at random are refused by the first decoder, a thousand times over. Here a text is parsed, some of its
nodes are deleted, replaced, doubled, nested, moved or filled with what stood under the same name elsewhere, and it is
written again; one text in eight is also spoilt as text. The same data and seed always bring the same text.
"""

import copy
import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from random import Random
from typing import Any

Json = Any

# A text beginning with this sign is written into the JSON without quotes.
BARE = "\N{SNOWMAN}"
_BARE_TEXT = re.compile('"' + r"(?:\\u2603|\N{SNOWMAN})" + r'((?:[^"\\]|\\.)*)"')
WRONG: tuple[Json, ...] = (
    None, True, False, 0, -1, 1, 2**31, 2**63, 10**40, 0.1, "", " ", "x", "1", "\x1b[31m\u202e\x00\n", "\ud83d",
    "Patient/somebody-else", "#x", "../../x", "Patient/../../x",
    "https://elsewhere.example/fhir/Patient/1", "urn:uuid:x",
    "active", "final", "entered-in-error", "unknown", "2031", "2031-02-30", "0001-01-01T00:00:00Z",
    "9998-12-31T23:59:59-14:00", "2031-03-27T24:00:00Z", "2031-03-27T06:29:59.999999999999Z", "mL", "kcal", "mmol/L",
    "9" * 5000, "a" * 70_000, [], {}, [[]], [None], [{}], {"value": 1}, {"reference": 5}, {"coding": [None]},
    {"extension": [{"url": "x"}]}, {"modifierExtension": [{"url": "x"}]},
    f"{BARE}NaN", f"{BARE}Infinity", f"{BARE}-Infinity", f"{BARE}1e400", f"{BARE}1e999999", f"{BARE}-0",
    f"{BARE}1e-300",
    f"{BARE}0." + "1" * 400, f"{BARE}" + "7" * 4400, f"{BARE}01", f"{BARE}+1", f"{BARE}" + '[' * 600 + "]" * 600,
)  # fmt: skip
_TEXT_PIECES = (
    b"\xef\xbb\xbf", b"\xff\xfe", b"\x00", b"\\u0000", b"\\ud800", b"\\udc00\\ud800", b"NaN", b"1e999999",
    b"Infinity",
    b'"resourceType":"Patient",', b'"id":"x",', b"{", b"}", b"[", b"]", b",", b":", b'"', b"\\", b"\r\n", b"\n",
    b"null",
    b"\xc0\x80", b"\xed\xa0\x80", b"\xf4\x90\x80\x80", b"/*", b"%00", b"{" * 200, b'{"a":' * 500,
)  # fmt: skip
_WAYS = ("delete", "replace", "replace", "kin", "kin", "kin", "double", "nest", "swap", "number", "number", "time",
         "time", "rename", "clone", "sign")  # fmt: skip
_SIGNS = ("\x00", "/", "..", "%2e", "\u202e", "|", "#", " ", "\ud800")
_TIME = re.compile(r"\d{4}(-\d{2}(-\d{2}(T.*)?)?)?")


class Mutator:
    """`kin` is what stood under each name in the texts it was given to learn from."""

    def __init__(self, texts: Iterable[bytes] = ()) -> None:
        self.kin: dict[str, list[Json]] = {}
        seen: set[tuple[str, str]] = set()
        for text in texts:
            parsed = _parsed(text)
            for name, value in _named(parsed):
                written = json.dumps(value)
                if len(written) <= 400 and (name, written) not in seen:
                    seen.add((name, written))
                    self.kin.setdefault(name, []).append(value)
        self._names = sorted(self.kin)

    def mutate(self, data: bytes, seed: int, most: int = 1 << 20) -> bytes:
        """Another text, of at most so many bytes."""
        dice = Random(seed)
        tree = _parsed(data)
        if tree is None:
            return self._as_text(data or b"{}", dice)[:most]
        try:
            for _ in range(dice.choice((1, 1, 1, 2, 2, 3, 5, 8))):
                tree = self._changed(tree, dice)
            text = written(tree)
        except RecursionError:  # nested by an earlier change
            text = self._as_text(data, dice)
        if dice.random() < 0.125:
            text = self._as_text(text, dice)
        return text if len(text) <= most else data[:most]

    def _changed(self, tree: Json, dice: Random) -> Json:
        found = list(places(tree))
        if not found:
            return copy.deepcopy(dice.choice(WRONG))
        parent, key = dice.choice(found)
        self._do(dice.choice(_WAYS), parent, key, found, dice)
        return tree

    def _do(self, way: str, parent: Json, key: Any, found: list[tuple[Json, Any]], dice: Random) -> None:
        node = parent[key]
        match way:
            case "delete":
                del parent[key]
            case "replace":
                parent[key] = copy.deepcopy(dice.choice(WRONG))
            case "kin":
                if isinstance(parent, dict) and dice.random() < 0.3 and self._names:
                    key = dice.choice(self._names)
                if isinstance(key, str) and key in self.kin:
                    parent[key] = copy.deepcopy(dice.choice(self.kin[key]))
            case "double":
                twice = copy.deepcopy(node)
                if isinstance(parent, list):
                    parent.insert(dice.randrange(len(parent) + 1), twice)
                else:
                    parent[key] = [node, twice]
            case "nest":
                parent[key] = dice.choice(([node], {"x": node}, [[node]]))
            case "swap":
                other, place = dice.choice(found)
                parent[key] = copy.deepcopy(_value(other, place))
            case "number":
                parent[key] = _another_number(node, dice)
            case "time":
                parent[key] = _another_time(node, dice)
            case "rename":
                if isinstance(parent, dict) and self._names:
                    parent[dice.choice(self._names)] = parent.pop(key)
            case "clone":
                # A whole resource once more, changed in one place: versions, ids and subjects that contradict.
                if isinstance(parent, list) and isinstance(node, dict):
                    again = copy.deepcopy(node)
                    inner = list(places(again))
                    if inner:
                        self._do(dice.choice(_WAYS[:12]), *dice.choice(inner), inner, dice)
                    parent.append(again)
            case "sign":
                if isinstance(node, str):
                    at = dice.randrange(len(node) + 1)
                    parent[key] = node[:at] + dice.choice(_SIGNS) + node[at:]

    def _as_text(self, data: bytes, dice: Random) -> bytes:
        text = bytearray(data)
        for _ in range(dice.choice((1, 1, 2, 4))):
            at = dice.randrange(len(text) + 1)
            match dice.randrange(6):
                case 0:
                    text[at:at] = dice.choice(_TEXT_PIECES)
                case 1:
                    del text[at : at + dice.choice((1, 2, 8, 64))]
                case 2:
                    del text[at:]
                case 3 if text:
                    text[at % len(text)] = dice.randrange(256)
                case 4:
                    cut = dice.randrange(len(text) + 1)
                    text[at:at] = text[cut : cut + 64]
                case 5:
                    text[at:at] = bytes(dice.randrange(256) for _ in range(dice.choice((1, 2, 4))))
        return bytes(text)


def written(tree: Json) -> bytes:
    """The JSON of a tree in which texts may ask to stand there bare."""
    return _BARE_TEXT.sub(lambda found: found[1].replace('\\"', '"'), json.dumps(tree)).encode()


def places(node: Json) -> Iterator[tuple[Json, Any]]:
    """Every node as its parent and the key in it."""
    if isinstance(node, dict | list):
        for key in range(len(node)) if isinstance(node, list) else list(node):
            yield node, key
            yield from places(node[key])


def _parsed(text: bytes) -> Json:
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return None


def _named(node: Json) -> Iterator[tuple[str, Json]]:
    for parent, key in places(node):
        if isinstance(key, str):
            yield key, parent[key]


def _value(parent: Json, key: Any) -> Json:
    return parent[key] if not isinstance(parent, Mapping) or key in parent else None


def _another_number(node: Json, dice: Random) -> Json:
    if isinstance(node, bool) or not isinstance(node, int | float):
        return node
    changes: tuple[Callable[[float], Json], ...] = (
        lambda n: -n, lambda n: 0, lambda n: n * 10, lambda n: n / 10, lambda n: n * 1000, lambda n: n / 1000,
        lambda n: n + 1, lambda n: n - 1, lambda n: f"{BARE}{n}e{dice.choice((1, -1))}", lambda n: str(n),
        lambda n: int(n),
    )  # fmt: skip
    return dice.choice(changes)(node if abs(node) < 1e200 else 1)


def _another_time(node: Json, dice: Random) -> Json:
    if not isinstance(node, str) or not _TIME.fullmatch(node):
        return node
    changes: tuple[Callable[[str], str], ...] = (
        lambda t: t[:10], lambda t: t[:7], lambda t: t[:4], lambda t: t.replace("T06", "T18"), lambda t: "2032" + t[4:],
        lambda t: "1931" + t[4:], lambda t: re.sub(r"-(\d\d)T", lambda d: f"-{int(d[1]) % 28 + 1:02}T", t),
        lambda t: t.replace("+00:00", "-12:00").replace("Z", "+14:00"), lambda t: re.sub(r"([+-]\d\d:\d\d|Z)$", "", t),
        lambda t: t + "Z", lambda t: t.replace("-", "/"),
    )  # fmt: skip
    return dice.choice(changes)(node)
