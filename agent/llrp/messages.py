"""The messages of LLRP that this project speaks, in the standard's names; field for field as in its definitions.

`message_id` pairs a response with its request; `version` is the protocol's, 1 for 1.0.1 and 2 for 1.1. Both stand in
the frame's header, which `codec.py` reads and writes. A message that is not here is an UnknownMessage, its body as it
came.
"""

from __future__ import annotations

from typing import Annotated, ClassVar

from msgspec import Struct

from agent.llrp.params import (
    AccessReportSpec,
    AntennaConfiguration,
    AntennaProperties,
    EventsAndReports,
    GPIPortCurrentState,
    GPOWriteData,
    Identification,
    KeepaliveSpec,
    LLRPConfigurationStateValue,
    ReaderEventNotificationSpec,
    ROReportSpec,
    ROSpec,
)
from agent.llrp.tagreport import TagReportData
from agent.llrp.told import (
    C1G2LLRPCapabilities,
    GeneralDeviceCapabilities,
    LLRPCapabilities,
    LLRPStatus,
    ReaderEventNotificationData,
    RegulatoryCapabilities,
)
from agent.llrp.wire import U8, U16, U32, Bit, Others, Rest


class Message(Struct, frozen=True, kw_only=True):
    """What every message is; `number` is the standard's type number."""

    number: ClassVar[int] = -1

    message_id: int = 0
    version: int = 1


class UnknownMessage(Message, frozen=True):
    """A message that this project does not read, kept as it came."""

    message_number: int
    body: bytes


class CustomMessage(Message, frozen=True):
    """A vendor's own message, kept as it came."""

    number: ClassVar[int] = 1023

    vendor_identifier: U32
    message_subtype: U8
    data: Rest = b""


class Response(Message, frozen=True):
    """What a reader answers to a request."""

    llrp_status: LLRPStatus


class ROSpecRequest(Message, frozen=True):
    """A request that names a ROSpec; 0 means all of them, except for start and stop."""

    rospec_id: U32


class GetSupportedVersion(Message, frozen=True):
    """Ask which version is spoken and which is the newest that could be; of 1.1, like its answer and the next two."""

    number: ClassVar[int] = 46


class GetSupportedVersionResponse(Response, frozen=True):
    """Both versions, as numbers of the header."""

    number: ClassVar[int] = 56

    current_version: U8
    supported_version: U8


class SetProtocolVersion(Message, frozen=True):
    """Speak this version from now on."""

    number: ClassVar[int] = 47

    protocol_version: U8


class SetProtocolVersionResponse(Response, frozen=True):
    """Whether it is spoken from now on."""

    number: ClassVar[int] = 57


class GetReaderCapabilities(Message, frozen=True):
    """Ask what the reader can do; `requested_data` is one of GetReaderCapabilitiesRequestedData."""

    number: ClassVar[int] = 1

    requested_data: U8 = 0
    others: Others = ()


class GetReaderCapabilitiesResponse(Response, frozen=True):
    """What the reader can do."""

    number: ClassVar[int] = 11

    general_device_capabilities: GeneralDeviceCapabilities | None = None
    llrp_capabilities: LLRPCapabilities | None = None
    regulatory_capabilities: RegulatoryCapabilities | None = None
    air_protocol_llrp_capabilities: C1G2LLRPCapabilities | None = None
    others: Others = ()


class GetReaderConfig(Message, frozen=True):
    """Ask how the reader is set up; numbers 0 mean all of them."""

    number: ClassVar[int] = 2

    antenna_id: U16 = 0
    requested_data: U8 = 0
    gpi_port_num: U16 = 0
    gpo_port_num: U16 = 0
    others: Others = ()


class GetReaderConfigResponse(Response, frozen=True):
    """How the reader is set up."""

    number: ClassVar[int] = 12

    identification: Identification | None = None
    antenna_properties: tuple[AntennaProperties, ...] = ()
    antenna_configuration: tuple[AntennaConfiguration, ...] = ()
    reader_event_notification_spec: ReaderEventNotificationSpec | None = None
    ro_report_spec: ROReportSpec | None = None
    access_report_spec: AccessReportSpec | None = None
    llrp_configuration_state_value: LLRPConfigurationStateValue | None = None
    keepalive_spec: KeepaliveSpec | None = None
    gpi_port_current_state: tuple[GPIPortCurrentState, ...] = ()
    gpo_write_data: tuple[GPOWriteData, ...] = ()
    events_and_reports: EventsAndReports | None = None
    others: Others = ()


class SetReaderConfig(Message, frozen=True):
    """Set the reader up; the reset comes before all the rest."""

    number: ClassVar[int] = 3

    reset_to_factory_default: Annotated[Bit, "r7"]
    reader_event_notification_spec: ReaderEventNotificationSpec | None = None
    antenna_properties: tuple[AntennaProperties, ...] = ()
    antenna_configuration: tuple[AntennaConfiguration, ...] = ()
    ro_report_spec: ROReportSpec | None = None
    access_report_spec: AccessReportSpec | None = None
    keepalive_spec: KeepaliveSpec | None = None
    gpo_write_data: tuple[GPOWriteData, ...] = ()
    gpi_port_current_state: tuple[GPIPortCurrentState, ...] = ()
    events_and_reports: EventsAndReports | None = None
    others: Others = ()


