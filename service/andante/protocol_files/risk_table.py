"""The risk criteria of a protocol and how they are counted."""

from andante.domain.picture import FindingKind
from andante.domain.protocol import Comparison, Count, Criterion, CriterionKind, CriterionTest, Number, RiskTable
from andante.errors import ProtocolError
from andante.protocol_files.build import TAGS, decimal, items, mapping, number, one_of, text
from andante.protocol_files.strict_yaml import Value

_LEVELS = ("moderate", "severe")
_SEVERITIES = ("", "mild", "moderate", "severe")
_CRITERION_UNITS = {
    CriterionKind.BMI: "kg/m2",
    CriterionKind.WEIGHT_LOSS: "%",
    CriterionKind.INTAKE_DAYS: "d",
    CriterionKind.INTAKE_SHARE: "%",
    CriterionKind.LOW_ELECTROLYTE: "%",
}


def risk_table(value: Value, path: str) -> RiskTable:
    """The risk criteria and how they are counted."""
    tree = mapping(value, path, required=("criteria", "counting", "needed_to_rule_out"))
    criteria_path, counting_path = f"{path}.criteria", f"{path}.counting"
    needed_path = f"{path}.needed_to_rule_out"
    criteria: dict[str, Criterion] = {}
    for index, item in enumerate(items(tree["criteria"], criteria_path)):
        criterion = _criterion(item, f"{criteria_path}[{index}]", criteria_path)
        if criterion.id in criteria:
            raise ProtocolError(f"{criteria_path}.{criterion.id}", "named twice")
        criteria[criterion.id] = criterion
    levels = {test.level for criterion in criteria.values() for test in criterion.tests}
    counting = tuple(
        _count(item, f"{counting_path}[{index}]", levels)
        for index, item in enumerate(items(tree["counting"], counting_path))
    )
    needed: list[str] = []
    for index, item in enumerate(items(tree["needed_to_rule_out"], needed_path)):
        name = text(item, f"{needed_path}[{index}]")
        if name not in criteria:
            raise ProtocolError(f"{needed_path}[{index}]", f"there is no criterion {name!r}")
        if name in needed:
            raise ProtocolError(f"{needed_path}[{index}]", f"{name!r} is named twice")
        needed.append(name)
    return RiskTable(criteria=tuple(criteria.values()), counting=counting, needed_to_rule_out=tuple(needed))


def _count(value: Value, path: str, levels: set[str]) -> Count:
    tree = mapping(value, path, required=("tier", "level", "at_least"))
    level = one_of(tree["level"], f"{path}.level", _LEVELS)
    if level not in levels:
        raise ProtocolError(f"{path}.level", f"no criterion has the level {level}")
    at_least = decimal(tree["at_least"], f"{path}.at_least")
    if at_least < 1 or at_least != at_least.to_integral_value():
        raise ProtocolError(f"{path}.at_least", "must be a whole number from 1")
    return Count(
        tier=one_of(tree["tier"], f"{path}.tier", _LEVELS),
        level=level,
        at_least=int(at_least),
    )


def _criterion(value: Value, path: str, parent: str) -> Criterion:
    required = ("id", "kind", "text", "source", "tag", "would_settle", "tests")
    tree = mapping(value, path, required=required, optional=("row",))
    name = text(tree["id"], f"{path}.id")
    path = f"{parent}.{name}"
    kind = CriterionKind(one_of(tree["kind"], f"{path}.kind", [kind.value for kind in CriterionKind]))
    source = text(tree["source"], f"{path}.source")
    tag = one_of(tree["tag"], f"{path}.tag", TAGS)
    return Criterion(
        id=name,
        kind=kind,
        text=text(tree["text"], f"{path}.text"),
        source=source,
        tag=tag,
        would_settle=text(tree["would_settle"], f"{path}.would_settle"),
        tests=tuple(
            _test(item, f"{path}.tests[{index}]", kind, source, tag)
            for index, item in enumerate(items(tree["tests"], f"{path}.tests"))
        ),
        row=text(tree["row"], f"{path}.row") if "row" in tree else "",
    )


def _test(value: Value, path: str, kind: CriterionKind, source: str, tag: str) -> CriterionTest:
    """A test's numbers take source and tag from their criterion."""
    required, optional = ["level"], []
    match kind:
        case CriterionKind.FINDING:
            required += ["findings", "severities"]
        case CriterionKind.LOW_ELECTROLYTE:
            optional += ["comparison", "limit"]
        case CriterionKind.WEIGHT_LOSS | CriterionKind.INTAKE_SHARE:
            required += ["comparison", "limit", "window"]
        case CriterionKind.BMI | CriterionKind.INTAKE_DAYS:
            required += ["comparison", "limit"]
    tree = mapping(value, path, required=required, optional=optional)
    if ("limit" in tree) != ("comparison" in tree):
        raise ProtocolError(path, "a limit and its comparison belong together")

    def limit(name: str, unit: str) -> Number | None:
        if name not in tree:
            return None
        below = f"{path}.{name}"
        entry = mapping(tree[name], below, required=("value", "unit"))
        return number({**entry, "source": source, "tag": tag}, below, unit)

    findings, severities = [], []
    if kind is CriterionKind.FINDING:
        kinds = [finding.value for finding in FindingKind]
        findings = [
            one_of(item, f"{path}.findings[{index}]", kinds)
            for index, item in enumerate(items(tree["findings"], f"{path}.findings"))
        ]
        severities = [
            one_of(item, f"{path}.severities[{index}]", _SEVERITIES)
            for index, item in enumerate(items(tree["severities"], f"{path}.severities"))
        ]
    return CriterionTest(
        level=one_of(tree["level"], f"{path}.level", _LEVELS),
        comparison=(
            Comparison(one_of(tree["comparison"], f"{path}.comparison", [item.value for item in Comparison]))
            if "comparison" in tree
            else None
        ),
        limit=limit("limit", _CRITERION_UNITS.get(kind, "")),
        window=limit("window", "d"),
        findings=tuple(findings),
        severities=tuple(severities),
    )
