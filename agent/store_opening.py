"""The store as a start finds it: sound, damaged, gone or set back; and what comes of it.

    store = open_sound(path, open_=partial(Store.open, seal=…), vehicle=…)

A damaged store is set aside whole (`agent.store_aside`) and a new one begins, in an epoch above all that are known,
with what could be read of the old one (`agent.store_rescue`): records that no ack had covered, the tally's checkpoint,
what the dispatch side had sent; and with a notice that says what was lost and since when. So it is done with a store
that is gone or holds less than the mark beside it says. Where nothing tells of an epoch the retained ack does, later.

The new store is made whole under another name first, then the old one is moved, then the new one takes its place: a
power cut at any moment leaves one of these steps to be gone on with. It is done at a start and never while running:
publisher and tally would hold what came from the damaged file, and a start is the one way that is walked every day.
"""

from __future__ import annotations

import logging
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from itertools import groupby
from pathlib import Path
from typing import TypeVar

from agent.errors import DiskFullError, StoreDamagedError
from agent.records import Record
from agent.store import Store
from agent.store_aside import damage_of, note_damage, set_aside
from agent.store_connection import connect, look, told, transaction
from agent.store_folder import sync_folder
from agent.store_lock import lock_path, take_lock
from agent.store_mark import Mark, read_mark
from agent.store_pages import make_pages_small
from agent.store_rescue import Rescued, rescue
from agent.store_reserve import Reserve
from agent.store_schema import migrate

T = TypeVar("T")
_LOG = logging.getLogger(__name__)
_LAST = (
    "SELECT epoch, (SELECT coalesce(max(seq), 0) FROM record WHERE record.epoch = epoch.epoch) FROM epoch"
    " ORDER BY epoch DESC LIMIT 1"
)


def open_sound(path: Path, *, open_: Callable[[Path], Store], vehicle: str) -> Store:
    """The store at `path`, or a new one in the place of one that is damaged. Raises StoreError.

    `open_` opens it with the vehicle's seal. On a full disk the reserve is given up as far as need be.
    """
    for _ in range(2):
        with _alone(path):
            with_room(path, lambda: _made_sound(path, open_=open_, vehicle=vehicle))
        try:
            return with_room(path, lambda: open_(path))
        except StoreDamagedError as error:
            note_damage(path, str(error))
    raise StoreDamagedError(f"{path}: a store that was begun just now is damaged; the card or disk must be replaced.")


def with_room(path: Path, do: Callable[[], T]) -> T:
    """Do what the start cannot do without; on a full disk with as much of the store's reserve as it takes."""
    reserve = Reserve(path, size_bytes=0)
    while True:
        try:
            return do()
        except DiskFullError:
            if not reserve.give_up():
                raise


def _made_sound(path: Path, *, open_: Callable[[Path], Store], vehicle: str) -> None:
    ready = path.with_name(path.name + ".rescued")
    if not ready.exists():
        why = damage_of(path) or _went_back(path, read_mark(path))
        if why is None:
            make_pages_small(path)
            return
        _LOG.error("store-damaged", extra={"path": str(path), "why": why})
        _begin_anew(path, ready, why, open_=open_, vehicle=vehicle)
    aside = set_aside(path)
    ready.rename(path)
    sync_folder(path.parent)
    _LOG.error("store-set-aside", extra={"as": str(aside)})


def _went_back(path: Path, mark: Mark | None) -> str | None:
    """A store that is gone, or set back to an older copy: it holds less than the mark beside it says."""
    if mark is None:
        return None
    if not path.exists():
        return "the file is gone"
    epoch, last = 0, 0
    with told(path, "reading the last record"), closing(look(path)) as connection:
        try:
            epoch, last = connection.execute(_LAST).fetchone()
        except sqlite3.OperationalError as problem:
            # A store from before there were marks has no such table. A disk that fails for once, or a file that is in
            # use, says nothing of what the store holds.
            if problem.sqlite_errorname != "SQLITE_ERROR":
                raise
    if (epoch, last) < (mark.epoch, mark.seq):
        return f"it ends with record {last} of epoch {epoch}, but had record {mark.seq} of epoch {mark.epoch}"
    return None


def _begin_anew(path: Path, ready: Path, why: str, *, open_: Callable[[Path], Store], vehicle: str) -> None:
    found = rescue(path)
    new = path.with_name(path.name + ".building")
    for left in path.parent.glob(new.name + "*"):
        left.unlink()
    _prepare(new, found)
    with open_(new) as store:
        for held in found.held:
            store.hold(held)
        for boot, group in groupby(found.waiting, key=lambda each: each.boot):
            some = tuple(group)
            made_at = [each.mono for each in some]
            store.append([each.record for each in some], boot=boot, mono=made_at[-1], made_at=made_at)
        last = max((number for number, _ in found.boots), default=0)
        state, boot, mono = found.state or (None, last, 0.0)
        notice = _notice(path, vehicle, why, found)
        store.append([notice], boot=boot, mono=mono, checkpoint=state, blocks=found.blocks)
    with told(new, "closing the log"), closing(connect(new, writer=True)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")  # one file, which one renaming puts in its place
    lock_path(new).unlink(missing_ok=True)
    new.rename(ready)
    sync_folder(path.parent)  # before any part of the old one is moved: a disk may keep that and lose this


def _prepare(new: Path, found: Rescued) -> None:
    with told(new, "beginning a store"), closing(connect(new, writer=True)) as connection:
        migrate(connection, path=str(new))
        with transaction(connection):
            if found.epoch is not None:
                connection.execute("UPDATE epoch SET epoch = ?", (found.epoch + 1,))
            connection.executemany("INSERT OR IGNORE INTO boot (boot, offset_s) VALUES (?, ?)", found.boots)


def _notice(path: Path, vehicle: str, why: str, found: Rescued) -> Record:
    since = found.good_until
    parts = [f"This van's store was damaged ({why}); it is set aside whole beside {path.name}, and a new one begins."]
    parts.append(
        "When it was last good is not known." if since is None else f"It was last known to be good at {since}."
    )
    parts.append(f"{len(found.waiting)} records that were not acknowledged yet were rescued.")
    if found.unread:
        parts.append(f"{found.unread} could not be read: what they said is lost.")
    if found.state is None:
        parts.append("What was aboard before is not known; the tally begins anew.")
    body = {
        "notice": "store-damaged",
        "at": None,
        "vehicle": vehicle,
        "text": " ".join(parts),
        "since": since,
        "rescued": len(found.waiting),
        "unread": found.unread,
        "memory": found.state is not None,
    }
    return Record("notice", body)


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    lock = take_lock(path)
    try:
        yield
    finally:
        os.close(lock)
