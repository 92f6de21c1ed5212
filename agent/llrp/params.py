"""The parameters by which a reader is configured and told what to do, in the standard's names and order.

Field for field as in llrp-1x0-def.xml and llrp-1x1-def.xml; a test holds every record here against both. Times are
milliseconds unless the name says otherwise. What tells about a reader stands in `told.py`, tag reports in
`tagreport.py`.
"""

from __future__ import annotations

from typing import Annotated, ClassVar

from agent.llrp.wire import (
    S16,
    U2,
    U8,
    U16,
    U32,
    U64,
    Bit,
    Custom,
    Octets,
    Others,
    Parameter,
    U16s,
    Unknown,
)


class UTCTimestamp(Parameter, frozen=True):
    """Microseconds since 1970 by the reader's clock, right or wrong."""

    number: ClassVar[int] = 128

    microseconds: U64


class Uptime(Parameter, frozen=True):
    """Microseconds since the reader started."""

    number: ClassVar[int] = 129

    microseconds: U64


class PeriodicTriggerValue(Parameter, frozen=True):
    """Start at `offset` and then every `period`."""

    number: ClassVar[int] = 180

    offset: U32
    period: U32
    utc_timestamp: UTCTimestamp | None = None


class GPITriggerValue(Parameter, frozen=True):
    """Start or stop at a change of an input."""

    number: ClassVar[int] = 181

    gpi_port_num: U16
    gpi_event: Annotated[Bit, "r7"]
    timeout: U32


class ROSpecStartTrigger(Parameter, frozen=True):
    """What makes an enabled ROSpec active."""

    number: ClassVar[int] = 179

    rospec_start_trigger_type: U8
    periodic_trigger_value: PeriodicTriggerValue | None = None
    gpi_trigger_value: GPITriggerValue | None = None


class ROSpecStopTrigger(Parameter, frozen=True):
    """What ends an active ROSpec beside the end of its specs."""

    number: ClassVar[int] = 182

    rospec_stop_trigger_type: U8
    duration_trigger_value: U32 = 0
    gpi_trigger_value: GPITriggerValue | None = None


class ROBoundarySpec(Parameter, frozen=True):
    """When a ROSpec starts and stops."""

    number: ClassVar[int] = 178

    rospec_start_trigger: ROSpecStartTrigger
    rospec_stop_trigger: ROSpecStopTrigger


class TagObservationTrigger(Parameter, frozen=True):
    """End an AISpec by what was read."""

    number: ClassVar[int] = 185

    trigger_type: Annotated[U8, "r8"]
    number_of_tags: U16
    number_of_attempts: U16
    t: U16
    timeout: U32


class AISpecStopTrigger(Parameter, frozen=True):
    """What ends an AISpec; `duration_trigger` in milliseconds."""

    number: ClassVar[int] = 184

    aispec_stop_trigger_type: U8
    duration_trigger: U32 = 0
    gpi_trigger_value: GPITriggerValue | None = None
    tag_observation_trigger: TagObservationTrigger | None = None


class RFReceiver(Parameter, frozen=True):
    """Index into the table of receive sensitivities."""

    number: ClassVar[int] = 223

    receiver_sensitivity: U16


class RFTransmitter(Parameter, frozen=True):
    """Channel, and the index into the table of transmit powers."""

    number: ClassVar[int] = 224

    hop_table_id: U16
    channel_index: U16
    transmit_power: U16


class C1G2RFControl(Parameter, frozen=True):
    """Index into the table of link modes, and the Tari in nanoseconds (0: the mode's own)."""

    number: ClassVar[int] = 335

    mode_index: U16
    tari: U16


class C1G2TagInventoryStateAwareSingulationAction(Parameter, frozen=True):
    """Which half of the tags is asked; not used here, since some readers cannot."""

    number: ClassVar[int] = 337

    i: Bit
    s: Annotated[Bit, "r6"]


class C1G2SingulationControl(Parameter, frozen=True):
    """Session (0 to 3) and how many tags to expect; the transit time in milliseconds, 0: standing still."""

    number: ClassVar[int] = 336

    session: Annotated[U2, "r6"]
    tag_population: U16
    tag_transit_time: U32
    c1g2_tag_inventory_state_aware_singulation_action: C1G2TagInventoryStateAwareSingulationAction | None = None


class C1G2InventoryCommand(Parameter, frozen=True):
    """How tags are inventoried. Filters (type 331) stay unread under `others`."""

    number: ClassVar[int] = 330

    tag_inventory_state_aware: Annotated[Bit, "r7"]
    c1g2_rf_control: C1G2RFControl | None = None
    c1g2_singulation_control: C1G2SingulationControl | None = None
    others: Others = ()


