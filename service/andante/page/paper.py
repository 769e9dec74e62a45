"""The templates and the files that go with them. Every text is escaped; a name that is missing is an error."""

import gzip
import hashlib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined

_TYPES: Final = {"css": "text/css; charset=utf-8", "js": "text/javascript; charset=utf-8", "svg": "image/svg+xml"}
_STATIC: Final = ("page.css", "page.js", "htmx-2.0.11.min.js", "mark.svg")


@dataclass(frozen=True, kw_only=True)
class File:
    """A file of ours as it is sent; its name holds a part of its hash, so that it may be kept for good."""

    name: str
    media_type: str
    body: bytes
    packed: bytes


@cache
def environment() -> Environment:
    made = Environment(
        loader=PackageLoader("andante.page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals["static"] = {name: file.name for name, file in files().items()}
    return made


def render(template: str, **given: Any) -> str:
    return environment().get_template(template).render(given)


@cache
def files() -> dict[str, File]:
    """By the name on the disk."""
    found = {}
    for name in _STATIC:
        body = (resources.files("andante.page") / "static" / name).read_bytes()
        stem, _, ending = name.rpartition(".")
        sent = f"{stem}.{hashlib.sha256(body).hexdigest()[:10]}.{ending}"
        found[name] = File(name=sent, media_type=_TYPES[ending], body=body, packed=gzip.compress(body, 9, mtime=0))
    return found


@cache
def by_sent_name() -> dict[str, File]:
    return {file.name: file for file in files().values()}
