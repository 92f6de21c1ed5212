"""A state written down and read again goes on as if nothing had happened."""

from __future__ import annotations

import zlib
from typing import Any

import msgspec
import numpy as np
import pytest
from msgspec.structs import replace

from agent import checkpoint
from agent.antennas import Health, PortDay
from agent.battery import Guard
from agent.checkpoint import BLOCK_SLOTS, LET_LIE, VERSION, Written, decode, encode
from agent.errors import StoreError
from agent.pipeline import finish, step
from agent.records import Input, Record
from agent.state import State
from tests.days import Scene, setup_of
from tests.test_pipeline import delivery, loaded_at_depot

SETUP = setup_of()


def through(inputs: list[Input], state: State | None = None) -> tuple[State, list[Record]]:
    """The state after some inputs, with all that was said."""
    now, said = state or State(), []
    for one in inputs:
        now, records = step(SETUP, now, one)
        said += records
    return now, said


def first_version(state: State) -> tuple[dict[str, Any], dict[int, bytes]]:
    """A checkpoint as version 1 wrote it, which had slots alone in blocks: its core as plain values, and the blocks."""
    assert state.belief is not None
    slots, blocks = state.belief.slots, {}
    while len(slots) >= BLOCK_SLOTS:
        blocks[len(blocks) + 1] = zlib.compress(checkpoint._ENCODER.encode(slots[:BLOCK_SLOTS]))
        slots = slots[BLOCK_SLOTS:]
    rest = replace(state, belief=replace(state.belief, slots=slots))
    core = {"version": 1, "first_block": 1, "blocks": len(blocks), "blocked_slots": BLOCK_SLOTS * len(blocks)}
    found: dict[str, Any] = msgspec.msgpack.decode(checkpoint._ENCODER.encode(core | {"state": rest}), strict=False)
    return found, blocks


@pytest.fixture(scope="module")
def scene() -> Scene:
    """A delivery."""
    return delivery()


@pytest.mark.parametrize("share", [0.0, 0.1, 0.35, 0.6, 0.9])
def test_going_on_from_a_checkpoint_is_going_on(scene: Scene, share: float) -> None:
    """Cut anywhere, written, read, and gone on with: the very same records for the rest of the day, byte for byte."""
    at = int(len(scene.inputs) * share)
    state, _ = through(scene.inputs[:at])
    core, blocks, written = encode(state, Written())
    again, read = decode(core, blocks)
    assert read == written
    one, said = through(scene.inputs[at:], state)
    other, repeated = through(scene.inputs[at:], again)
    said += finish(SETUP, one)[1]
    repeated += finish(SETUP, other)[1]
    assert msgspec.json.encode(repeated) == msgspec.json.encode(said)
    if share == 0.1:
        assert len(said) > 10


def test_a_checkpoint_of_a_checkpoint_is_the_same(scene: Scene) -> None:
    """Writing what was read gives the same bytes: nothing is lost on the way."""
    state, _ = through(scene.inputs[:1200])
    core, blocks, _ = encode(state, Written())
    again, _ = decode(core, blocks)
    assert encode(again, Written())[:2] == (core, blocks)


def test_blocks_are_written_once() -> None:
    """Closed slots go out in blocks of a fixed size, each once, as do beliefs of the past; the core holds the rest."""
    inputs = Scene().hear("case-1").stay(3600).inputs
    written = Written()
    blocks: dict[int, bytes] = {}
    now = State()
    sizes = []
    for start in range(0, len(inputs), 600):
        now, _ = through(inputs[start : start + 600], now)
        core, new, written = encode(now, written)
        assert not blocks.keys() & dict(new).keys()
        blocks |= dict(new)
        sizes.append(len(core))
    assert now.belief is not None
    assert len(written.of_slots) == len(now.belief.slots) // BLOCK_SLOTS
    assert written.slots == BLOCK_SLOTS * len(written.of_slots)
    assert list(blocks) == list(range(1, written.blocks + 1))
    assert set(written.of_slots) | set(written.parts.values()) == set(blocks)  # nothing was stated: none is superseded
    again, read = decode(core, blocks)
    assert read == written
    assert again.belief is not None
    assert [slot.to_s for slot in again.belief.slots] == [slot.to_s for slot in now.belief.slots]
    assert (again.belief.forward == now.belief.forward).all()


def test_forgetting_begins_the_blocks_anew() -> None:
    """The trip's end drops old slots: blocks go on under higher numbers, and those before can go."""
    scene = loaded_at_depot().stay(2400).drive("hall").stay(400).drive("depot")
    before, _ = through(scene.inputs)
    _, blocks, written = encode(before, Written())
    assert blocks
    done = len(scene.inputs)
    after, _ = through(scene.stay(120).inputs[done:], before)
    assert before.belief is not None
    assert after.belief is not None
    assert after.belief.era == before.belief.era + 1
    core, new, later = encode(after, written)
    assert later.first_block == written.first_block + written.blocks
    assert all(number >= later.first_block for number, _ in new)
    again, _ = decode(core, new)
    assert again.belief is not None
    assert len(again.belief.slots) == len(after.belief.slots)


def test_an_empty_state_is_kept_too() -> None:
    """Nothing heard yet: a core and no blocks."""
    core, blocks, written = encode(State(), Written())
    again, read = decode(core, blocks)
    assert (blocks, written, read) == ((), Written(), Written())
    assert again.belief is None


def test_what_holds_still_is_not_written_again(scene: Scene) -> None:
    """Past beliefs and the ledger go out when they change: half a minute of standing about writes the core alone."""
    state, _ = through(scene.inputs)
    core, blocks, written = encode(state, Written())
    assert state.belief is not None
    assert len(written.parts) == len(state.belief.checkpoints) + 1
    again, new, after = encode(state, written)
    assert (again, new, after) == (core, (), written)
    assert blocks
    other, new, _ = encode(replace(state, ledger=replace(state.ledger, times={})), written)
    assert len(new) == 1
    assert other != core