class SetReaderConfigResponse(Response, frozen=True):
    """Whether it was set up."""

    number: ClassVar[int] = 13


class AddROSpec(Message, frozen=True):
    """Give the reader a ROSpec; it starts out disabled."""

    number: ClassVar[int] = 20

    rospec: ROSpec


class AddROSpecResponse(Response, frozen=True):
    """Whether it was taken."""

    number: ClassVar[int] = 30


class DeleteROSpec(ROSpecRequest, frozen=True):
    """Take a ROSpec away, running or not."""

    number: ClassVar[int] = 21


class DeleteROSpecResponse(Response, frozen=True):
    """Whether it was taken away."""

    number: ClassVar[int] = 31


class DeleteAccessSpec(Message, frozen=True):
    """Take an AccessSpec away, 0 for all; we never have one, but clients begin with it."""

    number: ClassVar[int] = 41

    access_spec_id: U32


class DeleteAccessSpecResponse(Response, frozen=True):
    """Whether it was taken away."""

    number: ClassVar[int] = 51


class StartROSpec(ROSpecRequest, frozen=True):
    """Start an enabled ROSpec: from here on the reader transmits."""

    number: ClassVar[int] = 22


class StartROSpecResponse(Response, frozen=True):
    """Whether it was started."""

    number: ClassVar[int] = 32


class StopROSpec(ROSpecRequest, frozen=True):
    """Stop an active ROSpec."""

    number: ClassVar[int] = 23


class StopROSpecResponse(Response, frozen=True):
    """Whether it was stopped."""

    number: ClassVar[int] = 33


class EnableROSpec(ROSpecRequest, frozen=True):
    """Let a ROSpec listen to its start trigger."""

    number: ClassVar[int] = 24


class EnableROSpecResponse(Response, frozen=True):
    """Whether it was enabled."""

    number: ClassVar[int] = 34


class DisableROSpec(ROSpecRequest, frozen=True):
    """Stop a ROSpec and its start trigger."""

    number: ClassVar[int] = 25


class DisableROSpecResponse(Response, frozen=True):
    """Whether it was disabled."""

    number: ClassVar[int] = 35


class GetROSpecs(Message, frozen=True):
    """Ask which ROSpecs the reader holds."""

    number: ClassVar[int] = 26


class GetROSpecsResponse(Response, frozen=True):
    """The ROSpecs, with their states."""

    number: ClassVar[int] = 36

    rospec: tuple[ROSpec, ...] = ()


class CloseConnection(Message, frozen=True):
    """Ask the reader to end the connection."""

    number: ClassVar[int] = 14


class CloseConnectionResponse(Response, frozen=True):
    """The last word on a connection."""

    number: ClassVar[int] = 4


class GetReport(Message, frozen=True):
    """Ask for what was read and not yet reported."""

    number: ClassVar[int] = 60


class ROAccessReport(Message, frozen=True):
    """What was read. Reports of radio surveys stay unread under `others`."""

    number: ClassVar[int] = 61

    tag_report_data: tuple[TagReportData, ...] = ()
    others: Others = ()


class Keepalive(Message, frozen=True):
    """The reader lives."""

    number: ClassVar[int] = 62


class KeepaliveAck(Message, frozen=True):
    """The client lives."""

    number: ClassVar[int] = 72


class ReaderEventNotification(Message, frozen=True):
    """Something happened."""

    number: ClassVar[int] = 63

    reader_event_notification_data: ReaderEventNotificationData


class EnableEventsAndReports(Message, frozen=True):
    """Let go of the events and reports held back since the connection."""

    number: ClassVar[int] = 64


class ErrorMessage(Message, frozen=True):
    """The peer could not read what it was sent."""

    number: ClassVar[int] = 100

    llrp_status: LLRPStatus


MESSAGES: dict[int, type[Message]] = {
    cls.number: cls
    for cls in (
        CustomMessage, GetReaderCapabilities, GetReaderCapabilitiesResponse, GetReaderConfig, GetReaderConfigResponse,
        SetReaderConfig, SetReaderConfigResponse, AddROSpec, AddROSpecResponse, DeleteROSpec, DeleteROSpecResponse,
        StartROSpec, StartROSpecResponse, StopROSpec, StopROSpecResponse, EnableROSpec, EnableROSpecResponse,
        DisableROSpec, DisableROSpecResponse, GetROSpecs, GetROSpecsResponse, CloseConnection, CloseConnectionResponse,
        GetReport, ROAccessReport, Keepalive, KeepaliveAck, ReaderEventNotification, EnableEventsAndReports,
        ErrorMessage, DeleteAccessSpec, DeleteAccessSpecResponse, GetSupportedVersion, GetSupportedVersionResponse,
        SetProtocolVersion, SetProtocolVersionResponse,
    )
}  # fmt: skip
"""Type number → record class."""
