"""What a power cut may leave on a disk: a log of writes and syncs (shim.c) played up to a moment, and images of it.

    disk = Disk(folder); disk.play(note) …; disk.image(into, rng, SHAPES["posix"])

The model. What was synced (fsync, fdatasync) before the cut is there, for fsync returns only when the system has done
it (POSIX.1-2017, fsync). Everything since is open: each write by itself is kept, dropped or torn at sectors of 512
bytes, so later ones may be there without earlier ones, as a disk with a cache may reorder them between two syncs; a
file's size is any that it had since. Which names a folder holds is a matter of its own: a name is certain only after
its folder was synced ("posix"), or, as ext4's one journal commits names in their order with whatever is synced next, a
first part of the changes is there ("ext4"). A sector torn in "garbage" holds anything at all. This is how SQLite's own
crash tests treat writes that were not synced (https://www.sqlite.org/testing.html#crashtesting); what it says it
relies on stands in https://www.sqlite.org/atomiccommit.html.

Taken for granted, as SQLite does: a write damages no byte beside its own ("powersafe overwrite",
https://www.sqlite.org/psow.html), what was synced does not rot, and a disk that says it has synced has done so. The
folder itself was there, durably, before the agent (systemd makes it). A file that a process maps writable and shared
(SQLite's -shm) is lost: gone, or full of anything. sync_file_range proves nothing, as its manual page says. Not
modelled: links, modes, owners, times, extended attributes, punched holes.
"""

from __future__ import annotations

import mmap
import random
import struct
from collections.abc import Iterator
from enum import IntEnum
from pathlib import Path

from msgspec import Struct

SECTOR = 512
_HEAD = struct.Struct("<QQqqQQ")


class Op(IntEnum):
    """The calls, numbered as in shim.c."""

    CREATE = 1
    WRITE = 2
    TRUNCATE = 3
    ALLOCATE = 4
    RENAME = 5
    UNLINK = 6
    SYNC = 7
    SYNC_FOLDER = 8
    MARK = 9
    MAPPED = 10
    RANGE = 11
    SEEN = 12
    MKDIR = 13


class Note(Struct, frozen=True):
    """One call: on the file of this inode, at `offset`, with `a` (data or a path) and `b` (the new path)."""

    op: Op
    inode: int
    offset: int
    argument: int
    a: bytes
    b: bytes


def notes(log: Path, *, within: int | None = None) -> Iterator[Note]:
    """Every note of a log, in order; only those that its first `within` bytes hold whole."""
    with log.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        at, end = 0, len(data) if within is None else within
        while at + _HEAD.size <= end:
            op, inode, offset, argument, first, second = _HEAD.unpack_from(data, at)
            at += _HEAD.size
            if at + first + second > end:
                return
            yield Note(Op(op), inode, offset, argument, data[at : at + first], data[at + first : at + first + second])
            at += first + second


class Shape(Struct, frozen=True):
    """One way in which disks fail. `in_order`: a first part of what is unsynced is there, and only its last is torn.

    `journal`: names as ext4's journal has them, else each by itself until its folder is synced.
    """

    name: str
    in_order: bool = False
    journal: bool = True
    garbage: bool = False
    keep: float | None = None  # share of unsynced writes that is kept; None: drawn anew for each image


SHAPES = {
    shape.name: shape
    for shape in (
        Shape("nothing unsynced", keep=0.0, journal=False),
        Shape("everything", keep=1.0),
        Shape("in order", in_order=True),
        Shape("ext4"),
        Shape("posix", journal=False),
        Shape("garbage", journal=False, garbage=True),
    )
}
_KEEPS = (0.03, 0.3, 0.5, 0.7, 0.97)
_TORN = 0.3  # of the kept writes, in images that tear


class _File:
    """Durable content, and what was done since it was last synced."""

    def __init__(self) -> None:
        self.durable = bytearray()
        self.pending: list[Note] = []
        self.mapped = False

    def sync(self) -> None:
        for note in self.pending:
            _apply(self.durable, note)
        self.pending.clear()


def _apply(content: bytearray, note: Note, sectors: tuple[tuple[int, bytes], ...] | None = None) -> None:
    if note.op is Op.TRUNCATE:
        _resize(content, note.offset)
    elif note.op is Op.ALLOCATE:
        length, mode = struct.unpack("<qq", note.a)
        if not mode:
            _resize(content, max(len(content), note.offset + length))
    else:
        for at, data in sectors if sectors is not None else ((note.offset, note.a),):
            if len(content) < at:
                _resize(content, at)
            content[at : at + len(data)] = data


def _resize(content: bytearray, size: int) -> None:
    if size < len(content):
        del content[size:]
    else:
        content.extend(bytes(size - len(content)))


