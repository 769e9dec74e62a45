"""Makes the helpers beside this file (`builders`, `inbox_server`) importable by every ring of tests.

No property is timed: a busy machine is not a defect. `tests/properties` has budgets of its own.
"""

from hypothesis import settings

settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")
