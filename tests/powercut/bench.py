"""Cuts a lived day's power at some call, starts the agent's real code on what is left, and judges what came of it.

Two claims are held apart. *Durability*: what was committed before the cut (its append had returned) is there to the
byte, with its outbox row unless an ack took it; the checkpoint is the last one, or that of the append under way, and
knows of exactly the records that are there; integrity and foreign keys hold; nothing that was published or acknowledged
is unknown; every record fits its chain, here and at the dispatch side. No cut is taken for damage: the start sets
nothing aside and begins no epoch, but where the card had spoilt a page before: then once, however often power goes.

*The day*: from that checkpoint on, with the very inputs that followed, the dispatch side ends with exactly the uncut
run's records: none lost, doubled or different. One may be missing: `gap-was`, which adds a gap's end to the `gap` that
is stated at once; the process knows of it from its start until the time is trusted, and a cut in between takes it away.
In life the inputs between checkpoint and power's return are lost; `in_life` goes on without them and says how the
standing events then differ and whether a stated gap covers it.
"""

from __future__ import annotations

import hashlib
import logging
import pickle
import random
import shutil
import sqlite3
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import closing
from functools import cache
from pathlib import Path
from typing import Any

import msgspec
import sqlalchemy as sa
from msgspec import Struct

from agent.chain import KeptChain
from agent.dispatch import chains, schema
from agent.dispatch.store import DispatchStore, open_store
from agent.dispatch.wire import decode_batch
from agent.errors import RoadtallyError
from agent.messages import pack_log
from agent.publisher import Acks, Settled
from agent.records import Boot, Input
from agent.run import opened
from agent.store import Store
from agent.store_chain import kept_chain
from agent.store_connection import PAGE_BYTES
from agent.vehicle_agent import VehicleAgent
from agent.verify import verify
from tests.powercut.child import live
from tests.powercut.day import boots, in_use, later
from tests.powercut.differences import near_gaps, standing
from tests.powercut.disk import SHAPES, Disk, Shape, notes
from tests.powercut.trace import OF_NAMES, STORE, Known, Row, Trace, moved, records_of

OFF_S = 45.0  # how long the van's computer is off, in the form of life
MEMORY = Path("/dev/shm")  # noqa: S108 - images need no disk: what a disk does to them is played


class Verdict(Struct, frozen=True):
    """What came of one cut. `problems` empty: it went well. `open_writes` could have been taken back by it.

    `fresh` says whether the day was gone through to its end from here, or an image with the very same content was
    before. Of `in_life`: events that are missing and that are new, and those of them that no stated gap explains.
    """

    cut: int
    shape: str
    problems: tuple[str, ...]
    open_writes: int
    lost_inputs: int = 0
    fresh: bool = False
    missing: int = 0
    added: int = 0
    unexplained: tuple[str, ...] = ()
    lived_on: bool = False


class Onward(VehicleAgent):
    """The agent as if no input had been lost: it takes the next one, and no boot is told in between."""

    def go_on(self, items: Sequence[Input]) -> None:
        """Take these, with what the run loop does after each; a start of the computer among them is the agent's."""
        agent: Onward = self
        for number, item in enumerate(items):
            if number and isinstance(item, Boot):
                agent._commit((), items[number - 1].mono)
                agent = Onward(in_use=self.in_use, store=self.store, clock=self.clock, program=self.program)
            agent._take(item)
            agent._note_time()
        agent._commit((), items[-1].mono if items else 0.0)


class _Still:
    """A clock that nobody looks at for long."""

    speed = 1e6

    def mono(self) -> float:
        return 0.0

    def utc(self) -> float:
        return 0.0

    def sleep(self, seconds: float, *, stop: Any = None) -> bool:
        raise AssertionError(seconds, stop)

    def sleep_until(self, mono_s: float, *, stop: Any = None) -> bool:
        raise AssertionError(mono_s, stop)

    def consumed(self, mono_s: float) -> None:
        del mono_s


def draw(
    trace: Trace, count: int, seed: int, *, within: tuple[bytes, bytes] | None = None
) -> dict[int, list[tuple[Shape, int]]]:
    """So many cuts: at which notes (between which marks), in which shape, each with a seed of its own.

    Every third falls where names change: there are few such moments, and much depends on them.
    """
    rng = random.Random(seed)  # noqa: S311 - a draw that can be repeated
    anywhere, names = trace.cuts(within=within), trace.cuts(within=within, of=OF_NAMES)
    shapes = tuple(SHAPES.values())
    found: dict[int, list[tuple[Shape, int]]] = {}
    for number in range(count):
        where = rng.choice(names if rng.randrange(3) == 0 else anywhere)
        found.setdefault(where, []).append((shapes[number % len(shapes)], rng.getrandbits(63)))
    return found


