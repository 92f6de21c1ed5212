"""A day lived on a disk that something else fills at random moments, and what must hold at its end.

    trial(seed, kind) -> Verdict       the same seed is the same day, fills and death

The run loop, the tally and the store are the van's own; inputs come at their own times, so that nothing waits. The disk
is filled to the last byte or to a few KiB; whoever fills it may take what the reserve gives up too. On some days the
process dies while the disk is full (as by SIGKILL: what SQLite has written is there, nothing more is) and starts again.

At the end the custody records are those of the same day without a full disk: none lost, none doubled, none different,
in order, numbered without a gap. Where the process died, what was stored before is still there byte for byte, nothing
is stated twice, and every record that was in memory alone lies in a time that a gap notice names.
"""

from __future__ import annotations

import gc
import logging
import random
import shutil
import tempfile
import threading
from collections.abc import Iterator
from functools import cache, partial
from pathlib import Path
from typing import Any

import msgspec
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from msgspec import Struct

from agent.chain import key_text
from agent.errors import DiskFullError
from agent.messages import Ack
from agent.publisher import Acks, Settled
from agent.records import Boot, Input, Inventory, PortInput
from agent.setup import read_in_use
from agent.store import Store
from agent.store_chain import Seal
from agent.store_opening import open_sound
from agent.units import parse_utc
from agent.vehicle_agent import VehicleAgent
from tests import tinyday
from tests.diskfull.disks import Disk, Kind, disk

VEHICLE = tinyday.VEHICLE + "\n[store]\nreserve_mb = {}\n"
# At so many of its turns the publisher looks at the outbox.
PUBLISHES = 0.02
# Space is back this long before the day ends, so that the half-minute's commit comes by itself.
LAST_S = tinyday.DURATION_S - 45.0
ABOUT = ("disk-full", "gap", "gap-was")
"""Notices that a fault makes."""

_PRIVATE = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
SEAL = Seal("van-07", key_text(_PRIVATE.public_key().public_bytes_raw()), _PRIVATE.sign)

Made = tuple[str, dict[str, Any]]


class Fill(Struct, frozen=True):
    """The disk is full from one second of the day to another; `left_bytes` stay; `greedy` takes what is given up."""

    from_s: float
    to_s: float
    left_bytes: int
    greedy: float


class Script(Struct, frozen=True):
    """What happens on a day: when the disk is full, and when the process dies, if it does."""

    fills: tuple[Fill, ...]
    dies_s: float | None = None
    reserve_mb: int = 1


class Verdict(Struct, frozen=True):
    """What came of a day; `problems` empty: it went well."""

    seed: int
    kind: str
    script: Script
    problems: tuple[str, ...]
    records: int = 0
    waited: int = 0
    times: int = 0
    gaps_s: tuple[float, ...] = ()


class Standing:
    """A clock that stands where it is put."""

    now = tinyday.BOOT_MONO_S

    def mono(self) -> float:
        """Seconds of this boot."""
        return self.now

    def utc(self) -> float:
        """A wall clock without a battery."""
        return self.now

    def sleep(self, seconds: float, *, stop: threading.Event | None = None) -> bool:
        """Nobody sleeps here."""
        raise AssertionError(f"asked to sleep {seconds} s, {stop}")

    def sleep_until(self, mono_s: float, *, stop: threading.Event | None = None) -> bool:
        """Nor until then."""
        raise AssertionError(f"asked to sleep until {mono_s} s, {stop}")

    def consumed(self, mono_s: float) -> None:
        """Nobody waits for us."""


