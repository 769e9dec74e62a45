"""The audit log: a JSON line for each read, write and hook call, appended, chained by hashes, without clinical values.

Each line holds the SHA-256 of the line before it, so that a line changed, taken out or put in between shows. What a
chain alone cannot show is that its end was cut off, or that all of it was written anew: `verify` prints the hash of
the last line, to be kept somewhere else. A line names who and what by reference (`Patient/abc`), never a name, a
value or a text.
"""

import fcntl
import hashlib
import json
import os
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from andante import clock
from andante.errors import AuditFailed, InputError

FIRST: Final = "0" * 64
"""What the first line holds in place of an earlier line's hash."""

# What a line may say. Each is a code, a reference, a number or a list of such: none can hold a value or a sentence.
_FACTS = frozenset({"caller", "cards", "kind", "outcome", "patients", "reason", "request", "service", "user", "what"})
_WORD = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _.:/|=+~@\-]{0,299}")
_HASH = re.compile(r"[0-9a-f]{64}")
_TAIL = 64 * 1024  # bytes read back to find the last line: longer than any line
_MOST = 200  # entries of a list; more are counted

Fact = str | int | tuple[str, ...] | None


class AuditLog:
    """Appends to one file. Several processes may share it; each line is locked, chained and written whole."""

    def __init__(self, path: Path, *, now: Callable[[], datetime] = clock.now) -> None:
        """Raises InputError where the file cannot be opened for appending."""
        self._now = now
        try:
            self._file = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise InputError(f"the audit log cannot be written: {error.strerror}") from None
        self._size = -1
        self._last = FIRST

    def close(self) -> None:
        os.close(self._file)

    def noted(self) -> tuple[str, str] | None:
        """The hashes of the first line and of the last, to be kept elsewhere; None while there is no line.

        Raises AuditFailed where the file cannot be read.
        """
        try:
            fcntl.flock(self._file, fcntl.LOCK_SH)  # else half a line of another process could be taken for the last
            try:
                size = os.fstat(self._file).st_size
                return None if size == 0 else (chain_of(os.pread(self._file, _TAIL, 0)), self._read_back(size)[0])
            finally:
                fcntl.flock(self._file, fcntl.LOCK_UN)
        except OSError as error:
            raise AuditFailed(f"the audit log could not be read ({error.strerror or 'unknown reason'})") from None

    def record(self, action: str, *, durable: bool = False, **facts: Fact) -> None:
        """Append one line. `durable` returns only when it is on the disk: for what is about to be written.

        Raises AuditFailed when it could not be recorded: then what it is about must not happen. Raises ValueError
        for a fact outside the list: a defect of ours.
        """
        if unknown := facts.keys() - _FACTS:
            raise ValueError(f"not a fact of the audit log: {', '.join(sorted(unknown))}")
        said = {name: _plain(value) for name, value in facts.items() if value is not None}
        try:
            self._append({"time": self._now().isoformat(timespec="milliseconds"), "action": action, **said}, durable)
        except OSError as error:
            raise AuditFailed(f"the audit log could not be written ({error.strerror or 'unknown reason'})") from None

    def _append(self, line: dict[str, object], durable: bool) -> None:
        fcntl.flock(self._file, fcntl.LOCK_EX)
        try:
            size = os.fstat(self._file).st_size
            torn = b""
            if size != self._size:  # another process wrote, or this is the first line since the start
                self._last, torn = self._read_back(size)
            text = torn + json.dumps({**line, "previous": self._last}, ensure_ascii=True).encode() + b"\n"
            written = os.write(self._file, text)
            if written != len(text):
                self._size = -1
                raise OSError(0, "no room on the disk")
            if durable:
                os.fsync(self._file)
            self._size = size + written
            self._last = _hash(text[len(torn) : -1])
        except OSError:
            self._size = -1
            raise
        finally:
            fcntl.flock(self._file, fcntl.LOCK_UN)

    def _read_back(self, size: int) -> tuple[str, bytes]:
        """Hash of the last line, and the line end that a crash in the middle of it has left out."""
        if size == 0:
            return FIRST, b""
        tail = os.pread(self._file, _TAIL, max(0, size - _TAIL))
        torn = b"" if tail.endswith(b"\n") else b"\n"
        return _hash(tail.rstrip(b"\n").rpartition(b"\n")[2]), torn


@dataclass(frozen=True, kw_only=True)
class Verified:
    """What came of checking a chain. `broken` are the numbers of the lines that do not follow from the one before;
    `torn`, those cut short by a crash, but in their place; `head` is the hash of the last line;
    `holds_noted` is False where no line has the hash that was noted."""

    lines: int
    head: str
    broken: tuple[int, ...] = ()
    torn: tuple[int, ...] = ()
    holds_noted: bool = True

    @property
    def whole(self) -> bool:
        return not self.broken and self.holds_noted


def verify(path: Path, *, noted: str | None = None) -> Verified:
    """Check every line against the one before, and that one has the hash `noted` earlier.

    Raises InputError where the file cannot be read.
    """
    broken, torn, last, count, seen = [], [], FIRST, 0, noted is None
    try:
        with path.open("rb") as file:
            for count, line in enumerate(file, start=1):
                text = line.rstrip(b"\n")
                previous = _previous(text)
                if previous is None:
                    torn.append(count)
                elif previous != last:
                    broken.append(count)
                last = _hash(text)
                seen = seen or last == noted
    except OSError as error:
        raise InputError(f"the audit log cannot be read: {error.strerror}") from None
    # A fragment stands for itself only where the next line follows from it; at the end nothing vouches for it.
    broken += [number for number in torn if number == count or number + 1 in broken or number + 1 in torn]
    return Verified(lines=count, head=last, broken=tuple(sorted(broken)), torn=tuple(torn), holds_noted=seen)


def chain_of(beginning: bytes) -> str:
    """A name for the chain that begins like this: the hash of its first line, which stays what it is."""
    return _hash(beginning.partition(b"\n")[0])


def _previous(text: bytes) -> str | None:
    """The hash that a line holds; None for what is no line of ours."""
    try:
        line = json.loads(text)
        previous = line["previous"]
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    return previous if isinstance(previous, str) and _HASH.fullmatch(previous) else None


def _hash(line: bytes) -> str:
    return hashlib.sha256(line).hexdigest()


def _plain(value: str | int | tuple[str, ...]) -> object:
    if isinstance(value, tuple):
        return list(_words(value))
    return value if isinstance(value, int) else _word(value)


def _words(values: Iterable[str]) -> Iterator[str]:
    listed = list(dict.fromkeys(values))
    yield from map(_word, listed[:_MOST])
    if len(listed) > _MOST:
        yield f"and {len(listed) - _MOST} more"


def _word(text: str) -> str:
    return text if _WORD.fullmatch(text) else "(left out)"