class Bench:
    """Goes through the cuts of one lived day in the order of the log.

    From so many images at most the day is gone through to its end (None: from all that differ), from the others for
    a minute.
    """

    def __init__(self, trace: Trace, *, life_each: int = 0, whole_days: int | None = None) -> None:
        self.trace, self._life_each, self._whole_days = trace, life_each, whole_days
        self._use = in_use(trace.folder)
        self.vehicle = self._use.vehicle.id
        self._done: dict[str, tuple[str, ...]] = {}
        self._count = 0

    def judge(self, cuts: dict[int, list[tuple[Shape, int]]]) -> Iterator[Verdict]:
        """Each cut's verdict."""
        disk, known = Disk(self.trace.disk), Known()
        for number, note in enumerate(notes(self.trace.log)):
            known = moved(known, note)
            disk.play(note) if note.op.name != "SYNC" else None
            for shape, seed in cuts.get(number, ()):
                # A sync at which power goes has not come back.
                yield self._cut(number, disk, known, shape, seed)
            if note.op.name == "SYNC":
                disk.play(note)

    def _cut(self, number: int, disk: Disk, known: Known, shape: Shape, seed: int) -> Verdict:
        where = MEMORY if MEMORY.is_dir() else None
        with tempfile.TemporaryDirectory(dir=where) as name:
            image = Path(name, "image")
            image.mkdir()
            disk.image(image, random.Random(seed), shape)  # noqa: S311 - a draw that can be repeated
            unsynced = disk.unsynced()
            self._count += 1
            lives = bool(self._life_each) and self._count % self._life_each == 0
            copy = Path(name, "life")
            if lives:
                copy.mkdir()
                for file in image.iterdir():
                    shutil.copy2(file, copy / file.name)
            try:
                verdict = self._resumed(number, image / STORE, known, shape, unsynced)
                return self._in_life(verdict, copy / STORE, known) if lives else verdict
            except (RoadtallyError, sqlite3.Error) as error:
                return Verdict(number, shape.name, (f"{type(error).__name__}: {error}",), unsynced)

    def _resumed(self, number: int, path: Path, known: Known, shape: Shape, unsynced: int) -> Verdict:
        """Open, look, go on to the day's end as if no input were lost, and compare."""
        with opened(path, self.vehicle) as (store, found):
            problems, content, taken = self._durable(store, path, known)
            problems += [f"the start told of {record.body['notice']}" for record in found]
            if problems:
                return Verdict(number, shape.name, tuple(problems), unsynced)
            agent = Onward(in_use=self._use, store=store, clock=_Still(), program="powercut")
            fresh = content not in self._done and (self._whole_days is None or len(self._done) < self._whole_days)
            if fresh:
                with closing(open_store(path.with_name("dispatch.db"))) as dispatch:
                    self._done[content] = tuple(self._to_the_end(agent, dispatch, known, taken))
            else:
                agent.go_on(self.trace.took[taken : taken + 40])  # it resumes and commits on this very image
                problems += [*_integrity(path), *_chained(kept_chain(path))]
                got = [row[1:] for row in records_of(path)]
                if all(got != wanted[: len(got)] for wanted in self._wanted(known)):
                    problems.append("the records of the next minute are not those of the uncut run")
            return Verdict(
                number,
                shape.name,
                (*problems, *self._done.get(content, ())),
                unsynced,
                lost_inputs=max(known.checkpoints.values(), default=0) - taken,
                fresh=fresh,
            )

    def _durable(self, store: Store, path: Path, known: Known) -> tuple[list[str], str, int]:
        """What is wrong with an opened image; a digest of its content; and how many inputs its checkpoint has taken."""
        with closing(sqlite3.connect(path)) as look:
            rows: list[Row] = look.execute("SELECT seq, kind, body FROM record ORDER BY seq").fetchall()
            waiting = {seq for (seq,) in look.execute("SELECT seq FROM outbox")}
            named = look.execute(
                "SELECT count(*) FROM outbox JOIN record ON record.id = outbox.record AND record.seq = outbox.seq"
            ).fetchone()[0]
            epochs = [epoch for (epoch,) in look.execute("SELECT DISTINCT epoch FROM record")]
            blocks = look.execute("SELECT id, data FROM block ORDER BY id").fetchall()
            boots_kept = look.execute("SELECT * FROM boot").fetchall()
            (page_bytes,) = look.execute("PRAGMA page_size").fetchone()
        kept = store.checkpoint()
        state = b"" if kept is None else kept.state
        problems = [*_integrity(path), *self._of_records(rows, waiting, known)]
        problems += _of_checkpoint(None if kept is None else kept.record, state, len(rows), known)
        if store.epoch != known.epoch or epochs not in ([], [known.epoch]):
            problems.append(f"epoch {store.epoch}, records of {epochs}, instead of {known.epoch}")
        if named != len(waiting):
            problems.append("the outbox names other records than those of its numbers")
        if page_bytes != PAGE_BYTES:
            problems.append(f"pages of {page_bytes} bytes")
        problems += self._set_aside(path, known)
        if rows:
            problems += _chained(kept_chain(path))
        acked = min(known.acked, len(rows))
        whole = (rows, sorted(waiting), acked, state, blocks, boots_kept, known.published)
        digest = hashlib.sha256(pickle.dumps(whole)).hexdigest()
        return problems, digest, known.checkpoints.get(hashlib.sha256(state).hexdigest(), 0)

    def _wanted(self, known: Known) -> Iterator[list[tuple[str, str]]]:
        """Kinds and bodies with which the day may end: as uncut, or without what a cut now takes away."""
        yield [row[1:] for row in self.trace.records]
        for seq, kind, body in self.trace.records[known.committed :]:
            if known.boot and kind == "notice" and msgspec.json.decode(body)["notice"] == "gap-was":
                yield [row[1:] for row in self.trace.records if row[0] != seq]

    def _set_aside(self, path: Path, known: Known) -> Iterator[str]:
        """What a start leaves of its suspicions: nothing, or the spoilt store whole, once."""
        wanted = {"vehicle.db.damaged-1"} if known.epoch > 1 else set()
        aside = {file.name for file in path.parent.iterdir() if "damaged" in file.name}
        if aside - {f"{name}{part}" for name in wanted for part in ("-wal", "-shm")} != wanted:
            yield f"set aside: {', '.join(sorted(aside)) or 'nothing'}"
        elif wanted and (path.parent / "vehicle.db.damaged-1").read_bytes() != self._spoilt():
            yield "the store that was set aside is not as it was"
        if left := [file.name for file in path.parent.iterdir() if file.name.endswith((".rescued", ".small"))]:
            yield f"left over: {', '.join(left)}"

    @cache  # noqa: B019 - one bench of one day
    def _spoilt(self) -> bytes:
        return (self.trace.disk / "vehicle.db.damaged-1").read_bytes()

    def _of_records(self, rows: list[Row], waiting: set[int], known: Known) -> Iterator[str]:
        have = [seq for seq, _, _ in rows]
        if have != list(range(1, len(have) + 1)):
            yield f"numbers are not 1 to {len(have)}"
        if known.committed > len(rows):
            yield f"lost: {known.committed - len(rows)} of {known.committed} committed records"
        # Nothing is invented: what is there was appended, and with these very bytes.
        if wrong := [row[0] for row in rows if row not in self.trace.records[row[0] - 1 : row[0]]]:
            yield f"different: records {wrong[:5]}"
        if gone := set(range(known.acked + 1, len(rows) + 1)) - waiting:
            yield f"lost from the outbox: {sorted(gone)[:5]} are not acknowledged and will never be sent"
        if waiting - set(have):
            yield "the outbox names records that are not there"
        for payload in known.published:
            batch = decode_batch(payload, vehicle=self.vehicle)
            if batch.epoch != known.epoch:
                continue  # sent before the damage; what of it was not acknowledged has other numbers now
            if unknown := [record.seq for record in batch.records if record.seq > len(rows)]:
                yield f"published and now unknown: records {unknown[:5]}"

    def _to_the_end(self, agent: Onward, dispatch: DispatchStore, known: Known, taken: int) -> Iterator[str]:
        """The rest of the day, then what the dispatch side holds beside the uncut run's records."""
        store = agent.store
        self._ingest(dispatch, known.published)
        # What the agent hears when it is connected again: the retained ack.
        agent._hear(Acks(dispatch.told(self.vehicle)))
        agent._hear(Settled())
        agent.go_on(self.trace.took[taken:])
        yield from self._compare(store, dispatch, known)

    def _ingest(self, dispatch: DispatchStore, payloads: Sequence[bytes]) -> None:
        for payload in payloads:
            dispatch.ingest(decode_batch(payload, vehicle=self.vehicle), received_s=0.0)

    def _compare(self, store: Store, dispatch: DispatchStore, known: Known) -> Iterator[str]:
        """Send what the outbox holds; then both sides' records must be the uncut run's."""
        after = 0
        with closing(store.outbox()) as outbox:
            while (page := outbox.page(after=after, limit=50)).rows:
                payload, count = pack_log(vehicle=self.vehicle, epoch=page.epoch, rows=page.rows, key=page.key)
                after = page.rows[count - 1].seq
                self._ingest(dispatch, [payload])
        table = schema.record
        query = sa.select(table.c.epoch, table.c.seq, table.c.kind, table.c.body).order_by(table.c.epoch, table.c.seq)
        with dispatch.reading() as connection:
            there = [tuple(row) for row in connection.execute(query)]
            clashes = connection.execute(sa.select(sa.func.count()).select_from(schema.clash)).scalar_one()
        uncut = [*self.trace.there]
        if clashes:
            yield f"different: {clashes} numbers came with two contents"
        yield from _chained(kept_chain(store.path))
        yield from _chained(chains.kept_chain(dispatch, self.vehicle))
        ours = [row[2:] for row in there if row[0] == known.epoch]
        if there == uncut or (len(there) == len(uncut) - 1 and ours in list(self._wanted(known))[1:]):
            return
        bodies, wanted = (Counter((kind, body) for _, _, kind, body in rows) for rows in (there, uncut))
        yield (
            f"the dispatch side ends with {len(there)} records instead of {len(uncut)}:"
            f" {(wanted - bodies).total()} lost, {(bodies - wanted).total()} that the uncut run does not have"
        )

    def _in_life(self, verdict: Verdict, path: Path, known: Known) -> Verdict:
        """The computer is off until `OFF_S` after the cut; the rest of the day as it then comes."""
        day = boots(self.trace.folder)
        here = known.boot
        mono = max(known.mono, day[here][0].mono)
        payloads: list[bytes] = []

        def mark(data: bytes) -> None:
            if data[:1] == b"P":
                payloads.append(data[1:])

        for number, boot in enumerate((later(day[here], from_mono=mono + OFF_S), *day[here + 1 :])):
            live(boot, self.trace.folder, path, mark=mark, boot=number)
        got, uncut = records_of(path), self.trace.records
        ours, theirs = standing(got), standing(uncut)
        missing, added = theirs.keys() - ours.keys(), ours.keys() - theirs.keys()
        around = near_gaps(got, uncut)
        times = {**theirs, **ours}
        unexplained = [
            str(key) for key in (*missing, *added) if not any(first <= times[key] <= last for first, last in around)
        ]
        return msgspec.structs.replace(
            verdict,
            missing=len(missing),
            added=len(added),
            unexplained=tuple(unexplained),
            lived_on=True,
        )


