"""Where the files that come with the package are: the clone's when run from one, else the wheel's copies."""

from pathlib import Path

from andante.errors import InputError

_PACKAGE = Path(__file__).resolve().parent
_CLONE = _PACKAGE.parent.parent


def _folder(name: str) -> Path:
    in_clone = _CLONE / name
    # The folder above a site-packages may hold anything: only a tree laid out like the clone counts as one.
    if in_clone.is_dir() and _CLONE / "service" / "andante" == _PACKAGE:
        return in_clone
    in_wheel = _PACKAGE / f"_{name}"
    if in_wheel.is_dir():
        return in_wheel
    raise InputError(f"the {name} files are missing from this installation; install the package again")


def shared(*parts: str) -> Path:
    """A path under the shared files: protocols, codes, FHIR resources. Raises InputError if missing."""
    return _folder("shared").joinpath(*parts)


def fixtures(*parts: str) -> Path:
    """A path under the fictional hospital's files. Raises InputError if missing."""
    return _folder("fixtures").joinpath(*parts)
