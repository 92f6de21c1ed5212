"""The connection to gpsd: a thread that delivers every TPV as a `Fix`; floor 3.

Survives a gpsd that is missing, killed, restarted, stopped or silent: the connection is closed and made anew, with a
jittered, growing pause. What a TPV means is `agent.gps`'s business; nothing is left out or changed here. `gpsd` says at
any time what gpsd has and how the connection is.

A gpsd whose receiver is mute says nothing either. It is asked for its devices every few seconds of silence: one that
answers is alive and keeps the connection, one that does not is left. Now and then a connection on which no receiver
speaks is made anew all the same: gpsd (3.22) opens a device that was gone only for a client that comes anew.

The socket and gpsd's greeting are gpsd-py3's (`gpsd.connect`). Everything after is read here: its polling interface has
no deadlines and invents what a fix leaves out. `connect` has no deadlines either, so a second thread watches the clock
and shuts the socket down when nothing came for too long; whoever waits in `connect` or `readline` wakes with an error.
It keeps the socket in its module's globals, so one receiver of a process connects at a time.
"""

from __future__ import annotations

import json
import logging
import random
import socket
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Literal, TextIO

import gpsd
from msgspec import Struct

from agent.clock import Clock
from agent.errors import GpsdError
from agent.gps import MAX_LINE_BYTES, parse_gpsd_line
from agent.gpsd_devices import Gpsd, Link
from agent.gpsd_devices import connect as connected
from agent.gpsd_devices import hear as heard_of
from agent.records import Fix

log = logging.getLogger(__name__)

SILENT_S = 10.0  # a receiver tells its state once a second, fix or none; asked, gpsd answers at once
RENEW_S = 60.0  # how long a connection is kept on which gpsd answers and no receiver speaks. Judgement
CONNECT_S = 5.0
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.5, 30.0
WATCH = b'?WATCH={"enable":true,"json":true}\n'
ASK = b"?DEVICES;\n"
MUTE = "gpsd answers, but no receiver speaks; perhaps it opens one for a new connection"

# On a scaled clock ten seconds pass in a blink; a peer gets this much real time whatever the clock says.
_GRACE_REAL_S = 1.0
_LOOK_REAL_S, _LOOK_STOPPING_REAL_S = 0.1, 0.01
_one_connects = threading.Lock()


class Counts(Struct):
    """What has come so far: lines = fixes + others + malformed."""

    connections: int = 0
    lines: int = 0
    fixes: int = 0
    others: int = 0
    malformed: int = 0


