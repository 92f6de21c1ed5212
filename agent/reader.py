"""The connection to an LLRP reader: a thread that delivers rounds, inputs and the reader's condition; floor 3.

    reader = Reader(host, port, clock, put=queue.put, power_dbm=27.0, transmit_allowed=True).start()
    reader.set_plan(MOVING); reader.pause(); reader.resume(); reader.stop()

What is said on the connection is `agent.llrp.session`'s business. Here are the socket and the threads' manners; how
long to wait before connecting again is `agent.llrp.patience`'s. `put` is called from the thread, in order, with the
clock's time of arrival in each record; it must not block.
"""

from __future__ import annotations

import logging
import math
import random
import selectors
import socket
import ssl
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from typing import Self

from agent.clock import Clock
from agent.llrp.interlock import Interlock
from agent.llrp.outputs import Rhythm
from agent.llrp.patience import Patience
from agent.llrp.rounds import PARKED, ReadingPlan, Tally
from agent.llrp.session import Session
from agent.llrp.states import Action, Deliver, Drop, Note, Send
from agent.records import Inventory, PortInput, ReaderState

log = logging.getLogger(__name__)

LLRP_PORT, LLRP_TLS_PORT = 5084, 5085  # IANA, "llrp" and "encrypted-llrp"
CONNECT_REAL_S = 5.0
GOODBYE_REAL_S = 1.0
# On a scaled clock ten seconds pass in a blink; a peer gets this much real time for each thing that it owes us,
# whatever the clock says. What it says meanwhile gives it no more.
GRACE_REAL_S = 1.0
_LONGEST_LOOK_S, _SHORTEST_LOOK_S = 0.05, 0.001
_LONGEST_LOOK_SCALED_S = 1.0  # on a scaled clock, which waits for us
_CHUNK = 65536
_CHUNKS_AT_ONCE = 16  # then it is time to look at the clock and the wishes again
_Wish = Callable[[Session, float], list[Action]]


