"""An assessment said in full, as text: every sentence, value, time, reference, protocol entry and sum.

`same` compares it with a file that a clinician could sign. When a change of the rules changes the text on purpose, let
the tests write the files anew (`ANDANTE_TEST_REWRITE_ARGUMENTS=1`) and read the difference before committing it.
"""

import os
from collections.abc import Iterable, Iterator
from datetime import datetime, tzinfo
from pathlib import Path

from andante.domain.advice import Assessment, CriterionView, Fact, Reason

REWRITE = os.environ.get("ANDANTE_TEST_REWRITE_ARGUMENTS") == "1"


def same(file: Path, title: str, lines: Iterable[str]) -> bool:
    """Whether the file holds just that. Fails in itself, showing where they differ."""
    found = "\n".join((title, *lines, ""))
    if REWRITE:
        file.write_text(found, encoding="utf-8")
    assert found.splitlines() == file.read_text(encoding="utf-8").splitlines(), title
    return True


def in_full(said: Assessment, zone: tzinfo, *, with_risk: bool = True) -> Iterator[str]:
    """Everything that is said, but the list of all versions that were read and the hash of the protocol.

    `with_risk=False` leaves out what each criterion of risk rests on.
    """
    advice, feeding, risk = said.advice, said.feeding, said.risk
    yield f"{said.patient}, {said.ward} {said.bed}, {said.encounter}, {_at(zone, said.now)}"
    yield f"by {said.protocol_id}, differing: {list(said.overlay)}"
    yield ""
    yield f"{advice.code.value.upper()} ({advice.rule}) {advice.priority.value}, for the {advice.tell.value}"
    yield advice.headline
    yield from (f"  because  {words}" for words in advice.because)
    yield from (f"  changes  {words}" for words in advice.would_change)
    yield (
        f"  {_number(advice.kcal)} kcal, {_number(advice.rate_ml_h)} mL/h, {_number(advice.bolus_ml)} mL a bolus, "
        f"{_number(advice.dextrose_g)} g dextrose; until {_at(zone, advice.valid_until)}; about {advice.focus or '-'}"
    )
    yield ""
    yield (
        f"fed since {_at(zone, feeding.started)}, day {feeding.day or '-'}; kcal: goal {_number(feeding.goal_kcal)}, "
        f"ordered {_number(feeding.ordered_kcal)}, delivered {_number(feeding.delivered_kcal)}, other "
        f"{_number(feeding.other_kcal)}"
    )
    for view in said.analytes:
        yield (
            f"{view.analyte.value}: {view.state.value} {view.comparator}{_number(view.value)}, drawn "
            f"{_at(zone, view.collected)}, fallen {_number(view.fall_percent)} %, next {_at(zone, view.next_due)}, "
            f"{view.source}"
        )
    yield ""
    yield f"RISK {risk.tier.value}{', lowest start' * risk.extreme}{', by a clinician' * risk.by_clinician}"
    for criterion in risk.criteria if with_risk else ():
        yield from _criterion(zone, criterion)
    yield ""
    for notice in said.notices:
        stage = notice.stage.value if notice.stage else ""
        about = " ".join(w for w in (*(a.value for a in notice.analytes), notice.topic, stage) if w)
        yield f"NOTICE {notice.code.value} ({about}) {notice.priority.value}, for: {notice.tell.value}"
        yield f"  {notice.text}"
        yield from _facts(zone, notice.evidence)
    for note in said.data_quality:
        yield f"NOTE {note.code}: {note.text} {note.source}".rstrip()
    yield ""
    for reason in said.derivation:
        if reason.rule.startswith("risk.") and not with_risk:
            continue
        yield f"{reason.rule}: {reason.sentence}"
        yield from _grounds(zone, reason)
    yield ""
    yield "rests on"
    yield from _facts(zone, said.evidence)


def _criterion(zone: tzinfo, criterion: CriterionView) -> Iterator[str]:
    yield f"  {criterion.id}: {criterion.state} {criterion.level}: {criterion.text} {criterion.would_settle}".rstrip()
    yield from _grounds(zone, criterion)


def _grounds(zone: tzinfo, said: Reason | CriterionView) -> Iterator[str]:
    yield from _facts(zone, said.facts)
    yield from (f"    protocol  {c.path}: {c.value} {getattr(c, 'unit', '')}".rstrip() for c in said.cites)
    yield from (f"    sum  {w.result} = {w.terms}" for w in said.working)


def _facts(zone: tzinfo, facts: Iterable[Fact]) -> Iterator[str]:
    yield from (f"    {f.label}: {f.value}, {_at(zone, f.when)}, {f.source or '-'}" for f in facts)


def _at(zone: tzinfo, instant: datetime | None) -> str:
    return "-" if instant is None else instant.astimezone(zone).isoformat(" ", "minutes")


def _number(value: object) -> str:
    """Without trailing zeros."""
    text = "-" if value is None else f"{value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
