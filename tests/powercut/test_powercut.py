"""Power cuts: what a disk may lose, what the shim sees, and that the agent's record survives fifty of them."""

from __future__ import annotations

import os
import random
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.powercut.bench import draw, judged
from tests.powercut.disk import SECTOR, SHAPES, Disk, Note, Op, notes
from tests.powercut.loop import cut, why_not
from tests.powercut.trace import Trace, compiled, compiler, lived

pytestmark = [
    pytest.mark.integration,
    pytest.mark.skipif(compiler() is None, reason="there is no C compiler here to compile the shim with"),
]
HOME = Path("/disk")
CUTS, LIFE_EACH, WHOLE_DAYS = 60, 20, 12


def write(inode: int, offset: int, data: bytes) -> Note:
    """A write."""
    return Note(Op.WRITE, inode, offset, 0, data, b"")


def named(op: Op, path: str, inode: int = 0, to: str = "") -> Note:
    """A change of a name, or a folder's sync."""
    return Note(op, inode, 0, 0, str(HOME / path).encode(), str(HOME / to).encode() if to else b"")


def sync(inode: int) -> Note:
    """A sync."""
    return Note(Op.SYNC, inode, 0, 0, b"", b"")


SYNC_HOME = Note(Op.SYNC_FOLDER, 0, 0, 0, str(HOME).encode(), b"")


def images(told: Sequence[Note], shape: str, folder: Path, *, count: int = 200) -> set[tuple[tuple[str, bytes], ...]]:
    """Every image that so many draws make of it: names and contents."""
    disk = Disk(HOME)
    for note in told:
        disk.play(note)
    found = set()
    for seed in range(count):
        into = folder / f"{shape}-{seed}"
        into.mkdir()
        disk.image(into, random.Random(seed), SHAPES[shape])  # noqa: S311 - a draw that can be repeated
        found.add(tuple(sorted((path.name, path.read_bytes()) for path in into.iterdir())))
    return found


@pytest.mark.parametrize("shape", SHAPES)
def test_what_was_synced_is_there_whatever_the_disk_does(tmp_path: Path, shape: str) -> None:
    """A file synced, and its folder, are there with every byte; nothing of that is ever open."""
    told = [named(Op.CREATE, "a", 1), write(1, 0, b"x" * 700), sync(1), SYNC_HOME]
    assert images(told, shape, tmp_path, count=30) == {(("a", b"x" * 700),)}


def test_later_writes_may_be_there_without_earlier_ones(tmp_path: Path) -> None:
    """A disk may reorder between syncs: none, either or both of two are there; in order, never the second alone."""
    told = [named(Op.CREATE, "a", 1), write(1, 0, b"--"), sync(1), SYNC_HOME, write(1, 0, b"1"), write(1, 1, b"2")]
    for shape, possible in (("posix", {b"--", b"1-", b"-2", b"12"}), ("in order", {b"--", b"1-", b"12"})):
        assert {content for ((_, content),) in images(told, shape, tmp_path)} == possible


def test_a_write_tears_at_sectors_and_nowhere_else(tmp_path: Path) -> None:
    """Of 1,024 bytes from mid-sector on, each of the three sectors that they touch is old or new as a whole."""
    told = [named(Op.CREATE, "a", 1), write(1, 0, b"o" * 2048), sync(1), SYNC_HOME, write(1, 256, b"n" * 1024)]
    found = {content for ((_, content),) in images(told, "posix", tmp_path, count=400) if len(content) == 2048}
    assert len(found) == 8
    for content in found:
        assert content[:256] + content[1280:] == b"o" * (256 + 768)
        for first, last in ((256, SECTOR), (SECTOR, 2 * SECTOR), (2 * SECTOR, 1280)):
            assert len(set(content[first:last])) == 1


def test_a_name_is_certain_once_its_folder_is_synced(tmp_path: Path) -> None:
    """By POSIX a new file that was synced may still have no name; ext4's journal commits the name with it."""
    told = [named(Op.CREATE, "a", 1), write(1, 0, b"x"), sync(1)]
    assert images(told, "posix", tmp_path) == {(), (("a", b"x"),)}
    assert images(told, "ext4", tmp_path) == {(("a", b"x"),)}


def test_a_rename_and_an_unlink_are_there_or_not(tmp_path: Path) -> None:
    """A file renamed over another is the old one or the new one; one unlinked may be there again."""
    made = [named(Op.CREATE, "a", 1), write(1, 0, b"old"), named(Op.CREATE, "b", 2), write(2, 0, b"new")]
    made += [sync(1), sync(2)]
    told = [*made, SYNC_HOME, named(Op.RENAME, "b", to="a")]
    assert images(told, "posix", tmp_path) == {(("a", b"new"),), (("a", b"old"), ("b", b"new"))}
    gone = [*made, SYNC_HOME, named(Op.UNLINK, "a")]
    assert images(gone, "garbage", tmp_path) == {(("b", b"new"),), (("a", b"old"), ("b", b"new"))}


