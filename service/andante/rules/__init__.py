"""The clinical rules. Pure: they import `andante.domain` and the standard library, nothing else.

`table.RULES` is the decision table; `engine.evaluate` is the only door to a decision; `trace.trace` tells the course
that it rests on, to be drawn.
"""

from andante.rules.engine import evaluate
from andante.rules.trace import trace

__all__ = ["evaluate", "trace"]
