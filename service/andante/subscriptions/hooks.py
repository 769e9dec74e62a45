"""All of it for one service: built once, and run beside its rounds."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from andante.fhir_http.connection import Connection
from andante.fhir_http.read import FhirReader
from andante.subscriptions.hints import Hints
from andante.subscriptions.keeper import Keeper
from andante.subscriptions.notification import Notification
from andante.subscriptions.on_server import finder
from andante.subscriptions.watch import Watch
from andante.subscriptions.worker import Work, Worker
from andante.writeback.gate import Gate
from andante.writeback.hook_writer import hook_writer
from andante.writeback.hooks import HookSite


@dataclass(frozen=True, kw_only=True)
class Hooks:
    """What our endpoint, the clock and `/ready` need of the subscriptions."""

    site: HookSite
    hints: Hints
    watch: Watch
    keeper: Keeper
    worker: Worker

    def shown(self, now: datetime) -> dict[str, object]:
        """For `/ready`: the state of each hook, and what is wrong with them. Nothing about a patient."""
        return {
            "problem": self.keeper.problem or None,
            "waiting": len(self.hints),
            "refused": self.watch.refused,
            "hooks": self.watch.shown(now),
        }

    def heard(self, name: str, notification: Notification, *, now: datetime) -> None:
        """Take note of whom to read again. Quick, and never refuses: the work is done elsewhere."""
        missed = self.watch.heard(name, notification, now=now)
        self.hints.add(
            patients=notification.patients,
            resources=notification.resources,
            catch_up=missed or notification.vague,
        )


def build_hooks(
    site: HookSite,
    connection: Connection,
    gate: Gate,
    work: Work,
    *,
    lock: asyncio.Lock,
    now: Callable[[], datetime],
    again_after: timedelta | None,
) -> Hooks:
    """`lock` is the one that rounds hold. What changed before this service began is asked for first of all."""
    hints, watch = Hints(), Watch(site)
    keeper = Keeper(
        site,
        find=finder(FhirReader(connection)),
        send=hook_writer(connection, gate),
        tell=lambda name, active: watch.is_active(name, active, now=now()),
        catch_up=lambda: hints.add(catch_up=True),
    )
    hints.add(catch_up=True)
    worker = Worker(hints, work, lock=lock, now=now, again_after=again_after)
    return Hooks(site=site, hints=hints, watch=watch, keeper=keeper, worker=worker)