def sectors_of(note: Note) -> Iterator[tuple[int, bytes]]:
    """A write in the pieces that a disk writes whole or not at all."""
    at, data = note.offset, note.a
    while data:
        room = SECTOR - at % SECTOR
        yield at, data[:room]
        at, data = at + room, data[room:]


class Disk:
    """The files below `folder` as a process left them by what it did so far, with what of it is certain."""

    def __init__(self, folder: Path) -> None:
        self._folder = str(folder)
        self._files: dict[int, _File] = {}  # by inode, the one that has it now
        self._names: dict[str, _File | None] = {}  # durable; None is a folder
        self._live: dict[str, _File | None] = {}
        self._changes: list[tuple[Note, _File | None]] = []  # of names, whose folder was not synced since
        self._committed = 0  # how many of those ext4's journal has, for any sync commits it

    def play(self, note: Note) -> None:
        """Take the next note of the log."""
        op = note.op
        if op in (Op.MARK, Op.RANGE, Op.SEEN):
            return
        if op is Op.CREATE:
            self._files[note.inode] = _File()
            self._change(note, self._files[note.inode])
        elif op in (Op.RENAME, Op.UNLINK, Op.MKDIR):
            self._change(note, None)
        elif op is Op.SYNC_FOLDER:
            self._sync_folder(note.a.decode())
        elif op is Op.SYNC:
            self._files[note.inode].sync()
            self._committed = len(self._changes)
        elif op is Op.MAPPED:
            self._files[note.inode].mapped = True
        else:
            self._files[note.inode].pending.append(note)

    def _change(self, note: Note, file: _File | None) -> None:
        if note.op is Op.RENAME:
            file = self._live.get(note.a.decode())
        _rename(self._live, note, file)
        self._changes.append((note, file))

    def _sync_folder(self, path: str) -> None:
        left = []
        for note, file in self._changes:
            # A rename is one change of two folders; it is held to be certain with the new name's.
            name = (note.b if note.op is Op.RENAME else note.a).decode()
            if str(Path(name).parent) == path:
                _rename(self._names, note, file)
            else:
                left.append((note, file))
        self._changes, self._committed = left, len(left)

    def unsynced(self) -> int:
        """How many writes and changes of names a cut now could take back."""
        return len(self._changes) + sum(len(file.pending) for file in self._live.values() if file is not None)

    def image(self, into: Path, rng: random.Random, shape: Shape) -> None:
        """Write into an empty folder what a cut now could leave of the files."""
        keep = rng.choice(_KEEPS) if shape.keep is None else shape.keep
        names = dict(self._names)
        first = self._committed if shape.journal else 0
        upto = first
        while upto < len(self._changes) and rng.random() < keep:
            upto += 1
        for index, (note, file) in enumerate(self._changes):
            if index < first or (index < upto if shape.journal else rng.random() < keep):
                _rename(names, note, file)
        for name in sorted(names):
            at, file = into / name.removeprefix(self._folder).lstrip("/"), names[name]
            at.parent.mkdir(parents=True, exist_ok=True)
            if file is None:
                at.mkdir(exist_ok=True)
            elif not file.mapped:
                at.write_bytes(_content(file, rng, shape, keep))
            elif rng.random() < 0.5:
                at.write_bytes(rng.randbytes(32_768))


def _rename(names: dict[str, _File | None], note: Note, file: _File | None) -> None:
    """Do to a table of names what a call did to the folders."""
    name = note.a.decode()
    if note.op is Op.RENAME:
        names.pop(name, None)
        if file is not None:
            names[note.b.decode()] = file
    elif note.op is Op.UNLINK:
        names.pop(name, None)
    else:
        names[name] = file


def _content(file: _File, rng: random.Random, shape: Shape, keep: float) -> bytes:  # noqa: C901 - one list of cases
    content = bytearray(file.durable)
    sizes = [len(content)]
    grown = len(content)
    for note in file.pending:
        if note.op is Op.WRITE:
            grown = max(grown, note.offset + len(note.a))
        elif note.op is Op.TRUNCATE:
            grown = note.offset
        sizes.append(grown)
    pending = file.pending
    if shape.in_order:
        pending = pending[: rng.randint(0, len(pending))]
    for index, note in enumerate(pending):
        if not shape.in_order and rng.random() >= keep:
            continue
        tears = index == len(pending) - 1 if shape.in_order else 0.0 < keep < 1.0 and rng.random() < _TORN
        if note.op is not Op.WRITE or not tears:
            _apply(content, note)
            continue
        pieces = []
        for at, data in sectors_of(note):
            if rng.random() < 0.5:
                pieces.append((at, data))
            elif shape.garbage:
                pieces.append((at, rng.randbytes(len(data))))
        _apply(content, note, tuple(pieces))
    # Where a write is kept, its size may still be an earlier one; never one that the file had before the last sync.
    if not shape.in_order and 0.0 < keep < 1.0 and rng.random() < 0.5:
        _resize(content, rng.choice(sizes))
    return bytes(content)