def script_of(seed: int) -> Script:
    """One to three times of a full disk, of seconds to minutes; half of them begin just before a custody record."""
    rng = _rng(seed)
    moments = [at_s for at_s, _ in reference()]
    fills: list[Fill] = []
    at_s = 0.0
    for _ in range(rng.randint(1, 3)):
        near = [moment for moment in moments if moment > at_s + 10.0]
        from_s = rng.choice(near) - rng.uniform(0.5, 9.0) if near and rng.random() < 0.5 else rng.uniform(at_s, LAST_S)
        to_s = min(from_s + rng.choice((5.0, 40.0, 200.0, 500.0)) * rng.uniform(0.5, 1.5), LAST_S)
        if not at_s <= from_s < to_s:
            continue
        left = rng.choice((0, 0, 0, 4096, 20_000, 90_000))
        fills.append(Fill(round(from_s, 1), round(to_s, 1), left, rng.choice((0.0, 0.0, 0.05, 1.0))))
        at_s = to_s + 5.0
    dies_s = None
    if fills and rng.random() < 0.3:
        fill = rng.choice(fills)
        dies_s = round(rng.uniform(fill.from_s, fill.to_s), 1)
    return Script(tuple(fills), dies_s, rng.choice((0, 0, 1)))


class Van:
    """The agent with its store on a disk."""

    def __init__(self, on: Disk, folder: Path, rng: random.Random, *, reserve_mb: int = 1) -> None:
        self._on, self._folder, self._rng = on, folder, rng
        self.path = on.folder / "vehicle.db"
        tinyday.write_files(folder, vehicle=VEHICLE.format(reserve_mb))
        self.clock = Standing()
        self.heard = 0
        self.waiting: list[float] = []
        self.began: list[float] = []
        self._start()

    def _start(self) -> None:
        _, in_use = read_in_use(
            config=self._folder / "vehicle.toml",
            sites=self._folder / "geofences",
            register=self._folder / "register.csv",
            plan=None,
        )
        self.store = open_sound(self.path, open_=partial(Store.open, seal=SEAL), vehicle="van-07")
        self.outbox = self.store.outbox()
        self.agent = VehicleAgent(in_use=in_use, store=self.store, clock=self.clock, program="bench")

    def live(self, script: Script) -> None:
        """The whole day."""
        boot_at_s = 0.0
        items = tinyday.inputs()
        while self._until(items, script, boot_at_s):
            assert script.dies_s is not None
            boot_at_s = script.dies_s
            self._die()
            try:
                self._start()
            except DiskFullError:
                # As the service's restarts do: it comes up once there is space.
                boot_at_s = next(fill.to_s for fill in script.fills if fill.from_s <= boot_at_s < fill.to_s)
                self._on.empty()
                self._start()
            self.began.append(boot_at_s)
            self._on.limit(self.store._connection)
            items = after_boot(boot_at_s)
        self._on.empty()
        self.agent._commit((), self.clock.now)

    def _until(self, items: Iterator[Input], script: Script, boot_at_s: float) -> bool:
        """Live on; True where the process dies."""
        for item in items:
            at_s = boot_at_s + item.mono - tinyday.BOOT_MONO_S
            full = next((fill for fill in script.fills if fill.from_s <= at_s < fill.to_s), None)
            if full is None and self._on.is_full:
                self._on.empty()
                self._on.limit(self.store._connection)
            elif full is not None and not self._on.is_full:
                self._on.fill(full.left_bytes)
                self._on.limit(self.store._connection)
            elif full is not None and self._rng.random() < full.greedy:
                self._on.top_up()
            if script.dies_s is not None and not self.began and script.dies_s <= at_s:
                return True
            self.clock.now = item.mono
            if isinstance(item, Inventory):
                self.heard += sum(read.count for read in item.reads)
            if isinstance(item, Boot):
                self.agent._take(item)
            else:
                self.agent.put(item)
                if self._rng.random() < PUBLISHES:
                    self._publish()
                self.agent._turn()
        return False

    def _publish(self) -> None:
        """What the publisher's thread does: it reads the outbox, and an ack comes for some of it."""
        rows = self.outbox.page(after=0, limit=50).rows
        self.agent.deliver(Settled())
        if rows:
            self.agent.deliver(Acks((Ack(epoch=1, seq=self._rng.choice(rows).seq),)))

    def _die(self) -> None:
        """As if killed: the files as they are now, without what closing would write."""
        self.waiting = [at for _, at in self.agent._keeping._holdback._waiting]
        with tempfile.TemporaryDirectory() as aside:
            files = [file for file in self.path.parent.glob("vehicle.db*") if not file.name.endswith("-shm")]
            for file in files:
                if file.suffix != ".lock":
                    shutil.copy(file, aside)
            was_full, left = self._on.is_full, self._on.left_bytes
            self._on.empty()
            self.outbox.close()
            self.store.close()
            for file in self.path.parent.glob("vehicle.db*"):
                file.unlink()
            for file in Path(aside).iterdir():
                shutil.copy(file, self.path.parent)
            if was_full:
                self._on.fill(left)
        gc.collect()
        self.clock.now = tinyday.BOOT_MONO_S

    def made(self) -> list[tuple[int, Made]]:
        """Every record with its number."""
        rows = self.store._connection.execute("SELECT seq, kind, body FROM record WHERE epoch = 1 ORDER BY id")
        return [(seq, (kind, msgspec.json.decode(body))) for seq, kind, body in rows]

    def waits(self) -> list[int]:
        """The numbers in the outbox, and what no ack covered by the row of its epoch."""
        return [row.seq for row in self.store.unacked(limit=100_000)]

    def reads_kept(self) -> int:
        """How many raw reads the store counts."""
        return int(self.store._connection.execute("SELECT total(reads) FROM reading").fetchone()[0])


