"""Every version of every resource, in memory. Time comes from outside: a demo plays its own days."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import count
from typing import Any

from andante.sandbox.faults import Json


@dataclass(frozen=True, eq=False)
class Version:
    """One version of one resource; `body` is None when this version says that it was deleted."""

    kind: str
    ident: str
    number: int
    instant: datetime
    method: str
    body: Json | None
    memo: dict[str, Any] = field(default_factory=dict, repr=False)
    """Search values already extracted from this version, by parameter name."""

    @property
    def reference(self) -> str:
        return f"{self.kind}/{self.ident}"

    @property
    def etag(self) -> str:
        return f'W/"{self.number}"'


class Store:
    """The versions, oldest first. Not thread-safe: the sandbox holds one lock around each request."""

    def __init__(self, now: Callable[[], datetime]) -> None:
        self.now = now
        self._versions: dict[str, dict[str, list[Version]]] = {}
        self._journal: list[Version] = []
        self._serial = count(1)

    def history(self, kind: str, ident: str) -> list[Version]:
        """All versions, oldest first; empty when never there."""
        return list(self._versions.get(kind, {}).get(ident, ()))

    def current(self, kind: str, ident: str) -> Version | None:
        """The newest version, which may say that the resource was deleted."""
        versions = self._versions.get(kind, {}).get(ident)
        return versions[-1] if versions else None

    def living(self, kind: str, counts: Callable[[Version], bool] = lambda version: True) -> Iterator[Version]:
        """The newest version (of those that count) of each resource of one type that is not deleted, in order of
        creation.
        """
        for versions in self._versions.get(kind, {}).values():
            newest = next((version for version in reversed(versions) if counts(version)), None)
            if newest is not None and newest.body is not None:
                yield newest

    def journal(self) -> list[Version]:
        """Every version of everything, in the order of writing."""
        return list(self._journal)

    def new_id(self, kind: str) -> str:
        """An id of this type that was never used. Plain numbers, so that two runs of a script agree."""
        taken = self._versions.get(kind, {})
        return next(text for text in map(str, self._serial) if text not in taken)

    def write(self, kind: str, ident: str, body: Json | None, *, method: str) -> Version:
        """Add a version. The server's own `meta` fields replace whatever the client sent for them."""
        versions = self._versions.setdefault(kind, {}).setdefault(ident, [])
        instant, number = self.now(), len(versions) + 1
        if body is not None:
            meta = {**body.get("meta", {}), "versionId": str(number), "lastUpdated": instant_text(instant)}
            body = {"resourceType": kind, "id": ident, "meta": meta} | {
                name: value for name, value in body.items() if name not in ("resourceType", "id", "meta")
            }
        version = Version(kind, ident, number, instant, method, body)
        versions.append(version)
        self._journal.append(version)
        return version

    def clone(self) -> "Store":
        """A store of its own with the same versions; a body, once written, is never changed."""
        clone = Store(self.now)
        clone._versions = {
            kind: {ident: versions[:] for ident, versions in known.items()} for kind, known in self._versions.items()
        }
        clone._journal = self._journal[:]
        return clone

    @contextmanager
    def all_or_nothing(self) -> Iterator[None]:
        """Undo every write of the block when it raises."""
        mark = len(self._journal)
        try:
            yield
        except BaseException:
            while len(self._journal) > mark:
                undone = self._journal.pop()
                versions = self._versions[undone.kind][undone.ident]
                versions.pop()
                if not versions:
                    del self._versions[undone.kind][undone.ident]
            raise


def instant_text(instant: datetime) -> str:
    """A FHIR instant in UTC, to the millisecond."""
    return instant.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
