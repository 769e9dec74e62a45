"""The words a clinician reads at half past six: what, why, on what evidence, what would change it, and the
caution.

Instants are absolute and in the hospital's zone, never "5 h ago": a text must not change because time passes,
since a changed text is a reason to write to the inbox again.
"""

import unicodedata
from collections.abc import Iterable, Iterator
from datetime import datetime, tzinfo
from decimal import ROUND_DOWN, Decimal

from andante.domain.advice import Advice, Assessment, Fact, Notice

CAUTION = (
    "Decision support for licensed clinicians: local protocol and clinical judgement come first. "
    "Verify against the chart. Nothing has been ordered."
)
ASKS_FOR_REVIEW = "This asks for review and orders nothing."

# Not strftime: its names follow the locale of the machine, and the text must be the same on every machine.
_SHOWN = Decimal("0.1")
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def decimal_text(value: Decimal) -> str:
    """A decimal without exponent or trailing zeros, and nothing rounded away: `60`, `0.8`, `1200`."""
    text = format(value, "f")
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text in ("-0", "") else text


def instant_text(instant: datetime, zone: tzinfo) -> str:
    """`Wed 25 Nov 2026 06:30` in the hospital's zone; in the hour that a clock change repeats, with the
    zone's name.
    """
    local = instant.astimezone(zone)
    text = f"{_DAYS[local.weekday()]} {local.day} {_MONTHS[local.month - 1]} {local.year} {local:%H:%M}"
    repeated = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
    return f"{text} {local.tzname()}" if repeated else text


def place_text(assessment: Assessment) -> str:
    """`Ward 3, bed 12`, as far as known. The patient's name is never needed."""
    bed = assessment.bed if assessment.bed.lower().startswith("bed") else f"bed {assessment.bed}"
    return ", ".join(part for part in (assessment.ward, bed if assessment.bed else "") if part)


def advice_line(assessment: Assessment) -> str:
    """One line for a list: where, and what."""
    return _placed(assessment, assessment.advice.headline)


def advice_text(assessment: Assessment, zone: tzinfo | None = None) -> str:
    """The whole advice. `zone` defaults to the one that the assessment's instant is written in."""
    advice = assessment.advice
    zone = zone or _zone(assessment)
    paragraphs = [
        "\n".join((advice.headline, *advice.because, *figures(advice))),
        _listed("Evidence", (fact_text(fact, zone) for fact in assessment.evidence)),
        _listed("What would change this", advice.would_change),
        "\n".join(_protocol(assessment)),
        CAUTION,
    ]
    return _legible("\n\n".join(paragraph for paragraph in paragraphs if paragraph))


def notice_line(notice: Notice, assessment: Assessment) -> str:
    """One line for a list: where, and what about."""
    return _placed(assessment, notice.text.partition("\n")[0])


def notice_text(notice: Notice, assessment: Assessment, zone: tzinfo | None = None) -> str:
    """The whole notice."""
    zone = zone or _zone(assessment)
    paragraphs = [
        f"{_placed(assessment, notice.text)}\n{ASKS_FOR_REVIEW}",
        _listed("Evidence", (fact_text(fact, zone) for fact in notice.evidence)),
        CAUTION,
    ]
    return _legible("\n\n".join(paragraph for paragraph in paragraphs if paragraph))


def fact_text(fact: Fact, zone: tzinfo) -> str:
    """`phosphate: 0.62 mmol/L, Wed 25 Nov 2026 05:10`."""
    when = f", {instant_text(fact.when, zone)}" if fact.when else ""
    return f"{fact.label}: {fact.value}{when}"


def figures(advice: Advice) -> Iterator[str]:
    """The advised energy in the units of the order and of the pump, on one line; nothing where none is
    advised.
    """
    amounts = (
        (advice.kcal, "kcal/day in all"),
        (advice.rate_ml_h, "mL/h of the feed"),
        (advice.bolus_ml, "mL each bolus"),
        (advice.dextrose_g, "g dextrose/day"),
    )
    # Down, never up: what is shown must not be more than what was worked out.
    parts = [
        f"{decimal_text(value.quantize(_SHOWN, rounding=ROUND_DOWN))} {unit}"
        for value, unit in amounts
        if value is not None
    ]
    if parts:
        yield f"In figures: {', '.join(parts)}."


def _protocol(assessment: Assessment) -> Iterator[str]:
    yield f"Protocol: {assessment.protocol_id} {assessment.protocol_version}, rule {assessment.advice.rule}."
    if assessment.overlay:
        yield _listed("Local numbers in force", assessment.overlay)


def _placed(assessment: Assessment, text: str) -> str:
    place = place_text(assessment)
    return _legible(f"{place}: {text}" if place else text)


def _listed(title: str, lines: Iterable[str]) -> str:
    rows = [f"- {line}" for line in lines]
    return "\n".join((f"{title}:", *rows)) if rows else ""


def _legible(text: str) -> str:
    """Without control, format and direction signs: a chart's free text must not rewrite what is shown, nor be
    refused by the server as no FHIR string."""
    if text.replace("\n", "").isprintable():  # the rule; looking at each sign costs more than writing the text
        return text
    return "".join(sign for sign in text if sign == "\n" or not unicodedata.category(sign).startswith("C"))


def _zone(assessment: Assessment) -> tzinfo:
    zone = assessment.now.tzinfo
    if zone is None:
        raise ValueError("every instant must carry a time zone")
    return zone
