"""What the hooks have told, and whether they have gone silent. Counts and instants only: nothing about a patient.

A hook is silent when the server should have told something and has not: no heartbeat for too long where heartbeats
were asked for, or changes that it would have had to tell and did not. Rounds find those changes all the same.
"""

from collections import deque
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from andante import log
from andante.subscriptions.notification import EVENT, HANDSHAKE, PING, RESOURCE, Notification
from andante.writeback.hooks import CRITERIA, HookSite

_GRACE = timedelta(seconds=60)
_BEATS_MISSED = 2
_REMEMBERED = 1_000  # event numbers, to tell a repeated notification from one that was missed
_MISSES_TOLD = 2  # looks in which changes were found that nothing had told of: one may only have been on its way


@dataclass
class Heard:
    """One hook. `active_since`: since when the server says that it is active; None while it does not."""

    active_since: datetime | None = None
    last: datetime | None = None
    notifications: int = 0
    events: int = 0
    misses: int = 0
    told_silent: bool = False
    newest: int = 0
    numbers: deque[int] = field(default_factory=lambda: deque(maxlen=_REMEMBERED))


class Watch:
    """Told of every notification, of every look at our Subscriptions, and of every look at what changed."""

    def __init__(self, site: HookSite) -> None:
        self._site = site
        self.hooks: dict[str, Heard] = {name: Heard() for name in site.names}
        self.refused = 0
        self._looked: datetime | None = None

    def heard(self, name: str, notification: Notification, *, now: datetime) -> bool:
        """Whether events must have been missed, so that what changed has to be asked for."""
        hook = self.hooks[name]
        hook.last, hook.misses = now, 0
        hook.notifications += 1
        hook.events += notification.kind in (EVENT, PING, RESOURCE)
        if hook.told_silent:
            hook.told_silent = False
            log.say("hook.heard-again", kind=name)
        return _missed(hook, notification)

    def is_active(self, name: str, active: bool, *, now: datetime) -> None:
        hook = self.hooks[name]
        if active:
            hook.active_since = hook.active_since or now
        else:
            hook.active_since = None

    def changes_found(self, types: Collection[str], *, now: datetime) -> None:
        """A look at what changed found new changes of these types, of those that hooks are to tell of."""
        since, self._looked = self._looked, now
        if self._site.topic is not None or since is None:
            return  # what a topic covers is the server's to know
        for name, hook in self.hooks.items():
            if CRITERIA[name].partition("?")[0] not in types:
                continue
            active = hook.active_since is not None and hook.active_since < since
            if active and (hook.last is None or hook.last < since):
                hook.misses += 1

    def silent(self, now: datetime) -> tuple[str, ...]:
        """The names of the hooks that have gone silent; each is logged once."""
        found = tuple(name for name, hook in self.hooks.items() if self._is_silent(hook, now))
        for name in found:
            if not self.hooks[name].told_silent:
                self.hooks[name].told_silent = True
                log.warn("hook.silent", kind=name)
        return found

    def remarks(self, now: datetime) -> tuple[str, ...]:
        """For the report of a round."""
        text = "the server has stopped telling of changes ({}): only rounds find them now"
        return tuple(text.format(name) for name in self.silent(now))

    def shown(self, now: datetime) -> Mapping[str, object]:
        """For `/ready`."""
        silent = self.silent(now)
        return {
            name: {
                "state": "silent" if name in silent else "active" if hook.active_since else "not active",
                "last_heard": hook.last.isoformat(timespec="seconds") if hook.last else None,
                "notifications": hook.notifications,
                "events": hook.events,
            }
            for name, hook in self.hooks.items()
        }

    def _is_silent(self, hook: Heard, now: datetime) -> bool:
        if hook.active_since is None:
            return False  # the keeper is at it, and says so
        if hook.misses >= _MISSES_TOLD:
            return True
        if self._site.topic is None:
            return False
        since = max(hook.active_since, hook.last or hook.active_since)
        return now - since > _BEATS_MISSED * timedelta(seconds=self._site.heartbeat_s) + _GRACE


def _missed(hook: Heard, notification: Notification) -> bool:
    """By the server's own count of events: a number left out, or a count that runs ahead of what was told."""
    if notification.kind == HANDSHAKE:
        # A Subscription begins, or begins anew and counts anew: what was told before it is anybody's guess.
        hook.numbers.clear()
        hook.newest = notification.number or 0
        return True
    known, missed = set(hook.numbers), False
    for number in sorted(set(notification.numbers) - known):
        missed = missed or number != hook.newest + 1
        hook.newest = max(hook.newest, number)
        hook.numbers.append(number)
    if notification.number is not None and notification.number > hook.newest:
        missed, hook.newest = True, notification.number
    return missed
