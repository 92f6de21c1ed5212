"""Positions and signs of life are kept, thinned, so that a van's day can be drawn; before, only the last one was."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision, down_revision = "0005", "0004"


def upgrade() -> None:
    """Add the table; the last position known of a vehicle stays where it is."""
    op.create_table(
        "track",
        sa.Column("vehicle", sa.String(40), nullable=False),
        sa.Column("at_s", sa.Double, nullable=False),
        sa.Column("until_s", sa.Double, nullable=False),
        sa.Column("kind", sa.String(10), nullable=False),
        sa.Column("lat", sa.Double),
        sa.Column("lon", sa.Double),
        sa.Column("error_m", sa.Double),
        sa.Column("speed_mps", sa.Double),
        sa.PrimaryKeyConstraint("vehicle", "at_s"),
        sqlite_with_rowid=False,
    )
    op.create_index("track_by_age", "track", ["at_s"])