def test_superseded_blocks_do_not_pile_up(scene: Scene) -> None:
    """When more are superseded than are in use all begins anew under higher numbers, and it still reads."""
    state, _ = through(scene.inputs)
    written, kept, most = Written(), dict[int, bytes](), 0
    for turn in range(3 * LET_LIE):
        state = replace(state, ledger=replace(state.ledger, times={("departed", turn): 1}))
        core, new, written = encode(state, written)
        kept = {number: data for number, data in (kept | dict(new)).items() if number >= written.first_block}
        most = max(most, len(kept))
        again, read = decode(core, kept)
        assert read == written
        assert again.ledger == state.ledger
    assert written.first_block > LET_LIE
    assert most <= 2 * max(LET_LIE, len(written.of_slots) + len(written.parts)) + 2


@pytest.mark.parametrize("share", [0.1, 0.6, 0.9])
def test_a_checkpoint_of_the_first_version_goes_on(scene: Scene, share: float) -> None:
    """One from before beliefs and ledger went into blocks reads; the day goes on with the very same records."""
    at = int(len(scene.inputs) * share)
    state, _ = through(scene.inputs[:at])
    core, blocks = first_version(state)
    again, written = decode(zlib.compress(msgspec.msgpack.encode(core)), blocks)
    one, said = through(scene.inputs[at:], state)
    other, repeated = through(scene.inputs[at:], again)
    assert msgspec.json.encode(repeated) == msgspec.json.encode(said)
    _, new, after = encode(other, written)
    if after.era == written.era:
        assert after.of_slots[: len(written.of_slots)] == written.of_slots
    assert dict(new).keys().isdisjoint(blocks)
    assert encode(one, Written())[0] == encode(other, Written())[0]


def test_a_core_from_before_a_key_was_added_still_reads(scene: Scene) -> None:
    """A key that a later version added takes its default: an upgrade goes on where the old version stood."""
    state, _ = through(scene.inputs[:600])
    document, blocks = first_version(state)
    for key in ("driven", "trusted_s", "plan_of", "filled", "left", "battery", "health"):
        document["state"].pop(key, None)
    document["state"]["key-of-a-later-version"] = [1, 2]
    again, _ = decode(zlib.compress(msgspec.msgpack.encode(document)), blocks)
    assert again.driven == ()
    assert (again.battery, again.health) == (Guard(), Health())
    assert again.itinerary == state.itinerary
    assert again.belief is not None
    assert state.belief is not None
    assert np.array_equal(again.belief.forward, state.belief.forward)


def test_sleep_and_the_antennas_health_live_on(scene: Scene) -> None:
    """Asleep since when and why, and what each port heard on each day, are as they were after a restart."""
    state, _ = through(scene.inputs[:600])
    day = PortDay(20_000, 2, "load", 900, 2000, tags=12)
    health = Health(20_001, {"2 load": (3, 4)}, ("AB",), (day,), {2: 19_990})
    guard = Guard(ignition=False, doors=False, off_s=10.0, asleep_since_s=40.0, cause="hours")
    again, _ = decode(*encode(replace(state, battery=guard, health=health), Written())[:2])
    assert (again.battery, again.health) == (guard, health)


def _damaged(core: bytes) -> dict[str, bytes]:
    whole = zlib.decompress(core)
    document = msgspec.msgpack.decode(whole)
    return {
        "empty": b"",
        "no zlib": b"roadtally",
        "cut": core[: len(core) // 2],
        "a bit": core[:50] + bytes([core[50] ^ 4]) + core[51:],
        "no core": zlib.compress(msgspec.msgpack.encode([1, 2, 3])),
        "short array": zlib.compress(
            msgspec.msgpack.encode(
                document | {"state": document["state"] | {"belief": document["state"]["belief"] | {"forward": ["<f8"]}}}
            )
        ),
        "odd array": zlib.compress(
            msgspec.msgpack.encode(
                document
                | {
                    "state": document["state"]
                    | {"belief": document["state"]["belief"] | {"forward": ["x", "y", 1, b""]}}
                }
            )
        ),
        "later version": zlib.compress(msgspec.msgpack.encode(document | {"version": VERSION + 1})),
        "missing block": zlib.compress(msgspec.msgpack.encode(document | {"of_slots": [99]})),
        "missing belief": zlib.compress(msgspec.msgpack.encode(document | {"of_beliefs": [99]})),
        "other block": zlib.compress(msgspec.msgpack.encode(document | {"of_ledger": document["of_beliefs"][0]})),
    }


@pytest.mark.parametrize("how", ["empty", "no zlib", "cut", "a bit", "no core", "short array", "odd array",
                                 "later version", "missing block", "missing belief", "other block"])  # fmt: skip
def test_what_cannot_be_read_is_a_store_error(scene: Scene, how: str) -> None:
    """Cut, flipped, foreign, of a later version or without its blocks: it says so, and the tally begins anew."""
    state, _ = through(scene.inputs[:600])
    core, blocks, _ = encode(state, Written())
    with pytest.raises(StoreError, match="the tally begins anew"):
        decode(_damaged(core)[how], blocks)


@pytest.mark.parametrize("step_bytes", [97])
def test_a_core_cut_at_any_byte_is_a_store_error(scene: Scene, step_bytes: int) -> None:
    """However little is missing."""
    state, _ = through(scene.inputs[:300])
    core, blocks, _ = encode(state, Written())
    for length in range(0, len(core), step_bytes):
        with pytest.raises(StoreError):
            decode(core[:length], blocks)