class Reader:
    """See the module. `antennas` () means all that the reader has; `tls` a context where the reader speaks TLS.

    `tally` counts the tag reports, `connections` the attempts that reached a reader.
    """

    def __init__(
        self,
        host: str,
        port: int,
        clock: Clock,
        *,
        put: Callable[[Inventory | PortInput | ReaderState], None],
        power_dbm: float,
        transmit_allowed: bool,
        antennas: tuple[int, ...] = (),
        plan: ReadingPlan = PARKED,
        interlock: Interlock = Interlock(),  # noqa: B008 - frozen
        tag_population: int = 100,
        tls: ssl.SSLContext | None = None,
        rng: random.Random | None = None,
    ) -> None:
        self._address = (host, port)
        self._clock = clock
        self._put = put
        self._tls = tls
        self._patience = Patience(rng or random.Random())  # noqa: S311 - spreads reconnects, keeps no secret
        self._session = Session(
            power_dbm=power_dbm,
            transmit_allowed=transmit_allowed,
            antennas=antennas,
            plan=plan,
            interlock=interlock,
            tag_population=tag_population,
        )
        self._rounds = 0  # delivered
        self.connections = 0
        self.polled_at = clock.mono()
        """Up to when everything that came has been delivered, by `clock.mono()`."""
        self._wishes: deque[_Wish] = deque()
        self._stop = threading.Event()
        self._woken, self._wake = socket.socketpair()
        for end in (self._woken, self._wake):
            end.settimeout(0)
        self._unsent = bytearray()
        self._thread = threading.Thread(target=self._run, name="reader", daemon=True)

    # --- what others call, from any thread ---

    @property
    def tally(self) -> Tally:
        """What became of the tag reports."""
        return self._session.tally

    @property
    def is_up(self) -> bool:
        """Whether the reader is set up, so that reading can start."""
        return self._session.is_up

    @property
    def malformed(self) -> int:
        """Frames that could not be read."""
        return self._session.malformed

    def start(self) -> Self:
        """Begin to connect; returns at once."""
        self._thread.start()
        return self

    def set_plan(self, plan: ReadingPlan) -> None:
        """Read by this plan from now on, also over reconnects."""
        self._wish(lambda session, now: session.set_plan(plan, now))

    def pause(self) -> None:
        """Stop transmitting at once, whatever the plan."""
        self._wish(lambda session, now: session.pause(now))

    def resume(self) -> None:
        """Go on by the plan."""
        self._wish(lambda session, now: session.resume(now))

    def release(self, times_up: int) -> None:
        """All that was delivered up to the `times_up`-th "up" has been taken: where the interlock waits, go on."""
        self._wish(lambda session, now: session.release(times_up, now))

    def set_output(self, port: int, rhythm: Rhythm) -> None:
        """Drive one of the reader's outputs by this rhythm from now on, also over reconnects."""
        self._wish(lambda session, now: session.set_output(port, rhythm, now))

    def stop(self) -> None:
        """Take leave of the reader, a second at most, and end the thread."""
        self._stop.set()
        self._nudge()
        if self._thread.is_alive():
            self._thread.join()
        self._woken.close()
        self._wake.close()

    def _wish(self, wish: _Wish) -> None:
        self._wishes.append(wish)
        self._nudge()

    def _nudge(self) -> None:
        with suppress(OSError):  # full: it is awake already; closed: nobody is left to wake
            self._wake.send(b"\0")

    # --- the thread ---

    def _run(self) -> None:
        while not self._stop.is_set():
            rounds, up_s = self._rounds, 0.0
            try:
                connection = self._connect()
            except OSError as error:
                log.debug("no reader at %s:%d: %s", *self._address, error)
            else:
                with connection:
                    up_s = self._serve(connection)
            self._wait(self._patience.pause_s(rounds=self._rounds - rounds, up_s=up_s))

    def _wait(self, seconds: float) -> None:
        """Wait by the clock, but take wishes meanwhile, and never leave others waiting for `polled_at`."""
        until = self._clock.mono() + seconds
        while not self._stop.is_set() and self._clock.mono() < until:
            self._take_wishes()
            self.polled_at = self._clock.mono()
            left_s = (until - self.polled_at) / self._speed()
            self._stop.wait(min(max(left_s, _SHORTEST_LOOK_S), self._longest_look_s()))

    def _speed(self) -> float:
        speed: float = getattr(self._clock, "speed", 1.0)
        return speed

    def _connect(self) -> socket.socket:
        connection = socket.create_connection(self._address, timeout=CONNECT_REAL_S)
        try:
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            if self._tls is not None:
                connection = self._tls.wrap_socket(connection, server_hostname=self._address[0])
            connection.settimeout(0)
        except OSError:
            connection.close()
            raise
        return connection

    def _serve(self, connection: socket.socket) -> float:
        """One connection from its start to its end; for how many seconds the reader was up in it."""
        self.connections += 1
        self._unsent.clear()
        up_at, goodbye_by = math.inf, None
        alive = self._do(connection, self._session.start(self._clock.mono()))
        owes_by, owes_since_real = self._session.peer_deadline, time.monotonic()
        with selectors.DefaultSelector() as selector:
            selector.register(connection, selectors.EVENT_READ)
            selector.register(self._woken, selectors.EVENT_READ)
            while alive:
                events = selectors.EVENT_READ | (selectors.EVENT_WRITE if self._unsent else 0)
                selector.modify(connection, events)
                selector.select(self._patience_s())
                now = self._clock.mono()
                self._take_wishes(connection)
                chunks = self._read(connection)
                for chunk in chunks:
                    alive = bool(chunk) and self._do(connection, self._session.receive(chunk, now)) and alive
                if self._session.peer_deadline != owes_by:
                    owes_by, owes_since_real = self._session.peer_deadline, time.monotonic()
                spare = self._speed() != 1.0 and time.monotonic() - owes_since_real < GRACE_REAL_S
                alive = alive and self._do(connection, self._session.tick(now, spare=spare))
                up_at = min(up_at, now) if self._session.is_up else up_at
                self.polled_at = now
                if self._stop.is_set() and goodbye_by is None:
                    goodbye_by = time.monotonic() + GOODBYE_REAL_S
                    alive = alive and self._do(connection, self._session.close(now))
                if goodbye_by is not None and time.monotonic() > goodbye_by:
                    alive = False
        self._do(None, self._session.lost(self._clock.mono()))
        return max(self._clock.mono() - up_at, 0.0)

    def _patience_s(self) -> float:
        """How long in real seconds there can be nothing to do unless something comes."""
        left_s = (self._session.deadline - self._clock.mono()) / self._speed()
        return min(max(left_s, _SHORTEST_LOOK_S), self._longest_look_s())

    def _longest_look_s(self) -> float:
        speed = self._speed()
        return _LONGEST_LOOK_S if speed == 1.0 else min(_LONGEST_LOOK_SCALED_S / speed, _LONGEST_LOOK_S)

    def _take_wishes(self, connection: socket.socket | None = None) -> None:
        with suppress(BlockingIOError):
            self._woken.recv(_CHUNK)
        while self._wishes:
            self._do(connection, self._wishes.popleft()(self._session, self._clock.mono()))

    def _read(self, connection: socket.socket) -> list[bytes]:
        """What has come; an empty one at the end says that the peer is gone."""
        chunks = []
        try:
            for _ in range(_CHUNKS_AT_ONCE):
                chunk = connection.recv(_CHUNK)
                chunks.append(chunk)
                if not chunk:
                    break
        except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
            pass
        except OSError as error:
            log.info("the reader's connection broke: %s", error)
            chunks.append(b"")
        return chunks

    def _do(self, connection: socket.socket | None, actions: list[Action]) -> bool:
        """Carry out what the session asks; whether the connection is still wanted."""
        wanted = True
        for action in actions:
            match action:
                case Send(data):
                    self._unsent += data
                case Deliver(record):
                    self._put(record)
                    self._rounds += isinstance(record, Inventory)
                case Note(text):
                    log.warning("reader: %s", text)
                case Drop(reason):
                    log.info("reader: connection ended: %s", reason)
                    wanted = False
        return (connection is None or self._write(connection)) and wanted

    def _write(self, connection: socket.socket) -> bool:
        try:
            while self._unsent:
                sent = connection.send(self._unsent)
                del self._unsent[:sent]
        except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
            pass  # the rest goes when there is room; a peer that never makes any falls to the watchdog
        except OSError as error:
            log.info("the reader's connection broke: %s", error)
            return False
        return True
