"""The composition root: reads the settings once, builds what every assessment rests on, hands it down."""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, tzinfo
from functools import cached_property

from andante import clock, log, protocol_files, settings, site_map, spans
from andante.assess import Basis, Hospital, Outcome, Progress, RoundReport, review_one, round_over
from andante.audit import AuditLog
from andante.changed.memory import Memory
from andante.changed.round import Follower, changed_round, hinted_reviews, whole_round
from andante.chart.changes import ChangeReader
from andante.chart.chart import Chart, Inbox
from andante.chart.questions import ReadPlan
from andante.chart.reader import ChartReader
from andante.domain.advice import AdviceCode, NoticeCode
from andante.errors import InputError
from andante.fhir_http.auth import BearerToken, Identification
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.keys import KeyFiles
from andante.fhir_http.origin import Origin
from andante.fhir_http.read import FhirReader, Params
from andante.fhir_http.scopes import Needs
from andante.fhir_http.smart_auth import SmartBackend
from andante.fhir_http.smart_source import SmartClient, TokenSource
from andante.settings import Settings
from andante.writeback.allowlist import load_allowlist
from andante.writeback.gate import Gate
from andante.writeback.hooks import HookSite
from andante.writeback.inbox_of_server import inbox_writer
from andante.writeback.needs import needs
from andante.writeback.site import Site

_PAGE = ("_count", "500")


@dataclass(frozen=True, kw_only=True)
class Service:
    """Everything that is read once."""

    settings: Settings
    basis: Basis
    site: Site
    gate: Gate
    plan: ReadPlan

    def connect(self, base: str | None = None) -> Connection:
        """A connection to the FHIR server, to be used as an async context. Raises InputError without one."""
        base = base or self.settings.fhir_base
        if base is None:
            raise InputError("no FHIR server is named: give --fhir or set ANDANTE_FHIR_BASE")
        if self._identifies and not settings.is_private(base):
            raise InputError("the FHIR token would travel unencrypted: use an https address")
        server = ServerSettings(base=base, rewrite=self.settings.rewrite, concurrency=self.settings.concurrency)
        return Connection(server, auth=self._identification(Origin(base, self.settings.rewrite)), audit=self.audit)

    @property
    def _identifies(self) -> bool:
        return self.settings.fhir_token is not None or self.settings.smart_client_id is not None

    def _identification(self, origin: Origin) -> Identification | None:
        """Who we are to the server: by a token given, by SMART Backend Services, or nobody in particular."""
        token, client_id = self.settings.fhir_token, self.settings.smart_client_id
        if token is not None:
            return BearerToken(token.get_secret_value())
        if client_id is None or self.keys is None:
            return None
        client = SmartClient(
            client_id=client_id, keys=self.keys, needs=self.needs, token_url=self.settings.smart_token_url
        )
        return SmartBackend(TokenSource(client, origin), origin)

    @cached_property
    def keys(self) -> KeyFiles | None:
        """Our own key pairs, where the settings name any. Raises InputError for a file that cannot be used."""
        return KeyFiles(self.settings.smart_keys) if self.settings.smart_keys else None

    @cached_property
    def audit(self) -> AuditLog | None:
        """The audit log, opened when something is first to be recorded. Raises InputError."""
        path = self.settings.audit_file
        return AuditLog(path) if path is not None else None

    @property
    def needs(self) -> Needs:
        """What a server must let us do; Subscription is among it only where the settings name our endpoint."""
        return needs(self.plan, load_allowlist(hooks=self.hook_site is not None))

    @property
    def hook_site(self) -> HookSite | None:
        """Our endpoint for notifications, where the settings name it."""
        return _hook_site(self.settings)

    def hospital(self, connection: Connection, *, now: datetime) -> Hospital:
        """The server as one round uses it: readers are made anew for each."""
        fhir = FhirReader(connection)

        def reader() -> ChartReader:
            return ChartReader(fhir, self.plan, now=now)

        async def read_inbox(patient: str) -> Inbox:
            (inbox,) = await reader().inbox([patient.removeprefix("Patient/")])
            return inbox

        return Hospital(
            fhir=fhir,
            reader=reader(),
            writer=inbox_writer(connection, site=self.site, gate=self.gate, read_inbox=read_inbox),
            open_items=open_item_questions(self.site),
            identifier_systems=self.plan.inbox_systems,
            routes_by_ward=bool(self.site.ward_recipients),
        )

    async def run_round(
        self,
        connection: Connection,
        *,
        trigger: str,
        now: datetime | None = None,
        dry_run: bool = False,
        progress: Progress | None = None,
        each: Callable[[Outcome], None] | None = None,
        memory: Memory | None = None,
        only_changed: bool = False,
        met: Callable[[Chart], None] | None = None,
    ) -> RoundReport:
        """One round, logged. `now` defaults to the clock. Raises a ServerError when the census fails.

        With a `memory` the round is remembered there, and with `only_changed` it reads only whom it must. Without
        one, `each` may take every outcome as it is done, so that none is kept. `met` is shown every chart that was
        read whole.
        """
        with (
            log.correlated("round", log.current("round") or log.new_id()),
            spans.span("round", trigger=trigger, dry_run=dry_run) as span,
        ):
            report = await self._round(
                connection,
                trigger=trigger,
                now=now,
                dry_run=dry_run,
                progress=progress,
                each=each,
                memory=memory,
                only_changed=only_changed,
                met=met,
            )
            span.tell({"complete": report.whole, **report.counts})
            return report

    async def _round(
        self,
        connection: Connection,
        *,
        trigger: str,
        now: datetime | None,
        dry_run: bool,
        progress: Progress | None,
        each: Callable[[Outcome], None] | None,
        memory: Memory | None,
        only_changed: bool,
        met: Callable[[Chart], None] | None,
    ) -> RoundReport:
        began = clock.now()
        now = now or began
        log.say("round.started", trigger=trigger, dry_run=dry_run)
        hospital = self.hospital(connection, now=now)
        if met is not None:
            hospital = replace(hospital, remember=lambda served: met(served.chart))
        if memory is None or dry_run:
            report = await round_over(hospital, self.basis, now=now, dry_run=dry_run, progress=progress, each=each)
        else:
            follower = Follower(
                memory=memory,
                changes=ChangeReader(connection, self.plan, now=now),
                site=self.site,
                overlap=timedelta(seconds=self.settings.changes_overlap_s),
            )
            run = changed_round if only_changed else whole_round
            report = await run(hospital, self.basis, follower, now=now)
        seconds = (clock.now() - began).total_seconds()
        log.say("round.finished", trigger=trigger, seconds=seconds, complete=report.whole, **report.counts)
        return report

    async def review(self, connection: Connection, patient_id: str, *, now: datetime | None = None) -> Outcome | None:
        """One patient now, logged; None when not in the hospital. Raises a ServerError."""
        now = now or clock.now()
        with spans.span("review"):
            outcome = await review_one(self.hospital(connection, now=now), self.basis, patient_id, now=now)
        log.say("review.finished", patients=int(outcome is not None))
        return outcome

    async def review_hinted(
        self, connection: Connection, memory: Memory, patients: Collection[str], *, now: datetime | None = None
    ) -> list[Outcome]:
        """Those of the patients (ids) whom it concerns, read again, logged. Raises Unreachable."""
        now = now or clock.now()
        hospital = self.hospital(connection, now=now)
        with (
            log.correlated("round", log.current("round") or log.new_id()),
            spans.span("hints", patients=len(patients)),
        ):
            outcomes = await hinted_reviews(hospital, self.basis, memory, patients, now=now)
            log.say("hints.finished", patients=len(outcomes), failed=sum(not outcome.whole for outcome in outcomes))
        return outcomes


