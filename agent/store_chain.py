"""The chain in the vehicle's store: records are sealed as they are written, and the whole is given to who verifies it.

What a seal is says `agent.chain`. An epoch is of one vehicle and signed by one key; it may begin with records from
before they were signed.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from msgspec import Struct

from agent.chain import KeptChain, KeptEpoch, Sealed, content_digest, digest, sign
from agent.errors import StoreError
from agent.store_connection import connect, told
from agent.store_schema import MIGRATIONS

_LAST = "SELECT seq, kind, content, prev FROM record WHERE epoch = ? AND seq <= ? ORDER BY seq DESC LIMIT 1"
_ALL = "SELECT seq, kind, content, prev, sig, body FROM record WHERE epoch = ? ORDER BY seq"
_EPOCHS = "SELECT epoch, vehicle, key, acked, digest FROM epoch ORDER BY epoch"


class Seal(Struct, frozen=True):
    """Whose records these are and who signs them: `key` is the public key as text, `sign` the private key's."""

    vehicle: str
    key: str
    sign: Callable[[bytes], bytes]


class Epoch(Struct, frozen=True):
    """A row of `epoch`: the dispatch side holds all up to `acked`, that one with `digest` (None: it did not say)."""

    epoch: int
    vehicle: str | None
    key: str | None
    acked: int
    digest: str | None


def epochs(connection: sqlite3.Connection) -> tuple[Epoch, ...]:
    """The store's epochs, oldest first. Raises sqlite3.Error."""
    return tuple(Epoch(*row) for row in connection.execute(_EPOCHS))


def digest_at(connection: sqlite3.Connection, *, vehicle: str, epoch: int, seq: int) -> str | None:
    """The digest of a record as the store holds it; None where it is not there. Raises sqlite3.Error."""
    row = connection.execute(_LAST, (epoch, seq)).fetchone()
    if row is None or row[0] != seq:
        return None
    return digest(vehicle=vehicle, epoch=epoch, seq=seq, kind=row[1], prev=row[3] or "", content=row[2])


def sealed_from(
    bodies: Iterable[tuple[str, str]], *, seal: Seal | None, epoch: int, seq: int, tip: str
) -> tuple[list[Sealed], str]:
    """(kind, content) of new records as they follow the digest `tip`, from `seq` on; and the digest of the last.

    Without a seal they are not signed, and nothing follows them.
    """
    made: list[Sealed] = []
    for number, (kind, content) in enumerate(bodies, start=seq):
        if seal is None:
            made.append(Sealed(number, kind, content, None, None))
            continue
        prev = tip
        tip = digest(vehicle=seal.vehicle, epoch=epoch, seq=number, kind=kind, prev=prev, content=content)
        made.append(Sealed(number, kind, content, prev, sign(tip, by=seal.sign)))
    return made, tip


def contents(bodies: Sequence[str]) -> list[str]:
    """The digest of each body."""
    return [content_digest(body.encode()) for body in bodies]


def kept_chain(path: Path) -> KeptChain:
    """The chain of the vehicle whose epoch is the newest, read beside the agent and changing nothing.

    `key` is the newest epoch's. Raises StoreError where there is no store, or one that an older program wrote.
    """
    if not path.is_file():
        raise StoreError(f"{path}: there is no such file; name the vehicle's store, [store] path of its configuration.")
    with told(path, "reading the chain"):
        connection = connect(path, writer=False)
        try:
            connection.execute("BEGIN")  # one snapshot: the agent may be writing meanwhile
            (version,) = connection.execute("PRAGMA user_version").fetchone()
            if version != len(MIGRATIONS):
                raise StoreError(
                    f"{path}: the store has version {version}, this program verifies {len(MIGRATIONS)};"
                    " let this program's agent bring it up to date, or verify with the program that wrote it."
                )
            known = epochs(connection)
            vehicle = known[-1].vehicle
            kept = tuple(_kept(connection, each) for each in known if each.vehicle == vehicle)
        finally:
            connection.close()
    return KeptChain(vehicle or "", known[-1].key, kept)


def _kept(connection: sqlite3.Connection, epoch: Epoch) -> KeptEpoch:
    records = tuple(
        Sealed(seq, kind, content, prev, sig, None if body is None else body.encode())
        for seq, kind, content, prev, sig, body in connection.execute(_ALL, (epoch.epoch,))
    )
    head = None if epoch.digest is None else (epoch.acked, epoch.digest)
    return KeptEpoch(epoch.epoch, records, head, epoch.key)
