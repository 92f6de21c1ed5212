"""Brings a dispatch database of an earlier release up to this one's schema, forward only.

`bring_up_to_date` is called at every opening, inside one transaction that the caller holds; alembic is imported only
where there is something to migrate. A new database is made whole from `schema.metadata`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import sqlalchemy as sa

from agent.dispatch import schema
from agent.dispatch import schema_accounts as _also  # noqa: F401 - its tables join `schema.metadata`
from agent.errors import StoreError

RELEASE_0_1_0 = "0001"
"""What a database without a version is: 0.1.0 wrote none."""


def bring_up_to_date(connection: sa.Connection) -> None:
    """Make or migrate the tables; raises StoreError for a database that a newer release has written."""
    tables = set(sa.inspect(connection).get_table_names())
    if not tables & (schema.metadata.tables.keys() - {schema.version.name}):
        schema.metadata.create_all(connection)
        connection.execute(sa.insert(schema.version).values(version_num=schema.VERSION))
        return
    found = None
    if schema.version.name in tables:
        found = connection.execute(sa.select(schema.version.c.version_num)).scalar()
    if found != schema.VERSION:
        _migrate(connection, found)


def _migrate(connection: sa.Connection, found: str | None) -> None:
    from alembic.config import Config  # noqa: PLC0415 - half a second that hardly any start needs
    from alembic.runtime.environment import EnvironmentContext  # noqa: PLC0415
    from alembic.script import ScriptDirectory  # noqa: PLC0415

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent).replace("%", "%%"))
    script = ScriptDirectory.from_config(config)
    known = {revision.revision for revision in script.walk_revisions()}
    if found is not None and found not in known:
        raise StoreError(
            f"the dispatch database has schema {found}, this release knows none after {schema.VERSION};"
            " a newer release has written it: start that one"
        )
    context = EnvironmentContext(config, script)

    def steps(revision: tuple[str, ...], _context: object) -> list[Any]:
        return list(script._upgrade_revs(schema.VERSION, revision))  # type: ignore[arg-type]  # noqa: SLF001 - as alembic's own command does

    context.configure(connection=connection, version_table=schema.version.name, fn=steps)
    if found is None:
        context.get_context().stamp(script, RELEASE_0_1_0)
    with context.begin_transaction():
        context.run_migrations()
