"""The whole argument of one assessment as lines of text: one source for terminal and page, word for word."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import tzinfo

from andante.domain.advice import Assessment, Reason
from andante.domain.protocol import Number, Switch
from andante.present.shown import day_time, plain, words


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One rule that fired: its number and id, its sentence, and what the sentence rests on, line by line."""

    title: str
    sentence: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Argument:
    """`doubts` is what was set aside; `would_change` the counterfactual; `protocol` what was in force."""

    headline: str
    steps: tuple[Step, ...]
    doubts: tuple[str, ...]
    would_change: tuple[str, ...]
    protocol: str
    overlay: tuple[str, ...]


def argument_of(assessment: Assessment, zone: tzinfo) -> Argument:
    """Every rule that fired, in order, with the facts and protocol entries it used and their sources."""
    return Argument(
        headline=plain(assessment.advice.headline),
        steps=tuple(
            Step(
                title=f"{number}. {reason.rule}",
                sentence=plain(reason.sentence),
                lines=tuple(_lines(reason, zone)),
            )
            for number, reason in enumerate(assessment.derivation, start=1)
        ),
        doubts=tuple(plain(_quality(note.text, note.source)) for note in assessment.data_quality),
        would_change=tuple(plain(line) for line in assessment.advice.would_change),
        protocol=f"Protocol {assessment.protocol_id} {assessment.protocol_version}, {assessment.protocol_hash[:12]}",
        overlay=tuple(plain(line) for line in assessment.overlay),
    )


def _lines(reason: Reason, zone: tzinfo) -> Iterator[str]:
    for fact in dict.fromkeys(reason.facts):
        when = f", {day_time(fact.when, zone)}" if fact.when else ""
        source = f" [{fact.source}]" if fact.source else ""
        yield plain(f"{fact.label}: {fact.value}{when}{source}")
    for line in reason.working:
        yield plain(f"{line.result.strip(' ,+')} = {line.terms}")
    for cited in reason.cites:
        value = cited.value if isinstance(cited, Switch) else _quantity(cited)
        yield f"protocol {cited.path} = {value}: {cited.source} ({cited.tag})"


def _quantity(cited: Number) -> str:
    return words(cited.value, "" if cited.unit == "1" else cited.unit, places=3)


def _quality(text: str, source: str) -> str:
    return f"{text} [{source}]" if source else text
