"""Make the mutants: mutmut's operators over each file, and a few of our own; written as JSON for `run.py`.

    python mutants.py ROOT OUT FILE…        FILE is a path under ROOT

Runs in its own venv (`requirements.txt`) and imports nothing of the service. What is left out, and why, stands in
`shared/docs/mutation.md`: each exclusion below is named there.
"""

import hashlib
import json
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

import libcst as cst
from libcst.metadata import ByteSpanPositionProvider, MetadataWrapper, PositionProvider
from mutmut.mutation.mutators import mutation_operators


@dataclass(frozen=True, kw_only=True)
class Mutant:
    """One change: the bytes `start`..`end` of `path` become `new`. `lines` are those of the whole statement."""

    id: str  # of place and change, not of the line number: it survives an edit elsewhere
    path: str
    scope: str  # `function`, `Class.method`, or "" for what runs when the module is imported
    constant: str  # the name that a statement of the module gives a value, where the change is in that value
    operator: str
    line: int
    lines: tuple[int, int]
    start: int
    end: int
    old: str
    new: str


class _Finder(cst.CSTVisitor):
    METADATA_DEPENDENCIES = (PositionProvider, ByteSpanPositionProvider)

    def __init__(self, path: str, source: bytes) -> None:
        super().__init__()
        self.path, self.source = path, source
        self.module = cst.parse_module(source)
        self.found: list[Mutant] = []
        self.times: Counter[tuple[str, ...]] = Counter()
        self.scopes: list[tuple[str, bool]] = []  # (name, is a function)
        self.statements: list[cst.CSTNode] = []
        self.targets: set[cst.CSTNode] = set()  # names that are bound, not values
        self.at_import = 0  # inside a default value: evaluated when the module is imported

    # ------------------------------------------------------------------ the walk

    def on_visit(self, node: cst.CSTNode) -> bool:
        if isinstance(node, cst.Annotation | cst.Decorator | cst.Import | cst.ImportFrom) or _is_docstring(node):
            return False
        if isinstance(node, cst.FunctionDef | cst.ClassDef):
            self.scopes.append((node.name.value, isinstance(node, cst.FunctionDef)))
        if isinstance(node, cst.BaseStatement | cst.SimpleStatementLine):
            self.statements.append(node)
        if isinstance(node, cst.Param):
            self.at_import += 1
        if isinstance(node, cst.AssignTarget | cst.For | cst.CompFor):
            self.targets.add(node.target)
        if node in self.targets:
            return False
        for operator, place, new in _mutations(node):
            self._note(operator, place, new)
        return True

    def on_leave(self, node: cst.CSTNode) -> None:
        if isinstance(node, cst.FunctionDef | cst.ClassDef):
            self.scopes.pop()
        if self.statements and self.statements[-1] is node:
            self.statements.pop()
        if isinstance(node, cst.Param):
            self.at_import -= 1

    # ------------------------------------------------------------------ one mutant

    def _note(self, operator: str, place: cst.CSTNode, new: str) -> None:
        span = self.get_metadata(ByteSpanPositionProvider, place, None)
        position = self.get_metadata(PositionProvider, place, None)
        if span is None or position is None:
            return
        start, end = span.start, span.start + span.length
        old = self.source[start:end].decode()
        if old == new:
            return
        mutated = self.source[:start] + new.encode() + self.source[end:]
        try:
            compile(mutated, self.path, "exec", dont_inherit=True)
        except SyntaxError:
            return
        scope = self._scope()
        constant = self._constant() if not self.scopes else ""
        key = (self.path, scope, operator, _squeezed(old), _squeezed(new))
        self.times[key] += 1
        digest = hashlib.sha256("\0".join((*key, str(self.times[key]))).encode()).hexdigest()[:12]
        self.found.append(
            Mutant(
                id=digest,
                path=self.path,
                scope=scope,
                constant=constant,
                operator=operator,
                line=position.start.line,
                lines=self._statement_lines(position.start.line, position.end.line),
                start=start,
                end=end,
                old=old,
                new=new,
            )
        )

    def _scope(self) -> str:
        """The outermost function, with its class; "" where the code runs at import."""
        names = []
        for name, is_function in self.scopes:
            names.append(name)
            if is_function:
                outermost = next(n for n, f in self.scopes if f) == name
                return "" if self.at_import and outermost and self._only_one_function() else ".".join(names)
        return ""

    def _constant(self) -> str:
        statement = self.statements[0] if self.statements else None
        if not isinstance(statement, cst.SimpleStatementLine) or len(statement.body) != 1:
            return ""
        small = statement.body[0]
        target = small.target if isinstance(small, cst.AnnAssign) else None
        if isinstance(small, cst.Assign) and len(small.targets) == 1:
            target = small.targets[0].target
        return target.value if isinstance(target, cst.Name) else ""

    def _only_one_function(self) -> bool:
        return sum(is_function for _, is_function in self.scopes) == 1

    def _statement_lines(self, first: int, last: int) -> tuple[int, int]:
        """The lines whose tests may notice: of the simple statement, or of the header it stands in."""
        if self.statements:
            statement = self.statements[-1]
            where = self.get_metadata(PositionProvider, statement)
            if isinstance(statement, cst.SimpleStatementLine):
                return where.start.line, where.end.line
            return min(where.start.line, first), last
        return first, last


