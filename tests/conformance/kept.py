"""Files in `shared/fhir` that are worked out: compared with what the code says now, or written anew.

With ANDANTE_TEST_UPDATE_DOCS set, they are written instead of compared.
"""

import json
import os
from pathlib import Path
from typing import Any

Json = dict[str, Any]


def check_file(path: Path, body: Json) -> None:
    text = json.dumps(body, indent=2, ensure_ascii=False) + "\n"
    if os.environ.get("ANDANTE_TEST_UPDATE_DOCS"):
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
    else:
        there = path.read_text(encoding="utf-8") if path.exists() else ""
        assert there == text, f"{path.name} is out of date: run this test with ANDANTE_TEST_UPDATE_DOCS=1"