_SCRIPT = """
import os, sys
home = sys.argv[1]
file = os.open(home + "/a", os.O_RDWR | os.O_CREAT)
os.write(file, b"hello "); os.pwrite(file, b"world", 6); os.writev(file, [b"J", b"E"])
os.pwritev(file, [b"!", b"?"], 11)
os.fsync(file); os.ftruncate(file, 12); os.posix_fallocate(file, 0, 14); os.close(file)
os.rename(home + "/a", home + "/b")
other = os.open(home + "/gone", os.O_WRONLY | os.O_CREAT); os.write(os.dup(other), b"x"); os.fdatasync(other)
os.unlink(home + "/gone"); os.mkdir(home + "/sub")
with open(home + "/sub/c", "wb") as inner: inner.write(b"1"); inner.flush(); os.fsync(inner.fileno())
folder = os.open(home, os.O_RDONLY); os.fsync(folder)
with open(os.path.join(os.path.dirname(home), "elsewhere"), "wb") as outside: outside.write(b"not ours")
"""


def test_the_shim_sees_what_a_process_does(tmp_path: Path) -> None:
    """Played back, with everything kept, the log gives the very files that the process left; nothing from elsewhere."""
    home, log, image = tmp_path.resolve() / "home", tmp_path.resolve() / "log", tmp_path / "image"
    home.mkdir()
    image.mkdir()
    around = {"LD_PRELOAD": str(compiled(tmp_path)), "POWERCUT_FOLDER": str(home), "POWERCUT_LOG": str(log)}
    subprocess.run([sys.executable, "-c", _SCRIPT, home], check=True, env=os.environ | around)
    disk = Disk(home)
    seen = list(notes(log))
    for note in seen:
        disk.play(note)
    disk.image(image, random.Random(1), SHAPES["everything"])  # noqa: S311 - a draw that can be repeated

    def files(folder: Path) -> dict[str, bytes]:
        return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}

    assert files(image) == files(home) == {"b": b"hello JErld!\0\0", "sub/c": b"1"}
    assert [note.op for note in seen if note.op in (Op.SYNC, Op.SYNC_FOLDER)] == [Op.SYNC] * 3 + [Op.SYNC_FOLDER]
    assert b"not ours" not in b"".join(note.a for note in seen)


@pytest.fixture(scope="module")
def trace(tmp_path_factory: pytest.TempPathFactory) -> Trace:
    """The tiny day as the agent's real process lived it."""
    return lived("tiny", tmp_path_factory.mktemp("powercut"))


def test_a_day_survives_a_cut_at_any_write(trace: Trace) -> None:
    """Sixty cuts in every shape: opens, whole, goes on; the dispatch side ends with the uncut run's records, each once.

    Where the inputs up to the power's return are lost too, as in life, the same moves are stated, or a gap covers it.
    """
    verdicts = judged(trace, draw(trace, CUTS, seed=1), life_each=LIFE_EACH, whole_days=WHOLE_DAYS)
    assert len(verdicts) == CUTS
    assert [(v.cut, v.shape, v.problems) for v in verdicts if v.problems] == []
    assert {v.shape for v in verdicts} == set(SHAPES)
    assert sum(v.open_writes > 0 for v in verdicts) > CUTS / 2  # most took something that was not synced
    assert sum(v.fresh for v in verdicts) == WHOLE_DAYS
    living = [v for v in verdicts if v.lived_on]
    assert len(living) == CUTS // LIFE_EACH
    assert [v.unexplained for v in living if v.unexplained] == []


@pytest.mark.parametrize(
    ("wrong", "found"),
    [("normal", "committed records"), ("second", "lost from the outbox"), ("forgetful", "the checkpoint knows of")],
)
def test_the_bench_finds_what_it_is_for(tmp_path: Path, wrong: str, found: str) -> None:
    """Under synchronous=NORMAL records are lost; so are outbox rows or checkpoints in transactions of their own."""
    trace = lived("brief", tmp_path, wrong=wrong)
    problems = [problem for v in judged(trace, draw(trace, 40, seed=1), whole_days=0) for problem in v.problems]
    assert any(found in problem for problem in problems), problems


@pytest.mark.parametrize(("before", "within"), [("spoilt", (b"D", b"A")), ("large", (b"L", b"S"))])
def test_a_cut_in_the_middle_of_a_repair(tmp_path: Path, before: str, within: tuple[bytes, bytes]) -> None:
    """A spoilt store is set aside once, whole, and a store with large pages gets small ones, wherever power goes."""
    trace = lived("brief", tmp_path, before=before)
    cuts = draw(trace, 30, seed=1, within=within)
    for number in trace.cuts(within=within, of=frozenset({Op.RENAME})):  # where most depends on the order
        cuts.setdefault(number, []).extend((SHAPES["posix"], seed) for seed in range(6))
    verdicts = judged(trace, cuts, whole_days=2)
    assert [(v.cut, v.shape, v.problems) for v in verdicts if v.problems] == []
    assert sum(v.open_writes > 0 for v in verdicts) > 20
    assert (trace.disk / "vehicle.db.damaged-1").exists() == (before == "spoilt")


def test_a_real_file_system_shut_down_under_the_agent(trace: Trace, tmp_path: Path) -> None:
    """ext4 ended by its own ioctl while the agent writes, mounted again: the same holds."""
    if reason := why_not(tmp_path):
        pytest.skip(reason)
    verdicts = [cut(trace, tmp_path, seed) for seed in range(4)]
    assert [(v.cut, v.problems) for v in verdicts if v.problems] == []
