"""The only reader of the system clock."""

from datetime import UTC, datetime


def now() -> datetime:
    """The present instant, zone-aware, in UTC."""
    return datetime.now(UTC)  # noqa: TID251 - this is the one place allowed to