class _Link:
    """One attempt at a connection, from the first byte to its end; `shut` may be called from any thread."""

    def __init__(self, clock: Clock, limit_s: float) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self.is_shut = False
        self._socket: socket.socket | None = None
        self._is_connecting = False
        self.stream: TextIO | None = None
        self.heard(limit_s)

    def heard(self, limit_s: float) -> None:
        """Something came; the next thing has `limit_s`."""
        self._limit_s = limit_s
        self._was_asked = False
        self._heard_mono, self._heard_real_s = self._clock.mono(), time.monotonic()

    def is_overdue(self) -> bool:
        """Nothing came for longer than allowed, by the clock and in a real second."""
        real_s = time.monotonic() - self._heard_real_s
        return self._clock.mono() - self._heard_mono > self._limit_s and real_s > min(self._limit_s, _GRACE_REAL_S)

    def ask(self) -> None:
        """Once in each silence, when half of what is allowed is over: let gpsd say that it is alive."""
        if self.stream is None or self._was_asked or self._clock.mono() - self._heard_mono < self._limit_s / 2.0:
            return
        self._was_asked = True
        with suppress(OSError):  # whoever reads hears of it
            self.send(ASK)

    def open(self, host: str, port: int) -> TextIO:
        """gpsd-py3's handshake; raises whatever it raises. The caller holds `_one_connects`."""
        gpsd.gpsd_socket = gpsd.gpsd_stream = None
        self._is_connecting = True
        try:
            gpsd.connect(host, port)
        finally:
            self._is_connecting = False
            with self._lock:
                self._socket = gpsd.gpsd_socket
            self.stream = gpsd.gpsd_stream
            gpsd.gpsd_socket = gpsd.gpsd_stream = None
        stream = self.stream
        if stream is None or self.is_shut:
            raise GpsdError("the connection ended before gpsd had greeted")
        return stream

    def send(self, data: bytes) -> None:
        """Write to gpsd; raises OSError."""
        if self._socket is not None:
            self._socket.sendall(data)

    def shut(self) -> None:
        """Wake whoever waits on the socket; it fails from now on."""
        with self._lock:
            self.is_shut = True
            found = self._socket
            if found is None and self._is_connecting:
                found = gpsd.gpsd_socket
        if found is not None:
            with suppress(OSError):  # not connected yet, or no longer: the peer was first
                found.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Give back the socket; by the reading thread alone."""
        for thing in (self.stream, self._socket):
            if thing is not None:
                with suppress(OSError):  # what was still to be flushed has nowhere to go
                    thing.close()


def _was_let_down(error: Exception) -> bool:
    """Whether nobody was there, or went away without a word, as a gpsd does that is being started or ended."""
    return isinstance(error, OSError) or (isinstance(error, json.JSONDecodeError) and not error.doc)


class Receiver:
    """Delivers gpsd's TPVs to `put` from its own thread, from `start` until `stop`.

    `put` must not block for long; what it raises ends the receiver (`is_alive` turns false) for the process to end.
    """

    def __init__(
        self,
        host: str,
        port: int,
        *,
        clock: Clock,
        put: Callable[[Fix], None],
        silent_s: float = SILENT_S,
        connect_s: float = CONNECT_S,
        renew_s: float = RENEW_S,
        first_pause_s: float = FIRST_PAUSE_S,
        chance: random.Random | None = None,
    ) -> None:
        self._host, self._port = host, port
        self._clock, self._put = clock, put
        self._silent_s, self._connect_s = silent_s, connect_s
        self._renew_s, self._first_pause_s = renew_s, first_pause_s
        self._chance = chance if chance is not None else random.Random()  # noqa: S311 - spreads reconnections, no secret
        self._stop = threading.Event()
        self._link: _Link | None = None
        self._threads = [
            threading.Thread(target=self._run, name="receiver", daemon=True),
            threading.Thread(target=self._watch, name="receiver-watch", daemon=True),
        ]
        self.counts = Counts()
        self.gpsd = Gpsd(began_mono=clock.mono())
        """What gpsd has and how the connection is; a value, replaced whole."""
        self.state: Literal["connecting", "up", "stopped"] = "connecting"

    def start(self) -> Receiver:
        """Begin to connect; returns at once."""
        for thread in self._threads:
            thread.start()
        return self

    def stop(self) -> None:
        """End both threads and the connection; returns when nothing more will be delivered."""
        self._stop.set()  # wakes the watch, which wakes the reading
        for thread in self._threads:
            if thread.is_alive() and thread is not threading.current_thread():
                thread.join()

    def is_alive(self) -> bool:
        """False before `start`, after `stop`, and when `put` has failed."""
        return self._threads[0].is_alive()

    def _run(self) -> None:
        failures, waited_s = 0, 0.0
        try:
            while not self._stop.is_set():
                fixes = self.counts.fixes
                why = self._connect_and_read()
                failures = 0 if self.counts.fixes > fixes or why is MUTE else failures + 1
                waited_s = waited_s if failures else 0.0
                self.state = "connecting"
                if self._stop.is_set():
                    break
                pause_s = min(self._first_pause_s * 2.0 ** min(failures, 10), LONGEST_PAUSE_S)
                # Hardly longer than has been waited so far: a gpsd that was away is found again within as long.
                most_s = waited_s + 3.0 * self._first_pause_s
                pause_s = min(pause_s * self._chance.uniform(0.5, 1.5), most_s)
                waited_s += pause_s
                log.warning("gpsd at %s:%d: %s; again in %.1f s", self._host, self._port, why, pause_s)
                self._clock.sleep(pause_s, stop=self._stop)
        finally:
            self.state = "stopped"
            self._stop.set()

    def _connect_and_read(self) -> str:
        """One connection from beginning to end; why it ended."""
        while not _one_connects.acquire(timeout=_LOOK_REAL_S):
            if self._stop.is_set():
                return "stopped"
        link = _Link(self._clock, self._connect_s)
        self._link = link
        try:
            try:
                stream = link.open(self._host, self._port)
            except Exception as error:  # noqa: BLE001 - gpsd-py3 raises a plain Exception for a greeting it does not like
                self._link_is("mute" if link.is_shut else "refused" if _was_let_down(error) else "foreign")
                return f"no connection ({error})"
            finally:
                _one_connects.release()
            return self._read(link, stream)
        finally:
            self._link = None
            link.close()

    def _link_is(self, state: Link) -> None:
        if not self._stop.is_set():
            self.gpsd = connected(self.gpsd, state, self._clock.mono())

    def _read(self, link: _Link, stream: TextIO) -> str:
        counts = self.counts
        spoken_mono, spoken_real_s = self._clock.mono(), time.monotonic()
        try:
            # gpsd-py3 asks to be watched without saying in which form, and then nothing comes. Not through the stream:
            # writing to it throws away what it has read ahead.
            link.send(WATCH)
            counts.connections += 1
            self.state = "up"
            self._link_is("up")
            link.heard(self._silent_s)
            while True:
                line = stream.readline(MAX_LINE_BYTES + 1)
                mono = self._clock.mono()
                if self._stop.is_set():
                    return "stopped"
                if not line.endswith("\n"):
                    break
                link.heard(self._silent_s)
                counts.lines += 1
                try:
                    document = parse_gpsd_line(line)
                except GpsdError:
                    counts.malformed += 1  # the line ended, so the stream is still in step
                    continue
                self._take(document, mono)
                if document is not None and "device" in document:
                    spoken_mono, spoken_real_s = mono, time.monotonic()
                elif mono - spoken_mono > self._renew_s and time.monotonic() - spoken_real_s > _GRACE_REAL_S:
                    return MUTE
        except (OSError, UnicodeDecodeError) as error:
            self._link_is("mute" if link.is_shut else "refused")
            return f"the connection broke ({error})"
        if len(line) > MAX_LINE_BYTES:
            counts.lines += 1
            counts.malformed += 1
            return "a line without end"
        self._link_is("mute" if link.is_shut else "refused")
        return f"nothing came for {self._silent_s:g} s" if link.is_shut else "gpsd closed the connection"

    def _take(self, document: dict[str, Any] | None, mono: float) -> None:
        if document is not None:
            self.gpsd = heard_of(self.gpsd, document, mono)
        if document is None or document["class"] != "TPV":
            self.counts.others += 1
            return
        self.counts.fixes += 1
        self._put(Fix(mono=mono, tpv=document))

    def _watch(self) -> None:
        while self._threads[0].is_alive():
            stopping = self._stop.is_set()
            link = self._link
            if link is not None and (stopping or link.is_overdue()):
                link.shut()
            elif link is not None:
                link.ask()
            if stopping:
                time.sleep(_LOOK_STOPPING_REAL_S)  # again, in case the socket was only just being made
            else:
                self._stop.wait(_LOOK_REAL_S)
