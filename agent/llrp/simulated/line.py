"""A simulated reader's end of its one connection: what is sent, what is held back for a client that is away."""

from __future__ import annotations

import math
from typing import Any

from msgspec.structs import replace

from agent.llrp import messages as m
from agent.llrp.codec import LlrpStream, encode
from agent.llrp.params import UTCTimestamp
from agent.llrp.simulated.setup import Setup
from agent.llrp.tables import ConnectionAttemptStatusType, NotificationEventType
from agent.llrp.told import ConnectionAttemptEvent, ReaderEventNotificationData

MAX_HELD = 2000  # events and reports kept for a client that is away


class Line:
    """See the module; `Device` is a line that does what the client asks."""

    def __init__(self, *, epoch_s: float, ack_limit: int | None, version: int) -> None:
        self._epoch_s = epoch_s
        self._ack_limit = ack_limit
        self.newest_version = self.version = version

    def _begin(self, setup: Setup) -> None:
        """Power comes: nobody is connected, nothing is held, nothing is to be sent."""
        self.is_connected = self.wants_close = False
        self.setup = setup
        self._keepalive_at = math.inf
        self._unanswered = 0
        self._is_holding = False
        self._held: list[m.Message] = []
        self._out: list[bytes] = []
        self._stream = LlrpStream()
        self._message_id = 0

    # --- what the transport calls ---

    def take(self) -> bytes:
        """The octets to be sent, once."""
        out, self._out = b"".join(self._out), []
        return out

    def connected(self, now: float) -> None:
        """A client is connected, and none was."""
        self.is_connected, self.wants_close = True, False
        self._stream = LlrpStream()
        self.version = self.newest_version
        self._unanswered = 0
        self._keepalive_at = now + self.setup.keepalive_s if self.setup.keepalive_s is not None else math.inf
        self._is_holding = self.setup.holds
        self._push(self._attempt(ConnectionAttemptStatusType.Success, now))

    def refusal(self, now: float) -> bytes:
        """What a second client is told before its connection is closed; the first one is told of it as well."""
        self._push(self._attempt(ConnectionAttemptStatusType.Another_Connection_Attempted, now))
        failed = ConnectionAttemptStatusType.Failed_A_Client_Initiated_Connection_Already_Exists
        return encode(self._attempt(failed, now))

    def disconnected(self) -> None:
        """The client is gone. An active ROSpec goes on; what it reports is held where that is set, else lost."""
        self.is_connected = self.wants_close = False
        self._out = []
        self._is_holding = self.setup.holds

    # --- sending ---

    def _attempt(self, status: ConnectionAttemptStatusType, now: float) -> m.Message:
        return self._event(now, connection_attempt_event=ConnectionAttemptEvent(status))

    def _event(self, now: float, **what: Any) -> m.ReaderEventNotification:  # noqa: ANN401 - an event parameter by name
        stamp = UTCTimestamp(max(round((self._epoch_s + now) * 1e6), 0))
        return m.ReaderEventNotification(ReaderEventNotificationData(stamp, **what))

    def _tell(self, kind: NotificationEventType, now: float, **what: Any) -> None:  # noqa: ANN401 - as above
        if kind in self.setup.events:
            self._emit(self._event(now, **what))

    def _emit(self, message: m.Message) -> None:
        """An event or a report: to the client, or held back for one."""
        if self._is_holding:
            if len(self._held) < MAX_HELD:
                self._held.append(message)
        elif self.is_connected:
            self._push(replace(message, message_id=self._next_id()))

    def _push(self, message: m.Message) -> None:
        self._out.append(encode(replace(message, version=self.version)))

    def _next_id(self) -> int:
        self._message_id = self._message_id % 0xFFFF_FFFF + 1
        return self._message_id

    def _keep_alive(self, now: float) -> None:
        if self._ack_limit is not None and self._unanswered >= self._ack_limit:
            self.wants_close = True
            return
        self._unanswered += 1
        self._keepalive_at = now + (self.setup.keepalive_s or math.inf)
        self._push(m.Keepalive(message_id=self._next_id()))

    def _let_go(self) -> None:
        self._is_holding = False
        held, self._held = self._held, []
        for message in held:
            self._emit(message)
