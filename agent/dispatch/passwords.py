"""Passwords: what may be one, and its argon2id hash. Knows nothing of accounts.

The cost is OWASP's least for argon2id (Password Storage Cheat Sheet: 19 MiB, 2 passes, 1 lane), and one hash is worked
out at a time, so that many log-ins at once cannot take the computer's memory.
"""

from __future__ import annotations

import threading
from functools import cached_property

import argon2
from argon2.exceptions import InvalidHashError, VerificationError
from msgspec import Struct

LEAST, MOST = 12, 200  # judgement; NIST SP 800-63B asks for at least 8 and no rules of composition
_COMMON = ("password", "passwort", "123456", "qwerty", "letmein", "roadtally")


class Cost(Struct, frozen=True):
    """What one guess costs."""

    memory_kib: int = 19_456
    passes: int = 2
    lanes: int = 1


class Passwords:
    """Makes and checks hashes; any thread may ask."""

    def __init__(self, cost: Cost = Cost()) -> None:  # noqa: B008 - frozen
        self._argon2 = argon2.PasswordHasher(
            time_cost=cost.passes, memory_cost=cost.memory_kib, parallelism=cost.lanes
        )
        self._one_at_a_time = threading.Lock()

    def hash(self, password: str) -> str:
        """Parameters, salt and hash in argon2's own text."""
        with self._one_at_a_time:
            return self._argon2.hash(password)

    @cached_property
    def _nobodys(self) -> str:
        return self.hash("nobody has this password")

    def fits(self, hashed: str | None, password: str) -> bool:
        """Whether a password is the one; for an account that is not there (None) it takes as long to say no."""
        known = hashed if hashed is not None else self._nobodys
        with self._one_at_a_time:
            try:
                return self._argon2.verify(known, password) and hashed is not None
            except (VerificationError, InvalidHashError):
                return False

    def is_outdated(self, hashed: str) -> bool:
        """Whether a hash was made at another cost than today's."""
        return self._argon2.check_needs_rehash(hashed)


def problem_of(password: str, *, name: str) -> str | None:
    """Why a password cannot be taken, None where it can."""
    if len(password) < LEAST:
        return f"a password has at least {LEAST} characters; a few words in a row are good"
    if len(password) > MOST:
        return f"a password has no more than {MOST} characters"
    plain = password.casefold()
    for word in (*_COMMON, name.casefold()):
        if word and word in plain and len(plain.replace(word, "")) < LEAST // 2:
            return "that is too easy to guess; a few words in a row are good"
    if len(set(plain)) < LEAST // 2:
        return "that repeats itself too much to be hard to guess"
    return None
