"""The chain that a vehicle's records form: how each is sealed, and which is the first that does not fit; floor 1.

A record carries `prev`, the digest of the record before it in its epoch (empty for the first), and `sig`, the vehicle's
Ed25519 signature (RFC 8032) of its own digest, in base64. The digest is SHA-256 over seven lines: `roadtally record 1`,
vehicle, epoch, seq, kind, `prev`, and the SHA-256 of the body's octets as they were first written. The body itself is
not among them, so that a record whose personal data were erased when their time was over still proves its place.

A chain tells what was changed, left out or put in between two records of it. It cannot tell that its newest records
are missing; for that `head` says what somebody else knows of its end.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
from collections.abc import Callable, Iterable
from typing import Literal

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from msgspec import Struct

Fault = Literal["changed", "missing", "inserted", "wrong key", "not signed"]
_KEY_PREFIX = "ed25519:"


class Sealed(Struct, frozen=True):
    """One record as it is kept. `content` is the digest of its body; `body` is None where it was erased on purpose."""

    seq: int
    kind: str
    content: str
    prev: str | None
    sig: str | None
    body: bytes | None = None


class Misfit(Struct, frozen=True):
    """The first record of an epoch that does not fit; `text` says it in words."""

    epoch: int
    seq: int
    fault: Fault
    text: str


class Start(Struct, frozen=True):
    """Where a side's records of an epoch begin, because it has deleted what was before them on purpose.

    `count` are all that it deleted, `seq` is the last of them from the beginning on, with `digest` (None: not known
    any more); `sealed` tells whether that one was signed, `until` when the last of them had come in, as text.
    """

    seq: int
    digest: str | None
    count: int
    sealed: bool = True
    until: str | None = None


class Walked(Struct, frozen=True):
    """An epoch walked from its beginning: up to `seq` all fit, the last of them with `digest`.

    `unsigned` records at its beginning are from before records were signed; `erased` ones have no body any more.
    """

    epoch: int
    seq: int
    digest: str
    unsigned: int = 0
    erased: int = 0
    misfit: Misfit | None = None


class KeptEpoch(Struct, frozen=True):
    """One epoch of a vehicle's chain as one side keeps it; `head` as for `walk`, None where nobody else knows one.

    `key` is the public key that this side has noted for this epoch; None where it is the chain's. `after` is set where
    records were deleted on purpose; `notes` are what else this side knows of the epoch, each a sentence.
    """

    epoch: int
    records: tuple[Sealed, ...]
    head: tuple[int, str] | None = None
    key: str | None = None
    after: Start | None = None
    notes: tuple[str, ...] = ()


class KeptChain(Struct, frozen=True):
    """All that one side keeps of a vehicle's chain; `key` is the public key it goes by, as text, None without one.

    Where it is `pinned` no other key may have signed any record, whatever is noted for an epoch.
    """

    vehicle: str
    key: str | None
    epochs: tuple[KeptEpoch, ...]
    pinned: bool = False


def content_digest(body: bytes) -> str:
    """`sha-256:` and the hex digits for a body's octets."""
    return "sha-256:" + hashlib.sha256(body).hexdigest()


def digest(*, vehicle: str, epoch: int, seq: int, kind: str, prev: str, content: str) -> str:
    """A record's digest, which the next one carries and the vehicle signs."""
    lines = ("roadtally record 1", vehicle, str(epoch), str(seq), kind, prev, content)
    return "sha-256:" + hashlib.sha256("\n".join(lines).encode()).hexdigest()


def sign(record_digest: str, *, by: Callable[[bytes], bytes]) -> str:
    """The `sig` of a record: `by` is an Ed25519 private key's `sign`."""
    return base64.b64encode(by(record_digest.encode())).decode()


def key_text(public: bytes) -> str:
    """A public key of 32 octets as it stands in messages and logs."""
    return _KEY_PREFIX + base64.b64encode(public).decode()


def parse_key(text: str) -> Ed25519PublicKey:
    """The key that `key_text` wrote; raises ValueError for anything else."""
    if not text.startswith(_KEY_PREFIX):
        raise ValueError(f"a vehicle's key begins with {_KEY_PREFIX} (got {text[:20]!r})")
    return Ed25519PublicKey.from_public_bytes(base64.b64decode(text.removeprefix(_KEY_PREFIX), validate=True))


def is_signed_by(key: Ed25519PublicKey, record_digest: str, sig: str | None) -> bool:
    """Whether `sig` is that key's signature of the digest."""
    try:
        key.verify(base64.b64decode(sig or "", validate=True), record_digest.encode())
    except (InvalidSignature, binascii.Error, ValueError):
        return False
    return True


