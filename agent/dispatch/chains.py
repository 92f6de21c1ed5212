"""What the dispatch side keeps of a vehicle's chain, for whoever walks it (`agent.chain.walk`).

Records that were deleted for their age are missing from it like any other; `forgotten` says how many those are.
"""

from __future__ import annotations

from collections import defaultdict

import sqlalchemy as sa

from agent.chain import KeptChain, KeptEpoch, Sealed
from agent.dispatch import schema
from agent.dispatch.store import DispatchStore
from agent.dispatch.wire import parse_ranges


def kept_chain(store: DispatchStore, vehicle: str) -> KeptChain:
    """The chain of a vehicle by the key that it first came with; no epochs for one that was never heard.

    A record whose badges were taken out has no body, but the digest of what it held. Clashes are not in it: they are
    other records under numbers that were taken.
    """
    record, cursor = schema.record.c, schema.cursor.c
    columns = (record.epoch, record.seq, record.kind, record.content, record.prev, record.sig)
    held = (record.body, record.raw, record.stripped)
    epochs: dict[int, list[Sealed]] = defaultdict(list)
    with store.reading() as connection:
        key = connection.execute(
            sa.select(schema.vehicle.c.key).where(schema.vehicle.c.vehicle == vehicle)
        ).scalar_one_or_none()
        rows = connection.execute(
            sa.select(*columns, *held).where(record.vehicle == vehicle).order_by(record.epoch, record.seq)
        )
        for row in rows:
            body = None if row.stripped else row.body.encode() if row.raw is None else row.raw
            epochs[row.epoch].append(Sealed(row.seq, row.kind, row.content or "", row.prev, row.sig, body))
        heads = connection.execute(
            sa.select(cursor.epoch, cursor.hash_seq, cursor.hash).where(cursor.vehicle == vehicle)
        )
        ends = {row.epoch: (row.hash_seq, row.hash) for row in heads if row.hash is not None}
    told = tuple(KeptEpoch(epoch, tuple(records), ends.get(epoch)) for epoch, records in sorted(epochs.items()))
    return KeptChain(vehicle, key, told)


def forgotten(store: DispatchStore, vehicle: str) -> dict[int, int]:
    """By epoch, how many records were acknowledged and have since been deleted for their age."""
    record, cursor = schema.record.c, schema.cursor.c
    with store.reading() as connection:
        kept = sa.select(record.epoch, sa.func.count()).where(record.vehicle == vehicle).group_by(record.epoch)
        counts = {epoch: int(count) for epoch, count in connection.execute(kept)}
        rows = connection.execute(sa.select(cursor.epoch, cursor.ranges).where(cursor.vehicle == vehicle)).all()
    gone = {row.epoch: parse_ranges(row.ranges).count - counts.get(row.epoch, 0) for row in rows}
    return {epoch: count for epoch, count in sorted(gone.items()) if count > 0}
