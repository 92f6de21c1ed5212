"""Tables of who may use the board: accounts, sessions, tokens, what was done by whom, and a badge's own record.

Secrets stand in none of them: of a password its argon2 hash, of a session, a token and a known browser the SHA-256 of
128 random bits or more. Nothing in this program updates or deletes a row of `audit`. Times are seconds since 1970.
"""

from __future__ import annotations

from sqlalchemy import Boolean, Column, Double, Index, Integer, PrimaryKeyConstraint, String, Table, Text

from agent.dispatch.schema import metadata

account = Table(
    "account",
    metadata,
    Column("name", String(60), primary_key=True),
    Column("role", String(20), nullable=False),
    Column("password", Text, nullable=False),  # argon2's own text: parameters, salt, hash
    Column("badge", Text),  # the EPC of the badge that the person carries
    Column("disabled", Boolean, nullable=False),
    Column("made_s", Double, nullable=False),
    Column("password_s", Double, nullable=False),
)

session = Table(
    "account_session",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("account", String(60), nullable=False, index=True),
    Column("address", Text, nullable=False),
    Column("browser", Text, nullable=False),
    Column("made_s", Double, nullable=False),
    Column("seen_s", Double, nullable=False),
)

known_browser = Table(
    "known_browser",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("account", String(60), nullable=False, index=True),
    Column("made_s", Double, nullable=False),
)

failure = Table(
    "login_failure",
    metadata,
    Column("what", Text, primary_key=True),  # `account NAME`, `address IP`, `browser SHA256`
    Column("times", Integer, nullable=False),
    Column("last_s", Double, nullable=False),
)

token = Table(
    "api_token",
    metadata,
    Column("token", String(16), primary_key=True),  # what it is called by; not the secret
    Column("sha256", String(64), nullable=False, unique=True),
    Column("label", Text, nullable=False),
    Column("scopes", Text, nullable=False),  # separated by blanks
    Column("account", String(60), nullable=False),
    Column("made_s", Double, nullable=False),
    Column("used_s", Double),
    Column("revoked_s", Double),
)

audit = Table(
    "audit",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=True),
    Column("at_s", Double, nullable=False, index=True),
    Column("who", Text),  # an account; null where nobody had logged in
    Column("origin", Text, nullable=False),  # an address, or `command line`
    Column("kind", String(40), nullable=False),
    Column("subject", Text, nullable=False),
    Column("before", Text),  # JSON
    Column("after", Text),
    sqlite_autoincrement=True,  # a number is never given twice
)
Index("audit_by_who", audit.c.who, audit.c.number)
Index("audit_by_kind", audit.c.kind, audit.c.number)

badge_leg = Table(
    "badge_leg",
    metadata,
    Column("epc", Text, nullable=False),
    Column("vehicle", String(40), nullable=False),
    Column("manifest", Text, nullable=False),
    Column("departed_s", Double, nullable=False, index=True),
    PrimaryKeyConstraint("epc", "vehicle", "manifest"),
)
Index("badge_leg_by_time", badge_leg.c.epc, badge_leg.c.departed_s)

note = Table(
    "badge_note",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=True),
    Column("epc", Text, nullable=False, index=True),
    Column("about", Text),  # a manifest's name; null for the record as a whole
    Column("account", String(60), nullable=False),
    Column("at_s", Double, nullable=False),
    Column("text", Text, nullable=False),
    sqlite_autoincrement=True,
)
