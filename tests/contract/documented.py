"""Parts of documents that tests write: what stands between two marks must be what the test has just seen.

With ANDANTE_TEST_UPDATE_DOCS set, it is written instead of compared.
"""

import os
import re
from pathlib import Path

DOCS = Path(__file__).resolve().parents[2] / "shared" / "docs"


def check_part(document: str, part: str, text: str) -> None:
    """Compare one part of `shared/docs/<document>` with `text`, or write it there."""
    path = DOCS / document
    whole = path.read_text(encoding="utf-8")
    found = re.search(rf"(<!-- {part}: [^>]*-->\n)(.*?)(<!-- end of {part} -->)", whole, re.DOTALL)
    assert found is not None, f"{document} has no part {part}"
    if os.environ.get("ANDANTE_TEST_UPDATE_DOCS"):
        path.write_text(whole[: found.start(2)] + text + whole[found.end(2) :], encoding="utf-8")
    else:
        assert found[2] == text, f"{document} is out of date: run the test with ANDANTE_TEST_UPDATE_DOCS=1"


def check_column(document: str, part: str, column: str, cells: dict[str, str]) -> None:
    """Compare one column of the table in a part, or write it there; rows and columns in order of arrival."""
    whole = (DOCS / document).read_text(encoding="utf-8")
    found = re.search(rf"<!-- {part}: [^>]*-->\n(.*?)<!-- end of {part} -->", whole, re.DOTALL)
    assert found is not None, f"{document} has no part {part}"
    lines = [[cell.strip() for cell in line.strip("|").split("|")] for line in found[1].splitlines()]
    columns, rows = (lines[0][1:], {line[0]: line[1:] for line in lines[2:]}) if lines else ([], {})
    if column not in columns:
        columns.append(column)
    at = columns.index(column)
    for title in {**rows, **cells}:
        row = rows.setdefault(title, [])
        row += [""] * (len(columns) - len(row))
        row[at] = cells.get(title, "")
    table = [["", *columns], ["---"] * (len(columns) + 1), *([title, *row] for title, row in rows.items())]
    check_part(document, part, "".join(f"| {' | '.join(line)} |\n" for line in table))
