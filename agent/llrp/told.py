"""The parameters by which a reader tells of itself: what it can do, what happened, how a request ended.

Field for field as in llrp-1x0-def.xml and llrp-1x1-def.xml; a test holds every record here against both.
"""

from __future__ import annotations

from typing import Annotated, ClassVar

from agent.llrp.params import Uptime, UTCTimestamp
from agent.llrp.wire import OPTIONAL, S16, U8, U16, U32, Bit, Octets, Others, Parameter, Text, Tv, U32s

# --- what it can do ---


class ReceiveSensitivityTableEntry(Parameter, frozen=True):
    """A receive sensitivity in dB relative to the most sensitive."""

    number: ClassVar[int] = 139

    index: U16
    receive_sensitivity_value: S16


class PerAntennaReceiveSensitivityRange(Parameter, frozen=True):
    """Which sensitivities an antenna can have."""

    number: ClassVar[int] = 149

    antenna_id: U16
    receive_sensitivity_index_min: U16
    receive_sensitivity_index_max: U16


class PerAntennaAirProtocol(Parameter, frozen=True):
    """Which tags an antenna can speak to."""

    number: ClassVar[int] = 140

    antenna_id: U16
    protocol_id: Octets


class GPIOCapabilities(Parameter, frozen=True):
    """How many inputs and outputs there are."""

    number: ClassVar[int] = 141

    num_gpis: U16
    num_gpos: U16


class GeneralDeviceCapabilities(Parameter, frozen=True):
    """The device."""

    number: ClassVar[int] = 137

    max_number_of_antenna_supported: U16
    can_set_antenna_properties: Bit
    has_utc_clock_capability: Annotated[Bit, "r14"]
    device_manufacturer_name: U32
    model_name: U32
    reader_firmware_version: Text
    receive_sensitivity_table_entry: tuple[ReceiveSensitivityTableEntry, ...]
    per_antenna_receive_sensitivity_range: Annotated[tuple[PerAntennaReceiveSensitivityRange, ...], OPTIONAL]
    gpio_capabilities: GPIOCapabilities
    per_antenna_air_protocol: tuple[PerAntennaAirProtocol, ...]


class LLRPCapabilities(Parameter, frozen=True):
    """Which parts of the protocol the reader has, and how many specs it holds (0: no limit)."""

    number: ClassVar[int] = 142

    can_do_rf_survey: Bit
    can_report_buffer_fill_warning: Bit
    supports_client_request_op_spec: Bit
    can_do_tag_inventory_state_aware_singulation: Bit
    supports_event_and_report_holding: Annotated[Bit, "r3"]
    max_num_priority_levels_supported: U8
    client_request_op_spec_timeout: U16
    max_num_rospecs: U32
    max_num_specs_per_rospec: U32
    max_num_inventory_parameter_specs_per_aispec: U32
    max_num_access_specs: U32
    max_num_op_specs_per_access_spec: U32


class TransmitPowerLevelTableEntry(Parameter, frozen=True):
    """A transmit power in hundredths of dBm, conducted."""

    number: ClassVar[int] = 145

    index: U16
    transmit_power_value: S16


class FrequencyHopTable(Parameter, frozen=True):
    """Frequencies in kHz in the order of hopping."""

    number: ClassVar[int] = 147

    hop_table_id: Annotated[U8, "r8"]
    frequency: U32s


class FixedFrequencyTable(Parameter, frozen=True):
    """Frequencies in kHz."""

    number: ClassVar[int] = 148

    frequency: U32s


class FrequencyInformation(Parameter, frozen=True):
    """The channels."""

    number: ClassVar[int] = 146

    hopping: Annotated[Bit, "r7"]
    frequency_hop_table: tuple[FrequencyHopTable, ...] = ()
    fixed_frequency_table: FixedFrequencyTable | None = None


class C1G2UHFRFModeTableEntry(Parameter, frozen=True):
    """One link mode; rates in bit/s, Tari in nanoseconds."""

    number: ClassVar[int] = 329

    mode_identifier: U32
    dr_value: Bit
    epc_hag_tc_conformance: Annotated[Bit, "r6"]
    m_value: U8
    forward_link_modulation: U8
    spectral_mask_indicator: U8
    bdr_value: U32
    pie_value: U32
    min_tari_value: U32
    max_tari_value: U32
    step_tari_value: U32


class C1G2UHFRFModeTable(Parameter, frozen=True):
    """The link modes."""

    number: ClassVar[int] = 328

    c1g2_uhf_rf_mode_table_entry: tuple[C1G2UHFRFModeTableEntry, ...]


class UHFBandCapabilities(Parameter, frozen=True):
    """Powers, channels and link modes."""

    number: ClassVar[int] = 144

    transmit_power_level_table_entry: tuple[TransmitPowerLevelTableEntry, ...]
    frequency_information: FrequencyInformation
    air_protocol_uhf_rf_mode_table: tuple[C1G2UHFRFModeTable, ...]
    others: Others = ()  # 1.1 readers may add to the band's description


