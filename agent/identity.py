"""The vehicle's key: an Ed25519 pair made at the first start, kept beside the store, by which its records are signed.

The file is PKCS8 PEM (RFC 8410), readable by the agent's user alone; it is whole on the disk before it is first used.
One that cannot be read as a key is set aside whole and a new key is made, for a van that keeps no record is worse than
one whose key must be looked at: `set_aside` says so, and the dispatch side, which knows the old key, raises an alarm.
"""

from __future__ import annotations

import fcntl
import itertools
import logging
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)
from msgspec import Struct

from agent.chain import key_text
from agent.errors import StoreError
from agent.records import Record
from agent.store_folder import make_folder, sync_folder

KEY_NAME = "vehicle.key"
_LOG = logging.getLogger(__name__)


class VehicleKey(Struct, frozen=True):
    """`text` is the public key, `sign` the private key's; `set_aside` is where a damaged file was put, if one was."""

    text: str
    sign: Callable[[bytes], bytes]
    set_aside: Path | None = None


def vehicle_key(path: Path) -> VehicleKey:
    """The key in the file `path`, made there if there is none. Raises StoreError where the disk does not let it."""
    try:
        make_folder(path.parent)
        with _alone(path):
            private, aside = _loaded(path)
            if private is None:
                private = _made(path)
    except OSError as problem:
        raise StoreError(
            f"{path}: the vehicle's key cannot be kept or read ({problem}); let the agent's user own the folder and the"
            " file, and see that the disk is mounted for writing and not full."
        ) from problem
    if aside is not None:
        _LOG.error("%s held no Ed25519 key; it is now %s, and the vehicle has a new key", path, aside.name)
    return VehicleKey(key_text(private.public_key().public_bytes_raw()), private.sign, aside)


def key_notice(vehicle: str, key: VehicleKey) -> Record:
    """That the vehicle has a new key since the old one's file was damaged."""
    aside = "" if key.set_aside is None else key.set_aside.name
    text = (
        f"The file with this van's key was damaged. It is kept as {aside}, and a new key was made: from here on records"
        f" are signed by {key.text}. If nobody has worked on the van's computer, look at its card."
    )
    body: dict[str, Any] = {"notice": "new-key", "at": None, "vehicle": vehicle, "text": text, "key": key.text}
    return Record("notice", body)


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    """One process at a time makes a key: who comes second finds the first one's."""
    lock = os.open(path.with_name(path.name + ".lock"), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield
    finally:
        os.close(lock)


def _loaded(path: Path) -> tuple[Ed25519PrivateKey | None, Path | None]:
    """The key of the file, or None; and where a file that holds none was put."""
    try:
        held = path.read_bytes()
    except FileNotFoundError:
        return None, None
    try:
        private = load_pem_private_key(held, password=None)
    except (ValueError, TypeError, UnsupportedAlgorithm):
        private = None
    if isinstance(private, Ed25519PrivateKey):
        if path.stat().st_mode & 0o077:
            path.chmod(0o600)
            _LOG.warning("%s could be read by others; now it is the agent's alone", path)
        return private, None
    names = (path.with_name(f"{path.name}.damaged-{number}") for number in itertools.count(1))
    aside = next(name for name in names if not name.exists())
    path.rename(aside)
    sync_folder(path.parent)
    return None, aside


def _made(path: Path) -> Ed25519PrivateKey:
    private = Ed25519PrivateKey.generate()
    pem = private.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    new = path.with_name(path.name + ".new")
    with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600), "wb") as file:
        os.fchmod(file.fileno(), 0o600)  # one that a power cut left may have another mode
        file.write(pem)
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)
    sync_folder(path.parent)
    return private
