"""YAML read strictly: exact decimals, no duplicate keys, no aliases, no tags, bounded size and depth."""

import re
from decimal import Decimal
from pathlib import Path

import yaml

from andante.errors import InputError, ProtocolError

Tree = dict[str, "Value"]
Value = Tree | list["Value"] | str | Decimal | bool | None

_MAX_BYTES = 256 * 1024
_MAX_DEPTH = 24
# Plain decimal digits only: 0x10, 1e3, 1_000, 010, .nan and 1:30 are read as text, so refused as numbers.
_NUMBER = re.compile(r"-?(0|[1-9][0-9]*)(\.[0-9]+)?")
_STRING_TAG = "tag:yaml.org,2002:str"


class _Loader(yaml.SafeLoader):
    """Composes nodes only, with no implicit types, so that nothing passes through a float."""

    yaml_implicit_resolvers = {}  # noqa: RUF012 - overrides the class attribute of the library
    depth = 0

    def compose_node(self, parent: yaml.Node | None, index: int) -> yaml.Node | None:
        if self.check_event(yaml.AliasEvent):
            raise self._refused("aliases are not accepted")
        self.depth += 1
        if self.depth > _MAX_DEPTH:
            raise self._refused("nested too deeply")
        try:
            return super().compose_node(parent, index)
        finally:
            self.depth -= 1

    def _refused(self, problem: str) -> yaml.MarkedYAMLError:
        return yaml.composer.ComposerError(None, None, problem, self.get_mark())


def read(path: Path) -> Tree:
    """The file's top-level section.

    Raises InputError when the file cannot be read or is not YAML, ProtocolError with the wrong entry's path.
    """
    try:
        with path.open("rb") as file:
            data = file.read(_MAX_BYTES + 1)  # not by the size it claims: a device claims none and never ends
        if len(data) > _MAX_BYTES:
            raise InputError(f"{path.name} is larger than {_MAX_BYTES // 1024} kB and is no protocol file")
        text = data.decode("utf-8")
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path.name} is not UTF-8 text") from error
    try:
        node = _Loader(text).get_single_node()
    except yaml.MarkedYAMLError as error:
        line = f" line {error.problem_mark.line + 1}" if error.problem_mark else ""
        raise InputError(f"{path.name}{line}: not readable as YAML: {error.problem}") from error
    except yaml.YAMLError as error:
        raise InputError(f"{path.name}: not readable as YAML") from error
    tree = None if node is None else _value(node, "")
    if not isinstance(tree, dict):
        raise InputError(f"{path.name} holds no protocol: a section of named entries is expected")
    return tree


def _value(node: yaml.Node, path: str) -> Value:
    line = node.start_mark.line + 1
    if isinstance(node, yaml.MappingNode) and node.tag == yaml.resolver.Resolver.DEFAULT_MAPPING_TAG:
        tree: Tree = {}
        for key_node, value_node in node.value:
            if not isinstance(key_node, yaml.ScalarNode) or key_node.tag != _STRING_TAG:
                raise ProtocolError(path or "(top)", f"line {line}: an entry's name must be plain text")
            key = key_node.value
            below = f"{path}.{key}" if path else key
            if key in tree:
                raise ProtocolError(below, f"line {key_node.start_mark.line + 1}: named twice")
            tree[key] = _value(value_node, below)
        return tree
    if isinstance(node, yaml.SequenceNode) and node.tag == yaml.resolver.Resolver.DEFAULT_SEQUENCE_TAG:
        return [_value(item, f"{path}[{index}]") for index, item in enumerate(node.value)]
    if isinstance(node, yaml.ScalarNode) and node.tag == _STRING_TAG:
        return _scalar(node)
    raise ProtocolError(path or "(top)", f"line {line}: YAML tags are not accepted")


def _scalar(node: yaml.ScalarNode) -> Value:
    text: str = node.value
    if node.style is not None:  # quoted: the writer means text
        return text
    if text in ("", "~", "null"):
        return None
    if text in ("true", "false"):
        return text == "true"
    if _NUMBER.fullmatch(text):
        return Decimal(text)
    return text