def _is_docstring(node: cst.CSTNode) -> bool:
    return (
        isinstance(node, cst.Expr) and isinstance(node.value, cst.SimpleString) and node.value.value.startswith('"""')
    )


def _squeezed(code: str) -> str:
    return " ".join(code.split())


_EMPTY = cst.Module(body=[])


def _mutations(node: cst.CSTNode) -> Iterator[tuple[str, cst.CSTNode, str]]:
    """(operator, the node that is replaced, its new code)."""
    for kind, operator in mutation_operators:
        if isinstance(node, kind):
            for mutated in operator(node):
                if not (_is_only_case(node, mutated) or _lacks_a_positional(node, mutated)):
                    yield operator.__name__.removeprefix("operator_"), node, _EMPTY.code_for_node(mutated)
    # Ours: what mutmut leaves alone.
    if isinstance(node, cst.If | cst.While | cst.CompIf):
        for forced in ("True", "False"):
            if not isinstance(node, cst.While) or forced == "False":  # `while True` only ever hangs
                yield "condition", node.test, f" {forced}" if isinstance(node, cst.CompIf) else forced
    if isinstance(node, cst.BooleanOperation):
        # Not of a comparison with None: strict typing asks for it; mutmut's own swaps of it stay.
        if not _is_about_none(node.right):
            yield "operand", node, f"({_EMPTY.code_for_node(node.left)})"
        if not _is_about_none(node.left):
            yield "operand", node, f"({_EMPTY.code_for_node(node.right)})"
    if isinstance(node, cst.Return) and node.value is not None and not _is_none(node.value):
        yield "return", node.value, "None"
    if isinstance(node, cst.FormattedStringText) and any(c.isalpha() for c in node.value):
        yield "text", node, f"XX{node.value}XX"
    if isinstance(node, cst.Tuple) and len(node.elements) > 1:
        for i, element in enumerate(node.elements):
            kept = [_EMPTY.code_for_node(e.with_changes(comma=cst.MaybeSentinel.DEFAULT)) for e in node.elements]
            del kept[i]
            if not isinstance(element, cst.StarredElement) or len(kept) > 0:
                yield "element", node, "(" + "".join(f"{k.strip()}, " for k in kept).rstrip() + ")"


def _is_none(node: cst.CSTNode) -> bool:
    return isinstance(node, cst.Name) and node.value == "None"


def _is_about_none(node: cst.CSTNode) -> bool:
    return isinstance(node, cst.Comparison) and any(_is_none(c.comparator) for c in node.comparisons)


def _is_only_case(node: cst.CSTNode, mutated: cst.CSTNode) -> bool:
    """A string in capitals, or without: the one with XX around it already asks whether anybody reads it."""
    return (
        isinstance(node, cst.SimpleString)
        and isinstance(mutated, cst.SimpleString)
        and node.value.lower() == mutated.value.lower()
    )


def _lacks_a_positional(node: cst.CSTNode, mutated: cst.CSTNode) -> bool:
    """A call with a positional argument fewer is a TypeError for whoever passes by: it would only flatter the score."""
    if not (isinstance(node, cst.Call) and isinstance(mutated, cst.Call)):
        return False
    return sum(a.keyword is None for a in mutated.args) < sum(a.keyword is None for a in node.args)


def find(root: Path, path: str) -> list[Mutant]:
    source = (root / path).read_bytes()
    finder = _Finder(path, source)
    MetadataWrapper(finder.module, unsafe_skip_copy=True).visit(finder)
    once = {(m.start, m.end, _squeezed(m.new)): m for m in reversed(finder.found)}  # two operators, one change: once
    return sorted(once.values(), key=lambda m: (m.start, m.end))


def main() -> None:
    root, out, *paths = sys.argv[1:]
    found = [m for path in paths for m in find(Path(root), path)]
    Path(out).write_text(json.dumps([asdict(m) for m in found], indent=0), encoding="utf-8")


if __name__ == "__main__":
    main()
