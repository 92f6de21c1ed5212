"""The vehicle's agent: inputs from reader and receiver through the pipeline into the store, and out to the broker.

One thread owns pipeline and store. Reader, receiver and publisher have threads of their own and only put into a queue.
Custody records are committed at once, with outbox and checkpoint in one transaction; everything else every half minute.
"""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable, Sequence
from functools import partial

from msgspec.structs import replace

from agent import checkpoint
from agent.bodies import Status
from agent.clock import PacedClock
from agent.errors import ConfigError, StoreError
from agent.gps_faults import TELL_S, Telling, tell
from agent.gpsd_devices import Gpsd
from agent.holding import InUse, why_not
from agent.llrp.outputs import Rhythm
from agent.llrp.rounds import ReadingPlan
from agent.messages import Downlink
from agent.notices import gps_notice, off_notice
from agent.notify import Notifier
from agent.pipeline import step
from agent.privacy import is_working, without_badges
from agent.publisher import Acks, Delivered, LinkChanged, Refused, Settled, Trouble
from agent.reading import choose_plan
from agent.records import Boot, Input, Inventory, Read, ReaderState, Record, Tick, brief
from agent.signal import Signal, choose_signal, is_standing
from agent.snapshot import gps_status, reader_status
from agent.state import State, trusted_utc
from agent.store import Store
from agent.store_opening import with_room
from agent.timeline import RULES, Timeline, TimeRules, remembered
from agent.units import format_utc
from agent.vehicle_keeping import Keeping
from agent.vehicle_shown import Dues, Showing, Shown

log = logging.getLogger(__name__)

CHECKPOINT_S = 30.0
TICK_S = 5.0
SIGNAL_S = 2.0
GPSD_S = 5.0
TELL_REAL_S = 0.5
# The first round after a start is short, so that the first reads are stored within two seconds of it: a whole round
# alone would take as long. Half a second hears some 35 tags on each of two antennas.
FIRST_ROUND_S = 0.5
# Inputs handled before anything is looked at again; keeps a backlog from starving acks and status.
BATCH = 500
_WAIT_REAL_S = 0.05
# On a scaled clock, which waits for us, in its seconds.
_WAIT_SCALED_S = 1.0


