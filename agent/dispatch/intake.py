"""Batches of log records on their way into the dispatch side's tables, inside one transaction that the store holds.

What came in goes to `record` and keeps its place in its vehicle's chain; what it means is drawn by `agent.dispatch.
drawn`. A number is for ever: what comes under a number that is taken, with other bytes, goes to `clash`. What cannot be
used, or does not fit, is kept with the reason and acknowledged all the same.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import msgspec
import sqlalchemy as sa

from agent.chain import content_digest
from agent.dispatch import schema
from agent.dispatch.bulk import chunks, insert_all, upsert_all
from agent.dispatch.drawn import Drawn, Upsert
from agent.dispatch.links import Link, check, link_of
from agent.dispatch.wire import LogBatch, LogRecord, parse_ranges
from agent.ledger import SeqRanges

log = logging.getLogger(__name__)
_SEAL = ("content", "prev", "sig", "key")


class Ingested(msgspec.Struct, frozen=True):
    """What became of the records.

    `fresh` records were new, `repeated` known already, `clashed` known with other content; `refused` are those of the
    fresh ones that could not be used, `misfit` those that do not fit their vehicle's chain.
    """

    fresh: int = 0
    repeated: int = 0
    clashed: int = 0
    refused: int = 0
    misfit: int = 0

    def __add__(self, other: Ingested) -> Ingested:
        return Ingested(*(getattr(self, key) + getattr(other, key) for key in self.__struct_fields__))


class Intake:
    """All that one transaction takes in."""

    def __init__(self, connection: sa.Connection, upsert: Upsert, received_s: float) -> None:
        self._connection = connection
        self._upsert = upsert
        self._received_s = received_s
        self._drawn = Drawn(connection)
        self._records: list[dict[str, Any]] = []
        self._clashes: list[dict[str, Any]] = []
        self._cursors: list[dict[str, Any]] = []

    def run(self, batches: Sequence[LogBatch]) -> Ingested:
        """Take them in; the transaction is the caller's to commit."""
        vehicles = sorted({batch.vehicle for batch in batches})
        upsert_all(
            self._connection,
            schema.vehicle,
            [{"vehicle": vehicle, "heard_s": self._received_s} for vehicle in vehicles],
            by=["vehicle"],
        )
        pinned = self._pinned(batches)
        epochs: dict[tuple[str, int], list[tuple[LogRecord, str | None]]] = {}
        for batch in batches:
            arrived = epochs.setdefault((batch.vehicle, batch.epoch), [])
            arrived.extend((each, batch.key) for each in batch.records)
        total = Ingested()
        for (vehicle, epoch), arrived in sorted(epochs.items(), key=lambda each: each[0]):
            part = _Epoch(self._connection, vehicle, epoch, self._received_s)
            total += part.take(arrived, self._drawn, pinned=pinned.get(vehicle))
            self._records += part.fresh.values()
            self._clashes += part.clashes
            self._cursors.append(part.cursor)
        self._drawn.write()
        insert_all(self._connection, schema.record, self._records)
        if self._clashes:
            self._connection.execute(self._upsert(schema.clash).on_conflict_do_nothing(), self._clashes)
        upsert_all(self._connection, schema.cursor, self._cursors, by=["vehicle", "epoch"])
        return total

    def _pinned(self, batches: Iterable[LogBatch]) -> dict[str, str | None]:
        """The key by which each vehicle's chain goes: the first that it came with, for ever."""
        came: dict[str, dict[str, None]] = {}
        for batch in batches:
            if batch.key is not None and any(each.sig is not None for each in batch.records):
                came.setdefault(batch.vehicle, {})[batch.key] = None
        if not came:
            return {}
        table = schema.vehicle
        rows = self._connection.execute(
            sa.select(table.c.vehicle, table.c.key).where(table.c.vehicle.in_(sorted(came)))
        )
        known = {row.vehicle: row.key for row in rows}
        for vehicle, keys in came.items():
            if known[vehicle] is None:
                known[vehicle] = next(iter(keys))
                here = sa.and_(table.c.vehicle == vehicle)
                self._connection.execute(sa.update(table).where(here).values(key=known[vehicle]))
            for key in keys.keys() - {known[vehicle]}:
                log.warning("%s came with the key %s, not with its first one, %s", vehicle, key, known[vehicle])
        rows_now = [
            {"vehicle": vehicle, "key": key, "first_s": self._received_s}
            for vehicle, keys in came.items()
            for key in keys
        ]
        self._connection.execute(self._upsert(schema.vehicle_key).on_conflict_do_nothing(), rows_now)
        return known