def after_boot(from_s: float) -> Iterator[Input]:
    """The rest of the day as a computer receives it that starts at this second."""
    begun = tinyday.BOOT_MONO_S
    yield Boot(begun, "1970-01-01T00:00:12.000Z")
    levels = {port: on for at_s, port, on in tinyday.port_changes() if at_s <= from_s}
    yield from (PortInput(begun + 1.0, port, on) for port, on in levels.items())
    for item in tinyday.inputs():
        if item.mono >= begun + from_s + 2.0:
            moved: dict[str, Any] = {"mono": item.mono - from_s}
            if isinstance(item, Inventory):
                moved["reads"] = tuple(msgspec.structs.replace(r, mono=r.mono - from_s) for r in item.reads)
            yield msgspec.structs.replace(item, **moved)


def _rng(seed: int) -> random.Random:
    return random.Random(seed)  # noqa: S311 - a draw that can be repeated


@cache
def reference() -> tuple[tuple[float, Made], ...]:
    """The day without a full disk: when each record was made, in seconds of the day, and what it says."""
    with disk("pages") as on, tempfile.TemporaryDirectory() as folder:
        van = Van(on, Path(folder), _rng(0))
        van.live(Script(()))
        at = [row[0] for row in van.store._connection.execute("SELECT mono FROM record ORDER BY seq")]
        made = [one for _, one in van.made()]
        van.outbox.close()
        van.store.close()
    return tuple((at_mono - tinyday.BOOT_MONO_S, one) for at_mono, one in zip(at, made, strict=True))


def trial(seed: int, kind: Kind) -> Verdict:
    """Live the day of a seed and judge it."""
    return lived(seed, script_of(seed), kind)