def _chained(kept: KeptChain) -> list[str]:
    """The first record of each epoch that does not fit its chain."""
    found = [] if kept.key is None else verify(kept, key=None, source="")
    misfits = [each.walked.misfit for each in found]
    unsigned = [f"epoch {each.epoch}: unsigned records" for each in found if each.walked.unsigned]
    return [*unsigned, *(["no key"] if not found else []), *(misfit.text for misfit in misfits if misfit is not None)]


def _of_checkpoint(seq: int | None, state: bytes, records: int, known: Known) -> Iterator[str]:
    if seq is None:
        if known.checkpoint is not None:
            yield "the checkpoint is gone"
        if records:
            yield "records without a checkpoint"
        return
    name, order = hashlib.sha256(state).hexdigest(), tuple(known.checkpoints)
    last = 0 if known.checkpoint is None else order.index(known.checkpoint)
    if name not in order:
        yield "the checkpoint is none that was ever taken"
    elif name not in order[last:]:  # the last that was committed, or the one under way
        yield "the checkpoint is not the last that was committed"
    if seq != records:
        yield f"the checkpoint knows of {seq} records, there are {records}"


def _integrity(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as look:
        told = [text for (text,) in look.execute("PRAGMA integrity_check")]
        orphans = look.execute("PRAGMA foreign_key_check").fetchall()
    found = [] if told == ["ok"] else [f"integrity_check: {'; '.join(told)[:200]}"]
    return [*found, *(["foreign_key_check: rows without what they name"] if orphans else [])]


def judged(
    trace: Trace, cuts: dict[int, list[tuple[Shape, int]]], *, life_each: int = 0, whole_days: int | None = None
) -> list[Verdict]:
    """The verdicts on some cuts."""
    return list(Bench(trace, life_each=life_each, whole_days=whole_days).judge(cuts))


def judged_part(job: tuple[Trace, dict[int, list[tuple[Shape, int]]], int]) -> list[Verdict]:
    """The same for a pool of processes, whose log nobody reads."""
    logging.disable(logging.CRITICAL)
    trace, cuts, life_each = job
    return judged(trace, cuts, life_each=life_each)
