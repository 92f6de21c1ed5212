"""Raw reads, thinned: for each tag, antenna and minute of a boot how many there were and the strongest."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable

from msgspec.structs import replace

from agent.records import Read

_MINUTE_S = 60.0
# A row beside its tag, with its share of what SQLite leaves empty: 28 were measured, in the order in which rows come.
ROW_BYTES = 40


def thinned(reads: Iterable[Read]) -> list[tuple[int, str, int, int, float]]:
    """(minute of the boot, tag, antenna, number of reads, strongest in dBm), in the order in which they are stored."""
    tally: dict[tuple[int, str, int], tuple[int, float]] = {}
    for read in reads:
        key = (int(read.mono // _MINUTE_S), read.epc, read.antenna)
        count, strongest_dbm = tally.get(key, (0, read.rssi))
        tally[key] = (count + read.count, max(strongest_dbm, read.rssi))
    return [(*key, *value) for key, value in sorted(tally.items())]


def merged(reads: Iterable[Read], *, into: dict[tuple[int, str, int], Read]) -> None:
    """Add reads to those that wait, one for each minute, tag and antenna, so that `thinned` makes the same of them."""
    for read in reads:
        key = (int(read.mono // _MINUTE_S), read.epc, read.antenna)
        was = into.get(key)
        if was is None:
            into[key] = read
        else:
            into[key] = replace(was, count=was.count + read.count, rssi=max(was.rssi, read.rssi))


def prune_readings(connection: sqlite3.Connection, *, before_utc_s: float, most_readings: int, most_bytes: int) -> int:
    """Drop rows whose minute ended before `before_utc_s`, and the oldest beyond `most_readings` rows or `most_bytes`.

    How many went. The file gets no shorter: its free pages are what the next records are written to.

    A boot that never knew the time is older than the next boot that did, and is dropped when that boot's beginning is.
    """
    dropped = 0
    next_began_utc_s: float | None = None
    for boot, offset_s in connection.execute("SELECT boot, offset_s FROM boot ORDER BY boot DESC").fetchall():
        if offset_s is not None:
            next_began_utc_s = offset_s
            minute = int((before_utc_s - offset_s) // _MINUTE_S)  # the first minute that is not over by then
            dropped += connection.execute("DELETE FROM reading WHERE boot = ? AND minute < ?", (boot, minute)).rowcount
        elif next_began_utc_s is not None and next_began_utc_s <= before_utc_s:
            dropped += connection.execute("DELETE FROM reading WHERE boot = ?", (boot,)).rowcount
    count, tag_bytes = connection.execute("SELECT count(*), total(length(tag)) FROM reading").fetchone()
    most_readings = min(most_readings, int(most_bytes / (ROW_BYTES + tag_bytes / count)) if count else 0)
    if count > most_readings:
        edge = connection.execute(
            "SELECT boot, minute FROM reading ORDER BY boot, minute, tag, antenna LIMIT 1 OFFSET ?",
            (count - most_readings,),
        ).fetchone()
        # Whole minutes go, so that what is left of one never looks like all of it.
        dropped += connection.execute("DELETE FROM reading WHERE (boot, minute) <= (?, ?)", edge).rowcount
    return dropped
