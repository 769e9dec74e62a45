"""Makes the modules beside this file (`builders`, `inbox_server`) importable by every ring of tests.

No property is timed: a busy machine is not a defect. What is tried is the same each time, so that a change is held
against what it changed; `ANDANTE_TEST_DEEP=1` searches elsewhere each time. `tests/properties` has budgets of its own.
"""

import os

from hypothesis import settings

settings.register_profile("untimed", deadline=None, derandomize=os.environ.get("ANDANTE_TEST_DEEP") != "1")
settings.load_profile("untimed")
