"""What the sandbox says when it cannot do what was asked: an HTTP status and an OperationOutcome."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

Json = dict[str, Any]


@dataclass(frozen=True)
class Issue:
    """One entry of an OperationOutcome; `expression` is the FHIRPath of the wrong element."""

    code: str
    diagnostics: str
    expression: str | None = None

    def under(self, path: str) -> "Issue":
        """The same issue, seen from the Bundle whose entry at `path` holds the request and the resource."""
        root, dot, inner = (self.expression or "Entry").partition(".")
        step = path if root == "Entry" else f"{path}.resource"
        return Issue(self.code, f"{path}: {self.diagnostics}", step + dot + inner)


class Fault(Exception):
    """An interaction the server refuses; never half done."""

    def __init__(self, status: int, *issues: Issue) -> None:
        super().__init__("; ".join(issue.diagnostics for issue in issues))
        self.status = status
        self.issues = issues


def fault(status: int, code: str, diagnostics: str, expression: str | None = None) -> Fault:
    """A fault with one issue."""
    return Fault(status, Issue(code, diagnostics, expression))


def operation_outcome(issues: Sequence[Issue], *, severity: str = "error") -> Json:
    """The OperationOutcome that carries `issues`."""
    return {
        "resourceType": "OperationOutcome",
        "issue": [
            {
                "severity": severity,
                "code": issue.code,
                "diagnostics": issue.diagnostics,
                **({"expression": [issue.expression]} if issue.expression else {}),
            }
            for issue in issues
        ],
    }
