"""The only thing the writer sends."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Cleared:
    """A transaction Bundle (JSON, UTF-8) that passed the write gate. Only `writeback.gate` constructs it."""

    body: bytes
