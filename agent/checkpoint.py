"""The state written down and read again: a checkpoint core, and the closed slots as blocks that are written once.

MessagePack by msgspec: keys that a later version adds take their defaults, so an upgrade goes on where the old version
stood. A core that cannot be read raises StoreError, and the caller begins anew and says so.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from typing import Any

import msgspec
import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from agent.errors import StoreError
from agent.presence.slots import Slot
from agent.state import State

BLOCK_SLOTS = 64
VERSION = 1


class _Core(Struct, frozen=True):
    version: int
    state: State
    first_block: int
    blocks: int
    blocked_slots: int


class Written(Struct, frozen=True):
    """How much of the slots stands in blocks already: pass it to the next `encode`."""

    first_block: int = 1
    blocks: int = 0
    slots: int = 0
    era: int = 0


def _to_wire(value: object) -> object:
    if isinstance(value, np.ndarray):
        # Beliefs are rounded to float32 wherever they are kept, so that nothing is lost here.
        kind = np.dtype(np.float32) if value.ndim == 2 else value.dtype  # noqa: PLR2004 - (tags, states)
        return [value.dtype.str, kind.str, list(value.shape), np.ascontiguousarray(value, dtype=kind).tobytes()]
    if isinstance(value, np.generic):
        return value.item()
    raise NotImplementedError(f"{type(value)} cannot be written to a checkpoint")


def _from_wire(kind: type, value: Any) -> object:  # noqa: ANN401 - msgspec hands over what it decoded
    if getattr(kind, "__origin__", kind) is np.ndarray:
        dtype, stored, shape, data = value
        return np.frombuffer(data, dtype=np.dtype(stored)).reshape(shape).astype(np.dtype(dtype))
    raise NotImplementedError(f"{kind} cannot be read from a checkpoint")


_ENCODER = msgspec.msgpack.Encoder(enc_hook=_to_wire)
_CORE = msgspec.msgpack.Decoder(_Core, dec_hook=_from_wire)
_SLOTS = msgspec.msgpack.Decoder(tuple[Slot, ...], dec_hook=_from_wire)


def encode(state: State, written: Written) -> tuple[bytes, tuple[tuple[int, bytes], ...], Written]:
    """The core, the blocks that are new since `written`, and what is written once both are stored.

    When the tally forgot old slots, blocks begin anew under higher numbers; those below `first_block` can go.
    """
    belief = state.belief
    if belief is None:
        return zlib.compress(_ENCODER.encode(_Core(VERSION, state, written.first_block, 0, 0))), (), written
    slots = belief.slots
    if belief.era != written.era:
        written = Written(first_block=written.first_block + written.blocks, era=belief.era)
    blocks: list[tuple[int, bytes]] = []
    done = written.slots
    while len(slots) - done >= BLOCK_SLOTS:
        number = written.first_block + written.blocks + len(blocks)
        blocks.append((number, zlib.compress(_ENCODER.encode(slots[done : done + BLOCK_SLOTS]))))
        done += BLOCK_SLOTS
    after = Written(written.first_block, written.blocks + len(blocks), done, written.era)
    rest = replace(state, belief=replace(belief, slots=slots[done:]))
    core = _Core(VERSION, rest, after.first_block, after.blocks, done)
    return zlib.compress(_ENCODER.encode(core)), tuple(blocks), after


def decode(core: bytes, blocks: Mapping[int, bytes] | Sequence[tuple[int, bytes]]) -> tuple[State, Written]:
    """The state as it was, and what of it stands in blocks. Raises StoreError."""
    by_number = dict(blocks)
    try:
        read = _CORE.decode(zlib.decompress(core))
        if read.version != VERSION:
            raise ValueError(f"version {read.version}, this program writes {VERSION}")  # noqa: TRY301 - told as the rest
        slots: tuple[Slot, ...] = ()
        for number in range(read.first_block, read.first_block + read.blocks):
            slots += _SLOTS.decode(zlib.decompress(by_number[number]))
    except (zlib.error, msgspec.MsgspecError, KeyError, ValueError) as error:
        raise StoreError(f"the checkpoint cannot be read ({error}); the tally begins anew from here") from error
    state = read.state
    if state.belief is not None:
        state = replace(state, belief=replace(state.belief, slots=slots + state.belief.slots))
    era = 0 if state.belief is None else state.belief.era
    return state, Written(read.first_block, read.blocks, read.blocked_slots, era)
