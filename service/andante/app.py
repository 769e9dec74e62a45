"""The composition root: reads the settings once, builds what every assessment rests on, hands it down."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from andante import clock, log, protocol_files, settings
from andante.assess import Basis, Hospital, Outcome, Progress, RoundReport, review_one, round_over
from andante.chart.chart import Inbox
from andante.chart.codes import load_codes
from andante.chart.questions import ReadPlan
from andante.chart.reader import ChartReader
from andante.domain.advice import AdviceCode, NoticeCode, Tell
from andante.errors import InputError
from andante.fhir_http.auth import BearerToken
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.read import FhirReader, Params
from andante.settings import Settings
from andante.writeback.gate import Gate
from andante.writeback.inbox_of_server import inbox_writer
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
        token = self.settings.fhir_token
        if token is not None and not settings.is_private(base):
            raise InputError("the FHIR token would travel unencrypted: use an https address")
        server = ServerSettings(base=base, rewrite=self.settings.rewrite, concurrency=self.settings.concurrency)
        return Connection(server, auth=BearerToken(token.get_secret_value()) if token else None)

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
        )

    async def run_round(
        self,
        connection: Connection,
        *,
        trigger: str,
        now: datetime | None = None,
        dry_run: bool = False,
        progress: Progress | None = None,
    ) -> RoundReport:
        """One round, logged. `now` defaults to the clock. Raises a ServerError when the census fails."""
        began = clock.now()
        now = now or began
        log.say("round.started", trigger=trigger, dry_run=dry_run)
        report = await round_over(
            self.hospital(connection, now=now), self.basis, now=now, dry_run=dry_run, progress=progress
        )
        seconds = (clock.now() - began).total_seconds()
        log.say("round.finished", trigger=trigger, seconds=seconds, complete=report.whole, **report.counts)
        return report

    async def review(self, connection: Connection, patient_id: str, *, now: datetime | None = None) -> Outcome | None:
        """One patient now, logged; None when not in the hospital. Raises a ServerError."""
        now = now or clock.now()
        outcome = await review_one(self.hospital(connection, now=now), self.basis, patient_id, now=now)
        log.say("review.finished", patients=int(outcome is not None))
        return outcome


def build(given: Settings, *, zone: tzinfo | None = None) -> Service:
    """Read protocol, codes and site. `zone` stands in where the settings name none. Raises InputError."""
    zone = given.time_zone or zone or UTC
    site = Site(base=given.canonical_base, zone=zone, recipients=_recipients(given.routing))
    codes = load_codes(overlay=given.codes, canonical=given.canonical_base)
    basis = Basis(codes=codes, protocol=protocol_files.load(given.protocol, given.overlay), zone=zone)
    plan = ReadPlan(
        observation_codes=codes.observation_tokens,
        inbox_systems=frozenset({site.identifiers("advice"), site.identifiers("notice")}),
    )
    return Service(settings=given, basis=basis, site=site, gate=Gate(site), plan=plan)


def open_item_questions(site: Site) -> Mapping[str, Params]:
    """How to find what was left open, whoever it is about: by our codes, each named in full."""
    advice = ",".join(f"{site.system('advice')}|{code}" for code in AdviceCode if not code.is_silent)
    notice = ",".join(f"{site.system('notice')}|{code}" for code in NoticeCode)
    return {
        "Task": (("status", "requested"), ("code", advice), _PAGE),
        "CommunicationRequest": (("status", "active,draft"), ("category", notice), _PAGE),
    }


def _recipients(routing: Mapping[str, str]) -> Mapping[Tell, str]:
    return {Tell(name): reference for name, reference in routing.items()}
