"""Accounts, sessions, tokens, the audit log; which legs a badge was aboard, from the manifests that are there."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

from agent.dispatch.badges import epcs_of

revision, down_revision = "0003", "0002"
_AT_ONCE = 500


def upgrade() -> None:
    """Make the tables, then read every manifest once for its badges."""
    name, epc = sa.String(60), sa.Text
    op.create_table(
        "account",
        sa.Column("name", name, primary_key=True),
        sa.Column("role", sa.String(20), nullable=False),
        sa.Column("password", sa.Text, nullable=False),
        sa.Column("badge", epc),
        sa.Column("disabled", sa.Boolean, nullable=False),
        sa.Column("made_s", sa.Double, nullable=False),
        sa.Column("password_s", sa.Double, nullable=False),
    )
    op.create_table(
        "account_session",
        sa.Column("sha256", sa.String(64), primary_key=True),
        sa.Column("account", name, nullable=False),
        sa.Column("address", sa.Text, nullable=False),
        sa.Column("browser", sa.Text, nullable=False),
        sa.Column("made_s", sa.Double, nullable=False),
        sa.Column("seen_s", sa.Double, nullable=False),
    )
    op.create_table(
        "known_browser",
        sa.Column("sha256", sa.String(64), primary_key=True),
        sa.Column("account", name, nullable=False),
        sa.Column("made_s", sa.Double, nullable=False),
    )
    op.create_table(
        "login_failure",
        sa.Column("what", sa.Text, primary_key=True),
        sa.Column("times", sa.Integer, nullable=False),
        sa.Column("last_s", sa.Double, nullable=False),
    )
    op.create_table(
        "api_token",
        sa.Column("token", sa.String(16), primary_key=True),
        sa.Column("sha256", sa.String(64), nullable=False, unique=True),
        sa.Column("label", sa.Text, nullable=False),
        sa.Column("scopes", sa.Text, nullable=False),
        sa.Column("account", name, nullable=False),
        sa.Column("made_s", sa.Double, nullable=False),
        sa.Column("used_s", sa.Double),
        sa.Column("revoked_s", sa.Double),
    )
    op.create_table(
        "audit",
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=True),
        sa.Column("at_s", sa.Double, nullable=False),
        sa.Column("who", sa.Text),
        sa.Column("origin", sa.Text, nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("subject", sa.Text, nullable=False),
        sa.Column("before", sa.Text),
        sa.Column("after", sa.Text),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "badge_leg",
        sa.Column("epc", epc, nullable=False),
        sa.Column("vehicle", sa.String(40), nullable=False),
        sa.Column("manifest", sa.Text, nullable=False),
        sa.Column("departed_s", sa.Double, nullable=False),
        sa.PrimaryKeyConstraint("epc", "vehicle", "manifest"),
    )
    op.create_table(
        "badge_note",
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=True),
        sa.Column("epc", epc, nullable=False),
        sa.Column("about", sa.Text),
        sa.Column("account", name, nullable=False),
        sa.Column("at_s", sa.Double, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sqlite_autoincrement=True,
    )
    indices: tuple[tuple[str, str, list[str]], ...] = (
        ("ix_account_session_account", "account_session", ["account"]),
        ("ix_known_browser_account", "known_browser", ["account"]),
        ("ix_audit_at_s", "audit", ["at_s"]),
        ("audit_by_who", "audit", ["who", "number"]),
        ("audit_by_kind", "audit", ["kind", "number"]),
        ("ix_badge_leg_departed_s", "badge_leg", ["departed_s"]),
        ("badge_leg_by_time", "badge_leg", ["epc", "departed_s"]),
        ("ix_badge_note_epc", "badge_note", ["epc"]),
    )
    for index, table, columns in indices:
        op.create_index(index, table, columns)
    _legs()


def _legs() -> None:
    columns: list[sa.ColumnClause[Any]] = [
        sa.column(key) for key in ("vehicle", "manifest", "revision", "epoch", "seq")
    ]
    manifest = sa.table("manifest", *columns, sa.column("departed_s"), sa.column("body"))
    legs = sa.table("badge_leg", *(sa.column(key) for key in ("epc", "vehicle", "manifest", "departed_s")))
    connection, found = op.get_bind(), {}
    rows = connection.execute(sa.select(manifest).order_by(*columns)).yield_per(_AT_ONCE)
    for row in rows:
        for each in epcs_of(row.body):
            found[each, row.vehicle, row.manifest] = row.departed_s
    values = [
        {"epc": each, "vehicle": vehicle, "manifest": leg, "departed_s": departed_s}
        for (each, vehicle, leg), departed_s in found.items()
    ]
    for at in range(0, len(values), _AT_ONCE):
        connection.execute(sa.insert(legs), values[at : at + _AT_ONCE])
