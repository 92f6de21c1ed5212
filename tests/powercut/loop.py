"""The same on a real file system: ext4 on a loop device, shut down by its own ioctl while the agent writes.

`EXT4_IOC_SHUTDOWN` with "no log flush" (fs/ext4/ext4.h of the kernel's source) ends the file system on the spot: what
it had not written it never writes, as when power goes. Then it is mounted anew, its journal plays, and what is there
is judged as any image is. Needs root and mount rights; the block device itself loses nothing, so nothing is torn here.
"""

from __future__ import annotations

import fcntl
import os
import random
import shutil
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from msgspec.structs import replace

from tests.powercut.bench import Bench, Verdict
from tests.powercut.day import ROOT
from tests.powercut.disk import Op, Shape, notes
from tests.powercut.trace import STORE, Known, Trace, compiled

_SHUTDOWN = 0x8004587D  # _IOR('X', 125, __u32)
_NO_LOG_FLUSH = 2
_SIZE_BYTES = 24 << 20
_MOST_S = 60.0
_SHAPE = Shape("ext4 on a loop device")


@contextmanager
def mounted(image: Path, where: Path) -> Iterator[None]:
    """Mount an image. Raises CalledProcessError or FileNotFoundError where that cannot be done."""
    subprocess.run(["mount", "-o", "loop,noatime", image, where], check=True, capture_output=True)
    try:
        yield
    finally:
        subprocess.run(["umount", where], check=True, capture_output=True)


def why_not(folder: Path) -> str | None:
    """Why this machine cannot; None where it can."""
    image, where = folder / "try.img", folder / "try"
    where.mkdir()
    try:
        _make(image)
        with mounted(image, where):
            shut_down(where)
    except (OSError, subprocess.CalledProcessError) as error:
        told = getattr(error, "stderr", None)
        return f"ext4 on a loop device: {(told.decode().strip() if told else str(error)) or 'not here'}"
    return None


def shut_down(where: Path) -> None:
    """End the file system as a power cut does."""
    folder = os.open(where, os.O_RDONLY)
    try:
        fcntl.ioctl(folder, _SHUTDOWN, struct.pack("I", _NO_LOG_FLUSH))
    finally:
        os.close(folder)


def _make(image: Path) -> None:
    with image.open("wb") as file:
        file.truncate(_SIZE_BYTES)
    subprocess.run(["mkfs.ext4", "-q", "-F", image], check=True, capture_output=True)


def cut(trace: Trace, folder: Path, seed: int) -> Verdict:
    """Live the first boot of the day of `trace` on such a disk, shut it down somewhere, mount it again and judge."""
    rng = random.Random(seed)  # noqa: S311 - a draw that can be repeated
    own = folder / f"cut-{seed}"
    image, where, log, day = own / "disk.img", own / "disk", own / "calls.log", own / "day"
    where.mkdir(parents=True)
    shutil.copytree(trace.folder, day)
    _make(image)
    shim = compiled(own)
    with mounted(image, where):
        around = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": str(ROOT), "LD_PRELOAD": str(shim)}
        around |= {"POWERCUT_FOLDER": str(where.resolve()), "POWERCUT_LOG": str(log)}
        command = [sys.executable, "-m", "tests.powercut.child", day, where / STORE, "0"]
        limit, late = rng.randint(20_000, 550_000), time.monotonic() + _MOST_S
        with subprocess.Popen(command, env=around, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as child:
            while child.poll() is None and (not log.exists() or log.stat().st_size < limit):
                if time.monotonic() > late:
                    child.kill()
                    raise TimeoutError(f"the agent wrote no {limit} bytes in {_MOST_S:g} s")
                os.sched_yield()
            # What came back before this moment is held to be there; what comes back while the disk goes is not.
            told_bytes = log.stat().st_size
            shut_down(where)
            child.wait(_MOST_S)
    known, later, files = Known(), Known(), own / "image"
    for note in notes(log, within=told_bytes):
        known = known.after(note.a) if note.op is Op.MARK else known
    for note in notes(log):
        later = later.after(note.a) if note.op is Op.MARK else later
    known = replace(known, acked=later.acked, checkpoints=later.checkpoints)
    with mounted(image, where):
        shutil.copytree(where, files, ignore=shutil.ignore_patterns("lost+found"))
    (files / (STORE + "-shm")).unlink(missing_ok=True)
    return Bench(trace)._resumed(limit, files / STORE, known, _SHAPE, 0)
