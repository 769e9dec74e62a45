"""When to ask again, and after how long. Pure: the clock and the dice are arguments."""

from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime

RETRIED_STATUSES = frozenset({408, 425, 429, 500, 502, 503, 504})


@dataclass(frozen=True, kw_only=True)
class RetryPolicy:
    """Capped exponential back-off with jitter. All times in seconds."""

    attempts: int = 4
    first_delay_s: float = 0.5
    longest_delay_s: float = 30.0
    waiting_budget_s: float = 90.0
    """How long one request may wait in all."""

    def delay_s(self, attempt: int, *, dice: float, asked_s: float | None) -> float:
        """The wait before the attempt after `attempt` (1 = first). `dice` is in [0, 1); a server's wish is
        capped.
        """
        if asked_s is not None:
            return min(max(asked_s, 0.0), self.longest_delay_s)
        return min(self.first_delay_s * 2.0 ** (attempt - 1), self.longest_delay_s) * (0.5 + dice / 2)


@dataclass
class RetryPool:
    """Retries left for all requests together; each success gives one back.

    Against a server that is down, a round ends soon instead of waiting out every request's own budget.
    """

    capacity: int = 60
    left: int = field(init=False)

    def __post_init__(self) -> None:
        self.left = self.capacity

    def take(self) -> bool:
        if self.left <= 0:
            return False
        self.left -= 1
        return True

    def give_back(self) -> None:
        self.left = min(self.left + 1, self.capacity)


def retry_after_s(header: str | None, now: datetime) -> float | None:
    """Retry-After in seconds from now: a number or an HTTP-date; None where absent or unreadable."""
    if not header:
        return None
    text = header.strip()
    if text.isascii() and text.isdigit():
        return float(text[:9])
    when = http_date(text)
    return (when - now).total_seconds() if when is not None else None


def http_date(header: str | None) -> datetime | None:
    """The instant of an HTTP-date; None where absent or unreadable."""
    try:
        when = parsedate_to_datetime((header or "").strip())
    except (ValueError, TypeError, IndexError, OverflowError):
        return None
    return when if when.tzinfo is not None else when.replace(tzinfo=UTC)
