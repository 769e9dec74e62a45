"""A sandbox: a small, in-memory FHIR R4 server for the demo and for our own tests.

Fictional data only, not for clinical use. It keeps nothing on disk, asks for no credentials and binds to
loopback. What it can do is listed by its own CapabilityStatement, and it refuses the rest out loud.

    app (HTTP) ──▶ transaction (Bundles) ──▶ endpoint (one interaction) ──▶ search · validation · store
"""

from andante.sandbox.app import BASE_PATH, Sandbox
from andante.sandbox.recording import Seen
from andante.sandbox.serving import running

__all__ = ["BASE_PATH", "Sandbox", "Seen", "running"]
