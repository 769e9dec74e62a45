"""Hypothesis: a small, always equal budget by default; `ANDANTE_TEST_DEEP=1` searches longer and
differently each time (`ANDANTE_TEST_EXAMPLES`: how many charts per test)."""

import os

from hypothesis import HealthCheck, settings

_SLOW = [HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much]
settings.register_profile("small", max_examples=150, derandomize=True, deadline=None, suppress_health_check=_SLOW)
settings.register_profile(
    "deep",
    max_examples=int(os.environ.get("ANDANTE_TEST_EXAMPLES", "5000")),
    deadline=None,
    suppress_health_check=_SLOW,
)
settings.load_profile("deep" if os.environ.get("ANDANTE_TEST_DEEP") == "1" else "small")