class RegulatoryCapabilities(Parameter, frozen=True):
    """ISO 3166 country number, the radio rules in force, the band."""

    number: ClassVar[int] = 143

    country_code: U16
    communications_standard: U16
    uhf_band_capabilities: UHFBandCapabilities | None = None
    others: Others = ()


class C1G2LLRPCapabilities(Parameter, frozen=True):
    """Which tag operations the reader has; the middle four were reserved bits in 1.0.1."""

    number: ClassVar[int] = 327

    can_support_block_erase: Bit
    can_support_block_write: Bit
    can_support_block_permalock: Bit
    can_support_tag_recommissioning: Bit
    can_support_umi_method2: Bit
    can_support_xpc: Annotated[Bit, "r2"]
    max_num_select_filters_per_query: U16


# --- how a request ended ---


class FieldError(Parameter, frozen=True):
    """Which field is wrong, counted from 1 (as the capture dx101_a shows)."""

    number: ClassVar[int] = 288

    field_num: U16
    error_code: U16


class ParameterError(Parameter, frozen=True):
    """Which sub-parameter is wrong."""

    number: ClassVar[int] = 289

    parameter_type: U16
    error_code: U16
    field_error: FieldError | None = None
    parameter_error: ParameterError | None = None


class LLRPStatus(Parameter, frozen=True):
    """How a request ended; `status_code` is one of StatusCode."""

    number: ClassVar[int] = 287

    status_code: U16
    error_description: Text = ""
    field_error: FieldError | None = None
    parameter_error: ParameterError | None = None


# --- what happened ---


class HoppingEvent(Parameter, frozen=True):
    """The next channel."""

    number: ClassVar[int] = 247

    hop_table_id: U16
    next_channel_index: U16


class GPIEvent(Parameter, frozen=True):
    """An input changed."""

    number: ClassVar[int] = 248

    gpi_port_number: U16
    gpi_event: Annotated[Bit, "r7"]


class ROSpecEvent(Parameter, frozen=True):
    """A ROSpec started, ended or gave way to another."""

    number: ClassVar[int] = 249

    event_type: U8
    rospec_id: U32
    preempting_rospec_id: U32 = 0


class ReportBufferLevelWarningEvent(Parameter, frozen=True):
    """The report buffer fills up."""

    number: ClassVar[int] = 250

    report_buffer_percentage_full: U8


class ReportBufferOverflowErrorEvent(Parameter, frozen=True):
    """Reports were lost."""

    number: ClassVar[int] = 251


class ReaderExceptionEvent(Parameter, frozen=True):
    """Something went wrong in the reader."""

    number: ClassVar[int] = 252

    message: Text
    rospec_id: Annotated[int | None, Tv(9, "u32")] = None
    spec_index: Annotated[int | None, Tv(14, "u16")] = None
    inventory_parameter_spec_id: Annotated[int | None, Tv(10, "u16")] = None
    antenna_id: Annotated[int | None, Tv(1, "u16")] = None
    access_spec_id: Annotated[int | None, Tv(16, "u32")] = None
    op_spec_id: Annotated[int | None, Tv(17, "u16")] = None
    others: Others = ()


class C1G2SingulationDetails(Parameter, frozen=True):
    """How singulation went."""

    number: ClassVar[int] = 18

    num_collision_slots: U16
    num_empty_slots: U16


class AISpecEvent(Parameter, frozen=True):
    """An antenna inventory ended."""

    number: ClassVar[int] = 254

    event_type: U8
    rospec_id: U32
    spec_index: U16
    c1g2_singulation_details: C1G2SingulationDetails | None = None


class AntennaEvent(Parameter, frozen=True):
    """An antenna was lost or came back."""

    number: ClassVar[int] = 255

    event_type: U8
    antenna_id: U16


class ConnectionAttemptEvent(Parameter, frozen=True):
    """Whether this connection stands, or that another was tried."""

    number: ClassVar[int] = 256

    status: U16


class ConnectionCloseEvent(Parameter, frozen=True):
    """The reader ends the connection."""

    number: ClassVar[int] = 257


class ReaderEventNotificationData(Parameter, frozen=True):
    """When, and what happened."""

    number: ClassVar[int] = 246

    timestamp: UTCTimestamp | Uptime
    hopping_event: HoppingEvent | None = None
    gpi_event: GPIEvent | None = None
    rospec_event: ROSpecEvent | None = None
    report_buffer_level_warning_event: ReportBufferLevelWarningEvent | None = None
    report_buffer_overflow_error_event: ReportBufferOverflowErrorEvent | None = None
    reader_exception_event: ReaderExceptionEvent | None = None
    aispec_event: AISpecEvent | None = None
    antenna_event: AntennaEvent | None = None
    connection_attempt_event: ConnectionAttemptEvent | None = None
    connection_close_event: ConnectionCloseEvent | None = None
    others: Others = ()
