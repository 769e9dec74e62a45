"""Typst, by which the handover becomes a PDF: tagged (PDF/UA-1), so that it can be read aloud, and with its fonts.

What a chart says is handed over as data, never as a part of the document's source. Nothing is read but the template.
"""

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from functools import cached_property
from importlib import resources
from threading import Lock
from typing import Any, Final

import typst

CANNOT_BE_PRINTED: Final = "[?]"
_STANDARD: Final = "ua-1"
_PROBE: Final = b'#set document(title: "x")\n#set text(font: "Libertinus Serif", lang: "en")\n#sys.inputs.said'


class NotPrinted(Exception):
    """The typesetter refuses. It carries nothing of what was to be printed."""


class Press:
    """The fonts that come with the typesetter, and those of this machine for signs they lack."""

    def __init__(self, *, system_fonts: bool = True) -> None:
        self._system_fonts = system_fonts
        self._lock = Lock()
        self._known: dict[str, bool] = {}

    def pdf(self, template: str, said: Mapping[str, Any], *, at: datetime) -> bytes:
        """The document. Raises NotPrinted.

        `at` is the instant that it says it was made at. To what is `said` comes `lacks`: whether signs had to be
        replaced because no font here has them. It blocks: not for the event loop.
        """
        source = (resources.files("andante.page") / "templates" / template).read_bytes()
        with self._lock:
            try:
                return self._made(source, {**said, "lacks": False}, at)
            except typst.TypstError:
                lacking = self._lacking(_texts(said))
            try:
                return self._made(source, {**_without(said, lacking), "lacks": True}, at)
            except typst.TypstError:
                pass
        raise NotPrinted  # outside of the handler: the typesetter's own words repeat what a chart says

    def _made(self, source: bytes, said: Mapping[str, Any], at: datetime) -> bytes:
        made = self._compiler.compile(
            source, sys_inputs={"said": json.dumps(said)}, pdf_standards=_STANDARD, timestamp=at
        )
        if not isinstance(made, bytes):
            raise NotPrinted
        return made

    @cached_property
    def _compiler(self) -> typst.Compiler:
        return typst.Compiler(font_paths=typst.Fonts(include_system_fonts=self._system_fonts))

    def _lacking(self, texts: Iterable[str]) -> frozenset[str]:
        """The signs that no font has."""
        signs = sorted({sign for text in texts for sign in text if not sign.isascii()})
        unknown = [sign for sign in signs if sign not in self._known]
        self._learn(unknown)
        return frozenset(sign for sign in signs if not self._known[sign])

    def _learn(self, signs: Sequence[str]) -> None:
        """By halves: most texts lack nothing, or few signs."""
        if not signs:
            return
        if self._prints(" ".join(signs)):
            self._known |= dict.fromkeys(signs, True)
        elif len(signs) == 1:
            self._known[signs[0]] = False
        else:
            half = len(signs) // 2
            self._learn(signs[:half])
            self._learn(signs[half:])

    def _prints(self, text: str) -> bool:
        try:
            self._compiler.compile(_PROBE, sys_inputs={"said": text}, pdf_standards=_STANDARD)
        except typst.TypstError:
            return False
        return True


def _texts(said: Any) -> Iterable[str]:
    if isinstance(said, str):
        yield said
    elif isinstance(said, Mapping):
        for value in said.values():
            yield from _texts(value)
    elif isinstance(said, Sequence):
        for value in said:
            yield from _texts(value)


def _without(said: Any, lacking: frozenset[str]) -> Any:
    if isinstance(said, str):
        return re.sub(f"[{re.escape(''.join(sorted(lacking)))}]+", CANNOT_BE_PRINTED, said) if lacking else said
    if isinstance(said, Mapping):
        return {name: _without(value, lacking) for name, value in said.items()}
    if isinstance(said, Sequence):
        return [_without(value, lacking) for value in said]
    return said
