"""Every error Andante raises on purpose, in one place. The message says the remedy and never holds patient data.

AndanteError
├── InputError            what we were given cannot be used (a chart file, an instant, a setting): exit code 2
│   ├── ProtocolError     a protocol file is wrong; carries the path of the wrong entry
│   └── StateTooNew       what is kept between starts was made by a newer version: it is left alone
├── ServerError           the FHIR server did not do what was asked: exit code 3
│   ├── Unreachable       no answer: refused, timed out, reset, gave up after retries
│   ├── AccessRefused     401 or 403
│   ├── Absent            404 or 410
│   ├── Conflict          409 or 412: somebody else changed it, or several match
│   ├── Refused           another 4xx: the server did not accept the request
│   └── BadAnswer         the answer is not FHIR R4, is truncated, too large, or points somewhere else
├── StateUnavailable      what is kept between starts cannot be read or written now: the service goes on without
├── AuditFailed           the audit log could not be written: what it is about was not done
└── WriteRefused          the write gate stopped a resource before a byte left: a defect of ours, never of the chart
"""


class AndanteError(Exception):
    """Base of all errors raised on purpose."""


class InputError(AndanteError):
    """What we were given cannot be used."""


class ProtocolError(InputError):
    """A protocol file is wrong.

    `path` names the wrong entry, for example `energy.step.value`.
    """

    def __init__(self, path: str, problem: str) -> None:
        super().__init__(f"protocol entry {path}: {problem}")
        self.path = path
        self.problem = problem


class StateTooNew(InputError):
    """What is kept between starts was made by a newer version. It is left as it is."""


class ServerError(AndanteError):
    """The FHIR server did not do what was asked."""

    def __init__(self, message: str, *, status: int | None = None) -> None:
        super().__init__(message)
        self.status = status


class Unreachable(ServerError):
    """No answer: connection refused, timed out, reset, or given up after retries."""


class AccessRefused(ServerError):
    """401 or 403: check the credentials and the scopes granted."""


class Absent(ServerError):
    """404 or 410: gone or never there. Never read as an empty chart."""


class Conflict(ServerError):
    """409 or 412: somebody else changed it, or several match. Read again and yield."""


class Refused(ServerError):
    """Another 4xx: the server did not accept the request."""


class BadAnswer(ServerError):
    """The answer is not FHIR R4, is truncated, too large, or points to another host."""


class WriteRefused(AndanteError):
    """The write gate stopped a resource before a byte left."""


class AuditFailed(AndanteError):
    """The audit log could not be written. What the line was to be about is not done."""


class StateUnavailable(AndanteError):
    """What is kept between starts cannot be read or written now. No round waits for it."""