def lived(seed: int, script: Script, kind: Kind) -> Verdict:
    """Live a day with this script and judge it."""
    with disk(kind) as on, tempfile.TemporaryDirectory() as folder:
        van = Van(on, Path(folder), _rng(seed), reserve_mb=script.reserve_mb)
        problems: list[str] = []
        try:
            van.live(script)
        except Exception as error:  # noqa: BLE001 - whatever ends the agent is what the bench is looking for
            problems.append(f"the agent ended: {error!r}")
        on.empty()
        if problems:
            return Verdict(seed, kind, script, tuple(problems))
        made = van.made()
        told = [body for _, (_, body) in made if body.get("notice") == "disk-full"]
        dropped = sum(body["reads_not_kept"] for body in told)
        kept, heard = van.reads_kept(), van.heard
        epochs = van.store._connection.execute("SELECT epoch, acked FROM epoch").fetchall()
        if [epoch for epoch, _ in epochs] != [1] or van.waits() != list(range(epochs[0][1] + 1, len(made) + 1)):
            problems.append(f"the outbox holds {van.waits()}, epochs and what is acknowledged are {epochs}")
        stated = [body for _, (_, body) in made if body.get("notice") == "gap-was"]
        van.outbox.close()
        van.store.close()
    if [seq for seq, _ in made] != list(range(1, len(made) + 1)):
        problems.append(f"numbers with a gap: {[seq for seq, _ in made]}")
    records = [one for _, one in made]
    gaps_s = tuple(parse_utc(body["until"]) - parse_utc(body["since"]) for body in stated)
    if script.dies_s is None:
        made_by_day = [one for one in records if one[1].get("notice") not in ABOUT]
        problems += _same([one for _, one in reference()], made_by_day)
        if kept + dropped != heard:
            problems.append(f"{heard} raw reads were heard, {kept} are kept and {dropped} told as not kept")
    else:
        problems += _died(script.dies_s, records, stated, van.waiting)
    return Verdict(
        seed,
        kind,
        script,
        tuple(problems),
        records=len(records),
        waited=sum(body["records_waited"] for body in told),
        times=len(told),
        gaps_s=gaps_s,
    )


def _same(expected: list[Made], found: list[Made]) -> list[str]:
    """What of the undisturbed day is lost, doubled or different."""
    if expected == found:
        return []
    was, now = ([msgspec.json.encode(one) for one in each] for each in (expected, found))
    lost = [one for one in was if one not in now]
    new = [one for one in now if one not in was]
    doubled = [one for one in set(now) if now.count(one) > was.count(one)]
    said = [f"{len(lost)} lost, {len(doubled)} doubled, {len(new)} different"]
    said += [f"lost: {one[:160]!r}" for one in lost] + [f"not of that day: {one[:160]!r}" for one in new]
    return [*said, "out of order"] if not lost and not new else said


def _died(dies_s: float, records: list[Made], stated: list[dict[str, Any]], waiting: list[float]) -> list[str]:
    problems = []
    ids = [body["eventID"] for kind, body in records if kind == "event" and "errorDeclaration" not in body]
    revisions = [(body["manifest"], body["revision"]) for kind, body in records if kind == "manifest"]
    problems += ["an event is stated twice"] * (len(ids) != len(set(ids)))
    problems += ["a revision is stated twice"] * (len(revisions) != len(set(revisions)))
    # What was stored before the death is the beginning of the undisturbed day.
    whole = [one for _, one in reference()]
    before = [one for one in records if one[1].get("notice") not in {"disk-full", "gap-was"}]
    until = next((i for i, (_, body) in enumerate(before) if body.get("notice") == "gap"), len(before))
    problems += _same(whole[:until], before[:until])
    if until == len(before) and dies_s > 60.0:
        problems.append("no gap is told")
    utc_s = tinyday.START_UTC_S - tinyday.BOOT_MONO_S
    since_s = [parse_utc(body["since"]) for body in stated]
    until_s = [parse_utc(body["until"]) for body in stated]
    for at in waiting:
        if not any(low <= at + utc_s + 0.5 and at + utc_s <= high for low, high in zip(since_s, until_s, strict=True)):
            problems.append(f"a record made at {at - tinyday.BOOT_MONO_S:.1f} s was in memory alone; no gap names it")
    stored = {msgspec.json.encode(one) for one in before}
    covered = min(since_s, default=float("inf")) - tinyday.START_UTC_S
    for at_s, one in reference():
        if at_s < min(covered, dies_s) - 1.0 and msgspec.json.encode(one) not in stored:
            problems.append(f"a record of {at_s:.1f} s is lost, and no gap names that time: {one[1]}")
    return problems


def lived_one(what: tuple[int, Kind]) -> Verdict:
    """For a pool: nothing of a full disk is logged, for there it is no news."""
    logging.disable(logging.CRITICAL)
    return trial(*what)
