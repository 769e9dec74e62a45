"""A site's own numbers: where they differ from the protocol as published, one sentence each."""

import dataclasses
from decimal import Decimal

from andante.domain.protocol import Count, Criterion, Number, Protocol, RiskTable, Switch
from andante.errors import ProtocolError

_SITE = "site"


def differences(published: Protocol, local: Protocol) -> tuple[str, ...]:
    """What the site changed, in the file's order. Raises ProtocolError for a change not tagged `site`."""
    sentences: list[str] = []
    if local.signature != published.signature:
        sentences.append(f"signature: {local.signature}")
    for field in dataclasses.fields(Protocol):
        before, after = getattr(published, field.name), getattr(local, field.name)
        if isinstance(after, RiskTable):
            sentences += _risk(before, after)
        elif dataclasses.is_dataclass(after):
            sentences += _section(before, after, field.name)
    return tuple(sentences)


def _section(before: object, after: object, path: str) -> list[str]:
    sentences: list[str] = []
    for field in dataclasses.fields(after):  # type: ignore[arg-type]
        below = f"{path}.{field.name}"
        old, new = getattr(before, field.name), getattr(after, field.name)
        if old == new:
            continue
        if new is None:
            # Dropping a limit has no place for a reason; the safer reading of a missing one is to keep it.
            raise ProtocolError(below, "an overlay may change a limit, not drop it")
        if isinstance(new, Number | Switch):
            sentences.append(_entry(old, new))
        else:
            sentences += _section(old, new, below)
    return sentences


def _entry(old: Number | Switch | None, new: Number | Switch) -> str:
    if new.tag != _SITE:
        raise ProtocolError(f"{new.path}.tag", "an overlay's entries are tagged site")
    if isinstance(new, Switch):
        was = old.value if isinstance(old, Switch) else "none"
        is_now = new.value
    else:
        was = "none" if old is None else _amount(old) if isinstance(old, Number) else old.value
        is_now = _amount(new)
        if isinstance(old, Number) and old.unit == new.unit and " (" not in is_now + was:
            was = _plain(old.value)
    same = old is not None and old.value == new.value
    change = f"{is_now}, kept and signed by the site" if same else f"{is_now} instead of {was}"
    return f"{new.path}: {change} (site: {new.source})"


def _amount(number: Number) -> str:
    shown = f"{_plain(number.value)} {number.unit}"
    printed = number.note.split(";")[0]
    return f"{printed.removeprefix('printed as ')} ({shown})" if printed.startswith("printed as ") else shown


def _plain(value: Decimal) -> str:
    return f"{value.quantize(Decimal('0.001')).normalize():f}"


def _risk(old: RiskTable, new: RiskTable) -> list[str]:
    sentences: list[str] = []
    before = {criterion.id: criterion for criterion in old.criteria}
    after = {criterion.id: criterion for criterion in new.criteria}
    for name, criterion in after.items():
        if before.get(name) != criterion:
            sentences.append(_criterion(criterion, added=name not in before))
    sentences += [f"risk.criteria.{name}: not used at this site" for name in before if name not in after]
    if old.counting != new.counting:
        sentences.append(
            f"risk.counting: {counting_words(new.counting)} instead of {counting_words(old.counting)} (site)"
        )
    if old.needed_to_rule_out != new.needed_to_rule_out:
        needed = ", ".join(new.needed_to_rule_out)
        were = ", ".join(old.needed_to_rule_out)
        sentences.append(f"risk.needed_to_rule_out: {needed} instead of {were} (site)")
    return sentences


def _criterion(criterion: Criterion, *, added: bool) -> str:
    if criterion.tag != _SITE:
        raise ProtocolError(f"risk.criteria.{criterion.id}.tag", "an overlay's entries are tagged site")
    return f"risk.criteria.{criterion.id}: {'added' if added else 'changed'} (site: {criterion.source})"


def counting_words(counting: tuple[Count, ...]) -> str:
    """`severe from 1 severe, moderate from 2 moderate`."""
    return ", ".join(f"{count.tier} from {count.at_least} {count.level}" for count in counting)
