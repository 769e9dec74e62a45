"""Text of a chart as one plain line, fit to stand in a note, in a list and on a terminal."""

import re

_WIDEST = 80
# R4 takes a note for markdown: neither a tag nor a link out of a chart may come alive in somebody's inbox.
_TAG = re.compile(r"<(?=[A-Za-z/!?])")
_LINK = re.compile(r"\](?=[(\[:])")


def cut(text: str, widest: int = _WIDEST) -> str:
    """One line of reasonable length, without control, format or direction signs, tags and links."""
    printed = text[: 4 * widest]
    if not printed.isprintable():
        printed = "".join(sign if sign.isprintable() else " " for sign in printed)
    line = _LINK.sub("] ", _TAG.sub("‹", " ".join(printed.split())))
    return line if len(line) <= widest else f"{line[: widest - 1]}…"
