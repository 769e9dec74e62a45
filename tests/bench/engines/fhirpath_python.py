"""The simple rule through fhirpathpy: `CASES SECONDS`, as measuring.mjs has it. Runs in an environment of its own."""

import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from fhirpathpy import compile as compiled
from fhirpathpy import evaluate
from fhirpathpy.models import models

Json = dict[str, Any]

RULE = json.loads(Path(__file__).with_name("simple-rule.json").read_text())
is_fine = compiled(RULE["fhirpath"], models["r4"])


def advances(since: str, chart: Json) -> bool:
    (instant,) = evaluate({}, f"@{since}")  # a text would be compared letter by letter
    return all(is_fine(chart, {"codes": codes, "since": instant}) == [True] for codes in RULE["codes"].values())


def main(cases_file: str, seconds: float) -> None:
    cases = [json.loads(line) for line in Path(cases_file).read_text().splitlines()]
    verdicts = [advances(case["since"], json.loads(case["chart"])) for case in cases]
    timed = [(case["since"], case["chart"]) for case in cases if case["timed"]]
    parsed = [(since, json.loads(chart)) for since, chart in timed]
    told = {
        "verdicts": verdicts,
        "on_parsed": pace(parsed, seconds, lambda case: advances(*case)),
        "on_text": pace(timed, seconds, lambda case: advances(case[0], json.loads(case[1]))),
    }
    sys.stdout.write(json.dumps(told) + "\n")


def pace(cases: list[Any], seconds: float, run: Callable[[Any], object]) -> float:
    """Cases per second of processor time, after a warm-up half as long."""
    _some(cases, seconds / 2, run)
    count, spent = _some(cases, seconds, run)
    return count / spent


def _some(cases: list[Any], seconds: float, run: Callable[[Any], object]) -> tuple[int, float]:
    count, spent, began = 0, 0.0, time.process_time()
    while spent < seconds:
        for case in cases:
            run(case)
        count += len(cases)
        spent = time.process_time() - began
    return count, spent


if __name__ == "__main__":
    main(sys.argv[1], float(sys.argv[2]))
