"""The dispatch side's tables: one schema for SQLite (one depot) and PostgreSQL (a fleet).

Times are seconds since 1970 as doubles; documents are JSON text as received. `record` is what came in and never
changes, but for personal data whose time is over; `event`, `event_item`, `manifest`, `item` and `cursor` are drawn from
it; `vehicle` holds what only the last word counts for. Whoever changes a table writes a migration and raises `VERSION`.
Reads and writes nothing itself.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Double,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
    false,
    text,
)

VERSION = "0004"
"""The newest migration; `version` holds it in every database that is up to date."""

metadata = MetaData()


def _seal() -> tuple[Column[str], ...]:
    """What a vehicle seals a record with (`agent.chain`); null throughout where it came unsigned."""
    return (
        Column("content", Text),  # the digest of the body's octets as received
        Column("prev", Text),
        Column("sig", Text),
        Column("key", Text),  # of the batch that brought it
    )


record = Table(
    "record",
    metadata,
    Column("vehicle", String(40), nullable=False),
    Column("epoch", Integer, nullable=False),
    Column("seq", BigInteger, nullable=False),
    Column("kind", String(20), nullable=False),
    Column("body", Text, nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("received_s", Double, nullable=False),
    Column("refused", Text),  # why the body could not be used; the record is kept and acknowledged all the same
    *_seal(),
    Column("misfit", Text),  # what does not fit about its place in the chain, in words
    Column("raw", LargeBinary),  # the body's octets where no text can hold them
    Column("stripped", Boolean, nullable=False, server_default=false()),  # personal data were taken out of the body
    PrimaryKeyConstraint("vehicle", "epoch", "seq"),
)
Index("record_by_kind", record.c.vehicle, record.c.kind, record.c.epoch, record.c.seq)
_REFUSED, _MISFIT = record.c.refused.is_not(None), record.c.misfit.is_not(None)
Index("record_refused", record.c.vehicle, sqlite_where=_REFUSED, postgresql_where=_REFUSED)
Index("record_misfit", record.c.vehicle, sqlite_where=_MISFIT, postgresql_where=_MISFIT)

clash = Table(
    "clash",
    metadata,
    Column("vehicle", String(40), nullable=False),
    Column("epoch", Integer, nullable=False),
    Column("seq", BigInteger, nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("kind", String(20), nullable=False),
    Column("body", Text, nullable=False),
    Column("received_s", Double, nullable=False),
    *_seal(),
    Column("raw", LargeBinary),
    PrimaryKeyConstraint("vehicle", "epoch", "seq", "sha256"),
)

unreadable = Table(
    "unreadable",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("topic", Text, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("reason", Text, nullable=False),
    Column("times", Integer, nullable=False),
    Column("received_s", Double, nullable=False),
)

event = Table(
    "event",
    metadata,
    Column("vehicle", String(40), nullable=False),
    Column("event_id", Text, nullable=False),
    # The record that stated it; null while only its error declaration has come in.
    Column("epoch", Integer),
    Column("seq", BigInteger),
    Column("time_s", Double, nullable=False),
    Column("not_before_s", Double),
    Column("not_after_s", Double),
    Column("action", String(10), nullable=False),
    Column("biz_step", String(20), nullable=False),
    Column("place", Text),
    Column("voided", Boolean, nullable=False),
    Column("void_reason", Text),
    Column("void_declared_s", Double),
    Column("body", Text, nullable=False),
    PrimaryKeyConstraint("vehicle", "event_id"),
)
Index("event_by_time", event.c.vehicle, event.c.time_s)
AT_NO_SITE = text("place >= 'geo:' AND place < 'geo;'")
"""Of `event`: where its place is a position; written so, it is found by the index."""
Index("event_at_no_site", event.c.time_s, sqlite_where=AT_NO_SITE, postgresql_where=AT_NO_SITE)

event_item = Table(
    "event_item",
    metadata,
    Column("epc", Text, nullable=False),
    Column("vehicle", String(40), nullable=False),
    Column("event_id", Text, nullable=False),
    Column("p", Double),
    PrimaryKeyConstraint("epc", "vehicle", "event_id"),
    sqlite_with_rowid=False,  # else SQLite keeps every row twice, in the table and in the key's index
)

manifest = Table(
    "manifest",
    metadata,
    Column("vehicle", String(40), nullable=False),
    Column("manifest", Text, nullable=False),
    Column("revision", Integer, nullable=False),
    Column("epoch", Integer, nullable=False),
    Column("seq", BigInteger, nullable=False),
    Column("departed_s", Double, nullable=False),
    Column("withdrawn", Boolean, nullable=False),
    Column("body", Text, nullable=False),
    PrimaryKeyConstraint("vehicle", "manifest", "revision", "epoch", "seq"),
)
Index("manifest_by_time", manifest.c.vehicle, manifest.c.departed_s)
Index("manifest_by_departure", manifest.c.departed_s)

item = Table(
    "item",
    metadata,
    Column("epc", Text, primary_key=True),
    Column("name", Text),  # as last told by a vehicle; the register's name goes before it
    Column("tag", Text),
    Column("aboard", String(40), index=True),
    Column("place", Text, index=True),
    Column("since_s", Double),
    Column("since_exact", Boolean, nullable=False),
    Column("p", Double),
    Column("vehicle", String(40)),
    Column("event_id", Text),
    # The last standing event of the fold: what comes after it needs no folding anew.
    Column("last_s", Double),
    Column("last_vehicle", String(40)),
    Column("last_epoch", Integer),
    Column("last_seq", BigInteger),
)

vehicle = Table(
    "vehicle",
    metadata,
    Column("vehicle", String(40), primary_key=True),
    Column("heard_s", Double),
    Column("link", String(10)),  # online, offline, or null where no status has come in
    Column("link_since_s", Double),
    Column("status", Text),
    Column("aboard", Text),
    Column("aboard_s", Double),
    Column("position", Text),
    Column("position_s", Double),
    Column("key", Text),  # the first one it came with, by which its chain goes
)

vehicle_key = Table(
    "vehicle_key",
    metadata,
    Column("vehicle", String(40), nullable=False),
    Column("key", Text, nullable=False),
    Column("first_s", Double, nullable=False),
    PrimaryKeyConstraint("vehicle", "key"),
)

cursor = Table(
    "cursor",
    metadata,
    Column("vehicle", String(40), nullable=False),
    Column("epoch", Integer, nullable=False),
    Column("ranges", Text, nullable=False),
    Column("fork", BigInteger),  # the first seq that does not follow the one before it as that one is kept here
    # The end of what is there without a gap or a fork, and that record's digest; it outlives the record.
    Column("hash_seq", BigInteger),
    Column("hash", Text),
    PrimaryKeyConstraint("vehicle", "epoch"),
)

downlink = Table(
    "downlink",
    metadata,
    Column("what", String(20), nullable=False),
    Column("version", Integer, nullable=False),
    Column("digest", Text, nullable=False),
    Column("first_s", Double, nullable=False),
    PrimaryKeyConstraint("what", "version"),
)

site_version = Table(
    "site_version",
    metadata,
    # A `downlink` of the sites has the same numbers; one that was never sent is a draft.
    Column("version", Integer, primary_key=True, autoincrement=False),
    Column("digest", Text, nullable=False),
    Column("content", Text, nullable=False),
    Column("made_s", Double, nullable=False),
    Column("who", Text),  # null where nobody had to log in
    Column("note", Text, nullable=False),
    Column("files", Text),  # the digest of the folder's files where it was made of them
    Column("sent_s", Double),
    Column("sent_by", Text),
)

version = Table("alembic_version", metadata, Column("version_num", String(32), primary_key=True))
