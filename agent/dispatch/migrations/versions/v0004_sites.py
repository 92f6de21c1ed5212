"""Versions of the sites are kept, and stops are found by their time."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision, down_revision = "0004", "0003"


def upgrade() -> None:
    """Add the table; the files make version 1 at the next start."""
    op.create_table(
        "site_version",
        sa.Column("version", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("digest", sa.Text, nullable=False),
        sa.Column("content", sa.Text, nullable=False),
        sa.Column("made_s", sa.Double, nullable=False),
        sa.Column("who", sa.Text),
        sa.Column("note", sa.Text, nullable=False),
        sa.Column("files", sa.Text),
        sa.Column("sent_s", sa.Double),
        sa.Column("sent_by", sa.Text),
    )
    op.create_index("manifest_by_departure", "manifest", ["departed_s"])
    at_no_site = sa.text("place >= 'geo:' AND place < 'geo;'")
    op.create_index(
        "event_at_no_site", "event", ["time_s"], sqlite_where=at_no_site, postgresql_where=at_no_site
    )
