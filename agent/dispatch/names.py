"""What items are called, asked of the database one by one as they are shown: few are, of however many there are."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import sqlalchemy as sa

from agent.dispatch import schema
from agent.dispatch.documents import Names

_ONE = sa.select(schema.item.c.name).where(schema.item.c.epc == sa.bindparam("epc"))


def kept_names(connection: sa.Connection, register: Mapping[str, str]) -> Names:
    """Names by the register where it has them, else as vehicles told them; as long as the connection lives."""
    return Names(_Kept(connection, register))


class _Kept(Mapping[str, str]):
    """Looks a name up when it is first asked for; says nothing of how many there are."""

    def __init__(self, connection: sa.Connection, register: Mapping[str, str]) -> None:
        self._connection, self._register = connection, register
        self._found: dict[str, str | None] = {}

    def __getitem__(self, epc: str) -> str:
        name = self._register.get(epc)
        if name is None:
            if epc not in self._found:
                self._found[epc] = self._connection.execute(_ONE, {"epc": epc}).scalar()
            name = self._found[epc]
        if not name:
            raise KeyError(epc)
        return name

    def __iter__(self) -> Iterator[str]:
        return iter(self._register)

    def __len__(self) -> int:
        return len(self._register)
