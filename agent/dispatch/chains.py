"""What the dispatch side keeps of a vehicle's chain, for whoever walks it (`agent.chain.walk`).

A record that was deleted for its age is none that is missing: the walk begins after those. What came under a number
that was taken, what came again under other numbers, and where a branch begins is told in words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa
from msgspec import Struct

from agent.chain import KeptChain, KeptEpoch, Sealed, Start
from agent.dispatch import schema
from agent.dispatch.store import DispatchStore
from agent.units import format_utc

_MOST_NAMED = 8


class _Epoch(Struct):
    """What was found of one."""

    records: list[Sealed]
    key: str | None = None
    cursor: sa.Row[Any] | None = None
    clashes: list[tuple[int, str | None]] = []


def kept_chain(store: DispatchStore, vehicle: str) -> KeptChain:
    """The chain of a vehicle by the key that it first came with; no epochs for one that was never heard.

    A record whose badges were taken out, or that is too old to be kept, has no body, but the digest of what it held.
    An epoch's key is the one that its first signed record came with. Clashes are not in it: they are other records
    under numbers that were taken.
    """
    record, clash = schema.record.c, schema.clash.c
    columns = (record.epoch, record.seq, record.kind, record.content, record.prev, record.sig, record.key)
    held = (record.body, record.raw, record.stripped)
    epochs: dict[int, _Epoch] = {}
    with store.reading() as connection:
        key = connection.execute(
            sa.select(schema.vehicle.c.key).where(schema.vehicle.c.vehicle == vehicle)
        ).scalar_one_or_none()
        for row in connection.execute(sa.select(schema.cursor).where(schema.cursor.c.vehicle == vehicle)):
            epochs.setdefault(row.epoch, _Epoch([])).cursor = row
        of_it = sa.select(*columns, *held).where(record.vehicle == vehicle)
        for row in connection.execute(of_it.order_by(record.epoch, record.seq)):
            epoch = epochs.setdefault(row.epoch, _Epoch([]))
            body = None if row.stripped else row.body.encode() if row.raw is None else row.raw
            epoch.records.append(Sealed(row.seq, row.kind, row.content or "", row.prev, row.sig, body))
            epoch.key = epoch.key or (row.key if row.sig is not None else None)
        others = sa.select(clash.epoch, clash.seq, clash.content).where(clash.vehicle == vehicle)
        for row in connection.execute(others.order_by(clash.epoch, clash.seq)):
            epochs.setdefault(row.epoch, _Epoch([])).clashes.append((row.seq, row.content))
    came: dict[str, tuple[int, int]] = {}
    told = []
    for number, epoch in sorted(epochs.items()):
        told.append(_kept(number, epoch, came))
        seen = [(each.seq, each.content) for each in epoch.records]
        for seq, content in (*seen, *epoch.clashes):
            if content:
                came[content] = (number, seq)
    return KeptChain(vehicle, key, tuple(told), pinned=True)


def _kept(number: int, epoch: _Epoch, came: Mapping[str, tuple[int, int]]) -> KeptEpoch:
    cursor, head, after = epoch.cursor, None, None
    if cursor is not None:
        head = None if cursor.hash is None else (cursor.hash_seq, cursor.hash)
        if cursor.gone_seq is not None:
            until = None if cursor.gone_s is None else format_utc(cursor.gone_s)
            after = Start(cursor.gone_seq, cursor.gone_hash, cursor.gone or 0, bool(cursor.gone_sealed), until)
    return KeptEpoch(number, tuple(epoch.records), head, epoch.key, after, tuple(_notes(epoch, came)))


def _notes(epoch: _Epoch, came: Mapping[str, tuple[int, int]]) -> list[str]:
    notes = []
    if epoch.cursor is not None and epoch.cursor.fork is not None:
        notes.append(
            f"At record {epoch.cursor.fork} another branch begins: the van's disk had been set back to an earlier state"
            " or its card copied, and it wrote on from there."
        )
    clashes = sorted({seq for seq, _ in epoch.clashes})
    if clashes:
        notes.append(
            f"{_counted(len(epoch.clashes))} more came under numbers that were taken ({_spans(clashes)});"
            " they are kept beside these and not walked."
        )
    moved = [(each.seq, came[each.content]) for each in epoch.records if each.content in came]
    for other in sorted({of for _, (of, _) in moved}):
        here = [seq for seq, (of, _) in moved if of == other]
        there = sorted(seq for _, (of, seq) in moved if of == other)
        notes.append(
            f"{_counted(len(here))} of it ({_spans(here)}) had come before, as {_spans(there)} of epoch {other}:"
            " the van numbered anew what it had not yet been told to be safe."
        )
    return notes


def _spans(numbers: Sequence[int]) -> str:
    """Sorted numbers as `1 to 4, 7`."""
    found: list[list[int]] = []
    for seq in numbers:
        if found and seq <= found[-1][1] + 1:
            found[-1][1] = seq
        else:
            found.append([seq, seq])
    named = ", ".join(str(low) if low == high else f"{low} to {high}" for low, high in found[:_MOST_NAMED])
    return named if len(found) <= _MOST_NAMED else f"{named}, …"


def _counted(count: int) -> str:
    return "1 record" if count == 1 else f"{count:,} records"