def build(given: Settings, *, zone: tzinfo | None = None) -> Service:
    """Read protocol, codes and site. `zone` stands in where the settings name none. Raises InputError."""
    zone = given.time_zone or zone or UTC
    local = site_map.load(given.site, canonical=given.canonical_base)
    codes = local.codes
    site = Site(
        base=given.canonical_base,
        zone=zone,
        recipients=local.routing,
        ward_recipients=local.ward_routing,
        escalation=local.escalation,
    )
    basis = Basis(codes=codes, protocol=protocol_files.load(given.protocol, given.overlay), zone=zone)
    plan = ReadPlan(
        observation_codes=codes.observation_tokens,
        inbox_systems=frozenset({site.identifiers("advice"), site.identifiers("notice")}),
    )
    return Service(settings=given, basis=basis, site=site, gate=Gate(site, hook=_hook_site(given)), plan=plan)


def _hook_site(given: Settings) -> HookSite | None:
    if given.notify_url is None or given.notify_secret is None:
        return None
    return HookSite(
        address=given.notify_url,
        secret=given.notify_secret.get_secret_value(),
        topic=given.notify_topic,
        content=given.notify_content,
    )


def open_item_questions(site: Site) -> Mapping[str, Params]:
    """How to find what was left open, whoever it is about: by our codes, each named in full."""
    advice = ",".join(f"{site.system('advice')}|{code}" for code in AdviceCode if not code.is_silent)
    notice = ",".join(f"{site.system('notice')}|{code}" for code in NoticeCode)
    return {
        "Task": (("status", "requested"), ("code", advice), _PAGE),
        "CommunicationRequest": (("status", "active,draft"), ("category", notice), _PAGE),
    }
