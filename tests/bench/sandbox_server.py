"""Our sandbox in a process of its own, with copies of the fictional hospital's patients as `ward_server` makes them."""

import json
import sys
import time
from datetime import datetime

from ward_server import Templates

from andante.sandbox import Sandbox, running


def main(now: datetime, patients: int, *only: str) -> None:
    """Copies of `only` these stories, or of all."""
    templates, sandbox = Templates(now), Sandbox()
    sandbox.load(json.loads(text) for text in templates.shared.values())
    stories = only or templates.stories
    for number in range(patients):
        sandbox.load(json.loads(text) for text in templates.all_of(f"{stories[number % len(stories)]}--{number}"))
    with running(sandbox.app) as base:
        sys.stdout.write(f"{base}\n")
        sys.stdout.flush()
        time.sleep(3600)


if __name__ == "__main__":
    main(datetime.fromisoformat(sys.argv[1]), int(sys.argv[2]), *sys.argv[3:])