class _Epoch:
    """One epoch of one vehicle in a transaction."""

    def __init__(self, connection: sa.Connection, vehicle: str, epoch: int, received_s: float) -> None:
        self._connection = connection
        self._name = {"vehicle": vehicle, "epoch": epoch}
        self._vehicle, self._epoch, self._received_s = vehicle, epoch, received_s
        self.fresh: dict[int, dict[str, Any]] = {}
        self.clashes: list[dict[str, Any]] = []
        self.cursor: dict[str, Any] = {}

    def take(self, arrived: Sequence[tuple[LogRecord, str | None]], drawn: Drawn, *, pinned: str | None) -> Ingested:
        """Sort out what is new, draw it, look at its place in the chain: see `fresh`, `clashes` and `cursor`."""
        at = schema.cursor
        mine = sa.and_(at.c.vehicle == self._vehicle, at.c.epoch == self._epoch)
        cursor = self._connection.execute(sa.select(at).where(mine)).first()
        have = parse_ranges(None if cursor is None else cursor.ranges)
        seqs = {each.seq for each, _ in arrived}
        known = self._known(sorted(seq for seq in {n + d for n in seqs for d in (-1, 0, 1)} if seq in have))
        repeated = refused = 0
        sealed: dict[int, dict[str, Any]] = {}  # that came unsigned before
        for each, key in arrived:
            row, before = self._row(each, key), self.fresh.get(each.seq) or known.get(each.seq)
            if before is None and each.seq in have:
                repeated += 1  # forgotten since, for its age
            elif before is None:
                row["refused"] = each.withheld or drawn.take(self._vehicle, self._epoch, each)
                refused += row["refused"] is not None
                self.fresh[each.seq] = row
            elif before["sha256"] != row["sha256"] or _is_sealed_otherwise(before, row):
                self._clash(row, before)
            else:
                repeated += 1
                if before["sig"] is None and row["sig"] is not None:
                    before.update({key: row[key] for key in _SEAL})
                    if each.seq not in self.fresh:
                        sealed[each.seq] = before
        self._fit(known, sealed, cursor, have.add_all(seqs), pinned=pinned)
        return Ingested(
            fresh=len(self.fresh),
            repeated=repeated,
            clashed=len(self.clashes),
            refused=refused,
            misfit=sum(row["misfit"] is not None for row in self.fresh.values()),
        )

    def _known(self, seqs: list[int]) -> dict[int, dict[str, Any]]:
        record = schema.record.c
        columns = (record.seq, record.kind, record.sha256, *(record[key] for key in _SEAL), record.misfit)
        mine = sa.and_(record.vehicle == self._vehicle, record.epoch == self._epoch)
        return {
            row.seq: dict(row._mapping)  # noqa: SLF001 - SQLAlchemy's name for a row as a mapping
            for some in chunks(seqs)
            for row in self._connection.execute(sa.select(*columns).where(mine, record.seq.in_(some)))
        }

    def _row(self, each: LogRecord, key: str | None) -> dict[str, Any]:
        octets = each.octets
        return {
            **self._name,
            "seq": each.seq,
            "kind": each.kind[:20],
            "body": each.document if each.withheld is None else schema.ERASED,
            "sha256": hashlib.sha256(each.kind.encode() + b"\0" + octets).hexdigest(),
            "received_s": self._received_s,
            "refused": None,
            "content": content_digest(octets),
            "prev": each.prev,
            "sig": each.sig,
            "key": None if each.sig is None else key,
            "misfit": None,
            "raw": each.raw if each.withheld is None else None,
            "stripped": each.withheld is not None,
        }

    def _clash(self, row: dict[str, Any], before: Mapping[str, Any]) -> None:
        log.warning(
            "%s epoch %d seq %d came again with other content; both are kept, the first one counts",
            *(self._vehicle, self._epoch, row["seq"]),
        )
        if row["sha256"] == before["sha256"]:  # only its place in the chain is another
            seal = f"{row['sha256']}\0{row['prev']}\0{row['sig']}"
            row = row | {"sha256": hashlib.sha256(seal.encode()).hexdigest()}
        self.clashes.append({column.name: row[column.name] for column in schema.clash.columns})

    def _fit(
        self,
        known: dict[int, dict[str, Any]],
        sealed: dict[int, dict[str, Any]],
        cursor: sa.Row[Any] | None,
        have: SeqRanges,
        *,
        pinned: str | None,
    ) -> None:
        fresh = {seq: link_of(row) for seq, row in (self.fresh | sealed).items()}
        around = {seq: link_of(row) for seq, row in known.items() if seq not in fresh}
        checked = check(fresh, around, vehicle=self._vehicle, epoch=self._epoch, pinned=pinned)
        table = schema.record
        here = sa.and_(table.c.vehicle == self._vehicle, table.c.epoch == self._epoch)
        for seq, text in checked.misfits.items():
            log.warning("%s epoch %d seq %d %s", self._vehicle, self._epoch, seq, text)
            if seq in self.fresh:
                self.fresh[seq]["misfit"] = text
            elif seq in around and known[seq]["misfit"] is None:
                self._connection.execute(sa.update(table).where(here, table.c.seq == seq).values(misfit=text))
        for seq, row in sealed.items():
            values = {key: row[key] for key in _SEAL} | {"misfit": checked.misfits.get(seq)}
            self._connection.execute(sa.update(table).where(here, table.c.seq == seq).values(values))
        forks = [seq for seq in (checked.fork, None if cursor is None else cursor.fork) if seq is not None]
        fork = min(forks, default=None)
        end = have.up_to if fork is None else min(have.up_to, fork - 1)
        self.cursor = {
            **self._name,
            "ranges": msgspec.json.encode(have.ranges).decode(),
            "fork": fork,
            "hash_seq": end,
            "hash": self._digest_at(end, fresh | around, cursor),
        }

    def _digest_at(self, seq: int, links: Mapping[int, Link], cursor: sa.Row[Any] | None) -> str | None:
        """The digest of the sealed record there; of one that was forgotten since, what is kept of it."""
        link = links.get(seq)
        if link is None and seq > 0:
            row = self._known([seq]).get(seq)
            if row is None:
                return cursor.hash if cursor is not None and cursor.hash_seq == seq else None
            link = link_of(row)
        return link.digest(self._vehicle, self._epoch) if link is not None and link.is_sealed else None


def _is_sealed_otherwise(before: Mapping[str, Any], row: Mapping[str, Any]) -> bool:
    both = before["sig"] is not None and row["sig"] is not None
    return both and (before["prev"], before["sig"]) != (row["prev"], row["sig"])
