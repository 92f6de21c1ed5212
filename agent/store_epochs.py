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


class Judged(Struct, frozen=True):
    """What to do about an ack message: first take what `ack` covers off the outbox, then move the rest."""

    ack: Ack | None = None
    move: Move | None = None


def judged(acks: Sequence[Ack], *, at: Standing, digest_of: Callable[[int], str | None]) -> Judged:
    """What `acks` say about a store that stands so.

    `digest_of` gives the digest of the store's own record of `at.epoch`, None where it cannot. An ack whose hash fits
    proves all up to its seq, for each record carries the hash of the one before it. A range beside it that begins
    right behind its seq holds records that do not follow that one.
    """
    known = [ack.epoch for ack in acks if ack.highest > 0]
    above = max([at.epoch, at.heard, *known]) + 1
    own = _own(acks, epoch=at.epoch)
    if own is not None and own.highest > 0:
        digest = None if own.hash is None or not 0 < own.seq <= at.last else digest_of(own.seq)
        why = _misfit(own, at=at, digest=digest)
        fits = digest is not None and digest == own.hash
        if why is not None:
            return Judged(Ack(own.epoch, own.seq, (), own.hash) if fits else None, Move(above, why))
        if fits or at.settled:
            return Judged(own)
    if not at.settled and any(epoch >= at.epoch for epoch in known):
        why = (
            f"The dispatch side knows this van from an earlier store, up to epoch {max(known)}; the van's computer has"
            " begun a new one."
        )
        return Judged(None, Move(above, why))
    return Judged()


def falls_short(acks: Sequence[Ack], *, epoch: int, acked: int) -> Ack | None:
    """The ack of this epoch if it does not cover all up to `acked`, which an earlier one did; else None.

    A dispatch side that knows other epochs of the vehicle but not this one holds nothing of it.
    """
    own = _own(acks, epoch=epoch) or (Ack(epoch, 0) if acks else None)
    if own is None:
        return None
    after = own.seq
    for first, last in sorted(own.also):
        if first <= after + 1:
            after = max(after, last)
    return own if after < acked else None


def _misfit(own: Ack, *, at: Standing, digest: str | None) -> str | None:
    if digest is not None and digest != own.hash:
        return (
            f"Under number {own.seq} of epoch {at.epoch} the dispatch side holds another record than the van's"
            " computer: its card was set back to an older copy, or another computer has a copy of it."
        )
    if own.highest > at.last:
        return (
            f"The dispatch side holds records up to number {own.highest} of epoch {at.epoch}, but the van's computer"
            f" has made {at.last}: its card was replaced or set back to an older copy, or another computer has a copy."
        )
    if any(first <= own.seq + 1 for first, _ in own.also):
        return (
            f"The dispatch side holds records beyond number {own.seq} of epoch {at.epoch} that do not follow it:"
            " another computer has written under the same numbers, with a copy of the card."
        )
    return None


def _own(acks: Sequence[Ack], *, epoch: int) -> Ack | None:
    found: Ack | None = None
    for ack in acks:
        if ack.epoch == epoch:
            found = ack if found is None else merge_acks(found, ack)
    return found
