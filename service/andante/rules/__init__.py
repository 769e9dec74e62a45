"""The clinical rules. Pure: they import `andante.domain` and the standard library, nothing else.

`table.RULES` is the decision table; `engine.evaluate` is the only door.
"""

from andante.rules.engine import evaluate

__all__ = ["evaluate"]
