"""The writer of one server's inboxes: the only place where a writer meets a connection."""

from andante.fhir_http.connection import Connection
from andante.fhir_http.write import FhirWriter
from andante.writeback.gate import Gate
from andante.writeback.site import Site
from andante.writeback.writer import AnswerWriter, InboxWriter, ReadInbox


def inbox_writer(connection: Connection, *, site: Site, gate: Gate, read_inbox: ReadInbox) -> InboxWriter:
    """Everything it sends has passed `gate`."""
    return InboxWriter(site=site, gate=gate, server=FhirWriter(connection), read_inbox=read_inbox)


def answer_writer(connection: Connection, *, site: Site, gate: Gate) -> AnswerWriter:
    """Everything it sends has passed `gate`, by the door for people's answers."""
    return AnswerWriter(site=site, gate=gate, server=FhirWriter(connection))
