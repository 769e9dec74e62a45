"""Which licence each dependency carries, from what is installed: `deploy/run licences` writes shared/docs/licences.md.

What a licence asks for is sorted by its SPDX identifier or its trove classifier; one that is not known here, or asks
for more than weak copyleft does, is flagged, and `--check` then fails. Only packages of the lock that are installed on
this machine can be looked at; lines of those for other systems are kept as they were written there, or told as unseen.
"""

import argparse
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
DOCUMENT = ROOT / "shared" / "docs" / "licences.md"
LOCKS = {"service": ROOT / "deploy" / "runtime.lock", "development": ROOT / "requirements.lock"}

PERMISSIVE = frozenset(
    {"0BSD", "Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "BSD", "ISC", "MIT", "MIT-0", "MIT-CMU", "PSF-2.0",
     "Unlicense", "Zlib", "CNRI-Python", "HPND", "BlueOak-1.0.0", "CC0-1.0"}
)  # fmt: skip
WEAK_COPYLEFT = frozenset({"MPL-2.0", "LGPL-2.1-or-later", "LGPL-3.0-only", "LGPL-3.0-or-later", "EPL-2.0"})

# As packages without an SPDX expression write it, and what is meant.
WRITTEN = {
    "apache 2.0": "Apache-2.0",
    "apache license 2.0": "Apache-2.0",
    "apache license, version 2.0": "Apache-2.0",
    "apache software license": "Apache-2.0",
    "apache": "Apache-2.0",
    "apache-2.0": "Apache-2.0",
    "3-clause bsd license": "BSD-3-Clause",
    "bsd 3-clause": "BSD-3-Clause",
    "bsd license": "BSD",
    "bsd": "BSD",
    "bsd-2-clause": "BSD-2-Clause",
    "bsd-3-clause": "BSD-3-Clause",
    "isc license (iscl)": "ISC",
    "mit license": "MIT",
    "mit": "MIT",
    "mozilla public license 2.0 (mpl 2.0)": "MPL-2.0",
    "mpl-2.0": "MPL-2.0",
    "python software foundation license": "PSF-2.0",
    "psf-2.0": "PSF-2.0",
    "the unlicense (unlicense)": "Unlicense",
}
# Packages that name none in their metadata, or print the text instead: read by hand in the licence file inside, of
# which these words are a part. A test looks that they still are.
READ_BY_HAND = {
    "atheris": ("Apache-2.0", "Apache License"),
    "axe-playwright-python": ("MIT AND MPL-2.0", "MIT License"),  # it carries axe-core, under the Mozilla licence
    "httpx-aiohttp": ("BSD-3-Clause", "Neither the name of the copyright holder"),
    # It carries PDFium and its libraries; all their texts are in the wheel. Only tests use it.
    "pypdfium2": ("BSD-3-Clause AND Apache-2.0", "Redistribution and use in source and binary forms"),
}
_PINNED = re.compile(r"^([a-z0-9][a-z0-9._-]*)==(\S+)", re.MULTILINE)
_ROW = re.compile(r"^\| ([a-z0-9._-]+) \| (\S+) \| (\w+) \| (.*?) \| (.*?) \|$", re.MULTILINE)
UNSEEN = "not installed where this was written"


@dataclass(frozen=True, order=True)
class Row:
    name: str
    version: str
    used: str
    licence: str
    asks: str

    def __str__(self) -> str:
        return f"| {self.name} | {self.version} | {self.used} | {self.licence} | {self.asks} |"

    @property
    def is_flagged(self) -> bool:
        return self.asks.startswith("**")


def pinned(lock: Path) -> dict[str, str]:
    return dict(_PINNED.findall(lock.read_text(encoding="utf-8")))


def licence_of(name: str) -> str:
    """SPDX expression, else what the classifiers say, else the licence field. Raises PackageNotFoundError."""
    about = metadata.metadata(name)
    if name in READ_BY_HAND:
        return READ_BY_HAND[name][0]
    if about.get("License-Expression"):
        return str(about["License-Expression"])
    classifiers = [line.rpartition(" :: ")[2] for line in about.get_all("Classifier") or () if "License ::" in line]
    found = [line for line in classifiers if line != "OSI Approved"] or [about.get("License") or ""]
    return " OR ".join(WRITTEN.get(text.strip().lower(), text.strip().split("\n")[0][:60]) for text in found)


def asks(licence: str) -> str:
    """What it asks for. Of alternatives (OR) the most liberal counts; of what holds together (AND) the strictest."""
    alternatives = re.split(r"\s+OR\s+", licence.replace("(", "").replace(")", ""))
    ranks = [_rank_of_all(alternative) for alternative in alternatives]
    return ("permissive", "weak copyleft", "**to be looked at**")[min(ranks)]


def _rank_of_all(licence: str) -> int:
    return max(
        0 if part in PERMISSIVE else 1 if part in WEAK_COPYLEFT else 2
        for part in (part.partition(" WITH ")[0].strip() for part in re.split(r"\s+AND\s+", licence))
    )


def rows(before: str) -> Iterator[Row]:
    """One for each package of the locks; of those not installed here, the line as it was, of the same version."""
    service, everything = pinned(LOCKS["service"]), pinned(LOCKS["development"])
    known = {(row[0], row[1]): Row(*row) for row in _ROW.findall(before)}
    for name, version in sorted((everything | service).items()):
        used = "service" if name in service else "development"
        try:
            licence = licence_of(name) or "none named"
        except metadata.PackageNotFoundError:
            yield known.get((name, version), Row(name, version, used, UNSEEN, "not known"))
        else:
            yield Row(name, version, used, licence, asks(licence))


def document(found: list[Row]) -> str:
    kinds = ("permissive", "weak copyleft", "**to be looked at**", "not known")
    counts = ", ".join(f"{sum(row.asks == kind for row in found)} {kind.strip('*')}" for kind in kinds)
    head = (
        "# Licences of the dependencies",
        "",
        "Written by `deploy/run licences` from the metadata of the installed packages; a test compares. `service` is "
        "what the container image holds, `development` what only tests and checks need. Not legal advice: what a "
        "package says of itself was not compared with the licence texts inside it. The one file of others that is kept "
        "in this repository is named in `service/andante/page/static/THIRD-PARTY.md`.",
        "",
        f"{len(found)} packages: {counts}.",
        "",
        "| package | version | used by | licence | asks for |",
        "| --- | --- | --- | --- | --- |",
    )
    return "\n".join((*head, *map(str, found))) + "\n"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else "")
    parser.add_argument("--check", action="store_true", help="write nothing; exit 1 where the document is out of date")
    check = parser.parse_args().check
    before = DOCUMENT.read_text(encoding="utf-8") if DOCUMENT.exists() else ""
    found = list(rows(before))
    wanted = document(found)
    flagged = [row for row in found if row.is_flagged]
    for row in flagged:
        sys.stderr.write(f"to be looked at: {row.name} {row.version}: {row.licence}\n")
    if not check:
        DOCUMENT.write_text(wanted, encoding="utf-8")
    elif before != wanted:
        sys.stderr.write("shared/docs/licences.md is out of date: run deploy/run licences\n")
    return int(bool(flagged) or (check and before != wanted))


if __name__ == "__main__":
    sys.exit(main())
