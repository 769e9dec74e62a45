"""Words that make an uncoded text look like something that matters: they raise notes, never a value."""

import re
from functools import lru_cache

from andante.chart.code_tables import Words
from andante.domain.quantities import Analyte

_LOOKED_AT = 400  # characters: a name is short, and a note may be megabytes long


def seems_like(words: Words, text: str) -> Analyte | None:
    """The analyte a text seems to speak of; None where it speaks of urine, cells or the like."""
    if any_word(words.other_matter, text):
        return None
    for analyte, named in (
        (Analyte.POTASSIUM, words.potassium),
        (Analyte.PHOSPHATE, words.phosphate),
        (Analyte.MAGNESIUM, words.magnesium),
    ):
        if any_word(named, text):
            return analyte
    return None


def any_word(words: tuple[str, ...], text: str) -> bool:
    """Whether one of the words stands in the text, whole, in either case."""
    return bool(words) and _pattern(words).search(text[:_LOOKED_AT].casefold()) is not None


@lru_cache(maxsize=32)
def _pattern(words: tuple[str, ...]) -> re.Pattern[str]:
    return re.compile(r"\b(?:" + "|".join(map(re.escape, words)) + r")\b")