class VehicleAgent:
    """The run loop. `put` and `deliver` may be called from any thread; everything else from the one that calls `run`.

    `polled` says up to when everything that the reader sent has been `put`; a scaled clock waits for it.
    """

    def __init__(
        self,
        *,
        in_use: InUse,
        store: Store,
        clock: PacedClock,
        program: str,
        set_plan: Callable[[ReadingPlan], None] | None = None,
        release: Callable[[int], None] | None = None,
        set_signal: Callable[[Rhythm], None] | None = None,
        record: Callable[[Input], None] | None = None,
        notifier: Notifier | None = None,
        rules: TimeRules = RULES,
        polled: Callable[[], float] | None = None,
    ) -> None:
        self._rules = rules
        speed: float = getattr(clock, "speed", 1.0)
        self._wait_real_s = _WAIT_REAL_S if speed == 1.0 else min(_WAIT_SCALED_S / speed, _WAIT_REAL_S)
        self._polled = polled or clock.mono
        self.in_use, self.store, self.clock, self.program = in_use, store, clock, program
        self.setup = in_use.setup()
        self._set_plan, self._set_signal, self._record = set_plan, set_signal, record
        self._release, self._times_up = release, 0
        self._notifier = notifier or Notifier({})
        # Not a SimpleQueue: CPython's waits for ever where its deadline passes between two looks at its lock.
        self._queue: queue.Queue[Input | Delivered] = queue.Queue()
        self._showing: Showing | None = None
        self._reads: list[Read] = []
        self._plan: ReadingPlan | None = None
        self._signal: Signal | None = None
        self._dues = Dues()
        self._waiting: dict[str, Downlink] = {}  # refused for now: what they name may come yet
        self._gpsd: Callable[[], Gpsd] | None = None
        self._telling = Telling()
        self._trouble = Trouble(None, None)
        self._stored_reads = False
        self._has_round = False
        self._noted_boot = False
        self.boot = with_room(store.path, store.boot)
        self.since: str | None = None
        self._keeping = Keeping(
            store, boot=self.boot, setup=lambda: self.setup, state=lambda: self.state, dues=self._dues
        )
        self.state, self._written, lost = self._load()
        self._off_since = trusted_utc(self.state, self.state.axis.last_s) if self.state.axis.bases else None
        if lost:
            self._commit(lost, clock.mono())

    def show_on(self, shown: Shown) -> None:
        """Say where to show what is known."""
        self._showing = Showing(shown, self._dues)

    def watch_gpsd(self, gpsd: Callable[[], Gpsd]) -> None:
        """Say where to look for what is wrong with receiver or gpsd."""
        self._gpsd = gpsd

    def put(self, item: Input) -> None:
        """Take an input from the reader or the receiver."""
        self._queue.put(item)

    def deliver(self, item: Delivered) -> None:
        """Take what the publisher heard."""
        self._queue.put(item)

    def tell(self, records: Sequence[Record]) -> None:
        """Keep records of what was found at the start."""
        self._commit(tuple(records), self.clock.mono())

    def _load(self) -> tuple[State, checkpoint.Written, tuple[Record, ...]]:
        kept = self.store.checkpoint()
        if kept is None:
            return State(timeline=self._kept_timeline()), checkpoint.Written(), ()
        try:
            return *checkpoint.decode(kept.state, self.store.blocks()), ()
        except StoreError as error:
            log.error("checkpoint", extra={"error": str(error)})  # noqa: TRY400 - an operator reads it, not a programmer
            text = "The tally's memory could not be read after a restart; what was aboard before is not known."
            notice = {"notice": "memory-lost", "at": None, "vehicle": self.setup.vehicle.id, "text": text}
            return State(timeline=self._kept_timeline()), checkpoint.Written(), (Record("notice", notice),)

    def _kept_timeline(self) -> Timeline:
        """Without a checkpoint: the boots' clocks as the store has them, and so the last time that was trusted."""
        kept = self.store.boots(before=self.boot)
        return remembered(((b.boot, b.first_mono, b.last_mono, b.offset_s) for b in kept), rules=self._rules)

    def run(self, stop: threading.Event) -> None:
        """Work until `stop` is set, then commit everything that arrived before it."""
        began = self.clock.mono()
        self._take(Boot(began, format_utc(self.clock.utc())))
        self._commit((), began)
        self._notifier.ready()
        while not stop.is_set():
            self._turn()
        while not self._queue.empty():
            self._turn()
        self._commit((), self.clock.mono())
        self._keeping.mark(self.clock.mono())
        self._notifier.stopping()

    def _turn(self) -> None:
        now, polled_at = self.clock.mono(), self._polled()
        try:
            item: Input | Delivered | None = self._queue.get(timeout=self._wait_real_s)
        except queue.Empty:
            item = None
        handled = 0
        while item is not None:
            if isinstance(item, Acks | Settled | Downlink | Refused | LinkChanged | Trouble):
                self._hear(item)
            else:
                self._take(item)
            handled += 1
            if handled >= BATCH:
                break
            try:
                item = self._queue.get_nowait()
            except queue.Empty:
                break
        if not handled and self._dues.is_due("tick", now, TICK_S):
            self._take(Tick(now))
        self._look_after(now)
        self.clock.consumed(min(now, polled_at) if self._queue.empty() else min(now, self._mono_s()))
        self._notifier.alive()

    def _mono_s(self) -> float:
        return self.state.axis.boot_of(self.state.axis.last_s)[1]

    def _is_working(self, mono: float) -> bool:
        """Within the working hours, or there are none; while no time is trusted nobody can say so."""
        privacy, timeline = self.setup.vehicle.privacy, self.state.timeline
        if privacy.working_hours is None:
            return True
        utc = timeline.utc_of(timeline.boot, mono)
        return utc is not None and is_working(privacy, utc)

    def _take(self, item: Input) -> None:
        if isinstance(item, Inventory) and not self._is_working(item.mono):
            item = replace(item, reads=without_badges(item.reads, self.setup.register))
        if self._record is not None:
            self._record(item)
        state, records = step(self.setup, self.state, item)
        self.state = state
        if isinstance(item, Inventory):
            self._has_round = True
            self._reads.extend(item.reads)
            if item.reads and not self._stored_reads:
                self._stored_reads = True
                self._commit((), item.mono)
        if records:
            self._commit(records, item.mono)
        self._tell_reader(item)

    def _tell_reader(self, item: Input) -> None:
        """The plan that follows from what was taken; then, when the reader came up, that it may go by it."""
        if self._set_plan is not None:
            plan = choose_plan(self.setup, self.state, now_s=self.state.axis.last_s)
            if not self._has_round:
                plan = replace(plan, round_s=FIRST_ROUND_S)
            if plan != self._plan:
                self._plan = plan
                self._set_plan(plan)
        if isinstance(item, ReaderState) and item.state == "up":
            self._times_up += 1
            if self._release is not None:
                self._release(self._times_up)

    def _commit(self, records: tuple[Record, ...], mono: float) -> None:
        self._written = self._keeping.commit(records, self.state, self._written, mono=mono, reads=self._reads)
        self._reads = []
        self._dues.done("commit", mono + CHECKPOINT_S)
        if records:
            for record in records:
                log.info(record.kind, extra={"body": brief(record)})
            if self._showing is not None:
                self._showing.notify()
            self._dues.soon("aboard")

    def _write(self, what: str, do: Callable[[], object]) -> None:
        self._keeping.write(what, do, mono=self.clock.mono())

    def _hear(self, item: Delivered) -> None:
        if isinstance(item, Acks):
            now = self.clock.mono()
            utc = self.state.timeline.utc_of(self.state.timeline.boot, now) if self.state.timeline.trusted else None
            at = None if utc is None else format_utc(utc)
            self._write("acks", partial(self.store.acknowledge, item.acks, mono=now, at=at))
        elif isinstance(item, Settled):
            self._write("settled", self.store.settle)
            if self._showing is not None:
                self._showing.notify()
        elif isinstance(item, Downlink):
            self._hold(item)
        elif isinstance(item, Refused):
            self.in_use = self.in_use.refuse(item.leaf, item.version, (item.reason,))
            self._waiting.pop(item.leaf, None)
            self._dues.soon("status")
        elif isinstance(item, Trouble):
            self._trouble = item
            self._dues.soon("status")
        else:
            log.info("link", extra={"up": item.up, "why": item.why})

    def _hold(self, downlink: Downlink) -> None:
        if self.in_use.versions.get(downlink.leaf) == downlink.version:
            return
        self._dues.soon("status")
        try:
            in_use = self.in_use.take(downlink)
        except ConfigError as error:
            self._refuse(downlink, why_not(error))
            return
        self.in_use, self.setup = in_use, in_use.setup()
        self._write(downlink.leaf, partial(self.store.hold, downlink))
        log.info("holding", extra={"what": downlink.leaf, "version": downlink.version})
        self._waiting.pop(downlink.leaf, None)
        # A plan may come before the site that it names; it is not sent again, and may hold up now.
        for waiting in tuple(self._waiting.values()):
            self._hold(waiting)

    def _refuse(self, downlink: Downlink, reasons: tuple[str, ...]) -> None:
        """Tell once for each version and its reasons that it was not taken into use."""
        self._waiting[downlink.leaf] = downlink
        refused = self.in_use.refuse(downlink.leaf, downlink.version, reasons)
        told, self.in_use = self.in_use.refused, refused
        if told.get(downlink.leaf) == refused.refused[downlink.leaf]:
            return
        mono, timeline = self.clock.mono(), self.state.timeline
        utc = timeline.utc_of(timeline.boot, mono)
        body = {
            "notice": f"{downlink.leaf}-refused",
            "at": None if utc is None else format_utc(utc),
            "vehicle": self.setup.vehicle.id,
            "text": f"Version {downlink.version} of the {downlink.leaf} was refused; the last good one stays in use.",
            "reasons": list(reasons),
        }
        self._commit((Record("notice", body),), mono)

    def _look_after(self, now: float) -> None:
        if self._dues.is_due("commit", now, CHECKPOINT_S):
            self._commit((), now)
        self._note_time()
        if self._set_signal is not None:
            self._drive_lamp(self._set_signal, now)
        if self._gpsd is not None and self._dues.is_due("gpsd", now, GPSD_S):
            self._tell_of(self._gpsd(), now)
        if self._showing is not None:
            self._showing.show(self.setup, self.state, now, now_s=self._now_s(now), status=self._status)
        self._keeping.look_after(now)

    def _drive_lamp(self, set_signal: Callable[[Rhythm], None], now: float) -> None:
        """Standing every other second, and dark at once when the van no longer stands."""
        if is_standing(self.state) and not self._dues.is_due("signal", now, SIGNAL_S):
            return
        signal = choose_signal(self.setup, self.state, now_s=self._now_s(now))
        if signal is not self._signal:
            self._signal = signal
            set_signal(signal.value)

    def _now_s(self, now: float) -> float:
        return max(self.state.axis.at(now), self.state.axis.last_s) if self.state.axis.bases else 0.0

    def _tell_of(self, gpsd: Gpsd, now: float) -> None:
        where = f"{self.setup.vehicle.gps.host}:{self.setup.vehicle.gps.port}"
        # On a scaled clock 40 s pass in a blink.
        lasting_s = max(TELL_S, TELL_REAL_S * float(getattr(self.clock, "speed", 1.0)))
        self._telling, said = tell(self._telling, gpsd, now, where=where, tell_s=lasting_s)
        if said is not None:
            utc = self.state.timeline.utc_of(self.state.timeline.boot, said.at_mono)
            at = None if utc is None else format_utc(utc)
            self._commit((gps_notice(self.setup, said, at),), now)
            self._dues.soon("status")

    def _note_time(self) -> None:
        timeline = self.state.timeline
        if self._noted_boot or not timeline.trusted or timeline.now is None:
            return
        self._noted_boot = True
        utc = timeline.utc_of(timeline.boot, timeline.now.last_mono)
        if utc is not None:
            offset_s = utc - timeline.now.last_mono
            self._write("time", partial(self.store.trust_time, boot=self.boot, offset_s=offset_s))
            self.since = format_utc(timeline.utc_of(timeline.boot, timeline.now.first_mono) or utc)
            self._dues.soon("status")
            self._dues.soon("mark")
            if self._off_since is not None and self._off_since < self.since:
                notice = off_notice(self.setup, since=self._off_since, until=self.since)
                self._commit((notice,), timeline.now.last_mono)

    def _status(self, now: float) -> Status:
        return Status(
            vehicle=self.setup.vehicle.id,
            state="online",
            boot=self.boot,
            program=self.program,
            since=self.since,
            holding=self.in_use.holding(),
            reader=reader_status(self.state, now),
            gps=gps_status(self.state, now, self._telling.fault),
            backlog=self.store.backlog(),
            undelivered=self._undelivered(),
            disk=self._keeping.status(),
        )

    def _undelivered(self) -> str | None:
        words, since_mono = self._trouble.words, self._trouble.since_mono
        timeline = self.state.timeline
        utc = None if since_mono is None else timeline.utc_of(timeline.boot, since_mono)
        return words if words is None or utc is None else f"{words} since {format_utc(utc)}"
