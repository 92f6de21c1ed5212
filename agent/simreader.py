"""A simulated reader on TCP: the device of `agent.llrp.simulated` behind a socket, in a thread; floor 3.

    reader = SimulatedReader(source, clock, port=0).start()
    reader.port; reader.set_input(1, True); reader.power_off(); reader.power_on(); reader.stop()

Speaks LLRP and nothing else: what connects to it cannot tell it from a reader, but for the speed of its clock. Its time
is the given clock's `mono()`; where that runs fast (it has a `speed`), it is looked at every millisecond, and told how
far the reader has got.
"""

from __future__ import annotations

import logging
import math
import selectors
import socket
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Self

from agent.clock import Clock
from agent.llrp.simulated.device import Device
from agent.llrp.simulated.inventory import Source

log = logging.getLogger(__name__)

_LONGEST_LOOK_S, _SHORTEST_LOOK_S = 0.05, 0.001
_LONGEST_LOOK_SCALED_S = 1.0  # on a scaled clock, which waits for us
_CHUNK = 65536
_MAX_UNSENT = 4 * 1024 * 1024  # a client that does not read is dropped when this much waits for it


class SimulatedReader:
    """See the module. Listens from the moment it is made, serves from `start` until `stop`.

    `epoch_s` is what its own clock shows, in seconds since 1970, when `clock.mono()` is 0. `ack_limit` is how many
    keepalives a client may leave unanswered, `catch_up_s` and `version` as for the device. Raises OSError where the
    port is taken.
    """

    def __init__(
        self,
        source: Source,
        clock: Clock,
        *,
        host: str = "127.0.0.1",
        port: int = 0,
        antennas: tuple[int, ...] = (1, 2),
        epoch_s: float = 0.0,
        ack_limit: int | None = None,
        catch_up_s: float = 0.0,
        version: int = 1,
    ) -> None:
        self._clock = clock
        self._consumed: Callable[[float], None] | None = getattr(clock, "consumed", None)
        self._device = Device(
            source, antennas=antennas, epoch_s=epoch_s, ack_limit=ack_limit, catch_up_s=catch_up_s, version=version
        )
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._has_power = True
        self._client: socket.socket | None = None
        self._unsent = bytearray()
        self._listener: socket.socket | None = socket.create_server((host, port))
        self._host = host
        self.port: int = self._listener.getsockname()[1]
        self.polled_at = clock.mono()
        """Up to when everything that was due has been done, by `clock.mono()`."""
        self._selector = selectors.DefaultSelector()
        self._woken, self._wake = socket.socketpair()
        for end in (self._woken, self._wake):
            end.settimeout(0)
        self._selector.register(self._woken, selectors.EVENT_READ)
        self._watch_listener(self._listener)
        self._thread = threading.Thread(target=self._run, name="simreader", daemon=True)

    # --- what others call, from any thread ---

    def start(self) -> Self:
        """Begin to serve; returns at once."""
        self._thread.start()
        return self

    def stop(self) -> None:
        """End the connection, the thread and the port."""
        self._stop.set()
        self._nudge()
        if self._thread.is_alive():
            self._thread.join()
        self.power_off()
        self._selector.close()
        self._woken.close()
        self._wake.close()

    def set_input(self, port: int, on: bool) -> None:  # noqa: FBT001 - the level is what it is about
        """The level at an input (1 to 4). Raises ValueError where there is no such input."""
        with self._lock:
            self._device.set_input(port, on=on, now=self._clock.mono())
            self._flush()

    def set_antenna(self, antenna: int, connected: bool) -> None:  # noqa: FBT001 - as above
        """Plug an antenna in or out. Raises ValueError where there is no such antenna."""
        with self._lock:
            self._device.set_antenna(antenna, connected=connected, now=self._clock.mono())
            self._flush()

    def power_off(self) -> None:
        """As when the power is cut: no goodbye, nothing kept but the inputs' levels, nobody answers at the port."""
        with self._lock:
            self._has_power = False
            self._drop_client(abruptly=True)
            if self._listener is not None:
                self._selector.unregister(self._listener)
                self._listener.close()
                self._listener = None
            self._device.power_cut()

    def power_on(self) -> None:
        """Start up at factory default, at the same port. Raises OSError where somebody took it meanwhile."""
        with self._lock:
            if not self._has_power:
                self._listener = socket.create_server((self._host, self.port))
                self._watch_listener(self._listener)
                self._has_power = True
        self._nudge()

    @property
    def is_connected(self) -> bool:
        """Whether a client is connected."""
        return self._client is not None

    @property
    def is_transmitting(self) -> bool:
        """Whether the carrier is on, or would be."""
        return self._device.is_transmitting

    @property
    def outputs(self) -> dict[int, bool]:
        """The level at each output."""
        return dict(self._device.setup.outputs)

    @property
    def rounds(self) -> int:
        """How many AISpecs have ended."""
        return self._device.rounds

    # --- the thread ---

    def _watch_listener(self, listener: socket.socket) -> None:
        listener.settimeout(0)
        self._selector.register(listener, selectors.EVENT_READ)

    def _nudge(self) -> None:
        with suppress(OSError):  # full: it is awake already; closed: nobody is left to wake
            self._wake.send(b"\0")

    def _run(self) -> None:
        while not self._stop.is_set():
            ready = self._selector.select(self._patience_s())
            with self._lock:
                now = self._clock.mono()
                for key, _ in ready:
                    if key.fileobj is self._woken:
                        with suppress(BlockingIOError):
                            self._woken.recv(_CHUNK)
                    elif key.fileobj is self._listener:
                        self._accept(now)
                    elif key.fileobj is self._client:
                        self._read(now)
                if self._has_power:
                    self._device.tick(now)
                    self._flush()
                self.polled_at = now
            if self._consumed is not None:
                self._consumed(now)

    def _patience_s(self) -> float:
        """How long in real seconds nothing can become due, or nobody waits for us."""
        speed: float = getattr(self._clock, "speed", 1.0)
        longest_s = _LONGEST_LOOK_S if speed == 1.0 else min(_LONGEST_LOOK_SCALED_S / speed, _LONGEST_LOOK_S)
        if not self._has_power:
            return longest_s
        with self._lock:
            left_s = (self._device.deadline - self._clock.mono()) / speed
        if math.isinf(left_s):
            return longest_s
        return min(max(left_s, _SHORTEST_LOOK_S if left_s > 0 else 0.0), longest_s)

    def _accept(self, now: float) -> None:
        if self._listener is None:
            return
        try:
            connection, peer = self._listener.accept()
        except OSError:
            return  # it went away again before we looked
        connection.settimeout(0)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if self._client is not None:
            with suppress(OSError), connection:
                connection.send(self._device.refusal(now))
            return
        log.debug("client %s", peer)
        self._client = connection
        self._selector.register(connection, selectors.EVENT_READ)
        self._device.connected(now)

    def _read(self, now: float) -> None:
        if self._client is None:
            return
        try:
            chunk = self._client.recv(_CHUNK)
        except BlockingIOError:
            return
        except OSError:
            chunk = b""
        if chunk:
            self._device.receive(chunk, now)
        else:
            self._drop_client()

    def _flush(self) -> None:
        """Send what the device has to say; the rest waits for a client that reads slowly."""
        self._unsent += self._device.take()
        if self._client is None:
            self._unsent.clear()
            return
        try:
            while self._unsent:
                sent = self._client.send(self._unsent)
                del self._unsent[:sent]
        except BlockingIOError:
            if len(self._unsent) > _MAX_UNSENT:
                self._drop_client()
        except OSError:
            self._drop_client()
        if self._device.wants_close and not self._unsent:
            self._drop_client()

    def _drop_client(self, *, abruptly: bool = False) -> None:
        client, self._client = self._client, None
        self._unsent.clear()
        if client is not None:
            self._selector.unregister(client)
            if abruptly:
                # Linger of 0: the peer gets a reset at most, never an orderly end.
                client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\0\0\0\0\0\0\0")
            client.close()
            self._device.disconnected()
