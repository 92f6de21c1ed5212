"""The state written down and read again: a checkpoint core, and what holds still as blocks that are written once.

In blocks are the closed slots, each forward belief at a past moment, and the ledger of what was stated: nine tenths of
a state in the evening, and most half minutes change none of them. The core names the blocks that belong to it.
A belief or a ledger that is superseded leaves its block behind; when more blocks are superseded than are in use, all
begins anew under higher numbers, and those below `first_block` can go.

MessagePack by msgspec: keys that a later version adds take their defaults, so an upgrade goes on where the old version
stood. A core that cannot be read raises StoreError, and the caller begins anew and says so.
"""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Mapping, Sequence
from typing import Any

import msgspec
import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from agent.errors import StoreError
from agent.presence.belief import Checkpoint
from agent.presence.slots import Slot
from agent.state import State
from agent.statements import Ledger

BLOCK_SLOTS = 64
VERSION = 2
# From version 1, which had nothing but slots in blocks, it still goes on.
_READABLE = (1, VERSION)
# A core is filled up to such a length, which with the rest of its row fills the store's pages of 1024 bytes whole: the
# next one often has the same length and is then written over the last in place, without pages freed and taken.
_PAGE_BYTES, _FIRST_BYTES = 1020, 948
# Superseded blocks that are let lie in any case.
LET_LIE = 32


class _Core(Struct, frozen=True):
    version: int
    state: State
    first_block: int
    blocks: int
    blocked_slots: int
    of_slots: tuple[int, ...] | None = None  # the numbers of their blocks; None in version 1: all there are
    of_beliefs: tuple[int, ...] = ()
    of_ledger: int | None = None


class Written(Struct, frozen=True):
    """What stands in blocks already: pass it to the next `encode`.

    `blocks` numbers are given from `first_block` on; `slots` of the slots are in those `of_slots`; `parts` are the
    other blocks in use, by the digest of what is in them.
    """

    first_block: int = 1
    blocks: int = 0
    slots: int = 0
    era: int = 0
    of_slots: tuple[int, ...] = ()
    parts: Mapping[str, int] = {}

    @property
    def superseded(self) -> int:
        """How many blocks are no longer in use."""
        return self.blocks - len(self.of_slots) - len(self.parts)

    def anew(self, era: int) -> Written:
        """Nothing is written yet; numbers go on."""
        return Written(first_block=self.first_block + self.blocks, era=era)


def _to_wire(value: object) -> object:
    if isinstance(value, np.ndarray):
        # Beliefs are rounded to float32 wherever they are kept, so that nothing is lost here.
        kind = np.dtype(np.float32) if value.ndim == 2 else value.dtype  # noqa: PLR2004 - (tags, states)
        plain = np.ascontiguousarray(value, dtype=kind)
        # First every number's first byte, then every second: signs and exponents are alike, and so pack better.
        by_byte = plain.reshape(-1).view(np.uint8).reshape(-1, kind.itemsize).T.tobytes()
        return [value.dtype.str, kind.str, list(value.shape), by_byte, True]
    if isinstance(value, np.generic):
        return value.item()
    raise NotImplementedError(f"{type(value)} cannot be written to a checkpoint")


def _from_wire(kind: type, value: Any) -> object:  # noqa: ANN401 - msgspec hands over what it decoded
    if getattr(kind, "__origin__", kind) is np.ndarray:
        dtype, stored, shape, data, *by_byte = value  # version 1 had them number after number
        stored = np.dtype(stored)
        if by_byte:
            data = np.frombuffer(data, dtype=np.uint8).reshape(stored.itemsize, -1).T.tobytes()
        return np.frombuffer(data, dtype=stored).reshape(shape).astype(np.dtype(dtype))
    raise NotImplementedError(f"{kind} cannot be read from a checkpoint")


_ENCODER = msgspec.msgpack.Encoder(enc_hook=_to_wire)
_CORE = msgspec.msgpack.Decoder(_Core, dec_hook=_from_wire)
_SLOTS = msgspec.msgpack.Decoder(tuple[Slot, ...], dec_hook=_from_wire)
_BELIEF = msgspec.msgpack.Decoder(Checkpoint, dec_hook=_from_wire)
_LEDGER = msgspec.msgpack.Decoder(Ledger, dec_hook=_from_wire)


_KINDS: dict[type, bytes] = {Checkpoint: b"B", Ledger: b"L"}  # each block says what it holds


