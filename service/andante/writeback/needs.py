"""What the service needs to be allowed on a server: the read list and the write allow-list, and nothing beside."""

from collections.abc import Mapping

from andante.chart.questions import ReadPlan
from andante.chart.read_list import types_read
from andante.fhir_http.scopes import Needs, needs_of
from andante.writeback.allowlist import Allowed, load_allowlist


def needs(plan: ReadPlan, allowlist: Mapping[str, Allowed] | None = None) -> Needs:
    """By resource type. Deletion is never among it. Raises InputError for an unreadable allow-list."""
    allowed = load_allowlist() if allowlist is None else allowlist
    return needs_of(
        read=types_read(plan) | (allowed.keys() & {"Subscription"}),
        create=(name for name, one in allowed.items() if "POST" in one.statuses),
        update=(name for name, one in allowed.items() if "PUT" in one.statuses),
    )
