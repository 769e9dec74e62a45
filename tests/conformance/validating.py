"""The external validator as a test uses it: one Java process, asked about one resource after the other."""

import json
import subprocess
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from install import CLASS_PATH

Json = dict[str, Any]


@dataclass(frozen=True)
class Issue:
    """One finding; `severity` is information, warning, error or fatal, `id` the validator's name of its message."""

    severity: str
    id: str
    location: str
    message: str

    @property
    def is_error(self) -> bool:
        return self.severity in ("error", "fatal")

    def __str__(self) -> str:
        return f"{self.severity} at {self.location}: {self.message} [{self.id}]"


@dataclass(frozen=True)
class Validator:
    """Answers in the order of the questions. `asked` counts them by resource type."""

    process: subprocess.Popen[str]
    asked: Counter[str] = field(default_factory=Counter)

    def issues(self, resource: Json | str, *profiles: str) -> tuple[Issue, ...]:
        """What is wrong with a resource (as JSON, or as the text itself) by R4 core and by these profiles."""
        text = resource if isinstance(resource, str) else json.dumps(resource, ensure_ascii=False)
        assert "\n" not in text
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(f"{' '.join(profiles)}\t{text}\n")
        self.process.stdin.flush()
        answer = self.process.stdout.readline()
        assert answer, f"the validator ended with status {self.process.poll()}"
        self.asked[_kind(text)] += 1
        return tuple(Issue(**{name: text or "" for name, text in found.items()}) for found in json.loads(answer))

    def errors(self, resource: Json | str, *profiles: str) -> tuple[Issue, ...]:
        return tuple(issue for issue in self.issues(resource, *profiles) if issue.is_error)


def _kind(text: str) -> str:
    try:
        return str(json.loads(text)["resourceType"])
    except (ValueError, LookupError, TypeError):
        return "unreadable"


@contextmanager
def started(definitions: Iterable[Path]) -> Iterator[Validator]:
    """The validator with definitions of ours beside those of R4 core. It has no network and asks for none."""
    command: Sequence[str | Path] = ["java", "-Xmx1g", "-XX:+UseSerialGC", "-cp", CLASS_PATH, "Validate", *definitions]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, encoding="utf-8"
    ) as process:
        try:
            yield Validator(process)
        finally:
            process.kill()
            process.communicate()
