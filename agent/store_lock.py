"""The lock by which a store has one writer: a file beside it, held by the one process that may write."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from agent.errors import StoreError
from agent.store_folder import make_folder


def lock_path(store: Path) -> Path:
    """Where the lock of a store lies."""
    return store.with_name(store.name + ".lock")


def take_lock(store: Path) -> int:
    """Take a store's lock, making its folder where it is missing; the descriptor, which gives it up when closed.

    Raises StoreError where the folder cannot be used or another process has the lock.
    """
    try:
        make_folder(store.parent)
        lock = os.open(lock_path(store), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as problem:
        raise StoreError(
            f"{store}: the store's folder cannot be used ({problem}); let the agent's user own the folder."
        ) from problem
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)  # given up by the kernel however the process ends
    except OSError as problem:
        os.close(lock)
        raise StoreError(f"{store}: another process uses this store; end it, or set another path.") from problem
    return lock
