"""What a fault or a kill has left in the inboxes, judged from outside: by reading the server with a plain client.

`design.md` §6: leave exactly one open advice (5), nothing written outside the allow-list (6), no person's decision
overwritten (7). An undisturbed twin says what the inboxes should hold in the end.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass

from lanternmoor import Json, patient_of
from ward_round import Left, coded, decision_of

from andante.sandbox import Seen

ALLOWED = frozenset({"Task", "CommunicationRequest", "Provenance"})
MORE = frozenset({"start", "advance"})
OPEN = frozenset({"requested", "active", "draft"})


@dataclass(frozen=True)
class Expected:
    """`evening`: what stood there before; `answered`: the addresses of what people had in hand by then; `morning`:
    what an undisturbed round leaves of it, and `decided` what it decides, by patient."""

    evening: Left
    answered: frozenset[str]
    morning: Left
    decided: Mapping[str, str]

    @property
    def patients(self) -> frozenset[str]:
        """Everybody who has or had anything of ours."""
        return frozenset(str(patient_of(item)) for item in self.morning.items.values())


def violations_at_any_moment(left: Left, expected: Expected, *, whole_transactions: bool = True) -> list[str]:
    """What may never be seen, not even half-way through a round that was cut off."""
    return [
        *(_two_open(left, expected.answered) if whole_transactions else ()),
        *_touched(left, expected),
        *_lost(left, expected),
        *(_unexplained(left) if whole_transactions else ()),
        *_bolder(left, expected),
    ]


def violations_in_the_end(
    left: Left, expected: Expected, *, exact: bool = True, whole_transactions: bool = True, in_words: bool = True
) -> list[str]:
    """After a round that nothing disturbed. `exact`: what is over must be equal to the twin's too, not what is open
    alone: a hold for as long as nothing could be read, a late write or a race may leave what had to be taken back."""
    found = [
        *_two_open(left, expected.answered),
        *_two_of_a_kind(left, expected.answered),
        *violations_at_any_moment(left, expected, whole_transactions=whole_transactions),
    ]
    twins = _open(expected.morning, expected.answered)
    again = set() if exact else asked_again(left, expected)
    ours = _open(left, expected.answered, but=again)
    if not in_words:
        twins, ours = _without_words(twins), _without_words(ours)
    found += [f"missing: {_named(item)}" for item in (twins - ours).elements()]
    found += [f"open without reason: {_named(item)}" for item in (ours - twins).elements()]
    if exact and _all(left) != _all(expected.morning):
        found += [f"not as the twin's: {item}" for item in _differing(_all(left), _all(expected.morning))]
    return found


def violations_on_the_wire(seen: Iterable[Seen]) -> list[str]:
    """Requests that ask to write anything that is not on the allow-list, or in another way than a transaction."""
    return [
        f"sent: {one.method} {one.path.split('?')[0]}"
        for one in seen
        if one.method != "GET" and (one.method != "POST" or one.path or not set(one.written) <= ALLOWED)
    ]


def asked_again(left: Left, expected: Expected) -> set[str]:
    """Suggestions of what a person has in hand already, on newer evidence: after a hold that stood in between, the
    person is told that it holds no longer. The twin, without that hold, had no reason to."""
    twins = _open(expected.morning, expected.answered)
    in_hand = {_decision(expected.evening.items[address]) for address in expected.answered}
    return {
        address
        for address, task in left.tasks.items()
        if task["status"] == "requested"
        and address not in expected.answered
        and _decision(task) in in_hand
        and _essence(task) not in twins
        and coded(task.get("code"), "advice") == expected.decided.get(str(patient_of(task)))
    }


def is_unchanged(before: Left, after: Left) -> list[str]:
    """The same chart once more must write nothing: whatever is not byte for byte the same."""
    now = after.items | after.provenances
    then = before.items | before.provenances
    return [f"written again: {address}" for address in sorted(now) if now[address] != then.get(address)]


def _two_open(left: Left, answered: frozenset[str]) -> Iterator[str]:
    for patient, tasks in left.open_tasks().items():
        untouched = [task for task in tasks if _address(task) not in answered]
        if len(untouched) > 1:
            yield f"{len(untouched)} open suggestions for {patient}"


def _two_of_a_kind(left: Left, answered: frozenset[str]) -> Iterator[str]:
    for what, notices in left.open_notices().items():
        if len([one for one in notices if _address(one) not in answered]) > 1:
            yield f"the same notice open twice: {what}"


def _touched(left: Left, expected: Expected) -> Iterator[str]:
    for address in expected.answered:
        if left.items.get(address) != expected.evening.items[address]:
            yield f"a person's answer was touched: {address}"


def _lost(left: Left, expected: Expected) -> Iterator[str]:
    then, now = expected.evening, left
    for address in (then.items | then.provenances).keys() - (now.items | now.provenances).keys():
        yield f"gone: {address}"


def _unexplained(left: Left) -> Iterator[str]:
    explained = {
        part["reference"].split("/_history/")[0] for body in left.provenances.values() for part in body["target"]
    }
    for address in left.items.keys() - explained:
        yield f"without a Provenance: {address}"


def _bolder(left: Left, expected: Expected) -> Iterator[str]:
    """A fault may hold somebody; it may never bring more feeding than the undisturbed round does."""
    known = {_essence(item) for side in (expected.evening, expected.morning) for item in side.tasks.values()}
    for task in left.tasks.values():
        code, decided = coded(task.get("code"), "advice"), expected.decided.get(str(patient_of(task)))
        if task["status"] == "requested" and code in MORE and code != decided and _essence(task) not in known:
            yield f"more feeding than without the fault: {code} for {patient_of(task)}"


_Essence = tuple[str, str, str, str, str, str]


def _essence(item: Json) -> _Essence:
    """Whom it is about, what was decided, and every word of it."""
    words = item.get("description") or " ".join(str(part.get("contentString")) for part in item.get("payload", ()))
    notes = " ".join(str(note.get("text")) for note in item.get("note", ()))
    return (str(patient_of(item)), decision_of(item), item["status"], str(item.get("priority")), words, notes)


def _open(left: Left, answered: frozenset[str], *, but: Collection[str] = ()) -> Counter[_Essence]:
    return Counter(
        _essence(item)
        for address, item in left.items.items()
        if item["status"] in OPEN and address not in answered and address not in but
    )


def _without_words(items: Counter[_Essence]) -> Counter[_Essence]:
    bare: Counter[_Essence] = Counter()
    for (patient, decision, status, priority, _, _), count in items.items():
        bare[patient, decision, status, priority, "", ""] += count
    return bare


def _decision(item: Json) -> tuple[str, str]:
    return str(patient_of(item)), decision_of(item)


def _all(left: Left) -> Counter[tuple[str, str, str]]:
    return Counter((str(patient_of(item)), decision_of(item), item["status"]) for item in left.items.values())


def _differing(one: Counter[tuple[str, str, str]], other: Counter[tuple[str, str, str]]) -> Iterator[str]:
    for key in sorted(one.keys() | other.keys()):
        if one[key] != other[key]:
            yield f"{one[key]} instead of {other[key]} of {' '.join(key)}"


def _named(item: _Essence) -> str:
    return " ".join(item[:4])


def _address(item: Mapping[str, str]) -> str:
    return f"{item['resourceType']}/{item['id']}"
