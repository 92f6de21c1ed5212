"""`roadtally run`: the vehicle's agent on real sockets, until SIGTERM.

Wires reader, gpsd, store and broker to the pipeline. Whatever is missing at the start (reader, gpsd, broker) is waited
for, with growing pauses; what the operator gave wrong ends it at once, with every problem said.
"""

from __future__ import annotations

import contextlib
import logging
import signal
import sys
import threading
from argparse import ArgumentParser, Namespace
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import IO, Any

from agent import __version__
from agent.clock import PacedClock, SharedClock, SystemClock
from agent.errors import ConfigError, StoreDamagedError
from agent.gps import Unusable, parse_tpv
from agent.holding import InUse
from agent.identity import KEY_NAME, key_notice, vehicle_key
from agent.llrp.outputs import Rhythm
from agent.llrp.rounds import OFF
from agent.logs import log_as_json
from agent.notify import Notifier
from agent.privacy import is_working
from agent.publisher import Publisher
from agent.reader import Reader
from agent.reader_tls import reader_tls
from agent.reading import interlock_of
from agent.receiver import Receiver
from agent.recorder import Recorder
from agent.records import Fix, Input, Problem, Record
from agent.setup import read_in_use
from agent.store import Store
from agent.store_aside import note_damage
from agent.store_chain import Seal
from agent.store_opening import open_sound
from agent.timeline import RULES, TimeRules
from agent.vehicle import Vehicle, transmit_allowed
from agent.vehicle_agent import VehicleAgent
from agent.vehicle_shown import Shown

log = logging.getLogger(__name__)

# What a reader is set to while it may not transmit anyway.
LEAST_DBM = 10.0
# How late a fix may come on a busy machine, in real seconds.
SCALED_DELAY_REAL_S = 0.03
# Threads take turns this often on a scaled clock: Python's usual 5 ms would be seconds of the day.
SCALED_SWITCH_REAL_S = 0.0005


