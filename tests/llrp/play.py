"""A reader played by hand, message by message, against a client's session; no sockets, time as an argument."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from agent.llrp import messages as m
from agent.llrp.codec import LlrpStream, encode
from agent.llrp.params import AntennaProperties, GPIPortCurrentState, UTCTimestamp
from agent.llrp.session import Session
from agent.llrp.simulated.setup import Setup, capabilities
from agent.llrp.states import Action, Deliver, Drop, Note, Send
from agent.llrp.tables import StatusCode
from agent.llrp.tagreport import TagReportData
from agent.llrp.told import (
    AISpecEvent,
    ConnectionAttemptEvent,
    GPIEvent,
    LLRPStatus,
    ReaderEventNotificationData,
    ROSpecEvent,
)
from agent.records import Inventory

OK = LLRPStatus(StatusCode.M_Success)
TAG = bytes.fromhex("3074257BF7194E4000001A85")
CAPABLE = capabilities(m.GetReaderCapabilities(), Setup(antennas=(1, 2), inputs=(1, 2)))
CONFIG = m.GetReaderConfigResponse(
    OK,
    antenna_properties=tuple(AntennaProperties(antenna_connected=True, antenna_id=a, antenna_gain=0) for a in (1, 2)),
)
INPUTS = m.GetReaderConfigResponse(
    OK,
    gpi_port_current_state=(GPIPortCurrentState(1, config=True, state=1), GPIPortCurrentState(2, config=True, state=2)),
)


def event(**what: Any) -> m.ReaderEventNotification:
    """An event of the reader's."""
    return m.ReaderEventNotification(ReaderEventNotificationData(UTCTimestamp(0), **what))


def gpi(port: int, *, on: bool) -> m.ReaderEventNotification:
    """An input's change."""
    return event(gpi_event=GPIEvent(port, on))


END = (event(aispec_event=AISpecEvent(0, 1, 1)), event(rospec_event=ROSpecEvent(1, 1)))


def report(*antennas: int) -> m.ROAccessReport:
    """A report of one tag on these antennas."""
    return m.ROAccessReport(
        tuple(TagReportData(TAG, antenna_id=a, peak_rssi=-60, tag_seen_count=2, channel_index=1) for a in antennas)
    )


class Play:
    """A session, and what it did."""

    def __init__(self, **options: Any) -> None:
        options = {"power_dbm": 27.0, "transmit_allowed": True} | options
        self.session = Session(**options)
        self.now = 100.0
        self.sent: list[m.Message] = []
        self.records: list[Any] = []
        self.notes: list[str] = []
        self.dropped: str | None = None
        self._stream = LlrpStream()

    def take(self, actions: Iterable[Action]) -> Play:
        """Note what these actions ask for."""
        for action in actions:
            if isinstance(action, Send):
                self._stream.receive(action.data)
                self.sent += [x for x in self._stream.messages() if isinstance(x, m.Message)]
            elif isinstance(action, Deliver):
                self.records.append(action.record)
            elif isinstance(action, Note):
                self.notes.append(action.text)
            elif isinstance(action, Drop):
                self.dropped = action.reason
        return self

    def start(self) -> Play:
        """Connect, and be greeted."""
        return self.take(self.session.start(self.now)).hear(event(connection_attempt_event=ConnectionAttemptEvent(0)))

    def hear(self, *messages: m.Message) -> Play:
        """These messages come."""
        return self.take(self.session.receive(b"".join(encode(x) for x in messages), self.now))

    def answer(self, message: m.Response) -> Play:
        """Answer the last request."""
        return self.hear(type(message)(**{f: getattr(message, f) for f in message.__struct_fields__}
                                       | {"message_id": self.sent[-1].message_id}))  # fmt: skip

    def wait(self, seconds: float) -> Play:
        """Time passes."""
        self.now += seconds
        return self.take(self.session.tick(self.now))

    def set_up(self) -> Play:
        """Up to the point where rounds begin."""
        self.start()
        for response in (
            CAPABLE, m.DeleteROSpecResponse(OK), m.SetReaderConfigResponse(OK), m.AddROSpecResponse(OK),
            m.EnableROSpecResponse(OK), CONFIG, INPUTS,
        ):  # fmt: skip
            self.answer(response)
        return self

    def run_round(self, *antennas: int) -> Play:
        """Answer the start, let the round pass, report and end it."""
        self.answer(m.StartROSpecResponse(OK))
        self.now += 2.0
        return self.hear(*([report(*antennas)] if antennas else []), *END)

    @property
    def names(self) -> list[str]:
        """What was sent, by name."""
        return [type(x).__name__ for x in self.sent]

    @property
    def inventories(self) -> list[Inventory]:
        """The rounds told so far."""
        return [record for record in self.records if isinstance(record, Inventory)]
