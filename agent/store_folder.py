"""Folders that a power cut does not take: a name is certain only once the folder that holds it was synced.

POSIX.1-2017 promises of fsync only what is in the file; https://man7.org/linux/man-pages/man2/fsync.2.html says that
the folder needs one of its own.
"""

from __future__ import annotations

import os
from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Make the names in a folder certain. Raises OSError."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def make_folder(folder: Path) -> None:
    """Make a folder, and those above it, where they are missing; their names are certain then. Raises OSError."""
    if folder.is_dir():
        return
    make_folder(folder.parent)
    folder.mkdir(exist_ok=True)
    sync_folder(folder.parent)
