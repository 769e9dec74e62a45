"""Loads `andante` once and forks for each command it is told on standard input. Ends with its standard input.

Tells two lines for each: the process id, and once it has ended the status (negative for a signal).
"""

import gc
import json
import os
import sys
from contextlib import redirect_stdout
from pathlib import Path

CHART = Path(__file__).parents[2] / "fixtures" / "patients" / "plain-course" / "chart.json"


def main() -> None:
    from andante.triggers.cli import cli
    from andante.triggers.cli import main as andante

    warm_up = ["advise", str(CHART), "--now", "2031-03-26T06:30:00Z", "--format", "fhir"]
    with Path(os.devnull).open("w") as nowhere, redirect_stdout(nowhere):
        cli(warm_up, standalone_mode=False)  # loads what is loaded only when something is written
    gc.freeze()
    for line in sys.stdin:
        asked = json.loads(line)
        pid = os.fork()
        if not pid:
            _become(asked)
            andante()
            os._exit(0)
        _tell(pid)
        _, status = os.waitpid(pid, 0)
        _tell(os.waitstatus_to_exitcode(status))


def _become(asked: dict[str, object]) -> None:
    folder = Path(str(asked["folder"]))
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    for number, end in ((1, "out"), (2, "err")):
        os.dup2(os.open(folder / f"zygote.{end}", os.O_WRONLY | os.O_CREAT | os.O_TRUNC), number)
    os.environ.clear()
    os.environ.update(asked["env"])  # type: ignore[call-overload]
    sys.argv = ["andante", *asked["argv"]]  # type: ignore[misc]


def _tell(number: int) -> None:
    sys.stdout.write(f"{number}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