def walk(
    records: Iterable[Sealed],
    *,
    vehicle: str,
    epoch: int,
    key: Ed25519PublicKey,
    head: tuple[int, str] | None = None,
    after: Start | None = None,
) -> Walked:
    """Walk one epoch in order of seq, up to the first record that does not fit.

    `head` is a seq and the digest that somebody else knows of it: the chain must reach it, and fit it. The walk begins
    after `after`; of records before it, which came in when their neighbours were deleted, each is looked at alone.
    """
    path = _Walk(vehicle, epoch, key, after)
    ahead = iter(records)
    record = next(ahead, None)
    while record is not None:
        following = next(ahead, None)
        misfit = path.step(record, following)
        if misfit is None and head is not None and record.seq == head[0] and path.digest != head[1]:
            misfit = path.fault(record.seq, "changed", "is another than the one that was acknowledged")
        if misfit is not None:
            return path.result(misfit)
        record = following
    if head is not None and path.seq < head[0]:
        return path.result(path.fault(path.seq + 1, "missing", f"and all after it up to {head[0]} are not there"))
    return path.result(None)


class _Walk:
    def __init__(self, vehicle: str, epoch: int, key: Ed25519PublicKey, after: Start | None) -> None:
        self._vehicle, self._epoch, self._key = vehicle, epoch, key
        self._begins_after, self.seq, self._unsigned, self._erased = 0, 0, 0, 0
        self.digest: str | None = ""
        self._any_signed = False
        if after is not None:
            self._begins_after = self.seq = after.seq
            self.digest, self._any_signed = after.digest, after.sealed

    def result(self, misfit: Misfit | None) -> Walked:
        return Walked(self._epoch, self.seq, self.digest or "", self._unsigned, self._erased, misfit)

    def fault(self, seq: int, fault: Fault, words: str) -> Misfit:
        return Misfit(self._epoch, seq, fault, f"record {seq} of epoch {self._epoch} {words}")

    def step(self, record: Sealed, following: Sealed | None) -> Misfit | None:
        """Go on by one record; what does not fit about it."""
        if record.seq <= self._begins_after:
            return self._alone(record)
        misfit = self._misplaced(record)
        if misfit is not None:
            return misfit
        prev = record.prev or ""
        if record.sig is not None:
            own = self._digest(record, prev)
            if not is_signed_by(self._key, own, record.sig):
                return self._not_by_the_key(record, own, following)
            if self.digest not in (None, prev) and (self._any_signed or prev):
                return self.fault(record.seq, "inserted", f"does not follow record {self.seq}, which stands before it")
            self._any_signed = True
        self.seq, self.digest = record.seq, self._digest(record, prev)
        self._unsigned += record.sig is None
        self._erased += record.body is None
        return None

    def _alone(self, record: Sealed) -> Misfit | None:
        changed = record.body is not None and content_digest(record.body) != record.content
        own = self._digest(record, record.prev or "")
        if changed or (record.sig is not None and not is_signed_by(self._key, own, record.sig)):
            return self.fault(record.seq, "changed", "is not what the vehicle's key signed")
        self._unsigned += record.sig is None
        self._erased += record.body is None
        return None

    def _misplaced(self, record: Sealed) -> Misfit | None:
        if record.seq > self.seq + 1:
            return self.fault(self.seq + 1, "missing", "is not there")
        if record.seq <= self.seq:
            return self.fault(record.seq, "inserted", "is there twice")
        if record.body is not None and content_digest(record.body) != record.content:
            return self.fault(record.seq, "changed", "does not hold what it held when it was sealed")
        if (record.sig is None or record.prev is None) and self._any_signed:
            return self.fault(record.seq, "not signed", "carries no signature, though earlier ones do")
        return None

    def _not_by_the_key(self, record: Sealed, own: str, following: Sealed | None) -> Misfit:
        prev = record.prev or ""
        for seq in range(record.seq + 1, record.seq + 4):  # taken out, and what followed numbered anew
            if is_signed_by(self._key, self._digest(record, prev, seq=seq), record.sig):
                return self.fault(record.seq, "missing", f"is not there; the one that now bears its number was {seq}")
        if following is not None and following.prev == self.digest:
            return self.fault(record.seq, "inserted", "was put in: the one after it follows the one before it")
        if record.prev == self.digest and following is not None and following.prev == own:
            return self.fault(record.seq, "wrong key", "fits its neighbours, but another key signed it")
        return self.fault(record.seq, "changed", "is not what the vehicle's key signed")

    def _digest(self, record: Sealed, prev: str, *, seq: int | None = None) -> str:
        return digest(
            vehicle=self._vehicle,
            epoch=self._epoch,
            seq=record.seq if seq is None else seq,
            kind=record.kind,
            prev=prev,
            content=record.content,
        )
