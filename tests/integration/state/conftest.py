"""The fixtures of this folder."""

from state_places import own_cluster, place, ward

__all__ = ["own_cluster", "place", "ward"]
