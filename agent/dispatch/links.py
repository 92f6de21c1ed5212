"""Which of a vehicle's records, as they come in, do not fit their neighbours in its chain (`agent.chain`); pure.

What is asked here is cheap, for every record that comes in passes by: whether each follows the one before it, and
whether the last of a run that hangs together is signed, which proves the run. The whole walk is `agent.chain.walk`'s.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from msgspec import Struct

from agent.chain import digest, is_signed_by, parse_key

OTHER_KEY = "is signed with another key than the one this van came with first"
NOT_SIGNED_SO = "is not what its signature was made for"
UNSIGNED = "carries no signature, though the one before it does"
NOT_THE_FIRST = "is the first of its epoch, but names one before it"
DOES_NOT_FOLLOW = "does not follow the one before it as that one came in"

_parsed = lru_cache(maxsize=1024)(parse_key)


class Link(Struct, frozen=True):
    """A record's place in its chain; `content` is None where nothing is known of the body as it was."""

    seq: int
    kind: str
    content: str | None
    prev: str | None
    sig: str | None
    key: str | None = None

    @property
    def is_sealed(self) -> bool:
        """Whether it carries a signature and what it follows."""
        return self.sig is not None and self.prev is not None

    def digest(self, vehicle: str, epoch: int) -> str | None:
        """Its own digest, where it can be told."""
        if self.content is None:
            return None
        prev = self.prev or ""
        return digest(vehicle=vehicle, epoch=epoch, seq=self.seq, kind=self.kind, prev=prev, content=self.content)


def link_of(row: Mapping[str, Any]) -> Link:
    """The place of a record by its row."""
    return Link(row["seq"], row["kind"], row["content"], row["prev"], row["sig"], row["key"])


class Checked(Struct, frozen=True):
    """What does not fit, by seq, in words; `fork` is the first seq that follows another record than the one here."""

    misfits: dict[int, str]
    fork: int | None = None


def check(
    fresh: Mapping[int, Link], around: Mapping[int, Link], *, vehicle: str, epoch: int, pinned: str | None
) -> Checked:
    """Look at `fresh` records of an epoch and at those `around` them that were there before.

    What is said of a record depends on it and on its neighbours, whichever came first.
    """
    digests = {seq: link.digest(vehicle, epoch) for seq, link in fresh.items()}
    found = {seq: OTHER_KEY for seq, each in fresh.items() if each.is_sealed and each.key not in (None, pinned)}
    forks: list[int] = []
    run: list[Link] = []
    links: dict[int, str] = {}
    for seq in sorted(fresh):
        link, before = fresh[seq], fresh.get(seq - 1) or around.get(seq - 1)
        text = None
        if before is not None or seq == 1:
            text = _place(before, link, vehicle, epoch, digests)
        if text is not None:
            links[seq] = text
        if run and (text is not None or run[-1].seq != seq - 1 or run[-1].key != link.key):
            found |= _unproved(run, digests, pinned)
            run = []
        if link.is_sealed:
            run.append(link)
        after = None if seq + 1 in fresh else around.get(seq + 1)
        if after is not None and (text := _place(link, after, vehicle, epoch, digests)) is not None:
            links[seq + 1] = text
    if run:
        found |= _unproved(run, digests, pinned)
    forks = [seq for seq, text in links.items() if text == DOES_NOT_FOLLOW]
    return Checked(links | found, min(forks, default=None))


def _place(before: Link | None, link: Link, vehicle: str, epoch: int, digests: Mapping[int, str | None]) -> str | None:
    if not link.is_sealed:
        return UNSIGNED if before is not None and before.is_sealed else None
    if before is None:
        return NOT_THE_FIRST if link.prev else None
    own = digests[before.seq] if before.seq in digests else before.digest(vehicle, epoch)
    if own is None or link.prev == own or (not link.prev and not before.is_sealed):
        return None
    return DOES_NOT_FOLLOW


def _unproved(run: list[Link], digests: Mapping[int, str | None], pinned: str | None) -> dict[int, str]:
    name = run[0].key or pinned
    if name is None:
        return {}
    key = _parsed(name)
    if _is_signed(run[-1], digests, key):
        return {}
    return {each.seq: NOT_SIGNED_SO for each in run if not _is_signed(each, digests, key)}


def _is_signed(link: Link, digests: Mapping[int, str | None], key: Ed25519PublicKey) -> bool:
    own = digests[link.seq]
    return own is not None and is_signed_by(key, own, link.sig)
