"""`andante` with a scheduler that waits a share of the time: for a calendar that runs faster than the timers.

The share is the only argument of its own, before the command's. Time-outs, back-off and everything else that counts
seconds stay as they are, so that a server a thousand times too slow is not what is tried.
"""

import sys

from apscheduler.schedulers.asyncio import AsyncIOScheduler


def main() -> None:
    pace = float(sys.argv.pop(1))
    start_timer = AsyncIOScheduler._start_timer

    def hurry(self: AsyncIOScheduler, wait_seconds: float | None) -> None:
        start_timer(self, None if wait_seconds is None else wait_seconds / pace)

    AsyncIOScheduler._start_timer = hurry
    from andante.triggers.cli import main as andante

    andante()


if __name__ == "__main__":
    main()