def add_arguments(parser: ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("--config", type=Path, required=True, help="the vehicle's TOML")
    parser.add_argument("--sites", type=Path, help="folder of *.geojson; default: what the dispatch side last sent")
    parser.add_argument("--register", type=Path, help="register CSV; default: what the dispatch side last sent")
    parser.add_argument("--plan", type=Path, help="plan CSV; default: what the dispatch side last sent")
    parser.add_argument("--store", type=Path, help="the vehicle's database; default: [store] path of the config")
    parser.add_argument("--record", type=Path, help="write everything received to this recording (.jsonl), for replay")
    parser.add_argument("--clock", type=Path, help="a simulated day's clock file (the demo's); default: real time")


def run(args: Namespace) -> int:
    """Run until SIGTERM or SIGINT; 0 when everything is committed."""
    log_as_json()
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    # A simulated computer has no battery clock: its wall clock says 1970 until a receiver knows better.
    clock: PacedClock = SystemClock() if args.clock is None else SharedClock(args.clock, offset_s=12.0, wrong_utc=12.0)
    if args.clock is not None:
        sys.setswitchinterval(SCALED_SWITCH_REAL_S)
    vehicle, in_use = read_in_use(config=args.config, sites=args.sites, register=args.register, plan=args.plan)
    with opened(args.store or Path(vehicle.store.path), vehicle.id) as (store, first):
        serve(vehicle, with_held(in_use, store, given=args), store, clock, stop, record=args.record, first=first)
    return 0


@contextlib.contextmanager
def opened(
    path: Path, vehicle: str, *, open_: Callable[..., Store] = Store.open
) -> Iterator[tuple[Store, tuple[Record, ...]]]:
    """The vehicle's store as every start opens it, sealed with the key beside it; and what was found on the way."""
    key = vehicle_key(path.with_name(KEY_NAME))
    seal = Seal(vehicle, key.text, key.sign)
    try:
        with open_sound(path, open_=partial(open_, seal=seal), vehicle=vehicle) as store:
            yield store, () if key.set_aside is None else (key_notice(vehicle, key),)
    except StoreDamagedError as error:
        note_damage(path, str(error))  # the next start, in seconds, sets it aside
        raise


def with_held(in_use: InUse, store: Store, *, given: Namespace) -> InUse:
    """What the dispatch side last sent and was good, for all that was not given as a file."""
    for leaf in ("sites", "register", "plan"):
        held = store.held(leaf)
        if held is not None and getattr(given, leaf) is None:
            try:
                in_use = in_use.take(held)
            except ConfigError as error:
                log.warning("held", extra={"what": leaf, "error": str(error)})
    return in_use


def time_rules(clock: PacedClock) -> TimeRules:
    """How closely fixes must agree: a scaled clock stretches every delay on the way with its speed."""
    if isinstance(clock, SharedClock):
        return TimeRules(agree_s=RULES.agree_s + SCALED_DELAY_REAL_S * clock.speed)
    return RULES


def serve(
    vehicle: Vehicle,
    in_use: InUse,
    store: Store,
    clock: PacedClock,
    stop: threading.Event,
    *,
    record: Path | None = None,
    first: Sequence[Record] = (),
) -> None:
    """Start reader, receiver and publisher, run the agent until `stop`, and end them in turn.

    `first` are records of what was found at the start.
    """
    permission, tls = transmit_allowed(vehicle), reader_tls(vehicle.reader)
    if not permission.allowed:
        log.warning("not-transmitting", extra={"why": permission.reason})
    with contextlib.ExitStack() as stack:
        reader: Reader | None = None
        lamp = vehicle.signal.output

        def light(rhythm: Rhythm) -> None:
            if reader is not None and lamp is not None:
                reader.set_output(lamp, rhythm)

        sink: Callable[[Input], None] | None = None
        if record is not None:
            sink = stack.enter_context(_recorder(record, vehicle))
        agent = VehicleAgent(
            in_use=in_use,
            store=store,
            clock=clock,
            program=__version__,
            set_plan=lambda plan: reader.set_plan(plan) if reader is not None else None,
            release=lambda times_up: reader.release(times_up) if reader is not None else None,
            set_signal=light if lamp is not None else None,
            record=sink,
            notifier=Notifier(),
            rules=time_rules(clock),
            polled=lambda: reader.polled_at if reader is not None else clock.mono(),
        )
        if first:
            agent.tell(first)
        if vehicle.mqtt.host is not None:
            outbox = stack.enter_context(store.outbox())
            publisher = Publisher(
                vehicle=vehicle.id, settings=vehicle.mqtt, outbox=outbox, deliver=agent.deliver, clock=clock
            )
            agent.show_on(
                Shown(
                    status=publisher.set_status,
                    aboard=publisher.set_aboard,
                    position=publisher.set_position,
                    notify=publisher.notify,
                    raise_if_failed=publisher.raise_if_failed,
                )
            )
            publisher.start()
            stack.callback(publisher.stop)
        receiver = Receiver(vehicle.gps.host, vehicle.gps.port, clock=clock, put=agent.put).start()
        agent.watch_gpsd(lambda: receiver.gpsd)
        stack.callback(receiver.stop)
        if vehicle.reader.host is not None:
            reader = Reader(
                vehicle.reader.host,
                vehicle.reader.port,
                clock,
                put=agent.put,
                antennas=vehicle.reader.antennas,
                plan=OFF,  # the agent says when to read; nothing transmits before it has looked
                interlock=interlock_of(vehicle),
                power_dbm=permission.power_dbm if permission.power_dbm is not None else LEAST_DBM,
                transmit_allowed=permission.allowed,
                tls=tls,
            ).start()
            stack.callback(reader.stop)
        stack.callback(log.info, "stopping")
        agent.run(stop)


@contextlib.contextmanager
def _recorder(path: Path, vehicle: Vehicle) -> Iterator[Callable[[Input], None]]:
    """Writes what is received as a recording, each input at once; positions outside working hours are not kept.

    An earlier recording is gone on with.
    """
    try:
        file: IO[bytes] = path.open("a+b", buffering=0)
    except OSError as error:
        raise ConfigError([Problem(str(path), "--record", str(error), "give a file that can be written")]) from None

    def record(item: Input) -> None:
        if isinstance(item, Fix) and vehicle.privacy.working_hours is not None:
            fix: Any = parse_tpv(item.tpv, item.mono)
            if isinstance(fix, Unusable) or not is_working(vehicle.privacy, fix.utc_s):
                return
        recorder.take(item)

    with file:
        recorder = Recorder(file, path)
        yield record
