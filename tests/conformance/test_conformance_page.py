"""The page on conformance names every definition, counts the planted faults and tells the known remarks."""

import json
import sys
from collections import Counter
from pathlib import Path

from planted import FAULTS
from profiles import TOLERATED

from andante.shared_files import shared

sys.path.append(str(Path(__file__).parents[1] / "contract"))

from documented import check_part

PAGE = "conformance.md"


def test_every_definition_is_named() -> None:
    bodies = [json.loads(path.read_text(encoding="utf-8")) for path in sorted(shared("fhir").glob("*.json"))]
    rows = [f"| {body['resourceType']} | `{body['id']}` | {body['title']} |\n" for body in bodies]
    check_part(PAGE, "definitions", "| type | id | what it is |\n| --- | --- | --- |\n" + "".join(rows))


def test_the_planted_faults_are_counted() -> None:
    counts = Counter((fault.on, fault.by) for fault in FAULTS)
    rows = [f"| {on} | {counts[on, 'core']} | {counts[on, 'profile']} |\n" for on in sorted({on for on, _ in counts})]
    totals = [sum(count for (_, by), count in counts.items() if by == who) for who in ("core", "profile")]
    head = "| planted in | R4 forbids it | our profile forbids it |\n| --- | --- | --- |\n"
    check_part(PAGE, "faults", f"{head}{''.join(rows)}| all {sum(totals)} | {totals[0]} | {totals[1]} |\n")


def test_the_known_remarks_are_told_with_their_reasons() -> None:
    rows = [f"| `{name.rpartition('/')[2]}` | {why} |\n" for name, why in TOLERATED.items()]
    check_part(PAGE, "remarks", "| remark | why it stays |\n| --- | --- |\n" + "".join(rows))
