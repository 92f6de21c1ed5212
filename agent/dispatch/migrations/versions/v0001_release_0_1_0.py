"""The tables of release 0.1.0, which wrote no version; such a database is stamped with this one and goes on from it."""

from __future__ import annotations

revision, down_revision = "0001", None


def upgrade() -> None:
    """Nothing: a new database is made whole by `schema.metadata`, an old one has these tables."""
