"""What must be written, as data: the least that turns the inbox that stands into the one that is wanted."""

from dataclasses import dataclass

from andante.writeback.codes import CancelReason, Kind
from andante.writeback.identity import Identity
from andante.writeback.proposal import Proposal
from andante.writeback.standing import Standing


@dataclass(frozen=True, slots=True, kw_only=True)
class Create:
    """Leave a new Task or notice. `instead_of` are earlier ones it replaces: ours, taken back in the same
    transaction, and a person's, which stay as they are and are named in the text."""

    proposal: Proposal
    identity: Identity
    instead_of: tuple[Standing, ...] = ()
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Refresh:
    """Renew evidence and text of an untouched item in place."""

    standing: Standing
    proposal: Proposal
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Cancel:
    """Take back an untouched Task."""

    standing: Standing
    why: CancelReason
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Revoke:
    """Take back an untouched notice."""

    standing: Standing
    why: CancelReason
    reason: str


Action = Create | Refresh | Cancel | Revoke


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Empty when the inbox is as it should be, or when `held_back` says why nothing may be written."""

    actions: tuple[Action, ...] = ()
    held_back: str = ""

    def __bool__(self) -> bool:
        return bool(self.actions)


def take_back(standing: Standing, why: CancelReason, reason: str) -> Cancel | Revoke:
    """Cancel or Revoke, whichever its kind asks for."""
    make = Cancel if standing.kind is Kind.ADVICE else Revoke
    return make(standing=standing, why=why, reason=reason)
