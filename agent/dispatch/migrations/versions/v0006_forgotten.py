"""What was deleted for its age is known by number; an item's last events are found without its others."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from agent.dispatch.wire import parse_ranges

revision, down_revision = "0006", "0005"


def upgrade() -> None:
    """Add the columns; what earlier releases deleted from the beginning is taken to have been deleted for its age."""
    for column in (
        sa.Column("gone", sa.BigInteger),
        sa.Column("gone_seq", sa.BigInteger),
        sa.Column("gone_hash", sa.Text),
        sa.Column("gone_sealed", sa.Boolean),
        sa.Column("gone_s", sa.Double),
    ):
        op.add_column("cursor", column)
    _gone()
    op.create_table(
        "event_item_by_time",
        sa.Column("epc", sa.Text, nullable=False),
        sa.Column("time_s", sa.Double, nullable=False),
        sa.Column("vehicle", sa.String(40), nullable=False),
        sa.Column("event_id", sa.Text, nullable=False),
        sa.Column("p", sa.Double),
        sa.PrimaryKeyConstraint("epc", "time_s", "vehicle", "event_id"),
        sqlite_with_rowid=False,
    )
    op.execute(
        "INSERT INTO event_item_by_time SELECT item.epc, event.time_s, item.vehicle, item.event_id, item.p"
        " FROM event_item AS item JOIN event ON event.vehicle = item.vehicle AND event.event_id = item.event_id"
        " ORDER BY 1, 2, 3, 4"
    )
    op.drop_table("event_item")
    op.rename_table("event_item_by_time", "event_item")


def _gone() -> None:
    """The first record still there names the one before it by its digest; nothing older knows until when they were."""
    cursor = sa.table("cursor", *map(sa.column, ("vehicle", "epoch", "ranges", "hash_seq", "hash")))
    gone = ("gone", "gone_seq", "gone_hash", "gone_sealed")
    for name in gone:
        cursor.append_column(sa.column(name))
    record = sa.table("record", *map(sa.column, ("vehicle", "epoch", "seq", "prev")))
    connection = op.get_bind()
    for row in connection.execute(sa.select(cursor)).all():
        here = sa.and_(record.c.vehicle == row.vehicle, record.c.epoch == row.epoch)
        first = connection.execute(
            sa.select(record.c.seq, record.c.prev).where(here).order_by(record.c.seq).limit(1)
        ).first()
        ranges = parse_ranges(row.ranges).ranges
        last = max((high for _, high in ranges), default=0) if first is None else first.seq - 1
        count = sum(min(high, last) - low + 1 for low, high in ranges if low <= last)
        if count:
            prev = (row.hash if row.hash_seq == last else None) if first is None else first.prev
            values = dict(zip(gone, (count, last, prev or None, bool(prev)), strict=True))
            mine = sa.and_(cursor.c.vehicle == row.vehicle, cursor.c.epoch == row.epoch)
            connection.execute(sa.update(cursor).where(mine).values(values))