class _Writer:
    """Blocks that are new, beside those `written` before."""

    def __init__(self, written: Written) -> None:
        self._before = written
        self.next = written.first_block + written.blocks
        self.new: list[tuple[int, bytes]] = []
        self.parts: dict[str, int] = {}

    def add(self, content: bytes) -> int:
        """The number of a new block."""
        self.new.append((self.next, zlib.compress(content)))
        self.next += 1
        return self.new[-1][0]

    def part(self, value: Checkpoint | Ledger) -> int:
        """The number of the block that holds this: one written before, if there is one."""
        content = _KINDS[type(value)] + _ENCODER.encode(value)
        name = _name(content)
        known = self.parts.get(name, self._before.parts.get(name))
        self.parts[name] = self.add(content) if known is None else known
        return self.parts[name]


def _packed(core: _Core) -> bytes:
    packed = zlib.compress(_ENCODER.encode(core), 9)
    return packed + bytes((_FIRST_BYTES - len(packed)) % _PAGE_BYTES)


def _unpacked(core: bytes) -> bytes:
    unpack = zlib.decompressobj()
    content = unpack.decompress(core)
    if not unpack.eof:
        raise ValueError("it is cut off")
    if unpack.unused_data and (any(unpack.unused_data) or len(core) % _PAGE_BYTES != _FIRST_BYTES):
        raise ValueError("it does not end where it should")
    return content


def _name(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:32]


def encode(state: State, written: Written) -> tuple[bytes, tuple[tuple[int, bytes], ...], Written]:
    """The core, the blocks that are new since `written`, and what is written once both are stored."""
    belief = state.belief
    if belief is None:
        core = _Core(VERSION, state, written.first_block, written.blocks, 0, of_slots=())
        after = Written(written.first_block, written.blocks)
        return _packed(core), (), after
    in_use = len(written.of_slots) + len(written.parts)
    if belief.era != written.era or written.superseded > max(LET_LIE, in_use):
        written = written.anew(belief.era)
    writer, slots, done = _Writer(written), belief.slots, written.slots
    of_slots = list(written.of_slots)
    while len(slots) - done >= BLOCK_SLOTS:
        of_slots.append(writer.add(_ENCODER.encode(slots[done : done + BLOCK_SLOTS])))
        done += BLOCK_SLOTS
    of_beliefs = tuple(writer.part(checkpoint) for checkpoint in belief.checkpoints)
    of_ledger = writer.part(state.ledger)
    after = Written(
        written.first_block, writer.next - written.first_block, done, belief.era, tuple(of_slots), writer.parts
    )
    rest = replace(state, belief=replace(belief, slots=slots[done:], checkpoints=()), ledger=Ledger())
    core = _Core(VERSION, rest, after.first_block, after.blocks, done, after.of_slots, of_beliefs, of_ledger)
    return _packed(core), tuple(writer.new), after


def decode(core: bytes, blocks: Mapping[int, bytes] | Sequence[tuple[int, bytes]]) -> tuple[State, Written]:
    """The state as it was, and what of it stands in blocks. Raises StoreError."""
    by_number = dict(blocks)
    try:
        read = _CORE.decode(_unpacked(core))
        if read.version not in _READABLE:
            raise ValueError(f"version {read.version}, this program writes {VERSION}")  # noqa: TRY301 - told as the rest
        return _put_together(read, by_number)
    except (zlib.error, msgspec.MsgspecError, KeyError, ValueError) as error:
        raise StoreError(f"the checkpoint cannot be read ({error}); the tally begins anew from here") from error


def _put_together(read: _Core, by_number: Mapping[int, bytes]) -> tuple[State, Written]:
    of_slots = read.of_slots
    if of_slots is None:
        of_slots = tuple(range(read.first_block, read.first_block + read.blocks))
    slots: tuple[Slot, ...] = ()
    for number in of_slots:
        slots += _SLOTS.decode(zlib.decompress(by_number[number]))
    parts: dict[str, int] = {}

    def content(number: int, kind: type) -> bytes:
        raw = zlib.decompress(by_number[number])
        if raw[:1] != _KINDS[kind]:
            raise ValueError(f"block {number} is no {kind.__name__.lower()}")
        parts[_name(raw)] = number
        return raw[1:]

    checkpoints = tuple(_BELIEF.decode(content(number, Checkpoint)) for number in read.of_beliefs)
    state, era = read.state, 0
    if read.of_ledger is not None:
        state = replace(state, ledger=_LEDGER.decode(content(read.of_ledger, Ledger)))
    if state.belief is not None:
        belief, era = state.belief, state.belief.era
        belief = replace(belief, slots=slots + belief.slots, checkpoints=checkpoints + belief.checkpoints)
        state = replace(state, belief=belief)
    return state, Written(read.first_block, read.blocks, read.blocked_slots, era, of_slots, parts)
