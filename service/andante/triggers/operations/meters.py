"""Metrics in the Prometheus text format. Labels come from closed lists of ours: none can name a patient or a value."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime

from prometheus_client import CollectorRegistry, Histogram
from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
    SummaryMetricFamily,
)
from prometheus_client.exposition import generate_latest
from prometheus_client.platform_collector import PlatformCollector
from prometheus_client.process_collector import ProcessCollector
from prometheus_client.registry import Collector

from andante import __version__
from andante.app import Service
from andante.fhir_http.connection import Connection
from andante.site_map.wild import Matter
from andante.state.keeping import Duty
from andante.subscriptions.hooks import Hooks
from andante.triggers.operations.journal import Ending, Journal
from andante.triggers.operations.timetable import Timetable

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"
_PER_ROUND = ("patients", "advised", "incomplete", "failed", "unchanged")
_SECONDS = (0.005, 0.02, 0.1, 0.5, 2.0, 10.0, 60.0)


@dataclass(frozen=True, kw_only=True)
class Meters:
    """Everything that `/metrics` tells, gathered when it is asked."""

    registry: CollectorRegistry
    requests: Histogram

    def text(self) -> bytes:
        return generate_latest(self.registry)

    def request(self, *, route: str, method: str, status: int, seconds: float) -> None:
        """One request answered. `route` is the template of ours that it met, never the path that was asked."""
        self.requests.labels(route, method, str(status)).observe(seconds)


def meters(
    service: Service, connection: Connection, journal: Journal, timetable: Timetable, hooks: Hooks | None,
    *, reached: Callable[[], bool | None], now: Callable[[], datetime],
) -> Meters:  # fmt: skip
    """A registry of its own: two services in one process must not share counts."""
    registry = CollectorRegistry()
    ProcessCollector(registry=registry)
    PlatformCollector(registry=registry)
    registry.register(_Gathered(service, connection, journal, timetable, hooks, reached, now))
    requests = Histogram(
        "andante_request_seconds",
        "Requests answered by this service, by route.",
        ["route", "method", "status"],
        buckets=_SECONDS,
        registry=registry,
    )
    return Meters(registry=registry, requests=requests)


@dataclass(frozen=True, eq=False)
class _Gathered(Collector):
    service: Service
    connection: Connection
    journal: Journal
    timetable: Timetable
    hooks: Hooks | None
    reached: Callable[[], bool | None]
    now: Callable[[], datetime]

    def collect(self) -> Iterable[Metric]:
        yield from self._service()
        yield from self._rounds()
        yield from self._last_rounds()
        yield from self._server()
        yield from self._hooks()
        yield from self._unmapped()

    def _service(self) -> Iterable[Metric]:
        protocol = self.service.basis.protocol
        about = {"version": __version__, "protocol": protocol.id, "protocol_version": protocol.version}
        yield InfoMetricFamily("andante", "What runs.", value=about | {"protocol_hash": protocol.hash})
        yield _gauge("overlay_entries", "The protocol's numbers that the site has changed.", len(protocol.overlay))
        has_clock = self.service.settings.clock and self.journal.duty is not Duty.STANDS_BY
        yield _gauge("clock", "1 where rounds run by the clock in this process.", has_clock)
        if self.journal.state_problem is not None:
            kept = not self.journal.state_problem
            yield _gauge("state_kept", "1 where what must outlive a start is kept.", kept)
        yield _gauge("patients_failing", "Patients whose record failed when it was last read.", self.journal.failing)
        yield _gauge("started_timestamp_seconds", "When this process began.", self.journal.started.timestamp())

    def _rounds(self) -> Iterable[Metric]:
        ended = CounterMetricFamily(
            "andante_rounds", "Rounds that ended, or never began, since the start.", labels=["kind", "ending"]
        )
        kinds = sorted({*self.timetable.kinds, *(kind for kind, _ in self.journal.ended)})
        for kind in kinds:
            for ending in Ending:
                ended.add_metric([kind, ending.value], self.journal.ended[kind, ending])
        yield ended
        seconds = SummaryMetricFamily("andante_round_seconds", "How long rounds took.", labels=["kind"])
        for kind in kinds:
            count = sum(self.journal.ended[kind, ending] for ending in Ending)
            seconds.add_metric([kind], count, self.journal.milliseconds[kind] / 1000)
        yield seconds
        written = CounterMetricFamily("andante_inbox_entries", "Entries written to the inbox.", labels=["action"])
        for name, count in sorted(self.journal.written.items()):
            written.add_metric([name], count)
        yield written
        late = set(self.timetable.late(self.now()))
        is_late = GaugeMetricFamily(
            "andante_round_late", "1 where no round was completed for longer than the schedule allows.", labels=["kind"]
        )
        for kind in self.timetable.kinds:
            if kind != "night-watch":  # a round and a night watch make up for each other
                is_late.add_metric([kind], kind in late)
        yield is_late
        running = self.journal.running
        began = running.began.timestamp() if running is not None else 0
        yield _gauge("round_running_since_timestamp_seconds", "When the round that runs now began; 0 for none.", began)

    def _last_rounds(self) -> Iterable[Metric]:
        completed = GaugeMetricFamily(
            "andante_round_last_completed_timestamp_seconds",
            "When the last round ended that looked for everybody: the dead man's switch.",
            labels=["kind"],
        )
        for kind, one in sorted(self.journal.completed.items()):
            completed.add_metric([kind], one.ended.timestamp())
        yield completed
        whole = GaugeMetricFamily(
            "andante_round_last_whole_timestamp_seconds", "When the last whole round ended.", labels=["kind"]
        )
        for kind, one in sorted(self.journal.whole.items()):
            whole.add_metric([kind], one.ended.timestamp())
        yield whole
        due = GaugeMetricFamily(
            "andante_round_due_timestamp_seconds", "When the next round is to begin, after the last completed.",
            labels=["kind"],
        )  # fmt: skip
        for kind in self.timetable.kinds:
            due.add_metric([kind], self.timetable.due(kind).timestamp())
        yield due
        counts = GaugeMetricFamily(
            "andante_round_patients", "Patients of the last completed round.", labels=["kind", "count"]
        )
        for kind, one in sorted(self.journal.completed.items()):
            for name in _PER_ROUND:
                counts.add_metric([kind, name], one.counts.get(name, 0))
        yield counts

    def _server(self) -> Iterable[Metric]:
        answers = CounterMetricFamily(
            "andante_fhir_answers", "Answers of the FHIR server; status 0 stands for none.", labels=["method", "status"]
        )
        for (method, status), count in sorted(self.connection.answers.items()):
            answers.add_metric([method, str(status)], count)
        yield answers
        reached = self.reached()
        if reached is not None:
            yield _gauge("fhir_server_reachable", "Whether it answered when it was last looked for.", reached)

    def _hooks(self) -> Iterable[Metric]:
        if self.hooks is None:
            return
        watch, silent = self.hooks.watch, set(self.hooks.watch.silent(self.now()))
        active = GaugeMetricFamily("andante_hook_active", "1 where the server says so.", labels=["hook"])
        is_silent = GaugeMetricFamily(
            "andante_hook_silent", "1 where the server should have told something and has not.", labels=["hook"]
        )
        heard = GaugeMetricFamily(
            "andante_hook_last_heard_timestamp_seconds", "When the hook last told anything.", labels=["hook"]
        )
        told = CounterMetricFamily("andante_hook_notifications", "Notifications taken.", labels=["hook"])
        for name, hook in watch.hooks.items():
            active.add_metric([name], hook.active_since is not None)
            is_silent.add_metric([name], name in silent)
            told.add_metric([name], hook.notifications)
            if hook.last is not None:
                heard.add_metric([name], hook.last.timestamp())
        yield from (active, is_silent, heard, told)
        yield CounterMetricFamily("andante_hook_refused", "Notifications from nobody we know.", value=watch.refused)
        yield _gauge("hints_waiting", "Patients and changes still to be read again.", len(self.hooks.hints))

    def _unmapped(self) -> Iterable[Metric]:
        if self.journal.met is None:
            return
        kinds = GaugeMetricFamily(
            "andante_unmapped_kinds", "Codes and units met that the site map does not know.", labels=["matter"]
        )
        times = GaugeMetricFamily("andante_unmapped_times", "How often they were met.", labels=["matter"])
        for matter in Matter:
            found = self.journal.met.of(matter)
            kinds.add_metric([matter.value], len(found))
            times.add_metric([matter.value], sum(count for _, count in found))
        yield from (kinds, times)


def _gauge(name: str, text: str, value: float) -> GaugeMetricFamily:
    return GaugeMetricFamily(f"andante_{name}", text, value=float(value))
