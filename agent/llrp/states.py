"""The states of a client's session as a table, what each waits for, and what a session asks its transport to do.

    DOWN            connected → GREETING
    GREETING        greeted → CAPABILITIES, offered → ASKING_VERSION
    ASKING_VERSION  answered → SETTING_VERSION, refused → CAPABILITIES
    SETTING_VERSION answered → CAPABILITIES, refused → CAPABILITIES
    CAPABILITIES    answered → CLEARING
    CLEARING        answered → CONFIGURING
    CONFIGURING     answered → ADDING
    ADDING          answered → ENABLING
    ENABLING        answered → ANTENNAS
    ANTENNAS        answered → INPUTS
    INPUTS          answered → READY
    READY           round_due → STARTING, spec_differs → REPLACING
    STARTING        answered → RUNNING
    RUNNING         round_over → SETTLING, stop → STOPPING
    STOPPING        answered → SETTLING
    SETTLING        settled → READY
    REPLACING       answered → READDING
    READDING        answered → REENABLING
    REENABLING      answered → READY

From every state `close` leads to CLOSING, and `lost` or a Drop to DOWN.
"""

from __future__ import annotations

from enum import Enum, auto

from msgspec import Struct

from agent.llrp import messages as m
from agent.records import Inventory, PortInput, ReaderState


class Send(Struct, frozen=True):
    """Octets for the reader."""

    data: bytes


class Deliver(Struct, frozen=True):
    """A record for the pipeline."""

    record: Inventory | PortInput | ReaderState


class Note(Struct, frozen=True):
    """Something worth a line in the log."""

    text: str


class Drop(Struct, frozen=True):
    """Close the connection; why."""

    reason: str


Action = Send | Deliver | Note | Drop


class State(Enum):
    """Where a session stands; the middle ones each wait for one answer."""

    DOWN = auto()
    GREETING = auto()
    ASKING_VERSION = auto()
    SETTING_VERSION = auto()
    CAPABILITIES = auto()
    CLEARING = auto()
    CONFIGURING = auto()
    ADDING = auto()
    ENABLING = auto()
    ANTENNAS = auto()
    INPUTS = auto()
    READY = auto()
    STARTING = auto()
    RUNNING = auto()
    STOPPING = auto()
    SETTLING = auto()
    REPLACING = auto()
    READDING = auto()
    REENABLING = auto()
    CLOSING = auto()


class Event(Enum):
    """What moves a session on."""

    CONNECTED = auto()
    GREETED = auto()
    OFFERED = auto()  # greeted, in a newer version of the protocol
    REFUSED = auto()
    ANSWERED = auto()
    ROUND_DUE = auto()
    SPEC_DIFFERS = auto()
    ROUND_OVER = auto()
    STOP = auto()
    SETTLED = auto()


S, E = State, Event
TRANSITIONS: dict[tuple[State, Event], State] = {
    (S.DOWN, E.CONNECTED): S.GREETING,
    (S.GREETING, E.GREETED): S.CAPABILITIES,
    (S.GREETING, E.OFFERED): S.ASKING_VERSION,
    (S.ASKING_VERSION, E.ANSWERED): S.SETTING_VERSION,
    (S.ASKING_VERSION, E.REFUSED): S.CAPABILITIES,
    (S.SETTING_VERSION, E.ANSWERED): S.CAPABILITIES,
    (S.SETTING_VERSION, E.REFUSED): S.CAPABILITIES,
    (S.CAPABILITIES, E.ANSWERED): S.CLEARING,
    (S.CLEARING, E.ANSWERED): S.CONFIGURING,
    (S.CONFIGURING, E.ANSWERED): S.ADDING,
    (S.ADDING, E.ANSWERED): S.ENABLING,
    (S.ENABLING, E.ANSWERED): S.ANTENNAS,
    (S.ANTENNAS, E.ANSWERED): S.INPUTS,
    (S.INPUTS, E.ANSWERED): S.READY,
    (S.READY, E.ROUND_DUE): S.STARTING,
    (S.STARTING, E.ANSWERED): S.RUNNING,
    (S.RUNNING, E.ROUND_OVER): S.SETTLING,
    (S.RUNNING, E.STOP): S.STOPPING,
    (S.STOPPING, E.ANSWERED): S.SETTLING,
    (S.SETTLING, E.SETTLED): S.READY,
    (S.READY, E.SPEC_DIFFERS): S.REPLACING,
    (S.REPLACING, E.ANSWERED): S.READDING,
    (S.READDING, E.ANSWERED): S.REENABLING,
    (S.REENABLING, E.ANSWERED): S.READY,
}
"""A session's path; the module draws it."""

ANSWERS: dict[State, type[m.Response]] = {
    S.ASKING_VERSION: m.GetSupportedVersionResponse,
    S.SETTING_VERSION: m.SetProtocolVersionResponse,
    S.CAPABILITIES: m.GetReaderCapabilitiesResponse,
    S.CLEARING: m.DeleteROSpecResponse,
    S.CONFIGURING: m.SetReaderConfigResponse,
    S.ADDING: m.AddROSpecResponse,
    S.ENABLING: m.EnableROSpecResponse,
    S.ANTENNAS: m.GetReaderConfigResponse,
    S.INPUTS: m.GetReaderConfigResponse,
    S.STARTING: m.StartROSpecResponse,
    S.STOPPING: m.StopROSpecResponse,
    S.REPLACING: m.DeleteROSpecResponse,
    S.READDING: m.AddROSpecResponse,
    S.REENABLING: m.EnableROSpecResponse,
    S.CLOSING: m.CloseConnectionResponse,
}
"""What each waiting state waits for."""