class AntennaConfiguration(Parameter, frozen=True):
    """How one antenna is used; `antenna_id` 0 means all."""

    number: ClassVar[int] = 222

    antenna_id: U16
    rf_receiver: RFReceiver | None = None
    rf_transmitter: RFTransmitter | None = None
    c1g2_inventory_command: tuple[C1G2InventoryCommand, ...] = ()
    others: Others = ()


class InventoryParameterSpec(Parameter, frozen=True):
    """One way of inventorying; `protocol_id` is one of AirProtocols."""

    number: ClassVar[int] = 186

    inventory_parameter_spec_id: U16
    protocol_id: U8
    antenna_configuration: tuple[AntennaConfiguration, ...] = ()
    others: Others = ()


class AISpec(Parameter, frozen=True):
    """An antenna inventory: our inventory round. Antenna 0 means all."""

    number: ClassVar[int] = 183

    antenna_ids: U16s
    aispec_stop_trigger: AISpecStopTrigger
    inventory_parameter_spec: tuple[InventoryParameterSpec, ...]
    others: Others = ()


class C1G2EPCMemorySelector(Parameter, frozen=True):
    """Whether reports carry a tag's CRC and PC."""

    number: ClassVar[int] = 348

    enable_crc: Bit
    enable_pc_bits: Annotated[Bit, "r6"]


class TagReportContentSelector(Parameter, frozen=True):
    """Which fields a tag report carries."""

    number: ClassVar[int] = 238

    enable_rospec_id: Bit = False
    enable_spec_index: Bit = False
    enable_inventory_parameter_spec_id: Bit = False
    enable_antenna_id: Bit = False
    enable_channel_index: Bit = False
    enable_peak_rssi: Bit = False
    enable_first_seen_timestamp: Bit = False
    enable_last_seen_timestamp: Bit = False
    enable_tag_seen_count: Bit = False
    enable_access_spec_id: Annotated[Bit, "r6"] = False
    c1g2_epc_memory_selector: tuple[C1G2EPCMemorySelector, ...] = ()


class ROReportSpec(Parameter, frozen=True):
    """When and what to report; `n` 0 means no limit on the number of tags in a report."""

    number: ClassVar[int] = 237

    ro_report_trigger: U8
    n: U16
    tag_report_content_selector: TagReportContentSelector
    others: Others = ()


class ROSpec(Parameter, frozen=True):
    """What to do on the radio, when to start, when to stop, what to report."""

    number: ClassVar[int] = 177

    rospec_id: U32
    priority: U8
    current_state: U8
    ro_boundary_spec: ROBoundarySpec
    spec_parameter: tuple[AISpec | Custom | Unknown, ...]
    ro_report_spec: ROReportSpec | None = None


class AccessReportSpec(Parameter, frozen=True):
    """When to report what tag access gave."""

    number: ClassVar[int] = 239

    access_report_trigger: U8


class EventNotificationState(Parameter, frozen=True):
    """Whether one kind of event is told."""

    number: ClassVar[int] = 245

    event_type: U16
    notification_state: Annotated[Bit, "r7"]


class ReaderEventNotificationSpec(Parameter, frozen=True):
    """Which events are told."""

    number: ClassVar[int] = 244

    event_notification_state: tuple[EventNotificationState, ...]


class KeepaliveSpec(Parameter, frozen=True):
    """Whether, and every how many milliseconds, the reader sends a KEEPALIVE."""

    number: ClassVar[int] = 220

    keepalive_trigger_type: U8
    periodic_trigger_value: U32 = 0


class GPOWriteData(Parameter, frozen=True):
    """The level at an output."""

    number: ClassVar[int] = 219

    gpo_port_number: U16
    gpo_data: Annotated[Bit, "r7"]


class GPIPortCurrentState(Parameter, frozen=True):
    """Whether an input is watched, and its level; a reader ignores the level when it is told."""

    number: ClassVar[int] = 225

    gpi_port_num: U16
    config: Annotated[Bit, "r7"]
    state: U8


class EventsAndReports(Parameter, frozen=True):
    """Whether events and reports are held back after a new connection until they are asked for."""

    number: ClassVar[int] = 226

    hold_events_and_reports_upon_reconnect: Annotated[Bit, "r7"]


class AntennaProperties(Parameter, frozen=True):
    """Whether an antenna is connected, and its gain in hundredths of dBi."""

    number: ClassVar[int] = 221

    antenna_connected: Annotated[Bit, "r7"]
    antenna_id: U16
    antenna_gain: S16


class Identification(Parameter, frozen=True):
    """The reader's MAC address or EPC."""

    number: ClassVar[int] = 218

    id_type: U8
    reader_id: Octets


class LLRPConfigurationStateValue(Parameter, frozen=True):
    """A number that changes when the reader's configuration does."""

    number: ClassVar[int] = 217

    llrp_configuration_state_value: U32
