"""Epochs: what an ack says about the store that hears it. Pure; `agent.store_numbering` does what it says.

`(vehicle, epoch, seq)` names a record for ever. A replaced card, one that was set back to an older copy, or two
computers with copies of one card would give a name twice. An ack tells: the dispatch side holds more of this epoch
than there is, or another record under a number than this store's. Then what no ack has covered moves into an epoch
above all that were heard of. Where the own epoch's hash fits nothing moves, even if others have gone on in a higher
one: so two copies of a card end in two epochs and stay there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from msgspec import Struct

from agent.messages import Ack, merge_acks


class Standing(Struct, frozen=True):
    """Where the store stands: it has records up to `last` in `epoch`.

    `settled`: some of them may have been published. `heard` is the highest epoch that any ack ever named.
    """

    epoch: int
    last: int
    settled: bool
    heard: int


class Move(Struct, frozen=True):
    """What no ack covered goes to `epoch`; `why` is a sentence for who runs the fleet."""

    epoch: int
    why: str


def own_ack(acks: Sequence[Ack], *, epoch: int) -> Ack | None:
    """What `acks` say of `epoch`; None where they say nothing."""
    found: Ack | None = None
    for ack in acks:
        if ack.epoch == epoch:
            found = ack if found is None else merge_acks(found, ack)
    return found


def judged(acks: Sequence[Ack], *, at: Standing, digest_of: Callable[[int], str | None]) -> Move | None:
    """Whether the store must give its records new numbers; None where the acks fit it.

    `digest_of` gives the digest of the store's own record of `at.epoch`, None where it cannot.
    """
    known = [ack.epoch for ack in acks if ack.highest > 0]
    above = max([at.epoch, at.heard, *known]) + 1
    own = own_ack(acks, epoch=at.epoch)
    if own is not None and own.highest > at.last:
        return Move(
            above,
            f"The dispatch side holds {own.highest} records of epoch {at.epoch} of this van, but the van's computer has"
            f" made {at.last}: its card was replaced or set back to an older copy, or another computer has a copy.",
        )
    digest = None if own is None or own.hash is None or own.seq < 1 else digest_of(own.seq)
    if own is not None and own.hash is not None and digest is not None:
        if digest == own.hash:
            return None
        return Move(
            above,
            f"Under number {own.seq} of epoch {at.epoch} the dispatch side holds another record than the van's"
            " computer: its card was set back to an older copy, or another computer has a copy of it.",
        )
    if not at.settled and any(epoch >= at.epoch for epoch in known):
        return Move(
            above,
            f"The dispatch side knows this van from an earlier store, up to epoch {max(known)}; the van's computer"
            " has begun a new one.",
        )
    return None
