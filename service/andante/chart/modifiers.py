"""Whether something turns the meaning of a resource round, at whatever depth it stands."""

from collections.abc import Iterator
from functools import cache
from typing import Any, get_args, get_type_hints

from andante.chart.datatypes import Backbone, Node
from andante.chart.models import Resource


def has_modifiers(resource: Resource) -> bool:
    """Whether implicit rules or a modifier extension, at any depth, may turn the meaning round."""
    return bool(resource.implicit_rules) or any(part.modifier_extension for part in _parts(resource))


def _parts(node: Node) -> Iterator[Backbone]:
    if isinstance(node, Backbone):
        yield node
    for name in _ways_to_backbones(type(node)):
        value: Any = getattr(node, name)
        for item in value if isinstance(value, tuple) else (value,):
            if item is not None:
                yield from _parts(item)


@cache
def _ways_to_backbones(kind: type[Node]) -> tuple[str, ...]:
    """The elements of a type beneath which a backbone element can stand: most of a resource need not be walked."""
    hints = get_type_hints(kind)
    return tuple(
        name
        for name in kind.__struct_fields__
        if any(issubclass(part, Backbone) or _ways_to_backbones(part) for part in _nodes_in(hints[name]))
    )


def _nodes_in(hint: Any) -> Iterator[type[Node]]:
    if isinstance(hint, type) and issubclass(hint, Node):
        yield hint
    for argument in get_args(hint):
        yield from _nodes_in(argument)
